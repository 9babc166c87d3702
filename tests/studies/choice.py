"""What the first on the list promises, against what it brings.

    python -m tests.studies.choice --sets 1000 --fits 30

Of several noisy positions the best looking one is picked; what it is said to save over 180 km
minus what it truly saves, averaged over many invented tests.  Positions of one rider are drawn
alike, so that a pair differs by 0.003, 0.010 or 0.020 m²: the correction does not know which, its
prior is centred on 0.010.  A last column tests positions that were chosen for being lower than
today's by 0.005 m² on average, of which the prior knows nothing.

First table: estimates drawn from the standard errors of a difference that the scenarios have, with
their own uncertainty (chi² with the degrees of freedom).  Second: leg totals drawn from the
measurement model and fitted by the tool.  Seeds: 52 000 + number of the row, fixed before the
first run; so was the prior of the correction.
"""

from __future__ import annotations

import argparse
import os
from dataclasses import dataclass

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from cda.comparison import _matched
from cda.estimation import fit_days
from cda.integration import Rides, flat_time
from cda.priority.choice import shrunk_differences
from tests.leg_totals import Design, draw_day

SEED = 52_000
LEVEL_M2, DISTANCE_M = 0.27, 180_000.0
SPREADS_M2 = (0.003, 0.010, 0.020)


@dataclass(frozen=True, kw_only=True)
class Scenario:
    """Standard error of a difference, its degrees of freedom, and a design that has about them."""

    name: str
    others: int
    se_m2: float
    dof: float
    runs: int
    leg_wind_m_s: float
    slow_wind_m_s: float


SCENARIOS = (
    Scenario(name="calm, 2 positions", others=1, se_m2=0.0030, dof=9.0, runs=6,
             leg_wind_m_s=0.05, slow_wind_m_s=0.2),
    Scenario(name="calm, 4 positions", others=3, se_m2=0.0030, dof=18.0, runs=6,
             leg_wind_m_s=0.05, slow_wind_m_s=0.2),
    Scenario(name="light, 6 positions", others=5, se_m2=0.0047, dof=25.0, runs=5,
             leg_wind_m_s=0.08, slow_wind_m_s=0.3),
    Scenario(name="light, 4 positions, 3 runs", others=3, se_m2=0.0063, dof=8.0, runs=3,
             leg_wind_m_s=0.08, slow_wind_m_s=0.3),
    Scenario(name="breeze, 4 positions", others=3, se_m2=0.0068, dof=18.0, runs=6,
             leg_wind_m_s=0.15, slow_wind_m_s=0.5),
    Scenario(name="wind, 4 positions", others=3, se_m2=0.0130, dof=18.0, runs=6,
             leg_wind_m_s=0.30, slow_wind_m_s=0.7),
)  # fmt: skip


def time_s(cda_m2: np.ndarray | float) -> np.ndarray:
    """Return the time over 180 km, flat and calm at 205 W, 83 kg [s]."""
    columns = {
        "cda_held_m2": cda_m2, "cda_other_m2": cda_m2, "power_w": 205.0, "power_cost_w": 0.0,
        "power_gain": 0.976, "power_offset_w": 0.0, "rolling_resistance": 0.0042, "mass_kg": 83.4,
        "density_kg_m3": 1.2, "wind_m_s": 0.0, "wind_from_deg": 0.0,
    }  # fmt: skip
    rides = Rides(
        **{k: np.asarray(v, dtype=np.float64) for k, v in columns.items()},
        wheel_drag_area_m2=0.0044, bearing_drag_n=0.091, bearing_drag_n_s_m=0.0087,
        rotating_mass_kg=1.25, gravity_m_s2=9.80665,
    )  # fmt: skip
    return flat_time(rides, DISTANCE_M)


def true_differences(
    rng: np.random.Generator, others: int, spread_m2: float, shift_m2: float
) -> np.ndarray:
    """Draw positions alike, the reference first; return the others minus the reference."""
    level = rng.normal(0.0, spread_m2 / np.sqrt(2.0), others + 1)
    return np.asarray(level[1:] - level[0] + shift_m2)


def promised_minus_true(
    true: np.ndarray, seen: np.ndarray, statistical: np.ndarray, systematic: np.ndarray, dof: float
) -> tuple[float, float]:
    """Return it for the position seen as the fastest, uncorrected and corrected [s]."""
    first = int(np.argmin(seen))
    corrected = shrunk_differences(seen, statistical, systematic, dof)
    brings, plain, promised = (
        float(time_s(LEVEL_M2) - time_s(LEVEL_M2 + d[first])) for d in (true, seen, corrected)
    )
    return plain - brings, promised - brings


