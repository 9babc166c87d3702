"""A FIT file that breaks off: whole runs before the break are answered, with a warning."""

import json
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from cda.cli import main
from cda.simulate import write_session
from cda.simulate.simulated import simulate_session
from tests.analysis_rides import SMALL

pytest.importorskip("fit_tool", reason="FIT files are written by a development dependency")


def cda(*words: object) -> Result:
    return CliRunner().invoke(main, [str(w) for w in words])


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    # Times on the run sheet: a bike computer writes a lap when it ends, the cut takes the last.
    ride = simulate_session(replace(SMALL, laps="times"), 41, name="ride.fit")
    folder = tmp_path_factory.mktemp("cut") / "morning"
    write_session(ride, folder, format="fit")
    return folder


def cut_at(folder: Path, share: float, target: Path) -> Path:
    target.mkdir()
    for path in folder.iterdir():
        data = path.read_bytes()
        (target / path.name).write_bytes(
            data[: int(share * len(data))] if path.suffix == ".fit" else data
        )
    return target


def test_the_whole_file_is_read_without_a_word_of_a_cut(folder: Path) -> None:
    shown = cda("fit", folder, "--json")
    assert shown.exit_code in (0, 3)
    document = json.loads(shown.stdout)
    assert not any("cut" in f["code"] for f in document["findings"])
    assert all(r["used"] for r in document["runs"])


def test_a_cut_file_that_holds_whole_runs_is_an_answer_with_a_warning(
    folder: Path, tmp_path: Path
) -> None:
    shown = cda("fit", cut_at(folder, 0.8, tmp_path / "cut"), "--json")
    assert shown.exit_code == 3, shown.stderr
    document = json.loads(shown.stdout)
    found = {f["code"]: f for f in document["findings"]}
    assert found["recording-cut"]["severity"] == "warning"
    used = [r["run"] for r in document["runs"] if r["used"]]
    assert used == list(range(1, len(used) + 1))
    assert 3 <= len(used) <= 5
    lost = [r for r in document["runs"] if not r["used"]]
    assert len(lost) + len(used) == 6
    assert all(r["reason"] for r in lost)


@pytest.mark.parametrize(("share", "words"), [(0.0005, "ride.fit"), (0.02, "breaks off")])
def test_a_file_cut_before_the_first_run_is_an_error(
    folder: Path, tmp_path: Path, share: float, words: str
) -> None:
    shown = cda("fit", cut_at(folder, share, tmp_path / "cut"))
    assert shown.exit_code == 1, shown.output
    assert shown.stdout == ""
    assert "Traceback" not in shown.stderr
    assert words in shown.stderr
    assert shown.stderr.count("Error:") == 1
