"""Precision to expect: closed forms, what must help helps, and simulated rides agree."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cda.elevation import leg_mean_share
from cda.errors import EstimationError
from cda.precision import (
    Before,
    Design,
    contrast_se,
    expected_precision,
    further_runs,
    in_wind,
    mean_share,
    round_share,
    seconds_per_m2,
    smallest_together_m2,
)

MIRRORED = (0, 1, 1, 0, 0, 1, 1, 0)


def test_only_run_to_run_scatter_gives_the_closed_form() -> None:
    # Without wind, wobble and drift: sd of a mean of r runs, twice: sqrt(2/r) * run_to_run_sd.
    design = Design(
        order=MIRRORED,
        wind_m_s=0.0,
        gust_sd_m_s=0.003,
        slow_sd_m_s=0.003,
        wobble_sd_m2=1e-5,
        power_noise=0.0,
        run_to_run_sd_m2=0.004,
        power_offset_drift_sd_w_per_h=0.0,
        rolling_resistance_drift_sd_per_h=0.0,
    )
    expected = np.sqrt(2.0 / 4.0) * 0.004
    assert expected_precision(design).difference_se_m2 == pytest.approx(expected, rel=0.01)


def test_only_gusts_give_the_closed_form() -> None:
    # The mean gust w of a leg of n legs a position acts on u^2: sd(A) = 2 A / u * sd(w) / sqrt(n),
    # sqrt(2) for a difference; A with the wheels, u the mean speed (two powers: within 1 %).
    gust = 0.5
    design = Design(
        order=MIRRORED,
        wind_m_s=0.0,
        gust_sd_m_s=gust,
        gust_time_s=(8.0, 8.0),  # over before the rider has turned
        slow_sd_m_s=1e-4,
        wobble_sd_m2=1e-6,
        power_noise=0.0,
        run_to_run_sd_m2=1e-6,
        power_offset_drift_sd_w_per_h=0.0,
        rolling_resistance_drift_sd_per_h=0.0,
        run_powers_w=(215.0,),
    )
    area, speed = design.cda_m2 + 0.0044, design.speed_m_s(215.0)
    independent = np.sqrt(2.0) * 2.0 * area / speed * gust / np.sqrt(8.0)
    expected = independent * np.sqrt(leg_mean_share(design.leg_s, 8.0))
    assert expected_precision(design).difference_se_m2 == pytest.approx(expected, rel=0.03)
    # What lasts across the turn blows against one leg and for the other.
    lasting = expected_precision(replace(design, gust_time_s=(60.0, 60.0))).difference_se_m2
    assert lasting < 0.96 * independent * np.sqrt(leg_mean_share(design.leg_s, 60.0))


def test_mean_of_a_correlated_process_against_its_double_integral() -> None:
    # var(mean)/var = 2/T^2 * integral of (T - s) exp(-s/tau) ds, here by the trapezoidal rule.
    duration, time = 110.0, 25.0
    s = np.linspace(0.0, duration, 200_001)
    y = (duration - s) * np.exp(-s / time)
    integral = float(np.sum(0.5 * (y[1:] + y[:-1]) * np.diff(s)))
    assert mean_share(duration, time) == pytest.approx(2.0 * integral / duration**2, rel=1e-6)


def test_what_ought_to_help_helps() -> None:
    base = in_wind(Design(order=MIRRORED), 1.0)
    se = expected_precision(base).difference_se_m2
    assert se is not None
    for better in (
        replace(base, order=MIRRORED * 2),
        in_wind(base, 0.4),
        replace(base, airspeed_noise_m_s=0.3),
        replace(base, legs_per_run=4),
    ):
        improved = expected_precision(better).difference_se_m2
        assert improved is not None
        assert improved < 0.95 * se


def test_blocks_are_worse_where_the_zero_drifts() -> None:
    mirrored = in_wind(Design(order=MIRRORED, power_offset_drift_sd_w_per_h=8.0), 0.0)
    blocks = replace(mirrored, order=tuple(sorted(MIRRORED)))
    good, bad = (expected_precision(d).difference_se_m2 for d in (mirrored, blocks))
    assert good is not None
    assert bad is not None
    assert bad > 1.1 * good


def test_common_errors_cancel_in_differences_and_stay_in_positions() -> None:
    base = in_wind(Design(order=MIRRORED), 0.4)
    worse = replace(base, power_scale_sd=0.05)
    before, after = expected_precision(base), expected_precision(worse)
    # design: power +1 % is +0.0035 m^2 in every position
    gained = np.sqrt(after.position_se_m2[0] ** 2 - before.position_se_m2[0] ** 2)
    assert gained == pytest.approx(0.0035 * np.sqrt(5.0**2 - 1.5**2), rel=0.15)
    assert after.difference_se_m2 == pytest.approx(before.difference_se_m2, rel=0.05)


def test_seconds_of_an_area_against_the_cube_law() -> None:
    # Without rolling P = rho/2 A v^3: T = D (rho A / 2P)^(1/3), dT/dA = T / (3 A).
    power, area, density, distance = 200.0, 0.28, 1.2, 40_000.0
    time = distance * (density * area / (2.0 * power)) ** (1.0 / 3.0)
    slope = seconds_per_m2(
        distance_m=distance,
        power_w=power,
        cda_m2=area,
        density_kg_m3=density,
        rolling_resistance=1e-12,
        efficiency=1.0,
    )
    assert slope == pytest.approx(time / (3.0 * area), rel=1e-4)


def test_one_run_of_each_position_shows_no_scatter() -> None:
    with pytest.raises(EstimationError, match="show no scatter"):
        expected_precision(Design(order=(0, 1, 2)))
    with pytest.raises(EstimationError, match="leaves out a position"):
        Design(order=(0, 2))
    with pytest.raises(EstimationError, match="not out and back"):
        Design(order=(0, 1), legs_per_run=3)


def test_one_position_has_an_uncertainty_and_no_difference() -> None:
    alone = expected_precision(Design(order=(0, 0, 0)))
    assert alone.difference_se_m2 is None
    assert alone.smallest_resolvable_m2 is None
    assert alone.position_se_m2.shape == (1,)


def test_wind_on_a_circle_against_its_double_integral() -> None:
    # var(mean)/var = 2/D^2 * integral of (D - s) exp(-s/tau) cos(2 pi s/D) ds, trapezoidal rule.
    duration = 147.0
    s = np.linspace(0.0, duration, 200_001)
    for time in (8.0, 60.0, 900.0):
        y = (duration - s) * np.exp(-s / time) * np.cos(2.0 * np.pi * s / duration)
        integral = float(np.sum(0.5 * (y[1:] + y[:-1]) * np.diff(s)))
        assert round_share(duration, time) == pytest.approx(2.0 * integral / duration**2, rel=1e-6)


def test_laps_with_only_run_to_run_scatter_give_the_closed_form() -> None:
    # As out and back: sqrt(2/r) * run_to_run_sd, whatever the number of laps.
    design = Design(
        order=MIRRORED,
        course="loop",
        length_m=1500.0,
        legs_per_run=3,
        turn_s=0.0,
        wind_m_s=0.0,
        gust_sd_m_s=0.003,
        slow_sd_m_s=0.003,
        wobble_sd_m2=1e-5,
        power_noise=0.0,
        run_to_run_sd_m2=0.004,
        power_offset_drift_sd_w_per_h=0.0,
        rolling_resistance_drift_sd_per_h=0.0,
    )
    expected = np.sqrt(2.0 / 4.0) * 0.004
    assert expected_precision(design).difference_se_m2 == pytest.approx(expected, rel=0.01)


def test_laps_with_only_gusts_give_the_closed_form() -> None:
    # As out and back with the share of a circle; 12 laps a position, no difference of direction.
    gust = 0.5
    design = Design(
        order=MIRRORED,
        course="loop",
        length_m=1500.0,
        legs_per_run=3,
        turn_s=0.0,
        wind_m_s=0.0,
        gust_sd_m_s=gust,
        slow_sd_m_s=1e-4,
        wobble_sd_m2=1e-6,
        power_noise=0.0,
        run_to_run_sd_m2=1e-6,
        power_offset_drift_sd_w_per_h=0.0,
        rolling_resistance_drift_sd_per_h=0.0,
        run_powers_w=(215.0,),
    )
    share = np.mean([round_share(design.leg_s, t) for t in np.geomspace(8.0, 60.0, 9)])
    area, speed = design.cda_m2 + 0.0044, design.speed_m_s(215.0)
    expected = np.sqrt(2.0) * 2.0 * area / speed * gust * np.sqrt(share) / np.sqrt(12.0)
    assert expected_precision(design).difference_se_m2 == pytest.approx(expected, rel=0.03)


def test_power_noise_alone_gives_the_closed_form() -> None:
    # Mean power of a leg of D seconds is off by 4 %/sqrt(D); at the wheel that is taken for drag.
    # On the flat eta P = v (roll + rho/2 A v^2), so dA = 2 eta dP / (rho v^3).
    design = Design(
        order=MIRRORED,
        course="track",
        length_m=250.0,
        legs_per_run=12,
        turn_s=0.0,
        run_powers_w=(240.0,),
        wobble_sd_m2=1e-6,
        run_to_run_sd_m2=1e-6,
        power_offset_drift_sd_w_per_h=0.0,
        rolling_resistance_drift_sd_per_h=0.0,
        wind_m_s=0.0,
        gust_sd_m_s=1e-4,
        slow_sd_m_s=0.0,
    )
    speed = design.speed_m_s(240.0)
    seconds = 4 * 12 * design.leg_s
    expected = np.sqrt(2.0) * 2.0 * 0.976 * 240.0 * 0.04 / (1.21 * speed**3 * np.sqrt(seconds))
    assert expected_precision(design).difference_se_m2 == pytest.approx(expected, rel=0.03)


def test_wind_of_a_report_does_not_reach_a_track() -> None:
    track = Design(order=MIRRORED, course="track", length_m=250.0, legs_per_run=12, turn_s=0.0)
    calm, storm = (expected_precision(in_wind(track, w)).difference_se_m2 for w in (0.0, 5.0))
    assert calm == storm


def test_earlier_days_are_weighted_by_their_information() -> None:
    # Two days alike and long known: half the variance, position by day (2 * 0.002^2) included.
    day = expected_precision(in_wind(Design(order=MIRRORED), 1.0))
    before = Before(ids=("a", "b"), covariance_m4=day.covariance_m4, dof=day.dof)
    alone, _ = contrast_se((1.0, -1.0), day)
    both, dof = contrast_se((1.0, -1.0), day, before)
    assert alone == pytest.approx(day.difference_se_m2)
    assert both == pytest.approx(np.sqrt(0.5 * (alone**2 + 2.0 * 0.002**2)))
    assert dof == pytest.approx(2.0 * day.dof)
    # Of a position never ridden earlier days say nothing.
    new, new_dof = contrast_se((1.0, -1.0), day, before.among(["b", "new"]))
    assert new == pytest.approx(np.sqrt(alone**2 + 2.0 * 0.002**2), rel=1e-4)
    assert new_dof == pytest.approx(day.dof, rel=1e-4)
    assert smallest_together_m2(day, before) < (smallest_together_m2(day, None) or 0.0)


def test_further_runs_are_the_fewest_that_do() -> None:
    # s^2 (1/a + 1/b) + u^2 by hand: 4 + 4 runs, s = 0.005, u = 0.001, many degrees of freedom.
    s, u, z = 0.005, 0.001, {0.8: 1.959964 + 0.841621, 0.9: 1.959964 + 1.281552}
    now = s * np.sqrt(0.5)
    for power, quantile in z.items():
        extra = further_runs(0.008, now, u, 1e7, (4, 4), power)
        assert extra is not None
        a, b = 4 + extra[0], 4 + extra[1]
        assert quantile * np.hypot(s * np.sqrt(1 / a + 1 / b), u) <= 0.008
        a, b = sorted((a, b))
        assert quantile * np.hypot(s * np.sqrt(1 / a + 1 / (b - 1)), u) > 0.008
    assert further_runs(0.02, now, u, 1e7, (4, 4), 0.8) == (0, 0)
    assert further_runs(0.0025, now, u, 1e7, (4, 4), 0.8) is None  # u alone takes 0.0028
    # The position that was ridden less is ridden more.
    one, other = further_runs(0.008, s * np.sqrt(1 / 2 + 1 / 6), u, 1e7, (2, 6), 0.8) or (0, 0)
    assert one > other


def test_few_runs_cost_more_than_a_normal_would() -> None:
    few, many = (further_runs(0.008, 0.004, 0.0, dof, (3, 3), 0.8) for dof in (3.0, 1e6))
    assert sum(few or ()) > sum(many or ())
    # Even numbers by hand, n of each: (t(0.975) + t(0.8)) s sqrt(3/n) with 3 n/3 = n of freedom.
    from scipy.stats import t

    enough = [
        n for n in range(3, 30)
        if (t.ppf(0.975, n) + t.ppf(0.8, n)) * 0.004 * np.sqrt(3.0 / n) <= 0.008
    ]  # fmt: skip
    assert abs(sum(few or ()) - 2 * (enough[0] - 3)) <= 1


def test_a_good_day_is_not_made_worse_by_counting_in_a_poor_one() -> None:
    day = expected_precision(in_wind(Design(order=MIRRORED * 3), 0.0))
    poor = Before(ids=("a", "b"), covariance_m4=np.eye(2), dof=5.0)
    together = smallest_together_m2(day, poor)
    assert together == pytest.approx(smallest_together_m2(day, None), rel=1e-9)
