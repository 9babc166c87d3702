"""From raw columns to a validated `Recording`: nothing repaired or left out without a finding."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.errors import MissingChannelError, RecordingError
from cda.recording.joined import moved
from cda.recording.ride import MAX_SAMPLES, PLAUSIBLE, Lap, Recording
from cda.recording.stamps import ordered
from cda.results import Finding
from cda.results.numbers import counted

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

RIDING_M_S: Final = 2.0  # slower, somebody stands, walks or turns


@dataclass(frozen=True, slots=True, kw_only=True)
class RawLap:
    """A lap on the file's own clock, before the recording has a first sample to count from [s]."""

    start_s: float
    end_s: float
    trigger: str | None = None
    number: int | None = None


def build_recording(
    *,
    name: str,
    sha256: str,
    format: str,
    clock_s: NDArray[np.float64],
    columns: Mapping[str, NDArray[np.float64]],
    laps: Sequence[RawLap] = (),
    lap_column: NDArray[np.float64] | None = None,
    clock_is_utc: bool = True,
    utc_offset_s: float | None = None,
    findings: Sequence[Finding] = (),
) -> Recording:
    """Return the validated recording of raw columns; what is repaired is reported.

    Parameters
    ----------
    name, sha256, format : str
        As in `Recording`.
    clock_s : ndarray, shape (n,)
        The file's clock, in file order: Unix time where `clock_is_utc`. [s]
    columns : mapping of str to ndarray, shape (n,)
        Channels by their names in `PLAUSIBLE`, SI units, NaN where missing.
    laps : sequence of RawLap
        On the file's clock.
    lap_column : ndarray, shape (n,), optional
        Lap number of each sample, in place of `laps`.
    clock_is_utc : bool, default True
        False: `clock_s` counts seconds from somewhere.
    utc_offset_s : float or None
        Local time minus UTC, where the file says it. [s]
    findings : sequence of Finding
        What the reader already found.

    Raises
    ------
    MissingChannelError
        Without power, or without both speed and distance.
    RecordingError
        With fewer than two usable samples, or more than `MAX_SAMPLES`.
    """
    found = list(findings)
    if len(clock_s) > MAX_SAMPLES:
        raise RecordingError(
            f"{len(clock_s)} samples; at most {MAX_SAMPLES} are read",
            where=name,
            fix="cut the recording to the test",
        )
    columns = {k: v for k, v in columns.items() if np.any(~np.isnan(v))}
    names = ", ".join(columns) or "none"
    if "power_w" not in columns:
        raise MissingChannelError(
            f"no channel power_w (found: {names})",
            where=name,
            fix='record with a power meter, or name the column: --column power_w="Power (W)", in '
            'session.toml columns = { power_w = "Power (W)" }',
        )
    if "speed_m_s" not in columns and "distance_m" not in columns:
        raise MissingChannelError(
            f"neither speed_m_s nor distance_m (found: {names})",
            where=name,
            fix="record with a speed sensor or GPS, or name the column: --column "
            'distance_m="Distance (km)", in session.toml columns = { distance_m = ... }',
        )
    if lap_column is not None:
        columns = columns | {"lap": lap_column}
    clock, data, shifts = ordered(clock_s, columns, name, found)
    lap_numbers = data.pop("lap", None)
    _drop_implausible(data, name, found)
    if not np.any(np.isfinite(data["power_w"])):
        raise MissingChannelError(
            "no believable sample of power_w", where=name, fix="check the power meter and its unit"
        )
    origin = float(clock[0])
    time_s = clock - origin
    if "distance_m" in data:
        data["distance_m"] = _monotone(data["distance_m"], name, found)
    speed, distance, speed_source, distance_source = _speed_and_distance(time_s, data, name, found)
    _report_gaps_and_freezes(time_s, data["power_w"], speed, name, found)
    if lap_numbers is not None:
        laps_out = _laps_of_column(time_s, lap_numbers)
    else:
        laps_out = tuple(
            Lap(
                number=lap.number if lap.number is not None else k,
                start_s=moved(lap.start_s, shifts) - origin,
                end_s=moved(lap.end_s, shifts) - origin,
                trigger=lap.trigger,
            )
            for k, lap in enumerate(laps, start=1)
        )
    optional = {k: v for k, v in data.items() if k not in ("power_w", "speed_m_s", "distance_m")}
    for array in (time_s, speed, distance, data["power_w"], *optional.values()):
        array.flags.writeable = False
    start = None
    if clock_is_utc:
        try:
            start = datetime.fromtimestamp(origin, UTC)
        except (ValueError, OverflowError, OSError) as error:
            raise RecordingError(
                f"the first time stamp, {origin:g} s, is no date",
                where=name,
                fix="export the recording again",
            ) from error
    return Recording(
        name=name,
        sha256=sha256,
        format=format,
        time_s=time_s,
        power_w=data["power_w"],
        speed_m_s=speed,
        distance_m=distance,
        laps=laps_out,
        start_utc=start,
        utc_offset_s=utc_offset_s,
        own_time_start_s=None if clock_is_utc else origin,
        speed_source=speed_source,
        distance_source=distance_source,
        findings=tuple(found),
        **optional,
    )


