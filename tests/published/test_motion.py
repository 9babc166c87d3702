"""Coast-down, steady and terminal speed against closed forms that need no fit.

Values computed beforehand by the closed forms written out here: mass 85 kg, wheels 0.14 kg m2 at
0.311 m (effective 86.447462 kg), Crr 0.004, CdA 0.30, density 1.2, g 9.80665.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from cda.forces import aero_force, effective_mass, rolling_force, speed_at_power

RIDER = {"cda_m2": 0.30, "mass_kg": 85.0, "density_kg_m3": 1.2, "rolling_resistance": 0.004}
GRAVITY = 9.80665
EFFECTIVE_MASS = effective_mass(85.0, 0.14, 0.311)


def coast(until_s: float) -> tuple[float, float]:
    """Integrate the forces of the package from 12 m/s without power; speed and distance."""

    def motion(_t: float, state: np.ndarray) -> list[float]:
        speed = state[0]
        force = aero_force(speed, 0.0, 0.0, 0.30, 1.2) + rolling_force(85.0, 0.004, 0.0, GRAVITY)
        return [-force / EFFECTIVE_MASS, speed]

    solution = solve_ivp(motion, (0.0, until_s), [12.0, 0.0], rtol=1e-10, atol=1e-10)
    return float(solution.y[0, -1]), float(solution.y[1, -1])


def test_effective_mass_of_the_wheels() -> None:
    assert pytest.approx(86.447462, abs=5e-7) == EFFECTIVE_MASS


@pytest.mark.parametrize(
    ("time_s", "speed", "distance"),
    [
        (5.0, 10.494990, 56.091054),
        (10.0, 9.286647, 105.441706),
        (30.0, 6.115985, 256.158628),
    ],
)
def test_coast_down_closed_form(time_s: float, speed: float, distance: float) -> None:
    # v(t) = sqrt(A/B) tan(atan(v0 sqrt(B/A)) - sqrt(A B) t), s = ln[(A + B v0^2)/(A + B v^2)]/2B
    a = 0.004 * 85.0 * GRAVITY / EFFECTIVE_MASS
    b = 0.5 * 1.2 * 0.30 / EFFECTIVE_MASS
    closed = np.sqrt(a / b) * np.tan(np.arctan(12.0 * np.sqrt(b / a)) - np.sqrt(a * b) * time_s)
    way = np.log((a + b * 144.0) / (a + b * closed**2)) / (2.0 * b)
    assert (closed, way) == pytest.approx((speed, distance), abs=1e-6)
    assert coast(time_s) == pytest.approx((speed, distance), abs=2e-6)


def test_coast_down_stops_where_and_when_it_should() -> None:
    # 136.854 s, 521.512 m; within the last millisecond the speed is what is left to lose.
    speed, distance = coast(136.853)
    assert speed == pytest.approx(0.0386 * 0.001, abs=1e-4)
    assert distance == pytest.approx(521.512, abs=1e-3)


@pytest.mark.parametrize(("power", "speed"), [(200.0, 9.761991), (250.0, 10.604278)])
def test_steady_speed_on_the_flat(power: float, speed: float) -> None:
    assert speed_at_power(power, **RIDER) == pytest.approx(speed, abs=5.1e-7)


@pytest.mark.parametrize(
    ("gradient", "speed"), [(-0.02, 8.606967), (-0.05, 14.586173), (-0.08, 18.730427)]
)
def test_terminal_speed_downhill(gradient: float, speed: float) -> None:
    assert speed_at_power(0.0, gradient=gradient, **RIDER) == pytest.approx(speed, abs=5.1e-7)
