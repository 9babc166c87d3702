"""Findings about the hours of a test: wind that shifts, readings that disagree, drifting power.

From a rough balance of whole legs: what a leg took beyond still air is wind, and out and back the
sign of the wind along the road turns while that of a drift does not.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.checks import thresholds as limit
from cda.checks.balance import CDA_M2, HALF_DENSITY_KG_M3, energy_taken_j
from cda.results import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from cda.legs import Leg
    from cda.session import Session

    Floats = NDArray[np.float64]

_GRAVITY: Final = 9.81
_FEW_RUNS: Final = 5


@dataclass(frozen=True, slots=True, kw_only=True)
class RunBalance:
    """One run out and back by the rough balance.

    Attributes
    ----------
    hour : float
        Middle of the run, in time of the session's first recording. [h]
    half_n : float
        Half of what the leg out took more than the leg back, per metre: slope and wind. [N]
    wind_m_s : float
        That as wind against the way out, slope still in it. [m/s]
    power_w : float
        What both took together beyond still air, as mean power. [W]
    """

    run: int
    position: str
    hour: float
    half_n: float
    wind_m_s: float
    power_w: float
    length_m: float


def run_balances(legs: Sequence[Leg]) -> list[RunBalance]:
    """Return the balance of every run that has legs in both directions and all its power."""
    found: list[RunBalance] = []
    area = rough_level_m2(legs)
    if area is None:
        return found
    area = min(max(area, limit.CDA_LOW_M2), limit.CDA_HIGH_M2)
    for run in dict.fromkeys(leg.run for leg in legs):
        ways: dict[int, list[tuple[float, float, Leg]]] = {1: [], -1: []}
        for leg in legs:
            if leg.run == run and np.isfinite(leg.power_w[1:]).all():
                length = abs(float(leg.along_m[-1] - leg.along_m[0]))
                ways[leg.direction].append((float(energy_taken_j(leg)[-1]), length, leg))
        if not ways[1] or not ways[-1]:
            continue
        force = {d: float(np.mean([e / m for e, m, _ in ways[d]])) for d in (1, -1)}
        mine = [leg for d in (1, -1) for _, _, leg in ways[d]]
        seconds = sum(float(leg.time_s[-1] - leg.time_s[0]) for leg in mine)
        speed = 0.5 * sum(float(np.mean([np.mean(g.speed_m_s) for *_, g in ways[d]])) for d in ways)
        metres = sum(m for d in (1, -1) for _, m, _ in ways[d])
        half = 0.5 * (force[1] - force[-1])
        found.append(
            RunBalance(
                run=run, position=mine[0].position, length_m=ways[1][0][1],
                hour=float(np.mean([leg.start_s for leg in mine])) / 3600.0, half_n=half,
                wind_m_s=half / (2.0 * HALF_DENSITY_KG_M3 * area * speed),
                power_w=0.5 * (force[1] + force[-1]) * metres / seconds,
            )
        )  # fmt: skip
    return found


def mean_wind_m_s(
    session: Session, legs: Sequence[Leg], runs: Sequence[RunBalance]
) -> float | None:
    """Return the mean wind against the way out, the height between the gates taken out [m/s].

    None where neither a survey nor an altimeter gives the height: at constant speed a steady wind
    and a slope look alike.
    """
    course, rise = session.settings.course, None
    if course.height_difference_m is not None:
        rise = float(course.height_difference_m)
    else:
        rises = [
            leg.direction * float(leg.altitude_m[-1] - leg.altitude_m[0])
            for leg in legs
            if leg.altitude_m is not None and np.isfinite(leg.altitude_m[[0, -1]]).all()
        ]
        if len(rises) >= limit.FEW_LEGS:
            rise = float(np.median(rises))
    if rise is None or not runs:
        return None
    mass = session.settings.rider.mass_kg + session.settings.bike.mass_kg
    per_wind = float(np.median([r.half_n / r.wind_m_s for r in runs if r.wind_m_s != 0.0]))
    half = float(np.median([r.half_n for r in runs]))
    return (half - mass * _GRAVITY * rise / runs[0].length_m) / per_wind


def wind_shifting(session: Session, runs: Sequence[RunBalance]) -> Iterator[Finding]:
    """Yield `wind-shifting` where the wind along the road changed between neighbouring hours."""
    if len(runs) < _FEW_RUNS:
        return
    wind = np.array([r.wind_m_s for r in runs])
    middle = np.median(np.stack([wind[:-2], wind[1:-1], wind[2:]]), axis=0)  # a lorry is no shift
    change = float(middle.max() - middle.min())
    if change > limit.WIND_SHIFT_M_S:
        yield Finding(
            severity="warning", code="wind-shifting", where="all legs", session=session.key,
            message=f"the wind along the road changed by {change:.1f} m/s during the test",
            fix="trust only positions that were ridden in turn; ride again on a steadier day",
        )  # fmt: skip


def wind_reading(
    session: Session, wind_m_s: float | None, bearing_deg: float | None
) -> Iterator[Finding]:
    """Yield `wind-reading-disagrees` where the weather's wind is not the one that was ridden in."""
    read = session.settings.wind
    if read is None or read.from_deg is None or wind_m_s is None or bearing_deg is None:
        return
    from cda.air import wind_at_height

    speed, sd = (
        float(
            wind_at_height(
                value, reading_height_m=read.height_m, target_height_m=read.rider_height_m,
                roughness_m=read.roughness_m,
            )
        )
        for value in (read.speed_m_s, read.speed_sd_m_s)
    )  # fmt: skip
    turned = np.radians(read.from_deg - bearing_deg)
    expected = speed * float(np.cos(turned))
    aside = speed * float(np.sin(turned)) * float(np.radians(read.from_sd_deg))
    unsure = float(np.hypot(np.hypot(sd * np.cos(turned), aside), limit.WIND_ROUGH_SD_M_S))
    if abs(expected - wind_m_s) > max(limit.WIND_READING_SD * unsure, limit.WIND_READING_M_S):
        yield Finding(
            severity="warning", code="wind-reading-disagrees", where="wind", session=session.key,
            message=f"the reading means {_against(expected)}, the ride shows {_against(wind_m_s)} "
            f"({abs(expected - wind_m_s) / unsure:.1f} times what both leave open)",
            fix="from_deg is the direction the wind comes from; check it and the unit of the "
            "speed, or leave [wind] out",
        )  # fmt: skip