def drawn(
    scenario: Scenario, spread_m2: float, shift_m2: float, seed: int, sets: int
) -> np.ndarray:
    """Draw estimates from their standard errors; shape (sets, 2)."""
    rng = np.random.default_rng(seed)
    k = scenario.others
    rows = []
    alike = 0.5 * (np.eye(k) + np.ones((k, k))) * scenario.se_m2**2
    for _ in range(sets):
        true = true_differences(rng, k, spread_m2, shift_m2)
        error = rng.normal(0.0, scenario.se_m2 / np.sqrt(2.0), k + 1)
        believed = alike * rng.chisquare(scenario.dof) / scenario.dof
        seen = true + error[1:] - error[0]
        rows.append(promised_minus_true(true, seen, believed, np.zeros((k, k)), scenario.dof))
    return np.array(rows)


def fitted(
    scenario: Scenario, spread_m2: float, shift_m2: float, seed: int, sets: int
) -> np.ndarray:
    """Draw leg totals and fit them; shape (sets, 2)."""
    rng = np.random.default_rng(seed)
    k = scenario.others
    forward = tuple(range(k + 1))
    order = tuple(
        p for r in range(scenario.runs) for p in (forward if r % 2 == 0 else forward[::-1])
    )
    contrasts = None
    rows = []
    for _ in range(sets):
        true = true_differences(rng, k, spread_m2, shift_m2)
        design = Design(
            order=order,
            cda_m2=(LEVEL_M2, *(LEVEL_M2 + true)),
            leg_wind_sd_m_s=scenario.leg_wind_m_s,
            slow_wind_sd_m_s=scenario.slow_wind_m_s,
        )
        fit = fit_days([draw_day(design, rng)], tuple(f"p{i}" for i in forward))
        if contrasts is None:
            contrasts = np.zeros((k, len(fit.names)))
            contrasts[np.arange(k), 1 + np.arange(k)] = 1.0
            contrasts[:, 0] = -1.0
        stated = [fit.replication(c) for c in contrasts]
        statistical = _matched(fit.replication_cov, contrasts, [se for se, _ in stated])
        systematic = contrasts @ fit.systematic_cov @ contrasts.T
        dof = float(np.median([nu for _, nu in stated]))
        rows.append(promised_minus_true(true, contrasts @ fit.beta, statistical, systematic, dof))
    return np.array(rows)


def table(how: object, sets: int) -> None:
    """Print one table as Markdown."""
    columns = [(spread, 0.0) for spread in SPREADS_M2] + [(0.010, -0.005)]
    names = [f"{s:.3f}" + (" and lower" if shift else "") for s, shift in columns]
    print("| scenario | " + " | ".join(names) + " | mean of the first three |")
    print("|---|" + "---|" * (len(columns) + 1))
    everything = []
    for number, scenario in enumerate(SCENARIOS):
        cells, means = [], []
        for at, (spread, shift) in enumerate(columns):
            got = how(scenario, spread, shift, SEED + 10 * number + at, sets)  # type: ignore[operator]
            plain, promised = got.mean(axis=0)
            se = got[:, 1].std() / np.sqrt(sets)
            cells.append(f"{plain:+.0f} → {promised:+.0f} ± {se:.0f}")
            means.append((plain, promised))
        three = np.mean(means[:3], axis=0)
        everything.append(means)
        print(
            f"| {scenario.name} | " + " | ".join(cells) + f" | {three[0]:+.0f} → {three[1]:+.0f} |",
            flush=True,
        )
    over = np.mean(everything, axis=0)
    three = over[:3].mean(axis=0)
    print(
        "| all | " + " | ".join(f"{a:+.0f} → {b:+.0f}" for a, b in over)
        + f" | {three[0]:+.0f} → {three[1]:+.0f} |\n"
    )  # fmt: skip


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--sets", type=int, default=1000)
    parser.add_argument("--fits", type=int, default=30)
    given = parser.parse_args()
    print("Promised minus true over 180 km [s], as measured → corrected\n")
    if given.sets:
        table(drawn, given.sets)
    if given.fits:
        table(fitted, given.fits)


if __name__ == "__main__":
    main()
