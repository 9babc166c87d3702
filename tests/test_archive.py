"""The archive: what is found, computed, kept and not computed again."""

from __future__ import annotations

import gzip
import json
import sqlite3
from shutil import copytree
from typing import TYPE_CHECKING

import pytest
from click.testing import CliRunner, Result

import cda
from cda.archive import Archive, find_tests, update_archive
from cda.archive.discovery import fingerprint, software_version
from cda.archive.record import Record, Task, examine
from cda.archive.schema import APPLICATION_ID, MIGRATIONS
from cda.archive.season import read_season
from cda.archive.workers import run_locally
from cda.cli import main
from cda.errors import OutputError, SessionError
from tests.archive_squad import write_squad, write_test
from tests.archive_tasks import die_on_three, double, fail_on_three, threads_of_linear_algebra

if TYPE_CHECKING:
    from pathlib import Path

TABLES = ("test", "position", "difference", "finding", "ride")


def cda_command(*words: object) -> Result:
    return CliRunner().invoke(main, [str(w) for w in words])


def contents(path: Path) -> dict[str, list[dict[str, object]]]:
    with Archive(path, read_only=True) as archive:
        assert archive.sound()
        return {table: archive.rows(table) for table in TABLES}


@pytest.fixture(scope="module")
def squad(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("season") / "squad"
    write_squad(folder)
    return folder


@pytest.fixture(scope="module")
def first(squad: Path) -> Result:
    return cda_command("archive", squad, "--jobs", "2", "--json")


# What is found.


def test_every_folder_with_a_session_is_a_test_and_hidden_ones_are_not(tmp_path: Path) -> None:
    for name in ("a", "b/c", ".git/d", "b/c/e"):
        (tmp_path / name).mkdir(parents=True)
        (tmp_path / name / "session.toml").write_text("")
    (tmp_path / "link").symlink_to(tmp_path / "a")
    found = find_tests(tmp_path)
    assert [t.name for t in found.tests] == ["a", "b/c", "b/c/e"]
    assert [(f.code, f.where) for f in found.findings] == [("link-not-followed", "link")]


def test_a_folder_without_a_test_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(SessionError, match="holds no test"):
        find_tests(tmp_path)
    shown = cda_command("archive", tmp_path)
    assert shown.exit_code == 1
    assert not list(tmp_path.glob("*.sqlite"))


def test_a_fingerprint_changes_with_what_the_result_rests_on_and_nothing_else(
    tmp_path: Path,
) -> None:
    toml = '[air]\nreadings = "sub/air.txt"\n[[positions]]\nid = "a"\nphoto = "a.jpg"\n'
    (tmp_path / "session.toml").write_text(toml)
    (tmp_path / "runs.csv").write_text("run,position\n")
    (tmp_path / "sub").mkdir()
    seen = [fingerprint(tmp_path)]
    for name, data in (
        ("ride.fit", b"1"),
        ("ride.fit", b"2"),
        ("old.GPX.gz", gzip.compress(b"3")),
        ("runs.csv", b"run,position\n1,a\n"),
        ("sub/air.txt", b"time"),
        ("a.jpg", b"picture"),
        ("session.toml", toml.encode() + b"# more\n"),
    ):
        (tmp_path / name).write_bytes(data)
        seen.append(fingerprint(tmp_path))
    assert None not in seen
    assert len(set(seen)) == len(seen)
    for name in ("result_positions.csv", "page.html", ".ride.fit.part", "notes.txt", "a.jpg"):
        (tmp_path / name).write_bytes(b"anything")
    assert fingerprint(tmp_path) == seen[-1]


def test_a_file_outside_the_folder_is_not_read_for_the_fingerprint(tmp_path: Path) -> None:
    inside = tmp_path / "test"
    inside.mkdir()
    (tmp_path / "secret.csv").write_text("1")
    (inside / "session.toml").write_text('recordings = ["../secret.csv"]')
    before = fingerprint(inside)
    (tmp_path / "secret.csv").write_text("2")
    assert fingerprint(inside) == before


# What is computed.


def test_one_bad_test_is_one_line_and_not_the_end(first: Result) -> None:
    assert first.exit_code == 3
    season = json.loads(first.stdout)
    assert (season["kind"], season["schema"], season["computed"]) == ("season", 1, 6)
    states = {t["folder"]: t["state"] for t in season["tests"]}
    assert states.pop("rider-2/torn") == "bad"
    assert set(states.values()) == {"done"}
    assert len(states) == 5
    bad = next(t for t in season["tests"] if t["state"] == "bad")
    assert "session.toml" in bad["reason"]
    assert bad["fix"]
    assert [(r["rider_id"], r["tests"]) for r in season["riders"]] == [
        ("rider-1", 4),
        ("rider-2", 1),
    ]


def test_the_archive_holds_what_fit_says(squad: Path, first: Result) -> None:
    assert first.exit_code == 3
    estimate = cda.estimate_cda(cda.load_session(squad / "rider-1" / "day_2"))
    rows = contents(squad / "cda_archive.sqlite")
    mine = [r for r in rows["position"] if r["folder"] == "rider-1/day_2"]
    assert [r["position"] for r in mine] == [p.id for p in estimate.positions]
    for row, position in zip(mine, estimate.positions, strict=True):
        # rel: the estimate is made in another process, of the same program and libraries
        assert row["cda_m2"] == pytest.approx(position.cda_m2, rel=1e-9)
        assert row["se_m2"] == pytest.approx(position.se_m2, rel=1e-9)
    (pair,) = (r for r in rows["difference"] if r["folder"] == "rider-1/day_2")
    assert pair["delta_cda_m2"] == pytest.approx(estimate.differences[0].delta_cda_m2, rel=1e-9)
    # var(a - b) = var(a) + var(b) - 2 cov(a, b), with the statistical parts that fit prints
    variance = sum(p.statistical_se_m2**2 for p in estimate.positions)
    covariance = pair["statistical_covariance_m4"]
    assert isinstance(covariance, float)
    wanted = estimate.differences[0].statistical_se_m2
    assert wanted is not None
    assert (variance - 2 * covariance) ** 0.5 == pytest.approx(wanted, rel=1e-6)


def test_results_do_not_hang_on_the_number_of_workers(
    squad: Path, first: Result, tmp_path: Path
) -> None:
    assert first.exit_code == 3
    alone = tmp_path / "alone.sqlite"
    shown = cda_command("archive", squad, "--jobs", "1", "--archive", alone, "--json")
    assert contents(alone) == contents(squad / "cda_archive.sqlite")
    one, two = json.loads(first.stdout), json.loads(shown.stdout)
    assert one["riders"] == two["riders"]
    assert one["tests"] == two["tests"]


def test_unchanged_tests_are_not_computed_again_and_changed_ones_are(
    squad: Path, first: Result, tmp_path: Path
) -> None:
    assert first.exit_code == 3
    season = copytree(squad, tmp_path / "squad")
    called: list[tuple[int, int]] = []
    with Archive(season / "cda_archive.sqlite") as archive:
        again = update_archive(archive, find_tests(season), progress=lambda *at: called.append(at))
        assert (again.computed, again.unchanged) == (0, 6)
        assert called == [(0, 0)]
        sheet = season / "rider-1" / "day_1" / "runs.csv"
        sheet.write_text(sheet.read_text("utf-8") + "\n", "utf-8")
        (season / "rider-2" / "torn" / "session.toml").unlink()
        older = "UPDATE test SET version = 'older' WHERE folder = 'rider-2/day_4'"
        archive.connection.execute(older)
        changed = update_archive(archive, find_tests(season), jobs=1)
        assert (changed.computed, changed.unchanged) == (2, 3)
        torn = next(t for t in read_season(archive, changed).tests if t.folder == "rider-2/torn")
        assert torn.state == "bad"  # kept, though it is gone


def test_a_bug_and_an_unreadable_file_are_tried_again_and_a_bad_file_is_not(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_test(tmp_path / "good", 1)
    task = Task(
        path=str(tmp_path / "good"), name="good", fingerprint="f", version=software_version()
    )

    def broken(*_: object) -> None:
        raise ZeroDivisionError("a fault on purpose")

    with monkeypatch.context() as patch:
        patch.setattr("cda.analysis.estimate_cda", broken)
        fault = examine(task)
    assert (fault.state, "ZeroDivisionError" in str(fault.test["error_what"])) == ("fault", True)
    (tmp_path / "good" / "runs.csv").unlink()
    bad = examine(task)
    assert bad.state == "bad"
    with Archive(tmp_path / "a.sqlite") as archive:
        archive.keep(fault)
        assert not archive.has("good", "f", software_version())
        archive.keep(bad)
        assert archive.has("good", "f", software_version())
        assert not archive.has("good", "other", software_version())
        assert not archive.has("good", None, software_version())


def test_a_finding_of_severity_stop_is_a_bad_test(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from dataclasses import replace

    write_test(tmp_path, 1)
    session = cda.load_session(tmp_path)
    stop = cda.Finding(severity="stop", code="x", message="no good", where="here", fix="mend it")
    monkeypatch.setattr("cda.session.load_session", lambda _: replace(session, findings=(stop,)))
    record = examine(Task(path=str(tmp_path), name="t", fingerprint=None, version="v"))
    assert record.state == "bad"
    assert record.test == {"error_what": "no good", "error_where": "here", "error_fix": "mend it"}


# Workers.


def test_every_task_comes_back_and_no_more_than_a_few_are_handed_out_at_once() -> None:
    drawn = []

    def tasks() -> object:
        for k in range(9):
            drawn.append(k)
            yield k

    answers = {}
    ahead = []
    for task, outcome in run_locally(double, tasks(), jobs=2):  # type: ignore[arg-type]
        answers[task] = outcome
        ahead.append(len(drawn) - len(answers))
    assert answers == {k: 2 * k for k in range(9)}
    assert max(ahead) <= 4


def test_workers_use_one_thread_each_and_the_parent_keeps_its_own(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import os

    monkeypatch.setenv("OPENBLAS_NUM_THREADS", "7")
    assert list(run_locally(threads_of_linear_algebra, [0], jobs=1)) == [(0, "1")]
    assert os.environ["OPENBLAS_NUM_THREADS"] == "7"


def test_a_process_that_dies_takes_no_other_task_with_it() -> None:
    answers = dict(run_locally(die_on_three, range(6), jobs=2))
    dead = answers.pop(3)
    assert type(dead).__name__ == "BrokenProcessPool"
    assert answers == {k: k for k in (0, 1, 2, 4, 5)}


def test_an_exception_belongs_to_its_task_alone() -> None:
    answers = dict(run_locally(fail_on_three, range(5), jobs=1))
    assert isinstance(answers.pop(3), ValueError)
    assert answers == {k: k for k in (0, 1, 2, 4)}


def test_stopping_begins_nothing_new_and_brings_back_what_is_at_work() -> None:
    answers: list[int] = []
    for task, _ in run_locally(double, range(50), jobs=1, stopping=lambda: len(answers) >= 2):
        answers.append(task)
    assert 2 <= len(answers) <= 5


# The file.


def record(folder: str, **test: object) -> Record:
    return Record(folder=folder, fingerprint="f", version="v", state="done", test=test)


def test_the_schema_is_documented_table_by_table() -> None:
    import cda.archive.schema as schema

    with sqlite3.connect(":memory:") as connection:
        for statements in MIGRATIONS:
            for statement in statements:
                connection.execute(statement)
        names = connection.execute("SELECT name FROM sqlite_master WHERE type = 'table'").fetchall()
    connection.close()
    assert {n for (n,) in names} == set(TABLES)
    for table in TABLES:
        assert f"`{table}`" in (schema.__doc__ or "")


def test_an_older_archive_is_brought_up_to_date_and_loses_nothing(tmp_path: Path) -> None:
    path = tmp_path / "old.sqlite"
    connection = sqlite3.connect(path)
    for statement in MIGRATIONS[0]:
        connection.execute(statement)
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute("PRAGMA user_version = 1")
    connection.execute("INSERT INTO test (folder, version, state) VALUES ('a', 'v', 'done')")
    connection.execute(
        "INSERT INTO position (folder, position, number, is_reference, cda_m2)"
        " VALUES ('a', 'low', 0, 1, 0.27)"
    )
    connection.commit()
    connection.close()
    with pytest.raises(OutputError, match="brought up to date"):
        Archive(path, read_only=True)
    with Archive(path) as archive:
        assert archive.sound()
        assert archive.connection.execute("PRAGMA user_version").fetchone() == (len(MIGRATIONS),)
        assert [r["cda_m2"] for r in archive.rows("position")] == [0.27]
        assert archive.rows("ride") == []


def test_a_newer_archive_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "new.sqlite"
    with Archive(path) as archive:
        archive.connection.execute("PRAGMA user_version = 99")
    with pytest.raises(OutputError, match="version 99"):
        Archive(path)


def test_somebody_elses_file_is_left_alone(tmp_path: Path) -> None:
    text = tmp_path / "notes.sqlite"
    text.write_text("not a database at all")
    other = tmp_path / "other.sqlite"
    connection = sqlite3.connect(other)
    connection.execute("CREATE TABLE mine (x)")
    connection.commit()
    connection.close()
    for path in (text, other):
        before = path.read_bytes()
        with pytest.raises(OutputError, match="not an archive that this program made"):
            Archive(path)
        assert path.read_bytes() == before


def test_a_damaged_archive_says_what_to_do(tmp_path: Path) -> None:
    path = tmp_path / "a.sqlite"
    with Archive(path) as archive:
        for k in range(20):
            archive.keep(record(f"test {k}", title="x" * 2000))
    data = bytearray(path.read_bytes())
    data[4096:] = b"\xff" * (len(data) - 4096)
    path.write_bytes(data)
    with Archive(path) as archive, pytest.raises(OutputError, match="damaged"):
        archive.rows("test")


def fill(archive: Archive) -> None:
    for k in range(100):
        archive.keep(record(f"more {k}", title="x" * 1000))


def test_a_full_disk_keeps_what_is_finished(tmp_path: Path) -> None:
    path = tmp_path / "a.sqlite"
    with Archive(path) as archive:
        archive.keep(record("first"))
        pages = archive.connection.execute("PRAGMA page_count").fetchone()[0]
        archive.connection.execute(f"PRAGMA max_page_count = {pages}")  # SQLite: disk is full
        with pytest.raises(OutputError, match="disk is full") as caught:
            fill(archive)
        assert "what is finished is kept" in caught.value.fix
    with Archive(path) as archive:
        assert archive.sound()
        assert "first" in [r["folder"] for r in archive.rows("test")]
        archive.keep(record("later"))


def test_a_test_is_replaced_whole(tmp_path: Path) -> None:
    rows = ({"position": "low", "number": 0, "is_reference": 1, "cda_m2": 0.27},)
    with Archive(tmp_path / "a.sqlite") as archive:
        archive.keep(
            Record(folder="t", fingerprint="1", version="v", state="done", test={}, positions=rows)
        )
        archive.keep(Record(folder="t", fingerprint="2", version="v", state="bad", test={}))
        assert [r["fingerprint"] for r in archive.rows("test")] == ["2"]
        assert archive.rows("position") == []


def test_another_process_that_holds_the_file_is_waited_for_and_then_named(tmp_path: Path) -> None:
    path = tmp_path / "a.sqlite"
    with Archive(path) as one, Archive(path, busy_s=0.1) as other:
        one.connection.execute("BEGIN IMMEDIATE")
        with pytest.raises(OutputError, match="another process holds the archive"):
            other.keep(record("t"))
        one.connection.execute("COMMIT")
        other.keep(record("t"))
        assert [r["folder"] for r in one.rows("test")] == ["t"]


# The command.


def test_tables_page_and_csv_tell_the_season(squad: Path, first: Result, tmp_path: Path) -> None:
    assert first.exit_code == 3
    page, tables = tmp_path / "season.html", tmp_path / "tables"
    shown = cda_command("archive", squad, "--show", "--page", page, "--csv", tables)
    assert shown.exit_code == 3
    assert "rider-2/torn" in shown.stdout
    assert "not computed: session.toml" in shown.stdout
    assert "Rider rider-1 (bike bike-1, power meter meter-1): 4 days" in shown.stdout
    assert shown.stderr.strip().splitlines()[-1].startswith("Next: cda check ")
    html = page.read_text("utf-8")
    assert html.count("<h2") >= 2
    assert html.count("<svg") == 1 + 2 + 2  # changes of the first rider, two positions each
    assert "latitude" not in html
    names = {p.name for p in tables.iterdir()}
    assert names == {
        f"result_season_{n}.csv" for n in ("tests", "positions", "days", "differences")
    }
    rows = (tables / "result_season_days.csv").read_text("utf-8").splitlines()
    assert len(rows) == 1 + 2 * 5
    again = cda_command("archive", squad, "--show", "--page", page, "--csv", tables)
    assert again.exit_code == 3  # its own files may be written over
    page.write_text("somebody else's")
    assert cda_command("archive", squad, "--show", "--page", page).exit_code == 1


def test_the_same_ride_in_two_folders_counts_once(tmp_path: Path) -> None:
    write_test(tmp_path / "a", 1)
    copytree(tmp_path / "a", tmp_path / "b")
    with Archive(tmp_path / "s.sqlite") as archive:
        for name in ("a", "b"):
            archive.keep(
                examine(Task(path=str(tmp_path / name), name=name, fingerprint=name, version="v"))
            )
        season = read_season(archive)
    assert [t.counted for t in season.tests] == [True, False]
    assert [(f.code, f.where) for f in season.findings] == [("same-ride", "b")]
    assert [r.tests for r in season.riders] == [1]


def test_wrong_words_and_missing_folders(tmp_path: Path) -> None:
    assert cda_command("archive", tmp_path, "--scheduler", "x", "--jobs", "2").exit_code == 2
    for words in (["nowhere"], ["nowhere", "--show"]):
        shown = cda_command("archive", tmp_path / words[0], *words[1:])
        assert shown.exit_code == 1
        assert "To fix" in shown.stderr
