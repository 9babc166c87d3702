"""Time at the race on a flat road: closed forms, what cancels, what must not be lost."""

from __future__ import annotations

import dataclasses
import tomllib
from typing import TYPE_CHECKING

import numpy as np
import pytest

from cda.errors import SessionError
from cda.forces import power_at_speed, speed_at_power
from cda.integration import Rides, flat_time
from cda.priority import savings_from_cda, time_savings
from cda.priority.choice import shrunk_differences
from cda.race import RaceSettings, joint_draws, load_race, make_race
from cda.race.draws import factor
from cda.results import Joint
from tests.estimate_factory import CONSTANTS, SHARED, make_estimate

if TYPE_CHECKING:
    from pathlib import Path

FULL = {"name": "Invented full distance", "distance_km": 180.0, "power_w": 205.0}


def race(**values: object):
    return make_race(RaceSettings.model_validate({**FULL, **values}))


def bare_rides(**values: object) -> Rides:
    """Return rides without bearings, wheels or losses, 85 kg, Crr 0.004, 1.2 kg/m^3."""
    columns = {
        "cda_held_m2": 0.30, "cda_other_m2": 0.30, "power_w": 200.0, "power_cost_w": 0.0,
        "power_gain": 1.0, "power_offset_w": 0.0, "rolling_resistance": 0.004, "mass_kg": 85.0,
        "density_kg_m3": 1.2, "wind_m_s": 0.0, "wind_from_deg": 0.0,
    } | values  # fmt: skip
    return Rides(
        **{k: np.asarray(v, dtype=np.float64) for k, v in columns.items()},
        wheel_drag_area_m2=0.0, bearing_drag_n=0.0, bearing_drag_n_s_m=0.0,
        rotating_mass_kg=0.0, gravity_m_s2=9.80665,
    )  # fmt: skip


def test_time_changes_with_cda_as_the_derivative_of_the_balance_of_forces() -> None:
    # dT/dCdA = T * 1/2 rho v^2 / (3/2 rho CdA v^2 + Crr m g), from the cubic.
    step, v = 1e-5, 180_000.0 / float(flat_time(bare_rides(), 180_000.0))
    times = flat_time(bare_rides(cda_held_m2=np.array([0.30 - step, 0.30 + step])), 180_000.0)
    slope = (times[1] - times[0]) / (2 * step)
    expected = (180_000.0 / v) * 0.6 * v**2 / (1.8 * 0.30 * v**2 + 0.004 * 85 * 9.80665)
    assert slope == pytest.approx(expected, rel=1e-6)


def test_wind_from_anywhere_is_the_mean_of_time_over_many_directions() -> None:
    angles = 2 * np.pi * (np.arange(720) + 0.5) / 720
    speeds = speed_at_power(
        200.0, cda_m2=0.30, mass_kg=85.0, density_kg_m3=1.2, rolling_resistance=0.004,
        headwind_m_s=4.0 * np.cos(angles), crosswind_m_s=4.0 * np.sin(angles),
    )  # fmt: skip
    expected = 180_000.0 * np.mean(1.0 / speeds)
    got = float(flat_time(bare_rides(wind_m_s=4.0), 180_000.0))
    assert got == pytest.approx(expected, abs=0.05)  # [s] of 5 h
    assert got > float(flat_time(bare_rides(), 180_000.0)) + 60.0


def test_factor_of_a_singular_covariance_multiplies_back() -> None:
    base = np.random.default_rng(1).normal(size=(5, 3))
    covariance = base @ base.T
    root = factor(covariance)
    assert root.shape == (5, 3)
    np.testing.assert_allclose(root @ root.T, covariance, atol=1e-12)


def test_draws_have_the_covariance_and_the_heavy_tails_asked_for() -> None:
    estimate = make_estimate(dof=9.0)
    draws = joint_draws(estimate.joint, race(), positions=("tall", "low"), power_costs={})
    difference = (draws.cda_m2[1] - draws.cda_m2[0])[1:]
    # A t with 9 degrees of freedom and scale sqrt(2) * 0.0021, and nothing common left in it.
    from scipy.stats import t

    for level in (0.5, 0.9, 0.975):
        got = np.quantile(difference, level) - (0.2672 - 0.2761)
        assert got == pytest.approx(t.ppf(level, 9.0) * np.sqrt(2) * 0.0021, abs=0.00012)


