"""What ends an archive half-way: nothing finished is lost, and the same command goes on."""

from __future__ import annotations

import os
import resource
import signal
import sqlite3
import sys
import tempfile
import time
from pathlib import Path
from shutil import copytree

import pytest

from cda.archive import Archive
from cda.cli import main
from tests.archive_squad import finished, started, write_squad

FILE = "cda_archive.sqlite"
TESTS = 4  # of which one is bad


@pytest.fixture(scope="module")
def ridden(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("ridden")
    write_squad(folder / "squad", TESTS - 1)
    return folder / "squad"


@pytest.fixture
def squad(ridden: Path, tmp_path: Path) -> Path:
    return Path(copytree(ridden, tmp_path / "squad"))


def kept(path: Path) -> list[str]:
    """Return the tests in the archive as another program sees them; none while there is no file."""
    if not path.exists():
        return []
    try:
        with sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True, timeout=10) as connection:
            rows = connection.execute("SELECT folder FROM test ORDER BY folder").fetchall()
    except sqlite3.OperationalError:  # not made yet
        return []
    finally:
        if "connection" in locals():
            connection.close()
    return [folder for (folder,) in rows]


def wait_for_the_first(path: Path) -> None:
    end = time.monotonic() + 240.0
    while not kept(path):
        assert time.monotonic() < end
        time.sleep(0.02)


def sound_and_complete(squad: Path) -> None:
    with Archive(squad / FILE) as archive:
        assert archive.sound()
        assert len(archive.rows("test")) == TESTS
        assert len(archive.rows("position")) == 2 * (TESTS - 1)


def workers_of(pid: int) -> list[int]:
    """Return the processes that a process started."""
    return [int(k) for k in Path(f"/proc/{pid}/task/{pid}/children").read_text().split()]


@pytest.mark.skipif(sys.platform != "linux", reason="looks at /proc")
def test_killed_in_the_middle_it_loses_nothing_finished_and_leaves_no_orphans(
    squad: Path,
) -> None:
    process = started("archive", squad, "--jobs", "1")
    wait_for_the_first(squad / FILE)
    workers = workers_of(process.pid)
    assert workers
    process.kill()
    process.communicate()
    before = kept(squad / FILE)
    assert len(before) >= 1
    with Archive(squad / FILE) as archive:
        assert archive.sound()
    end = time.monotonic() + 30.0
    while any(Path(f"/proc/{pid}").exists() for pid in workers):
        assert time.monotonic() < end, "workers outlive their parent"
        time.sleep(0.05)
    status, out, err = finished("archive", squad, "--jobs", "1", "--json")
    assert status == 3, err
    assert f'"unchanged": {len(before)}' in out
    sound_and_complete(squad)


def test_stopped_with_ctrl_c_it_keeps_what_is_at_work_and_says_how_to_go_on(squad: Path) -> None:
    for k in range(16):  # enough to be stopped in the middle on a slow machine too
        copytree(squad / "rider-1" / "day_0", squad / f"copy_{k}")
    process = started("archive", squad, "--jobs", "1")
    wait_for_the_first(squad / FILE)
    os.killpg(process.pid, signal.SIGINT)  # as a terminal does: to all of its processes
    out, err = process.communicate(timeout=240)
    assert process.returncode == 130, err
    assert "Traceback" not in err
    assert out == ""
    assert "tests are kept; the same command goes on from there" in err
    assert 1 <= len(kept(squad / FILE)) < TESTS + 16


def test_two_processes_on_one_archive_share_the_work(squad: Path) -> None:
    both = [started("archive", squad, "--jobs", "1", "--json") for _ in range(2)]
    for process in both:
        _, err = process.communicate(timeout=240)
        assert process.returncode == 3, err
    sound_and_complete(squad)


def test_a_file_size_limit_is_a_clear_error_and_loses_nothing(squad: Path) -> None:
    with Archive(squad / FILE):
        pass
    limit = (squad / FILE).stat().st_size  # not a page more

    def limited() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, limit))

    status, out, err = finished("archive", squad, "--jobs", "1", preexec_fn=limited)
    assert status == 1, err
    assert "the disk is full or a limit is reached" in err
    assert "what is finished is kept" in err
    assert "Traceback" not in err
    assert out == ""
    with Archive(squad / FILE) as archive:
        assert archive.sound()


def as_nobody(*words: object) -> tuple[int, str]:
    """Run `cda` as another user in a fork of this process; status and all that it printed."""
    reading, writing = os.pipe()
    pid = os.fork()
    if pid == 0:  # pragma: no cover
        status = 99
        try:
            os.setgroups([])
            os.setgid(65534)
            os.setuid(65534)
            os.dup2(writing, 1)
            os.dup2(writing, 2)
            sys.stdout = os.fdopen(1, "w", encoding="utf-8", closefd=False)
            sys.stderr = os.fdopen(2, "w", encoding="utf-8", closefd=False)
            status = main([str(w) for w in words], standalone_mode=False)
            sys.stdout.flush()
            sys.stderr.flush()
        finally:
            os._exit(status)
    os.close(writing)
    with os.fdopen(reading, encoding="utf-8") as pipe:
        printed = pipe.read()
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1]), printed


@pytest.mark.root
@pytest.mark.skipif(os.geteuid() != 0, reason="only root can become another user")
def test_another_user_may_look_but_not_write(squad: Path) -> None:
    # Not in pytest's own folder, which pytest shuts for other users.
    with tempfile.TemporaryDirectory() as open_folder:
        Path(open_folder).chmod(0o755)
        _another_user(copytree(squad, Path(open_folder) / "squad"))


def _another_user(squad: Path) -> None:
    assert finished("archive", squad, "--jobs", "1")[0] == 3
    # As root in this process first: another user could not import what is still missing.
    for words in ([], ["--show"]):
        assert main(["archive", str(squad), *words], standalone_mode=False) == 3
    before = (squad / FILE).read_bytes()
    status, printed = as_nobody("archive", squad, "--show")
    assert status == 3, printed
    assert "rider-1/day_0" in printed
    with (squad / "rider-1" / "day_0" / "runs.csv").open("a") as sheet:
        sheet.write("\n")
    status, printed = as_nobody("archive", squad, "--jobs", "1")
    assert status == 1, printed
    assert "look only with --show" in printed
    assert "Traceback" not in printed
    assert (squad / FILE).read_bytes() == before
    (squad / FILE).unlink()
    status, printed = as_nobody("archive", squad)
    assert status == 1, printed
    assert "cannot be opened for writing" in printed
    assert "--archive" in printed
    assert not (squad / FILE).exists()
