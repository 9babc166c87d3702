"""Legs in closed form: on a road without error every number at the gates can be written down."""

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from cda.elevation import leg_energies
from cda.errors import EstimationError, SessionError
from cda.legs import Leg, cut_legs
from cda.session import Session
from tests.straight_road import METRES_PER_DEGREE, Ride, out_and_back, record, session_of

RIDE = out_and_back([(8.0, 0.02), (8.0, 0.02)])


def steps_of_power(t: np.ndarray) -> np.ndarray:
    """Work of 100 W in even seconds and 300 W in odd ones, linear inside each second."""
    whole = np.floor(t + 1e-9)
    odd = np.floor(whole / 2.0)
    inside = np.where(whole % 2 == 0, 100.0, 300.0)
    return 100.0 * (whole - odd) + 300.0 * odd + inside * (t - whole)


def legs_of(session: Session) -> dict[tuple[int, str], Leg]:
    return {(leg.run, leg.name): leg for leg in cut_legs(session).legs}


def gates(a_m: float, b_m: float) -> dict[str, dict[str, object]]:
    return {
        "course": {
            "gate_a": [40.0 + a_m / METRES_PER_DEGREE, -31.0],
            "gate_b": [40.0 + b_m / METRES_PER_DEGREE, -31.0],
        }
    }


def crossing(ride: Ride, along_m: float, first_s: float, last_s: float) -> float:
    """Return when a place is crossed between two times, by bisection of the closed form."""
    sign = np.sign(ride.along(last_s) - ride.along(first_s))
    for _ in range(60):
        middle = 0.5 * (first_s + last_s)
        if sign * (float(ride.along(middle)) - along_m) < 0:
            first_s = middle
        else:
            last_s = middle
    return first_s


@pytest.mark.parametrize("interval_s", [0.25, 1.0, 2.0])
@pytest.mark.parametrize("gps", [True, False])
def test_ends_of_a_leg_follow_the_closed_form(interval_s: float, gps: bool) -> None:
    cut = cut_legs(
        session_of(
            record(RIDE, lambda t: 200.0 * t, interval_s=interval_s, gps=gps), "aa", ["1", "2"]
        )
    )
    assert cut.placed_by == ("gps" if gps else "turns")
    assert [(leg.run, leg.name) for leg in cut.legs] == [
        (1, "out"), (1, "back"), (2, "out"), (2, "back"),
    ]  # fmt: skip
    for leg in cut.legs:
        entry, leave = leg.time_s[0], leg.time_s[-1]
        # v(t) is linear and x(t) quadratic while cruising: interpolation must be exact.
        np.testing.assert_allclose(leg.speed_m_s, RIDE.speed(leg.time_s), atol=1e-9)
        ridden = float(RIDE.path(leave) - RIDE.path(entry))
        assert ridden == pytest.approx(cut.length_m, abs=1e-6)
        assert {leg.along_m[0], leg.along_m[-1]} == {0.0, cut.length_m}
        np.testing.assert_allclose(
            np.abs(leg.along_m - leg.along_m[0]),
            RIDE.path(leg.time_s) - RIDE.path(entry),
            atol=0.002,  # places of samples are put on the axis by the pass as a whole
        )
        assert np.all(np.diff(leg.time_s) > 0)


@pytest.mark.parametrize("interval_s", [0.25, 1.0])
def test_every_leg_lies_between_the_same_two_places(interval_s: float) -> None:
    for gps in (True, False):
        recording = record(RIDE, lambda t: 200.0 * t, interval_s=interval_s, gps=gps)
        cut = cut_legs(session_of(recording, "aa", ["1", "2"]))
        a = [RIDE.along(leg.time_s[0 if leg.direction > 0 else -1]) for leg in cut.legs]
        b = [RIDE.along(leg.time_s[-1 if leg.direction > 0 else 0]) for leg in cut.legs]
        # without positions only a turn is seen, braked at 1.5 and left at 1.0 m/s^2: a metre
        assert np.ptp(a) < (0.05 if gps else 2.0)
        assert np.ptp(b) < (0.05 if gps else 2.0)
        assert float(np.mean(b) - np.mean(a)) == pytest.approx(cut.length_m, abs=0.1)