def test_interval_of_a_saving_matches_first_order_propagation() -> None:
    # A small uncertainty of one position alone: interval = t * se * dT/dCdA.
    estimate = make_estimate(("tall", "narrow"), statistical_se=0.0005, dof=1e6)
    saved = time_savings(estimate, race()).positions[1]
    low, high = saved.saved_interval_s
    slope = saved.saved_s / (0.2761 - 0.2690)
    expected = 1.96 * np.sqrt(2) * 0.0005 * slope
    assert (high - low) / 2 == pytest.approx(expected, rel=0.1)


def test_scale_error_of_three_percent_changes_a_saving_by_less_than_two_percent() -> None:
    """The same meter in test and race: what it gets wrong in CdA it gets wrong again."""

    def saved(scale: float) -> float:
        # The power really was `scale` times what was shown: CdA follows at 11 m/s (85 kg).
        def cda_seen(cda: float) -> float:
            shown = power_at_speed(
                11.0, cda_m2=cda, mass_kg=83.4, density_kg_m3=1.2, rolling_resistance=0.0042,
                efficiency=0.976, wheel_drag_area_m2=0.0044, bearing_drag_n=0.091,
                bearing_drag_n_s_m=0.0087,
            )  # fmt: skip
            other = power_at_speed(
                11.0, cda_m2=0.0, mass_kg=83.4, density_kg_m3=1.2, rolling_resistance=0.0042,
                efficiency=0.976, wheel_drag_area_m2=0.0044, bearing_drag_n=0.091,
                bearing_drag_n_s_m=0.0087,
            )  # fmt: skip
            return cda * (scale * shown - other) / (shown - other)

        cda = {name: float(cda_seen(value)) for name, value in (("tall", 0.2761), ("low", 0.2611))}
        estimate = make_estimate(("tall", "low"), cda=cda, overrides={"low": {"hold_share": 1.0}})
        joint = estimate.joint
        mean = joint.mean.copy()
        mean[joint.names.index("power_scale")] = scale
        moved = dataclasses.replace(
            estimate, joint=dataclasses.replace(joint, mean=mean), positions=tuple(
                dataclasses.replace(p, power_cost_w=None, power_cost_sd_w=None)
                for p in estimate.positions
            ),
        )  # fmt: skip
        return time_savings(moved, race()).positions[1].saved_s

    right = saved(1.0)
    assert right > 120.0
    for scale in (0.97, 1.03):
        assert saved(scale) == pytest.approx(right, rel=0.02)


def test_another_meter_makes_times_less_certain_than_the_meter_of_the_test() -> None:
    estimate = make_estimate()
    widths = {}
    for meter in ("session", "other"):
        low, high = time_savings(estimate, race(meter=meter)).positions[0].time_interval_s
        widths[meter] = high - low
    assert widths["other"] > 1.2 * widths["session"]


def test_hold_share_and_power_cost_enter_the_saving() -> None:
    savings = time_savings(make_estimate(), race())
    low = savings.positions[1]
    assert low.hold_share == 0.7
    assert low.saved_s == pytest.approx(0.7 * low.saved_if_held_throughout_s)
    assert low.saved_by_hold_share_s["0.5"] == pytest.approx(0.5 * low.saved_if_held_throughout_s)
    free = dataclasses.replace(
        make_estimate(),
        positions=tuple(
            dataclasses.replace(p, power_cost_w=None, power_cost_sd_w=None)
            for p in make_estimate().positions
        ),
    )
    assert time_savings(free, race()).positions[1].saved_s > low.saved_s + 20.0


def test_costing_exactly_the_break_even_power_saves_nothing() -> None:
    estimate = make_estimate()
    watts = time_savings(estimate, race()).positions[2].break_even_power_w
    assert watts is not None
    settings = race(positions=[{"id": "narrow", "power_cost_w": watts, "hold_share": 1.0}])
    assert abs(time_savings(estimate, settings).positions[2].saved_s) < 0.01


