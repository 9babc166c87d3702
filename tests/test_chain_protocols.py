"""Every protocol from the plan to the page: an invented ride of it, check, fit, race, report."""

from __future__ import annotations

import csv
import json
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner, Result

from cda.cli import main

if TYPE_CHECKING:
    from pathlib import Path

RACE = 'name = "Lakeside"\ndistance_km = 90.0\npower_w = 200.0\npower_sd_w = 5.0\n'
LEGS_OF_A_RUN = {
    "out-and-back": ("out", "back"),
    "out-and-back-short": ("out", "back", "out", "back"),
    "closed-loop": ("lap 1", "lap 2", "lap 3"),
    "indoor-track": ("laps 1-3", "laps 4-6", "laps 7-9", "laps 10-12"),
}


def cda(*words: object) -> Result:
    shown = CliRunner().invoke(main, [str(w) for w in words])
    assert shown.exit_code in (0, 3), shown.stderr
    return shown


@pytest.mark.parametrize("protocol", LEGS_OF_A_RUN)
def test_a_protocol_goes_from_plan_to_page(protocol: str, tmp_path: Path) -> None:
    plan, ride, race = tmp_path / "plan", tmp_path / "ride", tmp_path / "race.toml"
    race.write_text(RACE, encoding="utf-8")
    words = ["--position", "tall=Head up", "--position", "low=Chin down", "--runs", 2]
    cda("plan", protocol, *words, "--out", plan)
    cda("simulate", "--plan", plan, "--preset", "calm", "--seed", 20, "--out", ride)
    truth = json.loads((ride / "truth.json").read_text(encoding="utf-8"))

    checked = json.loads(cda("check", ride, "--json").stdout)
    assert [f["code"] for f in checked["findings"] if f["severity"] == "stop"] == []

    fitted = json.loads(cda("fit", ride, "--json").stdout)
    session = fitted["sessions"][0]
    kinds = {"closed-loop": "loop", "indoor-track": "track"}
    assert session["protocol"] == protocol
    assert session["course_kind"] == kinds.get(protocol, "out-and-back")
    for run in (1, 2, 3, 4):
        assert tuple(w["leg"] for w in fitted["wind"] if w["run"] == run) == LEGS_OF_A_RUN[protocol]
    for position in fitted["positions"]:
        error = position["cda_m2"] - truth["cda_m2"][position["id"]]
        assert abs(error) < 3.0 * position["se_m2"]
        assert position["se_m2"] < 0.01
    # The plan's powers were ridden: each round at its own, every position at all of them.
    powers = {r["run"]: round(r["mean_power_w"]) for r in fitted["runs"]}
    with (plan / "runs.csv").open(newline="", encoding="utf-8") as sheet:
        asked = {int(r["run"]): float(r["note"].removesuffix(" W")) for r in csv.DictReader(sheet)}
    assert len(set(asked.values())) == 2
    assert all(abs(powers[run] - asked[run]) < 0.06 * asked[run] for run in asked)

    saved = json.loads(cda("race", ride, "--race", race, "--json").stdout)
    assert {p["id"] for p in saved["positions"]} == {"tall", "low"}
    page = tmp_path / "page.html"
    cda("report", ride, "--race", race, "--out", page, "--no-photos")
    html = page.read_text(encoding="utf-8")
    assert "Lakeside" in html
    level = "level-not-separated" in {f["code"] for f in fitted["findings"]}
    assert level == (protocol in kinds)
    assert ("laps one way round" in html) == (protocol == "closed-loop")
    assert ("On laps of a loop or track" in html) == (protocol in kinds)
    assert ("Wind along the road through the test" in html) == (protocol not in kinds)
    assert ("A lap ends at the height it began at" in html) == (protocol in kinds)
