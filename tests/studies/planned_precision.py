"""The precision that a plan promises against the error of simulated rides of that plan.

    python -m tests.studies.planned_precision --rides 12 --scenario light --scenario breeze

Prints, for each scenario, the promised standard uncertainty of a difference, the root mean square
error over all pairs of all rides, and their ratio; the error is itself known to about
1/sqrt(2 * 3 * rides) for four positions (three independent differences a ride).

First results, 8 to 12 rides each, promised over error: calm 1.12, light 1.04, breeze 1.08,
wind 1.09, breeze with airspeed 1.14, 600 m legs 0.89, 3 runs 0.90, 2 positions x 5 runs 0.79
(one difference a ride: this error is known to 20 % only).
"""

from __future__ import annotations

import argparse
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from cda import estimate_cda
from cda.precision import Design, Expectation, expected_precision
from cda.simulate import PRESETS, simulate_session

if TYPE_CHECKING:
    from cda.simulate import Scenario

LIGHT = PRESETS["light"]
SCENARIOS = {
    **PRESETS,
    "600 m, 8 runs": replace(LIGHT, leg_length_m=600.0, runs_per_position=8),
    "3 runs": replace(LIGHT, runs_per_position=3),
    "short morning 2x5": replace(LIGHT, n_positions=2, runs_per_position=5),
    "short morning 3x4": replace(LIGHT, n_positions=3, runs_per_position=4),
    "breeze, airspeed": replace(PRESETS["breeze"], airspeed_noise_m_s=0.3),
}


def promised(s: Scenario) -> Expectation:
    """Return what a plan of the scenario promises, its instruments as the simulator draws them."""
    return expected_precision(
        Design(
            order=s.run_order,
            length_m=s.leg_length_m,
            wind_m_s=s.wind_m_s,
            gust_sd_m_s=s.gust_sd_m_s,
            slow_sd_m_s=s.slow_sd_m_s,
            run_to_run_sd_m2=s.run_to_run_sd_m2,
            power_offset_drift_sd_w_per_h=s.power_offset_drift_sd_w_per_h,
            rolling_resistance_drift_sd_per_h=s.rolling_drift_sd_per_h,
            rolling_resistance_sd=s.rolling_resistance_sd,
            drivetrain_efficiency_sd=s.drivetrain_efficiency_sd,
            power_scale_sd=s.power_scale_sd,
            power_offset_sd_w=s.power_offset_sd_w,
            speed_scale_sd=s.speed_scale_sd,
            power_delay_sd_s=s.power_delay_declared_sd_s,
            airspeed_noise_m_s=s.airspeed_noise_m_s,
            airspeed_position_scale_sd=s.airspeed_position_scale_sd,
        )
    )


def main() -> None:
    """Ride, estimate, compare."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--scenario", action="append", choices=list(SCENARIOS))
    parser.add_argument("--rides", type=int, default=10)
    parser.add_argument("--seed", type=int, default=500)
    options = parser.parse_args()
    print("scenario            promised  error     stated    promised/error  dof stated, promised")
    for name in options.scenario or list(SCENARIOS):
        scenario = SCENARIOS[name]
        expectation = promised(scenario)
        errors, stated, dof = [], [], []
        for k in range(options.rides):
            simulated = simulate_session(scenario, options.seed + k)
            truth = simulated.truth["cda_m2"]
            for d in estimate_cda(simulated.session).differences:
                errors.append(d.delta_cda_m2 - (truth[d.position] - truth[d.reference]))
                stated.append(d.se_m2)
                dof.append(d.dof)
        error, mean_stated = (float(np.sqrt(np.mean(np.square(x)))) for x in (errors, stated))
        se = expectation.difference_se_m2
        assert se is not None
        print(
            f"{name:<20}{se:.5f}   {error:.5f}   {mean_stated:.5f}   {se / error:<14.2f}  "
            f"{np.median(dof):.0f}, {expectation.dof:.0f}"
        )


if __name__ == "__main__":
    main()