def _against(wind_m_s: float) -> str:
    way = "against" if wind_m_s >= 0.0 else "along"
    return f"{abs(wind_m_s):.1f} m/s {way} the way out"


def power_drifting(session: Session, runs: Sequence[RunBalance]) -> Iterator[Finding]:
    """Yield `power-zero-drifting` where all positions take more, or less, power with time.

    A straight line through the runs' balances, each position with a level of its own and each
    level of speed with one too, since a wrong CdA or mass weighs more at another speed.
    """
    names = list(dict.fromkeys(r.position for r in runs))
    if len(runs) < len(names) + _FEW_RUNS:
        return
    hour = np.array([r.hour for r in runs])
    speed = np.array([r.half_n / r.wind_m_s if r.wind_m_s != 0.0 else np.nan for r in runs])
    speed = np.where(np.isfinite(speed), speed, np.nanmedian(speed))
    design = np.column_stack(
        [hour - hour.mean(), speed / speed.mean() - 1.0]
        + [[float(r.position == name) for r in runs] for name in names]
    )
    power = np.array([r.power_w for r in runs])
    solution, _, rank, _ = np.linalg.lstsq(design, power, rcond=None)
    dof = len(runs) - int(rank)
    if rank < design.shape[1] or dof < _FEW_RUNS - 1:
        return  # ridden in blocks: time and position are one
    rest = power - design @ solution
    covariance = np.linalg.inv(design.T @ design) * float(rest @ rest) / dof
    slope, se = float(solution[0]), float(np.sqrt(covariance[0, 0]))
    if abs(slope) > limit.POWER_DRIFT_W_H and abs(slope) > limit.POWER_DRIFT_SE * se:
        yield Finding(
            severity="warning", code="power-zero-drifting", where="all legs", session=session.key,
            message=f"at the same speed the power meter shows {abs(slope):.1f} ± {se:.1f} W "
            f"{'more' if slope > 0 else 'less'} every hour in all positions: its zero drifts, or "
            "tyres, brakes or the wind across the road changed",
            fix="zero the power meter after it has taken the air's temperature and between runs; "
            "set power_meter.offset_drift_sd_w_per_h to what it does",
        )  # fmt: skip


