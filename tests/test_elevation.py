"""Energy terms and virtual elevation against sums that can be done by hand."""

from typing import Any

import numpy as np
import pytest

from cda.elevation import (
    air_path_integrals,
    end_weights,
    leg_energies,
    leg_mean_share,
    virtual_rise_m,
)
from cda.errors import EstimationError
from cda.legs import Leg

MASS, EFFECTIVE, RHO, CRR, B0, B1 = 84.0, 85.2, 1.19, 0.0045, 0.09, 0.0087
WEIGHT = MASS * 9.80665


def leg(**changes: Any) -> Leg:
    """Return 100 s from 8 to 11 m/s at 0.03 m/s^2, 950 m, power growing by 1 W a second."""
    t = np.arange(101.0)
    v = 8.0 + 0.03 * t
    fields: dict[str, Any] = {
        "session": "s1",
        "run": 1,
        "position": "a",
        "direction": 1,
        "time_s": t + 40.0,
        "along_m": 8.0 * t + 0.015 * t**2,
        "speed_m_s": v,
        "power_w": 150.0 + (t - 0.5),  # mean of 150 + t over the interval that ends at t
    }
    return Leg(**(fields | changes))


def test_terms_of_a_leg_of_constant_acceleration() -> None:
    e = leg_energies([leg()])
    assert e.length_m[0] == pytest.approx(950.0)
    assert e.duration_s[0] == 100.0
    assert e.start_s[0] == 40.0
    assert e.half_v2_change[0] == pytest.approx(0.5 * (11.0**2 - 8.0**2))
    assert e.work_j[0] == pytest.approx(150.0 * 100.0 + 0.5 * 100.0**2)
    # v dx = v^2 dt: (11^3 - 8^3)/(3 a); the mean of speed over steps of 1 s costs a^2 T/12
    assert e.speed_dx[0] == pytest.approx(
        (11.0**3 - 8.0**3) / 0.09, abs=0.03**2 * 100.0 / 12 + 1e-9
    )
    assert np.isnan(e.altitude_change_m[0])
    assert e.step_airspeed_m_s is None


def test_the_first_power_sample_of_a_leg_is_not_counted() -> None:
    power = 150.0 + (np.arange(101.0) - 0.5)
    power[0] = 9999.0
    assert leg_energies([leg(power_w=power)]).work_j[0] == pytest.approx(20_000.0)


def test_a_leg_back_is_as_long_and_its_climb_is_as_ridden() -> None:
    back = leg(direction=-1, along_m=950.0 - leg().along_m, altitude_m=np.linspace(63.0, 61.2, 101))
    e = leg_energies([leg(altitude_m=np.linspace(61.2, 63.0, 101)), back])
    np.testing.assert_allclose(e.length_m, 950.0)
    np.testing.assert_allclose(e.altitude_change_m, [1.8, -1.8])
    np.testing.assert_array_equal(e.direction, [1.0, -1.0])
    np.testing.assert_array_equal(e.step_first, [0, 100])


def test_work_lost_by_a_late_signal_is_its_growth() -> None:
    # If power arrives d late, the true work is d * (P_end - P_start) more: here near 100 W a
    # second, the ends being means over 5 s.
    e = leg_energies([leg()])
    assert e.work_per_delay_w[0] == pytest.approx(95.0)
    assert leg_energies([leg(power_w=np.full(101, 200.0))]).work_per_delay_w[0] == 0.0


@pytest.mark.parametrize("headwind", [-3.0, 0.0, 2.5])
@pytest.mark.parametrize("scale", [1.0, 1.01])
def test_air_integral_along_the_road_alone(headwind: float, scale: float) -> None:
    # crosswind 0: integral of (s v + w)^2 s v dt; v linear in t, a cubic polynomial in v
    e = leg_energies([leg()])
    got, slope = air_path_integrals(e, np.array([headwind]), 0.0, scale)

    def primitive(v: float) -> float:
        u = np.polynomial.Polynomial([headwind, scale])
        whole = (u**2 * np.polynomial.Polynomial([0.0, scale])).integ()
        return float(whole(v)) / 0.03

    def primitive_of_slope(v: float) -> float:
        u = np.polynomial.Polynomial([headwind, scale])
        return float((2.0 * u * np.polynomial.Polynomial([0.0, scale])).integ()(v)) / 0.03

    assert got[0] == pytest.approx(primitive(11.0) - primitive(8.0), rel=1e-5)
    assert slope[0] == pytest.approx(primitive_of_slope(11.0) - primitive_of_slope(8.0), rel=1e-5)


