"""The archive with many tests: speed on two processes, second pass, memory, ten kills: by hand.

    python -m tests.studies.archive [--tests 200] [--kills 10] [--folder FOLDER]
        [--rounds 1] [--no-speed]

The tests are invented (preset light, four positions of six runs; seed = number of the test), five
riders, and are written once. One and two processes take turns (--rounds); wall and processor
seconds are printed. Memory is the resident size of the command and of all its workers,
sampled while it runs: its growth from the second tenth of the run to the last.

Asked for: two processes at least 1.7 times faster; a second pass below a twentieth of the first;
memory flat; after each of ten kills at random moments the archive opens, its check is clean, and
the next start finishes the rest.
"""

from __future__ import annotations

import argparse
import os
import random
import sqlite3
import statistics
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

from cda.archive import Archive
from cda.simulate import PRESETS
from tests.archive_squad import started, write_test

FILE = "cda_archive.sqlite"


def make(task: tuple[Path, int]) -> None:
    root, k = task
    folder = root / f"rider_{k % 5}" / f"test_{k:03d}"
    if not (folder / "session.toml").is_file():
        write_test(folder, seed=k, day=k, rider=f"rider-{k % 5}", scenario=PRESETS["light"])


def tree(pid: int) -> list[int]:
    """Return a process and all it started, and what those started."""
    found, at = [pid], 0
    while at < len(found):
        for thread in Path(f"/proc/{found[at]}/task").glob("*"):
            try:
                found += [int(k) for k in (thread / "children").read_text().split()]
            except OSError:
                continue
        at += 1
    return found


def resident_mb(pid: int) -> float:
    total = 0
    for each in tree(pid):
        try:
            total += int(Path(f"/proc/{each}/statm").read_text().split()[1])
        except (OSError, IndexError):
            continue
    return total * os.sysconf("SC_PAGE_SIZE") / 1e6


def run(folder: Path, jobs: int, *words: str) -> tuple[float, float, list[float]]:
    """Return wall and processor seconds, and memory [MB] every quarter of a second."""
    before, start = os.times(), time.perf_counter()
    process = started("archive", folder, "--jobs", jobs, *words)
    memory = []
    while process.poll() is None:
        memory.append(resident_mb(process.pid))
        time.sleep(0.25)
    _, err = process.communicate()
    wall, after = time.perf_counter() - start, os.times()
    if process.returncode not in (0, 3):
        raise SystemExit(err)
    used = after.children_user + after.children_system
    return wall, used - before.children_user - before.children_system, memory


def speed(root: Path, tests: int, rounds: int) -> None:
    first: dict[int, list[tuple[float, float, list[float]]]] = {1: [], 2: []}
    for _ in range(rounds):
        for jobs in (1, 2):
            (root / FILE).unlink(missing_ok=True)
            first[jobs].append(run(root, jobs))
    wall = {jobs: statistics.median(r[0] for r in runs) for jobs, runs in first.items()}
    used = {jobs: statistics.median(r[1] for r in runs) for jobs, runs in first.items()}
    for jobs in (1, 2):
        print(f"{jobs} process(es): {wall[jobs]:.1f} s, processor {used[jobs]:.1f} s")
    print(
        f"{tests} tests: two processes {wall[1] / wall[2]:.2f} times faster (at least 1.7); "
        f"processor seconds {used[2] / used[1]:.2f} of one process's"
    )
    second = [run(root, 2) for _ in range(3)]
    again = statistics.median(r[0] for r in second)
    print(
        f"second pass {again:.1f} s: 1/{wall[2] / again:.0f} of the first on two processes, "
        f"processor 1/{used[2] / statistics.median(r[1] for r in second):.0f} (below 1/20)"
    )
    for jobs, runs in first.items():
        for _, _, memory in runs:
            tenth = max(1, len(memory) // 10)
            early = max(memory[tenth : 3 * tenth] or memory)
            late = max(memory[-2 * tenth :])
            print(f"memory, {jobs} process(es): {early:.0f} MB early, {late:.0f} MB at the end")


def rows_in(path: Path) -> int:
    """Return the number of tests in the archive as another program sees it."""
    if not path.exists():
        return 0
    connection = sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True, timeout=10)
    try:
        return int(connection.execute("SELECT count(*) FROM test").fetchone()[0])
    except sqlite3.OperationalError:  # not made yet
        return 0
    finally:
        connection.close()


def kills(root: Path, times: int) -> None:
    folder = root
    (folder / FILE).unlink(missing_ok=True)
    rng = random.Random(8)
    all_tests = sum(1 for _ in folder.rglob("session.toml"))
    kept = [0]
    for k in range(times):
        process = started(
            "archive", folder, "--jobs", 2, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        # At a random moment after a random number of tests: how fast they come is the machine's.
        more = rng.randint(1, max(1, all_tests // times - 1))
        while rows_in(folder / FILE) < kept[-1] + more and process.poll() is None:
            time.sleep(0.01)
        time.sleep(rng.uniform(0.0, 0.5))
        alive = process.poll() is None
        process.kill()
        process.wait()
        if not (folder / FILE).exists():
            print(f"kill {k + 1}: before there was a file")
            continue
        with Archive(folder / FILE) as archive:
            sound, rows = archive.sound(), len(archive.rows("test"))
        if not sound or rows < kept[-1]:
            raise SystemExit(f"kill {k + 1}: sound {sound}, {rows} tests after {kept[-1]}")
        kept.append(rows)
        print(f"kill {k + 1}: {'in the middle' if alive else 'already done'}, {rows} kept, sound")
    run(folder, 2)
    with Archive(folder / FILE) as archive:
        done = sum(r["state"] == "done" for r in archive.rows("test"))
        print(f"next start: {done} of {all_tests} done, check clean: {archive.sound()}")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--tests", type=int, default=200)
    parser.add_argument("--kills", type=int, default=10)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--rounds", type=int, default=1)
    parser.add_argument("--no-speed", action="store_true")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        root = args.folder or Path(scratch)
        with ProcessPoolExecutor(2) as pool:
            for k, _ in enumerate(pool.map(make, [(root, k) for k in range(args.tests)]), start=1):
                if sys.stderr.isatty():
                    print(f"\r{k}/{args.tests} tests written", end="", file=sys.stderr)
        if args.kills:
            kills(root, args.kills)
        if not args.no_speed:
            speed(root, args.tests, args.rounds)


if __name__ == "__main__":
    main()
