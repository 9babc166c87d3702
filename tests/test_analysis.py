"""From a session to its estimate: the truth found, every row of the run sheet accounted for."""

import json
import math
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from cda.analysis import estimate_cda
from cda.errors import EstimationError, SessionError
from cda.results import Estimate, Finding
from cda.session import Session
from tests.analysis_rides import other_day, small_estimate, small_ride, with_settings
from tests.straight_road import G, Ride, out_and_back, record, session_of


def codes(estimate: Estimate) -> dict[str, Finding]:
    return {f.code: f for f in estimate.findings}


# --- a road without noise, power from a sum of forces written here


def exact_session(cda: tuple[float, ...], *, gps: bool, slope: float = 0.0) -> Session:
    """Return runs in turn at two powers, in still air, on a road that rises towards B."""
    order = [
        k for r in range(3) for k in (range(len(cda)) if r % 2 == 0 else range(len(cda))[::-1])
    ]
    speeds = [9.0 + 1.5 * (j % 2) for j in range(len(order))]
    ride: Ride = out_and_back([(v, 0.01) for v in speeds], seconds=70.0)
    fine = np.arange(0.0, ride.end_s, 0.05)
    v, along = ride.speed(fine), ride.along(fine)
    run = np.searchsorted([end for _, _, end in ride.runs], fine).clip(0, len(order) - 1)
    area = np.array([cda[k] for k in order])[run]
    acceleration = np.gradient(v, fine)
    way = np.sign(np.gradient(along, fine))
    force = 84.0 * (acceleration + G * 0.004 + G * slope * way) + 0.6 * area * v**2
    work = np.concatenate([[0.0], np.cumsum(0.05 * 0.5 * ((force * v)[1:] + (force * v)[:-1]))])
    # a rider makes no negative power: the brakes take it, outside the legs
    work += np.cumsum(np.maximum(-np.gradient(work), 0.0))
    recording = record(
        ride, lambda t: np.interp(t, fine, work), gps=gps, height_m=lambda x: 100.0 + slope * x
    )
    names = [f"p{k}" for k in order]
    return session_of(recording, names, [str(j + 1) for j in range(len(order))])


@pytest.mark.parametrize(("gps", "slope"), [(True, 0.0), (False, 0.003)])
def test_a_ride_without_noise_gives_back_its_cda(gps: bool, slope: float) -> None:
    estimate = estimate_cda(exact_session((0.28, 0.27), gps=gps, slope=slope))
    by_id = {p.id: p for p in estimate.positions}
    # Air that nobody read keeps a crosswind floor of 0.4 m/s and some gusts: 0.1 to 0.5 % of drag.
    assert by_id["p0"].cda_m2 == pytest.approx(0.28, abs=0.002)
    assert by_id["p1"].cda_m2 == pytest.approx(0.27, abs=0.002)
    assert by_id["p0"].cda_m2 <= 0.2802
    assert estimate.difference("p1").delta_cda_m2 == pytest.approx(-0.01, abs=1.5e-4)
    (day,) = estimate.sessions
    assert day.rolling_resistance.value == pytest.approx(0.004, abs=1e-4)
    assert day.course_length_m is not None
    assert day.height_difference_m.value == pytest.approx(slope * day.course_length_m, abs=0.03)
    assert all(abs(w.headwind_m_s) < 0.05 for w in estimate.wind)
    for curve in estimate.curves:
        assert abs(curve.closing_error_m) < 0.05
        assert np.abs(curve.virtual_minus_shared_m).max() < 0.06
    for run in estimate.runs:
        assert run.cda_m2 == pytest.approx(by_id[run.position].cda_m2, abs=2e-4)


# --- an invented ride


def test_the_truth_lies_within_four_standard_errors() -> None:
    estimate, truth = small_estimate(), small_ride().truth
    for position in estimate.positions:
        assert abs(position.cda_m2 - truth["cda_m2"][position.id]) < 4.0 * position.se_m2
        assert position.runs == 3
        assert position.legs == 6
    (difference,) = estimate.differences
    a, b = truth["cda_m2"].values()
    assert abs(difference.delta_cda_m2 - (b - a)) < 4.0 * difference.se_m2
    # what is common cancels: the difference is known better than either position
    assert (difference.systematic_se_m2 or 0.0) < 0.3 * estimate.positions[0].systematic_se_m2


