"""A whole day checked: marks, what to ride again, the screen; passes paired with the run sheet."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from cda.checks import check_bare_recording, check_session, match_runs
from cda.errors import SessionError
from cda.passes import Pass, Stretch, find_stretches
from cda.results import Finding
from cda.session import Run, Session
from cda.simulate import PRESETS, simulate_session

SMALL = replace(PRESETS["calm"], n_positions=2, runs_per_position=4)


@pytest.fixture(scope="module")
def day() -> Session:
    return simulate_session(SMALL, 1).session


@pytest.fixture(scope="module")
def disturbed() -> Session:
    """Let a lorry pass in run 3, the rider sit up in run 6, power stand still in run 8."""
    faults: dict[str, Any] = {
        "lorry_runs": (3,), "sat_up_runs": (6,), "frozen_power_runs": (8,), "sat_up_cda_m2": 0.1
    }  # fmt: skip
    return simulate_session(replace(SMALL, **faults), 2).session


def braked(session: Session, run: int) -> Session:
    """Brake for 8 s in the middle of a run's first leg: no power, 40 % of the speed left."""
    recording = session.recordings[0]
    start, end = session.runs[run - 1].spans[0]
    middle = start + 0.25 * (end - start)
    power, speed = recording.power_w.copy(), recording.speed_m_s.copy()
    inside = (recording.time_s >= middle) & (recording.time_s < middle + 8)
    power[inside] = 0.0
    speed[inside] *= np.linspace(1.0, 0.4, int(inside.sum()))
    changed = replace(recording, power_w=power, speed_m_s=speed)
    return replace(session, recordings=(changed,))


def test_a_clean_day_is_good_and_a_braked_run_is_to_ride_again(day: Session) -> None:
    report = check_session(day)
    assert {r.mark for r in report.runs} == {"good"}
    assert not [f for f in report.findings if f.severity != "note"]
    spoiled = check_session(braked(day, 5))
    assert spoiled.ride_again == (5,)
    assert [f.where[:5] for f in spoiled.findings if f.severity == "warning"] == ["run 5"]
    assert next(r for r in spoiled.runs if r.run == 5).mark == "spoiled"
    assert any(line.startswith("x  5 ") for line in str(spoiled).splitlines())
    assert "To ride again: 5." in str(spoiled)


def test_a_lorry_and_a_rider_who_sat_up_are_proposed_and_not_dropped(disturbed: Session) -> None:
    report = check_session(disturbed)
    found = {f.code: f for f in report.findings}
    lorry, sat_up = found["vehicle-passing"], found["sat-up"]
    assert (lorry.where, sat_up.where) == ("run 3 out", "run 6 out")
    marks = {r.run: r.mark for r in report.runs}
    assert marks == dict.fromkeys(range(1, 8), "good") | {
        3: "doubtful",
        6: "doubtful",
        8: "spoiled",
    }
    assert [r.legs for r in report.runs] == [2] * 8
    # The evidence: a lorry's air moves at 4 m/s and dies away over 10 s; at 10 m/s, CdA 0.27 m²
    # and 1.22 kg/m³ it takes off 0.165 (10² - 6²) = 10.5 N at first, 1170 J until it is gone.
    force, energy = re.findall(r"pulled by (\d+) N .* (\d+) J", lorry.message)[0]
    assert 7 <= int(force) <= 14
    assert 700 <= int(energy) <= 2400
    # 0.1 m² more for 20 s.
    extra = re.findall(r"held back by \d+ N \((\d\.\d+) m²\) for (12|20|32) s", sat_up.message)
    assert 0.06 <= float(extra[0][0]) <= 0.14


def test_power_that_stands_still_spoils_the_runs_it_touches(disturbed: Session) -> None:
    report = check_session(disturbed)
    inside = [f for f in report.findings if f.code == "power-frozen" and "run" in f.where]
    assert [f.where for f in inside] == ["run 8 out, run 8 back"]
    assert report.ride_again == (8,)


def test_automatic_laps_among_the_presses_do_not_cut_the_runs() -> None:
    scenario = replace(SMALL, runs_per_position=2, automatic_lap_m=1000.0)
    session = simulate_session(scenario, 3).session
    assert any(
        len(str(row["laps"]).split("+")) > 1 for row in simulate_session(scenario, 3).run_rows
    )
    report = check_session(session)
    assert [(r.mark, r.legs) for r in report.runs] == [("good", 2)] * 4
    assert "automatic-laps" in {f.code for f in report.findings}