def test_crosswind_is_drag_and_a_tailwind_faster_than_the_rider_pushes() -> None:
    steady = leg(
        time_s=np.arange(101.0), speed_m_s=np.full(101, 10.0), along_m=10.0 * np.arange(101.0)
    )
    e = leg_energies([steady])
    # V_a u = sqrt(u^2 + c^2) u
    got, _ = air_path_integrals(e, np.array([2.0]), 9.0)
    assert got[0] == pytest.approx(np.sqrt(12.0**2 + 9.0) * 12.0 * 1000.0)
    got, slope = air_path_integrals(e, np.array([-14.0]), 0.0)
    assert got[0] == pytest.approx(-16.0 * 1000.0)
    assert slope[0] == pytest.approx(2 * 4.0 * 1000.0)


def test_slope_is_the_derivative_of_the_integral() -> None:
    e = leg_energies([leg(), leg()])
    wind, cross = np.array([1.2, -0.7]), np.array([0.5, 4.0])
    _, slope = air_path_integrals(e, wind, cross)
    up, _ = air_path_integrals(e, wind + 1e-4, cross)
    down, _ = air_path_integrals(e, wind - 1e-4, cross)
    np.testing.assert_allclose(slope, (up - down) / 2e-4, rtol=1e-6)


def test_each_leg_meets_its_own_wind() -> None:
    e = leg_energies([leg(), leg()])
    both, _ = air_path_integrals(e, np.array([1.0, -1.0]), 0.0)
    one, _ = air_path_integrals(leg_energies([leg()]), np.array([1.0]), 0.0)
    other, _ = air_path_integrals(leg_energies([leg()]), np.array([-1.0]), 0.0)
    np.testing.assert_allclose(both, [one[0], other[0]])


def test_no_leg_is_an_error() -> None:
    with pytest.raises(EstimationError, match="no leg"):
        leg_energies([])


# --- virtual elevation of a leg without noise is the road


def road(x: np.ndarray) -> np.ndarray:
    return 2.0 * np.sin(x / 150.0) + 0.004 * x


def ridden(interval_s: float, headwind: float, cda: float) -> Leg:
    """Return a leg over the road, its power from forces summed here on a grid of 10 ms."""
    fine = np.arange(0.0, 100.0 + 1e-9, 0.01)
    v = 10.0 + 1.5 * np.sin(fine / 17.0)
    x = 10.0 * fine + 25.5 * (1.0 - np.cos(fine / 17.0))
    acceleration = 1.5 / 17.0 * np.cos(fine / 17.0)
    gradient = 2.0 / 150.0 * np.cos(x / 150.0) + 0.004
    u = v + headwind
    force = (
        EFFECTIVE * acceleration + WEIGHT * gradient + CRR * WEIGHT + B0 + B1 * v
        + 0.5 * RHO * cda * u * np.sqrt(u**2 + 1.7)
    )  # fmt: skip
    wheel = force * v
    work = np.concatenate([[0.0], np.cumsum(0.5 * (wheel[1:] + wheel[:-1]) * 0.01)])
    every = round(interval_s / 0.01)
    at = slice(0, None, every)
    power = np.diff(work[at], prepend=np.nan) / interval_s
    # the meter reads at the cranks, with a scale and an offset
    shown = (power - 1.4) / 0.97
    return leg(time_s=fine[at], along_m=x[at], speed_m_s=v[at], power_w=shown)


def rise(ride: Leg, **changes: float) -> np.ndarray:
    inputs = {
        "weight_n": WEIGHT, "effective_mass_kg": EFFECTIVE, "wheel_power_scale": 0.97,
        "wheel_power_offset_w": 1.4, "rolling_force_n": CRR * WEIGHT, "bearing_drag_n": B0,
        "bearing_drag_n_s_m": B1, "density_kg_m3": RHO, "cda_with_wheels_m2": 0.27,
        "headwind_m_s": 1.1, "crosswind_squared": 1.7,
    }  # fmt: skip
    return virtual_rise_m(ride, **(inputs | changes))


@pytest.mark.parametrize(("interval_s", "tolerance_m"), [(0.25, 0.001), (1.0, 0.004), (2.0, 0.015)])
def test_virtual_elevation_without_noise_is_the_road(interval_s: float, tolerance_m: float) -> None:
    ride = ridden(interval_s, 1.1, 0.27)
    np.testing.assert_allclose(rise(ride), road(ride.along_m), atol=tolerance_m)


def test_a_cda_assumed_too_high_lowers_the_road_by_its_energy() -> None:
    # steady 10 m/s in calm: every metre costs 1/2 rho dCdA v^2 / (m g) of height
    t = np.arange(101.0)
    flat = leg(
        time_s=t, along_m=10.0 * t, speed_m_s=np.full(101, 10.0), power_w=np.full(101, 200.0)
    )
    calm = {"headwind_m_s": 0.0, "crosswind_squared": 0.0}
    lower = rise(flat, cda_with_wheels_m2=0.28, **calm) - rise(flat, **calm)
    np.testing.assert_allclose(lower, -0.5 * RHO * 0.01 * 100.0 * 10.0 * t / WEIGHT, atol=1e-9)


