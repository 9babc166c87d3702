"""A plan as the folder that the test will live in: session.toml, runs.csv and the run sheet."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from cda.plan.sheet import run_sheet_html
from cda.session import write_session_folder, write_text

if TYPE_CHECKING:
    from pathlib import Path

    from cda.plan.content import Plan

SHEET_NAME: Final = "run_sheet.html"
HEADING: Final = """A planned test. Print run_sheet.html and ride from it.
Lines marked FILL IN are needed, the others show what is assumed where nothing is written.
After the ride: copy the bike computer's file into this folder and fill in runs.csv.
A run that is not ridden stays empty; for a run ridden again add a row with a number of its own."""


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
    settings = {
        "title": f"{plan.protocol.title}: {', '.join(p.id for p in plan.positions)}"[:200],
        "protocol": plan.protocol.id,
        "course": {"kind": plan.protocol.course},
        "positions": [
            {"id": p.id, "label": p.label} | ({"reference": True} if k == 0 else {})
            for k, p in enumerate(plan.positions)
        ],
    }
    rows = [{"run": r.run, "position": r.position, "note": f"{r.power_w:g} W"} for r in plan.runs]
    toml, sheet = write_session_folder(folder, settings, rows, force=force, heading=HEADING)
    page = folder / SHEET_NAME
    write_text(page, run_sheet_html(plan))
    return toml, sheet, page
