"""A course on race day as the integration sees it: density by height, pacing, where it is held."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from cda.air import standard_pressure_ratio
from cda.errors import CourseError
from cda.integration import (
    TOLERANCE_S_PER_KM,
    Rides,
    Road,
    braking_limits,
    integrate,
    over_directions,
)
from cda.results import CourseProfile, Finding

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cda.course import Course
    from cda.race.load import Race

    Array = NDArray[np.float64]

LAPSE_K_M = 0.0065  # ISO 2533, lowest layer
# Factors on power tried at once; where limits and descents bring the mean down, more is needed.
POWER_FACTORS = np.linspace(0.8, 1.6, 17)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RaceRoad:
    """One lap of a race, and how the whole follows from laps.

    Attributes
    ----------
    road : Road
    held_share : float
        Share of the distance where rules let a position be held.
    power_factor : float
        On the stated power, so that its mean over the reference's ride is the stated one.
    findings : tuple of Finding
    """

    road: Road
    held_share: float
    power_factor: float
    findings: tuple[Finding, ...]


def density_ratio(race: Race, course: Course) -> Array:
    """Return density at each stretch over that of `race.density()`, shape (n,).

    Hydrostatic pressure of the standard atmosphere and its fall of temperature.
    """
    middle = 0.5 * (course.elevation_m[1:] + course.elevation_m[:-1])
    base = race.reading_elevation_m
    kelvin = race.settings.air.temperature_c + 273.15
    pressure = np.asarray(standard_pressure_ratio(middle)) / float(standard_pressure_ratio(base))
    return np.asarray(pressure * kelvin / (kelvin - LAPSE_K_M * (middle - base)), dtype=np.float64)


def lapped(
    race: Race, road: Road, rides: Rides, *, tolerance_s_per_km: float = TOLERANCE_S_PER_KM
) -> tuple[Array, Array]:
    """Ride all laps; return time and mean shown power, shape (rides,) [s], [W].

    The first lap begins at the steady speed; every later one as the one before it ended, and
    from the second on they are alike: where the speed at the line differs, it is gone after
    some hundred metres.
    """
    known = race.direction_known
    first = over_directions(
        rides, road, direction_known=known, tolerance_s_per_km=tolerance_s_per_km
    )
    laps = race.settings.laps
    if laps == 1:
        return first.time_s, first.mean_power_w
    again = over_directions(
        rides,
        road,
        direction_known=known,
        start_m_s=first.end_speed_m_s,
        tolerance_s_per_km=tolerance_s_per_km,
    )
    time = first.time_s + (laps - 1) * again.time_s
    work = first.mean_power_w * first.time_s + (laps - 1) * again.mean_power_w * again.time_s
    return time, work / time


def race_road(race: Race, reference: Rides) -> RaceRoad:
    """Return the road of a race with a course.

    Parameters
    ----------
    race : Race
        With a course.
    reference : Rides
        One ride: the reference position, everything at its mean.

    Raises
    ------
    CourseError
        If the stated mean power cannot be had, or the ride comes to a standstill.
    """
    course, settings = race.course, race.settings
    assert course is not None
    n = course.length_m.size
    gradient = course.gradient
    ratio, power_limit = np.ones(n), float("inf")
    if settings.pacing is not None:
        pairs = np.array(settings.pacing.power_ratio_by_gradient, dtype=np.float64)
        ratio = np.interp(gradient, pairs[:, 0], pairs[:, 1])
        if settings.pacing.limit_w is not None:
            power_limit = settings.pacing.limit_w
    fastest = settings.road.speed_limit_m_s
    limit = course.limit_m_s if fastest is None else np.minimum(course.limit_m_s, fastest)
    road = Road(
        length_m=course.length_m,
        gradient=gradient,
        gradient_change=course.gradient_change,
        bearing_deg=course.bearing_deg,
        density_ratio=density_ratio(race, course),
        power_ratio=ratio,
        held=np.ones(n, dtype=bool),
        limit_m_s=braking_limits(limit, course.length_m, settings.road.braking_m_s2),
        power_limit_w=power_limit,
    )
    findings: list[Finding] = []
    factor = 1.0
    if settings.pacing is not None or np.any(np.isfinite(limit)):
        factor = _power_factor(race, road, reference)
        findings.append(
            Finding(
                severity="note",
                code="race-power-rescaled",
                where="pacing" if settings.pacing else "road",
                message=f"a mean of {settings.power_w:g} W over the ride is "
                f"{factor * settings.power_w:.0f} W where the ratio is 1 and nothing limits the "
                "speed",
            )
        )
    road = replace(road, power_ratio=ratio * factor)
    held = _held(race, road, reference, course)
    share = float(np.sum(course.length_m[held]) / course.lap_m)
    if not np.all(held):
        findings.append(
            Finding(
                severity="note",
                code="race-held-by-rule",
                where="hold",
                message=f"the rules of [hold] leave {100 * share:.0f} % of the course where a "
                "position can be held; a hold share is the share of that",
            )
        )
    return RaceRoad(
        road=replace(road, held=held),
        held_share=share,
        power_factor=factor,
        findings=tuple(findings),
    )


def _power_factor(race: Race, road: Road, reference: Rides) -> float:
    """Return the factor on power that makes the mean over the reference's ride the stated one."""
    ride = reference.flat()
    many = ride.take(np.zeros(POWER_FACTORS.size, dtype=np.intp))
    many = many.with_values(power_w=ride.power_w[0] * POWER_FACTORS)
    if road.power_ratio.max() * POWER_FACTORS[0] <= 0.0:
        raise CourseError(
            "the ratios of [pacing] leave no power",
            where="race file, pacing.power_ratio_by_gradient",
            fix="a ratio of 1 is the mean power",
        )
    factors = POWER_FACTORS
    _, mean = lapped(race, road, many, tolerance_s_per_km=1.0)
    # More power where limits hold the rider gives no more: the first crossing is the answer.
    wanted = float(race.settings.power_w)
    reached = np.flatnonzero(mean >= wanted)
    if not reached.size or mean[0] > wanted:
        raise CourseError(
            f"a mean of {wanted:g} W cannot be had on this course: with limits and pacing the "
            f"mean lies between {mean.min():.0f} and {mean.max():.0f} W",
            where="race file, power_w",
            fix="state the mean over the whole ride, or ease limit_w, the ratios and the limits",
        )
    k = int(reached[0])
    if k == 0:
        return float(factors[0])
    part = (wanted - mean[k - 1]) / (mean[k] - mean[k - 1])
    return float(factors[k - 1] + part * (factors[k] - factors[k - 1]))


