"""Coverage and error of the estimate on laps: closed loops in wind, and indoor tracks.

    python -m tests.studies.loops --sessions 120

Session k of scenario number i (from 1) has the seed 900000 + 1000 * i + k, fixed before the first
run. Sessions that are done are kept in a file and not computed again (--store).
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from cda.simulate import PRESETS

_LOOP = {"course": "loop", "leg_length_m": 1500.0, "laps_per_run": 3}
_TRACK = {
    "course": "track",
    "leg_length_m": 250.0,
    "laps_per_run": 12,
    "powers_w": (200.0, 250.0),
}
_OVAL = {**_LOOP, "loop_bend_share": 0.6, "weather_wind": True}
SCENARIOS = {
    "loop, light, wind read": replace(PRESETS["light"], **_OVAL),
    "loop, breeze, wind read": replace(PRESETS["breeze"], **_OVAL),
    "loop, wind, wind read": replace(PRESETS["wind"], **_OVAL),
    "loop, light, nothing read, no GPS": replace(PRESETS["light"], **_LOOP, gps=False),
    "short loop of 600 m, light, wind read": replace(
        PRESETS["light"], **{**_OVAL, "leg_length_m": 600.0, "laps_per_run": 6}
    ),
    "indoor track": replace(PRESETS["calm"], **_TRACK),
    "indoor track, tight bends, faster": replace(
        PRESETS["calm"],
        **{**_TRACK, "leg_length_m": 200.0, "laps_per_run": 15, "powers_w": (260.0, 330.0)},
        bend_radius_m=18.0,
    ),
}
FIRST_SEED = 900_000


def one(name: str, k: int) -> dict:
    """Ride and estimate one session."""
    from scipy.stats import t as student

    from cda.analysis import estimate_cda
    from cda.errors import CdaError
    from cda.simulate import simulate_session

    seed = FIRST_SEED + 1000 * (1 + list(SCENARIOS).index(name)) + k
    row: dict = {"scenario": name, "session": k, "seed": seed}
    simulated = simulate_session(SCENARIOS[name], seed)
    truth = simulated.truth["cda_m2"]
    try:
        estimate = estimate_cda(simulated.session)
    except CdaError as error:
        return row | {"error": str(error)}
    row["positions"] = [
        (p.cda_m2 - truth[p.id], p.se_m2, p.interval_m2[0] <= truth[p.id] <= p.interval_m2[1])
        for p in estimate.positions
    ]
    row["differences"] = []
    for d in estimate.differences:
        error = d.delta_cda_m2 - (truth[d.position] - truth[d.reference])
        half = float(student.ppf(0.9, d.dof)) * d.se_m2
        inside = d.interval_m2[0] <= d.delta_cda_m2 - error <= d.interval_m2[1]
        width = d.interval_m2[1] - d.interval_m2[0]
        row["differences"].append((error, d.se_m2, inside, abs(error) <= half, width))
    row["legs"] = sum(p.legs for p in estimate.positions)
    row["warnings"] = sorted({f.code for f in estimate.findings if f.severity == "warning"})
    return row


def table(rows: list[dict]) -> str:
    """Return the results as a Markdown table; ± is the standard error over sessions."""
    lines = [
        "| scenario | sessions | RMSE diff [m²] | mean se | cover 95 % | cover 80 % | "
        "bias CdA [m²] | RMSE CdA | mean se | cover CdA 95 % |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for name in SCENARIOS:
        mine = [r for r in rows if r["scenario"] == name and "error" not in r]
        failed = sum(r["scenario"] == name and "error" in r for r in rows)
        if len(mine) < 2:
            continue
        n = np.sqrt(len(mine))

        def share(key: str, column: int, mine: list[dict] = mine, n: float = n) -> str:
            hits = np.array([np.mean([x[column] for x in r[key]]) for r in mine])
            return f"{100 * hits.mean():.1f} ± {100 * hits.std(ddof=1) / n:.1f}"

        square = np.mean([[d[0] ** 2 for d in r["differences"]] for r in mine])
        level = np.array([np.mean([p[0] for p in r["positions"]]) for r in mine])
        level_square = np.mean([[p[0] ** 2 for p in r["positions"]] for r in mine])
        se = [np.mean([[x[1] for x in r[k]] for r in mine]) for k in ("differences", "positions")]
        lines.append(
            f"| {name} | {len(mine)}{f' ({failed} failed)' if failed else ''} "
            f"| {np.sqrt(square):.4f} | {se[0]:.4f} | {share('differences', 2)} "
            f"| {share('differences', 3)} | {level.mean():+.4f} ± {level.std(ddof=1) / n:.4f} "
            f"| {np.sqrt(level_square):.4f} | {se[1]:.4f} | {share('positions', 2)} |"
        )
    return "\n".join(lines)


def main() -> None:
    """Run what is not in the store yet, and print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenario", action="append", choices=list(SCENARIOS))
    parser.add_argument("--sessions", type=int, default=120)
    parser.add_argument("--store", type=Path, default=None)
    args = parser.parse_args()
    names = args.scenario or list(SCENARIOS)
    rows: list[dict] = []
    if args.store and args.store.exists():
        rows = [json.loads(line) for line in args.store.read_text().splitlines()]
    done = {(r["scenario"], r["session"]) for r in rows}
    for k in range(args.sessions):
        for name in names:
            if (name, k) in done:
                continue
            rows.append(one(name, k))
            if args.store:
                with args.store.open("a") as out:
                    out.write(json.dumps(rows[-1], default=bool) + "\n")
        if k % 10 == 9:
            print(f"{k + 1} of {args.sessions}", file=sys.stderr)
    print(table([r for r in rows if r["scenario"] in names and r["session"] < args.sessions]))


if __name__ == "__main__":
    main()
