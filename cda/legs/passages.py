"""Passages inside a run: where it goes one way, where it turns, where it is ridden steadily."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from cda.recording import Recording

    Floats = NDArray[np.float64]

TURN_SPEED_SHARE: Final = 0.6  # of the run's median speed: slower than this is a turn or a stop
# A crest is climbed ever slower and left ever faster; a turn is braked for, or all but stood in.
CREST_SPEED_SHARE: Final = 0.45  # of the median speed: nobody turns on a road faster than this ...
TURN_BRAKING_M_S2: Final = 0.5  # ... without braking harder than this, over three seconds
TURN_SPEED_BAND_M_S: Final = 0.3  # a turn is ridden at one speed, give or take this
SHORTEST_PASSAGE_SHARE: Final = 0.35  # of the run's longest passage: shorter is a bit of a turn
BRAKING_M_S2: Final = 0.35  # slowing more than this on a level road is the brakes, not the wind
SETTLED_M_S2: Final = 0.12  # speeding up less than this is riding, not starting
SETTLE_WINDOW_S: Final = 5.0  # acceleration is judged over this, so that noise is not a start
GUARD_BEFORE_BRAKING_S: Final = 2.0  # a gate in the second in which braking starts costs 100 J
GUARD_AFTER_START_S: Final = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Passage:
    """A piece of a recording that goes one way, from the end of one turn to the next.

    Attributes
    ----------
    first, last : int
        Samples of the whole passage, from turn to turn.
    steady_first, steady_last : int
        Samples clear of speeding up and braking; `steady_last` <= `steady_first` if none is.
    turn_before_m, turn_after_m : float or None
        Recorded distance at the middle of the turns inside the run. [m]
    """

    run: int
    position: str
    recording: int
    first: int
    last: int
    steady_first: int
    steady_last: int
    turn_before_m: float | None
    turn_after_m: float | None
    number: int


def filled(values: Floats) -> Floats:
    """Fill missing samples by straight lines between their neighbours."""
    good = np.isfinite(values)
    if good.all() or not good.any():
        return values
    index = np.arange(len(values))
    return np.asarray(np.interp(index, index[good], values[good]))


def find_passages(
    recording: Recording,
    spans: tuple[tuple[float, float], ...],
    *,
    run: int,
    position: str,
    index: int,
) -> tuple[Passage, ...]:
    """Return the passages of one run in riding order.

    Parameters
    ----------
    recording : Recording
    spans : tuple of (float, float)
        The run in recording time: one span is the whole run, its turns are found; several are
        one passage each. [s]
    run, position, index : int, str, int
        Of the run and its recording, carried along.
    """
    time = recording.time_s
    speed = filled(recording.speed_m_s)
    distance = filled(recording.distance_m)
    pieces: list[tuple[int, int]] = []
    for start, end in spans:
        first = int(np.searchsorted(time, start, "left"))
        last = int(np.searchsorted(time, end, "right")) - 1
        if last - first >= 5:
            pieces += _between_turns(time, speed, distance, first, last)
    if not pieces:
        return ()
    longest = max(distance[b] - distance[a] for a, b in pieces)
    pieces = [
        (a, b) for a, b in pieces if distance[b] - distance[a] >= SHORTEST_PASSAGE_SHARE * longest
    ]
    passages = []
    for k, (a, b) in enumerate(pieces):
        before = None if k == 0 else _turn_distance(speed, distance, pieces[k - 1][1], a)
        after = (
            None if k == len(pieces) - 1 else _turn_distance(speed, distance, b, pieces[k + 1][0])
        )
        lo, hi = _steady(time, speed, a, b)
        passages.append(
            Passage(
                run=run,
                position=position,
                recording=index,
                first=a,
                last=b,
                steady_first=lo,
                steady_last=hi,
                turn_before_m=before,
                turn_after_m=after,
                number=k,
            )
        )
    return tuple(passages)


def _between_turns(
    time: Floats, speed: Floats, distance: Floats, first: int, last: int
) -> list[tuple[int, int]]:
    """Split samples first..last at slow spots."""
    piece = speed[first : last + 1]
    moving = piece[piece > 1.0]
    if len(moving) < 5:
        return []
    usual = float(np.median(moving))
    fast = piece >= TURN_SPEED_SHARE * usual
    for a, b in _stays(~fast):
        crest = piece[a:b].min() >= CREST_SPEED_SHARE * usual
        if crest and a > 0 and b < len(piece) and not _braked(time, speed, first + a, first + b):
            fast[a:b] = True
    found = [(first + a, first + b - 1) for a, b in _stays(fast) if b - a >= 5]
    return [(a, b) for a, b in found if distance[b] - distance[a] > 50.0]


def _stays(flags: NDArray[np.bool_]) -> list[tuple[int, int]]:
    """Return begin and end of every unbroken stay of True."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    return [(int(a), int(b)) for a, b in zip(edges[::2], edges[1::2], strict=True)]