def _held(race: Race, road: Road, reference: Rides, course: Course) -> NDArray[np.bool_]:
    """Return where the rules let a position be held, by the reference's own speed."""
    rules = race.settings.hold
    held = np.ones(course.length_m.size, dtype=bool)
    if rules.above_gradient is not None:
        held &= course.gradient <= rules.above_gradient
    if rules.below_speed_m_s is None and rules.at_turns:
        return held
    start = None
    if race.settings.laps > 1:
        start = integrate(reference, road).end_speed_m_s
    speed = integrate(reference, road, start_m_s=start, keep_speed=True).speed_m_s
    assert speed is not None
    lower = np.minimum(speed[1:, 0], speed[:-1, 0])
    if rules.below_speed_m_s is not None:
        held &= lower >= rules.below_speed_m_s
    if not rules.at_turns:
        slowed = braking_limits(course.limit_m_s, course.length_m, race.settings.road.braking_m_s2)
        at_limit = speed[:, 0] >= slowed - 0.01
        held &= ~(at_limit[1:] | at_limit[:-1])
    return held


def course_profile(race: Race) -> CourseProfile:
    """Return one lap as drawn, with the wind along the road where its direction is known."""
    course = race.course
    assert course is not None
    headwind = None
    wind = race.settings.wind
    if race.direction_known and course.bearing_deg is not None and wind is not None:
        assert wind.from_deg is not None
        speed, _ = race.wind()
        along = speed * np.cos(np.radians(wind.from_deg - course.bearing_deg))
        headwind = np.append(along, along[-1])
    return CourseProfile(
        distance_m=course.distance_m, elevation_m=course.elevation_m, headwind_m_s=headwind
    )
