"""A spoiled run is named with its size and what it changes, left in, and left out when told."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.stats import t as student

from cda.analysis import estimate_cda
from cda.checks import propose_leaving_out, runs_spoken_against
from cda.estimation import DayInputs, Fit, RunInQuestion, fit_days, runs_in_question
from cda.results import Finding
from cda.simulate import simulate_session
from tests.analysis_rides import SMALL, small_estimate
from tests.leg_totals import RHO, Design, draw_day

IDS = ["a", "b", "c"]
ORDER = (0, 1, 2, 2, 1, 0) * 3
CALM = Design(order=ORDER, leg_wind_sd_m_s=0.1, slow_wind_sd_m_s=0.1, wind_m_s=0.5)


def drawn(seed: int) -> DayInputs:
    return draw_day(CALM, np.random.default_rng(seed))


def spoiled(day: DayInputs, run: int, shift_m2: float, legs: tuple[float, ...]) -> DayInputs:
    """Return the day with more work in a run, as if its drag area had been larger."""
    e = day.energies
    mine = (day.run == run) & np.isin(e.direction, legs)
    drag = 0.5 * RHO * shift_m2 * e.length_m * (e.length_m / e.duration_s) ** 2
    work = e.work_j + np.where(mine, drag / day.drivetrain_efficiency, 0.0)
    return replace(day, energies=replace(e, work_j=work))


def without(day: DayInputs, run: int) -> DayInputs:
    keep = day.run != run
    e = day.energies
    arrays = {
        name: getattr(e, name)[keep]
        for name in e.__slots__
        if name not in ("step_first", "step_airspeed_m_s") and getattr(e, name) is not None
    }
    energies = replace(
        e, **arrays, step_first=np.arange(keep.sum(), dtype=np.intp), step_airspeed_m_s=None
    )
    return replace(
        day, energies=energies, run=day.run[keep], position=day.position[keep],
        density_kg_m3=day.density_kg_m3[keep],
    )  # fmt: skip


def named(day: DayInputs, also: tuple[tuple[str, int], ...] = ()) -> tuple[RunInQuestion, ...]:
    return runs_in_question([day], IDS, fit_days([day], IDS), also)


def test_a_run_with_more_drag_is_named_with_its_size() -> None:
    (found,) = named(spoiled(drawn(1), 8, 0.04, (1.0, -1.0)))
    assert (found.session, found.run, found.position, found.leg) == ("s1", 8, "b", None)
    assert found.stands_out
    # the wind of an empty road weighs more than work alone: cross terms are a few per cent
    assert found.shift_m2 == pytest.approx(0.04, abs=3.0 * found.se_m2)
    assert found.se_m2 < 0.01
    assert found.t == pytest.approx(found.shift_m2 / found.se_m2)
    assert found.looked_at == 18 + 36
    # Bonferroni: two-sided t, times what was looked at
    p = 2.0 * float(student.sf(abs(found.t), found.dof))
    assert found.adjusted_p == pytest.approx(54 * p)


def test_one_leg_with_less_drag_is_named_by_its_way() -> None:
    (found,) = named(spoiled(drawn(2), 5, -0.07, (-1.0,)))
    assert (found.run, found.leg) == (5, "way back")
    assert found.shift_m2 == pytest.approx(-0.07, abs=3.0 * found.se_m2)


def test_what_leaving_out_would_change_is_what_it_changes() -> None:
    day = spoiled(drawn(3), 8, 0.05, (1.0, -1.0))
    (found,) = named(day)
    full, rest = fit_days([day], IDS), fit_days([without(day, 8)], IDS)
    assert set(found.left_out) == {"b", "b-a", "c-b"}

    def answer(fit: Fit, name: str) -> tuple[float, float]:
        contrast = np.zeros(len(fit.names))
        for sign, one in zip((1.0, -1.0), name.split("-"), strict=False):
            contrast[IDS.index(one)] = sign
        return float(contrast @ fit.beta), fit.replication(contrast)[0]

    for name, (before, after) in found.left_out.items():
        assert before == pytest.approx(answer(full, name), abs=1e-9)
        # regressors are smoothed over all legs, the spoiled ones too
        value, se = answer(rest, name)
        assert after[0] == pytest.approx(value, abs=2e-4)
        assert after[1] == pytest.approx(se, rel=0.05)
    moved = found.left_out["b"][1][0] - found.left_out["b"][0][0]
    assert moved == pytest.approx(-0.05 / 6, rel=0.3)  # one of six runs


def test_rides_in_which_nothing_happened_name_no_run() -> None:
    # One in a hundred does by the threshold: more than 2 of 20 has a probability of 1e-3.
    assert sum(bool(named(drawn(100 + k))) for k in range(20)) <= 2


def test_a_run_that_something_else_speaks_against_is_answered_whatever_its_t() -> None:
    (found,) = named(drawn(4), (("s1", 3),))
    assert found.run == 3
    assert not found.stands_out
    assert abs(found.t) < 3.5
    (finding,) = propose_leaving_out([found], {("s1", 3): ("the rider sat up",)})
    assert (finding.code, finding.where, finding.session) == ("run-spoiled", "run 3", "s1")
    assert "the rider sat up" in finding.message
    assert f"t = {found.t:.1f}" in finding.message
    assert "still in the estimate" in finding.message
    assert "use = no" in finding.fix


def test_the_only_run_of_a_position_has_no_fellows_to_be_told_from() -> None:
    day = draw_day(replace(CALM, order=(0, 1, 2, 1, 0, 0, 1)), np.random.default_rng(5))
    assert named(spoiled(day, 3, 0.05, (1.0, -1.0)), (("s1", 3),)) == ()


def test_findings_name_runs_and_a_fault_of_the_whole_day_names_none() -> None:
    def finding(code: str, where: str) -> Finding:
        return Finding(severity="warning", code=code, where=where, message="", session="s1")

    runs = [("s1", k) for k in range(1, 13)]
    said = runs_spoken_against(
        [
            finding("sat-up", "run 3 out, run 11 back"),
            finding("braking", "run 3 back"),
            finding("gusty-wind", "run 5 out"),
            finding("sat-up", "run 99 out"),
        ],
        runs,
    )
    assert set(said) == {("s1", 3), ("s1", 11)}
    assert len(said["s1", 3]) == 2
    whole_day = [finding("coasting", "runs 1, 2, 3, 4, 5")]
    assert runs_spoken_against(whole_day, runs) == {}


def test_a_lorry_is_proposed_stays_in_and_goes_when_the_run_sheet_says_so() -> None:
    ride = simulate_session(replace(SMALL, lorry_runs=(4,), lorry_gust_m_s=6.0), 21)
    estimate = estimate_cda(ride.session)
    (proposed,) = [f for f in estimate.findings if f.code == "run-spoiled"]
    assert proposed.where == "run 4"
    assert all(r.used for r in estimate.runs)
    runs = tuple(replace(r, use=r.run != 4) for r in ride.session.runs)
    after = estimate_cda(replace(ride.session, runs=runs))
    (row,) = [r for r in after.runs if r.run == 4]
    assert not row.used
    assert row.reason
    assert next(f.where for f in after.findings if f.code == "run-left-out").startswith("run 4")
    assert not [f for f in after.findings if f.code == "run-spoiled"]
    # What was promised is what came: "name before -> after m2" in the proposal.
    position = ride.session.runs[3].position
    told = proposed.message.split(f"{position} ")[1].split("→ ")[1].split(" ±")[0]
    found = next(p.cda_m2 for p in after.positions if p.id == position)
    assert float(told) == pytest.approx(found, abs=5e-4)


def test_a_clean_ride_proposes_nothing() -> None:
    assert not [f for f in small_estimate().findings if f.code == "run-spoiled"]