def test_legs_are_clear_of_starting_and_braking_and_lose_little_of_the_cruise() -> None:
    cut = cut_legs(session_of(record(RIDE, lambda t: 200.0 * t), "aa", ["1", "2"]))
    cruise_m = 8.0 * 80.0 + 0.5 * 0.02 * 80.0**2
    assert cruise_m - 90.0 < cut.length_m < cruise_m
    for leg in cut.legs:
        begin = RIDE.runs[leg.run - 1][0 if leg.direction > 0 else 1]
        begin += 3.0 * (leg.direction < 0) + 6.0  # the rest of the turn, then 2 to 8 m/s
        assert leg.time_s[0] > begin
        assert leg.time_s[-1] < begin + 80.0


def test_gates_lie_a_second_or_more_before_long_braking() -> None:
    # Brakes at 0.6 m/s^2 take 70 m, more than the start at the same end: they set the gate.
    ride = out_and_back([(8.0, 0.02), (8.0, 0.02)], brake=0.6)
    cut = cut_legs(session_of(record(ride, lambda t: 200.0 * t, gps=True), "aa", ["1", "2"]))
    left = []
    for leg in cut.legs:
        begin = ride.runs[leg.run - 1][0 if leg.direction > 0 else 1]
        brakes = begin + 3.0 * (leg.direction < 0) + 6.0 + 80.0
        left.append(brakes - leg.time_s[-1])
    assert min(left) > 1.0
    assert min(left) < 5.0  # and no more road is given away


def test_energy_between_the_gates_is_the_integral_of_power() -> None:
    # Alternating 100 and 300 W: a sample's power put on the wrong interval, or a gate rounded
    # to a sample, is off by up to 200 J.
    for leg in legs_of(session_of(record(RIDE, steps_of_power), "aa", ["1", "2"])).values():
        work = float((leg.power_w[1:] * np.diff(leg.time_s)).sum())
        entry, leave = leg.time_s[[0, -1]]
        expected = float(steps_of_power(leave) - steps_of_power(entry))
        assert work == pytest.approx(expected, abs=1e-6)
        assert abs(entry - round(entry)) > 1e-3 or abs(leave - round(leave)) > 1e-3


@pytest.mark.parametrize("delay_s", [0.4, 1.0, 1.75])
def test_power_that_arrives_late_is_brought_back_by_part_of_a_second(delay_s: float) -> None:
    # P = 150 + t W: a shift by d costs d * (P_end - P_start), here 20 to 70 J a leg.
    def work(t: np.ndarray) -> np.ndarray:
        return 150.0 * t + 0.5 * t**2

    late = record(RIDE, lambda t: work(np.maximum(t - delay_s, 0.0)), interval_s=0.25)
    told = legs_of(session_of(late, "aa", ["1", "2"], {"power_meter": {"delay_s": delay_s}}))
    untold = legs_of(session_of(late, "aa", ["1", "2"]))
    for key, leg in told.items():
        entry, leave = leg.time_s[[0, -1]]
        expected = float(work(leave) - work(entry))
        got = float((leg.power_w[1:] * np.diff(leg.time_s)).sum())
        assert got == pytest.approx(expected, abs=0.05)
        missed = float((untold[key].power_w[1:] * np.diff(untold[key].time_s)).sum())
        assert missed - expected == pytest.approx(-delay_s * (leave - entry), abs=0.05)


def test_given_gates_are_crossed_when_the_closed_form_says() -> None:
    a, b = 73.3, 611.9
    session = session_of(record(RIDE, steps_of_power, gps=True), "aa", ["1", "2"], gates(a, b))
    cut = cut_legs(session)
    assert cut.length_m == pytest.approx(b - a, abs=0.05)
    assert cut.bearing_deg is not None
    assert np.cos(np.radians(cut.bearing_deg)) == pytest.approx(1.0, abs=1e-6)  # due north
    for leg in cut.legs:
        begin, turn, end = RIDE.runs[leg.run - 1]
        span = (begin, turn) if leg.direction > 0 else (turn, end)
        places = (a, b) if leg.direction > 0 else (b, a)
        for k, place in zip((0, -1), places, strict=True):
            # 0.05 m of placing at 8 to 10 m/s
            assert leg.time_s[k] == pytest.approx(crossing(RIDE, place, *span), abs=0.007)


