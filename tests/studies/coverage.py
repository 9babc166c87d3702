"""Coverage and error of the estimate on invented rides, paired with the mark.

    python -m tests.studies.coverage --scenario calm --scenario breeze --sessions 40

Sessions that are done are kept in a file and not computed again (--store). Seeds are
1000 * scenario number + session number, fixed before the first run.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from cda.simulate import PRESETS

LIGHT = PRESETS["light"]
SCENARIOS = {
    "calm": PRESETS["calm"],
    "breeze": PRESETS["breeze"],
    "wind": PRESETS["wind"],
    "short morning 2x5": replace(LIGHT, n_positions=2, runs_per_position=5),
    "light": LIGHT,
    "600 m, 8 runs": replace(LIGHT, leg_length_m=600.0, runs_per_position=8),
    "3 runs": replace(LIGHT, runs_per_position=3),
    "2 runs": replace(LIGHT, runs_per_position=2),
    "short morning 3x4": replace(LIGHT, n_positions=3, runs_per_position=4),
    "hilly": replace(LIGHT, relief_m=9.0),
    "no GPS": replace(LIGHT, gps=False),
    "one power": replace(LIGHT, powers_w=(215.0,)),
}


def one(task: tuple[str, int]) -> dict:
    from scipy.stats import t as student

    from cda.analysis import estimate_cda
    from cda.errors import CdaError
    from cda.simulate import simulate_session
    from tests.studies.mark import mark_estimate

    name, k = task
    seed = 1000 * (1 + list(SCENARIOS).index(name)) + k
    row: dict = {"scenario": name, "session": k, "seed": seed}
    simulated = simulate_session(SCENARIOS[name], seed)
    truth = simulated.truth["cda_m2"]
    mark = mark_estimate(simulated).cda_m2
    try:
        estimate = estimate_cda(simulated.session)
    except CdaError as error:
        return row | {"error": str(error)}
    row["positions"] = [
        (p.cda_m2 - truth[p.id], p.se_m2, p.interval_m2[0] <= truth[p.id] <= p.interval_m2[1])
        for p in estimate.positions
    ]
    row["mark_positions"] = [mark[p.id] - truth[p.id] for p in estimate.positions]
    row["differences"] = []
    for d in estimate.differences:
        true = truth[d.position] - truth[d.reference]
        row["differences"].append(
            (
                d.delta_cda_m2 - true,
                d.se_m2,
                d.interval_m2[0] <= true <= d.interval_m2[1],
                bool(abs(d.delta_cda_m2 - true) <= float(student.ppf(0.9, d.dof)) * d.se_m2),
                mark[d.position] - mark[d.reference] - true,
                d.interval_m2[1] - d.interval_m2[0],
                d.dof,
            )
        )
    row["findings"] = [f.code for f in estimate.findings if f.severity != "note"]
    return row


def table(rows: list[dict]) -> str:
    lines = [
        "| scenario | sessions | RMSE diff [m²] | mark | ratio (95 % bootstrap) | cover 95 % | "
        "cover 80 % | bias CdA [m²] | RMSE CdA | mark bias | cover CdA | mean width |",
        "|---|---|---|---|---|---|---|---|---|---|---|---|",
    ]
    for name in SCENARIOS:
        mine = [r for r in rows if r["scenario"] == name and "error" not in r]
        failed = sum(r["scenario"] == name and "error" in r for r in rows)
        if not mine:
            continue
        sq = np.array([np.mean([d[0] ** 2 for d in r["differences"]]) for r in mine])
        sq_mark = np.array([np.mean([d[4] ** 2 for d in r["differences"]]) for r in mine])
        rng = np.random.default_rng(1)
        draws = rng.integers(0, len(mine), (2000, len(mine)))
        ratios = np.sqrt(sq[draws].mean(1) / sq_mark[draws].mean(1))
        c95 = np.array([np.mean([d[2] for d in r["differences"]]) for r in mine])
        c80 = np.array([np.mean([d[3] for d in r["differences"]]) for r in mine])
        level = np.array([np.mean([p[0] for p in r["positions"]]) for r in mine])
        level_mark = np.array([np.mean(r["mark_positions"]) for r in mine])
        level_sq = np.mean([[p[0] ** 2 for p in r["positions"]] for r in mine])
        cp = np.array([np.mean([p[2] for p in r["positions"]]) for r in mine])
        width = np.mean([[d[5] for d in r["differences"]] for r in mine])
        n = np.sqrt(len(mine))
        lines.append(
            f"| {name} | {len(mine)}{f' ({failed} failed)' if failed else ''} "
            f"| {np.sqrt(sq.mean()):.4f} | {np.sqrt(sq_mark.mean()):.4f} "
            f"| {np.sqrt(sq.mean() / sq_mark.mean()):.3f} "
            f"({np.quantile(ratios, 0.025):.3f}–{np.quantile(ratios, 0.975):.3f}) "
            f"| {100 * c95.mean():.1f} ± {100 * c95.std(ddof=1) / n:.1f} "
            f"| {100 * c80.mean():.1f} ± {100 * c80.std(ddof=1) / n:.1f} "
            f"| {level.mean():+.4f} ± {level.std(ddof=1) / n:.4f} | {np.sqrt(level_sq):.4f} "
            f"| {level_mark.mean():+.4f} | {100 * cp.mean():.1f} ± {100 * cp.std(ddof=1) / n:.1f} "
            f"| {width:.4f} |"
        )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenario", action="append", choices=list(SCENARIOS))
    parser.add_argument("--sessions", type=int, default=40)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--store", type=Path, default=None)
    args = parser.parse_args()
    names = args.scenario or ["calm", "breeze", "wind", "short morning 2x5"]
    rows: list[dict] = []
    if args.store and args.store.exists():
        rows = [json.loads(line) for line in args.store.read_text().splitlines()]
    done = {(r["scenario"], r["session"]) for r in rows}
    tasks = [(n, k) for k in range(args.sessions) for n in names if (n, k) not in done]
    with ProcessPoolExecutor(args.workers) as pool:
        for i, row in enumerate(pool.map(one, tasks), start=1):
            rows.append(row)
            if args.store:
                with args.store.open("a") as out:
                    out.write(json.dumps(row) + "\n")
            if sys.stderr.isatty() or i % 20 == 0:
                print(f"{i}/{len(tasks)} sessions", file=sys.stderr)
    print(table([r for r in rows if r["scenario"] in names and r["session"] < args.sessions]))


if __name__ == "__main__":
    main()
