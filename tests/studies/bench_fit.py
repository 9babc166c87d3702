"""`cda fit` on a FIT example against its floor, taken in turn, and its profile: run by hand.

The floor is one process that imports numpy, pandas, scipy.optimize and lmfit, decodes the same file
with fitdecode, and does nothing else. Processor seconds stand beside wall seconds: on a busy
machine they are the steadier ratio.

    python -m tests.studies.bench_fit [--session FOLDER] [--rounds 7] [--profile]
"""

from __future__ import annotations

import argparse
import compileall
import os
import statistics
import subprocess
import sys
import time
from pathlib import Path

import cda

EXAMPLE = Path(__file__).parents[2] / "example_runs" / "short_morning"
FLOOR = """
import sys
import numpy, pandas, scipy.optimize, lmfit, fitdecode
with fitdecode.FitReader(sys.argv[1]) as frames:
    for frame in frames:
        pass
"""
FIT = "import sys; from cda.cli import main; main(sys.argv[1:])"
PROFILE = """
import cProfile, pstats, sys, time
from collections import defaultdict
from pathlib import Path
from cda.cli import main

package = str(Path(sys.modules["cda"].__file__).parent)
profile = cProfile.Profile()
start = time.process_time()
profile.enable()
main(["fit", sys.argv[1]], standalone_mode=False)
profile.disable()
total = time.process_time() - start
own = defaultdict(float)
for (file, line, name), (_, _, alone, _, _) in pstats.Stats(profile).stats.items():
    if file.startswith(package):
        place = "cda." + Path(file).relative_to(package).parts[0].removesuffix(".py")
    elif "fitdecode" in file:
        place = "fitdecode"
    elif "importlib" in file or name in ("<built-in method marshal.loads>", "exec"):
        place = "imports"
    elif "site-packages" in file:
        place = Path(file.split("site-packages/")[1]).parts[0].removesuffix(".py")
    else:
        place = "standard library and built-in"
    own[place] += alone
whole = sum(own.values())
for place, seconds in sorted(own.items(), key=lambda entry: -entry[1])[:14]:
    print(f"{100 * seconds / whole:5.1f} %  {place}", file=sys.stderr)
print(f"{total:.2f} s under the profiler", file=sys.stderr)
"""


def once(code: str, *words: object) -> tuple[float, float]:
    """Return wall and processor seconds of one process."""
    before = os.times()
    start = time.perf_counter()
    done = subprocess.run(
        [sys.executable, "-c", code, *map(str, words)], check=False, capture_output=True, text=True
    )
    wall = time.perf_counter() - start
    after = os.times()
    if done.returncode not in (0, 3):
        raise SystemExit(done.stderr)
    used = after.children_user + after.children_system
    return wall, used - before.children_user - before.children_system


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--session", type=Path, default=EXAMPLE)
    parser.add_argument("--rounds", type=int, default=7)
    parser.add_argument("--profile", action="store_true")
    args = parser.parse_args()
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    compileall.compile_dir(str(Path(cda.__file__).parent), quiet=1)
    ride = next(args.session.glob("*.fit"))
    once(FIT, "fit", args.session)  # compiled and cached
    once(FLOOR, ride)
    floors, fits = [], []
    for _ in range(args.rounds):  # taken in turn, so that a busy machine slows both alike
        floors.append(once(FLOOR, ride))
        fits.append(once(FIT, "fit", args.session))
    for k, kind in enumerate(("wall", "processor")):
        floor = statistics.median(f[k] for f in floors)
        fit = statistics.median(f[k] for f in fits)
        print(f"{kind:<10} floor {floor:.2f} s, cda fit {fit:.2f} s, ratio {fit / floor:.2f}")
    print("asked for: at most 1.3")
    if args.profile:
        shown = subprocess.run(
            [sys.executable, "-c", PROFILE, str(args.session)],
            check=False,
            capture_output=True,
            text=True,
        )
        print(
            "\n".join(
                line for line in shown.stderr.splitlines() if " %  " in line or "prof" in line
            )
        )


if __name__ == "__main__":
    main()