def test_what_session_and_recording_both_say_is_said_once(day: Session) -> None:
    gap = Finding(severity="note", code="recording-gaps", where="ride.csv", message="1 gap")
    recording = replace(day.recordings[0], findings=(gap,))
    both = replace(day, recordings=(recording,), findings=(replace(gap, session="s1"),))
    assert [f.code for f in check_session(both).findings].count("recording-gaps") == 1


def test_rows_set_aside_or_not_ridden_are_told_apart(day: Session) -> None:
    runs = list(day.runs)
    runs[0] = replace(runs[0], use=False, note="a lorry")
    runs[1] = replace(runs[1], spans=(), spans_from=None)
    report = check_session(replace(day, runs=tuple(runs)))
    assert [r.mark for r in report.runs[:3]] == ["set aside", "not ridden", "good"]
    assert "set aside: a lorry" in str(report)


def test_no_legs_is_a_stop_in_the_report(day: Session) -> None:
    runs = tuple(replace(r, spans=(), spans_from=None) for r in day.runs)
    report = check_session(replace(day, runs=runs))
    assert [f.code for f in report.findings if f.severity == "stop"] == ["no-legs"]


def test_reports_are_plain_data_without_coordinates(day: Session) -> None:
    bare = check_bare_recording(day.recordings[0])
    for report in (bare, check_session(day)):
        text = json.dumps(report.to_dict(), allow_nan=False) + str(report)
        assert "latitude" not in text
        assert "deg" not in text
    assert "usual time between samples: 1 s, uncertainty unknown" in str(bare)
    assert bare.stretches
    assert len(bare.to_frame()) == len(bare.stretches)


def unridden(session: Session) -> list[Run]:
    return [replace(r, spans=(), spans_from=None) for r in session.runs]


def test_passes_found_without_laps_are_the_runs(day: Session) -> None:
    stretch = find_stretches(day.recordings[0])[0]
    match = match_runs(unridden(day), stretch)
    assert match.certain
    assert len(match.pairs) == len(day.runs)
    for pair, run in zip(match.pairs, day.runs, strict=True):
        assert pair.position == run.position
        # The lap presses are a rider's: seconds off, and before the run-out.
        assert abs(pair.start_s - run.spans[0][0]) < 60.0
        assert abs(pair.end_s - run.spans[-1][1]) < 60.0


def passes(ways: list[int]) -> Stretch:
    made: list[Any] = [
        Pass(
            direction=1 if way > 0 else -1, start_s=200.0 * k, end_s=200.0 * k + 120,
            length_m=1200.0, mean_speed_m_s=10.0, slowest_m_s=9.0, mean_power_w=200.0,
        )
        for k, way in enumerate(ways)
    ]  # fmt: skip
    return Stretch(
        from_km=0.0, to_km=1.2, length_m=1200.0, relief_m=1.0, straightness=1.0, steadiness=0.9,
        fitness=0.9, passes=tuple(made), found_by="positions",
    )  # fmt: skip


def sheet(count: int) -> list[Run]:
    return [Run(run=n, position="ab"[n % 2]) for n in range(1, count + 1)]


def test_two_passes_ridden_again_and_one_run_skipped_need_two_corrections() -> None:
    # Five runs planned; run 2 was spoiled and both its passes ridden again, run 4 skipped.
    stretch = passes([1, -1] * 5)
    # They come out even, so the rider has to know; each correction alone is noticed.
    assert match_runs(sheet(5), stretch).certain
    told = match_runs(sheet(5), stretch, spoiled=(3, 4))
    assert not told.certain
    assert "which 1 run was not ridden" in told.questions[0]
    told = match_runs(sheet(5), stretch, spoiled=(3, 4), skipped=(4,))
    assert told.certain
    assert [p.run for p in told.pairs] == [1, 2, 3, 5]
    assert told.pairs[1].passes[0].start_s == 800.0


def test_an_odd_pass_is_asked_about_and_filled_rows_stay() -> None:
    odd = match_runs(sheet(3), passes([1, -1, 1, 1, -1, 1, -1]))
    assert not odd.certain
    assert "which 1 pass is spoiled or extra?" in odd.questions[0]
    assert "run 2: passes 3 and 4 go the same way" in odd.questions[1]
    rows = sheet(3)
    rows[0] = replace(rows[0], spans=((-10.0, 340.0),), spans_from="times")
    match = match_runs(rows, passes([1, -1] * 3))
    assert match.certain
    assert [p.run for p in match.pairs] == [2, 3]
    with pytest.raises(SessionError, match="there is no pass 9"):
        match_runs(sheet(1), passes([1, -1]), spoiled=(9,))
    with pytest.raises(SessionError, match="there is no run 7"):
        match_runs(sheet(1), passes([1, -1]), skipped=(7,))
