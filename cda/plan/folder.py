"""A plan as the folder that the test will live in: session.toml, runs.csv and the run sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from cda.plan.sheet import run_sheet_html
from cda.session import CHECK_TODAY, write_session_folder, write_text

if TYPE_CHECKING:
    from pathlib import Path

    from cda.plan.content import Plan

SHEET_NAME: Final = "run_sheet.html"
HEADING: Final = """A planned test. Print run_sheet.html and ride from it.
Lines marked FILL IN are needed, the others show what is assumed where nothing is written.
After the ride: copy the bike computer's file into this folder and fill in runs.csv.
A run that is not ridden stays empty; for a run ridden again add a row with a number of its own."""
HEADING_LIKE: Final = f"""
Rider, bike, instruments and gates are those of last time. Weigh or read again what is marked
{CHECK_TODAY}, correct it where it has changed, and take the mark away."""
# Weighed, rolled out or read on the day: another day's value is no more than a first guess.
OF_THE_DAY: Final = (
    "rider.mass_kg",
    "bike.mass_kg",
    "bike.rolling_resistance",
    "power_meter.delay_s",
    "speed_sensor.scale",
    "air.temperature_c",
    "air.pressure_hpa",
    "air.relative_humidity",
)


OF_LAPS: Final = ("lap_length_m", "bend_radius_m", "bend_share", "mass_centre_height_m")


def write_plan(plan: Plan, folder: Path, *, force: bool = False) -> tuple[Path, ...]:
    """Write session.toml, runs.csv and run_sheet.html.

    Parameters
    ----------
    plan : Plan
    folder : Path
        Made if it is not there.
    force : bool
        Write over files that are there.

    Returns
    -------
    paths : tuple of Path
        session.toml, runs.csv, run_sheet.html.

    Raises
    ------
    OutputError
        If a file is there already and `force` is false, or the folder cannot be written.
    """
    like: dict[str, Any] = dict(plan.settings or {})
    own = like.pop("positions", {})
    course = like.pop("course", {})
    if plan.protocol.course != "out-and-back":
        course = {k: v for k, v in course.items() if k in OF_LAPS}
    if plan.protocol.course == "track":  # certified, where a road's loop is measured by its rides
        course = {"lap_length_m": plan.length_m} | course
    settings = {
        "title": f"{plan.protocol.title}: {', '.join(p.id for p in plan.positions)}"[:200],
        "protocol": plan.protocol.id,
        **like,
        "course": {"kind": plan.protocol.course, **course},
        "positions": [
            {"id": p.id, "label": p.label}
            | own.get(p.id, {})
            | ({"reference": True} if p.id == plan.reference else {})
            for p in plan.positions
        ],
    }
    rows = [{"run": r.run, "position": r.position, "note": f"{r.power_w:g} W"} for r in plan.runs]
    taken_over = plan.settings is not None
    toml, sheet = write_session_folder(
        folder,
        settings,
        rows,
        force=force,
        heading=HEADING + (HEADING_LIKE if taken_over else ""),
        check_today=OF_THE_DAY if taken_over else (),
    )
    page = folder / SHEET_NAME
    write_text(page, run_sheet_html(plan))
    return toml, sheet, page
