"""Two devices in one file, and a clock that jumped forward: which samples belong to which time."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.geodesy import ground_distance_m
from cda.results import Finding
from cda.results.numbers import counted

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]

MOST_JUMPS: Final = 3  # more is no clock being set
SHORTEST_JUMP_S: Final = 5.0  # shorter holes are lost samples
RIDING_M_S: Final = 3.0  # who pauses a recording stands, or nearly
SPEED_KEPT_M_S: Final = 1.5  # change of speed within one sample
PLACE_SLACK_M: Final = 15.0  # two satellite errors
NO_RIDE_S: Final = 43_200.0  # a pause of half a day is none
OVERLAP: Final = 0.5  # of the shorter block: two devices at one time
ZIGZAG: Final = 0.2  # share of steps in which the distances of two devices fall

Shift = tuple[float, float]


def clock_jumps(clock: Floats, data: Mapping[str, Floats]) -> tuple[Floats, list[Shift]]:
    """Bring samples before a forward jump of the clock into step with those after it.

    A jump is a hole in time at which the ride goes on as if there were none: riding speed before
    and after, distance one sample on, and the place one sample on. Where no place is known, only
    whole hours (a clock time without offset) and half a day and more are taken for a jump; a
    pause looks the same. The later clock is right: satellites correct it.

    Parameters
    ----------
    clock : ndarray, shape (n,)
        In file order. [s]
    data : mapping of str to ndarray, shape (n,)

    Returns
    -------
    clock : ndarray, shape (n,)
    shifts : list of (until, by)
        Stamps up to `until` were moved by `by`, one after the other. [s]
    """
    steps = np.diff(clock)
    forward = steps[steps > 0]
    distance = data.get("distance_m")
    if distance is None or len(forward) < 10 or np.any(steps < 0) or np.isnan(clock).any():
        return clock, []
    step = float(np.median(forward))
    holes = np.flatnonzero(steps > step + SHORTEST_JUMP_S)
    jumps = [i for i in holes.tolist() if _rides_on(i, float(steps[i]), step, distance, data)]
    if not jumps or len(jumps) > MOST_JUMPS:
        return clock, []
    clock, shifts = clock.copy(), []
    for i in jumps:
        by = float(clock[i + 1] - step - clock[i])
        shifts.append((float(0.5 * (clock[i] + clock[i + 1])), by))
        clock[: i + 1] += by
    return clock, shifts


def moved(moment: float, shifts: Sequence[Shift]) -> float:
    """Return a moment of the file's clock (a lap's) on the repaired clock [s]."""
    for until, by in shifts:
        if moment <= until:
            moment += by
    return moment


def jump_finding(shifts: Sequence[Shift], name: str) -> Finding:
    """Report forward jumps."""
    most = max(by for _, by in shifts)
    return Finding(
        severity="warning",
        code="clock-jumped",
        where=name,
        message=f"the clock jumped forward {counted(len(shifts), 'time')}, by up to {most:.0f} s, "
        "while the ride went on; the samples before were moved",
        fix="check laps and times of runs before that",
    )


def _rides_on(
    i: int, hole: float, step: float, distance: Floats, data: Mapping[str, Floats]
) -> bool:
    """Say whether the ride goes on over the hole after sample i as if there were none."""
    if i < 1 or i + 2 >= len(distance):
        return False
    speed = data.get("speed_m_s")
    if speed is None:
        before, after = (distance[[i, i + 2]] - distance[[i - 1, i + 1]]) / step
    else:
        before, after = speed[i], speed[i + 1]
    ridden = float(distance[i + 1] - distance[i])
    usual = 0.5 * float(before + after) * step
    goes_on = (
        min(before, after) > RIDING_M_S
        and abs(after - before) < SPEED_KEPT_M_S
        and 0.5 * usual < ridden < 1.5 * usual
    )
    if not goes_on:
        return False
    latitude, longitude = data.get("latitude_deg"), data.get("longitude_deg")
    if latitude is not None and longitude is not None:
        place = (latitude[i], longitude[i], latitude[i + 1], longitude[i + 1])
        if np.isfinite(place).all():
            return float(ground_distance_m(*place)) < usual + PLACE_SLACK_M
    hours = hole / 3600.0
    whole_hours = hole > 3000.0 and abs(hours - round(hours)) * 3600.0 < 3.0 * step
    return whole_hours or hole > NO_RIDE_S


def one_device(
    clock: Floats, data: Mapping[str, Floats], name: str, found: list[Finding]
) -> tuple[Floats, dict[str, Floats]]:
    """Keep one of two devices that recorded at the same time; the other fills what it lacks.

    Two devices are two blocks of rising stamps over the same time, or two samples a stamp whose
    distances run apart.
    """
    kept = dict(data)
    parts = _blocks(clock) or _pairs(clock, data)
    if not parts:
        return clock, kept
    worth = [sum(int(np.isfinite(v[p]).sum()) for v in data.values()) for p in parts]
    power = data.get("power_w")
    if power is not None:  # without power nothing can be had
        worth = [
            w + len(clock) * len(data) * bool(np.isfinite(power[p]).any())
            for w, p in zip(worth, parts, strict=True)
        ]
    order = np.argsort(worth)[::-1]
    mine, others = parts[int(order[0])], [parts[int(k)] for k in order[1:]]
    step = float(np.median(np.diff(clock[mine])))
    out = {key: values[mine].copy() for key, values in data.items()}
    filled = []
    for other in others:
        near = np.clip(np.searchsorted(clock[other], clock[mine]), 0, len(other) - 1)
        close = np.abs(clock[other][near] - clock[mine]) <= step
        for key, values in data.items():
            if np.isnan(out[key]).all() and np.isfinite(values[other]).any() and key != "lap":
                out[key] = np.where(close, values[other][near], np.nan)
                filled.append(key)
    left = sum(len(other) for other in others)
    extra = f" but for {', '.join(filled)}, which are in the other alone" if filled else ""
    found.append(
        Finding(
            severity="warning",
            code="devices-joined",
            where=name,
            message=f"the same time is recorded {counted(len(parts), 'time')} (devices joined, or "
            f"a file repeated); what holds most is used, the other {counted(left, 'sample')} left "
            f"out{extra}",
            fix="export one device's recording alone",
        )
    )
    return clock[mine], out


def _blocks(clock: Floats) -> list[NDArray[np.intp]]:
    """Return the blocks of rising stamps if they cover the same time, else nothing."""
    back = np.flatnonzero(np.diff(clock) < 0) + 1
    if not 1 <= len(back) <= MOST_JUMPS:
        return []
    parts = [p for p in np.split(np.arange(len(clock)), back) if len(p) > 1]
    spans = sorted((float(clock[p[0]]), float(clock[p[-1]])) for p in parts)
    for (start, end), (next_start, next_end) in pairwise(spans):
        shared = min(end, next_end) - next_start
        if shared < OVERLAP * min(end - start, next_end - next_start):
            return []
    return parts if len(parts) > 1 else []


def _pairs(clock: Floats, data: Mapping[str, Floats]) -> list[NDArray[np.intp]]:
    """Return the first and the second of two samples a stamp if their distances run apart."""
    distance = data.get("distance_m")
    if distance is None or np.any(np.diff(clock) < 0):
        return []
    first = np.flatnonzero(np.diff(clock, prepend=clock[0] - 1.0) > 0)
    count = np.diff(np.append(first, len(clock)))
    if len(first) < 10 or np.mean(count == 2) < 0.9:
        return []
    falls = np.diff(distance) < 0
    if np.mean(falls) < ZIGZAG:
        return []
    second = first[count >= 2] + 1
    return [first, second]
