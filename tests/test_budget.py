"""The uncertainty budget adds up, and the joint distribution says the same as the tables."""

import math

import numpy as np
import pytest

from cda.analysis import estimate_cda
from cda.results import Estimate
from tests.analysis_rides import other_day, small_estimate, small_ride, with_settings


@pytest.fixture(scope="module", params=["one day", "two days"])
def estimate(request: pytest.FixtureRequest) -> Estimate:
    if request.param == "one day":
        return small_estimate()
    return estimate_cda([small_ride().session, other_day().session])


def line(estimate: Estimate, source: str) -> dict[str, float]:
    (found,) = [b for b in estimate.budget if b.source == source]
    return {**found.positions, **found.differences}


def test_squares_of_a_column_add_up_to_the_stated_uncertainty(estimate: Estimate) -> None:
    for p in estimate.positions:
        total = math.sqrt(sum(b.positions[p.id] ** 2 for b in estimate.budget))
        assert total == pytest.approx(p.se_m2, rel=1e-9)
        systematic = [b.positions[p.id] ** 2 for b in estimate.budget if b.kind == "systematic"]
        assert math.sqrt(sum(systematic)) == pytest.approx(p.systematic_se_m2, rel=1e-9)
    for d in estimate.differences:
        key = f"{d.position}-{d.reference}"
        total = math.sqrt(sum(b.differences[key] ** 2 for b in estimate.budget))
        assert total == pytest.approx(d.se_m2, rel=1e-6)


def test_largest_contribution_stands_first_and_each_source_once(estimate: Estimate) -> None:
    largest = [max([*b.positions.values(), *b.differences.values()]) for b in estimate.budget]
    assert largest == sorted(largest, reverse=True)
    sources = [b.source for b in estimate.budget]
    assert len(set(sources)) == len(sources)
    assert sum(b.kind == "statistical" for b in estimate.budget) == 1


def test_common_errors_move_positions_as_the_closed_forms_say() -> None:
    # P v-equation at the ride's own mean speed and power, rho and CdA + wheels from the result:
    # dCdA = 2 eta P/(rho v^3) per relative power scale; 2 m g dCrr/(rho v^2) per Crr;
    # drho/rho = -dCdA/(CdA + wheels); speed: -(3 CdA_w + 2 m g Crr/(rho v^2)) per relative scale.
    estimate = small_estimate()
    s = small_ride().session.settings
    rho = estimate.sessions[0].air_density_kg_m3
    mass = s.rider.mass_kg + s.bike.mass_kg
    for p in estimate.positions:
        v, power = p.mean_speed_m_s, p.mean_power_w
        assert v is not None
        assert power is not None
        eta = s.bike.drivetrain_efficiency
        for source, wanted, tolerance in (
            ("power meter scale", 0.01 * 2.0 * eta * power / (rho * v**3), 0.06),
            ("drivetrain efficiency", 0.004 / eta * 2.0 * eta * power / (rho * v**3), 0.06),
            ("power meter zero", 0.5 * 2.0 * eta / (rho * v**3), 0.06),
            ("rolling resistance", 0.0002 * 2.0 * mass * 9.802 / (rho * v**2), 0.12),
            # the mass acts on kinetic energy too, by whatever the legs gain from gate to gate
            ("rider mass", 0.3 * 2.0 * 9.802 * 0.0042 / (rho * v**2), 0.5),
        ):
            assert line(estimate, source)[p.id] == pytest.approx(wanted, rel=tolerance), source
        density = math.hypot(0.5 / 287.0, 0.5 / 1008.0)
        assert line(estimate, "air density")[p.id] == pytest.approx(
            p.cda_with_wheels_m2 * density, rel=0.1
        )


def test_most_of_what_is_common_cancels_in_the_difference() -> None:
    estimate = small_estimate()
    for source in ("power meter scale", "power meter zero", "speed scale", "air density"):
        row = line(estimate, source)
        assert abs(row["position-b-position-a"]) < 0.15 * row["position-a"]


def test_a_drawn_budget_agrees_with_the_linear_one() -> None:
    check = small_estimate().settings["monte_carlo"]
    assert isinstance(check, dict)
    assert check["draws"] == 200
    assert set(check["systematic_se_m2"]) == {"position-a", "position-b", "position-b-position-a"}
    for name, both in check["systematic_se_m2"].items():
        # 200 draws know a standard deviation to 5 %
        assert both["monte_carlo"] == pytest.approx(both["linear"], rel=0.15), name
        assert both["monte_carlo"] != both["linear"]


def test_drawn_intervals_agree_with_the_stated_ones() -> None:
    estimate = small_estimate()
    check = estimate.settings["monte_carlo"]
    assert isinstance(check, dict)
    stated = {p.id: p.interval_m2 for p in estimate.positions}
    stated |= {f"{d.position}-{d.reference}": d.interval_m2 for d in estimate.differences}
    assert check["agrees"]
    for name, entry in check["interval_m2"].items():
        assert entry["stated"] == stated[name]
        width = stated[name][1] - stated[name][0]
        for drawn, told in zip(entry["monte_carlo"], stated[name], strict=True):
            # the end of 95 % intervals of 200 draws: 2.67 sd / sqrt(200) = 0.19 sd, 5 % of width
            assert drawn == pytest.approx(told, abs=0.15 * width)


