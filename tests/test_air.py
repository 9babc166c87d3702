"""Air and gravity: units refused, uncertainty by first order, pressure and wind with height.

Values against published tables and other libraries are in tests/published/.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cda.air import (
    FORMULA_RELATIVE_SE,
    air_density,
    air_density_with_uncertainty,
    check_station_pressure,
    moist_air_density,
    normal_gravity,
    standard_pressure_ratio,
    station_pressure,
    wind_at_height,
)
from cda.errors import UnitRangeError


def test_density_broadcasts_and_a_scalar_comes_back_as_float() -> None:
    assert type(air_density(15, 1000, 0.4)) is float
    grid = air_density(np.array([[0.0], [20.0]]), np.array([900.0, 1000.0, 1013.25]), 0.5)
    assert grid.shape == (2, 3)
    assert grid[1, 2] == air_density()
    np.testing.assert_allclose(moist_air_density(293.15, 101_325.0, 0.5), air_density(), rtol=1e-15)


@given(
    temperature=st.floats(-19.0, 49.0),
    pressure=st.floats(500.0, 1099.0),
    humidity=st.floats(0, 0.99),
)
def test_air_is_lighter_when_warmer_moister_or_at_lower_pressure(
    temperature: float, pressure: float, humidity: float
) -> None:
    here = air_density(temperature, pressure, humidity)
    assert air_density(temperature + 1.0, pressure, humidity) < here
    assert air_density(temperature, pressure + 1.0, humidity) > here
    assert air_density(temperature, pressure, humidity + 0.01) < here


@pytest.mark.parametrize(
    ("wrong", "text"),
    [
        ({"temperature_c": 293.15}, r"looks like kelvin(.|\n)*give 20\.0 "),
        ({"temperature_c": 68.0}, r"looks like degrees Fahrenheit(.|\n)*give 20\.0 "),
        ({"temperature_c": -40.0}, "not outdoor air"),
        ({"temperature_c": np.nan}, "not outdoor air"),
        ({"temperature_c": [10.0, 20.0, 300.0]}, "300 °C"),
        ({"pressure_hpa": 101_325.0}, r"looks like Pa(.|\n)*give 1013\.2"),
        ({"pressure_hpa": 101.325}, r"looks like kPa(.|\n)*give 1013\.2"),
        ({"pressure_hpa": 29.92}, r"looks like inches of mercury(.|\n)*give 1013\.2"),
        ({"pressure_hpa": 1.01325}, "not outdoor air"),
        ({"pressure_hpa": np.nan}, "not outdoor air"),
        ({"relative_humidity": 70.0}, "0.7 for 70 %"),
        ({"relative_humidity": -0.1}, "between 0 and 1"),
    ],
)
def test_values_in_another_unit_are_named_and_converted_in_the_advice(
    wrong: dict[str, float], text: str
) -> None:
    with pytest.raises(UnitRangeError, match=text):
        air_density(**wrong)


def test_the_core_refuses_celsius_and_hectopascal() -> None:
    with pytest.raises(UnitRangeError, match=r"temperature_c \+ 273.15"):
        moist_air_density(20.0, 101_325.0)
    with pytest.raises(UnitRangeError, match=r"pressure_hpa \* 100"):
        moist_air_density(293.15, 1013.25)


def test_a_pressure_in_mmhg_is_found_where_the_height_is_known() -> None:
    check_station_pressure(1030.0, 30.0)
    check_station_pressure(760.0, 2300.0)
    with pytest.raises(UnitRangeError, match=r"mmHg(.|\n)*give 1013\.2"):
        check_station_pressure(760.0, 30.0)
    with pytest.raises(UnitRangeError, match=r"reduced to sea level(.|\n)*sea_level_pressure_hpa"):
        check_station_pressure(1020.0, 800.0)


def test_uncertainty_agrees_with_drawing_the_readings_at_random() -> None:
    # GUM first order against JCGM 101 Monte Carlo; the formula's own part is added to the draws.
    given_values = {"temperature_c": 24.0, "pressure_hpa": 990.0, "relative_humidity": 0.6}
    result = air_density_with_uncertainty(
        **given_values, temperature_sd_c=0.8, pressure_sd_hpa=1.5, relative_humidity_sd=0.1
    )
    rng = np.random.default_rng(11)
    n = 100_000
    draws = air_density(
        rng.normal(24.0, 0.8, n), rng.normal(990.0, 1.5, n), rng.normal(0.6, 0.1, n).clip(0, 1)
    ) * (1 + FORMULA_RELATIVE_SE * rng.standard_normal(n))
    # The standard deviation of n draws is good to 1 / sqrt(2 n) = 0.22 %.
    assert result.se_kg_m3 == pytest.approx(np.std(draws), rel=0.01)
    assert result.density_kg_m3 == air_density(**given_values)


def test_contributions_have_the_sign_of_the_sensitivity_and_add_up_in_squares() -> None:
    result = air_density_with_uncertainty(
        temperature_sd_c=1.0, pressure_sd_hpa=1.0, relative_humidity_sd=0.1
    )
    parts = result.contributions_kg_m3
    assert parts["temperature_c"] < 0.0 < parts["pressure_hpa"]
    assert parts["relative_humidity"] < 0.0
    assert sum(p**2 for p in parts.values()) == pytest.approx(result.se_kg_m3**2, rel=1e-12)
    # Each alone, as a finite difference of the public function.
    assert parts["temperature_c"] == pytest.approx(
        (air_density(20.5) - air_density(19.5)), rel=1e-4
    )


def test_exact_readings_leave_the_uncertainty_of_the_formula() -> None:
    result = air_density_with_uncertainty(
        relative_humidity=0.0, temperature_sd_c=0.0, pressure_sd_hpa=0.0, relative_humidity_sd=0.0
    )
    assert result.se_kg_m3 == pytest.approx(22e-6 * result.density_kg_m3)
    with pytest.raises(UnitRangeError, match="uncertainty of -1"):
        air_density_with_uncertainty(
            temperature_sd_c=-1.0, pressure_sd_hpa=0.0, relative_humidity_sd=0.0
        )
    with pytest.raises(UnitRangeError, match="uncertainty of nan"):
        air_density_with_uncertainty(
            temperature_sd_c=np.nan, pressure_sd_hpa=0.0, relative_humidity_sd=0.0
        )


def test_station_pressure_is_the_sea_level_pressure_times_the_standard_ratio() -> None:
    assert standard_pressure_ratio(0.0) == 1.0
    assert station_pressure(102_000.0, 0.0) == 102_000.0
    assert station_pressure(102_000.0, 500.0) == pytest.approx(
        102_000.0 * float(standard_pressure_ratio(500.0))
    )
    # Hydrostatics near the ground: dp = -rho g dh with the standard density 1.225.
    assert 101_325.0 * (1 - float(standard_pressure_ratio(1.0))) == pytest.approx(
        1.225 * 9.80665, rel=2e-4
    )
    with pytest.raises(UnitRangeError, match=r"sea_level_pressure_hpa \* 100"):
        station_pressure(1013.25, 100.0)
    with pytest.raises(UnitRangeError, match="no road"):
        station_pressure(101_325.0, 20_000.0)


def test_gravity_falls_with_height_by_the_free_air_gradient() -> None:
    # Free-air gradient 3.086e-6 per second squared at 45 degrees (common textbook value).
    gradient = (normal_gravity(45.0, 100.0) - normal_gravity(45.0)) / 100.0
    assert gradient == pytest.approx(-3.086e-6, rel=1e-3)
    assert normal_gravity(-30.0) == normal_gravity(30.0)
    assert normal_gravity([0.0, 90.0]).shape == (2,)
    with pytest.raises(UnitRangeError, match="latitude of 91"):
        normal_gravity(91.0)


def test_wind_is_scaled_down_but_never_up_and_zero_stays_zero() -> None:
    at = {"target_height_m": 1.2, "roughness_m": 0.03}
    assert wind_at_height(4.0, reading_height_m=10.0, **at) == pytest.approx(
        4.0 * np.log(1.2 / 0.03) / np.log(10.0 / 0.03)
    )
    assert wind_at_height(4.0, reading_height_m=1.2, **at) == 4.0
    assert wind_at_height(4.0, reading_height_m=0.8, **at) == 4.0
    assert wind_at_height(0.0, reading_height_m=10.0, **at) == 0.0
    assert wind_at_height([1.0, 2.0], reading_height_m=10.0, **at).shape == (2,)


def test_wind_among_obstacles_is_refused_and_says_why() -> None:
    with pytest.raises(UnitRangeError, match=r"12 roughness lengths(.|\n)*rider height") as caught:
        wind_at_height(3.0, reading_height_m=10.0, target_height_m=1.2, roughness_m=0.1)
    assert "below 20" in str(caught.value)
    # 20 lengths exactly is allowed; so is any roughness where nothing has to be scaled.
    wind_at_height(3.0, reading_height_m=10.0, target_height_m=1.2, roughness_m=0.06)
    assert wind_at_height(3.0, reading_height_m=1.0, target_height_m=1.2, roughness_m=0.5) == 3.0


@pytest.mark.parametrize(
    ("wrong", "text"),
    [
        ({"speed_m_s": -1.0}, "wind speed of -1"),
        ({"speed_m_s": 100.0}, "km/h"),
        ({"reading_height_m": 0.0}, "reading_height_m"),
        ({"target_height_m": -1.2}, "target_height_m"),
        ({"roughness_m": 0.0}, "roughness_m"),
        ({"roughness_m": np.nan}, "roughness_m"),
    ],
)
def test_impossible_winds_and_heights_are_refused(wrong: dict[str, float], text: str) -> None:
    values = {
        "speed_m_s": 3.0,
        "reading_height_m": 10.0,
        "target_height_m": 1.2,
        "roughness_m": 0.03,
    }
    with pytest.raises(UnitRangeError, match=text):
        wind_at_height(**(values | wrong))
