"""An invented squad: small test folders, and the command run on them in processes of its own."""

from __future__ import annotations

import datetime as dt
import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

from cda.simulate import PRESETS, Scenario, simulate_session, write_session

SMALL = replace(PRESETS["calm"], n_positions=2, runs_per_position=2, leg_length_m=500.0)
CODE = "from cda.cli import main; main()"


def write_test(
    folder: Path, seed: int, *, day: int = 0, rider: str = "rider-1", scenario: Scenario = SMALL
) -> None:
    """Write one test, `day` days after the first of March."""
    date = dt.date(2026, 3, 1) + dt.timedelta(days=day)
    write_session(simulate_session(replace(scenario, date=date.isoformat()), seed), folder)
    file = folder / "session.toml"
    file.write_text(file.read_text("utf-8").replace('"rider-1"', f'"{rider}"'), "utf-8")


def write_squad(folder: Path, tests: int = 5) -> None:
    """Write a squad of two riders, one of whose folders cannot be read."""
    for k in range(tests):
        rider = "rider-2" if k == tests - 1 else "rider-1"
        write_test(folder / rider / f"day_{k}", seed=k, day=20 * k, rider=rider)
    bad = folder / "rider-2" / "torn"
    bad.mkdir()
    (bad / "session.toml").write_text("title = ", "utf-8")


def started(*words: object, **options: Any) -> subprocess.Popen[str]:
    """Start `cda` with these words in a process group of its own."""
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1])}
    return subprocess.Popen(
        [sys.executable, "-c", CODE, *map(str, words)],
        text=True,
        encoding="utf-8",
        env=environment,
        start_new_session=True,
        **({"stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | options),
    )


def finished(*words: object, **options: Any) -> tuple[int, str, str]:
    """Run `cda` with these words; return status, standard output and standard error."""
    process = started(*words, **options)
    out, err = process.communicate(timeout=240)
    return process.returncode, out, err
