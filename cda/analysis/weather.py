"""Weather along the legs: temperature and wind at each leg's own time, crosswind from yaw."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.analysis.laps import down_to_rider
from cda.results import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cda.legs import Leg, LegSet
    from cda.session import AirReading, Session
    from cda.session.settings import WindSettings

    Floats = NDArray[np.float64]

OWN_SENSOR_WINDOW_S: Final = 60.0  # a sensor on the bike is read from so long before to after a leg
# A yaw sensor is put on by eye, and arms and head turn the flow at it: common practice, no source.
YAW_ALIGNMENT_SD_DEG: Final = 1.5
YAW_SHARE: Final = 0.7  # of a leg's seconds that must have yaw
# How much of a change at the weather station the road sees: as much, give or take a half (common
# practice, no source). The legs say more.
WIND_CHANGE_SD: Final = 0.5


def leg_temperature_c(session: Session, legs: Sequence[Leg]) -> Floats:
    """Return the air temperature at each leg: own sensor if asked for, readings, or the one value.

    Parameters
    ----------
    session : Session
    legs : sequence of Leg
        Of n legs.

    Returns
    -------
    ndarray, shape (n,)
        [degC]
    """
    if session.settings.air.temperature_from_recording:
        return _own_sensor(session, legs)
    starts = np.array([leg.start_s for leg in legs])
    constant = session.settings.air.temperature_c
    return over_time(session.air_readings, "temperature_c", starts, constant)


def over_time(readings: Sequence[AirReading], name: str, time_s: Floats, constant: float) -> Floats:
    """Interpolate one column of the air readings, held beyond its ends; `constant` without any."""
    rows = [(r.time_s, getattr(r, name)) for r in readings if getattr(r, name) is not None]
    if not rows:
        return np.full(len(time_s), constant)
    return np.asarray(np.interp(time_s, [r[0] for r in rows], [r[1] for r in rows]))


def _own_sensor(session: Session, legs: Sequence[Leg]) -> Floats:
    recording_of = {run.run: run.recording for run in session.runs}
    values = np.full(len(legs), np.nan)
    for k, leg in enumerate(legs):
        recording = session.recordings[recording_of[leg.run]]
        assert recording.temperature_c is not None
        near = (recording.time_s >= leg.time_s[0] - OWN_SENSOR_WINDOW_S) & (
            recording.time_s <= leg.time_s[-1] + OWN_SENSOR_WINDOW_S
        )
        seen = recording.temperature_c[near & np.isfinite(recording.temperature_c)]
        if len(seen):
            values[k] = np.median(seen)
    known = np.isfinite(values)
    if not known.any():
        every = [r.temperature_c for r in session.recordings if r.temperature_c is not None]
        return np.full(len(legs), float(np.nanmedian(np.concatenate(every))))
    at = np.arange(len(legs))
    return np.asarray(np.interp(at, at[known], values[known]))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WindOverTime:
    """Wind read again and again: its mean as one reading, and how it changed from leg to leg.

    `change_m_s`, shape (n,): headwind of "out" at each leg less the mean over the legs; positive
    slows whoever rides out. [m/s]
    """

    mean: WindSettings
    change_m_s: Floats


def wind_over_time(
    session: Session, start_s: Floats, bearing_deg: float | None
) -> WindOverTime | None:
    """Return what the wind columns of the air readings say; None without two such readings.

    Parameters
    ----------
    session : Session
    start_s : ndarray, shape (n,)
        When each leg began. [s]
    bearing_deg : float or None
        Direction "out", clockwise from true north.

    Notes
    -----
    Readings are interpolated as vectors and held beyond their ends. Heights, roughness and
    standard uncertainties are those of [wind], or its defaults.
    """
    from cda.session.settings import WindSettings

    rows = [
        r
        for r in session.air_readings
        if r.wind_speed_m_s is not None and r.wind_from_deg is not None
    ]
    if not rows or bearing_deg is None:
        return None
    angle = np.radians([float(r.wind_from_deg or 0.0) for r in rows])
    speed = np.array([float(r.wind_speed_m_s or 0.0) for r in rows])
    at = [r.time_s for r in rows]
    north = np.interp(start_s, at, speed * np.cos(angle))
    east = np.interp(start_s, at, speed * np.sin(angle))
    own = session.settings.wind
    given = {} if own is None else own.model_dump()
    given |= {
        "speed_m_s": float(np.hypot(north.mean(), east.mean())),
        "from_deg": float(np.degrees(np.arctan2(east.mean(), north.mean())) % 360.0),
    }
    mean = WindSettings(**given)
    bearing = np.radians(bearing_deg)
    along = down_to_rider(mean) * (north * np.cos(bearing) + east * np.sin(bearing))
    return WindOverTime(mean=mean, change_m_s=along - along.mean())


def crosswind_from_yaw(legs: Sequence[Leg], airspeed_scale: float) -> tuple[Floats, float] | None:
    """Return each leg's mean crosswind squared from a yaw channel, and its standard uncertainty.

    Parameters
    ----------
    legs : sequence of Leg
        Of n legs.
    airspeed_scale : float
        True over recorded.

    Returns
    -------
    squared : ndarray, shape (n,)
        Legs without enough yaw have the mean of the others. [m^2/s^2]
    sd : float
        Common to all: of the sensor's alignment. [m^2/s^2]
        None instead of the two where no leg has the channel.

    Notes
    -----
    Yaw is the angle between the bicycle and the air that it meets: crosswind = airspeed along the
    bicycle times its tangent. Noise from second to second is taken off as half the mean square of
    the differences between neighbouring seconds, at most half of what there is: gusts turn slowly.
    """
    squared, spread = np.full(len(legs), np.nan), []
    for k, leg in enumerate(legs):
        if leg.airspeed_m_s is None or leg.yaw_deg is None:
            continue
        airspeed = airspeed_scale * leg.airspeed_m_s
        yaw = np.radians(leg.yaw_deg)
        good = np.isfinite(airspeed) & np.isfinite(yaw) & (np.abs(yaw) < np.radians(60.0))
        if good.mean() < YAW_SHARE:
            continue
        across = airspeed[good] * np.tan(yaw[good])
        noise = min(0.5 * float(np.mean(np.diff(across) ** 2)), 0.5 * float(np.mean(across**2)))
        squared[k] = float(np.mean(across**2)) - noise
        off = float(np.mean(airspeed[good])) * np.radians(YAW_ALIGNMENT_SD_DEG)
        spread.append(2.0 * abs(float(np.mean(across))) * off + off**2)
    known = np.isfinite(squared)
    if not known.any():
        return None
    return np.where(known, squared, squared[known].mean()), float(np.mean(spread))


def weather_findings(session: Session, legs: LegSet) -> tuple[Finding, ...]:
    """Say what of the air readings and of a yaw channel could not be used."""
    found = []
    read = [r for r in session.air_readings if r.wind_speed_m_s is not None]
    directed = [r for r in read if r.wind_from_deg is not None]
    reason = ""
    if read and legs.kind != "out-and-back":
        reason = "round a loop only the reading under [wind] is used"
    elif read and legs.bearing_deg is None:
        reason = "without satellite positions the road's direction is not known"
    elif len(directed) < len(read):
        reason = f"{len(read) - len(directed)} of {len(read)} readings give no direction"
    if reason:
        found.append(
            Finding(
                severity="note",
                code="wind-readings-not-used",
                where="air readings, wind_speed_m_s",
                message=f"wind read over time is left out: {reason}",
                session=session.key,
            )
        )
    yaw = any(leg.yaw_deg is not None for leg in legs.legs)
    if yaw and crosswind_from_yaw(legs.legs, session.settings.airspeed_sensor.scale) is None:
        found.append(
            Finding(
                severity="note",
                code="yaw-not-used",
                where="yaw_deg",
                message="no leg has yaw and airspeed for most of its seconds: the crosswind is "
                "taken from the wind along the road",
                session=session.key,
            )
        )
    return tuple(found)
