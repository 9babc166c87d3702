"""Lap presses, a rider's and automatic ones, and the run sheet that goes with them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from cda.simulate.draws import stream

if TYPE_CHECKING:
    from cda.recording import RawLap
    from cda.simulate.draws import Draws
    from cda.simulate.ride import Ridden
    from cda.simulate.scenario import Scenario

MANUAL, AUTOMATIC = "manual", "distance"


@dataclass(frozen=True, slots=True, kw_only=True)
class _Press:
    """The end of a lap [s]; `opens`: the lap that begins here belongs to the run.

    An automatic lap changes nothing of that: None.
    """

    time_s: float
    run: int | None = None
    opens: bool | None = None
    trigger: str = MANUAL


def _intended(scenario: Scenario, ridden: Ridden) -> list[_Press]:
    """Return the presses meant, run by run, at the gates exactly."""
    meant: list[_Press] = []
    for run, (start, end) in enumerate(ridden.run_times, start=1):
        legs = [leg for leg in ridden.legs if leg.run == run]
        if not legs:
            pairs = [(start + 20.0, True), (end - 20.0, False)]
        elif scenario.laps == "run":
            pairs = [(legs[0].entry_s, True), (legs[-1].exit_s, False)]
        elif scenario.course == "out-and-back":
            pairs = [p for leg in legs for p in ((leg.entry_s, True), (leg.exit_s, False))]
        else:  # laps of a loop touch: one press ends a lap and begins the next
            pairs = [(leg.entry_s, True) for leg in legs] + [(legs[-1].exit_s, False)]
        meant += [_Press(time_s=time, run=run, opens=opens) for time, opens in pairs]
    return meant


def _presses(scenario: Scenario, draws: Draws, ridden: Ridden) -> list[_Press]:
    """Return the end of every lap, in order of time."""
    pressed: list[_Press] = []
    if scenario.laps in ("run", "leg"):
        meant = _intended(scenario, ridden)
        late = stream(draws.seed, "lap presses").normal(0.0, scenario.lap_press_sd_s, len(meant))
        previous = 0.0
        for press, error in zip(meant, late, strict=True):
            extra = scenario.late_press_s if press.run in scenario.late_press_runs else 0.0
            moment = float(max(round(press.time_s + error + extra), previous + 1.0))
            pressed.append(replace(press, time_s=moment))
            previous = moment
    if scenario.automatic_lap_m:
        count = int(ridden.path_m[-1] // scenario.automatic_lap_m)
        marks = scenario.automatic_lap_m * np.arange(1, count + 1)
        pressed += [
            _Press(time_s=float(round(t)), trigger=AUTOMATIC)
            for t in np.interp(marks, ridden.path_m, ridden.time_s)
        ]
    return sorted(pressed, key=lambda p: p.time_s)


def raw_laps(
    scenario: Scenario, draws: Draws, ridden: Ridden, clock_start_s: float
) -> tuple[RawLap, ...]:
    """Return the laps as the bike computer stores them, on its clock [s]."""
    from cda.recording import RawLap

    laps = []
    start = 0.0
    for press in _presses(scenario, draws, ridden):
        moment, trigger = press.time_s, press.trigger
        if moment > start:
            laps.append(
                RawLap(start_s=clock_start_s + start, end_s=clock_start_s + moment, trigger=trigger)
            )
            start = moment
    end = float(np.floor(ridden.time_s[-1]))
    if end > start:
        laps.append(
            RawLap(start_s=clock_start_s + start, end_s=clock_start_s + end, trigger="session_end")
        )
    return tuple(laps)


def run_rows(
    scenario: Scenario, draws: Draws, ridden: Ridden, start_local: datetime
) -> list[dict[str, object]]:
    """Return the rows of runs.csv as the rider fills them in."""
    ids = scenario.ids
    rows: list[dict[str, object]] = []
    numbers = _lap_numbers(scenario, draws, ridden)
    rng = stream(draws.seed, "run sheet")
    for r, k in enumerate(scenario.run_order):
        row: dict[str, object] = {"run": r + 1, "position": ids[k]}
        if scenario.laps in ("run", "leg"):
            row["laps"] = "+".join(str(n) for n in numbers.get(r + 1, []))
        elif scenario.laps == "times":
            start, end = ridden.run_times[r]
            # The watch is read when setting off and after stopping, to five seconds.
            early, late = rng.uniform(0.0, 6.0, 2)
            row["start"] = _clock(start_local, start - float(early))
            row["end"] = _clock(start_local, end + float(late))
        if scenario.comforts is not None:
            felt = round(scenario.comforts[k] + float(rng.normal(0.0, 0.6)))
            row["comfort"] = min(10, max(0, felt))
        rows.append(row)
    return rows


def _lap_numbers(scenario: Scenario, draws: Draws, ridden: Ridden) -> dict[int, list[int]]:
    """Return the numbers of the laps that lie between a run's presses."""
    numbers: dict[int, list[int]] = {}
    number, start = 1, 0.0
    inside: int | None = None
    for press in _presses(scenario, draws, ridden):
        if press.time_s > start:  # a lap of no length is not stored, and has no number
            if inside is not None:
                numbers.setdefault(inside, []).append(number)
            number, start = number + 1, press.time_s
        if press.opens is not None:
            inside = press.run if press.opens else None
    return numbers


def _clock(start_local: datetime, seconds: float) -> str:
    moment = start_local.replace(tzinfo=None) + timedelta(seconds=5.0 * round(seconds / 5.0))
    return moment.strftime("%H:%M:%S")