def test_the_same_session_gives_the_same_bytes() -> None:
    again = estimate_cda(small_ride().session, monte_carlo=200)
    assert json.dumps(again.to_dict()) == json.dumps(small_estimate().to_dict())


def test_json_holds_no_nan_and_unknown_is_null() -> None:
    text = json.dumps(small_estimate().to_dict(), allow_nan=False)
    document = json.loads(text)
    assert document["variance"]["day_to_day_sd_m2"] is None
    assert document["kind"] == "estimate"
    assert document["schema"] == 1
    for key in ("latitude", "longitude", 'gate_a": {"value": ['):
        assert key not in text


def test_ride_without_altimeter_or_positions_has_no_nan_either() -> None:
    recording = small_ride().session.recordings[0]
    bare = replace(recording, altitude_m=None, latitude_deg=None, longitude_deg=None)
    session = with_settings(small_ride(), wind={"speed_m_s": 2.0, "from_deg": 30.0})
    estimate = estimate_cda(replace(session, recordings=(bare,)))
    assert codes(estimate)["wind-direction-not-used"].severity == "note"
    json.dumps(estimate.to_dict(), allow_nan=False)
    full, free = (e.sessions[0].height_difference_m.se for e in (small_estimate(), estimate))
    assert full is not None
    assert free is not None
    assert free > 1.5 * full  # nothing but the ride tells the height


def test_wind_is_against_the_leg_that_it_slows() -> None:
    truth = {(leg["run"], leg["leg"]): leg["headwind_m_s"] for leg in small_ride().truth["legs"]}
    estimate = small_estimate()
    told = np.array([w.headwind_m_s for w in estimate.wind])
    true = np.array([truth[(w.run, w.leg)] for w in estimate.wind])
    assert np.corrcoef(told, true)[0, 1] > 0.5
    se = np.array([w.se_m_s for w in estimate.wind])
    assert np.mean(np.abs(told - true) < 2.5 * se) > 0.8


def test_curves_end_with_their_closing_error_and_start_at_nothing() -> None:
    estimate = small_estimate()
    assert len(estimate.curves) == 12
    for curve in estimate.curves:
        ends = curve.virtual_minus_shared_m[[0, -1]]
        first, last = ends if curve.leg == "out" else ends[::-1]
        assert first == pytest.approx(0.0, abs=0.02)
        assert last == pytest.approx(curve.closing_error_m, abs=0.02)
    # the closing error is what a leg's energy leaves over, divided by the weight: small
    assert 0.05 < np.std([c.closing_error_m for c in estimate.curves]) < 3.0
    (profile,) = estimate.profiles
    assert profile.elevation_m[-1] == pytest.approx(
        estimate.sessions[0].height_difference_m.value, abs=0.02
    )


# --- every row of the run sheet is accounted for


def test_runs_not_used_and_not_ridden_are_in_the_result_with_their_reason() -> None:
    session = small_ride().session
    runs = list(session.runs)
    runs[1] = replace(runs[1], use=False, note="a lorry")
    runs[4] = replace(runs[4], spans=(), spans_from=None)
    estimate = estimate_cda(replace(session, runs=tuple(runs)))
    by_run = {r.run: r for r in estimate.runs}
    assert len(by_run) == 6
    assert by_run[2].reason == "set aside on the run sheet: a lorry"
    assert by_run[5].reason is not None
    assert "not ridden" in by_run[5].reason
    for number in (2, 5):
        assert not by_run[number].used
        assert by_run[number].cda_m2 is None
        assert by_run[number].se_m2 is None
        assert any(f.code == "run-left-out" and f"run {number} " in f.where
                   for f in estimate.findings)  # fmt: skip
    assert all(f.severity == "note" for f in estimate.findings if f.code == "run-left-out")
    assert sum(p.legs for p in estimate.positions) == 8


