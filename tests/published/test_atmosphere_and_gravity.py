"""Standard atmosphere and normal gravity against their tables."""

from __future__ import annotations

import numpy as np
import pytest

from cda.air import normal_gravity, standard_pressure_ratio, station_pressure

# ISO 2533:1975 = ICAO Doc 7488/3, geometric altitude [m], pressure [Pa]: ambiance 1.3.1 and
# fluids 1.3.1, computed, which agree with each other to 2e-6.
STANDARD_ATMOSPHERE = np.array(
    [
        (-500, 107_478.0),
        (0, 101_325.000),
        (100, 100_129.46),
        (250, 98_357.65),
        (500, 95_461.29),
        (1000, 89_876.28),
        (1500, 84_559.67),
        (2000, 79_501.41),
        (2300, 76_586.39),
    ]
)
# WGS84 normal gravity by Somigliana's formula: latitude [deg], at the ellipsoid, at 1000 m by the
# second-order expansion (NIMA TR8350.2 eqs. 4-1, 4-3).  Constants read in two geodesy libraries
# (k from memory), values computed.
NORMAL_GRAVITY = np.array(
    [
        (0, 9.78032534, 9.77723837),
        (15, 9.78378496, 9.78069828),
        (30, 9.79324727, 9.79016137),
        (40, 9.80169686, 9.79861166),
        (45, 9.80619777, 9.80311294),
        (50, 9.81070214, 9.80761768),
        (52, 9.81247408, 9.80938977),
        (60, 9.81917695, 9.81609321),
        (90, 9.83218494, 9.82910227),
    ]
)


def test_pressure_of_the_standard_atmosphere() -> None:
    height, pressure = STANDARD_ATMOSPHERE.T
    # 2e-6 between the two libraries that made the table.
    np.testing.assert_allclose(101_325.0 * standard_pressure_ratio(height), pressure, rtol=2e-6)
    np.testing.assert_allclose(station_pressure(101_325.0, height), pressure, rtol=2e-6)


def test_geopotential_height_is_told_from_geometric_height() -> None:
    # Printed for 1000 m geopotential: 8.9875e4 Pa (documentation of MathWorks atmosisa, R2021a).
    geometric = 6_356_766.0 * 1000.0 / (6_356_766.0 - 1000.0)
    assert 101_325.0 * float(standard_pressure_ratio(geometric)) == pytest.approx(89_875.0, abs=0.5)


def test_normal_gravity_table() -> None:
    latitude, on_ellipsoid, at_1000_m = NORMAL_GRAVITY.T
    # Half of the last printed digit.
    np.testing.assert_allclose(normal_gravity(latitude), on_ellipsoid, atol=0.6e-8, rtol=0)
    np.testing.assert_allclose(normal_gravity(latitude, 1000.0), at_1000_m, atol=0.6e-8, rtol=0)


def test_normal_gravity_at_the_pole_as_defined() -> None:
    # WGS84 gamma_p, a derived constant of TR8350.2.
    assert normal_gravity(90.0) == pytest.approx(9.8321849378, abs=1e-9)


def test_normal_gravity_printed_elsewhere() -> None:
    # 55 degrees, 5000 m: 9.7997 (documentation of MathWorks gravitywgs84), printed to 1e-4.
    assert normal_gravity(55.0, 5000.0) == pytest.approx(9.7997, abs=5e-5)
