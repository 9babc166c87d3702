"""Forces: root found against an independent solver, round trips, signs, refusals."""

from __future__ import annotations

import time

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

from cda.errors import EstimationError, UnitRangeError
from cda.forces import (
    aero_force,
    bearing_force,
    effective_mass,
    gravity_force,
    power_at_speed,
    rolling_force,
    speed_at_power,
)

RIDER = {"cda_m2": 0.30, "mass_kg": 85.0, "density_kg_m3": 1.2, "rolling_resistance": 0.004}


def plain_power(v: float, c: dict[str, float]) -> float:
    """Power at the crank, written out once more and by angles, for the comparison only."""
    theta = np.arctan(c["gradient"])
    u = v + c["headwind_m_s"]
    drag = 0.5 * c["density_kg_m3"] * (c["cda_m2"] + c["wheel_drag_area_m2"])
    weight = c["mass_kg"] * c["gravity_m_s2"]
    force = (
        drag * (u**2 + c["crosswind_m_s"] ** 2) ** 0.5 * u
        + weight * (c["rolling_resistance"] * np.cos(theta) + np.sin(theta))
        + c["bearing_drag_n"]
        + c["bearing_drag_n_s_m"] * v
        + c["effective_mass_kg"] * c["acceleration_m_s2"]
    )
    return float(v * force / c["efficiency"])


def random_cases(n: int, seed: int) -> dict[str, np.ndarray]:
    rng = np.random.default_rng(seed)
    return {
        "cda_m2": rng.uniform(0.15, 0.6, n),
        "mass_kg": rng.uniform(50, 130, n),
        "density_kg_m3": rng.uniform(0.9, 1.3, n),
        "rolling_resistance": rng.uniform(0.002, 0.012, n),
        "gradient": rng.uniform(-0.12, 0.2, n),
        "headwind_m_s": rng.uniform(-8, 12, n),
        "crosswind_m_s": rng.uniform(-8, 8, n) * (rng.random(n) < 0.7),
        "efficiency": rng.uniform(0.94, 1.0, n),
        "wheel_drag_area_m2": rng.uniform(0, 0.01, n),
        "bearing_drag_n": rng.uniform(0, 0.2, n),
        "bearing_drag_n_s_m": rng.uniform(0, 0.02, n),
        "effective_mass_kg": rng.uniform(130, 135, n),
        "acceleration_m_s2": rng.uniform(-0.3, 0.3, n),
        "gravity_m_s2": rng.uniform(9.78, 9.83, n),
    }


def test_power_is_the_sum_of_the_terms_written_out_by_angles() -> None:
    cases = random_cases(500, 1)
    speed = np.random.default_rng(2).uniform(0.5, 25.0, 500)
    expected = [
        plain_power(float(v), {k: float(x[i]) for k, x in cases.items()})
        for i, v in enumerate(speed)
    ]
    np.testing.assert_allclose(power_at_speed(speed, **cases), expected, rtol=1e-12, atol=1e-9)


def test_speed_agrees_with_brentq_on_thousands_of_cases_or_both_find_none() -> None:
    n = 2500
    cases = random_cases(n, 3)
    power = np.random.default_rng(4).uniform(0.0, 900.0, n)
    compared = refused = 0
    for i in range(n):
        case = {k: float(x[i]) for k, x in cases.items()}
        low = max(0.0, -case["headwind_m_s"])

        def excess(v: float, case: dict[str, float] = case, watts: float = power[i]) -> float:
            return plain_power(v, case) - watts

        # Positive power: one root beyond the tailwind if the road asks less than given there.
        if excess(low) >= 0.0:
            with pytest.raises(EstimationError, match="tailwind"):
                speed_at_power(power[i], **case)
            refused += 1
            continue
        expected = brentq(excess, low, 200.0, xtol=1e-14, rtol=1e-14)
        assert speed_at_power(power[i], **case) == pytest.approx(expected, rel=1e-10, abs=1e-12)
        compared += 1
    assert compared > 2000
    assert refused > 50


def test_arrays_give_the_same_as_scalars_one_by_one() -> None:
    cases = {k: x[:60] for k, x in random_cases(200, 5).items()}
    cases["headwind_m_s"] = np.abs(cases["headwind_m_s"])
    power = np.random.default_rng(6).uniform(20, 500, 60)
    together = speed_at_power(power, **cases)
    alone = [
        speed_at_power(power[i], **{k: float(x[i]) for k, x in cases.items()}) for i in range(60)
    ]
    np.testing.assert_allclose(together, alone, rtol=1e-13)


