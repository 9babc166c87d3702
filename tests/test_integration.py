"""Forward integration against scipy's solver, closed forms and the energy it must keep."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from cda.errors import CourseError
from cda.integration import (
    Rides,
    braking_limits,
    flat_time,
    integrate,
    over_directions,
    plain_road,
    steady_speed,
)

G = 9.80665


def rides(**values: object) -> Rides:
    columns = {
        "cda_held_m2": 0.30, "cda_other_m2": 0.30, "power_w": 200.0, "power_cost_w": 0.0,
        "power_gain": 1.0, "power_offset_w": 0.0, "rolling_resistance": 0.004, "mass_kg": 85.0,
        "density_kg_m3": 1.2, "wind_m_s": 0.0, "wind_from_deg": 0.0,
    } | values  # fmt: skip
    constants = {
        "wheel_drag_area_m2": 0.0, "bearing_drag_n": 0.0, "bearing_drag_n_s_m": 0.0,
        "rotating_mass_kg": 0.14 / 0.311**2, "gravity_m_s2": G,
    }  # fmt: skip
    constants |= {k: float(columns.pop(k)) for k in list(columns) if k in constants}  # type: ignore[arg-type]
    return Rides(**{k: np.asarray(v, dtype=np.float64) for k, v in columns.items()}, **constants)


def test_hills_steps_and_wind_agree_with_an_independent_solver() -> None:
    length = np.full(60, 100.0)
    gradient = np.concatenate([
        0.06 * np.sin(np.arange(30) / 3.0), np.repeat([0.0, 0.08, -0.07], 10)
    ])  # fmt: skip
    bearing = np.linspace(0.0, 350.0, 60)
    road = replace(plain_road(length, gradient), bearing_deg=bearing)
    one = rides(wind_m_s=3.0, wind_from_deg=40.0, bearing_drag_n=0.091, bearing_drag_n_s_m=0.0087)
    got = integrate(one, road)
    me = 85.0 + 0.14 / 0.311**2

    y, t = np.array([float(steady_speed(one)[()]), 0.0]), 0.0
    for dx, g, b in zip(length, gradient, bearing, strict=True):
        theta = np.arctan(g)
        angle = np.radians(40.0 - b)

        def rate(x: float, state: np.ndarray, theta: float = theta, angle: float = angle) -> list:
            v = state[0]
            u, c = v + 3.0 * np.cos(angle), 3.0 * np.sin(angle)
            force = (
                85.0 * G * (np.sin(theta) + 0.004 * np.cos(theta)) + 0.091 + 0.0087 * v
                + 0.5 * 1.2 * 0.30 * np.hypot(u, c) * u
            )  # fmt: skip
            return [(200.0 / v - force) / (me * v), 1.0 / v]

        solved = solve_ivp(
            rate, (0.0, dx / np.cos(theta)), y, method="DOP853", rtol=1e-10, atol=1e-12
        )
        y = solved.y[:, -1]
    t = y[1]
    assert float(got.time_s[0]) == pytest.approx(t, rel=1e-4)
    assert float(got.end_speed_m_s[0]) == pytest.approx(y[0], rel=1e-4)


def test_a_gradient_that_changes_within_a_stretch_is_many_short_stretches() -> None:
    # Stretches of 30 m whose gradient runs straight against pieces of 1 m with a steady one.
    nodes = 0.06 * np.sin(2 * np.pi * np.arange(101) * 30.0 / 500.0)
    middle, change = 0.5 * (nodes[1:] + nodes[:-1]), np.diff(nodes)
    wide = replace(plain_road(np.full(100, 30.0), middle), gradient_change=change)
    part = (np.arange(30) + 0.5) / 30.0 - 0.5
    fine = plain_road(np.full(3000, 1.0), (middle[:, None] + change[:, None] * part).ravel())
    got, expected = integrate(rides(), wide), integrate(rides(), fine)
    assert float(got.time_s[0]) == pytest.approx(float(expected.time_s[0]), rel=3e-5)
    assert float(got.end_speed_m_s[0]) == pytest.approx(float(expected.end_speed_m_s[0]), rel=1e-4)


@pytest.mark.parametrize(("seconds", "speed", "metres"), [
    (5.0, 10.494990, 56.091054), (10.0, 9.286647, 105.441706), (30.0, 6.115985, 256.158628),
])  # fmt: skip
def test_coasting_down_follows_the_closed_form(seconds: float, speed: float, metres: float) -> None:
    # v(t) = sqrt(A/B) tan(atan(v0 sqrt(B/A)) - sqrt(AB) t), A = Crr m g / m_e, B = rho CdA / 2 m_e
    road = plain_road(np.full(40, metres / 40), np.zeros(40))
    got = integrate(rides(power_w=0.0), road, start_m_s=12.0)
    assert float(got.end_speed_m_s[0]) == pytest.approx(speed, rel=1e-4)
    assert float(got.time_s[0]) == pytest.approx(seconds, rel=1e-4)


@pytest.mark.parametrize(("gradient", "speed"), [
    (-0.02, 8.606967), (-0.05, 14.586173), (-0.08, 18.730427),
])  # fmt: skip
def test_rolling_downhill_ends_at_terminal_speed(gradient: float, speed: float) -> None:
    # v = sqrt(2 m g (sin - Crr cos) / (rho CdA))
    road = plain_road(np.full(100, 50.0), np.full(100, gradient))
    got = integrate(rides(power_w=0.0), road, start_m_s=5.0)
    assert float(got.end_speed_m_s[0]) == pytest.approx(speed, rel=1e-5)


def test_steady_climb_ends_at_the_speed_of_balance() -> None:
    got = integrate(rides(), plain_road(np.full(50, 50.0), np.full(50, 0.15)))
    expected = float(steady_speed(rides(), gradient=0.15))
    assert float(got.end_speed_m_s[0]) == pytest.approx(expected, rel=1e-5)


def test_flat_and_calm_is_the_steady_time() -> None:
    road = plain_road(np.full(180, 1000.0), np.zeros(180))
    got = integrate(rides(), road)
    assert float(got.time_s[0]) == pytest.approx(float(flat_time(rides(), 180_000.0)), abs=0.01)


def test_flat_in_wind_from_anywhere_matches_the_steady_average() -> None:
    road = plain_road(np.full(90, 1000.0), np.zeros(90))
    windy = rides(wind_m_s=3.0)
    got = over_directions(windy, road, direction_known=False)
    # The run-in from calm speed to windy speed is all that differs.
    assert float(got.time_s[0]) == pytest.approx(float(flat_time(windy, 90_000.0)), abs=1.5)


def test_energy_is_conserved_along_the_way() -> None:
    n = 400
    gradient = 0.05 * np.sin(np.arange(n) / 15.0)
    road = plain_road(np.full(n, 25.0), gradient)
    got = integrate(rides(), road, keep_speed=True)
    assert got.speed_m_s is not None
    v, along = got.speed_m_s[:, 0], 25.0 * np.sqrt(1 + gradient**2)
    # drag work by Simpson needs the middle: the mean of v^2 is exact enough on 25 m pieces.
    drag = np.sum(0.5 * 1.2 * 0.30 * 0.5 * (v[1:] ** 2 + v[:-1] ** 2) * along)
    rolled = np.sum(0.004 * 85.0 * G / np.sqrt(1 + gradient**2) * along)
    climbed = 85.0 * G * np.sum(gradient * 25.0)
    kinetic = 0.5 * (85.0 + 0.14 / 0.311**2) * (v[-1] ** 2 - v[0] ** 2)
    put_in = 200.0 * float(got.time_s[0])
    assert put_in == pytest.approx(drag + rolled + climbed + kinetic, rel=2e-4)


def test_tightening_the_tolerance_moves_the_time_by_less_than_half_a_second_in_180_km() -> None:
    n = 150
    gradient = 0.04 * np.sin(np.arange(n) / 20.0) + 0.03 * np.sign(np.sin(np.arange(n) / 7.0))
    road = plain_road(np.full(n, 50.0), gradient)
    loose, tight = integrate(rides(), road), integrate(rides(), road, tolerance_s_per_km=0.005)
    assert tight.steps > loose.steps
    assert abs(float(loose.time_s[0] - tight.time_s[0])) < 0.5 * 7.5 / 180.0


def test_limits_are_kept_and_braked_for() -> None:
    length = np.full(40, 25.0)
    limit = np.full(41, np.inf)
    limit[20] = 5.0
    effective = braking_limits(limit, length, 2.0)
    assert effective[19] == pytest.approx(np.sqrt(25.0 + 2 * 2.0 * 25.0))
    got = integrate(
        rides(power_w=300.0),
        replace(plain_road(length, np.zeros(40)), limit_m_s=effective),
        keep_speed=True,
    )
    assert got.speed_m_s is not None
    assert float(got.speed_m_s[20, 0]) == pytest.approx(5.0)
    assert np.all(got.speed_m_s[:, 0] <= effective + 1e-9)
    assert float(got.mean_power_w[0]) < 300.0


def test_where_within_a_stretch_a_limit_is_met_does_not_depend_on_the_stretches() -> None:
    # Rolling down 5 % from 5 m/s until 12 m/s is reached somewhere, and on at 12 m/s.
    def ridden(stretches: int) -> tuple[float, float]:
        road = plain_road(np.full(stretches, 900.0 / stretches), np.full(stretches, -0.05))
        limited = replace(road, limit_m_s=np.full(stretches + 1, 12.0))
        got = integrate(rides(power_w=100.0), limited, start_m_s=5.0)
        return float(got.time_s[0]), float(got.mean_power_w[0])

    exact = ridden(900)
    for stretches in (25, 30, 37, 45):
        time, power = ridden(stretches)
        assert time == pytest.approx(exact[0], rel=2e-4)
        assert power == pytest.approx(exact[1], rel=1e-2)


def test_many_rides_at_once_are_those_rides_one_by_one() -> None:
    road = plain_road(np.full(30, 200.0), 0.03 * np.sin(np.arange(30)))
    cda = np.array([0.22, 0.27, 0.35])
    together = integrate(rides(cda_held_m2=cda), road, tolerance_s_per_km=0.005)
    for k, value in enumerate(cda):
        alone = integrate(rides(cda_held_m2=value), road, tolerance_s_per_km=0.005)
        assert float(together.time_s[k]) == pytest.approx(float(alone.time_s[0]), abs=2e-3)


def test_coming_to_a_standstill_is_an_error() -> None:
    road = plain_road(np.full(10, 100.0), np.full(10, 0.2))
    with pytest.raises(CourseError, match="standstill"):
        integrate(rides(power_w=0.0), road, start_m_s=5.0)
