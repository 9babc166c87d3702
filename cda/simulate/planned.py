"""Ride a planned test folder: its positions, order, masses and instruments, an invented morning."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from cda.errors import SessionError
from cda.simulate.scenario import Scenario
from cda.simulate.simulated import SimulatedSession, simulate_session

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

# Key of session.toml -> knob of the scenario: what the plan declares is what errors are drawn with.
KNOBS = {
    "title": "title",
    "time_zone": "time_zone",
    "rider.mass_kg": "rider_mass_kg",
    "rider.mass_sd_kg": "rider_mass_sd_kg",
    "bike.mass_kg": "bike_mass_kg",
    "bike.mass_sd_kg": "bike_mass_sd_kg",
    "bike.rolling_resistance": "rolling_resistance",
    "bike.rolling_resistance_sd": "rolling_resistance_sd",
    "bike.rolling_resistance_drift_sd_per_h": "rolling_drift_sd_per_h",
    "bike.drivetrain_efficiency": "drivetrain_efficiency",
    "bike.drivetrain_efficiency_sd": "drivetrain_efficiency_sd",
    "power_meter.location": "power_location",
    "power_meter.scale_sd": "power_scale_sd",
    "power_meter.offset_sd_w": "power_offset_sd_w",
    "power_meter.offset_drift_sd_w_per_h": "power_offset_drift_sd_w_per_h",
    "power_meter.delay_s": "power_delay_s",
    "speed_sensor.source": "speed_source",
    "speed_sensor.scale_sd": "speed_scale_sd",
    "air.temperature_c": "temperature_c",
    "air.temperature_sd_c": "temperature_sd_c",
    "air.pressure_hpa": "pressure_hpa",
    "air.pressure_sd_hpa": "pressure_sd_hpa",
    "air.relative_humidity": "relative_humidity",
    "air.relative_humidity_sd": "relative_humidity_sd",
    "course.kind": "course",
    "course.lap_length_m": "leg_length_m",
    "course.bend_radius_m": "bend_radius_m",
    "course.mass_centre_height_m": "mass_centre_height_m",
}
POWER = re.compile(r"^\s*(\d{2,4}(?:[.,]\d+)?)\s*W\b")
# Of the plan these say something about the true road or day, which the ride invents anew.
INVENTED = ("recordings", "wind")
SHORTEST_RUN_OUT_M = 60.0


def simulate_plan(
    folder: str | Path,
    scenario: Scenario | None = None,
    seed: int = 0,
    *,
    name: str = "ride.csv",
) -> SimulatedSession:
    """Ride the run sheet of a planned test folder.

    Parameters
    ----------
    folder : path
        A folder with session.toml and runs.csv, as `cda plan` makes it. Power of a run where
        every note begins with one ("190 W"); length and laps as its protocol says, where the
        scenario asks for nothing else. What is left open (weights, air) is the scenario's.
    scenario : Scenario, optional
        Wind, road, instruments and everything that the folder does not say.
    seed : int
        Chooses the morning.
    name : str
        File name of the recording: .csv or .fit.

    Returns
    -------
    simulated : SimulatedSession
        For `write_session`; the folder itself is not touched.

    Raises
    ------
    SessionError
        If the folder has no run sheet, or a run is in a position that session.toml lacks.
    """
    from pathlib import Path

    from cda.session import read_run_rows, read_toml

    folder = Path(folder)
    if not (folder / "session.toml").is_file():
        raise SessionError(
            "has no session.toml", where=folder.name, fix="make a plan first: cda plan"
        )
    tables, _ = read_toml(folder / "session.toml")
    rows = [dict(row) for row in read_run_rows(folder) if row.get("use", "").lower() != "no"]
    rows = [row for row in rows if row.get("position")]
    positions = tables.get("positions") or []
    ids = [str(p.get("id", "")) for p in positions]
    if not rows or not ids:
        what = "runs.csv has no run" if ids else "session.toml has no position"
        raise SessionError(what, where=folder.name, fix="make a plan first: cda plan")
    order = []
    for number, row in enumerate(rows, start=1):
        row["run"] = _run_number(row.get("run", ""), number)
        if row["position"] not in ids:
            raise SessionError(
                f"position {row['position']!r} is not in session.toml (there: {', '.join(ids)})",
                where=f"{folder.name}/runs.csv, run {row['run']}",
                fix="correct the position, or add it to session.toml",
            )
        order.append(ids.index(row["position"]))
    base = scenario if scenario is not None else Scenario()
    knobs = _protocol_knobs(tables.get("protocol"), base) | _knobs(tables)
    powers = [_power(row.get("note", "")) for row in rows]
    given = [p for p in powers if p is not None]
    if len(given) == len(rows):  # a plan that says every run's power is ridden at it
        knobs["run_powers_w"] = tuple(given)
    ridden = replace(
        base,
        **knobs,
        n_positions=len(ids),
        position_ids=tuple(ids),
        position_labels=None,
        position_cues=None,
        hold_shares=None,
        power_costs_w=None,
        power_cost_sds_w=None,
        cda_m2=base.cda_m2 if base.cda_m2 is not None and len(base.cda_m2) == len(ids) else None,
        order=tuple(order),
    )
    own_rows = [{k: v for k, v in row.items() if k in ("run", "position", "note")} for row in rows]
    return simulate_session(
        ridden,
        seed,
        name=name,
        folder_name=folder.name,
        own_tables={k: v for k, v in tables.items() if k not in INVENTED},
        own_rows=own_rows,
    )


def _protocol_knobs(name: object, base: Scenario) -> dict[str, Any]:
    """Return what the protocol says of the way, where the scenario asks for nothing else."""
    from cda.plan import load_protocol

    if not isinstance(name, str):
        return {}
    try:
        protocol = load_protocol(name)
    except SessionError:
        return {}  # somebody's own protocol: the scenario says how far it is
    usual = Scenario()
    said = {
        "leg_length_m": protocol.length_m,
        "run_out_m": max(protocol.run_out_m, SHORTEST_RUN_OUT_M),
        "legs_per_run": protocol.legs_per_run,
        "laps_per_run": protocol.laps_per_run,
    }
    return {k: v for k, v in said.items() if getattr(base, k) == getattr(usual, k)}


def _power(note: str) -> float | None:
    """Return the power that a plan's note begins with, "190 W", or None. [W]."""
    found = POWER.match(note)
    return None if found is None else float(found.group(1).replace(",", "."))


def _run_number(text: str, default: int) -> str:
    try:
        return str(int(float(text)))
    except ValueError:
        return str(default)


def _knobs(tables: Mapping[str, Any]) -> dict[str, Any]:
    """Return the knobs that the plan's session.toml sets."""
    knobs: dict[str, Any] = {}
    for key, knob in KNOBS.items():
        value: Any = tables
        for part in key.split("."):
            value = value.get(part) if isinstance(value, dict) else None
        if value is not None:
            knobs[knob] = value
    if "date" in tables:
        knobs["date"] = str(tables["date"])
    radius = knobs.get("bend_radius_m")
    course = tables.get("course")
    share = course.get("bend_share") if isinstance(course, dict) else None
    lap = knobs.get("leg_length_m")
    if radius is None and share and lap:
        knobs["bend_radius_m"] = share * lap / (2.0 * math.pi)
    return knobs
