"""Findings about a test day: what the run sheet, the air and the order of runs give away."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cda.checks import thresholds as limit
from cda.checks.balance import beside_others
from cda.checks.conditions import (
    airspeed_disagrees,
    mean_wind_m_s,
    power_drifting,
    rough_conditions,
    run_balances,
    wind_reading,
    wind_shifting,
)
from cda.checks.rides import check_each_leg
from cda.checks.satellites import leg_tracks, satellite_findings
from cda.results import Finding
from cda.sensors import distance_by_satellite

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from cda.legs import Leg
    from cda.session import Session

STANDARD_PRESSURE_HPA = 1013.25  # U.S. Standard Atmosphere, 1976, table I, altitude 0


def check_legs(session: Session, legs: Sequence[Leg]) -> tuple[Finding, ...]:
    """Return what is doubtful in a test day.

    Parameters
    ----------
    session : Session
        As loaded; its own findings and those of its recordings are not repeated.
    legs : sequence of Leg
        Legs of the used runs, cut at the gates.

    Returns
    -------
    tuple of Finding
        `stop` only where no answer can be had: every leg in one direction of a road.
    """
    return (
        *_pressure(session),
        *_wind(session),
        *_air_readings(session),
        *_defaults(session),
        *_replication(session, legs),
        *_order(session, legs),
        *_power(session, legs),
        *_presses(session, legs),
        *_speed(session),
        *_hours(session, legs),
        *check_each_leg(legs, session.key),
    )


def check_conditions(session: Session, legs: Sequence[Leg]) -> tuple[Finding, ...]:
    """Return what is doubtful in wind and level where no estimate says it better.

    Parameters
    ----------
    session : Session
    legs : sequence of Leg
        Legs of the used runs.
    """
    runs = run_balances(legs)
    compared = beside_others(legs)
    wind = mean_wind_m_s(session, legs, runs)
    drag = None if compared is None else compared[0]
    return tuple(rough_conditions(session, legs, drag, runs, wind))


def _hours(session: Session, legs: Sequence[Leg]) -> Iterator[Finding]:
    """Yield what shows only from legs in both directions laid beside each other."""
    if session.settings.course.kind != "out-and-back":
        return
    runs = run_balances(legs)
    tracks, bearing = leg_tracks(session, legs)
    yield from satellite_findings(session, tracks)
    yield from wind_shifting(session, runs)
    yield from wind_reading(session, mean_wind_m_s(session, legs, runs), bearing)
    yield from power_drifting(session, runs)
    yield from airspeed_disagrees(session, legs, runs)


def _pressure(session: Session) -> Iterator[Finding]:
    """Compare station pressure with the standard atmosphere at the recording's altitude."""
    air = session.settings.air
    if air.pressure_hpa is None or air.density_kg_m3 is not None:
        return
    altitudes = [
        float(np.nanmedian(r.altitude_m))
        for r in session.recordings
        if r.altitude_m is not None and np.isfinite(r.altitude_m).any()
    ]
    altitude = air.elevation_m if air.elevation_m is not None else next(iter(altitudes), None)
    if altitude is None or altitude < limit.PRESSURE_FROM_M:
        return
    # U.S. Standard Atmosphere, 1976, equation 33a with the constants of its lowest layer.
    standard = STANDARD_PRESSURE_HPA * (1.0 - 2.25577e-5 * altitude) ** 5.25588
    if air.pressure_hpa < 0.5 * (standard + STANDARD_PRESSURE_HPA):
        return
    too_dense = 100.0 * (air.pressure_hpa / standard - 1.0)
    yield Finding(
        severity="warning",
        code="pressure-looks-sea-level",
        where="air.pressure_hpa",
        session=session.key,
        message=f"{air.pressure_hpa:.0f} hPa at {altitude:.0f} m looks like pressure reduced to "
        f"sea level; the standard atmosphere has {standard:.0f} hPa there. If so, CdA is "
        f"{too_dense:.0f} % too low",
        fix="give a weather service's figure as air.sea_level_pressure_hpa, or read the "
        "pressure at the road",
    )


