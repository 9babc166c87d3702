"""What happened inside a leg: a vehicle that passed, a rider who sat up.

Evidence is energy that does not fit. The work of a leg less its kinetic energy, rolling and air is
set against what the shared road took at the same place in the other legs; what is left over is
searched for three shapes. Gusts leave something over as well, and with a memory of tens of seconds,
so the search is a generalised least-squares fit of each shape with the covariance that the day's
own legs show (a whitened matched filter). Gusts set the limit: what is found and what is not is
counted in tests/studies/disturbances.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

import numpy as np

from cda.checks import thresholds as limit
from cda.checks.balance import HALF_DENSITY_KG_M3, energy_taken_j

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from cda.legs import Leg

    Floats = NDArray[np.float64]

_CELL_M: Final = 20.0  # of the shared road
_SHORTEST_STEP_S: Final = 1.0  # of what is left over; longer where samples are rarer
_LOWEST_RAD: Final = 0.04  # per step: waves of 160 s at one a second
_BANDS: Final = 28
_FEWEST_IN_BAND: Final = 10
_MEDIAN_CHI2: Final = 0.4549  # of one degree of freedom
_EVERY: Final = 2  # steps between the onsets tried
_SHOWN_SHARE: Final = 0.6  # of a shape that must lie inside the leg
_SHORTEST_S: Final = 30.0  # of a leg, for a part of it to stand out
_LONGEST_S: Final = 1200.0  # the cost grows with the square

Shape = Literal["sat-up", "vehicle", "oncoming"]
_SOUGHT: Final[tuple[tuple[Shape, float, int], ...]] = (  # sign: +1 against the rider
    *(("sat-up", 1.0, seconds) for seconds in limit.SAT_UP_DURATIONS_S),
    *(("vehicle", -1.0, seconds) for seconds in limit.VEHICLE_DECAYS_S),
    *(("oncoming", 1.0, seconds) for seconds in limit.ONCOMING_DECAYS_S),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Episode:
    """A part of a leg whose energy does not fit.

    Attributes
    ----------
    shape : "sat-up", "vehicle" or "oncoming"
        More drag for a while and then as before; a sudden pull that dies away; a sudden push
        against the rider that dies away.
    after_s : float
        Onset, from the start of the leg. [s]
    duration_s : float
        How long more drag lasted, or the time in which a pull or push falls to 1/e. [s]
    force_n : float
        Against the rider, mean or at its onset; negative pulls. [N]
    energy_j : float
        What it took from the rider in the leg; negative: gave. [J]
    drag_m2 : float
        The force as drag area at the leg's mean speed. [m^2]
    score : float
        The force over its standard error.
    """

    leg: Leg
    shape: Shape
    after_s: float
    duration_s: float
    force_n: float
    energy_j: float
    drag_m2: float
    score: float


def find_episodes(legs: Sequence[Leg]) -> tuple[Episode, ...]:
    """Search every leg for more drag for a while, and for a pull or push that dies away.

    Parameters
    ----------
    legs : sequence of Leg
        Of one day, over one road; legs that coast or brake are better left out, they show anyway.

    Returns
    -------
    tuple of Episode
        At most one a leg, the one that stands out most. None from fewer than
        `thresholds.EPISODE_LEGS` legs: too few to know what fits.
    """
    known = [leg for leg in legs if _searchable(leg)]
    if len(known) < limit.EPISODE_LEGS:
        return ()
    step = max(float(np.median(np.diff(known[0].time_s[1:-1]))), _SHORTEST_STEP_S)
    rests = _left_over(known, step)
    lengths = np.array([len(r) for r in rests])
    longest = int(lengths.max())
    whiten = _whitening(rests, longest, step)
    ridden = np.arange(longest) < lengths[:, None]
    seen = np.zeros(ridden.shape)
    seen[ridden] = np.concatenate(rests)
    seen = np.where(ridden, seen @ whiten.T, 0.0)
    speeds = [float(np.mean(leg.speed_m_s)) for leg in known]
    found: dict[int, Episode] = {}
    for shape, sign, duration in _SOUGHT:
        templates, onsets = _templates(shape, duration / step, longest)
        forces, scores = _fit(seen, lengths, whiten, templates)
        wide = 1.4826 * float(np.median(np.abs(scores[np.isfinite(scores)])))
        mine = np.where(np.isfinite(scores), sign * scores / max(wide, 1.0), -np.inf)
        best = np.argmax(mine, axis=1)
        for n in np.flatnonzero(mine.max(axis=1) > limit.EPISODE_SCORE[shape]).tolist():
            k, leg, speed = best[n], known[n], speeds[n]
            score, force = float(mine[n, k]), float(forces[n, k])
            energy = force * float(templates[: lengths[n], k].sum()) * step * speed
            if abs(energy) < limit.EPISODE_J or (n in found and found[n].score >= score):
                continue
            found[n] = Episode(
                leg=leg, shape=shape, after_s=float(onsets[k]) * step,
                duration_s=float(duration), force_n=force, energy_j=energy,
                drag_m2=force / (HALF_DENSITY_KG_M3 * speed**2), score=score,
            )  # fmt: skip
    return tuple(found[n] for n in sorted(found))


def _searchable(leg: Leg) -> bool:
    """Say whether power is known throughout and the leg is neither too short nor too long."""
    return (
        bool(np.isfinite(leg.power_w[1:]).all())
        and bool(np.isfinite(leg.speed_m_s).all())
        and _SHORTEST_S <= leg.time_s[-1] - leg.time_s[0] <= _LONGEST_S
    )


def _left_over(legs: Sequence[Leg], step_s: float) -> list[Floats]:
    """Return, for each leg, the force a step that the shared road does not explain [N]."""
    low = max(min(float(g.along_m[0]), float(g.along_m[-1])) for g in legs)
    high = min(max(float(g.along_m[0]), float(g.along_m[-1])) for g in legs)
    edges = np.linspace(low, high, max(2, round((high - low) / _CELL_M)) + 1)
    width = edges[1] - edges[0]
    taken = [energy_taken_j(leg) for leg in legs]
    cells = []
    for leg, energy in zip(legs, taken, strict=True):
        place, order = leg.along_m, slice(None, None, leg.direction)
        force = np.diff(np.interp(edges, place[order], energy[order])) / width
        cells.append(force - np.median(force))
    road = np.concatenate(([0.0], np.cumsum(np.median(cells, axis=0)) * width))
    rests = []
    for leg, energy in zip(legs, taken, strict=True):
        # What the road takes on the way out it gives on the way back, as height does.
        height = np.interp(leg.along_m, edges, road)
        # On the recording's own stamps: between them, noise of the speed would be smoothed.
        seconds = np.arange(leg.time_s[1], leg.time_s[-1], step_s)
        rest = np.interp(seconds, leg.time_s, energy - (height - height[0]))
        metres = np.abs(np.diff(np.interp(seconds, leg.time_s, leg.along_m)))
        force = np.diff(rest) / np.maximum(metres, 1.0)
        rests.append(force - np.median(force))
    return rests


def _whitening(rests: Sequence[Floats], longest: int, step_s: float) -> Floats:
    """Return what makes the legs' noise white and of width 1, shape (longest, longest).

    The inverse of the Cholesky factor of the covariance; leading blocks serve shorter legs. Gusts
    are taken as a process with exponential memory, power as white noise, and speed as white noise
    of the momentum, which differs from second to second. Their sizes come from the spectra of the
    day's legs (Whittle's likelihood, from memory) in cosines, which hold no constant and do not
    take a leg for a ring; medians over the legs, so that what is looked for does not widen what
    it is compared with.
    """
    frequency, power, count = _spectrum(rests)
    found = _noise(frequency, power, count, step_s)
    lag = np.arange(longest)
    auto = found.gust * np.exp(-lag * step_s / found.memory_s)
    auto[0] += found.white + 2.0 * found.momentum
    if longest > 1:
        auto[1] -= found.momentum
    covariance = auto[np.abs(lag[:, None] - lag[None, :])]
    return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)), dtype=np.float64)


def _spectrum(rests: Sequence[Floats]) -> tuple[Floats, Floats, Floats]:
    """Return frequencies [rad/step], median power there [N^2] and how many values are behind."""
    from scipy.fft import dct

    places = [np.pi * np.arange(1, len(r)) / len(r) for r in rests]
    values = [dct(r, type=2, norm="ortho")[1:] ** 2 for r in rests]
    place, value = np.concatenate(places), np.concatenate(values)
    bands = np.concatenate(([0.0], np.geomspace(_LOWEST_RAD, np.pi + 1e-9, _BANDS)))
    band = np.digitize(place, bands)
    rows = []
    for k in range(1, len(bands)):
        mine = band == k
        if mine.sum() >= _FEWEST_IN_BAND:
            middle = float(np.exp(np.mean(np.log(place[mine]))))
            rows.append((middle, float(np.median(value[mine])) / _MEDIAN_CHI2, float(mine.sum())))
    columns = np.array(rows, dtype=np.float64).T
    return columns[0], np.maximum(columns[1], 1e-9), columns[2]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Noise:
    """Variances [N^2] and the memory of gusts [s]."""

    gust: float
    memory_s: float
    white: float
    momentum: float


def _noise(frequency: Floats, power: Floats, count: Floats, step_s: float) -> _Noise:
    """Fit the sizes of the three kinds of noise to a spectrum."""
    from scipy.optimize import minimize

    turn = 2.0 * (1.0 - np.cos(frequency))
    level = float(np.median(power))

    def model(log: Floats) -> Floats:
        gust, memory, white, momentum = np.exp(log)
        keep = np.exp(-step_s / memory)
        exponential = gust * (1.0 - keep**2) / ((1.0 - keep) ** 2 + keep * turn)
        return np.asarray(exponential + white * level + momentum * level * turn)

    def lack_of_fit(log: Floats) -> float:
        expected = model(log)
        # A weak prior on the memory, 20 s and a factor of 2.2: gusts last seconds to a minute.
        prior = 0.5 * ((log[1] - np.log(20.0)) / 0.8) ** 2
        return float(0.5 * np.sum(count * (np.log(expected) + power / expected)) + prior)

    starts = [np.log([level, memory, 0.2, 0.3]) for memory in (10.0, 30.0)]
    bounds = [(np.log(1e-4 * level), np.log(1e3 * level)), (np.log(2.0), np.log(150.0)),
              (-9.0, 3.0), (-9.0, 3.0)]  # fmt: skip
    best = min(
        (minimize(lack_of_fit, start, method="L-BFGS-B", bounds=bounds) for start in starts),
        key=lambda result: float(result.fun),
    )
    gust, memory, white, momentum = (float(v) for v in np.exp(best.x))
    return _Noise(gust=gust, memory_s=memory, white=white * level, momentum=momentum * level)


def _templates(shape: str, steps: float, longest: int) -> tuple[Floats, NDArray[np.int64]]:
    """Return one shape a column for every onset tried, and the onsets."""
    t = np.arange(longest)[:, None]
    onsets = np.arange(0, longest, _EVERY)
    since = t - onsets[None, :]
    if shape == "sat-up":
        return ((since >= 0) & (since < steps)).astype(np.float64), onsets
    return np.where(since >= 0, np.exp(-np.maximum(since, 0) / steps), 0.0), onsets


def _fit(
    seen: Floats, lengths: NDArray[np.int64], whiten: Floats, templates: Floats
) -> tuple[Floats, Floats]:
    """Fit each template with a free mean to each whitened leg, zero beyond its length.

    Returns
    -------
    forces, scores : ndarray, shape (legs, onsets)
        The force [N], and it over its standard error; NaN where the leg ends too early to tell.
    """
    last = lengths - 1
    white, level = whiten @ templates, whiten.sum(axis=1)
    own = np.cumsum(white**2, axis=0)[last]
    shared = np.cumsum(white * level[:, None], axis=0)[last]
    flat = np.cumsum(level**2)[last][:, None]
    shown = np.cumsum(templates, axis=0)
    information = own - shared**2 / flat
    information[information <= 1e-6 * own] = np.nan  # as flat as the leg's mean, which is free
    information[shown[last] < _SHOWN_SHARE * shown[-1].max()] = np.nan
    mean = (seen @ level)[:, None] / flat
    forces = (seen @ white - mean * shared) / information
    return forces, forces * np.sqrt(information)