def airspeed_disagrees(
    session: Session, legs: Sequence[Leg], runs: Sequence[RunBalance]
) -> Iterator[Finding]:
    """Yield `airspeed-disagrees` from its scale, and out against back.

    Over both directions the mean of airspeed over ground speed is the sensor's scale; half their
    difference is the wind, which the energy of the same legs shows as well.
    """
    air: dict[int, list[float]] = {1: [], -1: []}
    ground: dict[int, list[float]] = {1: [], -1: []}
    for leg in legs:
        if leg.airspeed_m_s is not None and np.isfinite(leg.airspeed_m_s).any():
            air[leg.direction].append(float(np.nanmean(leg.airspeed_m_s)))
            ground[leg.direction].append(float(np.mean(leg.speed_m_s)))
    if not air[1] or not air[-1]:
        return
    shown_air = {way: float(np.mean(air[way])) for way in (1, -1)}
    ridden = {way: float(np.mean(ground[way])) for way in (1, -1)}
    # Sums and not ratios: against a strong wind the way out is much slower than the way back.
    raw = (shown_air[1] + shown_air[-1]) / (ridden[1] + ridden[-1])
    scale = raw * session.settings.airspeed_sensor.scale
    said = []
    if abs(scale - 1.0) > limit.AIRSPEED_MISMATCH:
        said.append(
            f"over both directions the airspeed sensor shows {scale:.2f} times the ground speed; "
            "1 is expected"
        )
    by_energy = mean_wind_m_s(session, legs, runs)
    if by_energy is not None:
        wind = {way: shown_air[way] / raw - ridden[way] for way in (1, -1)}
        shown = 0.5 * (wind[1] - wind[-1])
        most = limit.AIRSPEED_OUT_BACK_M_S + limit.AIRSPEED_OUT_BACK_SHARE * abs(by_energy)
        if abs(shown - by_energy) > most:
            said.append(
                f"out and back the airspeed sensor shows {_against(shown)}, the energy of the "
                f"same legs {_against(by_energy)}"
            )
    if said:
        yield Finding(
            severity="warning", code="airspeed-disagrees", where="airspeed_m_s",
            session=session.key, message="; ".join(said),
            fix="check that the sensor points straight ahead and its calibration, or set "
            "airspeed_sensor.scale; without it: leave the column out",
        )  # fmt: skip


def rough_conditions(
    session: Session, legs: Sequence[Leg], drag_m2: Floats | None,
    runs: Sequence[RunBalance], wind_m_s: float | None,
) -> Iterator[Finding]:  # fmt: skip
    """Yield what an estimate says better and a check has to say without one.

    Parameters
    ----------
    drag_m2 : ndarray, shape (legs,), or None
        Rough CdA of each leg beyond the median of its direction, from `beside_others`. [m^2]
    """
    if drag_m2 is not None:
        width = 1.4826 * float(np.median(np.abs(drag_m2)))
        each = len(legs) / max(len({leg.position for leg in legs}), 1)
        if width > limit.GUSTY_ROUGH_M2:
            yield Finding(
                severity="warning", code="gusty-wind", where="all legs", session=session.key,
                message=f"single legs scatter by {width:.2f} m² (a calm day: 0.013, a breeze: "
                "0.03): in this wind two positions ridden as often differ visibly from about "
                f"{2.8 * width * (2.0 / each) ** 0.5:.2f} m² only",
                fix="ride again early on a calm day, or with more runs",
            )  # fmt: skip
    if wind_m_s is not None and abs(wind_m_s) > limit.HEADWIND_STRONG_M_S and runs:
        yield Finding(
            severity="warning", code="wind-strong", where="all legs", session=session.key,
            message=f"the ride shows a wind of {_against(wind_m_s)}; its gusts alone are 0.007 m² "
            "and more in a difference",
            fix="ride again in less wind; differences below 0.01 m² cannot show in this",
        )  # fmt: skip
    level = rough_level_m2(legs)
    if level is not None and not limit.CDA_LOW_M2 <= level <= limit.CDA_HIGH_M2:
        yield Finding(
            severity="warning", code="cda-implausible", where="all legs", session=session.key,
            message=f"a rough balance gives a CdA of {level:.2f} m², outside "
            f"{limit.CDA_LOW_M2:.2f} to {limit.CDA_HIGH_M2:.2f}",
            fix="check the power meter (one side doubled?), its location and zero, and the "
            "wheel circumference",
        )  # fmt: skip


def rough_level_m2(legs: Sequence[Leg]) -> float | None:
    """Return the CdA of all positions together by the rough balance; None in one direction only.

    Out and back slope and wind cancel, but for the square of the wind.
    """
    energy, cubed = 0.0, 0.0
    for way in (1, -1):
        mine = [g for g in legs if g.direction == way and np.isfinite(g.power_w[1:]).all()]
        if not mine:
            return None
        # Sums of both directions, for in a wind the CdA of one is far too high, of the other low.
        energy += float(np.median([energy_taken_j(g)[-1] for g in mine]))
        cubed += float(np.median([_cubed(g) for g in mine]))
    return CDA_M2 + energy / (HALF_DENSITY_KG_M3 * cubed)


def _cubed(leg: Leg) -> float:
    v = 0.5 * (leg.speed_m_s[1:] + leg.speed_m_s[:-1])
    return float(np.sum(v**3 * np.diff(leg.time_s)))