def _drop_implausible(
    data: dict[str, NDArray[np.float64]], name: str, found: list[Finding]
) -> None:
    for key in list(data):
        low, high = PLAUSIBLE[key]
        values = data[key]
        wrong = ~np.isnan(values) & ~((values >= low) & (values <= high))
        count = int(np.sum(wrong))
        if not count:
            continue
        values[wrong] = np.nan
        if np.all(np.isnan(values)) and key != "power_w":
            del data[key]
        found.append(
            Finding(
                severity="warning" if count > 0.01 * len(values) else "note",
                code="values-implausible",
                where=f"{name}, {key}",
                message=f"{counted(count, 'value')} outside {low:g} to {high:g} taken as missing",
                fix="check the sensor and the unit of the column",
            )
        )


def _monotone(
    distance: NDArray[np.float64], name: str, found: list[Finding]
) -> NDArray[np.float64]:
    """Return distance that never falls: small steps back held, resets carried on."""
    known = np.flatnonzero(~np.isnan(distance))
    values = distance[known]
    steps = np.diff(values)
    if not np.any(steps < 0):
        return distance
    resets = steps < -5.0  # common practice, no source: smaller steps back are GPS wander
    values = values + np.concatenate([[0.0], np.cumsum(np.where(resets, -steps, 0.0))])
    found.append(
        Finding(
            severity="warning" if np.any(resets) else "note",
            code="distance-repaired",
            where=name,
            message=f"distance fell {counted(int(np.sum(steps < 0)), 'time')} "
            f"({int(np.sum(resets))} of them a new start); it was carried on",
            fix="check whether two devices or two rides were joined" if np.any(resets) else "",
        )
    )
    out = distance.copy()
    out[known] = np.maximum.accumulate(values)
    return out


def _speed_and_distance(
    time_s: NDArray[np.float64],
    data: dict[str, NDArray[np.float64]],
    name: str,
    found: list[Finding],
) -> tuple[NDArray[np.float64], NDArray[np.float64], str, str]:
    """Return speed and distance, each derived from the other where it is missing."""
    speed, distance = data.get("speed_m_s"), data.get("distance_m")
    known_v = np.zeros(len(time_s), bool) if speed is None else ~np.isnan(speed)
    known_d = np.zeros(len(time_s), bool) if distance is None else ~np.isnan(distance)
    if max(np.sum(known_v), np.sum(known_d)) < 2:
        raise MissingChannelError(
            "fewer than two believable samples of speed_m_s or distance_m",
            where=name,
            fix="check the speed sensor and the unit of the column",
        )
    sources = ["recorded", "recorded"]
    v = np.full(len(time_s), np.nan) if speed is None else speed.copy()
    d = np.full(len(time_s), np.nan) if distance is None else distance.copy()
    if np.sum(known_d) >= 2 and not np.all(known_v):
        slope = np.full(len(time_s), np.nan)
        slope[known_d] = np.gradient(d[known_d], time_s[known_d])
        fill = ~known_v & known_d
        v[fill] = slope[fill]
        if speed is None:
            sources[0] = "distance"
        elif np.any(fill):
            found.append(_filled("speed_m_s", int(np.sum(fill)), "distance", name))
    have_v = ~np.isnan(v)
    if not np.all(known_d) and np.sum(have_v) >= 2:
        filled = np.interp(time_s, time_s[have_v], v[have_v])
        path = np.concatenate(
            [[0.0], np.cumsum(0.5 * (filled[1:] + filled[:-1]) * np.diff(time_s))]
        )
        missing = ~known_d
        if np.any(known_d):
            # Between two known distances the integral of speed is stretched to fit them.
            offset = np.interp(time_s, time_s[known_d], d[known_d] - path[known_d])
            d[missing] = np.maximum(0.0, (path + offset)[missing])
            d = np.maximum.accumulate(d)
            found.append(_filled("distance_m", int(np.sum(missing)), "speed", name))
        else:
            d = path
            sources[1] = "speed"
    return v, d, sources[0], sources[1]