def test_gates_named_in_the_other_order_give_the_same_legs() -> None:
    recording = record(RIDE, steps_of_power, gps=True)
    one = cut_legs(session_of(recording, "aa", ["1", "2"], gates(80.0, 600.0)))
    other = cut_legs(session_of(recording, "aa", ["1", "2"], gates(600.0, 80.0)))
    for p, q in zip(one.legs, other.legs, strict=True):
        # gate A is the one crossed first in the first used run
        assert (p.run, p.name) == (q.run, q.name)
        np.testing.assert_allclose(p.time_s, q.time_s, atol=1e-6)


@pytest.mark.parametrize("aside_m", [80.0, 5000.0])
def test_gates_beside_the_road_are_refused(aside_m: float) -> None:
    east = aside_m / (METRES_PER_DEGREE * np.cos(np.radians(40.0)))
    course = gates(80.0, 600.0)["course"]
    for gate in course.values():
        gate[1] += east  # type: ignore[index]
    session = session_of(
        record(RIDE, steps_of_power, gps=True), "aa", ["1", "2"], {"course": course}
    )
    with pytest.raises(SessionError, match=r"m off the road that was ridden") as caught:
        cut_legs(session)
    assert "course.gate_a" in caught.value.where
    text = str(caught.value)
    assert "40." not in text  # and no coordinate in the message
    assert "31." not in text


@pytest.mark.parametrize("ends", [(80.0, 100.0), (-5.0, 740.0)])
def test_gates_too_close_or_in_the_turns_are_refused(ends: tuple[float, float]) -> None:
    session = session_of(record(RIDE, steps_of_power, gps=True), "aa", ["1", "2"], gates(*ends))
    with pytest.raises(SessionError, match="gates"):
        cut_legs(session)


def test_a_leg_that_brakes_before_the_given_gate_is_left_out_and_said() -> None:
    # Run 2 is braked 150 m early on its way back only: that leg alone cannot be used.
    t, v, sign = list(RIDE.t), list(RIDE.v), list(RIDE.sign)
    k = len(t) - 4  # end of the last cruise
    early = 20.0
    t[k] -= early
    v[k] -= 0.02 * early
    braking = (v[k] - 4.0) / 1.5
    t.insert(k + 1, t[k] + braking)
    v.insert(k + 1, 4.0)
    sign.insert(k, -1.0)
    for i in range(k + 2, len(t)):
        t[i] += 60.0
    ride = Ride(t=np.array(t), v=np.array(v), sign=np.array(sign),
                runs=(RIDE.runs[0], (*RIDE.runs[1][:2], t[-1] - 3.0)))  # fmt: skip
    session = session_of(
        record(ride, steps_of_power, gps=True), "aa", ["1", "2"], gates(80.0, 600.0)
    )
    cut = cut_legs(session)
    assert [(leg.run, leg.name) for leg in cut.legs] == [(1, "out"), (1, "back"), (2, "out")]
    (finding,) = [f for f in cut.findings if f.code == "leg-left-out"]
    assert finding.where == "run 2"
    assert "back" in finding.message


def test_gates_without_positions_cannot_be_used_and_it_is_said() -> None:
    session = session_of(record(RIDE, steps_of_power), "aa", ["1", "2"], gates(80.0, 600.0))
    cut = cut_legs(session)
    (finding,) = [f for f in cut.findings if f.code == "gates-not-used"]
    assert finding.severity == "warning"
    assert "satellite" in finding.message


def test_one_lap_a_run_and_one_lap_a_leg_are_the_same_legs() -> None:
    for gps in (True, False):
        whole = cut_legs(session_of(record(RIDE, steps_of_power, gps=gps), "aa", ["1", "2"]))
        split = cut_legs(
            session_of(record(RIDE, steps_of_power, gps=gps, laps="leg"), "aa", ["1+2", "3+4"])
        )
        assert whole.length_m == pytest.approx(split.length_m, abs=0.05)
        for p, q in zip(whole.legs, split.legs, strict=True):
            assert (p.run, p.name, p.position) == (q.run, q.name, q.position)
            np.testing.assert_allclose(p.time_s[[0, -1]], q.time_s[[0, -1]], atol=0.01)


