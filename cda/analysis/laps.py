"""Days of laps: what takes the place of height difference and mean wind, and what is said of it.

Round a closed loop neither the height of the road nor the mean wind is left in a lap's energy; the
square of the wind is, and on a track the lean.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.air import wind_at_height
from cda.estimation import Bends, Laps, LoopWind, lap_integrals
from cda.results import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cda.estimation import DayInputs, Fit
    from cda.legs import Leg, LegSet
    from cda.session import Session
    from cda.session.settings import WindSettings

CLOSURE_SD_M: Final = 1e-3  # a lap ends at the height it began at
# Wind that shelter makes different from side to side does not average out round the loop; this
# much of it is allowed for.
LOOP_WIND_SD_M_S: Final = 0.02
TRACK_WIND_SD_M_S: Final = 1e-3
# Nobody read the wind: its mean square over both directions at rider height, known to all of
# itself: a calm to breezy morning (common practice, no source).
UNREAD_WIND_SQUARED_M2_S2: Final = 1.0
# Slow wind in each direction that a reading at one place and time does not show; as on roads.
LOCAL_WIND_SD_M_S: Final = 0.3
# Scatter of laps against that of legs out and back, as typical sizes for the priors: slow wind
# changes the square of the wind only, gusts from all sides average out round the loop.
LOOP_SCATTER: Final = (0.5, 0.1)
TRACK_SCATTER: Final = (0.25, 0.03)
LAP_MEAN_SHARE: Final = 0.15  # of the gusts' variance, in a lap's mean along the way
MOST_GUSTS_M2_S2: Final = 1.0

MASS_CENTRE_HEIGHT_M: Final = 1.05  # of rider and bike, upright: common practice, no source
# Height of the mass centre to 5 cm when measured, 10 cm when not; the easing of the bends.
LEAN_SD: Final = 0.06
LEAN_SD_ASSUMED: Final = 0.12
USUAL_BEND_SHARE: Final = 0.58  # of a 250 m track: common practice, no source
BENDS_MISMATCH: Final = 0.15  # relative, turning of both bends against once round


def down_to_rider(wind: WindSettings) -> float:
    """Return wind at the rider over wind where it was read."""
    if wind.height_m <= wind.rider_height_m:
        return 1.0
    return float(
        wind_at_height(
            1.0,
            reading_height_m=wind.height_m,
            target_height_m=wind.rider_height_m,
            roughness_m=wind.roughness_m,
        )
    )


def as_laps(day: DayInputs, session: Session, legs: LegSet) -> DayInputs:
    """Return a day's inputs with the loop in place of the road out and back."""
    indoors = legs.kind == "track"
    wind, wind_sd = (None, 0.0) if indoors else _loop_wind(session, legs)
    bends, lean_sd = _bends(session, legs)
    scatter = TRACK_SCATTER if indoors else LOOP_SCATTER
    return replace(
        day,
        laps=Laps(lap_m=legs.length_m, wind=wind, bends=bends),
        height_difference_m=0.0,
        height_difference_sd_m=CLOSURE_SD_M,
        headwind_m_s=0.0,
        headwind_sd_m_s=TRACK_WIND_SD_M_S if indoors else LOOP_WIND_SD_M_S,
        crosswind_squared=0.0,
        leg_crosswind_squared=None,  # its yaw is the wind's on every side in turn
        leg_wind_scale=scatter[0],
        slow_wind_scale=scatter[1],
        systematic_sd={
            **day.systematic_sd,
            "crosswind_squared": 0.0,
            "wind_squared": wind_sd,
            "lean": lean_sd,
        },
        instrument={
            **day.instrument,
            "wind_squared": day.key,
            "lean": f"{session.settings.rider.id} on {session.settings.bike.id}",
        },
    )


def with_gusts(day: DayInputs, leg_wind_sd_m_s: float) -> DayInputs:
    """Add to a day outdoors what the scatter of its laps says of gusts across."""
    assert day.laps is not None
    if day.laps.wind is None:
        return day
    gusts = leg_wind_sd_m_s**2 / LAP_MEAN_SHARE
    return replace(day, crosswind_squared=min(gusts, MOST_GUSTS_M2_S2))


