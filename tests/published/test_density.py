"""Density of moist air against the formula's authors, other libraries and the standard atmosphere.

CIPM-2007: A. Picard, R. S. Davis, M. Gläser, K. Fujii, "Revised formula for the density of moist
air (CIPM-2007)", Metrologia 45, 149-155, 2008, doi 10.1088/0026-1394/45/2/004.  The paper prints no
check values that we know of.
"""

from __future__ import annotations

import numpy as np
import psychrolib
import pytest

from cda.air import air_density, moist_air_density, saturation_vapour_pressure

# temperature [degC], pressure [hPa], relative humidity [-]
STATES = np.array(
    [
        (0, 1030, 0),
        (5, 700, 0.20),
        (15, 1013.25, 0),
        (20, 1013.25, 0),
        (20, 1013.25, 0.50),
        (30, 1000, 1.00),
        (40, 1013.25, 0.30),
    ]
)
# Computed from the published constants, independently of this package, to five decimals.
CIPM = np.array([1.31444, 0.87622, 1.22552, 1.20456, 1.19931, 1.13112, 1.11813])
# Computed, CoolProp 8.0.0 HAPropsSI: a reference equation of state (virial), not CIPM's.
COOLPROP = np.array([1.31448, 0.87625, 1.22557, 1.20460, 1.19936, 1.13116, 1.11817])
# CIPM-2007 eq. A1.1, computed [Pa].
SATURATION_PA = np.array([611.213, 872.534, 1705.669, 2339.163, 2339.163, 4246.799, 7384.824])


def test_density_agrees_with_the_cipm_2007_table() -> None:
    # Half of the last printed digit.
    np.testing.assert_allclose(air_density(*STATES.T), CIPM, atol=0.5001e-5, rtol=0)


def test_saturation_vapour_pressure_agrees_with_cipm_2007() -> None:
    np.testing.assert_allclose(
        saturation_vapour_pressure(STATES[:, 0] + 273.15), SATURATION_PA, atol=0.5001e-3, rtol=0
    )


def test_density_agrees_with_a_reference_equation_of_state_outside_the_stated_range_too() -> None:
    # 1e-4: CIPM-2007 stands for 15 to 27 degC; from 0 to 40 degC both are within 4e-5.
    np.testing.assert_allclose(air_density(*STATES.T), COOLPROP, rtol=1e-4)


@pytest.mark.parametrize("temperature_c", [-20.0, -5.0, 10.0, 25.0, 40.0, 50.0])
@pytest.mark.parametrize("pressure_hpa", [600.0, 800.0, 1013.25, 1080.0])
@pytest.mark.parametrize("humidity", [0.0, 0.5, 1.0])
def test_density_agrees_with_psychrolib_over_all_outdoor_air(
    temperature_c: float, pressure_hpa: float, humidity: float
) -> None:
    psychrolib.SetUnitSystem(psychrolib.SI)
    pressure_pa = pressure_hpa * 100.0
    ratio = psychrolib.GetHumRatioFromRelHum(temperature_c, humidity, pressure_pa)
    expected = psychrolib.GetMoistAirDensity(temperature_c, ratio, pressure_pa)
    # PsychroLib 2.5.0 (ASHRAE Handbook 2017 ch. 1) is an ideal gas: 2e-4 to 7e-4 low for want of
    # Z (grows in the cold) up to 25 degC; 1e-3 covers its saturation over ice and in heat.
    assert air_density(temperature_c, pressure_hpa, humidity) == pytest.approx(expected, rel=1e-3)


def test_density_agrees_with_the_oiml_approximation() -> None:
    # OIML R 111-1 (2004) eq. E.3.1 (formula and claim from memory): (0.34848 p - 0.009 h
    # e^(0.061 t)) / (273.15 + t), p in hPa, h in per cent, stated to 2e-4 in 900-1100 hPa,
    # 10-30 degC, h < 80 %.  Taken as a standard uncertainty, hence 1.5 times: CIPM-2007 is up to
    # 2.9e-4 above it in cold moist air.
    t, p, h = np.meshgrid(
        [10.0, 15.0, 20.0, 25.0, 30.0], [900.0, 1000.0, 1100.0], [0.0, 50.0, 79.0]
    )
    expected = (0.34848 * p - 0.009 * h * np.exp(0.061 * t)) / (273.15 + t)
    np.testing.assert_allclose(air_density(t, p, h / 100.0), expected, rtol=3e-4)


def test_sensitivities_at_twenty_degrees() -> None:
    # Computed: +1 degC -0.368 %, +1 hPa +0.0991 %, +10 % humidity -0.0874 %; printed to 3 digits,
    # one-sided or two-sided difference within 2 %.
    here = air_density()
    assert (air_density(21.0) - here) / here == pytest.approx(-0.00368, rel=0.02)
    assert (air_density(20.0, 1014.25) - here) / here == pytest.approx(0.000991, rel=0.01)
    assert (air_density(20.0, 1013.25, 0.6) - here) / here == pytest.approx(-0.000874, rel=0.01)


def test_dry_density_follows_the_standard_atmosphere() -> None:
    # ISO 2533:1975, geometric altitude 0, 1000, 2000 m (ambiance 1.3.1, fluids 1.3.1, computed).
    # The standard is an ideal gas with R = 287.05287: a real gas is 1/Z heavier, 3e-4 to 4e-4.
    temperature_k = np.array([288.1500, 281.6510, 275.1541])
    pressure_pa = np.array([101_325.0, 89_876.28, 79_501.41])
    ideal = np.array([1.225000, 1.111660, 1.006554])
    ratio = moist_air_density(temperature_k, pressure_pa) / ideal
    assert np.all((ratio > 1.0003) & (ratio < 1.0005))
