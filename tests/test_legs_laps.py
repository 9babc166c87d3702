"""Runs on a loop or track cut into laps: by satellites, by length, by presses."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from cda.errors import EstimationError, SessionError
from cda.legs import cut_legs
from cda.legs.laps import stretches_of
from cda.session import build_session
from cda.simulate import PRESETS, SimulatedSession, simulate_session
from tests.analysis_rides import small_ride, with_settings

if TYPE_CHECKING:
    from cda.legs import Leg, LegSet

LOOP = replace(
    PRESETS["light"],
    course="loop",
    leg_length_m=700.0,
    laps_per_run=3,
    n_positions=2,
    runs_per_position=2,
    loop_bend_share=0.6,
)
TRACK = replace(
    PRESETS["calm"],
    course="track",
    leg_length_m=250.0,
    laps_per_run=7,
    n_positions=2,
    runs_per_position=1,
    powers_w=(220.0,),
)
CASES = {
    "gps, a lap a run": (LOOP, "gps"),
    "gps, every lap pressed": (replace(LOOP, laps="leg"), "gps"),
    "gps, times": (replace(LOOP, laps="times"), "gps"),
    "gps, presses 5 s off": (replace(LOOP, lap_press_sd_s=5.0), "gps"),
    "length known, a lap a run": (replace(LOOP, gps=False), "distance"),
    "length known, times": (replace(LOOP, gps=False, laps="times"), "distance"),
}


@cache
def ridden(case: str) -> SimulatedSession:
    return simulate_session(CASES[case][0], 41)


def true_lengths(ride: SimulatedSession, cut: LegSet) -> np.ndarray:
    """Return the true way of every leg over its number of laps [m]."""

    def path(leg: Leg, k: int) -> float:
        return float(np.interp(leg.time_s[k], ride.ridden.time_s, ride.ridden.path_m))

    return np.array(
        [(path(leg, -1) - path(leg, 0)) / (leg.laps[1] - leg.laps[0] + 1) for leg in cut.legs]
    )


@pytest.mark.parametrize("case", CASES)
def test_every_run_gives_its_laps_and_each_is_one_way_round(case: str) -> None:
    ride, (_, placed_by) = ridden(case), CASES[case]
    cut = cut_legs(ride.session)
    assert cut.placed_by == placed_by
    assert cut.kind == "loop"
    assert cut.excluded == ()
    assert cut.bearing_deg is None
    names = [(leg.run, leg.name) for leg in cut.legs]
    assert names == [(r, f"lap {k}") for r in (1, 2, 3, 4) for k in (1, 2, 3)]
    assert {leg.direction for leg in cut.legs} == {1}
    lengths = true_lengths(ride, cut)
    # Satellites are 1.5 m off for a minute, the wheel 0.1 %: 12 laps leave a metre.
    assert float(np.mean(lengths)) == pytest.approx(700.0, abs=2.0)
    assert float(np.ptp(lengths)) < 3.0


@pytest.mark.parametrize("case", list(CASES)[:4])
def test_with_satellites_all_laps_begin_at_one_place_and_know_their_direction(case: str) -> None:
    ride = ridden(case)
    cut = cut_legs(ride.session)
    r = ride.ridden
    starts = np.array(
        [
            [np.interp(leg.time_s[0], r.time_s, way) for way in (r.along_m, r.lateral_m)]
            for leg in cut.legs
        ]
    )
    assert np.std(starts, axis=0).max() < 3.0
    for leg in cut.legs[::4]:
        assert leg.bearing_deg is not None
        x = np.interp(leg.time_s, r.time_s, r.along_m)
        y = np.interp(leg.time_s, r.time_s, r.lateral_m)
        true = ride.draws.heading_deg - np.degrees(np.arctan2(np.gradient(y), np.gradient(x)))
        off = (leg.bearing_deg - true + 180.0) % 360.0 - 180.0
        assert float(np.abs(off[2:-2]).max()) < 12.0
        assert abs(float(np.mean(off))) < 2.0


def test_short_laps_are_put_together_and_none_is_lost() -> None:
    ride = simulate_session(TRACK, 42)
    cut = cut_legs(ride.session)
    assert cut.kind == "track"
    assert [leg.name for leg in cut.legs if leg.run == 1] == ["laps 1-4", "laps 5-7"]
    line = ride.truth["errors"]["track_line_m"]
    wheel = ride.truth["values"]["speed_scale"]
    np.testing.assert_allclose(true_lengths(ride, cut), 250.0 * wheel, atol=0.4)
    assert line >= 0.0


def test_lap_presses_alone_tell_the_length() -> None:
    ride = simulate_session(replace(LOOP, gps=False, laps="leg"), 41)
    cut = cut_legs(with_settings(ride, course={"lap_length_m": None}))
    assert cut.placed_by == "laps"
    assert len(cut.legs) == 12
    # Two presses of 2 s each at 10 m/s for each of four runs of three laps
    assert cut.length_m == pytest.approx(700.0, abs=15.0)


def test_without_anything_that_tells_a_lap_the_message_says_what_would() -> None:
    ride = ridden("length known, a lap a run")
    with pytest.raises(EstimationError, match=r"give the measured lap, or write every lap"):
        cut_legs(with_settings(ride, course={"lap_length_m": None}))


def test_a_ride_out_and_back_is_no_loop() -> None:
    with pytest.raises(EstimationError, match="comes back to where it began"):
        cut_legs(with_settings(small_ride(), course={"kind": "loop"}))


def test_a_start_line_off_the_loop_is_refused_and_one_on_it_is_used() -> None:
    ride = ridden("gps, a lap a run")
    with pytest.raises(SessionError, match="start line"):
        cut_legs(with_settings(ride, course={"gate_a": [41.0, -31.0]}))
    rec = ride.session.recordings[0]
    leg = cut_legs(ride.session).legs[0]
    k = int(np.searchsorted(rec.time_s, 0.5 * (leg.time_s[0] + leg.time_s[-1])))
    assert rec.latitude_deg is not None
    assert rec.longitude_deg is not None
    gate = [float(rec.latitude_deg[k]), float(rec.longitude_deg[k])]
    moved = cut_legs(with_settings(ride, course={"gate_a": gate}))
    # half a lap further on only two whole laps are left of three
    assert [leg.name for leg in moved.legs if leg.run == 1] == ["lap 1", "lap 2"]
    assert moved.legs[0].time_s[0] == pytest.approx(rec.time_s[k], abs=0.7)


def test_a_run_the_other_way_round_is_left_out_with_its_reason() -> None:
    ride = ridden("gps, a lap a run")
    rec = ride.session.recordings[0]
    assert rec.latitude_deg is not None
    run = ride.session.runs[1]
    inside = (rec.time_s > run.spans[0][0] - 40.0) & (rec.time_s < run.spans[0][1] + 40.0)
    # Mirrored at the parallel through the start line's place, the loop is ridden the other way.
    start = np.interp(run.spans[0][0], rec.time_s, rec.latitude_deg)
    heading = ride.draws.heading_deg
    latitude, longitude = rec.latitude_deg.copy(), rec.longitude_deg.copy()
    north = np.radians(latitude[inside] - start) * 6.36e6
    lon0 = np.interp(run.spans[0][0], rec.time_s, longitude)
    east = np.radians(longitude[inside] - lon0) * 6.36e6 * np.cos(np.radians(start))
    c, s = np.cos(np.radians(heading)), np.sin(np.radians(heading))
    along, left = north * c + east * s, north * s - east * c
    north, east = -along * c + left * s, -along * s - left * c
    latitude[inside] = start + np.degrees(north / 6.36e6)
    longitude[inside] = lon0 + np.degrees(east / 6.36e6 / np.cos(np.radians(start)))
    turned = replace(rec, latitude_deg=latitude, longitude_deg=longitude)
    session = build_session(ride.settings, [turned], ride.run_rows, folder_name="turned")
    cut = cut_legs(session)
    (left_out,) = cut.excluded
    assert left_out.run == 2
    assert "in their direction" in left_out.reason
    assert {leg.run for leg in cut.legs} == {1, 3, 4}


def test_a_lap_with_the_brakes_on_is_not_a_leg() -> None:
    ride = simulate_session(replace(LOOP, brake_runs=(2,)), 41)
    cut = cut_legs(ride.session)
    braked = next(leg for leg in ride.truth["legs"] if leg["run"] == 2)
    mine = [leg for leg in cut.legs if leg.run == 2]
    assert len(mine) == 2
    assert mine[0].time_s[0] > 0.5 * (braked["entry_s"] + braked["exit_s"])


def test_a_lap_length_that_the_wheel_contradicts_is_said() -> None:
    ride = simulate_session(replace(LOOP, laps="leg"), 41)
    for length, said in ((700.0, False), (735.0, True)):
        cut = cut_legs(with_settings(ride, course={"lap_length_m": length}))
        found = [f for f in cut.findings if f.code == "lap-length-differs"]
        assert bool(found) == said
    assert "735.0 m" in found[0].message


def test_laps_do_not_reach_into_the_braking_at_the_end() -> None:
    ride = ridden("gps, times")
    rec = ride.session.recordings[0]
    for run in ride.session.runs:
        (stretch,) = stretches_of(ride.session, run)
        speed = float(np.interp(stretch.high_m, rec.distance_m, rec.speed_m_s))
        inside = (rec.time_s > run.spans[0][0]) & (rec.time_s < run.spans[0][1])
        assert speed > 0.75 * float(np.median(rec.speed_m_s[inside]))
        # it still stops some metres later, and those are not offered to a lap
        assert float(rec.distance_m[inside][-1]) - stretch.high_m > 15.0
