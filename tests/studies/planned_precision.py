"""The precision that a plan promises against the error of simulated rides of that plan.

    python -m tests.studies.planned_precision --rides 60 --store planned.jsonl

Rides that are done are kept in a file and not ridden again (--store). Seeds are 500 000 +
1000 * a number made of the scenario's name + ride number, fixed before the first run.

The coverage study rides the same mornings for another purpose: its store can be read instead.

    python -m tests.studies.planned_precision --coverage cover.jsonl

Prints, for each scenario of the coverage study and for laps of a loop and of a track, the promised
standard uncertainty of a difference, the root mean square error over all pairs of all rides and
their ratio with a bootstrap interval over rides, and the same against what the fit itself states.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING
from zlib import crc32

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from cda.simulate import PRESETS
from tests.studies.scenarios import GROUPS, NOT_POOLED
from tests.studies.scenarios import SCENARIOS as MORNINGS

if TYPE_CHECKING:
    from cda.precision import Expectation
    from cda.simulate import Scenario

FIRST_SEED = 500_000
LOOP = replace(PRESETS["light"], course="loop", leg_length_m=1500.0, laps_per_run=3)
SCENARIOS = {
    **{name: one for name, one in MORNINGS.items() if name not in NOT_POOLED},
    "loop": LOOP,
    "loop, breeze": replace(LOOP, gust_sd_m_s=0.5, slow_sd_m_s=0.5),
    "track": replace(LOOP, course="track", leg_length_m=250.0, laps_per_run=12),
}
# A number of its own for each name, whatever is added to the coverage study in between.
NUMBERS = {name: crc32(name.encode()) % 100_000 for name in SCENARIOS}
assert len(set(NUMBERS.values())) == len(NUMBERS)


def promised(s: Scenario) -> Expectation:
    """Return what a plan of the scenario promises, told what its session file declares."""
    from cda.precision import Design, expected_precision
    from cda.simulate import simulate_session

    declared = simulate_session(replace(s, runs_per_position=1, order="mirrored"), 1).session
    bike, meter = declared.settings.bike, declared.settings.power_meter
    track = s.course == "track"
    return expected_precision(
        Design(
            order=s.run_order,
            course=s.course,
            length_m=s.leg_length_m,
            legs_per_run=2 if s.course == "out-and-back" else s.laps_per_run,
            run_powers_w=s.powers_w,
            wind_m_s=0.0 if track else s.wind_m_s,
            gust_sd_m_s=0.0 if track else s.gust_sd_m_s,
            slow_sd_m_s=0.0 if track else s.slow_sd_m_s,
            gust_time_s=_range(s.gust_time_s),
            slow_time_s=_range(s.slow_time_s),
            run_to_run_sd_m2=s.run_to_run_sd_m2,
            wobble_sd_m2=s.wobble_sd_m2,
            wobble_time_s=s.wobble_time_s,
            power_noise=s.power_noise,
            power_offset_drift_sd_w_per_h=meter.offset_drift_sd_w_per_h,
            rolling_resistance_drift_sd_per_h=bike.rolling_resistance_drift_sd_per_h,
            rolling_resistance_sd=bike.rolling_resistance_sd,
            drivetrain_efficiency_sd=bike.drivetrain_efficiency_sd,
            power_scale_sd=meter.scale_sd,
            power_offset_sd_w=meter.offset_sd_w,
            power_delay_sd_s=meter.delay_sd_s,
            speed_scale_sd=declared.settings.speed_sensor.scale_sd,
            airspeed_noise_m_s=s.airspeed_noise_m_s,
            airspeed_position_scale_sd=s.airspeed_position_scale_sd,
        )
    )


def _range(value: float | tuple[float, float]) -> tuple[float, float]:
    return value if isinstance(value, tuple) else (value, value)


def one(task: tuple[str, int]) -> dict:
    """Ride and estimate once."""
    from cda.analysis import estimate_cda
    from cda.errors import CdaError
    from cda.simulate import simulate_session

    name, k = task
    seed = FIRST_SEED + 1000 * NUMBERS[name] + k
    row: dict = {"scenario": name, "ride": k, "seed": seed}
    simulated = simulate_session(SCENARIOS[name], seed)
    truth = simulated.truth["cda_m2"]
    try:
        estimate = estimate_cda(simulated.session)
    except CdaError as error:
        return row | {"error": str(error)}
    row["differences"] = [
        (d.delta_cda_m2 - (truth[d.position] - truth[d.reference]), d.se_m2, d.dof)
        for d in estimate.differences
    ]
    return row


def of_coverage(store: Path) -> list[dict]:
    """Return the rides of the coverage study's store as rows of this one."""
    rows = []
    for line in store.read_text().splitlines():
        row = json.loads(line)
        if row["scenario"] in SCENARIOS and "estimate" in row:
            found = [(d[0], d[1], d[2]) for d in row["estimate"]["differences"]]
            rows.append({"scenario": row["scenario"], "ride": row["session"], "differences": found})
    return rows


