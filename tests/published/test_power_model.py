"""The power-speed equation against worked examples and records."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq

from cda.forces import (
    aero_force,
    bearing_force,
    effective_mass,
    gravity_force,
    power_at_speed,
    rolling_force,
    speed_at_power,
)

# J. C. Martin, D. L. Milliken, J. E. Cobb, K. L. McFadden, A. R. Coggan, "Validation of a
# mathematical model for road cycling power", J. Appl. Biomech. 14, 276-291, 1998,
# doi 10.1123/jab.14.3.276.  All inputs and the printed total are values from memory: this checks
# the arithmetic of the equation and its units, not the paper.
SPEED = 471.8 / 56.42  # [m/s]
HEADWIND = 2.94 * np.cos(np.radians(340.0 - 310.0))  # [m/s]; crosswind 0: they had none in it
MASS, GRAVITY, GRADIENT = 90.0, 9.81, 0.003
EFFECTIVE_MASS = effective_mass(MASS, 0.14, 0.311)
ACCELERATION = (8.45**2 - 8.28**2) / (2.0 * SPEED * 56.42)  # same kinetic power over 56.42 s
EFFICIENCY = 0.97698


def test_worked_example_of_martin_1998_term_by_term() -> None:
    # Each to half of the last digit of the arithmetic done beforehand (value from memory).
    assert pytest.approx(158.8032, abs=5e-5) == SPEED * aero_force(
        SPEED, HEADWIND, 0.0, 0.2565 + 0.0044, 1.2234
    )
    assert pytest.approx(23.6257, abs=6e-5) == SPEED * rolling_force(
        MASS, 0.0032, GRADIENT, GRAVITY
    )
    assert pytest.approx(1.3693, abs=6e-5) == SPEED * bearing_force(SPEED, 0.091, 0.0087)
    assert pytest.approx(22.1491, abs=6e-5) == SPEED * gravity_force(MASS, GRADIENT, GRAVITY)
    assert pytest.approx(2.3049, abs=6e-5) == SPEED * EFFECTIVE_MASS * ACCELERATION


def test_worked_example_of_martin_1998_total() -> None:
    road = {
        "cda_m2": 0.2565,
        "wheel_drag_area_m2": 0.0044,
        "mass_kg": MASS,
        "density_kg_m3": 1.2234,
        "rolling_resistance": 0.0032,
        "gradient": GRADIENT,
        "headwind_m_s": HEADWIND,
        "efficiency": EFFICIENCY,
        "bearing_drag_n": 0.091,
        "bearing_drag_n_s_m": 0.0087,
        "effective_mass_kg": EFFECTIVE_MASS,
        "acceleration_m_s2": ACCELERATION,
        "gravity_m_s2": GRAVITY,
    }
    power = power_at_speed(SPEED, **road)
    assert power == pytest.approx(213.1592, abs=1e-4)  # by the formula, value from memory
    assert power == pytest.approx(213.3, abs=0.3)  # as printed, value from memory
    assert speed_at_power(power, **road) == pytest.approx(SPEED, rel=1e-12)


# S. Padilla, I. Mujika, F. Angulo, J. J. Goiriena, "Scientific approach to the 1-h cycling world
# record: a case study", J. Appl. Physiol. 89, 1522-1527, 2000: 53 040 m in the hour, drag area
# 0.244 m2 from the tunnel, rider 81 kg, 509.5 W.  The power is the paper's own estimate, not a
# power meter's; bicycle mass, Crr and density are our assumptions.
HOUR_SPEED = 53_040.0 / 3600.0
HOUR_POWER = 509.5


@pytest.mark.parametrize("density", [1.17, 1.20, 1.225])
@pytest.mark.parametrize("crr", [0.0025, 0.003])
@pytest.mark.parametrize("bicycle_kg", [7.0, 8.0])
def test_power_of_the_hour_ride_of_padilla_2000(
    density: float, crr: float, bicycle_kg: float
) -> None:
    road = {"density_kg_m3": density, "rolling_resistance": crr, "mass_kg": 81.0 + bicycle_kg}
    # 5 %: what the assumptions leave open.
    assert power_at_speed(HOUR_SPEED, cda_m2=0.244, **road) == pytest.approx(HOUR_POWER, rel=0.05)
    if density == 1.20:
        drag_area = brentq(
            lambda x: power_at_speed(HOUR_SPEED, cda_m2=x, **road) - HOUR_POWER, 0.1, 0.5
        )
        assert drag_area == pytest.approx(0.245, abs=0.012)


def test_power_of_the_hour_ride_worked_out_before() -> None:
    # Computed beforehand: 506.5 W at density 1.20, Crr 0.003, 88.3 kg.
    power = power_at_speed(
        HOUR_SPEED, cda_m2=0.244, density_kg_m3=1.20, rolling_resistance=0.003, mass_kg=88.3
    )
    assert power == pytest.approx(506.5, abs=0.05)


@pytest.mark.parametrize(
    ("k", "density", "drag_area"),
    [(0.175, 1.225, 0.286), (0.155, 1.225, 0.253), (0.175, 1.02, 0.343), (0.155, 1.02, 0.304)],
)
def test_regression_of_force_on_speed_squared_of_lim_2011(
    k: float, density: float, drag_area: float
) -> None:
    # A. C. Lim et al., "Measuring changes in aerodynamic/rolling resistances by cycle-mounted
    # power meters", Med. Sci. Sports Exerc. 43, 853-860, 2011: force = R_r + k v^2 with k 0.175
    # (hoods), 0.155 (drops) and R_r 4.215 N, at 100 to 400 W in steps of 50 W.
    mass = 80.0
    crr = 4.215 / (mass * 9.80665)
    road = {
        "cda_m2": 2.0 * k / density,
        "mass_kg": mass,
        "density_kg_m3": density,
        "rolling_resistance": crr,
    }
    power = np.arange(100.0, 401.0, 50.0)
    speed = speed_at_power(power, **road)
    slope, intercept = np.polyfit(speed**2, power / speed, 1)
    # The force is the published straight line, so the line gives the published figures back.
    assert slope == pytest.approx(k, rel=1e-9)
    assert intercept == pytest.approx(4.215, rel=1e-9)
    assert 2.0 * slope / density == pytest.approx(drag_area, abs=5.1e-4)  # printed to 3 digits


def test_sensitivities_of_drag_area_to_common_errors() -> None:
    # Computed beforehand: 11 m/s, 85 kg, Crr 0.004, CdA 0.30, density 1.2, P = 276.257 W.  CdA as
    # read back by an analyst whose input is wrong by the step given; printed to 3 digits.
    true = {
        "cda_m2": 0.30,
        "mass_kg": 85.0,
        "density_kg_m3": 1.2,
        "rolling_resistance": 0.004,
    }
    assert power_at_speed(11.0, **true) == pytest.approx(276.257, abs=5e-4)

    def read_back(speed: float = 11.0, scale: float = 1.0, **changed: float) -> float:
        power = scale * power_at_speed(11.0, **true)
        return brentq(
            lambda x: power_at_speed(speed, **(true | changed | {"cda_m2": x})) - power, 0.1, 0.6
        ) - float(true["cda_m2"])

    assert read_back(scale=1.01) == pytest.approx(0.00346, abs=1e-5)
    # The printed figure is the slope: half the difference between 1 % more and 1 % less.
    more, less = read_back(speed=11.0 * 1.01), read_back(speed=11.0 * 0.99)
    assert (more - less) / 2.0 == pytest.approx(-0.00946, abs=1e-5)
    assert read_back(rolling_resistance=0.0041) == pytest.approx(-0.00115, abs=1e-5)
    assert read_back(density_kg_m3=1.212) == pytest.approx(-0.0030, abs=5e-5)
    assert read_back(mass_kg=86.0) == pytest.approx(-0.00054, abs=1e-5)
    # 1 m of height over 1 km that is not known of: weight times 0.001.
    assert read_back(gradient=0.001) == pytest.approx(-0.0115, abs=1e-4)
    # A headwind of 0.1 m/s left out reads 0.0055 too high.
    windy = power_at_speed(11.0, **true, headwind_m_s=0.1)
    high = brentq(lambda x: power_at_speed(11.0, **(true | {"cda_m2": x})) - windy, 0.1, 0.6)
    assert high - 0.30 == pytest.approx(0.0055, abs=5e-5)
