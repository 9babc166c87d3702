"""The next test from the last: what is taken over, what is undecided, what is ridden first."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from click.testing import CliRunner

from cda import estimate_cda, load_session
from cda.cli import main
from cda.errors import SessionError
from cda.plan import (
    LastTime,
    Plan,
    PlannedPosition,
    last_time,
    load_protocol,
    make_plan,
    write_plan,
)
from cda.session.write import unchecked_keys
from cda.simulate import PRESETS, simulate_plan, simulate_session, write_session
from tests.results_factory import rich_estimate

if TYPE_CHECKING:
    from pathlib import Path

    from click.testing import Result

    from cda.results import Estimate
    from cda.session import Session
    from cda.simulate import SimulatedSession

SCENARIO = replace(
    PRESETS["calm"],
    n_positions=3,
    runs_per_position=3,
    position_ids=("tall", "low", "wide"),
    position_labels=("Head up", "Chin down", "Elbows wide"),
    position_cues=("look far", "sink", "wide"),
    cda_m2=(0.280, 0.268, 0.330),
    hold_shares=(None, 0.8, None),
)


@pytest.fixture(scope="module")
def ridden() -> SimulatedSession:
    return simulate_session(SCENARIO, 11)


@pytest.fixture(scope="module")
def before(ridden: SimulatedSession, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("like") / "before"
    write_session(ridden, folder)
    return folder


@pytest.fixture(scope="module")
def earlier(ridden: SimulatedSession) -> tuple[Session, Estimate]:
    return ridden.session, estimate_cda(ridden.session)


@pytest.fixture
def like(earlier: tuple[Session, Estimate]) -> LastTime:
    session, estimate = earlier
    return last_time([session], estimate)


def cda(*words: object) -> Result:
    return CliRunner().invoke(main, [str(w) for w in words])


def test_scatter_instruments_and_rider_are_last_times(
    earlier: tuple[Session, Estimate], like: LastTime
) -> None:
    session, estimate = earlier
    design = _plan(like).expectation.design  # type: ignore[union-attr]
    assert design.run_to_run_sd_m2 == estimate.variance.run_to_run_sd_m2
    assert design.rider_mass_kg == session.settings.rider.mass_kg
    assert design.power_scale_sd == session.settings.power_meter.scale_sd
    assert design.density_kg_m3 == estimate.sessions[0].air_density_kg_m3
    assert design.length_m == pytest.approx(estimate.sessions[0].course_length_m, abs=0.5)


def test_the_gusts_of_last_time_give_back_its_own_precision(
    earlier: tuple[Session, Estimate], like: LastTime
) -> None:
    # The same runs in the same weather: what the plan expects is what the fit has stated.
    _, estimate = earlier
    everything = replace(like, first=("tall", "low", "wide"))
    plan = make_plan(load_protocol("out-and-back"), [], runs=3, like=everything)
    assert plan.expectation is not None
    stated = float(np.sqrt(np.mean([d.se_m2**2 for d in estimate.differences])))
    assert plan.expectation.difference_se_m2 == pytest.approx(stated, rel=0.15)


def test_what_is_decided_is_not_ridden_again_and_today_always_is(like: LastTime) -> None:
    assert like.left_out == ("wide",)
    plan = _plan(like)
    assert [p.id for p in plan.positions] == ["tall", "low"]
    assert plan.reference == "tall"
    assert plan.positions[1].cue == "sink"
    assert "Not ridden again: wide." in str(plan)


def test_most_at_stake_comes_first(ridden: SimulatedSession) -> None:
    # Four alike positions, one measured far worse than the others: more may be won with the one
    # that is nearly as good as the best than with the one that is probably worse.
    ids = ("tall", "low", "narrow", "wide")
    estimate = _measured(ids, (0.280, 0.270, 0.271, 0.276), se=0.003)
    like = last_time([ridden.session], estimate)
    assert [q.other for q in like.questions] == ["narrow", "wide"]
    stakes = [q.at_stake for q in like.questions]
    assert stakes == sorted(stakes, reverse=True)
    # E[max(0, d)] of a normal d = -0.001 +- 0.003 sqrt(2), by numbers
    d = np.random.default_rng(1).normal(-0.001, 0.003 * np.sqrt(2.0), 400_000)
    assert stakes[0] == pytest.approx(float(np.maximum(d, 0.0).mean()), rel=0.01)
    plan = make_plan(load_protocol("out-and-back"), [], runs=4, like=like)
    first = list(dict.fromkeys(r.position for r in plan.runs))
    assert set(first[:2]) == {"low", "narrow"}
    assert first[2:] == ["wide", "tall"]
    counts = {p: sum(r.position == p for r in plan.runs) for p in first}
    assert set(counts.values()) == {4}
    assert max(abs(x) for x in plan.order.with_time) < 0.01  # renaming keeps the balance


def test_seconds_at_the_race_and_shares_that_can_be_held_decide_what_is_at_stake(
    ridden: SimulatedSession,
) -> None:
    ids = ("tall", "low", "narrow")
    estimate = _measured(ids, (0.280, 0.268, 0.270), se=0.005)
    held = replace(
        estimate,
        positions=tuple(
            replace(p, hold_share=0.1 if p.id == "low" else 1.0) for p in estimate.positions
        ),
    )
    saved = {"tall": 0.0, "low": 20_000.0 * 0.1 * 0.012, "narrow": 20_000.0 * 0.010}
    like = last_time([ridden.session], held, saved_s=saved, seconds_per_m2=20_000.0)
    assert like.questions[0].best == "narrow"  # better in seconds, for it can be held
    assert like.in_seconds
    gains = {q.other: q.gain for q in like.questions}
    assert gains["low"] == pytest.approx(176.0)
    # s_narrow - s_low = k (A_tall - A_narrow) - 0.1 k (A_tall - A_low): weights 0.9, -1, 0.1
    question = next(q for q in like.questions if q.other == "low")
    weights = [question.contrast[p] / 20_000.0 for p in ("tall", "narrow", "low")]
    assert weights == pytest.approx([0.9, -1.0, 0.1])


def test_new_positions_are_ridden_first_and_old_ones_are_not_named_twice(like: LastTime) -> None:
    new = PlannedPosition(id="narrow", label="Elbows narrow")
    plan = make_plan(load_protocol("out-and-back"), [new], runs=3, like=like)
    assert [p.id for p in plan.positions] == ["tall", "low", "narrow"]
    assert plan.runs[0].position == "narrow"
    again = make_plan(
        load_protocol("out-and-back"), [PlannedPosition(id="wide", label="Wide")], runs=3, like=like
    )
    assert [p.id for p in again.positions] == ["tall", "low", "wide"]
    with pytest.raises(SessionError, match="in the plan already"):
        make_plan(load_protocol("out-and-back"), [replace(new, id="low")], runs=3, like=like)


def test_last_times_runs_count_towards_what_is_asked(like: LastTime) -> None:
    protocol = load_protocol("out-and-back")
    alone = replace(like, before=replace(like.before, covariance_m4=100.0 * np.eye(3)))
    together, fresh = (make_plan(protocol, [], resolve_m2=0.012, like=one) for one in (like, alone))
    assert together.runs_per_position < fresh.runs_per_position
    assert "last time's runs counted in" in together.answer[0]


def test_what_does_not_fit_into_the_time_is_left_for_another_day(ridden: SimulatedSession) -> None:
    ids = ("tall", "low", "narrow", "wide")
    estimate = _measured(ids, (0.280, 0.270, 0.271, 0.274), se=0.004)
    plan = make_plan(
        load_protocol("out-and-back"), [], minutes=60.0, like=last_time([ridden.session], estimate)
    )
    assert [p.id for p in plan.positions] == ["tall", "low", "narrow"]
    assert plan.runs_per_position >= 3
    assert "Not ridden again: wide." in str(plan)


def test_the_command_plans_from_a_folder_and_marks_what_is_of_the_day(
    before: Path, tmp_path: Path
) -> None:
    after = tmp_path / "after"
    race = tmp_path / "race.toml"
    race.write_text('name = "Invented race"\ndistance_km = 180.0\npower_w = 205.0\n')
    done = cda("plan", "--like", before, "--race", race, "--out", after, "--json")
    assert done.exit_code == 0, done.output
    document = json.loads(done.stdout)
    assert document["protocol"] == "out-and-back"
    assert document["undecided"] == [] or document["undecided"][0]["at_stake_s"] > 0.0
    text = (after / "session.toml").read_text(encoding="utf-8")
    assert "mass_kg = 74.0  # CHECK TODAY: rider dressed" in text
    assert "# pressure_hpa =   # CHECK TODAY" in text  # air is not taken over
    assert unchecked_keys(text.encode()) == [
        "rider.mass_kg",
        "bike.mass_kg",
        "bike.rolling_resistance",
        "power_meter.delay_s",
        "speed_sensor.scale",
    ]
    assert "hold_share = 0.8" in text
    assert "CHECK TODAY in session.toml: rider.mass_kg" in cda("guide", after).stdout
    again = tmp_path / "again"
    write_session(simulate_plan(after, PRESETS["calm"], seed=2), again)
    assert "not-checked-today" not in {f.code for f in load_session(again).findings}
    (again / "session.toml").write_text(
        (again / "session.toml").read_text().replace("# rider dressed", "# CHECK TODAY: dressed")
    )
    assert "not-checked-today" in {f.code for f in load_session(again).findings}
    both = estimate_cda([load_session(before, key="a"), load_session(again, key="b")])
    assert {p.id for p in both.positions} == {"tall", "low", "wide"}


def test_a_road_is_not_planned_like_a_track_and_fit_says_what_more_runs_buy(
    before: Path, tmp_path: Path
) -> None:
    fitted = cda("fit", before, "--resolve", "0.008", "--json")
    rows = json.loads(fitted.stdout)["precision"]
    assert len(rows) == 3
    assert rows[0]["difference_m2"] == 0.008
    assert set(rows[0]["further_runs_for_80_percent_power"]) == {"low", "tall"}
    assert "Further runs that show a difference" in cda("fit", before, "--resolve", "0.008").stdout
    done = cda("plan", "indoor-track", "--like", before, "--out", tmp_path / "after")
    assert done.exit_code == 1
    assert "last time was out and back" in done.stderr


def test_nothing_undecided_is_said(ridden: SimulatedSession, tmp_path: Path) -> None:
    estimate = _measured(("tall", "low"), (0.290, 0.260), se=0.002)
    like = last_time([ridden.session], estimate)
    plan = make_plan(load_protocol("out-and-back"), [], like=like)
    assert like.questions == ()
    assert "nothing-undecided" in {f.code for f in plan.findings}
    write_plan(plan, tmp_path / "x")


def _plan(like: LastTime, **options: Any) -> Plan:
    return make_plan(load_protocol("out-and-back"), [], like=like, **options)


def _measured(ids: tuple[str, ...], cda_m2: tuple[float, ...], *, se: float) -> Estimate:
    """Return an estimate with these values, independent and equally well known."""
    estimate = rich_estimate(ids, runs_each=4)
    n, joint = len(ids), estimate.joint
    covariance = np.array(joint.covariance)
    covariance[:n, :n] = se**2 * np.eye(n)
    return replace(
        estimate,
        positions=tuple(
            replace(p, cda_m2=value) for p, value in zip(estimate.positions, cda_m2, strict=True)
        ),
        differences=tuple(replace(d, dof=1e5) for d in estimate.differences),
        joint=replace(joint, covariance=covariance),
    )
