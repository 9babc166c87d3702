"""Findings about single legs: coasting, braking, energy that does not fit, length, altimeter.

The energy balance here is a rough one, on purpose: common inputs (air, Crr, masses) do not
matter when legs are compared with each other.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

from cda.checks import thresholds as limit
from cda.checks.balance import (
    CDA_M2,
    EFFICIENCY,
    HALF_DENSITY_KG_M3,
    MASS_KG,
    ROLLING_N,
    beside_others,
)
from cda.checks.inside_legs import find_episodes
from cda.checks.naming import legs_named
from cda.results import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from cda.legs import Leg

    Floats = NDArray[np.float64]

_CELL_M: Final = 20.0
_EVIDENCE_SHOWN: Final = 3  # legs told in full; all are named


def check_each_leg(legs: Sequence[Leg], session: str) -> Iterator[Finding]:
    """Yield findings about single legs, one a code and naming the legs."""
    yield from _size(legs, session)
    frozen = {leg: stays for leg in legs if (stays := _longest_standing(leg)) >= limit.FROZEN_S}
    yield from _warn(
        "power-frozen", list(frozen), session,
        f"power stands at one value for up to {max(frozen.values(), default=0.0):.0f} s inside the "
        "timed stretch",
        "set use = no for the run, and check the power meter's battery and connection",
    )  # fmt: skip
    coasting, braking = _coasting(legs), _braking(legs)
    yield from _warn(
        "coasting", list(coasting), session,
        f"no pedalling for up to {max(coasting.values(), default=0.0):.0f} s inside the timed "
        "stretch; the position may have changed with it",
        "set use = no for the run if it was left, and ride it again",
    )  # fmt: skip
    yield from _warn(
        "braking", list(braking), session,
        f"a force of up to {max(braking.values(), default=0.0):.0f} N slowed the rider at one "
        "place and in no other leg there: a brake, a bump, or something in the way",
        "set use = no for the run if you remember it, and ride it again",
    )  # fmt: skip
    # Power that falls to nothing at once looks like a push for the second that it is late.
    yield from _episodes([g for g in legs if g not in coasting and g not in braking], session)
    yield from _out_of_line(legs, session)
    yield from _lengths(legs, session)
    yield from _altimeter(legs, session)


def _warn(
    code: str, legs: Sequence[Leg], session: str, message: str, fix: str
) -> Iterator[Finding]:
    if legs:
        yield Finding(
            severity="warning", code=code, where=legs_named(legs), session=session, message=message,
            fix=fix,
        )  # fmt: skip


def _size(legs: Sequence[Leg], session: str) -> Iterator[Finding]:
    short = [leg for leg in legs if abs(leg.along_m[-1] - leg.along_m[0]) < limit.SHORT_LEG_M]
    yield from _warn(
        "leg-short", short, session,
        f"legs shorter than {limit.SHORT_LEG_M:.0f} m: errors at the gates weigh heavily",
        "use a stretch of 800 m or more",
    )  # fmt: skip
    slow = [leg for leg in legs if float(np.mean(leg.speed_m_s)) < limit.SLOW_LEG_M_S]
    yield from _warn(
        "leg-slow", slow, session,
        f"slower than {3.6 * limit.SLOW_LEG_M_S:.0f} km/h: rolling outweighs the air",
        "ride at 30 km/h or more",
    )  # fmt: skip


def _longest_standing(leg: Leg) -> float:
    """Return the longest time for which power above zero shows one value [s]."""
    power, time = leg.power_w[1:], leg.time_s[1:]
    moved = np.flatnonzero(np.diff(power) != 0.0) + 1  # missing differs from everything
    first, last = np.append(0, moved), np.append(moved, len(power)) - 1
    stays = (time[last] - time[first])[power[first] > 0.0]
    return float(stays.max(initial=0.0))


def _coasting(legs: Sequence[Leg]) -> dict[Leg, float]:
    """Return the legs with a rest from pedalling, and the longest in each [s]."""
    found = {}
    for leg in legs:
        idle = np.concatenate(([False], leg.power_w[1:] < limit.COASTING_W, [False]))
        change = np.flatnonzero(np.diff(idle.astype(int)))
        stays = [float(leg.time_s[b] - leg.time_s[a])
                 for a, b in zip(change[::2], change[1::2], strict=True)]  # fmt: skip
        if stays and max(stays) >= limit.COASTING_S:
            found[leg] = max(stays)
    return found


def _unexplained_force(leg: Leg) -> tuple[Floats, Floats]:
    """Return places and the force that slowed the rider beyond a rough balance [N]."""
    t, v = leg.time_s, leg.speed_m_s
    step = np.diff(t)
    middle = 0.5 * (v[1:] + v[:-1])
    with np.errstate(divide="ignore", invalid="ignore"):
        force = (
            EFFICIENCY * leg.power_w[1:] / middle
            - MASS_KG * np.diff(v) / step
            - ROLLING_N
            - HALF_DENSITY_KG_M3 * CDA_M2 * middle**2
        )
    force[~np.isfinite(force) | (step < 1e-3)] = np.nan
    window = max(1, round(limit.BRAKING_WINDOW_S / float(np.median(step))))
    smooth = np.convolve(np.nan_to_num(force), np.ones(window) / window, mode="same")
    smooth[np.isnan(force)] = np.nan
    return 0.5 * (leg.along_m[1:] + leg.along_m[:-1]), smooth


def _braking(legs: Sequence[Leg]) -> dict[Leg, float]:
    """Return the legs with a force that no slope of the shared road and no gust explains [N].

    The slope is the median over all legs, its sign turned with the direction; each leg's own
    mean (its wind, its CdA) is taken out first.
    """
    if len(legs) < limit.FEW_LEGS:
        return {}
    low = min(float(leg.along_m.min()) for leg in legs)
    high = max(float(leg.along_m.max()) for leg in legs)
    grid = np.arange(low, high + _CELL_M, _CELL_M)
    forces: list[tuple[Floats, Floats] | None] = []
    on_grid: list[Floats] = []
    for leg in legs:
        place, force = _unexplained_force(leg)
        good = np.isfinite(force)
        if good.sum() < 3:
            forces.append(None)
            continue
        force = force - float(np.median(force[good]))
        forces.append((place, force))
        order = np.argsort(place[good])
        on_grid.append(leg.direction * np.interp(grid, place[good][order], force[good][order]))
    if len(on_grid) < limit.FEW_LEGS:
        return {}
    slope = np.median(on_grid, axis=0)
    found = {}
    for leg, pair in zip(legs, forces, strict=True):
        if pair is None:
            continue
        rest = pair[1] - leg.direction * np.interp(pair[0], grid, slope)
        worst = float(np.nanmax(rest))
        if worst > limit.BRAKING_N:
            found[leg] = worst
    return found


_WHAT_HAPPENED: Final = (  # shape, code, what it may be, done to the rider, how long
    ("vehicle", "vehicle-passing", "a vehicle that drew the rider along, or a lull", "pulled",
     "dying away over"),
    ("oncoming", "vehicle-oncoming", "a vehicle coming the other way, or a squall", "pushed back",
     "dying away over"),
    ("sat-up", "sat-up", "the position left for a while, or a squall", "held back", "for"),
)  # fmt: skip


def _episodes(legs: Sequence[Leg], session: str) -> Iterator[Finding]:
    episodes = sorted(find_episodes(legs), key=lambda e: -e.score)
    for shape, code, what, done, lasted in _WHAT_HAPPENED:
        mine = [e for e in episodes if e.shape == shape]
        evidence = "; ".join(
            f"run {e.leg.run} {e.leg.name}, {e.after_s:.0f} s after its start, {done} by "
            f"{abs(e.force_n):.0f} N ({abs(e.drag_m2):.2f} m²) {lasted} {e.duration_s:.0f} s, "
            f"{abs(e.energy_j):.0f} J, {e.score:.0f} standard errors"
            for e in mine[:_EVIDENCE_SHOWN]
        )
        yield from _warn(
            code, [e.leg for e in mine], session,
            f"energy that does not fit what the same road took in the other legs: {evidence}; "
            f"{what}",
            "set use = no for the run if you remember it, and ride it again",
        )  # fmt: skip


def _out_of_line(legs: Sequence[Leg], session: str) -> Iterator[Finding]:
    """Name legs whose rough CdA is far from the median of their direction."""
    compared = beside_others(legs)
    if compared is None:
        return
    centred, _ = compared
    width = 1.4826 * float(np.median(np.abs(centred)))
    bound = max(limit.OUT_OF_LINE_SD * width, limit.OUT_OF_LINE_M2)
    found = [leg for leg, value in zip(legs, centred, strict=True) if abs(value) > bound]
    worst = float(np.max(np.abs(centred)))
    yield from _warn(
        "leg-out-of-line", found, session,
        f"its energy does not fit the other legs: off by up to {worst:.2f} m² of CdA "
        f"(others scatter by {width:.3f}); braking, a passing vehicle, a gust, a wrong lap",
        "set use = no for the run, and ride it again",
    )  # fmt: skip


def _lengths(legs: Sequence[Leg], session: str) -> Iterator[Finding]:
    if len(legs) < 2:
        return
    ridden = np.array(
        [
            float(np.sum(0.5 * (g.speed_m_s[1:] + g.speed_m_s[:-1]) * np.diff(g.time_s)))
            for g in legs
        ]
    )
    ratio = ridden / np.array([max(abs(g.along_m[-1] - g.along_m[0]), 1e-6) for g in legs])
    off = np.abs(ratio / np.median(ratio) - 1.0)
    yield from _warn(
        "legs-differ-in-length",
        [leg for leg, value in zip(legs, off, strict=True) if value > limit.LENGTH_MISMATCH],
        session,
        f"speed over time gives a length that is off by up to {100 * float(off.max()):.1f} % "
        "against the other legs: another road, a gap in the speed, or a slipping sensor",
        "check the lap or the times of these runs",
    )  # fmt: skip


def _altimeter(legs: Sequence[Leg], session: str) -> Iterator[Finding]:
    rises: dict[int, list[float]] = {1: [], -1: []}
    for leg in legs:
        if leg.altitude_m is not None and np.isfinite(leg.altitude_m[[0, -1]]).all():
            rises[leg.direction].append(float(leg.altitude_m[-1] - leg.altitude_m[0]))
    known = [v for v in rises.values() if len(v) >= limit.ALTIMETER_LEGS]
    spread = max((float(np.std(v)) for v in known), default=0.0)
    # Out and back the heights between the gates cancel; once round a loop there is none. A leg
    # has its own part of a barometer's drift, so the whole is compared and not one leg.
    round_trip = [leg for leg in legs if leg.direction < 0]
    open_m = 0.0
    if len(known) == (2 if round_trip else 1):
        open_m = abs(sum(float(np.median(v)) for v in known))
    said = []
    if spread > limit.ALTIMETER_SPREAD_M:
        said.append(f"the height between the gates differs by {spread:.1f} m (s.d.) from leg to "
                    "leg")  # fmt: skip
    if open_m > limit.ALTIMETER_OPEN_M:
        way = "out and back" if round_trip else "once round"
        said.append(f"{way} the altimeter ends {open_m:.1f} m from where it began")
    if said:
        yield Finding(
            severity="warning", code="altimeter-not-closing", where="altitude_m", session=session,
            message="; ".join(said) + ": the altimeter is not barometric, drifts, or its port is "
            "blocked",
            fix="survey course.height_difference_m, or clean the port",
        )  # fmt: skip
