"""Each command imports only what it needs: told by the modules loaded, not by time."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

EXAMPLES = Path(__file__).parents[1] / "example_runs"
WEIGHTY = {
    "defusedxml.ElementTree",
    "distributed",
    "fitdecode",
    "jinja2",
    "lmfit",
    "matplotlib",
    "numpy",
    "pandas",
    "pydantic",
    "scipy.optimize",
    "scipy.special",
    "scipy.stats",
    "sqlite3",
}
NEEDED = {  # lmfit brings pandas, matplotlib and most of scipy with it
    "air": {"numpy"},
    "schema": {"numpy", "pydantic"},
    "guide": {"numpy", "pydantic", "fitdecode"},
    "check": {"numpy", "pydantic", "fitdecode", "scipy.optimize", "scipy.special"},
    "race": {"numpy", "pydantic", "scipy.optimize", "scipy.special", "scipy.stats"},
    "archive": {"numpy", "sqlite3", "scipy.special"},
    "fit": WEIGHTY - {"defusedxml.ElementTree", "distributed", "jinja2", "sqlite3"},
}
WORDS = {
    "air": ["--temperature-c", "20", "--pressure-hpa", "1013", "--humidity", "0.5"],
    "schema": ["session"],
    "guide": [str(EXAMPLES / "short_morning")],
    "check": [str(EXAMPLES / "short_morning")],
    "race": [
        *("--race", str(EXAMPLES / "half_distance.toml"), "--cda", "a=0.27", "--cda", "b=0.26"),
        *("--set", "rider.mass_kg=70", "--set", "bike.mass_kg=9"),
    ],
    "fit": [str(EXAMPLES / "short_morning")],
}


def loaded_by(*words: str) -> set[str]:
    code = (
        "import sys\nfrom cda.cli import main\n"
        f"try: main({list(words)!r})\n"
        f"except SystemExit: print('|', *sorted({WEIGHTY!r} & set(sys.modules)))"
    )
    shown = subprocess.run([sys.executable, "-c", code], text=True, capture_output=True, check=True)
    assert shown.stdout.count("|") >= 1, shown.stderr
    return set(shown.stdout.rpartition("|")[2].split())


@pytest.mark.parametrize("command", WORDS)
def test_a_command_imports_only_what_it_needs(command: str) -> None:
    assert loaded_by(command, *WORDS[command]) <= NEEDED[command]


def test_showing_an_archive_loads_neither_readers_nor_the_regression_libraries(
    tmp_path: Path,
) -> None:
    from cda.archive import Archive
    from cda.archive.record import Record

    row = {"position": "a", "number": 0, "is_reference": 1, "cda_m2": 0.28}
    row |= {"statistical_se_m2": 0.001, "systematic_se_m2": 0.004}
    with Archive(tmp_path / "cda_archive.sqlite") as archive:
        archive.keep(
            Record(
                folder="t",
                fingerprint="f",
                version="v",
                state="done",
                test={"date": "2026-05-09", "rider_id": "r", "bike_id": "b", "power_meter_id": "m"},
                positions=(row,),
            )
        )
    assert loaded_by("archive", str(tmp_path), "--show") <= NEEDED["archive"]
