"""Start-up of `cda --help` against `import click`, both compiled: run by hand.

python -m tests.studies.bench_start
"""

import compileall
import statistics
import subprocess
import sys
import time
from pathlib import Path

import click

import cda

ROUNDS = 25


def once(code: str) -> float:
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", code], check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


def main() -> None:
    for package in (cda, click):
        compileall.compile_dir(str(Path(package.__file__).parent), quiet=1)
    times: dict[str, list[float]] = {"bare": [], "click": [], "help": []}
    for _ in range(ROUNDS):  # taken in turn, so that a busy machine slows all alike
        times["bare"].append(once("pass"))
        times["click"].append(once("import click"))
        times["help"].append(once("from cda.cli import main; main(['--help'])"))
    median = {name: statistics.median(values) for name, values in times.items()}
    for name, value in median.items():
        print(f"{name:<6} {1000 * value:7.1f} ms")
    print(f"cda --help / import click = {median['help'] / median['click']:.2f} (at most 2)")


if __name__ == "__main__":
    main()