def test_stated_intervals_that_are_too_narrow_do_not_agree_with_the_draws() -> None:
    from cda.analysis.inputs import day_inputs
    from cda.analysis.monte_carlo import monte_carlo_check
    from cda.estimation import fit_days
    from cda.legs import cut_legs

    names = ["position-a", "position-b"]
    session = small_ride().session
    day = day_inputs(session, cut_legs(session), names)
    fit = fit_days([day], names)
    told = small_estimate().settings["monte_carlo"]
    assert isinstance(told, dict)
    whole = {name: entry["stated"] for name, entry in told["interval_m2"].items()}
    halved = {
        name: (0.75 * low + 0.25 * high, 0.25 * low + 0.75 * high)
        for name, (low, high) in whole.items()
    }
    check = monte_carlo_check(
        [day], names, fit, 200, reference=names[0], level=0.95, stated=whole | halved
    )
    assert not check["agrees"]


def test_an_input_that_is_known_contributes_nothing_and_one_twice_as_vague_twice() -> None:
    plain = small_estimate()
    s = small_ride().session.settings
    told = estimate_cda(
        with_settings(
            small_ride(),
            rider={"mass_sd_kg": 0.0},
            power_meter={"scale_sd": 2.0 * s.power_meter.scale_sd},
        )
    )
    assert not any(b.source == "rider mass" for b in told.budget)
    for key, value in line(plain, "power meter scale").items():
        assert line(told, "power meter scale")[key] == pytest.approx(
            2.0 * value, rel=0.02, abs=1e-6
        )


# --- the joint distribution


def test_joint_covariance_is_symmetric_positive_and_the_positions_own(estimate: Estimate) -> None:
    joint = estimate.joint
    np.testing.assert_allclose(joint.covariance, joint.covariance.T, rtol=0, atol=1e-18)
    scale = np.sqrt(np.diag(joint.covariance))
    scale[scale == 0.0] = 1.0
    for matrix in (joint.covariance, joint.statistical_covariance):
        assert np.linalg.eigvalsh(matrix / np.outer(scale, scale)).min() > -1e-9
    for i, p in enumerate(estimate.positions):
        assert joint.names[i] == p.id
        assert joint.mean[i] == p.cda_m2
        assert math.sqrt(joint.covariance[i, i]) == pytest.approx(p.se_m2, rel=1e-9)
        assert math.sqrt(joint.statistical_covariance[i, i]) == pytest.approx(
            p.statistical_se_m2, rel=1e-9
        )


def test_joint_covariance_gives_the_differences(estimate: Estimate) -> None:
    joint = estimate.joint
    for d in estimate.differences:
        c = np.zeros(len(joint.names))
        c[joint.names.index(d.position)], c[joint.names.index(d.reference)] = 1.0, -1.0
        assert c @ joint.mean == pytest.approx(d.delta_cda_m2, abs=1e-12)
        assert math.sqrt(c @ joint.covariance @ c) == pytest.approx(d.se_m2, rel=1e-6)
        statistical = math.sqrt(c @ joint.statistical_covariance @ c)
        assert statistical == pytest.approx(d.statistical_se_m2, rel=1e-6)


def test_joint_carries_the_shared_inputs_with_their_effect_on_cda() -> None:
    joint = small_estimate().joint
    s = small_ride().session.settings
    wanted = {
        "rolling_resistance": None,
        "power_scale": s.power_meter.scale_sd,
        "power_offset_w": s.power_meter.offset_sd_w,
        "rider_mass_kg": s.rider.mass_sd_kg,
        "bike_mass_kg": s.bike.mass_sd_kg,
        "drivetrain_efficiency": s.bike.drivetrain_efficiency_sd,
    }
    assert joint.names[2:] == tuple(wanted)
    sd = np.sqrt(np.diag(joint.covariance))
    for name, value in wanted.items():
        if value is not None:
            assert sd[joint.names.index(name)] == pytest.approx(value)
    # a meter that shows too little hides drag: true CdA rises with the true scale; with Crr and
    # mass it falls
    correlation = joint.covariance / np.outer(sd, sd)
    for name, sign in (("power_scale", 1), ("power_offset_w", 1), ("drivetrain_efficiency", 1),
                       ("rolling_resistance", -1), ("rider_mass_kg", -1)):  # fmt: skip
        assert sign * correlation[0, joint.names.index(name)] > 0.0, name
    row = line(small_estimate(), "power meter scale")
    at = joint.names.index("power_scale")
    assert joint.covariance[0, at] / sd[at] == pytest.approx(row["position-a"], rel=1e-9)


# --- a weather reading is a prior of the wind along the road


def test_a_sharp_wind_reading_holds_the_wind_and_a_vague_one_lets_it_go() -> None:
    from cda.legs import cut_legs

    bearing = cut_legs(small_ride().session).bearing_deg
    reading = {"speed_m_s": 0.6, "from_deg": bearing, "from_sd_deg": 1.0, "height_m": 1.2}
    told = {}
    for sd in (0.05, 10.0):
        session = with_settings(small_ride(), wind=reading | {"speed_sd_m_s": sd})
        wind = estimate_cda(session).sessions[0].mean_headwind_m_s
        assert wind is not None
        told[sd] = wind
    free = small_estimate().sessions[0].mean_headwind_m_s
    assert free is not None
    assert free.se is not None
    assert free.value < 0.2  # this ride's own answer lies below the reading
    assert told[10.0].value == pytest.approx(free.value, abs=0.05)
    # 0.3 m/s is left for the way from the station to the road: by the weights of the two
    share = free.se**2 / (free.se**2 + 0.3**2)
    moved = (told[0.05].value - free.value) / (0.6 - free.value)
    assert moved == pytest.approx(share, abs=0.2)
    assert told[0.05].se is not None
    assert told[0.05].se < free.se