def _loop_wind(session: Session, legs: LegSet) -> tuple[LoopWind, float]:
    """Return the wind over a loop, and the standard uncertainty of its mean square."""
    bearings = None
    if all(leg.bearing_deg is not None for leg in legs.legs):
        middle = []
        for leg in legs.legs:
            assert leg.bearing_deg is not None
            turned = np.unwrap(np.radians(leg.bearing_deg))
            middle.append(0.5 * (turned[1:] + turned[:-1]))
        bearings = np.concatenate(middle)
    wind = session.settings.wind
    if wind is None:
        unread = UNREAD_WIND_SQUARED_M2_S2
        nobody = LoopWind(
            directed_m_s=0.0,
            from_rad=0.0,
            from_sd_rad=0.0,
            other_m2_s2=unread,
            step_bearing_rad=bearings,
        )
        return nobody, unread
    factor = down_to_rider(wind)
    speed, speed_sd = factor * wind.speed_m_s, factor * wind.speed_sd_m_s
    local = 2.0 * LOCAL_WIND_SD_M_S**2
    directed = speed if wind.from_deg is not None else 0.0
    answer = LoopWind(
        directed_m_s=directed,
        from_rad=float(np.radians(wind.from_deg or 0.0)),
        from_sd_rad=float(np.radians(wind.from_sd_deg)),
        other_m2_s2=speed**2 - directed**2 + speed_sd**2 + local,
        step_bearing_rad=bearings,
    )
    # Of a squared normal variable, and of the local part its whole.
    spread = np.sqrt((2.0 * speed * speed_sd) ** 2 + 2.0 * speed_sd**4 + local**2)
    return answer, float(spread)


def _bends(session: Session, legs: LegSet) -> tuple[Bends | None, float]:
    """Return the bends of a track, or of a loop that gives them, and how well lean is known."""
    course = session.settings.course
    radius, share = course.bend_radius_m, course.bend_share
    if legs.kind == "loop" and radius is None:
        return None, 0.0  # an open loop's bends are wide: lean is below a thousandth
    scale = session.settings.speed_sensor.scale
    lap_m = course.lap_length_m or legs.length_m * scale
    sd = LEAN_SD if course.mass_centre_height_m is not None else LEAN_SD_ASSUMED
    if radius is None and share is None:
        share, sd = USUAL_BEND_SHARE, LEAN_SD_ASSUMED + LEAN_SD
    if share is None:
        assert radius is not None
        share = min(2.0 * np.pi * radius / lap_m, 1.0)
    if radius is None:
        radius = share * lap_m / (2.0 * np.pi)
    height = course.mass_centre_height_m or MASS_CENTRE_HEIGHT_M
    return Bends(radius_m=float(radius), share=float(share), mass_centre_height_m=height), sd


