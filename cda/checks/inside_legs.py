"""What happened inside a leg: a vehicle that drew the rider along, a rider who sat up.

Evidence is energy that does not fit. The work of a leg less its kinetic energy, rolling and air is
set against what the shared road took at the same place in the other legs; what is left over is
searched for two shapes. Gusts leave something over as well, and with a memory of tens of seconds,
so the search is a generalised least-squares fit of each shape with the covariance that the day's
own legs show (a whitened matched filter).
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
_STEP_S: Final = 1.0  # of what is left over
_CLIPPED_SD: Final = 4.0  # what is looked for must not widen what it is compared with
_EVERY_S: Final = 2  # onsets tried
_SHOWN_SHARE: Final = 0.6  # of a shape that must lie inside the leg
_SHORTEST_S: Final = 30.0  # of a leg, for a part of it to stand out
_LONGEST_S: Final = 1200.0  # the cost grows with the square

Shape = Literal["sat-up", "vehicle"]
_SOUGHT: Final[tuple[tuple[Shape, float, int], ...]] = (  # sign: +1 against the rider
    *(("sat-up", 1.0, seconds) for seconds in limit.SAT_UP_DURATIONS_S),
    *(("vehicle", -1.0, seconds) for seconds in limit.VEHICLE_DECAYS_S),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Episode:
    """A part of a leg whose energy does not fit.

    Attributes
    ----------
    shape : "sat-up" or "vehicle"
        More drag for a while and then as before; or a sudden pull that dies away.
    after_s : float
        Onset, from the start of the leg. [s]
    duration_s : float
        How long more drag lasted, or the time in which the pull falls to 1/e. [s]
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
    """Search every leg for more drag for a while, and for a pull that dies away.

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
    rests = _left_over(known)
    lengths = np.array([len(r) for r in rests])
    longest = int(lengths.max())
    whiten = _whitening(rests, longest)
    ridden = np.arange(longest) < lengths[:, None]
    seen = np.zeros(ridden.shape)
    seen[ridden] = np.concatenate(rests)
    seen = np.where(ridden, seen @ whiten.T, 0.0)
    speeds = [float(np.mean(leg.speed_m_s)) for leg in known]
    found: dict[int, Episode] = {}
    for shape, sign, duration in _SOUGHT:
        templates, onsets = _templates(shape, duration, longest)
        forces, scores = _fit(seen, lengths, whiten, templates)
        wide = 1.4826 * float(np.median(np.abs(scores[np.isfinite(scores)])))
        mine = np.where(np.isfinite(scores), sign * scores / max(wide, 1.0), -np.inf)
        best = np.argmax(mine, axis=1)
        for n in np.flatnonzero(mine.max(axis=1) > limit.EPISODE_SCORE[shape]).tolist():
            k, leg, speed = best[n], known[n], speeds[n]
            score, force = float(mine[n, k]), float(forces[n, k])
            energy = force * float(templates[: lengths[n], k].sum()) * _STEP_S * speed
            if abs(energy) < limit.EPISODE_J or (n in found and found[n].score >= score):
                continue
            found[n] = Episode(
                leg=leg, shape=shape, after_s=float(onsets[k]) * _STEP_S,
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


def _left_over(legs: Sequence[Leg]) -> list[Floats]:
    """Return, for each leg, the force a second that the shared road does not explain [N]."""
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
        seconds = np.arange(0.0, leg.time_s[-1] - leg.time_s[0], _STEP_S) + leg.time_s[0]
        rest = np.interp(seconds, leg.time_s, energy - (height - height[0]))
        metres = np.abs(np.diff(np.interp(seconds, leg.time_s, leg.along_m)))
        force = np.diff(rest) / np.maximum(metres, 1.0)
        rests.append(force - np.median(force))
    return rests


def _whitening(rests: Sequence[Floats], longest: int) -> Floats:
    """Return what makes the legs' noise white and of width 1, shape (longest, longest).

    The inverse of the Cholesky factor of the covariance, which comes from the autocovariance over
    all legs, divided by their whole length: positive definite. Leading blocks serve shorter legs.
    """
    everything = np.concatenate(rests)
    width = 1.4826 * float(np.median(np.abs(everything)))
    spectrum = np.zeros(longest + 1)
    for rest in rests:
        clipped = np.clip(rest, -_CLIPPED_SD * width, _CLIPPED_SD * width)
        spectrum += np.abs(np.fft.rfft(clipped - clipped.mean(), 2 * longest)) ** 2
    auto = np.fft.irfft(spectrum, 2 * longest)[:longest] / len(everything)
    lag = np.arange(longest)
    covariance = auto[np.abs(lag[:, None] - lag[None, :])]
    covariance[lag, lag] += 1e-6 * auto[0] + 1e-9
    return np.asarray(np.linalg.inv(np.linalg.cholesky(covariance)), dtype=np.float64)


def _templates(shape: str, duration_s: int, longest: int) -> tuple[Floats, NDArray[np.int64]]:
    """Return one shape a column for every onset tried, and the onsets."""
    t = np.arange(longest)[:, None]
    onsets = np.arange(0, longest, _EVERY_S)
    since = t - onsets[None, :]
    if shape == "sat-up":
        return ((since >= 0) & (since < duration_s)).astype(np.float64), onsets
    return np.where(since >= 0, np.exp(-np.maximum(since, 0) / duration_s), 0.0), onsets


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
    information[shown[last] < _SHOWN_SHARE * shown[-1].max()] = np.nan
    mean = (seen @ level)[:, None] / flat
    forces = (seen @ white - mean * shared) / information
    return forces, forces * np.sqrt(information)