def test_reference_row_is_zero_and_slower_positions_never_save() -> None:
    savings = time_savings(make_estimate(), race())
    tall, wide = savings.positions[0], savings.positions[3]
    assert (tall.saved_s, tall.saved_interval_s, tall.probability_faster) == (0.0, (0.0, 0.0), None)
    assert wide.saved_s < 0.0
    assert wide.break_even_power_w is None
    assert "costs" in wide.sentence
    assert "saves" not in wide.sentence
    assert "Head up" in savings.headline
    assert sum(p.probability_fastest or 0.0 for p in savings.positions) == pytest.approx(1.0)


def test_correction_for_choice_is_the_time_at_the_shrunk_difference() -> None:
    estimate = make_estimate(("tall", "narrow"), statistical_se=0.005)
    row = time_savings(estimate, race()).positions[1]
    shrunk = shrunk_differences(
        np.array([0.2690 - 0.2761]), np.array([[2 * 0.005**2]]), np.zeros((1, 1)),
        estimate.joint.statistical_dof,
    )  # fmt: skip
    assert row.saved_corrected_for_choice_s == pytest.approx(
        float(shrunk[0]) / (0.2690 - 0.2761) * row.saved_s, rel=0.02
    )
    assert row.saved_corrected_for_choice_s < 0.9 * row.saved_s


def test_total_is_the_first_decided_position_and_the_ledger_and_never_two_positions() -> None:
    swim = {"distance_m": 3800.0, "pace_s_per_100_m": 105.0, "extra_distance_percent": [5.0, 10.0]}
    savings = time_savings(make_estimate(), race(swim=swim))
    first = next(p for p in savings.positions if p.id == "narrow")
    low, high = first.saved_interval_s
    document = savings.to_dict()["total"]
    assert document == {
        "position": "narrow",
        "saved_low_s": pytest.approx(low + 199.5),
        "saved_high_s": pytest.approx(high + 399.0),
    }
    assert f"“{first.label}” and the ledger together" in " ".join(str(savings).split())
    # Nothing decided: the ledger alone; and neither: nothing, not zero.
    vague = make_estimate(statistical_se=0.02)
    alone = time_savings(vague, race(swim=swim)).total
    assert alone is not None
    assert (alone.position, alone.saved_low_s) == (None, pytest.approx(199.5))
    assert time_savings(vague, race()).to_dict()["total"] is None


def test_break_even_interval_is_that_of_the_saving_over_what_a_watt_is_worth() -> None:
    savings = time_savings(make_estimate(), race())
    row = next(p for p in savings.positions if p.id == "narrow")
    assert row.break_even_power_w is not None
    assert row.break_even_power_interval_w is not None
    low, high = row.break_even_power_interval_w
    assert low < row.break_even_power_w < high
    # At either end of the CdA difference a ride of its own: the power at which it gains nothing.
    scale = {}
    for part in (0.5, 1.5):
        cda = {"tall": 0.2761, "narrow": 0.2761 - part * (0.2761 - 0.2690)}
        at = time_savings(make_estimate(("tall", "narrow"), cda=cda), race()).positions[1]
        scale[part] = at.break_even_power_w
    share = (np.array([low, high]) / row.break_even_power_w).tolist()
    saved = (np.array(row.saved_interval_s) / row.saved_s).tolist()
    assert share == pytest.approx(saved, abs=0.05)
    assert scale[0.5] == pytest.approx(0.5 * row.break_even_power_w, rel=0.03)
    assert scale[1.5] == pytest.approx(1.5 * row.break_even_power_w, rel=0.03)
    slower = next(p for p in savings.positions if p.id == "wide")
    assert slower.break_even_power_interval_w is None


def test_all_missing_masses_are_named_at_once() -> None:
    with pytest.raises(SessionError) as caught:
        savings_from_cda({"tall": 0.276, "low": 0.262}, race())
    assert "rider.mass_kg and bike.mass_kg are missing" in str(caught.value)
    assert "--set rider.mass_kg=... --set bike.mass_kg=..." in str(caught.value)


def test_undecided_pairs_are_those_whose_difference_holds_zero() -> None:
    savings = time_savings(make_estimate(), race())
    assert ("low", "narrow") in savings.undecided
    assert ("tall", "narrow") not in savings.undecided
    listed = [entry.id for entry in savings.order]
    assert "wide" not in listed
    assert "tall" not in listed
    assert any(f.code == "undecided-pair" and "runs of each" in f.fix for f in savings.findings)


