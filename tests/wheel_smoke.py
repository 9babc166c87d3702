"""Run by .ci/run with the installed wheel, outside the checkout: report, numbers, truth.

Usage: python wheel_smoke.py CDA EXAMPLES
"""

import json
import subprocess
import sys
from pathlib import Path


def call(*words: str | Path) -> subprocess.CompletedProcess[str]:
    done = subprocess.run([str(w) for w in words], text=True, capture_output=True, check=False)
    if done.returncode not in (0, 3):
        print(done.stdout, done.stderr, sep="\n", file=sys.stderr)
        raise SystemExit(f"{' '.join(map(str, words))} ended with {done.returncode}")
    return done


def compare(estimate: dict, truth: dict) -> list[str]:
    """Return one line a position and difference that lies far from the truth.

    Five standard errors: one in two million by luck, so a miss is a fault and not luck.  Whether
    the 95 % interval holds the truth is printed, not required.
    """
    cda = truth["cda_m2"]
    faults = []
    for p in estimate["positions"]:
        faults += judge(p["id"], p["cda_m2"], p["se_m2"], p["interval_m2"], cda[p["id"]])
    for d in estimate["differences"]:
        name = f"{d['position']} - {d['reference']}"
        value = cda[d["position"]] - cda[d["reference"]]
        faults += judge(name, d["delta_cda_m2"], d["se_m2"], d["interval_m2"], value)
    return faults


def judge(name: str, value: float, se: float, interval: list[float], true: float) -> list[str]:
    inside = interval[0] <= true <= interval[1]
    print(
        f"  {name:<24} {value:+.4f} ± {se:.4f} m², truth {true:+.4f}: "
        f"{'inside' if inside else 'OUTSIDE'} its 95 % interval"
    )
    return [] if abs(value - true) < 5.0 * se else [f"{name}: {value} is far from {true}"]


def main() -> None:
    command, examples = Path(sys.argv[1]), Path(sys.argv[2])
    races = sorted(examples.glob("*.toml"))
    folders = sorted(p.parent for p in examples.glob("*/session.toml"))
    if not races or not folders:
        raise SystemExit(f"no examples in {examples}")
    faults: list[str] = []
    for folder in folders:
        page = Path(f"{folder.name}.html")
        call(command, "report", folder, "--race", races[0], "--out", page)
        html = page.read_text(encoding="utf-8")
        if "<html" not in html or "http://" in html.replace("http://www.w3.org", ""):
            faults.append(f"{page} is not a self-contained page")
        print(f"{folder.name}: page of {len(html) / 1024:.0f} KiB")
        estimate = json.loads(call(command, "fit", folder, "--json").stdout)
        faults += compare(estimate, json.loads((folder / "truth.json").read_text()))
        savings = json.loads(call(command, "race", folder, "--race", races[0], "--json").stdout)
        if savings["kind"] != "savings" or len(savings["positions"]) < 2:
            faults.append(f"{folder.name}: no minutes for the positions")
    if faults:
        raise SystemExit("\n".join(faults))


if __name__ == "__main__":
    main()