@given(
    speed=st.floats(0.05, 30.0),
    cda=st.floats(0.05, 0.8),
    mass=st.floats(40.0, 150.0),
    gradient=st.floats(-0.15, 0.25),
    headwind=st.floats(-15.0, 15.0),
    crosswind=st.floats(-15.0, 15.0),
    efficiency=st.floats(0.9, 1.0),
    linear=st.floats(0.0, 0.05),
)
@settings(max_examples=300, deadline=None)
def test_round_trip_from_speed_to_power_and_back(
    speed: float,
    cda: float,
    mass: float,
    gradient: float,
    headwind: float,
    crosswind: float,
    efficiency: float,
    linear: float,
) -> None:
    road = {
        "cda_m2": cda,
        "mass_kg": mass,
        "density_kg_m3": 1.2,
        "rolling_resistance": 0.004,
        "gradient": gradient,
        "headwind_m_s": headwind,
        "crosswind_m_s": crosswind,
        "efficiency": efficiency,
        "bearing_drag_n_s_m": linear,
    }
    power = power_at_speed(speed, **road)
    # Above the tailwind and pushing: that speed is the one root.
    if not 0.01 < power < 3000.0 or speed + headwind <= 0.0:
        return
    assert speed_at_power(power, **road) == pytest.approx(speed, rel=1e-8, abs=1e-9)


@pytest.mark.parametrize(
    ("name", "low", "high", "faster"),
    [
        ("power_w", 150.0, 300.0, True),
        ("cda_m2", 0.2, 0.4, False),
        ("mass_kg", 60.0, 110.0, False),
        ("rolling_resistance", 0.002, 0.008, False),
        ("gradient", -0.05, 0.1, False),
        ("headwind_m_s", -3.0, 6.0, False),
        ("crosswind_m_s", 0.0, 8.0, False),
        ("efficiency", 0.9, 1.0, True),
        ("wheel_drag_area_m2", 0.0, 0.01, False),
        ("bearing_drag_n", 0.0, 0.3, False),
        ("bearing_drag_n_s_m", 0.0, 0.03, False),
        ("acceleration_m_s2", -0.1, 0.2, False),
        ("density_kg_m3", 0.9, 1.3, False),
    ],
)
def test_speed_moves_the_right_way_with_every_input(
    name: str, low: float, high: float, *, faster: bool
) -> None:
    values = {"power_w": 220.0, **RIDER, name: np.linspace(low, high, 40)}
    steps = np.diff(speed_at_power(values.pop("power_w"), **values))
    assert np.all(steps > 0.0) if faster else np.all(steps < 0.0)


def test_signs_of_the_terms() -> None:
    # A tailwind faster than the rider pushes; wind from ahead at rest holds back.
    assert aero_force(3.0, -5.0, 0.0, 0.3, 1.2) == pytest.approx(-0.5 * 1.2 * 0.3 * 4.0)
    assert aero_force(0.0, 5.0, 0.0, 0.3, 1.2) == pytest.approx(0.5 * 1.2 * 0.3 * 25.0)
    # Crosswind is drag even where there is no wind along the road: V_a u = sqrt(u^2 + c^2) u.
    assert aero_force(3.0, 0.0, 4.0, 0.3, 1.2) == pytest.approx(0.5 * 1.2 * 0.3 * 15.0)
    assert aero_force(3.0, 0.0, -4.0, 0.3, 1.2) == aero_force(3.0, 0.0, 4.0, 0.3, 1.2)
    assert gravity_force(80.0, 0.75, 10.0) == pytest.approx(480.0)  # 3-4-5 triangle
    assert rolling_force(80.0, 0.01, 0.75, 10.0) == pytest.approx(6.4)
    assert rolling_force(80.0, 0.01, -0.75, 10.0) == pytest.approx(6.4)
    assert bearing_force(10.0, 0.091, 0.0087) == pytest.approx(0.178)
    assert effective_mass(90.0, 0.14, 0.311) == pytest.approx(91.447, abs=5e-4)


