"""The same tasks on dask.distributed: two workers, one of them killed on the way."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from pathlib import Path
from shutil import copytree

import pytest

from cda.archive import Archive
from tests.archive_squad import finished, started, write_squad

pytest.importorskip("distributed", reason="needs the extra cluster")

TESTS = 11  # of which one is bad
CLUSTER = """
import sys
from distributed import LocalCluster

if __name__ == "__main__":
    with LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None,
        scheduler_port=0, silence_logs=50,
    ) as cluster:
        pids = [worker.pid for worker in cluster.workers.values()]
        print(cluster.scheduler_address, *pids, flush=True)
        sys.stdin.read()  # until the test is over
"""


def test_a_killed_worker_takes_no_test_with_it(tmp_path: Path) -> None:
    squad, script = tmp_path / "squad", tmp_path / "cluster.py"
    write_squad(squad, 3)
    for k in range(TESTS - 4):  # enough to be killed in the middle on a slow machine too
        copytree(squad / "rider-1" / "day_0", squad / f"copy_{k}")
    script.write_text(CLUSTER)
    environment = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1])}
    cluster = subprocess.Popen(
        [sys.executable, str(script)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        text=True,
        env=environment,
    )
    assert cluster.stdout is not None
    try:
        address, *pids = cluster.stdout.readline().split()
        assert len(pids) == 2
        process = started("archive", squad, "--scheduler", address, "--json")
        file = squad / "cda_archive.sqlite"
        end = time.monotonic() + 240.0
        while rows_in(file) < 1:
            assert process.poll() is None, process.communicate()
            assert time.monotonic() < end
            time.sleep(0.02)
        os.kill(int(pids[0]), signal.SIGKILL)
        out, err = process.communicate(timeout=240)
        assert process.returncode == 3, err
        season = json.loads(out)
        assert season["computed"] == TESTS
        assert sorted({t["state"] for t in season["tests"]}) == ["bad", "done"]
        with Archive(file) as archive:
            assert archive.sound()
            assert len(archive.rows("position")) == 2 * (TESTS - 1)
            cluster_rows = archive.rows("position")
        local = tmp_path / "local.sqlite"
        assert finished("archive", squad, "--archive", local, "--jobs", "1")[0] == 3
        with Archive(local) as archive:
            assert archive.rows("position") == cluster_rows  # the same digits
    finally:
        cluster.communicate("", timeout=60)


def rows_in(path: Path) -> int:
    if not path.exists():
        return 0
    connection = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True, timeout=10)
    try:
        return int(connection.execute("SELECT count(*) FROM test").fetchone()[0])
    except sqlite3.OperationalError:  # not made yet
        return 0
    finally:
        connection.close()


def test_nobody_at_the_address_is_a_clear_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import warnings

    from cda.archive import cluster
    from cda.errors import CdaError

    monkeypatch.setattr(cluster, "ANSWER_S", 0.5)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # what the library says of its own closing
        with pytest.raises(CdaError, match="no scheduler answers"):
            list(cluster.run_on_cluster(abs, [1], scheduler="tcp://127.0.0.1:9"))
        with pytest.raises(CdaError, match="no scheduler answers"):
            list(cluster.run_on_cluster(abs, [1], scheduler="no address"))
    assert list(cluster.run_on_cluster(abs, [], scheduler="nothing to do")) == []
    assert not list(tmp_path.iterdir())
