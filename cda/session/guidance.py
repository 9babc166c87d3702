"""What is missing next in a test folder, in plain words, and the one command to type."""

from __future__ import annotations

import shlex
from dataclasses import dataclass
from pathlib import Path

from cda.errors import CdaError
from cda.session.discovery import candidates
from cda.session.load import load_session
from cda.session.toml_file import read_toml
from cda.session.write import CHECK_TODAY, read_run_rows, unchecked_keys


@dataclass(frozen=True, slots=True, kw_only=True)
class GuideStep:
    """One step: what to do, in plain words, and the command to type after it (or None)."""

    message: str
    command: str | None


def guide(folder: str | Path) -> GuideStep:
    """Return the next step for a test folder; never fails for what a user can leave undone."""
    folder = Path(folder)
    name = shlex.quote(str(folder))
    again = f"cda guide {name}"
    if not (folder / "session.toml").is_file():
        return GuideStep(
            message="There is no test in this folder yet. Plan one, or start from a recording "
            "with `cda check RECORDING --make FOLDER`.",
            command="cda plan --list",
        )
    try:
        data, _ = read_toml(folder / "session.toml")
        for table, what in (
            ("rider", "rider, dressed and helmeted"),
            ("bike", "bike, with bottles"),
        ):
            inner = data.get(table, {})
            if isinstance(inner, dict) and "mass_kg" not in inner:
                return GuideStep(
                    message=f"Weigh the {what}, as ridden, and write mass_kg under [{table}] "
                    "in session.toml.",
                    command=again,
                )
        marked = unchecked_keys((folder / "session.toml").read_bytes())
        if marked:
            return GuideStep(
                message=f"{CHECK_TODAY} in session.toml: {', '.join(marked)}. Weigh or read them "
                "again, correct what has changed, and take the marks away.",
                command=again,
            )
        if not data.get("positions"):
            return GuideStep(
                message="Name the positions in session.toml: one [[positions]] with an id each.",
                command=again,
            )
        rows = read_run_rows(folder)
        empty = [row.get("run", "") for row in rows if not row.get("position")]
        if empty:
            return GuideStep(
                message=f"Write which position was ridden into runs.csv: run {', '.join(empty)}.",
                command=again,
            )
        if not data.get("recordings") and not candidates(folder):
            return GuideStep(
                message="Ride the runs of the run sheet, then copy the bike computer's file "
                "(.fit, .tcx, .gpx or .csv) into this folder.",
                command=again,
            )
        air = data.get("air", {})
        known = isinstance(air, dict) and (
            "readings" in air
            or "density_kg_m3" in air
            or (
                {"temperature_c", "temperature_from_recording"} & set(air)
                and {"pressure_hpa", "sea_level_pressure_hpa"} & set(air)
            )
        )
        if not known:
            return GuideStep(
                message="Look up air temperature and pressure for the hour of the test and write "
                "temperature_c and pressure_hpa (at the road) or sea_level_pressure_hpa (as "
                "weather services give it) under [air] in session.toml.",
                command=again,
            )
        if not any(row.get("laps") or row.get("start") for row in rows):
            return GuideStep(
                message="The run sheet does not say yet when each run was ridden. The passes in "
                "the recording can be paired with it.",
                command=f"cda check {name} --match",
            )
        session = load_session(folder)
    except CdaError as error:
        return GuideStep(message=f"Mend this first. {error}", command=again)
    doubts = [f for f in session.findings if f.severity != "note"]
    if doubts:
        first = doubts[0]
        return GuideStep(
            message=f"All that is needed is here, with a doubt: {first.message}. {first.fix}",
            command=f"cda check {name}",
        )
    return GuideStep(message="Everything needed is here.", command=f"cda fit {name}")
