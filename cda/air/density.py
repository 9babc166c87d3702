"""Density of moist air, with the uncertainty that the readings give it.

SI inside; only `air_density`, the public surface, and its partner with uncertainty speak degrees
Celsius and hPa.  Pressure is the pressure at the road, not reduced to sea level.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, overload

import numpy as np

from cda.air.ranges import as_given, require_range
from cda.errors import UnitRangeError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import ArrayLike, NDArray

CELSIUS_ZERO_K: Final = 273.15  # [K] exact
HPA: Final = 100.0  # [Pa] exact
INHG_HPA: Final = 33.863_9  # [hPa] inch of mercury

# CIPM-2007, Picard et al. 2008: gas constant of CODATA 2006, as the formula was fitted with it.
GAS_CONSTANT: Final = 8.314_472  # [J/(mol K)]
MOLAR_MASS_DRY_AIR: Final = 28.965_46e-3  # [kg/mol] at 400 ppm CO2
MOLAR_MASS_WATER: Final = 18.015_28e-3  # [kg/mol]
_SATURATION: Final = (1.237_884_7e-5, -1.912_131_6e-2, 33.937_110_47, -6.343_164_5e3)
_ENHANCEMENT: Final = (1.000_62, 3.14e-8, 5.6e-7)  # [-], [1/Pa], [1/K^2]
_Z_A: Final = (1.581_23e-6, -2.933_1e-8, 1.104_3e-10)
_Z_B: Final = (5.707e-6, -2.051e-8)
_Z_C: Final = (1.989_8e-4, -2.376e-6)
_Z_D: Final = 1.83e-11
_Z_E: Final = -0.765e-8
FORMULA_RELATIVE_SE: Final = 22e-6  # [-] of the formula itself, inputs exact

TEMPERATURE_RANGE_C: Final = (-20.0, 50.0)  # [degC] outdoor air
PRESSURE_RANGE_HPA: Final = (500.0, 1100.0)  # [hPa] below 5500 m


def _temperature_c(values: ArrayLike, where: str) -> NDArray[np.float64]:
    low, high = TEMPERATURE_RANGE_C
    array = np.asarray(values, dtype=np.float64)
    outside = array[~((array >= low) & (array <= high))]
    if outside.size == 0:
        return array
    bad = float(outside.flat[0])
    text = f"a temperature of {bad:g} °C is not outdoor air ({low:g} to {high:g} °C)"
    fix = "give the air temperature in degrees Celsius"
    if low <= bad - CELSIUS_ZERO_K <= high:
        text, fix = text + "; it looks like kelvin", f"give {bad - CELSIUS_ZERO_K:.1f} (°C)"
    elif high < bad <= 122.0:
        celsius = (bad - 32.0) / 1.8
        text, fix = text + "; it looks like degrees Fahrenheit", f"give {celsius:.1f} (°C)"
    raise UnitRangeError(text, where=where, fix=fix)


def _pressure_hpa(values: ArrayLike, where: str) -> NDArray[np.float64]:
    low, high = PRESSURE_RANGE_HPA
    array = np.asarray(values, dtype=np.float64)
    outside = array[~((array >= low) & (array <= high))]
    if outside.size == 0:
        return array
    bad = float(outside.flat[0])
    text = f"a pressure of {bad:g} hPa is not outdoor air ({low:g} to {high:g} hPa)"
    fix = "give the pressure at the road in hPa (the same as mbar)"
    for factor, name in ((0.01, "Pa"), (10.0, "kPa"), (INHG_HPA, "inches of mercury")):
        if low <= bad * factor <= high:
            text, fix = text + f"; it looks like {name}", f"give {bad * factor:.1f} (hPa)"
            break
    raise UnitRangeError(text, where=where, fix=fix)


def _relative_humidity(values: ArrayLike, where: str) -> NDArray[np.float64]:
    return require_range(
        values,
        0.0,
        1.0,
        what="a relative humidity of {:g} is not between 0 and 1",
        where=where,
        fix="give it as a share: 0.7 for 70 %",
    )


def saturation_vapour_pressure(temperature_k: ArrayLike) -> NDArray[np.float64]:
    """Compute the saturation vapour pressure over water, without range checks.

    Parameters
    ----------
    temperature_k : array_like, shape (...)
        Air temperature. [K]

    Returns
    -------
    pressure : ndarray, shape (...)
        [Pa]

    References
    ----------
    Eq. A1.1 of CIPM-2007, see `moist_air_density`.
    """
    t = np.asarray(temperature_k, dtype=np.float64)
    a, b, c, d = _SATURATION
    return np.asarray(np.exp((a * t + b) * t + c + d / t), dtype=np.float64)


def _density(
    t: NDArray[np.float64], p: NDArray[np.float64], humidity: NDArray[np.float64]
) -> NDArray[np.float64]:
    celsius = t - CELSIUS_ZERO_K
    alpha, beta, gamma = _ENHANCEMENT
    enhancement = alpha + beta * p + gamma * celsius**2
    x = humidity * enhancement * saturation_vapour_pressure(t) / p
    virial = (
        _Z_A[0]
        + (_Z_A[1] + _Z_A[2] * celsius) * celsius
        + (_Z_B[0] + _Z_B[1] * celsius) * x
        + (_Z_C[0] + _Z_C[1] * celsius) * x**2
    )
    p_over_t = p / t
    compressibility = 1.0 - p_over_t * virial + p_over_t**2 * (_Z_D + _Z_E * x**2)
    mixture = 1.0 - x * (1.0 - MOLAR_MASS_WATER / MOLAR_MASS_DRY_AIR)
    return np.asarray(p_over_t * MOLAR_MASS_DRY_AIR / (compressibility * GAS_CONSTANT) * mixture)


def moist_air_density(
    temperature_k: ArrayLike, pressure_pa: ArrayLike, relative_humidity: ArrayLike = 0.0
) -> NDArray[np.float64]:
    r"""Compute the density of moist air as a real gas (CIPM-2007).

    Parameters
    ----------
    temperature_k : array_like, shape (...)
        Air temperature, 253.15 to 323.15. [K]
    pressure_pa : array_like, shape (...)
        Pressure at the road, not reduced to sea level, 50 000 to 110 000. [Pa]
    relative_humidity : array_like, shape (...), default 0.0
        0 is dry air, 1 is saturated. [-]

    Returns
    -------
    density : ndarray, shape (...)
        Broadcast over the three inputs. [kg/m^3]

    Raises
    ------
    UnitRangeError
        If an input is outside its range, which is what °C, hPa or per cent look like.

    Notes
    -----
    .. math:: \rho = \frac{p M_a}{Z R T} \left[1 - x_v \left(1 - M_v / M_a\right)\right]

    Stated for 600 to 1100 hPa and 15 to 27 °C with a relative standard uncertainty of 22e-6.
    Outside, from -20 to 50 °C, it stays within 1e-4 of a reference equation of state
    (tests/published/test_density.py).

    References
    ----------
    .. [1] A. Picard, R. S. Davis, M. Gläser and K. Fujii, "Revised formula for the density of
       moist air (CIPM-2007)", Metrologia 45, 149-155, 2008.
       :doi:`10.1088/0026-1394/45/2/004`
    """
    where = "moist_air_density"
    t_low, t_high = (c + CELSIUS_ZERO_K for c in TEMPERATURE_RANGE_C)
    t = require_range(
        temperature_k,
        t_low - 1e-9,
        t_high + 1e-9,
        what="a temperature of {:g} K is not outdoor air",
        where=where,
        fix="pass kelvin: temperature_c + 273.15",
    )
    p_low, p_high = (p * HPA for p in PRESSURE_RANGE_HPA)
    p = require_range(
        pressure_pa,
        p_low * (1 - 1e-12),
        p_high * (1 + 1e-12),
        what="a pressure of {:g} Pa is not outdoor air",
        where=where,
        fix="pass pascal: pressure_hpa * 100",
    )
    return _density(t, p, _relative_humidity(relative_humidity, where))


@overload
def air_density(
    temperature_c: float = ..., pressure_hpa: float = ..., relative_humidity: float = ...
) -> float: ...
@overload
def air_density(
    temperature_c: ArrayLike = ...,
    pressure_hpa: ArrayLike = ...,
    relative_humidity: ArrayLike = ...,
) -> float | NDArray[np.float64]: ...
def air_density(
    temperature_c: ArrayLike = 20.0,
    pressure_hpa: ArrayLike = 1013.25,
    relative_humidity: ArrayLike = 0.5,
) -> float | NDArray[np.float64]:
    """Compute the density of outdoor air from a weather reading at the road.

    Parameters
    ----------
    temperature_c : array_like, shape (...), default 20
        -20 to 50. [degC]
    pressure_hpa : array_like, shape (...), default 1013.25
        At the road, not reduced to sea level, 500 to 1100. [hPa]  A reading of 760 mmHg passes
        for 760 hPa, the air of 2300 m: `check_station_pressure` finds it where the height is known.
    relative_humidity : array_like, shape (...), default 0.5
        0 to 1. [-]

    Returns
    -------
    density : float, or ndarray of the broadcast shape
        [kg/m^3]

    Raises
    ------
    UnitRangeError
        If a value is outside its range; the text names the unit it looks like.

    References
    ----------
    See `moist_air_density`.
    """
    t = _temperature_c(temperature_c, "air_density(temperature_c=...)")
    p = _pressure_hpa(pressure_hpa, "air_density(pressure_hpa=...)")
    h = _relative_humidity(relative_humidity, "air_density(relative_humidity=...)")
    return as_given(_density(t + CELSIUS_ZERO_K, p * HPA, h))


@dataclass(frozen=True, slots=True, kw_only=True)
class AirDensity:
    """Density of the air at the road with its standard uncertainty (k = 1).

    Attributes
    ----------
    density_kg_m3, se_kg_m3 : float
        [kg/m^3]
    contributions_kg_m3 : mapping of str to float
        Sensitivity times standard uncertainty of `temperature_c`, `pressure_hpa`,
        `relative_humidity` and `formula`, with the sign of the sensitivity; their squares add
        up to `se_kg_m3` squared. [kg/m^3]
    """

    density_kg_m3: float
    se_kg_m3: float
    contributions_kg_m3: Mapping[str, float]


def air_density_with_uncertainty(
    *,
    temperature_c: float = 20.0,
    pressure_hpa: float = 1013.25,
    relative_humidity: float = 0.5,
    temperature_sd_c: float,
    pressure_sd_hpa: float,
    relative_humidity_sd: float,
) -> AirDensity:
    """Compute the density of the air and what each reading's uncertainty contributes to it.

    Parameters
    ----------
    temperature_c, pressure_hpa, relative_humidity : float
        As for `air_density`. [degC], [hPa], [-]
    temperature_sd_c, pressure_sd_hpa, relative_humidity_sd : float
        Standard uncertainties, independent of each other; 0 only for a value known exactly.
        [degC], [hPa], [-]

    Returns
    -------
    AirDensity
        With the formula's own relative standard uncertainty of 22e-6.

    Raises
    ------
    UnitRangeError
        If a value is outside its range, or a standard uncertainty is negative or not finite.

    References
    ----------
    JCGM 100:2008 (GUM), eq. 10: first order, partial derivatives by central differences.
    """
    value = air_density(temperature_c, pressure_hpa, relative_humidity)
    sds = {
        "temperature_c": temperature_sd_c,
        "pressure_hpa": pressure_sd_hpa,
        "relative_humidity": relative_humidity_sd,
    }
    for name, sd in sds.items():
        if not 0.0 <= sd < np.inf:
            raise UnitRangeError(
                f"a standard uncertainty of {sd:g} is impossible",
                where=f"air_density_with_uncertainty({name})",
                fix="give a number of 0 or more",
            )
    centre = np.array([temperature_c + CELSIUS_ZERO_K, pressure_hpa * HPA, relative_humidity])
    # Small against the curvature, large against rounding: derivatives good to 1e-8 relative.
    steps = np.array([1e-2, 1.0, 1e-4])
    per_unit = np.array([1.0, HPA, 1.0])
    up, down = centre + np.diag(steps), centre - np.diag(steps)
    slopes = (_density(*up.T) - _density(*down.T)) / (2 * steps) * per_unit
    parts = {name: float(s * sd) for (name, sd), s in zip(sds.items(), slopes, strict=True)}
    parts["formula"] = value * FORMULA_RELATIVE_SE
    return AirDensity(
        density_kg_m3=value,
        se_kg_m3=float(np.sqrt(sum(part**2 for part in parts.values()))),
        contributions_kg_m3=parts,
    )