def test_presses_seconds_early_or_late_do_not_move_the_legs() -> None:
    session = session_of(record(RIDE, steps_of_power, gps=True), "aa", ["1", "2"], gates(90, 590))
    plain = cut_legs(session)
    rng = np.random.default_rng(5)
    moved = [
        replace(
            run,
            spans=tuple(
                (a + float(rng.uniform(-4, 6)), b + float(rng.uniform(-6, 4))) for a, b in run.spans
            ),
        )
        for run in session.runs
    ]
    cut = cut_legs(replace(session, runs=tuple(moved)))
    for p, q in zip(plain.legs, cut.legs, strict=True):
        np.testing.assert_allclose(p.time_s[[0, -1]], q.time_s[[0, -1]], atol=0.003)
        assert p.power_w[1:-1] == pytest.approx(q.power_w[1:-1], abs=0.01)


# --- what is missing


def leg_rows(session: Session, run: int, name: str) -> np.ndarray:
    leg = legs_of(session)[(run, name)]
    t = session.recordings[0].time_s
    return np.flatnonzero((t > leg.time_s[0] + 5.0) & (t < leg.time_s[-1] - 5.0))


def without_power(session: Session, rows: np.ndarray) -> Session:
    recording = session.recordings[0]
    power = recording.power_w.copy()
    power[rows] = np.nan
    return replace(session, recordings=(replace(recording, power_w=power),))


def test_a_few_missing_seconds_of_power_are_bridged() -> None:
    # P = 150 + t W is straight, so a straight bridge is exact.
    def work(t: np.ndarray) -> np.ndarray:
        return 150.0 * t + 0.5 * t**2

    session = session_of(record(RIDE, work), "aa", ["1", "2"])
    rows = leg_rows(session, 1, "back")[20:24]
    leg = legs_of(without_power(session, rows))[(1, "back")]
    got = float((leg.power_w[1:] * np.diff(leg.time_s)).sum())
    assert got == pytest.approx(float(work(leg.time_s[-1]) - work(leg.time_s[0])), abs=0.2)


@pytest.mark.parametrize(("pattern", "reason"), [("row", "in a row"), ("spread", "%")])
def test_more_missing_power_leaves_the_leg_out_with_its_reason(pattern: str, reason: str) -> None:
    session = session_of(record(RIDE, steps_of_power), "aa", ["1", "2"])
    rows = leg_rows(session, 1, "back")
    rows = rows[20:26] if pattern == "row" else rows[::5]
    cut = cut_legs(without_power(session, rows))
    assert [(leg.run, leg.name) for leg in cut.legs] == [(1, "out"), (2, "out"), (2, "back")]
    (finding,) = cut.findings
    assert finding.code == "leg-left-out"
    assert finding.severity == "warning"
    assert finding.where == "run 1"
    assert "back" in finding.message
    assert reason in finding.message


def test_a_gap_of_all_channels_leaves_the_leg_out_if_it_is_long() -> None:
    session = session_of(record(RIDE, steps_of_power, gps=True), "aa", ["1", "2"], gates(80, 600))
    rows = leg_rows(session, 2, "out")

    def without(dropped: np.ndarray) -> Session:
        old = session.recordings[0]
        keep = np.setdiff1d(np.arange(len(old.time_s)), dropped)
        names = ("time_s", "power_w", "speed_m_s", "distance_m", "latitude_deg", "longitude_deg")
        return replace(
            session, recordings=(replace(old, **{n: getattr(old, n)[keep] for n in names}),)
        )

    short = legs_of(without(rows[20:23]))[(2, "out")]
    assert np.diff(short.time_s).max() == pytest.approx(4.0)
    cut = cut_legs(without(rows[20:34]))
    assert (2, "out") not in {(leg.run, leg.name) for leg in cut.legs}
    assert "gap of 15 s" in cut.findings[0].message


