"""Coverage where the scatter is drawn as the priors believe, and where it sits at their middle.

    python -m tests.studies.believed --mornings 600

An interval that allows for scatter it does not know is right on average over what it thinks
possible. On mornings whose scatter is always the usual one it is careful, and on mornings far from
the usual it is bold. Leg totals are drawn from the measurement model (tests/leg_totals.py), four
positions of six runs in turn and back. Seeds 61 000 + 10 000 * row + morning, fixed before the
first run. Gusts over a leg are drawn up to 0.8 m/s and slow wind up to 1.0 m/s: nobody rides more.
"""

from __future__ import annotations

import argparse
import os
from concurrent.futures import ProcessPoolExecutor

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from cda.comparison import welch_satterthwaite
from cda.estimation import fit_days
from cda.estimation.fit import PRIORS
from tests.leg_totals import Design, draw_day

ORDER = tuple(p for turn in range(6) for p in (range(4) if turn % 2 == 0 else range(3, -1, -1)))
CDA_M2 = (0.280, 0.272, 0.268, 0.275)
WAYS = ("all at the middle", "run to run drawn", "all drawn")


def scatter(way: str, rng: np.random.Generator) -> dict[str, float]:
    """Return the standard deviations of a morning."""
    drawn = {"all at the middle": (), "run to run drawn": ("run",)}.get(way, tuple(PRIORS))
    return {
        name: prior.median * float(np.exp(prior.log_sd * rng.standard_normal() * (name in drawn)))
        for name, prior in PRIORS.items()
    }


def morning(task: tuple[int, int]) -> tuple[float, float, float]:
    """Return the shares of differences inside 95 and 80 %, and the mean square of error over se."""
    from scipy.stats import t as student

    row, k = task
    rng = np.random.default_rng(61_000 + 10_000 * row + k)
    sd = scatter(WAYS[row], rng)
    design = Design(
        order=ORDER,
        cda_m2=CDA_M2,
        run_sd_m2=sd["run"],
        leg_wind_sd_m_s=min(sd["leg_wind"], 0.8),
        slow_wind_sd_m_s=min(sd["slow_wind"], 1.0),
    )
    fit = fit_days([draw_day(design, rng)], tuple("abcd"))
    inside95, inside80, squares = [], [], []
    for later in range(1, 4):
        for earlier in range(later):
            contrast = np.zeros(len(fit.beta))
            contrast[later], contrast[earlier] = 1.0, -1.0
            statistical, dof = fit.replication(contrast)
            other = float(np.sqrt(contrast @ fit.systematic_cov @ contrast))
            error = float(contrast @ fit.beta) - (CDA_M2[later] - CDA_M2[earlier])
            z = error / float(np.hypot(statistical, other))
            both = welch_satterthwaite([(statistical, dof), (other, None)])
            inside95.append(abs(z) < student.ppf(0.975, both))
            inside80.append(abs(z) < student.ppf(0.90, both))
            squares.append(z * z)
    return float(np.mean(inside95)), float(np.mean(inside80)), float(np.mean(squares))


def main() -> None:
    """Print a row a way of drawing."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--mornings", type=int, default=600)
    parser.add_argument("--workers", type=int, default=2)
    args = parser.parse_args()
    print("| scatter | mornings | cover 95 % | cover 80 % | mean square of error over se |")
    print("|---|---|---|---|---|")
    with ProcessPoolExecutor(args.workers) as pool:
        for row, way in enumerate(WAYS):
            answers = np.array(
                list(pool.map(morning, [(row, k) for k in range(args.mornings)], chunksize=8))
            )
            mean, se = answers.mean(0), answers.std(0, ddof=1) / np.sqrt(len(answers))
            print(
                f"| {way} | {len(answers)} | {100 * mean[0]:.1f} ± {100 * se[0]:.1f} "
                f"| {100 * mean[1]:.1f} ± {100 * se[1]:.1f} | {mean[2]:.3f} ± {se[2]:.3f} |",
                flush=True,
            )


if __name__ == "__main__":
    main()