def _filled(channel: str, count: int, source: str, name: str) -> Finding:
    return Finding(
        severity="note",
        code="samples-derived",
        where=f"{name}, {channel}",
        message=f"{counted(count, 'missing sample')} derived from {source}",
    )


def _report_gaps_and_freezes(
    time_s: NDArray[np.float64], power: NDArray[np.float64], speed: NDArray[np.float64],
    name: str, found: list[Finding],
) -> None:  # fmt: skip
    steps = np.diff(time_s)
    usual = float(np.median(steps))
    gaps = steps[steps > max(3.0 * usual, usual + 2.0)]
    if len(gaps):
        found.append(
            Finding(
                severity="note",
                code="recording-gaps",
                where=name,
                message=f"{counted(len(gaps), 'gap')}, the longest {float(np.max(gaps)):.0f} s, "
                f"{float(np.sum(gaps)):.0f} s in all (paused, or samples lost)",
                fix="switch automatic pause off for a test",
            )
        )
    missing = int(np.sum(np.isnan(power)))
    if missing:
        found.append(
            Finding(
                severity="note",
                code="power-missing",
                where=name,
                message=f"power is missing in {missing} of {counted(len(power), 'sample')}",
            )
        )
    # Noise of 4 % a second never repeats one value over half a minute: the sensor hangs.
    # Who stands may show the zero of the meter for as long as he likes.
    ridden = np.where(np.nan_to_num(speed) > RIDING_M_S, power, 0.0)
    change = np.flatnonzero(np.concatenate([[True], np.diff(ridden) != 0, [True]]))
    lengths = np.diff(change)
    frozen = (lengths >= 20) & (ridden[change[:-1]] > 0)
    seconds = [float(time_s[change[k + 1] - 1] - time_s[change[k]]) for k in np.flatnonzero(frozen)]
    seconds = [s for s in seconds if s >= 30.0]
    if seconds:
        found.append(
            Finding(
                severity="warning",
                code="power-frozen",
                where=name,
                message=f"power stands at one value for up to {max(seconds):.0f} s "
                f"({counted(len(seconds), 'time')})",
                fix="check the power meter's battery and connection; leave out runs it touches",
            )
        )


def _laps_of_column(time_s: NDArray[np.float64], numbers: NDArray[np.float64]) -> tuple[Lap, ...]:
    """Return one lap for each unbroken stay at a number.

    A stamp ends its interval, so a lap starts at the last stamp of the lap before it.
    """
    known = np.flatnonzero(np.isfinite(numbers) & (np.abs(numbers) < 1e6))
    if not len(known):
        return ()
    values = np.rint(numbers[known]).astype(int)
    edges = np.flatnonzero(np.diff(values) != 0)
    firsts = np.concatenate([[0], edges + 1])
    lasts = np.concatenate([edges, [len(values) - 1]])
    return tuple(
        Lap(
            number=int(values[a]),
            start_s=float(time_s[max(0, known[a] - 1)]),
            end_s=float(time_s[known[b]]),
        )
        for a, b in zip(firsts, lasts, strict=True)
    )
