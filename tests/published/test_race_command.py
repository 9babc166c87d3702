"""The published time table of Jeukendrup and Martin (2001) through `cda race --cda`.

A. E. Jeukendrup, J. Martin, "Improving cycling performance: how should we spend our time and
money", Sports Med. 31, 559-569, 2001, doi 10.2165/00007256-200131070-00009.  Times are differences
of a table read in a third party's summary; drag areas and base times are values from memory.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner

from cda.cli import main

if TYPE_CHECKING:
    from pathlib import Path

# Power at the wheel that gives the base time with 80 kg, Crr 0.004, density 1.2, computed from
# P = v (rho CdA v^2 / 2 + Crr m g) with v = 40 km / base time.
BASE_TIME_S = {"novice": 72 * 60 + 56, "trained": 58 * 60 + 35, "elite": 52 * 60 + 2}
SAVED_S = {
    "novice": {"hoods": -409, "drops": -183, "optimised": 152},
    "trained": {"hoods": -336, "drops": -150, "optimised": 126},
    "elite": {"hoods": -299, "drops": -132, "optimised": 115},
}
TOLERANCE_S = 7.0  # mass, Crr and density are ours; see test_race_times.py


@pytest.mark.parametrize("rider", list(BASE_TIME_S))
def test_time_table_through_the_command(rider: str, tmp_path: Path) -> None:
    speed = 40_000.0 / BASE_TIME_S[rider]
    power = speed * (0.5 * 1.2 * 0.269 * speed**2 + 0.004 * 80.0 * 9.80665)
    race = tmp_path / "race.toml"
    race.write_text(
        f"""
name = "flat 40 km"
distance_km = 40.0
power_w = {power:.6f}
[rider]
mass_kg = 72.0
[bike]
mass_kg = 8.0
rolling_resistance = 0.004
drivetrain_efficiency = 1.0
wheel_drag_area_m2 = 0.0
bearing_drag_n = 0.0
bearing_drag_n_s_m = 0.0
[air]
density_kg_m3 = 1.2
""",
        encoding="utf-8",
    )
    arguments = ["race", "--race", str(race), "--json", "--cda", "bars=0.269"]
    for name, area in (("hoods", 0.358), ("drops", 0.307), ("optimised", 0.240)):
        arguments += ["--cda", f"{name}={area}"]
    result = CliRunner().invoke(main, arguments)
    assert result.exit_code in (0, 3), result.output
    rows = {row["id"]: row for row in json.loads(result.stdout)["positions"]}
    assert rows["bars"]["saved_s"] == 0.0
    assert rows["bars"]["time_s"] == pytest.approx(BASE_TIME_S[rider], abs=1.0)
    for name, saved_s in SAVED_S[rider].items():
        assert rows[name]["saved_if_held_throughout_s"] == pytest.approx(saved_s, abs=TOLERANCE_S)