def test_a_position_with_one_run_is_answered_with_a_warning_and_a_wider_interval() -> None:
    session = small_ride().session
    seen = 0
    runs = []
    for run in session.runs:
        seen += run.position == "position-b"
        runs.append(replace(run, use=run.position != "position-b" or seen == 1))
    estimate = estimate_cda(replace(session, runs=tuple(runs)))
    finding = codes(estimate)["single-run"]
    assert finding.severity == "warning"
    assert "position-b" in finding.where
    assert "prior" in finding.message
    one, three = estimate.position("position-b"), small_estimate().position("position-b")
    assert one.runs == 1
    assert one.statistical_se_m2 > 1.2 * three.statistical_se_m2
    assert math.isfinite(estimate.differences[0].interval_m2[0])


def test_a_position_without_runs_is_said_and_has_no_estimate() -> None:
    session = small_ride().session
    runs = [replace(r, use=r.position == "position-a") for r in session.runs]
    estimate = estimate_cda(replace(session, runs=tuple(runs)))
    assert [p.id for p in estimate.positions] == ["position-a"]
    assert estimate.differences == ()
    assert codes(estimate)["position-without-runs"].severity == "warning"
    assert "position-b" in codes(estimate)["position-without-runs"].where
    json.dumps(estimate.to_dict(), allow_nan=False)


def test_the_reference_without_a_run_is_an_error() -> None:
    session = small_ride().session
    runs = [replace(r, use=r.position == "position-b") for r in session.runs]
    with pytest.raises(EstimationError, match="'position-a' has no usable run"):
        estimate_cda(replace(session, runs=tuple(runs)))


@pytest.mark.parametrize("way", ["out", "back"])
def test_all_runs_in_one_direction_is_an_error(way: str) -> None:
    session = small_ride().session
    legs = {(leg["run"], leg["leg"]): leg for leg in small_ride().truth["legs"]}
    runs = [
        replace(
            r, spans=((legs[(r.run, way)]["entry_s"] - 5.0, legs[(r.run, way)]["exit_s"] + 5.0),)
        )
        for r in session.runs
    ]
    with pytest.raises(EstimationError, match="one direction") as caught:
        estimate_cda(replace(session, runs=tuple(runs)))
    assert "out and back" in caught.value.fix


@pytest.mark.parametrize("level", [0.3, 95.0, float("nan")])
def test_a_level_that_is_none_is_refused(level: float) -> None:
    with pytest.raises(EstimationError, match="level"):
        estimate_cda(small_ride().session, level=level)


def test_a_higher_level_only_widens() -> None:
    wide = estimate_cda(small_ride().session, level=0.99)
    for p, q in zip(wide.positions, small_estimate().positions, strict=True):
        assert p.cda_m2 == q.cda_m2
        assert p.se_m2 == q.se_m2
        assert p.interval_m2[0] < q.interval_m2[0] < q.interval_m2[1] < p.interval_m2[1]


def test_recorded_units_of_power_and_speed_are_scaled_as_told() -> None:
    # speed_sensor.scale is true over recorded: a wheel told 1 % larger makes the ride faster,
    # and design.md gives -0.0095 m² for it at 11 m/s (mass and power of that example).
    larger = estimate_cda(with_settings(small_ride(), speed_sensor={"scale": 1.01}))
    for p, q in zip(larger.positions, small_estimate().positions, strict=True):
        assert -0.013 < p.cda_m2 - q.cda_m2 < -0.006
    heavier = estimate_cda(with_settings(small_ride(), rider={"mass_kg": 79.0}))
    for p, q in zip(heavier.positions, small_estimate().positions, strict=True):
        assert -0.006 < p.cda_m2 - q.cda_m2 < -0.001  # +1 kg: about -0.0005


