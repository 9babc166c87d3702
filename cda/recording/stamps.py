"""Time stamps in order: clocks set back, stamps repeated, unordered or out of this world."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cda.errors import RecordingError
from cda.recording.joined import Shift, clock_jumps, jump_finding, one_device
from cda.results import Finding
from cda.results.numbers import counted

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray


def ordered(
    clock: NDArray[np.float64],
    columns: Mapping[str, NDArray[np.float64]],
    name: str,
    found: list[Finding],
) -> tuple[NDArray[np.float64], dict[str, NDArray[np.float64]], list[Shift]]:
    """Return strictly increasing stamps, the columns that belong to them, and moves of the clock.

    The moves are those of `clock_jumps`, for stamps that are not among the samples.
    """
    samples, good = len(clock), np.isfinite(clock)
    shifts: list[Shift] = []
    if np.sum(good) >= 2:
        clock, columns = clock[good].astype(np.float64), {k: v[good] for k, v in columns.items()}
        clock, shifts = clock_jumps(clock, columns)
        if shifts:
            found.append(jump_finding(shifts, name))
        good = np.isfinite(clock)
    if np.any(good):
        # A flipped bit moves a stamp by years; a test with its drive fits into two days.
        good &= np.abs(clock - np.median(clock[good])) <= 2 * 86400.0
    lost = samples - int(np.sum(good))
    if np.sum(good) < 2:
        raise RecordingError(
            f"{counted(int(np.sum(good)), 'sample')} with a usable time stamp",
            where=name,
            fix="export the recording again",
        )
    if lost:
        found.append(
            Finding(
                severity="warning" if lost > 0.01 * samples else "note",
                code="stamps-unusable",
                where=name,
                message=f"{counted(lost, 'sample')} without a usable time stamp left out",
            )
        )
    clock = clock[good].astype(np.float64)
    data = {k: np.array(v, dtype=np.float64)[good] for k, v in columns.items()}
    if not _continues(data.get("distance_m"), np.flatnonzero(np.diff(clock) < 0)):
        clock, data = one_device(clock, data, name, found)
    steps = np.diff(clock)
    forward = steps[steps > 0]
    step = float(np.median(forward)) if len(forward) else 1.0
    back = np.flatnonzero(steps < 0)
    if 0 < len(back) <= 3 and _continues(data.get("distance_m"), back):
        # Distance runs on while the clock goes back: the clock was set. The later clock is taken
        # as right, because it is GPS that corrects it.
        for i in back:
            clock[: i + 1] += clock[i + 1] - step - clock[i]
        found.append(
            Finding(
                severity="warning",
                code="clock-set-back",
                where=name,
                message=f"the clock was set back {counted(len(back), 'time')}, by up to "
                f"{-float(np.min(steps)):.0f} s; the samples before were moved",
                fix="check laps and times of runs before that",
            )
        )
    elif len(back):
        order = np.argsort(clock, kind="stable")
        clock = clock[order]
        data = {k: v[order] for k, v in data.items()}
        found.append(
            Finding(
                severity="warning",
                code="stamps-unordered",
                where=name,
                message=f"time ran backwards at {counted(len(back), 'sample')}; all were put "
                "in order",
                fix="check whether two devices or two rides were joined",
            )
        )
    unique, first, count = np.unique(clock, return_index=True, return_counts=True)
    if len(unique) == len(clock):
        return clock, data, shifts
    # Not after sorting: then two devices or copies were joined, and stamps repeat for that reason.
    if len(clock) >= 1.5 * len(unique) and len(unique) > 2 and not len(back):
        # Several samples a second stamped with whole seconds: spread over the second.
        within = np.arange(len(clock)) - np.repeat(first, count)
        clock = clock + step * within / np.repeat(count, count)
        message = f"several samples share each stamp; they were spread over {step:g} s"
        found.append(Finding(severity="note", code="stamps-spread", where=name, message=message))
        return clock, data, shifts
    merged = {}
    for key, values in data.items():
        out = values[first]
        for k in np.flatnonzero(count > 1):  # the first sample that is not missing
            group = values[first[k] : first[k] + count[k]]
            known = group[~np.isnan(group)]
            out[k] = known[0] if len(known) else np.nan
        merged[key] = out
    found.append(
        Finding(
            severity="note",
            code="stamps-duplicated",
            where=name,
            message=f"{counted(len(clock) - len(unique), 'sample')} with another's stamp merged",
        )
    )
    if len(unique) < 2:
        raise RecordingError(
            "all samples have the same time stamp", where=name, fix="export the recording again"
        )
    return unique, merged, shifts


def _continues(distance: NDArray[np.float64] | None, back: NDArray[np.intp]) -> bool:
    """Whether distance runs on, by less than 200 m, over each step back in time."""
    if distance is None or not len(back):
        return False
    steps = distance[back + 1] - distance[back]
    return bool(np.all((steps >= 0.0) & (steps < 200.0)))