def test_same_seed_same_answer_and_another_seed_within_a_second(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    estimate = make_estimate()
    first = time_savings(estimate, race())
    assert first.to_dict() == time_savings(estimate, race()).to_dict()
    monkeypatch.setattr("cda.race.draws.sobol_normals.__kwdefaults__", {"seed": 7})
    other = time_savings(estimate, race())
    for a, b in zip(first.positions, other.positions, strict=True):
        np.testing.assert_allclose(a.saved_interval_s, b.saved_interval_s, atol=1.5)


def test_bare_values_give_no_probability_and_wheels_come_off_where_they_are_in() -> None:
    settings = race(rider={"mass_kg": 73.6}, bike={"mass_kg": 9.8})
    cda = {"tall": 0.276, "low": 0.262}
    savings = savings_from_cda(cda, settings)
    row = savings.positions[1]
    assert row.probability_faster is None
    assert row.saved_corrected_for_choice_s is None
    assert row.decided is None
    assert any(f.code == "cda-uncertainty-unknown" for f in savings.findings)
    tunnel = savings_from_cda(cda, settings, includes_wheels=True).positions[0].time_s
    assert tunnel < savings.positions[0].time_s


def test_joint_with_exact_values_gives_no_interval() -> None:
    n = 2 + len(SHARED)
    joint = Joint(
        names=("a", "b", *SHARED),
        mean=np.array([0.30, 0.29, 0.004, 1.0, 0.0, 75.0, 10.0, 1.0]),
        covariance=np.zeros((n, n)),
        statistical_covariance=np.zeros((n, n)),
        statistical_dof=float("inf"),
        dof=(None,) * n,
        constants=CONSTANTS,
    )
    exact = race(air={"density_kg_m3": 1.2, "density_sd_kg_m3": 0.0})
    draws = joint_draws(joint, exact, positions=("a", "b"), power_costs={})
    assert float(np.ptp(draws.cda_m2, axis=1).max()) == 0.0


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("power_w = 0.0\ndistance_km = 180.0", "power_w: 0.0 is below"),
        ("power_w = 2000.0\ndistance_km = 180.0", "power_w: 2000.0 is above"),
        ("power_w = 200.0", "neither distance_km nor course"),
        ("power_w = 200.0\ndistance_km = 0.0", "distance_km: 0.0 is below"),
        ("power_w = 200.0\ndistance_km = 180.0\n[[positions]]\nid = 'low'\nhold_share = 1.2",
         "positions.low.hold_share: 1.2 is above"),
        ("power_w = 200.0\ndistance_km = 180.0\n[swim]\ndistance_m = 3800.0\n"
         "pace_s_per_100_m = 105.0\nextra_distance_percent = [10.0, 5.0]", "falls"),
        ("power_w = 200.0\ndistance_km = 180.0\n[transitions]\nnow_s = 420.0\npractised_s = 1.0",
         "outside 5 to 7200"),
        ("power_w = 200.0\ndistance_km = 180.0\n[pacing]\nlimit_w = 150.0", "limit_w"),
        ("power_w = 200.0\ndistance_km = 180.0\npower_sd = 5.0", "power_sd_w"),
    ],
)  # fmt: skip
def test_impossible_race_files_are_refused_with_their_key(
    tmp_path: Path, text: str, expected: str
) -> None:
    path = tmp_path / "race.toml"
    path.write_text(text, encoding="utf-8")
    tomllib.loads(text)
    with pytest.raises(SessionError) as caught:
        load_race(path)
    assert expected in str(caught.value).replace("race.toml, ", "")


def test_a_position_that_was_not_tested_is_refused() -> None:
    with pytest.raises(SessionError, match="'aero' was not tested"):
        time_savings(make_estimate(), race(positions=[{"id": "aero", "hold_share": 0.5}]))


def test_what_a_flat_road_cannot_use_is_said() -> None:
    paced = race(pacing={"power_ratio_by_gradient": [[0.0, 1.0], [0.05, 1.2]]})
    assert [f.code for f in paced.findings if f.severity == "warning"] == [
        "race-tables-without-effect"
    ]