def table(rows: list[dict]) -> str:
    """Return promised, found and stated as Markdown."""
    lines = [
        "| scenario | rides | promised [m²] | RMSE found | promised/found (95 % bootstrap) | "
        "stated by the fit | promised/stated | dof promised, stated (median) |",
        "|---|---|---|---|---|---|---|---|",
    ]
    ratios = []
    for name, scenario in SCENARIOS.items():
        mine = [r for r in rows if r["scenario"] == name and "error" not in r]
        failed = sum(r["scenario"] == name and "error" in r for r in rows)
        if not mine:
            continue
        expectation = promised(scenario)
        se = expectation.difference_se_m2
        assert se is not None
        square = np.array([np.mean([d[0] ** 2 for d in r["differences"]]) for r in mine])
        stated = np.sqrt(np.mean([d[1] ** 2 for r in mine for d in r["differences"]]))
        dof = np.median([d[2] for r in mine for d in r["differences"]])
        rng = np.random.default_rng(1)
        draws = np.sqrt(square[rng.integers(0, len(mine), (4000, len(mine)))].mean(axis=1))
        found = np.sqrt(square.mean())
        ratios.append(se / found)
        lines.append(
            f"| {name} | {len(mine)}{f' ({failed} failed)' if failed else ''} | {se:.5f} "
            f"| {found:.5f} | {se / found:.2f} ({se / np.quantile(draws, 0.975):.2f}–"
            f"{se / np.quantile(draws, 0.025):.2f}) | {stated:.5f} | {se / stated:.2f} "
            f"| {expectation.dof:.0f}, {dof:.0f} |"
        )
    if ratios:
        within = sum(abs(r - 1.0) <= 0.15 for r in ratios)
        lines.append(
            f"\nGeometric mean of promised/found {np.exp(np.mean(np.log(ratios))):.2f}; "
            f"within 15 % in {within} of {len(ratios)} scenarios."
        )
    return "\n".join(lines)


def main() -> None:
    """Ride, estimate, compare."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenario", action="append", choices=[*GROUPS, *SCENARIOS])
    parser.add_argument("--rides", type=int, default=40)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--store", type=Path, default=None)
    parser.add_argument("--coverage", type=Path, default=None, metavar="STORE")
    options = parser.parse_args()
    if options.coverage is not None:
        print(table(of_coverage(options.coverage)))
        return
    chosen = [n for name in options.scenario or SCENARIOS for n in GROUPS.get(name, (name,))]
    names = [name for name in chosen if name in SCENARIOS]
    rows: list[dict] = []
    if options.store and options.store.exists():
        rows = [json.loads(line) for line in options.store.read_text().splitlines()]
    done = {(r["scenario"], r["ride"]) for r in rows}
    tasks = [(n, k) for k in range(options.rides) for n in names if (n, k) not in done]
    with ProcessPoolExecutor(options.workers) as pool:
        for i, row in enumerate(pool.map(one, tasks), start=1):
            rows.append(row)
            if options.store:
                with options.store.open("a") as out:
                    out.write(json.dumps(row) + "\n")
            if sys.stderr.isatty() or i % 20 == 0:
                print(f"{i}/{len(tasks)} rides", file=sys.stderr)
    print(table([r for r in rows if r["scenario"] in names and r["ride"] < options.rides]))


if __name__ == "__main__":
    main()