def test_freewheeling_down_a_hill_is_the_terminal_speed_and_braking_is_slower() -> None:
    down = RIDER | {"gradient": -0.05}
    # Closed form: m g (sin - Crr cos) = rho CdA v^2 / 2.
    theta = np.arctan(0.05)
    force = 85.0 * 9.80665 * (np.sin(theta) - 0.004 * np.cos(theta))
    terminal = np.sqrt(force / (0.5 * 1.2 * 0.30))
    assert speed_at_power(0.0, **down) == pytest.approx(terminal, rel=1e-12)
    braked = speed_at_power(-150.0, **down)
    assert braked < terminal
    assert power_at_speed(braked, **down) == pytest.approx(-150.0, rel=1e-10)
    # The descent gives at most force * v at v = terminal / sqrt(3), less drag: two thirds of it.
    most = force * terminal / np.sqrt(3) * 2.0 / 3.0
    assert speed_at_power(-most * 0.9999, **down) == pytest.approx(terminal / np.sqrt(3), rel=0.02)
    with pytest.raises(EstimationError, match="less braking"):
        speed_at_power(-most * 1.0001, **down)


def test_power_below_zero_is_divided_by_efficiency_too() -> None:
    down = RIDER | {"gradient": -0.08}
    at_wheel = power_at_speed(10.0, **down)
    assert at_wheel < 0.0
    assert power_at_speed(10.0, **down, efficiency=0.97) == pytest.approx(at_wheel / 0.97)


def test_no_power_on_a_flat_road_and_a_tailwind_faster_than_the_rider_are_refused() -> None:
    with pytest.raises(EstimationError, match="no speed above zero"):
        speed_at_power(0.0, **RIDER)
    with pytest.raises(EstimationError, match="1 of 3 cases"):
        speed_at_power([200.0, 0.0, 100.0], **RIDER)
    # 20 W against 3.33 N of tyres: at most 6 m/s, less than a wind of 8 m/s from behind.
    with pytest.raises(EstimationError, match="tailwind"):
        speed_at_power(20.0, **RIDER, headwind_m_s=-8.0)
    with pytest.raises(EstimationError, match="drag area"):
        speed_at_power(200.0, **(RIDER | {"cda_m2": 0.0}))


def test_tiny_power_into_a_gale_keeps_its_digits() -> None:
    # v = P / F(0) to first order; the closed root alone would lose all digits here.
    force = 0.5 * 1.2 * 0.30 * 400.0 + 0.004 * 85.0 * 9.80665
    assert speed_at_power(1e-6, **RIDER, headwind_m_s=20.0) == pytest.approx(1e-6 / force, rel=1e-6)


def test_scalars_come_back_as_float_and_arrays_broadcast() -> None:
    assert type(power_at_speed(10, **RIDER)) is float
    assert type(speed_at_power(200, **RIDER)) is float
    grid = speed_at_power(
        np.array([[150.0], [250.0]]), **(RIDER | {"cda_m2": np.array([0.25, 0.3, 0.35])})
    )
    assert grid.shape == (2, 3)
    assert power_at_speed(grid, **(RIDER | {"cda_m2": np.array([0.25, 0.3, 0.35])})).shape == (2, 3)
    assert speed_at_power(np.empty(0), **RIDER).shape == (0,)


@pytest.mark.parametrize(
    ("wrong", "text"),
    [
        ({"mass_kg": 850.0}, "mass_kg = 850"),
        ({"mass_kg": 8.5}, "mass_kg = 8.5"),
        ({"density_kg_m3": 1200.0}, "air_density"),
        ({"rolling_resistance": 0.4}, "0.004, not 0.4 %"),
        ({"gradient": 5.0}, "0.05 for 5 %"),
        ({"efficiency": 97.6}, "0.976 for 97.6 %"),
        ({"cda_m2": np.nan}, "cda_m2 = nan"),
        ({"headwind_m_s": np.inf}, "headwind_m_s = inf"),
    ],
)
def test_values_in_another_unit_are_refused_with_the_unit_wanted(
    wrong: dict[str, float], text: str
) -> None:
    with pytest.raises(UnitRangeError, match=text):
        power_at_speed(10.0, **(RIDER | wrong))
    with pytest.raises(UnitRangeError, match=text):
        speed_at_power(200.0, **(RIDER | wrong))


def test_a_hundred_thousand_speeds_take_no_python_loop() -> None:
    # It takes 0.03 s alone on a desktop, a loop 30 s; the bound leaves room for a busy machine.
    power = np.random.default_rng(7).uniform(50, 400, 100_000)
    start = time.perf_counter()
    speed_at_power(power, **RIDER, headwind_m_s=1.0, crosswind_m_s=2.0, gradient=0.01)
    assert time.perf_counter() - start < 2.0