def test_a_run_with_no_leg_left_is_listed_as_left_out() -> None:
    session = session_of(record(RIDE, steps_of_power), "aa", ["1", "2"])
    rows = np.concatenate([leg_rows(session, 1, "out")[20:30], leg_rows(session, 1, "back")[:10]])
    cut = cut_legs(without_power(session, rows))
    assert {leg.run for leg in cut.legs} == {2}
    assert [(e.run, e.reason) for e in cut.excluded] == [(1, "none of its legs is usable")]


def test_runs_set_aside_or_not_ridden_are_listed_with_their_reason() -> None:
    session = session_of(record(RIDE, steps_of_power), "aa", ["1", "2"])
    one, two = session.runs
    cut = cut_legs(replace(session, runs=(replace(one, use=False, note="dog on the road"), two)))
    assert [(e.run, e.reason) for e in cut.excluded] == [
        (1, "set aside on the run sheet: dog on the road")
    ]
    cut = cut_legs(replace(session, runs=(one, replace(two, spans=(), spans_from=None))))
    assert cut.excluded[0].run == 2
    assert "not ridden" in cut.excluded[0].reason
    with pytest.raises(EstimationError, match="no run has been ridden"):
        cut_legs(replace(session, runs=(replace(one, use=False), replace(two, use=False))))


def test_a_lap_over_a_rest_is_left_out_and_not_forgotten() -> None:
    session = session_of(record(RIDE, steps_of_power), "aa", ["1", "2"])
    one, two = session.runs
    cut = cut_legs(replace(session, runs=(one, replace(two, spans=((0.0, 3.0),)))))
    assert [(e.run, e.reason) for e in cut.excluded] == [
        (2, "nothing is ridden in its laps or times")
    ]


def test_without_positions_a_way_out_alone_cannot_be_placed() -> None:
    session = session_of(record(RIDE, steps_of_power), "aa", ["1", "2"])
    half = [replace(r, spans=((r.spans[0][0], RIDE.runs[k][1] - 6.0),))
            for k, r in enumerate(session.runs)]  # fmt: skip
    with pytest.raises(EstimationError, match="no run shows a turn"):
        cut_legs(replace(session, runs=tuple(half)))


def test_without_positions_a_run_that_shows_no_turn_is_listed() -> None:
    session = session_of(record(RIDE, steps_of_power), "aa", ["1", "2"])
    one, two = session.runs
    half = replace(two, spans=((two.spans[0][0], RIDE.runs[1][1] - 6.0),))
    cut = cut_legs(replace(session, runs=(one, half)))
    assert {leg.run for leg in cut.legs} == {1}
    assert [(e.run, e.position) for e in cut.excluded] == [(2, "a")]
    assert "no turn" in cut.excluded[0].reason


@pytest.mark.parametrize("clocks", [True, False])
def test_legs_of_a_second_recording_come_later_on_the_session_s_clock(clocks: bool) -> None:
    # Each recording's own time begins at 0: drift and slow wind need the time between them.
    session = session_of(record(RIDE, steps_of_power), "aa", ["1", "2"])
    first = session.recordings[0]
    assert first.start_utc is not None
    second = replace(first, name="later.csv", start_utc=first.start_utc + timedelta(hours=2))
    if not clocks:
        first, second = replace(first, start_utc=None), replace(second, start_utc=None)
    one, two = session.runs
    cut = cut_legs(
        replace(session, recordings=(first, second), runs=(one, replace(two, recording=1)))
    )
    alone = legs_of(session)
    shift = 7200.0 if clocks else float(first.time_s[-1])
    for leg in cut.legs:
        late = shift if leg.run == 2 else 0.0
        assert leg.start_s == pytest.approx(alone[(leg.run, leg.name)].time_s[0] + late)
        assert leg.time_s[0] == pytest.approx(alone[(leg.run, leg.name)].time_s[0])
    assert leg_energies(cut.legs).start_s[-1] == cut.legs[-1].start_s


def test_legs_shorter_than_a_gust_are_refused() -> None:
    ride = out_and_back([(8.0, 0.0), (8.0, 0.0)], seconds=18.0)
    with pytest.raises(EstimationError, match="at least 150 m are needed"):
        cut_legs(session_of(record(ride, steps_of_power), "aa", ["1", "2"]))