def _wind(session: Session) -> Iterator[Finding]:
    wind = session.settings.wind
    speeds = [] if wind is None else [wind.speed_m_s]
    speeds += [r.wind_speed_m_s for r in session.air_readings if r.wind_speed_m_s is not None]
    if speeds and max(speeds) > limit.WIND_STRONG_M_S:
        yield Finding(
            severity="warning",
            code="wind-strong",
            where="wind.speed_m_s",
            session=session.key,
            message=f"a wind of {max(speeds):.1f} m/s was read; its gusts alone are 0.007 m² and "
            "more in a difference",
            fix="ride again early on a calm day, or with an airspeed sensor",
        )


def _air_readings(session: Session) -> Iterator[Finding]:
    """Say when air density moved, from the readings' temperature and pressure."""
    ratio = [
        r.pressure_hpa / (r.temperature_c + 273.15)
        for r in session.air_readings
        if r.pressure_hpa is not None and r.temperature_c is not None
    ]
    if len(ratio) >= 2 and max(ratio) / min(ratio) - 1.0 > limit.DENSITY_DRIFT:
        yield Finding(
            severity="note",
            code="density-drifting",
            where="air readings",
            session=session.key,
            message=f"air density moved by {100 * (max(ratio) / min(ratio) - 1):.1f} % during "
            "the test",
            fix="mirror the order of positions, and read the air often",
        )


def _defaults(session: Session) -> Iterator[Finding]:
    if session.sources.get("bike.rolling_resistance") == "default":
        yield Finding(
            severity="note",
            code="rolling-resistance-default",
            where="bike.rolling_resistance",
            session=session.key,
            message=f"Crr is not given; {session.settings.bike.rolling_resistance:.4f} was taken. "
            "0.0001 more is 0.0011 m² less in every position, not in differences",
            fix="give the tyres' Crr and its uncertainty",
        )


def _used(session: Session) -> list[tuple[int, str]]:
    return [(r.run, r.position) for r in session.runs if r.use and r.spans]


def _replication(session: Session, legs: Sequence[Leg]) -> Iterator[Finding]:
    runs = _used(session)
    if legs and session.settings.course.kind == "out-and-back":
        if len({leg.direction for leg in legs}) < 2:
            yield Finding(
                severity="stop",
                code="one-direction",
                where="all runs",
                session=session.key,
                message="every leg was ridden in the same direction: wind and slope look like drag",
                fix="ride every run out and back, and name both laps in runs.csv",
            )
        else:
            for run, position in runs:
                ways = {leg.direction for leg in legs if leg.run == run}
                if len(ways) == 1:
                    yield Finding(
                        severity="warning",
                        code="one-direction-run",
                        where=f"run {run}",
                        session=session.key,
                        message=f"run {run} ({position}) has legs in one direction only",
                        fix="name both of its laps, or set use = no and ride it again",
                    )
    counts = {p.id: sum(q == p.id for _, q in runs) for p in session.settings.positions}
    single = [p for p, n in counts.items() if n == 1]
    if single:
        yield Finding(
            severity="warning",
            code="single-run",
            where=", ".join(single),
            session=session.key,
            message="ridden once: nothing is known of how alike this position is taken twice; "
            "the spread of the other positions, or a prior, stands in",
            fix="ride every position at least three times",
        )
    few = [p for p, n in counts.items() if 1 < n < limit.FEW_RUNS]
    if few:
        yield Finding(
            severity="note",
            code="few-runs",
            where=", ".join(few),
            session=session.key,
            message="ridden twice only: the interval is wide for it",
            fix="ride every position at least three times",
        )


def _order(session: Session, legs: Sequence[Leg]) -> Iterator[Finding]:
    """Compare the mean riding time of each position with the reference's."""
    start = {run: min(leg.start_s for leg in legs if leg.run == run) for run, _ in _used(session)
             if any(leg.run == run for leg in legs)}  # fmt: skip
    index = {run: place for place, run in enumerate(sorted(start, key=lambda r: start[r]))}
    places = {
        p.id: [index[run] for run, q in _used(session) if q == p.id and run in index]
        for p in session.settings.positions
    }
    reference = places.get(session.reference, [])
    spread = float(np.std(list(index.values()))) if len(index) > 1 else 0.0
    if not reference or spread == 0.0:
        return
    # Runs ridden once are told so already; two positions of one run each are always in order.
    apart = {
        p: (float(np.mean(v)) - float(np.mean(reference))) / spread
        for p, v in places.items()
        if len(v) > 1 and len(reference) > 1
    }
    late = [p for p, value in apart.items() if abs(value) > limit.ORDER_CONFOUNDED]
    if late:
        yield Finding(
            severity="warning",
            code="order-confounded",
            where=", ".join(late),
            session=session.key,
            message=f"ridden all before or all after {session.reference}: warming tyres, a "
            "drifting power zero and wind that changes look like a difference",
            fix="ride in mirrored order (A B B A), as the run sheet of `cda plan` has it",
        )