def lap_factors(
    day: DayInputs, beta: NDArray[np.float64], crr: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return drag and tyre load of each leg over those on a road without wind; 1 out and back.

    `beta` are the fitted effects, CdA first; shapes (n,).
    """
    if day.laps is None:
        return np.ones(len(day.run)), np.ones(len(day.run))
    e, wheels = day.energies, day.wheel_drag_area_m2
    of_rider = beta[day.position]
    laps = lap_integrals(day, of_rider + wheels, 0.0, crr, day.crosswind_squared)
    v = e.step_speed_m_s * day.speed_scale
    plain = e.sum_steps(np.hypot(v, np.sqrt(day.crosswind_squared)) * v * e.step_dx_m)
    plain = plain * day.speed_scale
    drag = (of_rider * laps.air + wheels * laps.wheels) / ((of_rider + wheels) * plain)
    return drag, laps.load / (e.length_m * day.speed_scale)


def mean_lap(
    leg: Leg, rise_m: NDArray[np.float64], grid_m: NDArray[np.float64], lap_m: float
) -> NDArray[np.float64]:
    """Return the virtual elevation of a leg's mean lap on a grid of one lap; shape of `grid_m`."""
    assert leg.laps is not None
    count = leg.laps[1] - leg.laps[0] + 1
    laps = [
        np.interp(k * lap_m + grid_m, leg.along_m, rise_m)
        - np.interp(k * lap_m, leg.along_m, rise_m)
        for k in range(count)
    ]
    return np.asarray(np.mean(laps, axis=0))


def lap_findings(
    sessions: Sequence[Session],
    legs: Sequence[LegSet],
    days: Sequence[DayInputs],
    fit: Fit,
    positions: Sequence[str],
) -> list[Finding]:
    """Say of days of laps what was assumed, and what stays in the level of CdA."""
    found: list[Finding] = []
    for session, cut, day in zip(sessions, legs, days, strict=True):
        if day.laps is not None:
            found += _assumed(session, cut, day)
            found.append(_not_separated(cut, day, fit, len(positions)))
    return found


def _assumed(session: Session, cut: LegSet, day: DayInputs) -> list[Finding]:
    found = []

    def add(severity: str, code: str, where: str, message: str, fix: str = "") -> None:
        found.append(
            Finding(
                severity=severity,  # type: ignore[arg-type]
                code=code,
                where=f"session.toml: {where}",
                message=message,
                fix=fix,
                session=day.key,
            )
        )

    laps = day.laps
    assert laps is not None
    course = session.settings.course
    if laps.wind is not None:
        if session.settings.wind is None:
            add(
                "warning",
                "loop-wind-not-read",
                "[wind]",
                "laps one way round do not tell the wind, and nobody read it: its mean square is "
                f"taken as {UNREAD_WIND_SQUARED_M2_S2:g} m²/s², give or take all of it",
                "read the wind at the loop and write it into [wind]",
            )
        if laps.wind.step_bearing_rad is None:
            add(
                "note",
                "loop-taken-as-circle",
                "course.kind",
                "no satellite positions tell the loop's shape: wind is averaged round a circle",
                "record positions",
            )
    elif session.settings.wind is not None:
        add("note", "wind-not-used", "[wind]", "indoors there is no wind: the reading is not used")
    if laps.bends is None:
        return found
    given = course.bend_radius_m, course.bend_share
    if given == (None, None):
        add(
            "warning",
            "bends-assumed",
            "course.bend_radius_m",
            f"the bends are not given: a share of {laps.bends.share:.2f} of the lap with a radius "
            f"of {laps.bends.radius_m:.0f} m is assumed",
            "give bend_radius_m or bend_share, and mass_centre_height_m",
        )
    elif None not in given:
        turned = laps.bends.share * laps.lap_m * day.speed_scale / laps.bends.radius_m
        if abs(turned / (2.0 * np.pi) - 1.0) > BENDS_MISMATCH:
            add(
                "warning",
                "bends-do-not-close",
                "course.bend_radius_m, course.bend_share",
                f"bends of {laps.bends.radius_m:g} m over {laps.bends.share:.2f} of the lap turn "
                f"by {np.degrees(turned):.0f}°, a lap turns by 360°",
                "give one of the two: the other follows",
            )
    if course.mass_centre_height_m is None:
        add(
            "note",
            "mass-centre-assumed",
            "course.mass_centre_height_m",
            f"the height of the centre of mass is taken as {MASS_CENTRE_HEIGHT_M:g} m; 5 cm are "
            "0.2 % of CdA, alike in all positions",
        )
    return found


def _not_separated(cut: LegSet, day: DayInputs, fit: Fit, n_positions: int) -> Finding:
    """Say in plain words what laps in one direction cannot tell apart."""

    def level(name: str) -> float:
        effect = fit.systematic_effect.get((name, day.instrument.get(name, day.key)))
        return 0.0 if effect is None else float(np.mean(np.abs(effect[:n_positions])))

    source = fit.source_cov.get("rolling resistance")
    rolling = 0.0 if source is None else float(np.sqrt(np.mean(np.diag(source)[:n_positions])))
    if day.laps is not None and day.laps.wind is not None:
        what = (
            "laps one way round cannot tell the level of CdA from the square of the wind or from "
            f"rolling resistance: {level('wind_squared'):.4f} m² of every position's uncertainty "
            f"are the wind's, {rolling:.4f} m² rolling resistance's; wind that differs from side "
            "to side of the loop is not in it"
        )
        fix = "for absolute CdA ride out and back, or read the wind at the loop"
    else:
        what = (
            "laps cannot tell the level of CdA from rolling resistance or from air that the rider "
            f"has set in motion: {rolling:.4f} m² of every position's uncertainty are rolling "
            f"resistance's, {level('lean'):.4f} m² the lean's; moving air is not in it"
        )
        fix = "for absolute CdA know the tyres on this surface, and let the air come to rest"
    return Finding(
        severity="note",
        code="level-not-separated",
        where=f"course.kind = {cut.kind}",
        message=f"{what}. Differences between positions lose nearly all of it",
        fix=fix,
        session=day.key,
    )