def test_a_ride_split_into_two_recordings_gives_the_same_answer() -> None:
    # The second file's time begins at 0 again: drift and slow wind go by the session's clock.
    session = small_ride().session
    whole = session.recordings[0]
    assert whole.start_utc is not None
    k = int(np.searchsorted(whole.time_s, session.runs[3].spans[0][0] - 15.0))
    names = ("power_w", "speed_m_s", "distance_m", "altitude_m", "latitude_deg", "longitude_deg")
    later = float(whole.time_s[k])
    parts = tuple(
        replace(
            whole,
            name=name,
            sha256=name,
            time_s=whole.time_s[rows] - begin,
            start_utc=whole.start_utc + timedelta(seconds=begin),
            **{n: getattr(whole, n)[rows] for n in names},
        )
        for name, rows, begin in (("a.csv", slice(0, k), 0.0), ("b.csv", slice(k, None), later))
    )
    runs = [
        replace(r, recording=1, spans=tuple((a - later, b - later) for a, b in r.spans))
        if r.run > 3
        else r
        for r in session.runs
    ]
    split = estimate_cda(replace(session, recordings=parts, runs=tuple(runs)))
    for p, q in zip(split.positions, small_estimate().positions, strict=True):
        assert p.cda_m2 == pytest.approx(q.cda_m2, abs=1e-6)
        assert p.se_m2 == pytest.approx(q.se_m2, abs=1e-6)
    starts = [w.start_s for w in split.wind]
    assert starts == pytest.approx([w.start_s for w in small_estimate().wind], abs=0.01)


# --- several days


@pytest.fixture(scope="module")
def pooled() -> Estimate:
    return estimate_cda([small_ride().session, other_day().session])


def test_days_of_one_rider_are_pooled(pooled: Estimate) -> None:
    assert [s.key for s in pooled.sessions] == ["s1", "s2"]
    assert {r.session for r in pooled.runs} == {"s1", "s2"}
    assert len(pooled.runs) == 6 + 6
    assert [p.id for p in pooled.positions] == ["position-a", "position-b", "position-c"]
    assert [(p.runs, p.legs) for p in pooled.positions] == [(5, 10), (5, 10), (2, 4)]
    assert pooled.variance.day_to_day_sd_m2 is not None
    assert pooled.variance.day_to_day_sd_m2 > 0.0
    assert [(d.position[-1], d.reference[-1]) for d in pooled.differences] == [
        ("b", "a"), ("c", "a"), ("c", "b"),
    ]  # fmt: skip
    json.dumps(pooled.to_dict(), allow_nan=False)


def test_a_second_day_says_more_and_a_position_of_one_day_less(pooled: Estimate) -> None:
    assert pooled.difference("position-b").se_m2 < small_estimate().difference("position-b").se_m2
    assert pooled.difference("position-c").se_m2 > pooled.difference("position-b").se_m2
    truth = other_day().truth["cda_m2"]
    for p in pooled.positions:
        assert abs(p.cda_m2 - truth[p.id]) < 4.0 * p.se_m2


def test_the_joint_distribution_of_pooled_days_is_one(pooled: Estimate) -> None:
    joint = pooled.joint
    assert joint.names[:4] == ("position-a", "position-b", "position-c", "rolling_resistance")
    scale = np.sqrt(np.diag(joint.covariance))
    correlation = joint.covariance / np.outer(scale, scale)
    assert np.linalg.eigvalsh(correlation).min() > -1e-9


def test_findings_of_a_day_name_that_day(pooled: Estimate) -> None:
    assert {f.session for f in pooled.findings} <= {None, "s1", "s2"}


def test_different_riders_are_not_pooled() -> None:
    other = small_ride().session
    rider = other.settings.rider.model_copy(update={"id": "rider-2"})
    settings = other.settings.model_copy(update={"rider": rider})
    with pytest.raises(SessionError, match="different riders: rider-1, rider-2"):
        estimate_cda([other, replace(other, settings=settings)])


def test_the_same_day_twice_is_refused() -> None:
    session = small_ride().session
    with pytest.raises(SessionError, match="same ride") as caught:
        estimate_cda([session, session])
    assert "once" in caught.value.fix


def test_no_session_is_refused() -> None:
    with pytest.raises(SessionError, match="no session"):
        estimate_cda([])
