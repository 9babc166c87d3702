"""Lap presses, a rider's and automatic ones, and the run sheet that goes with them."""

from __future__ import annotations

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


def _intended(scenario: Scenario, ridden: Ridden) -> list[tuple[float, int, int | None]]:
    """Return (time, run, leg) of each press meant, run by run; leg None for a whole run."""
    meant: list[tuple[float, int, int | None]] = []
    for run, (start, end) in enumerate(ridden.run_times, start=1):
        legs = [leg for leg in ridden.legs if leg.run == run]
        if scenario.laps == "leg" and legs:
            for k, leg in enumerate(legs):
                meant += [(leg.entry_s, run, k), (leg.exit_s, run, k)]
        else:
            first = legs[0].entry_s if legs else start + 20.0
            last = legs[-1].exit_s if legs else end - 20.0
            meant += [(first, run, None), (last, run, None)]
    return meant


def _presses(
    scenario: Scenario, draws: Draws, ridden: Ridden
) -> list[tuple[float, int | None, int | None, str]]:
    """Return (time, run, leg, trigger) of every lap end, in order of time [s]."""
    if scenario.laps not in ("run", "leg"):
        pressed: list[tuple[float, int | None, int | None, str]] = []
    else:
        meant = _intended(scenario, ridden)
        late = stream(draws.seed, "lap presses").normal(0.0, scenario.lap_press_sd_s, len(meant))
        pressed = []
        previous = 0.0
        for (time, run, leg), error in zip(meant, late, strict=True):
            extra = scenario.late_press_s if run in scenario.late_press_runs else 0.0
            moment = float(max(round(time + error + extra), previous + 1.0))
            # laps on a loop touch: one press ends a lap and begins the next
            if pressed and scenario.course != "out-and-back" and time - pressed[-1][0] < 10.0:
                continue
            pressed.append((moment, run, leg, MANUAL))
            previous = moment
    if scenario.automatic_lap_m:
        count = int(ridden.path_m[-1] // scenario.automatic_lap_m)
        marks = scenario.automatic_lap_m * np.arange(1, count + 1)
        pressed += [
            (float(round(t)), None, None, AUTOMATIC)
            for t in np.interp(marks, ridden.path_m, ridden.time_s)
        ]
    return sorted(pressed, key=lambda p: p[0])


def raw_laps(
    scenario: Scenario, draws: Draws, ridden: Ridden, clock_start_s: float
) -> tuple[RawLap, ...]:
    """Return the laps as the bike computer stores them, on its clock [s]."""
    from cda.recording import RawLap

    laps = []
    start = 0.0
    for moment, _, _, trigger in _presses(scenario, draws, ridden):
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
    inside: tuple[int, int | None] | None = None
    for moment, run, leg, _ in _presses(scenario, draws, ridden):
        if moment <= start:
            continue
        if inside is not None:
            numbers.setdefault(inside[0], []).append(number)
        number, start = number + 1, moment
        if run is not None:
            opened = (run, leg)
            if scenario.course != "out-and-back" and scenario.laps == "leg":
                last = leg == scenario.laps_per_run - 1
                inside = None if inside is not None and last and inside == opened else opened
            else:
                inside = None if inside == opened else opened
    return numbers


def _clock(start_local: datetime, seconds: float) -> str:
    moment = start_local.replace(tzinfo=None) + timedelta(seconds=5.0 * round(seconds / 5.0))
    return moment.strftime("%H:%M:%S")
