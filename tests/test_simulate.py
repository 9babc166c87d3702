"""The invented rides themselves: energy, signs, statistics, instruments, determinism."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from cda.errors import CourseError, UnitRangeError
from cda.simulate import PRESETS, Scenario, SimulatedSession, simulate_session
from cda.simulate.draws import (
    density_of_moist_air,
    draw,
    gravity_at,
    ou_process,
    reshape_gusts,
    stream,
)
from cda.simulate.ride import STEP_S, wind_vectors

SMALL = {"n_positions": 2, "runs_per_position": 1}
EXACT = Scenario(
    **SMALL,
    run_to_run_sd_m2=0.0,
    wobble_sd_m2=0.0,
    effort_sd=0.0,
    wind_m_s=0.0,
    slow_sd_m_s=0.0,
    gust_sd_m_s=0.0,
    rider_mass_sd_kg=0.0,
    bike_mass_sd_kg=0.0,
    rolling_resistance_sd=0.0,
    drivetrain_efficiency_sd=0.0,
    power_scale_sd=0.0,
    power_offset_sd_w=0.0,
    speed_scale_sd=0.0,
    temperature_sd_c=0.0,
    pressure_sd_hpa=0.0,
    relative_humidity_sd=0.0,
    power_noise=0.0,
    speed_noise_m_s=0.0,
    distance_noise_m=0.0,
    lap_press_sd_s=0.0,
    cda_m2=(0.27, 0.26),
)


def work_of_leg(simulated: SimulatedSession, leg: dict[str, float]) -> dict[str, float]:
    """Integrate each force over one leg with the textbook formulas, from the truth alone [J]."""
    r, d = simulated.ridden, simulated.draws
    t = np.linspace(leg["entry_s"], leg["exit_s"], 8001)
    v = np.interp(t, r.time_s, r.speed_m_s)
    step = np.minimum((t / STEP_S).astype(int), r.time_s.size - 1)
    u = v + r.headwind_m_s[step]
    area = r.cda_m2[step] + 0.0044
    mass = d.rider_mass_kg + d.bike_mass_kg
    air = 0.5 * d.density_kg_m3 * area * np.hypot(u, r.crosswind_m_s[step]) * u
    h = np.interp(t[[0, -1]], r.time_s, r.height_m)
    # rise over at most a few per cent: cosθ is 1 to 1e-3 of Crr, below 1 J on a leg
    return {
        "air": float(np.trapezoid(air * v, t)),
        "tyres": float(np.trapezoid(r.rolling[step] * mass * d.gravity_m_s2 * v, t)),
        "hubs": float(np.trapezoid((0.091 + 0.0087 * v) * v, t)),
        "height": float(mass * d.gravity_m_s2 * (h[1] - h[0])),
        "speed": float(0.5 * (mass + 0.14 / 0.335**2) * (v[-1] ** 2 - v[0] ** 2)),
        "rider": float(
            -d.drivetrain_efficiency
            * np.diff(np.interp(t[[0, -1]], r.time_s, np.cumsum(r.power_w) * STEP_S))[0]
        ),
    }


@pytest.mark.parametrize("preset", ["calm", "wind"])
@pytest.mark.parametrize("relief_m", [0.0, 9.0])
def test_energy_of_every_leg_closes(preset: str, relief_m: float) -> None:
    scenario = replace(PRESETS[preset], **SMALL, relief_m=relief_m)
    left_over = []
    for seed in range(5):
        simulated = simulate_session(scenario, seed)
        assert len(simulated.truth["legs"]) == 4
        for leg in simulated.truth["legs"]:
            parts = work_of_leg(simulated, leg)
            assert parts["rider"] < -12_000.0
            left_over.append(sum(parts.values()))
    # 7 J on 1.2 km is 0.0001 m² of CdA; the legs take about 20 kJ. On a hilly road the gates fall
    # inside the integrator's steps and one leg's share goes to the next one.
    assert abs(float(np.mean(left_over))) < 5.0
    assert float(np.max(np.abs(left_over))) < (10.0 if relief_m == 0.0 else 30.0)


def test_cda_comes_back_from_the_recorded_samples_of_a_perfect_ride() -> None:
    scenario = replace(EXACT, relief_m=2.0)
    simulated = simulate_session(scenario, 1)
    d, rec = simulated.draws, simulated.session.recordings[0]
    mass = d.rider_mass_kg + d.bike_mass_kg
    for run, cda in ((1, 0.27), (2, 0.26)):
        legs = [leg for leg in simulated.truth["legs"] if leg["run"] == run]
        work = lost = air = 0.0
        for leg in legs:
            t0, t1 = leg["entry_s"], leg["exit_s"]
            t = np.linspace(t0, t1, 4001)
            v = np.interp(t, rec.time_s, rec.speed_m_s)
            energy = np.concatenate([[0.0], np.cumsum(rec.power_w[1:] * np.diff(rec.time_s))])
            work += 0.976 * np.diff(np.interp([t0, t1], rec.time_s, energy))[0]
            lost += np.trapezoid((0.0042 * mass * d.gravity_m_s2 + 0.091 + 0.0087 * v) * v, t)
            lost += 0.5 * (mass + 0.14 / 0.335**2) * (v[-1] ** 2 - v[0] ** 2)
            air += np.trapezoid(0.5 * d.density_kg_m3 * v**3, t)
        # Out and back: height cancels. Power to whole watts and samples of 1 s leave 0.0003.
        assert (work - lost) / air - 0.0044 == pytest.approx(cda, abs=3e-4)


def test_headwind_slows_and_turns_its_sign_with_the_direction() -> None:
    scenario = replace(
        EXACT, relief_m=0.0, wind_m_s=3.0, wind_from_deg=40.0, heading_deg=40.0, powers_w=(200.0,)
    )
    out, back = simulate_session(scenario, 1).truth["legs"][:2]
    assert out["headwind_m_s"] == pytest.approx(3.0, abs=1e-9)
    assert back["headwind_m_s"] == pytest.approx(-3.0, abs=1e-9)
    assert out["exit_s"] - out["entry_s"] > back["exit_s"] - back["entry_s"] + 20.0
    across = replace(scenario, wind_from_deg=130.0)  # from the right of a rider heading 40°
    out, back = simulate_session(across, 1).truth["legs"][:2]
    assert out["headwind_m_s"] == pytest.approx(0.0, abs=1e-9)
    assert out["crosswind_m_s"] == pytest.approx(3.0, abs=1e-9)
    assert back["crosswind_m_s"] == pytest.approx(-3.0, abs=1e-9)


def test_crosswind_is_drag() -> None:
    calm = replace(EXACT, relief_m=0.0, heading_deg=0.0, powers_w=(200.0,))
    windy = replace(calm, wind_m_s=3.0, wind_from_deg=90.0)
    times = [simulate_session(s, 1).truth["legs"][0] for s in (calm, windy)]
    assert times[1]["exit_s"] - times[1]["entry_s"] > times[0]["exit_s"] - times[0]["entry_s"] + 1.0


def test_more_cda_more_rolling_resistance_and_more_mass_uphill_are_slower() -> None:
    base = replace(EXACT, powers_w=(200.0,))

    def seconds(scenario: Scenario) -> float:
        return sum(
            leg["exit_s"] - leg["entry_s"] for leg in simulate_session(scenario, 2).truth["legs"]
        )

    reference = seconds(base)
    for slower in (
        replace(base, cda_m2=(0.28, 0.27)),
        replace(base, rolling_resistance=0.0050),
        replace(base, pressure_hpa=1030.0),
        replace(base, powers_w=(190.0,)),
        replace(base, rider_mass_kg=84.0),
    ):
        assert seconds(slower) > reference + 1.0


def test_speed_settles_where_the_forces_balance() -> None:
    # cubic of the flat road: 0.976 P = (½ρ(CdA + F_w)v² + Crr m g + b0 + b1 v) v
    scenario = replace(
        EXACT, relief_m=0.0, leg_length_m=4000.0, powers_w=(200.0,), n_positions=1, cda_m2=(0.27,)
    )
    simulated = simulate_session(scenario, 1)
    d = simulated.draws
    weight = (d.rider_mass_kg + d.bike_mass_kg) * d.gravity_m_s2
    cubic = [0.5 * d.density_kg_m3 * 0.2744, 0.0087, 0.0042 * weight + 0.091, -0.976 * 200.0]
    settled = next(r.real for r in np.roots(cubic) if abs(r.imag) < 1e-9 and r.real > 0)
    leg = simulated.truth["legs"][0]
    late = np.interp(leg["exit_s"] - 5.0, simulated.ridden.time_s, simulated.ridden.speed_m_s)
    assert late == pytest.approx(settled, rel=2e-4)


def test_wind_has_the_stated_standard_deviation_and_correlation_time() -> None:
    rng = np.random.default_rng(7)
    unit = ou_process(400_000, 0.25, 20.0, rng)
    # 100 000 s hold about 2500 independent pieces: s.d. of the s.d. is 1.4 %.
    assert float(np.std(unit)) == pytest.approx(1.0, abs=0.05)
    lag = round(20.0 / 0.25)
    correlation = float(np.corrcoef(unit[:-lag], unit[lag:])[0, 1])
    assert correlation == pytest.approx(np.exp(-1.0), abs=0.05)
    for shape in ("heavy", "skewed"):
        gusts = reshape_gusts(rng.standard_normal(400_000), shape)
        assert float(np.mean(gusts)) == pytest.approx(0.0, abs=0.02)
        assert float(np.std(gusts)) == pytest.approx(1.0, abs=0.05)
        kurtosis = float(np.mean(gusts**4) / np.mean(gusts**2) ** 2)
        assert kurtosis > 4.0


def test_wind_of_many_seeds_has_the_preset_mean_gusts_and_slow_part() -> None:
    scenario = PRESETS["wind"]
    along = [wind_vectors(scenario, draw(scenario, s), 20_000)[0] for s in range(120)]
    means = np.array([np.mean(w) for w in along])
    # mean wind of 2.5 m/s from anywhere: the component has s.d. 2.5/√2; the slow part adds < 0.7
    expected = np.sqrt(2.5**2 / 2 + 0.6**2)
    assert float(np.std(means)) == pytest.approx(expected, rel=0.2)
    total = np.mean([np.var(w) for w in along])
    assert 0.9**2 < total < 0.9**2 + 0.7**2 + 0.05


def test_presets_are_those_of_the_design_table() -> None:
    table = {"calm": (0.2, 0.2, 0.4), "light": (0.3, 0.3, 1.0), "breeze": (0.5, 0.5, 1.0)}
    table["wind"] = (0.9, 0.7, 2.5)
    for name, (gusts, slow, mean) in table.items():
        s = PRESETS[name]
        assert (s.gust_sd_m_s, s.slow_sd_m_s, s.wind_m_s) == (gusts, slow, mean)
        assert (s.n_positions, s.runs_per_position, s.leg_length_m) == (4, 6, 1200.0)
        assert s.gust_time_s == (8.0, 60.0)
        assert s.slow_time_s == (300.0, 1800.0)


def test_systematic_errors_have_the_declared_spread() -> None:
    scenario = Scenario()
    draws = [draw(scenario, seed) for seed in range(400)]
    for name, nominal, sd in (
        ("rider_mass_kg", 74.0, 0.3),
        ("bike_mass_kg", 9.8, 0.1),
        ("rolling_resistance", 0.0042, 0.0002),
        ("drivetrain_efficiency", 0.976, 0.004),
        ("power_scale", 1.0, 0.01),
        ("power_offset_w", 0.0, 0.5),
        ("speed_scale", 1.0, 0.001),
        ("temperature_c", 14.0, 0.5),
        ("pressure_hpa", 1008.0, 0.5),
    ):
        values = np.array([getattr(d, name) for d in draws])
        assert float(np.std(values)) == pytest.approx(sd, rel=0.15), name
        assert abs(float(np.mean(values)) - nominal) < 4.0 * sd / 20.0, name
    times = np.log([d.gust_time_s for d in draws])
    assert times.min() >= np.log(8.0)
    assert times.max() <= np.log(60.0)
    assert float(np.mean(times)) == pytest.approx(np.log(8.0 * 60.0) / 2.0, abs=0.12)


def test_same_seed_same_ride_and_another_seed_another() -> None:
    scenario = replace(PRESETS["breeze"], **SMALL)
    a, b, c = (simulate_session(scenario, seed) for seed in (3, 3, 4))
    assert a.session.recordings[0].sha256 == b.session.recordings[0].sha256
    assert a.truth == b.truth
    assert a.session.recordings[0].sha256 != c.session.recordings[0].sha256


def test_an_airspeed_channel_or_lost_gps_leaves_the_ride_as_it_was() -> None:
    scenario = replace(PRESETS["breeze"], **SMALL)
    plain = simulate_session(scenario, 3)
    more = simulate_session(replace(scenario, airspeed_noise_m_s=0.3, gps=False), 3)
    a, b = plain.session.recordings[0], more.session.recordings[0]
    np.testing.assert_array_equal(a.power_w, b.power_w)
    np.testing.assert_array_equal(a.speed_m_s, b.speed_m_s)
    assert a.airspeed_m_s is None
    assert b.airspeed_m_s is not None
    assert b.latitude_deg is None


def test_power_at_a_stamp_is_the_mean_of_the_second_before_later_by_the_delay() -> None:
    quiet = replace(EXACT, effort_sd=0.3, effort_time_s=4.0)
    prompt = simulate_session(quiet, 1)
    late = simulate_session(replace(quiet, power_delay_s=1.5), 1)
    r = prompt.ridden
    work = np.cumsum(r.power_w) * STEP_S
    times = prompt.session.recordings[0].time_s[60:300]
    for simulated, delay in ((prompt, 0.0), (late, 1.5)):
        shown = simulated.session.recordings[0].power_w[60:300]
        t = times - delay
        mean = np.interp(t, r.time_s, work) - np.interp(t - 1.0, r.time_s, work)
        np.testing.assert_allclose(shown, mean, atol=0.51)  # whole watts


def test_power_scale_offset_and_drift_act_as_the_truth_says() -> None:
    scenario = replace(
        EXACT, power_scale_sd=0.05, power_offset_sd_w=6.0, power_offset_drift_w_per_h=40.0
    )
    clean = simulate_session(replace(scenario, power_scale_sd=0.0, power_offset_sd_w=0.0,
                                     power_offset_drift_w_per_h=0.0), 9)  # fmt: skip
    wrong = simulate_session(scenario, 9)
    e = wrong.truth["errors"]
    rec = wrong.session.recordings[0]
    riding = clean.session.recordings[0].power_w > 150.0
    back = (1.0 + e["power_scale"]) * rec.power_w + e["power_offset_w"]
    back = back + e["power_offset_drift_w_per_h"] * rec.time_s / 3600.0
    difference = (back - clean.session.recordings[0].power_w)[riding]
    assert np.abs(np.median(difference)) < 0.1
    assert np.percentile(np.abs(difference), 90) < 1.1


def test_speed_and_distance_share_one_scale_error() -> None:
    simulated = simulate_session(replace(EXACT, speed_scale_sd=0.02), 4)
    scale = simulated.truth["values"]["speed_scale"]
    assert abs(scale - 1.0) > 0.002
    rec, r = simulated.session.recordings[0], simulated.ridden
    leg = simulated.truth["legs"][0]
    t = np.array([leg["entry_s"], leg["exit_s"]])
    shown = float(np.diff(np.interp(t, rec.time_s, rec.distance_m))[0])
    assert shown * scale == pytest.approx(1200.0, abs=0.5)
    inside = (rec.time_s > t[0]) & (rec.time_s < t[1])
    truth = np.interp(rec.time_s[inside], r.time_s, r.speed_m_s)
    np.testing.assert_allclose(rec.speed_m_s[inside] * scale, truth, atol=0.002)


def test_airspeed_shows_wind_and_its_scale_errors() -> None:
    scenario = replace(
        EXACT, wind_m_s=2.0, wind_from_deg=10.0, heading_deg=10.0, airspeed_noise_m_s=1e-9,
        airspeed_scale_sd=0.05, airspeed_position_scale_sd=0.01, airspeed_offset_sd_m_s=0.0,
    )  # fmt: skip
    simulated = simulate_session(scenario, 6)
    e, rec = simulated.truth["errors"], simulated.session.recordings[0]
    assert rec.airspeed_m_s is not None
    for leg in simulated.truth["legs"]:
        position = 0 if leg["run"] == 1 else 1
        scale = (1.0 + e["airspeed_scale"]) * (1.0 + e["airspeed_position_scale"][position])
        inside = (rec.time_s > leg["entry_s"]) & (rec.time_s < leg["exit_s"])
        expected = (rec.speed_m_s + leg["headwind_m_s"])[inside]
        np.testing.assert_allclose(rec.airspeed_m_s[inside] * scale, expected, atol=0.003)


def test_laps_and_times_lie_around_the_true_legs() -> None:
    for mode in ("run", "leg", "times"):
        scenario = replace(PRESETS["calm"], n_positions=2, runs_per_position=2, laps=mode)
        simulated = simulate_session(scenario, 8)
        assert len(simulated.session.runs) == 4
        for run in simulated.session.runs:
            legs = [leg for leg in simulated.truth["legs"] if leg["run"] == run.run]
            if mode == "leg":
                assert len(run.spans) == 2
                for span, leg in zip(run.spans, legs, strict=True):
                    assert span[0] == pytest.approx(leg["entry_s"], abs=9.0)
                    assert span[1] == pytest.approx(leg["exit_s"], abs=9.0)
            else:
                (span,) = run.spans
                slack = 9.0 if mode == "run" else 40.0
                assert span[0] == pytest.approx(legs[0]["entry_s"], abs=slack)
                assert span[1] == pytest.approx(legs[1]["exit_s"], abs=slack)


def test_order_and_powers_are_balanced() -> None:
    scenario = Scenario(n_positions=3, runs_per_position=4)
    assert scenario.run_order == (0, 1, 2, 2, 1, 0, 0, 1, 2, 2, 1, 0)
    assert Scenario(n_positions=2, runs_per_position=2, order="blocks").run_order == (0, 0, 1, 1)
    powers = draw(scenario, 1).run_power_w
    for position in range(3):
        own = [p for p, k in zip(powers, scenario.run_order, strict=True) if k == position]
        assert sorted(own) == [190.0, 190.0, 240.0, 240.0]


def test_run_to_run_scatter_and_wobble_have_their_size() -> None:
    deviations = np.concatenate(
        [draw(replace(Scenario(), run_to_run_sd_spread=0.0), s).run_deviation_m2 for s in range(40)]
    )
    assert float(np.std(deviations)) == pytest.approx(0.002, rel=0.08)
    simulated = simulate_session(replace(EXACT, wobble_sd_m2=0.003), 1)
    ridden = simulated.ridden.cda_m2[simulated.ridden.cda_m2 > 0]
    assert float(np.std(ridden)) == pytest.approx(0.0045, abs=0.0035)


def test_effort_leaves_the_mean_power_where_it_was_asked() -> None:
    rides = [
        simulate_session(replace(PRESETS["calm"], **SMALL, powers_w=(200.0,)), s) for s in range(8)
    ]
    means = [leg["power_w"] for r in rides for leg in r.truth["legs"]]
    # 5 % at 8 s over 120 s leaves 2 % a leg; 32 legs
    assert float(np.mean(means)) == pytest.approx(200.0, abs=2.5)


def test_altimeter_has_steps_and_follows_the_road() -> None:
    scenario = replace(EXACT, relief_m=9.0, altitude_trend_sd_m_per_h=0.0)
    simulated = simulate_session(scenario, 2)
    rec, r = simulated.session.recordings[0], simulated.ridden
    assert rec.altitude_m is not None
    steps = rec.altitude_m / 0.2
    np.testing.assert_allclose(steps, np.round(steps), atol=1e-6)
    true = np.interp(rec.time_s, r.time_s, r.height_m)
    difference = rec.altitude_m - true - scenario.elevation_m
    assert float(np.std(difference)) < 1.0
    assert np.ptp(rec.altitude_m) > 6.0


def test_gps_gates_are_a_leg_apart_on_the_ellipsoid() -> None:
    geodesic = pytest.importorskip("geographiclib.geodesic").Geodesic.WGS84
    simulated = simulate_session(replace(EXACT, heading_deg=63.0), 2)
    assert simulated.gates_deg is not None
    (la, lo), (lb, lob) = simulated.gates_deg
    line = geodesic.Inverse(la, lo, lb, lob)
    # 60 m above the ellipsoid the same angle is 1e-5 longer.
    assert line["s12"] == pytest.approx(1200.0, abs=0.03)
    assert line["azi1"] % 360.0 == pytest.approx(63.0, abs=0.01)


def test_truth_is_plain_data_without_coordinates() -> None:
    truth = simulate_session(replace(PRESETS["light"], **SMALL), 1).truth
    text = json.dumps(truth)
    assert "deg" not in text.replace("from_relative_to_course_deg", "")
    assert "39.99" not in text
    assert "latitude" not in text
    assert truth["cda_m2"].keys() == {"position-a", "position-b"}


@pytest.mark.parametrize(
    ("knobs", "shows"),
    [
        ({"lorry_runs": (1,)}, "faster"),
        ({"coast_runs": (1,)}, "slower"),
        ({"brake_runs": (1,)}, "slower"),
        ({"sat_up_runs": (1,)}, "slower"),
    ],
)
def test_a_fault_spoils_its_own_leg(knobs: dict[str, tuple[int, ...]], shows: str) -> None:
    clean = simulate_session(EXACT, 1).truth["legs"]
    spoiled = simulate_session(replace(EXACT, **knobs), 1).truth["legs"]

    def seconds(leg: dict[str, float]) -> float:
        return leg["exit_s"] - leg["entry_s"]

    change = seconds(spoiled[0]) - seconds(clean[0])
    assert change < -0.5 if shows == "faster" else change > 0.5
    assert seconds(spoiled[2]) == pytest.approx(seconds(clean[2]), abs=0.3)


def test_faults_of_the_recording() -> None:
    base = replace(PRESETS["light"], n_positions=2, runs_per_position=2)
    frozen = simulate_session(replace(base, frozen_power_runs=(2,)), 1)
    start, end = frozen.truth["runs"][1]["start_s"], frozen.truth["runs"][1]["end_s"]
    rec = frozen.session.recordings[0]
    inside = (rec.time_s > start + 45) & (rec.time_s < end - 25)
    assert np.ptp(rec.power_w[inside]) == 0.0
    paused = simulate_session(replace(base, pause_runs=(1,)), 1).session.recordings[0]
    assert np.max(np.diff(paused.time_s)) == pytest.approx(20.0, abs=1.0)
    missing = simulate_session(replace(base, power_missing_share=0.02), 1).session.recordings[0]
    assert np.mean(np.isnan(missing.power_w)) == pytest.approx(0.02, abs=0.012)
    automatic = simulate_session(replace(base, automatic_lap_m=1000.0), 1).session
    assert {lap.trigger for lap in automatic.recordings[0].laps} == {
        "manual", "distance", "session_end",
    }  # fmt: skip
    fine = simulate_session(replace(base, sample_interval_s=0.25), 1).session.recordings[0]
    assert np.diff(fine.time_s) == pytest.approx(0.25)


def test_loops_and_tracks_are_ridden_in_laps() -> None:
    for course in ("loop", "track"):
        scenario = replace(PRESETS["light"], **SMALL, course=course, leg_length_m=600.0)
        truth = simulate_session(scenario, 1).truth
        assert len(truth["legs"]) == 2 * scenario.laps_per_run
        session = simulate_session(replace(scenario, laps="leg"), 1).session
        for run in session.runs:
            legs = [leg for leg in truth["legs"] if leg["run"] == run.run]
            for span, leg in zip(run.spans, legs, strict=True):
                assert span[0] == pytest.approx(leg["entry_s"], abs=9.0)
                assert span[1] == pytest.approx(leg["exit_s"], abs=9.0)
        for leg in truth["legs"]:
            assert 35.0 < leg["exit_s"] - leg["entry_s"] < 100.0
    assert truth["wind"]["mean_m_s"] == 0.0


def test_what_cannot_be_ridden_is_refused() -> None:
    for knobs, text in (
        ({"leg_length_m": 5.0}, "leg_length_m"),
        ({"cda_m2": (0.27,)}, "cda_m2"),
        ({"order": (0, 9)}, "order"),
        ({"powers_w": ()}, "powers_w"),
        ({"run_out_m": 10.0}, "run_out_m"),
    ):
        with pytest.raises(UnitRangeError, match=text):
            Scenario(**knobs)
    gale = Scenario(**SMALL, powers_w=(31.0,), wind_m_s=15.0, wind_from_deg=0.0, heading_deg=0.0)
    with pytest.raises(CourseError, match="standstill"):
        simulate_session(gale, 1)


def test_streams_are_apart() -> None:
    a, b = stream(1, "effort").standard_normal(1000), stream(1, "wobble").standard_normal(1000)
    assert abs(float(np.corrcoef(a, b)[0, 1])) < 0.12


def test_own_density_and_gravity_match_published_values() -> None:
    # U.S. Standard Atmosphere 1976, Table I: 15 °C, 1013.25 hPa: 1.2250 kg/m³ as printed.
    assert density_of_moist_air(15.0, 1013.25, 0.0) == pytest.approx(1.2250, abs=1e-4)
    # Moist air against psychrolib (ASHRAE formulas), to 0.02 %.
    psychrolib = pytest.importorskip("psychrolib")
    psychrolib.SetUnitSystem(psychrolib.SI)
    ratio = psychrolib.GetHumRatioFromRelHum(25.0, 0.8, 100_000.0)
    moist = (1.0 + ratio) / psychrolib.GetMoistAirVolume(25.0, ratio, 100_000.0)
    assert density_of_moist_air(25.0, 1000.0, 0.8) == pytest.approx(moist, rel=2e-4)
    # GRS 80: normal gravity 9.780327 m/s² at the equator, 9.832186 at the pole (Moritz 2000).
    assert gravity_at(0.0, 0.0) == pytest.approx(9.780327, abs=2e-6)
    assert gravity_at(90.0, 0.0) == pytest.approx(9.832186, abs=2e-6)


def test_the_true_wind_closes_the_energy_of_every_leg() -> None:
    # An estimator that is told the wind must be able to take the drag out exactly.
    simulated = simulate_session(replace(PRESETS["breeze"], **SMALL), 3)
    d = simulated.draws
    for leg in simulated.truth["legs"]:
        drag = work_of_leg(simulated, leg)["air"]
        told = 0.5 * d.density_kg_m3 * (leg["cda_m2"] + 0.0044) * leg["air_path_m3_s2"]
        assert told == pytest.approx(drag, rel=1.5e-3)  # wobble moves with speed within a leg
        t = np.arange(leg["entry_s"], leg["exit_s"], 1.0)
        head, cross = simulated.wind_at(t)
        assert float(np.mean(head)) == pytest.approx(leg["headwind_m_s"], abs=0.03)
        assert float(np.std(head)) == pytest.approx(leg["headwind_sd_m_s"], abs=0.03)
        assert float(np.mean(cross**2)) == pytest.approx(leg["crosswind_squared_m2_s2"], rel=0.05)


def test_disturbances_of_a_morning_are_as_large_as_asked() -> None:
    flat = replace(EXACT, relief_m=0.0, powers_w=(200.0,), runs_per_position=6)
    hour = simulate_session(flat, 1)
    hours = np.array([leg["entry_s"] for leg in hour.truth["legs"]]) / 3600.0
    tired = simulate_session(replace(flat, tiring_per_h=0.05), 1).truth["legs"]
    power = np.array([leg["power_w"] for leg in tired])
    assert float(np.polyfit(hours, power / 200.0, 1)[0]) == pytest.approx(-0.05, abs=0.002)
    soft = simulate_session(replace(flat, rolling_drift_per_h=-0.04), 1).ridden
    ratio = soft.rolling[-1] / soft.rolling[0]
    assert ratio == pytest.approx(1.0 - 0.04 * soft.time_s[-1] / 3600.0, abs=1e-4)
    hilly = replace(EXACT, relief_m=9.0, powers_w=(200.0,))
    ride = simulate_session(replace(hilly, effort_per_gradient=5.0), 1)
    answering = ride.ridden
    moving = np.zeros(answering.time_s.size, dtype=bool)
    for leg in ride.truth["legs"]:
        moving |= (answering.time_s > leg["entry_s"] + 1) & (answering.time_s < leg["exit_s"] - 1)
    rise = np.gradient(answering.height_m) / np.maximum(np.gradient(answering.path_m), 0.1)
    slope = np.polyfit(rise[moving], answering.power_w[moving] / 200.0, 1)[0]
    assert float(slope) == pytest.approx(5.0, rel=0.1)
    fast = replace(EXACT, wobble_sd_m2=0.003, wobble_speed_exponent=2.0, relief_m=0.0)
    sizes = []
    for watts in (120.0, 320.0):
        ridden = simulate_session(replace(fast, powers_w=(watts,)), 1).ridden
        steady = ridden.speed_m_s > 0.9 * np.max(ridden.speed_m_s)
        area = ridden.cda_m2[steady] - np.where(ridden.run[steady] == 1, 0.27, 0.26)
        sizes.append(float(np.std(area)) / float(np.mean(ridden.speed_m_s[steady])) ** 2)
    assert sizes[1] == pytest.approx(sizes[0], rel=0.35)  # a size that grows with speed squared