def _power(session: Session, legs: Sequence[Leg]) -> Iterator[Finding]:
    means = {}
    for p in session.settings.positions:
        values = [float(np.nanmean(leg.power_w[1:])) for leg in legs
                  if leg.position == p.id and np.isfinite(leg.power_w[1:]).any()]  # fmt: skip
        if values:
            means[p.id] = float(np.mean(values))
    if len(means) < 2:
        return
    low, high = min(means, key=lambda k: means[k]), max(means, key=lambda k: means[k])
    if means[low] > 0 and means[high] / means[low] - 1.0 > limit.UNEQUAL_POWER:
        yield Finding(
            severity="warning",
            code="unequal-power",
            where=f"{low}, {high}",
            session=session.key,
            message=f"mean power differs between positions: {low} {means[low]:.0f} W, "
            f"{high} {means[high]:.0f} W; errors of Crr and of the power zero then differ too",
            fix="ride every position at the same powers",
        )


def _presses(session: Session, legs: Sequence[Leg]) -> Iterator[Finding]:
    """Say which presses are far from the gates, and which cut road off that the others have."""
    before, after = {}, {}
    whole = max((sum(g.run == run.run for g in legs) for run in session.runs), default=0)
    for run in session.runs:
        mine = [leg for leg in legs if leg.run == run.run]
        if run.use and run.spans_from == "laps" and mine and len(mine) == whole:
            before[run.run] = min(float(leg.time_s[0]) for leg in mine) - run.spans[0][0]
            after[run.run] = run.spans[-1][1] - max(float(leg.time_s[-1]) for leg in mine)
    far = {run: max(s, after[run]) for run, s in before.items()
           if max(s, after[run]) > limit.PRESS_FAR_S}  # fmt: skip
    if far:
        yield Finding(
            severity="note",
            code="lap-press-far",
            where=_runs(far),
            session=session.key,
            message=f"a lap press lies up to {max(far.values()):.0f} s from the timed stretch",
            fix="check that these laps are the runs; press just before the gate",
        )
    if len(before) < limit.PRESS_RUNS:
        return
    late: dict[int, float] = {}
    for side in (before, after):
        usual = float(np.median(list(side.values())))
        for number, seconds in side.items():
            if usual - seconds > limit.PRESS_LATE_S:
                late[number] = max(late.get(number, 0.0), usual - seconds)
    if late:
        yield Finding(
            severity="warning",
            code="lap-press-late",
            where=_runs(late),
            session=session.key,
            message=f"a lap begins up to {max(late.values()):.0f} s later, or ends earlier, than "
            "those of the other runs: the stretch that all runs share is shorter for it",
            fix="give start and end times around these runs in place of laps",
        )


def _runs(numbers: Iterable[int]) -> str:
    named = [str(n) for n in sorted(numbers)]
    return ("runs " if len(named) > 1 else "run ") + ", ".join(named)


def _speed(session: Session) -> Iterator[Finding]:
    """Say that speed came by satellite where the session says so and no recording does."""
    if session.settings.speed_sensor.source != "gps":
        return
    said = any(f.code == "speed-from-gps" for f in session.findings)
    known = all(
        r.speed_source in {"recorded", "distance"} and not distance_by_satellite(r)
        for r in session.recordings
    )
    if known and not said:
        yield Finding(
            severity="warning",
            code="speed-from-gps",
            where="speed_sensor.source",
            session=session.key,
            message="speed is by satellite; every percent of it is 0.0095 m² of CdA, and it lags",
            fix="fit a wheel speed sensor",
        )