def _braked(time: Floats, speed: Floats, begin: int, end: int) -> bool:
    """Say whether a slow stay was entered by braking: a fall over three seconds, ten before it."""
    at = time[(time >= time[begin] - 10.0) & (time <= time[end - 1])]
    fall = np.interp(at - 1.5, time, speed) - np.interp(at + 1.5, time, speed)
    return bool(fall.max(initial=0.0) > 3.0 * TURN_BRAKING_M_S2)


def _turn_distance(speed: Floats, distance: Floats, last: int, first: int) -> float:
    """Return the distance at the middle of a turn's slowest stay.

    Braking and speeding up take different metres: the middle of all slow metres is not the turn.
    """
    if first <= last:
        return float(distance[last])
    around = speed[last : first + 1]
    slowest = int(np.argmin(around))
    limit = float(around[slowest]) + max(TURN_SPEED_BAND_M_S, 0.1 * float(around[slowest]))
    a = b = slowest
    while a > 0 and around[a - 1] <= limit:
        a -= 1
    while b < len(around) - 1 and around[b + 1] <= limit:
        b += 1
    return 0.5 * float(distance[last + a] + distance[last + b])


def _steady(time: Floats, speed: Floats, first: int, last: int) -> tuple[int, int]:
    """Return the samples between the end of speeding up and the beginning of braking."""
    t, v = time[first : last + 1], speed[first : last + 1]
    middle = 0.5 * (t[0] + t[-1])
    cruise = float(np.median(v))
    ahead = np.interp(np.minimum(t + SETTLE_WINDOW_S, t[-1]), t, v)
    span_ahead = np.maximum(np.minimum(t + SETTLE_WINDOW_S, t[-1]) - t, 0.5)
    starting = ((ahead - v) / span_ahead > SETTLED_M_S2) & (v < 0.97 * cruise)
    starting |= v < 0.8 * cruise
    early = starting & (t < middle)
    lo = 0
    if early.any():
        # The start is over at the first settled moment, not at the last gust that slowed us.
        run = np.flatnonzero(~starting & (v >= 0.8 * cruise))
        lo = int(run[0]) if len(run) else len(t) - 1
        lo = int(np.searchsorted(t, t[lo] + GUARD_AFTER_START_S))
    hi = len(t) - 1
    step = np.maximum(np.diff(t), 1e-3)
    slowing = np.concatenate([np.diff(v) / step, [0.0]]) < -BRAKING_M_S2
    ending = np.flatnonzero(slowing & (t > middle))
    # Braking at the end is an unbroken fall of speed down to the turn: walk back along it.
    if len(ending):
        k = hi
        while (
            k > 0
            and (t[k] > middle)
            and (v[k - 1] > v[k] + 0.5 * BRAKING_M_S2 * step[k - 1] or v[k] < 0.8 * cruise)
        ):
            k -= 1
        hi = k
        if hi < len(t) - 1:
            hi = int(np.searchsorted(t, t[hi] - GUARD_BEFORE_BRAKING_S, "right")) - 1
    return first + min(lo, len(t) - 1), first + max(hi, 0)
