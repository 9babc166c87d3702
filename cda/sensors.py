"""One sensor against another: what a ride says about scale, zero, lag and drift of its channels.

Everything here is proposed and nothing applied: a correction is a decision of the person who
knows the bike. Uncertainties come from pieces of the ride compared with each other, since errors
of satellite positions and of air last for minutes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.geodesy import ground_distance_m, project

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cda.recording import Recording

    Floats = NDArray[np.float64]

STRAIGHT_PIECE_M: Final = 300.0  # [m] long against satellite errors, short against bends
STRAIGHT: Final = 0.9995  # chord over path of a smoothed piece: 3 m of sag in 300 m is 0.9997
RIDING_M_S: Final = 4.0  # [m/s]
MOVING_M_S: Final = 0.5  # [m/s] below, somebody stands
COASTING_LOSS_M2_S3: Final = 3.0  # [m²/s³] 0.3 m/s² of air and rolling at 10 m/s
COASTING_RPM: Final = 1.0  # [rpm] no pedalling
ZERO_AFTER_S: Final = 2.0  # [s] power may be late and averaged
LARGEST_LAG_S: Final = 5.0  # [s]
LAG_PIECE_S: Final = 300.0  # [s] pieces whose lags are compared for the uncertainty
# A parabola through three points of a peak that is no parabola: off by 0 where the lag is a whole
# or half sample, by 0.15 at most between, found on invented rides of known lag.
PEAK_SHAPE_ERROR: Final = 0.1  # [samples], k = 1
FEWEST_PIECES: Final = 4
SAME_STEP_M: Final = 0.03  # [m] a wheel and satellites differ by 0.1 and more from step to step
LONGEST_STEP_S: Final = 1.5
FEWEST_STEPS: Final = 100
FEWEST_FOR_A_LINE: Final = 6
SHORTEST_LINE_H: Final = 0.25  # [h] shorter, a drift is no drift


@dataclass(frozen=True, slots=True, kw_only=True)
class Comparison:
    """A value from comparing sensors, its standard uncertainty (k = 1) and the pieces behind."""

    quantity: str
    value: float
    se: float | None
    unit: str
    pieces: int
    what: str


def compare_sensors(recording: Recording) -> tuple[Comparison, ...]:
    """Return every comparison that the recording allows; channels that are missing are left out.

    Parameters
    ----------
    recording : Recording

    Returns
    -------
    tuple of Comparison
        Quantities: `sample_step_s`, `distance_over_speed`, `gps_over_wheel`, `power_lag_s`,
        `power_zero_w`.
    """
    found = (
        sample_step(recording),
        distance_over_speed(recording),
        gps_over_wheel(recording),
        power_lag(recording),
        power_zero(recording),
    )
    return tuple(c for c in found if c is not None)


def sample_step(recording: Recording) -> Comparison:
    """Return the usual time between samples. [s]."""
    steps = np.diff(recording.time_s)
    return Comparison(
        quantity="sample_step_s", value=float(np.median(steps)) if len(steps) else 0.0, se=None,
        unit="s", pieces=len(steps), what="usual time between samples",
    )  # fmt: skip


def distance_over_speed(recording: Recording) -> Comparison | None:
    """Compare recorded distance with the integral of recorded speed, piece by piece."""
    if recording.speed_source != "recorded" or recording.distance_source != "recorded":
        return None
    time, speed, distance = recording.time_s, recording.speed_m_s, recording.distance_m
    step = np.diff(time)
    path = np.where(step < 5.0, 0.5 * (speed[1:] + speed[:-1]) * step, np.nan)
    ratios = []
    for piece in np.array_split(np.arange(len(step)), max(1, int(time[-1] / LAG_PIECE_S))):
        ok = np.isfinite(path[piece])
        ridden = float(path[piece][ok].sum())
        if ridden > STRAIGHT_PIECE_M:
            ratios.append(float(np.diff(distance)[piece][ok].sum()) / ridden)
    return _mean(
        ratios, "distance_over_speed", "", "recorded distance over the integral of recorded speed"
    )


def distance_by_satellite(recording: Recording) -> bool:
    """Say whether the recorded distance repeats the satellite positions, step by step.

    A wheel and a satellite receiver differ by decimetres a second. Where they do not, there is no
    wheel sensor, and speed is by satellite too: smoothed, and late by a second or two.
    """
    lat, lon = recording.latitude_deg, recording.longitude_deg
    if lat is None or lon is None or recording.distance_source != "recorded":
        return False
    steps = np.asarray(ground_distance_m(lat[:-1], lon[:-1], lat[1:], lon[1:]))
    riding = (recording.speed_m_s[1:] > RIDING_M_S) & (np.diff(recording.time_s) < LONGEST_STEP_S)
    apart = (np.diff(recording.distance_m) - steps)[riding & np.isfinite(steps)]
    if len(apart) < FEWEST_STEPS:
        return False
    width = 1.4826 * float(np.median(np.abs(apart - np.median(apart))))
    return width < SAME_STEP_M


def gps_over_wheel(recording: Recording) -> Comparison | None:
    """Compare distance between satellite positions with the wheel's over straight pieces.

    Returns
    -------
    Comparison or None
        True over recorded speed as far as positions can be trusted: a value for
        `speed_sensor.scale`. None without positions or straight pieces, or where speed itself
        came from positions.

    Notes
    -----
    Only the distance between the ends of a piece is used: errors along the way add length, so
    a path summed from point to point would come out long.
    """
    lat, lon, distance = recording.latitude_deg, recording.longitude_deg, recording.distance_m
    if lat is None or lon is None or "position" in recording.distance_source:
        return None
    if distance_by_satellite(recording):
        return None
    good = np.isfinite(lat) & np.isfinite(lon) & np.isfinite(distance)
    if good.sum() < 10:
        return None
    origin = (float(np.median(lat[good])), float(np.median(lon[good])))
    east, north = project(lat[good], lon[good], origin)
    ridden, time = distance[good], recording.time_s[good]
    if ridden[-1] - ridden[0] < STRAIGHT_PIECE_M:
        return None
    edges = np.arange(ridden[0], ridden[-1] - STRAIGHT_PIECE_M, STRAIGHT_PIECE_M)
    ratios = []
    for low in edges:
        a, b = np.searchsorted(ridden, (low, low + STRAIGHT_PIECE_M))
        if b - a < 8 or b >= len(ridden) or np.max(np.diff(time[a : b + 1])) > 5.0:
            continue
        thirds = np.linspace(a, b, 4).round().astype(np.int64)
        chords = np.hypot(np.diff(east[thirds]), np.diff(north[thirds]))
        whole = float(np.hypot(east[b] - east[a], north[b] - north[a]))
        # Three chords against one: bends lengthen them, satellite noise hardly.
        if chords.sum() > 0 and whole / chords.sum() > STRAIGHT:
            ratios.append(whole / float(ridden[b] - ridden[a]))
    return _mean(
        ratios, "gps_over_wheel", "",
        "distance by satellite over distance by the wheel, straight pieces (speed_sensor.scale)",
    )  # fmt: skip


def power_lag(recording: Recording) -> Comparison | None:
    """Estimate by how much power is late against speed, to a fraction of a second.

    Returns
    -------
    Comparison or None
        Positive: power arrives late; a value for `power_meter.delay_s`. None where fewer than
        four pieces of riding let it be seen.

    Notes
    -----
    The power that accelerates the rider, m v dv/dt, follows the power at the pedals. Both are
    means over the same interval, so their cross-correlation has its peak at the lag; a parabola
    through its three highest points gives the fraction.
    """
    time, power, speed = recording.time_s, recording.power_w, recording.speed_m_s
    step = float(np.median(np.diff(time)))
    grid = np.arange(time[0], time[-1], step)
    known = np.isfinite(power) & np.isfinite(speed)
    if known.sum() < 60:
        return None
    drive = np.interp(grid, time[known], power[known])
    v = np.interp(grid, time[known], speed[known])
    gain = np.concatenate(([0.0], np.diff(0.5 * v**2))) / step
    # The brake takes energy that no power shows; without it a rider loses this much at most.
    gain = np.maximum(gain, -COASTING_LOSS_M2_S3)
    most = int(np.ceil(LARGEST_LAG_S / step))
    lags = []
    size = int(LAG_PIECE_S / step)
    for first in range(0, len(grid) - size, size):
        part = slice(first, first + size)
        moving = v[part] > MOVING_M_S
        if moving.mean() < 0.5:
            continue
        lag = _peak(drive[part], gain[part], moving, most)
        if lag is not None:
            lags.append(lag * step)
    found = _mean(lags, "power_lag_s", "s", "power is late against speed by (power_meter.delay_s)")
    if found is None:
        return None
    se = float(np.hypot(found.se or 0.0, PEAK_SHAPE_ERROR * step))
    if found.value < -2.0 * se:
        return replace(
            found, se=se,
            what="power is late against speed by (negative: speed is late, as satellite speed is)",
        )  # fmt: skip
    return replace(found, se=se)


def power_zero(recording: Recording) -> Comparison | None:
    """Return the power shown while the cranks stand still and the bike rolls.

    Most meters switch to zero by themselves then, so a zero here proves little; anything else
    is an offset.
    """
    values = [power for _, power in coasting_spells(recording)]
    return _mean(values, "power_zero_w", "W", "power shown while coasting")


def power_zero_drift(recording: Recording) -> Comparison | None:
    """Return by how much the power shown while coasting changes in an hour.

    None with fewer than six spells of coasting, or spells that lie within a quarter of an hour.
    """
    spells = coasting_spells(recording)
    if len(spells) < FEWEST_FOR_A_LINE:
        return None
    hour, power = np.array(spells).T
    if np.ptp(hour) < SHORTEST_LINE_H:
        return None
    t = hour - hour.mean()
    slope = float(t @ power / (t @ t))
    rest = power - power.mean() - slope * t
    se = float(np.sqrt(rest @ rest / (len(t) - 2) / (t @ t)))
    return Comparison(
        quantity="power_zero_drift_w_h", value=slope, se=se or None, unit="W/h", pieces=len(t),
        what="change of the power shown while coasting",
    )  # fmt: skip


def coasting_spells(recording: Recording) -> list[tuple[float, float]]:
    """Return time [h] and mean power [W] of every spell of coasting; none without cadence."""
    cadence = recording.cadence_rpm
    if cadence is None:
        return []
    still = np.nan_to_num(cadence, nan=99.0) < COASTING_RPM
    still &= recording.speed_m_s > RIDING_M_S
    settled = still.copy()
    for k in range(
        1, int(ZERO_AFTER_S / max(float(np.median(np.diff(recording.time_s))), 0.1)) + 1
    ):
        settled[k:] &= still[:-k]
        settled[:k] = False
    change = np.flatnonzero(np.diff(np.concatenate(([0], settled.astype(int), [0]))))
    return [
        (
            float(np.mean(recording.time_s[a:b])) / 3600.0,
            float(np.nanmean(recording.power_w[a:b])),
        )
        for a, b in zip(change[::2], change[1::2], strict=True)
        if np.isfinite(recording.power_w[a:b]).any()
    ]


def altimeter_trend(
    recording: Recording, spans: Sequence[tuple[float, float]]
) -> Comparison | None:
    """Estimate the drift of the altimeter from passes over the same road.

    Parameters
    ----------
    recording : Recording
    spans : sequence of (start_s, end_s)
        Passes over the same stretch, in either direction, in recording time. [s]

    Returns
    -------
    Comparison or None
        [m/h]; None with fewer than four passes.
    """
    if recording.altitude_m is None:
        return None
    times, heights = [], []
    for start, end in spans:
        inside = (recording.time_s >= start) & (recording.time_s <= end)
        altitude = recording.altitude_m[inside]
        if np.isfinite(altitude).any():
            times.append(0.5 * (start + end) / 3600.0)
            heights.append(float(np.nanmean(altitude)))
    if len(times) < FEWEST_PIECES or np.ptp(times) == 0.0:
        return None
    t, h = np.array(times) - np.mean(times), np.array(heights)
    slope = float(t @ h / (t @ t))
    rest = h - h.mean() - slope * t
    # Pressure wanders: neighbouring residuals go together, which a factor for an
    # autoregression of first order allows for (Bartlett 1946, from memory).
    near = float(np.clip(rest[1:] @ rest[:-1] / max(rest @ rest, 1e-12), 0.0, 0.9))
    variance = float(rest @ rest) / (len(t) - 2) / float(t @ t) * (1 + near) / (1 - near)
    return Comparison(
        quantity="altimeter_trend_m_h", value=slope, se=float(np.sqrt(variance)) or None,
        unit="m/h", pieces=len(t), what="drift of the altimeter over passes of the same road",
    )  # fmt: skip


def _peak(drive: Floats, gain: Floats, moving: NDArray[np.bool_], most: int) -> float | None:
    """Return the lag in samples at which `drive` follows `gain`; None if no peak inside."""
    a, b = np.diff(drive), np.where(moving[1:] & moving[:-1], np.diff(gain), 0.0)
    if a.std() == 0.0 or b.std() == 0.0:
        return None
    core = slice(most, len(a) - most)
    score = np.array(
        [float(np.dot(a[most + k : len(a) - most + k], b[core])) for k in range(-most, most + 1)]
    )
    top = int(np.argmax(score))
    if top in (0, len(score) - 1):
        return None
    left, middle, right = score[top - 1 : top + 2]
    bend = left - 2 * middle + right
    return top - most + (0.5 * float(left - right) / float(bend) if bend < 0 else 0.0)


def _mean(values: list[float], quantity: str, unit: str, what: str) -> Comparison | None:
    """Return median and its uncertainty from the spread of pieces; outliers do not pull."""
    if len(values) < FEWEST_PIECES:
        return None
    array = np.array(values)
    middle = float(np.median(array))
    spread = max(1.4826 * float(np.median(np.abs(array - middle))), float(np.std(array)) * 1e-3)
    # The median of normal values has sqrt(pi/2) times the uncertainty of their mean.
    se = float(spread * np.sqrt(np.pi / 2 / len(array)))
    return Comparison(
        quantity=quantity, value=middle, se=se or None, unit=unit, pieces=len(array), what=what
    )