def test_one_metre_over_1200_m_equals_a_fifth_of_a_metre_a_second() -> None:
    # design of the model: 1 m over 1.2 km with 84 kg equals 0.2 m/s (CdA 0.28, 11 m/s)
    t = np.arange(110.0)
    flat = leg(
        time_s=t, along_m=11.0 * t, speed_m_s=np.full(110, 11.0), power_w=np.full(110, 250.0)
    )
    per_wind = rise(flat, headwind_m_s=1.2) - rise(flat, headwind_m_s=1.0)
    assert per_wind[-1] == pytest.approx(-1.0, abs=0.15)


def test_the_weights_of_the_ends_have_mean_one_and_are_the_same_both_ways() -> None:
    share = np.linspace(0.0, 1.0, 2001)
    value, summed = end_weights(share)
    assert np.trapezoid(value, share) == pytest.approx(1.0, abs=1e-4)
    assert value == pytest.approx(value[::-1])
    assert value[0] == pytest.approx(2.5 * value[1000])
    assert summed[0] == 0.0
    assert summed[-1] == pytest.approx(1.0)
    assert np.diff(summed) * 2000 == pytest.approx(0.5 * (value[1:] + value[:-1]), abs=2e-3)


@pytest.mark.parametrize(("time_s", "gained"), [(15.0, 0.5), (25.0, 0.5), (60.0, 0.45)])
def test_weighted_ends_come_near_the_best_mean_of_a_gust_process(
    time_s: float, gained: float
) -> None:
    # Against the best linear unbiased mean of an Ornstein-Uhlenbeck process over 109 s, whose
    # variance is 2 / (2 + duration/time) (Grenander 1954, from memory).
    duration = 109.0
    best = 2.0 / (2.0 + duration / time_s)
    r = duration / time_s
    plain = 2.0 / r * (1.0 - (1.0 - np.exp(-r)) / r)
    weighted = leg_mean_share(duration, time_s)
    assert best < weighted < plain
    assert (plain - weighted) / (plain - best) > gained  # of what there is to gain


def test_weighted_sums_take_the_same_share_of_a_steady_leg() -> None:
    steady = leg(
        along_m=9.5 * np.arange(101.0),
        speed_m_s=np.full(101, 9.5),
        power_w=np.full(101, 200.0),
    )
    plain, weighted = (leg_energies([steady], weigh_ends=w) for w in (False, True))
    for name in ("length_m", "duration_s", "speed_dx", "work_j"):
        assert getattr(weighted, name)[0] == pytest.approx(getattr(plain, name)[0], rel=1e-3)
    assert leg_energies([steady], weigh_ends=True).work_per_delay_w[0] == pytest.approx(0.0)


def test_what_late_power_costs_a_weighted_leg() -> None:
    # Power delayed by half a second, done twice: by hand and by the derivative.
    stamps = np.arange(0.0, 100.0 + 0.25, 0.25)
    power = 200.0 + 120.0 * np.sin(0.008 * stamps)
    late = 200.0 + 120.0 * np.sin(0.008 * (stamps - 0.5))
    rides = [
        leg(
            time_s=stamps,
            along_m=12.0 * stamps,
            speed_m_s=np.full(len(stamps), 12.0),
            power_w=p,
            altitude_m=None,
        )
        for p in (late, power)
    ]
    was, now = (leg_energies([ride], weigh_ends=True) for ride in rides)
    # The power at a gate is the mean of five seconds: at 0.96 W/s that is 2.4 W off at either end,
    # times weight and half a second up to 4.6 J.
    change = now.work_j[0] - was.work_j[0]
    assert change == pytest.approx(0.5 * was.work_per_delay_w[0], abs=4.6)
    assert abs(change) > 30.0


def test_weighted_climb_of_a_hill_between_the_gates() -> None:
    hill = np.concatenate([np.linspace(0.0, 5.0, 51), np.linspace(4.9, 0.0, 50)])
    steady = {"along_m": 9.5 * np.arange(101.0), "speed_m_s": np.full(101, 9.5)}
    rides = [leg(altitude_m=hill, direction=d, **steady) for d in (1, -1)]
    e = leg_energies(rides, weigh_ends=True)
    assert e.altitude_change_m == pytest.approx([0.0, 0.0])
    assert e.relief_shift_m == pytest.approx([0.0, 0.0], abs=0.02)  # up and down weigh alike
    ramp = leg(altitude_m=np.minimum(np.arange(101) / 10.0, 3.0), **steady)
    slope = leg_energies([ramp], weigh_ends=True)
    assert slope.altitude_change_m[0] == pytest.approx(3.0)
    _, summed = end_weights(np.array([0.3]))
    assert slope.relief_shift_m is not None
    assert slope.relief_shift_m[0] == pytest.approx(10.0 * summed[0] - 3.0, abs=0.05)
