"""`cda report` on a FIT example against its floor and against `cda fit`, in turn: run by hand.

The report with all figures is to cost at most the cost of the fit again. The floor is one process
that imports numpy, pandas, scipy, lmfit and matplotlib, decodes the same file with fitdecode, and
does nothing else.

    python -m tests.studies.bench_report [SESSION RACE]
"""

import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROUNDS = 5
EXAMPLES = Path(__file__).parents[2] / "example_runs"
FLOOR = """
import sys
import numpy, pandas, scipy.optimize, scipy.stats, lmfit, matplotlib.figure, fitdecode
with fitdecode.FitReader(sys.argv[1]) as frames:
    for frame in frames:
        pass
"""
REPORT = "import sys; from cda.cli import main; main(sys.argv[1:])"


def once(*words: str | Path) -> float:
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", *map(str, words)], check=False, capture_output=True, text=True
    )
    if done.returncode not in (0, 3):
        raise SystemExit(done.stderr)
    return time.perf_counter() - start


def main() -> None:
    session, race = (
        (Path(p) for p in sys.argv[1:3])
        if len(sys.argv) > 2
        else (EXAMPLES / "short_morning", EXAMPLES / "full_distance.toml")
    )
    ride = next(session.glob("*.fit"))
    with tempfile.TemporaryDirectory() as folder:
        out = Path(folder) / "page.html"
        words = (REPORT, "report", session, "--race", race, "--out", out)
        bare = (REPORT, "report", session, "--out", out)
        kinds = {
            "floor": (FLOOR, ride),
            "fit": (REPORT, "fit", session),
            "report without race": bare,
            "report": words,
        }
        taken: dict[str, list[float]] = {kind: [] for kind in kinds}
        for turn in range(ROUNDS + 1):
            for kind, command in kinds.items():
                seconds = once(*command)
                if turn:  # the first time compiles and caches
                    taken[kind].append(seconds)
    middle = {kind: statistics.median(seconds) for kind, seconds in taken.items()}
    for kind, seconds in middle.items():
        print(f"{kind:20s} {seconds:6.2f} s")
    print(f"cda report / floor = {middle['report'] / middle['floor']:.2f} (at most 4)")
    for kind in ("report without race", "report"):
        print(f"{kind} / fit = {middle[kind] / middle['fit']:.2f} (at most 2)")


if __name__ == "__main__":
    main()
