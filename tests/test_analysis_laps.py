"""Laps in the estimate: wind round a loop and lean in closed form, recovery, what is said."""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pytest

from cda.analysis import estimate_cda
from cda.analysis.inputs import day_inputs
from cda.estimation import Bends, Laps, LoopWind, lap_integrals
from cda.estimation.laps import bend_factors
from cda.legs import cut_legs
from cda.session import build_session
from cda.simulate import PRESETS, SimulatedSession, simulate_session
from cda.simulate.lean import Leaning
from tests.analysis_rides import with_settings

if TYPE_CHECKING:
    from cda.estimation import DayInputs
    from cda.results import Estimate

EXACT_INPUTS = {
    "rider_mass_sd_kg": 0.0,
    "bike_mass_sd_kg": 0.0,
    "rolling_resistance_sd": 0.0,
    "drivetrain_efficiency_sd": 0.0,
    "power_scale_sd": 0.0,
    "power_offset_sd_w": 0.0,
    "speed_scale_sd": 0.0,
    "temperature_sd_c": 0.0,
    "pressure_sd_hpa": 0.0,
    "relative_humidity_sd": 0.0,
    "mass_centre_height_sd_m": 0.0,
    "run_to_run_sd_m2": 0.0005,
    "n_positions": 2,
    "runs_per_position": 2,
    "slow_sd_m_s": 0.05,
    "gust_sd_m_s": 0.1,
}
WINDY_LOOP = replace(
    PRESETS["light"],
    **EXACT_INPUTS,
    course="loop",
    leg_length_m=1000.0,
    laps_per_run=3,
    loop_bend_share=0.5,
    wind_m_s=3.0,
    weather_wind=True,
    weather_wind_speed_sd_m_s=0.05,
    weather_wind_from_sd_deg=1.0,
)
TRACK = replace(
    PRESETS["calm"],
    **EXACT_INPUTS,
    course="track",
    leg_length_m=250.0,
    laps_per_run=6,
    powers_w=(220.0, 300.0),
)


@cache
def loop_ride() -> SimulatedSession:
    return simulate_session(WINDY_LOOP, 61)


@cache
def track_ride() -> SimulatedSession:
    return simulate_session(TRACK, 62)


@cache
def loop_estimate() -> Estimate:
    return estimate_cda(loop_ride().session)


@cache
def track_estimate() -> Estimate:
    return estimate_cda(track_ride().session)


def inputs_of(ride: SimulatedSession) -> DayInputs:
    cut = cut_legs(ride.session)
    return day_inputs(ride.session, cut, [p.id for p in ride.session.settings.positions])


def at_one_speed(day: DayInputs, speed: float, bearing: np.ndarray | None, **wind: float) -> float:
    """Return mean V_a u over the first leg, all of it ridden at one speed [m^2/s^2]."""
    e = day.energies
    steady = replace(e, step_speed_m_s=np.full_like(e.step_speed_m_s, speed))
    own = LoopWind(
        directed_m_s=wind.get("directed", 0.0),
        from_rad=wind.get("from_rad", 0.0),
        from_sd_rad=0.0,
        other_m2_s2=wind.get("other", 1e-12),
        step_bearing_rad=bearing,
    )
    trial = replace(day, energies=steady, laps=Laps(lap_m=1000.0, wind=own, bends=None))
    integrals = lap_integrals(trial, np.full(len(e.length_m), 0.28), 0.0, 0.004, 0.0)
    return float(integrals.air[0] / e.length_m[0])


def test_steady_wind_round_a_circle_adds_three_quarters_of_its_square() -> None:
    # V_a u = v^2 + 2 v W cos + W^2 (1 + cos^2)/2; means of cos and cos^2 round a circle: 0, 1/2.
    day = inputs_of(loop_ride())
    e = day.energies
    first, last = int(e.step_first[0]), int(e.step_first[1])
    # equal angles for equal lengths, leg by leg
    angle = np.zeros(e.step_dx_m.size)
    dx = e.step_dx_m[first:last]
    angle[first:last] = 2.0 * np.pi * (np.cumsum(dx) - 0.5 * dx) / dx.sum()
    for wind in (1.0, 3.0):
        got = at_one_speed(day, 10.0, angle, directed=wind, from_rad=0.3)
        assert got == pytest.approx(100.0 + 0.75 * wind**2, abs=0.01 * wind**2)
    # and along a way up and down the wind: W^2 (1 + 1)/2; across it: W^2/2
    for offset, factor in ((0.0, 1.0), (0.5 * np.pi, 0.5)):
        angle[first:last] = np.where(np.cumsum(dx) <= 0.5 * dx.sum(), 0.0, np.pi) + offset
        share = float(dx[angle[first:last] == offset].sum() / dx.sum())
        mean_cosine = (2.0 * share - 1.0) * np.cos(offset)
        got = at_one_speed(day, 10.0, angle, directed=2.0)
        assert got == pytest.approx(100.0 + 40.0 * mean_cosine + factor * 4.0, abs=0.04)


def test_speed_answers_the_wind_round_a_loop_as_riding_at_one_power_does() -> None:
    # Integrate m dv/dt = P/v - k V_a u - F round a circle, to the periodic state, and compare.
    day = inputs_of(loop_ride())
    area, crr, wind, lap = 0.28, 0.0042, 2.0, float(day.laps.lap_m) if day.laps else 0.0
    k = 0.5 * float(day.density_kg_m3[0]) * area
    rolling = crr * day.mass_kg * day.gravity_m_s2 + day.bearing_drag_n
    v0 = float(day.energies.length_m[0] / day.energies.duration_s[0])
    power = v0 * (k * v0**2 + rolling)
    v, x, sums = v0, 0.0, np.zeros(3)
    while x < 6.0 * lap:
        angle = 2.0 * math.pi * x / lap
        u, c = v + wind * math.cos(angle), wind * math.sin(angle)
        air = math.hypot(u, c) * u
        dt = 0.02
        if x >= 4.0 * lap:  # the first laps settle
            sums += np.array([v * dt, air * v * dt, v**3 * dt])
        v += (power / v - k * air - rolling) / day.mass_kg * dt
        x += v * dt
    remains = (sums[1] - sums[2]) / sums[0] / wind**2
    wind_of_day = LoopWind(
        directed_m_s=0.0,
        from_rad=0.0,
        from_sd_rad=0.0,
        other_m2_s2=wind**2,
        step_bearing_rad=None,
    )
    told = replace(day, laps=Laps(lap_m=lap, wind=wind_of_day, bends=None))
    calm = replace(day, laps=Laps(lap_m=lap, wind=None, bends=None))
    areas = np.full(len(day.run), area)
    added = (
        lap_integrals(told, areas, 0.0, crr, 0.0).air[0]
        - lap_integrals(calm, areas, 0.0, crr, 0.0).air[0]
    )
    got = float(added / day.energies.length_m[0]) / wind**2
    assert got == pytest.approx(remains, abs=0.03)
    assert 0.2 < remains < 0.7  # neither nothing nor three quarters


@pytest.mark.parametrize("speed", [9.0, 12.0, 15.0])
def test_bend_factors_are_those_of_a_lap_of_constant_energy(speed: float) -> None:
    radius, share, height, mass = 22.0, 0.55, 1.1, 84.0
    body = Leaning(
        mass_kg=mass, wheel_mass_kg=1.25, height_m=height, axle_m=0.335, gravity_m_s2=9.81
    )
    inside = speed
    for _ in range(4):
        inside = body.speed(body.energy(speed, 0.0), 1.0 / radius, inside)
    of_mass, of_axle, cosine = body.lean(inside, 1.0 / radius)
    mean = (1.0 - share) * speed**2 + share * inside**2
    wanted = [
        ((1.0 - share) * speed**2 + share * of_mass**3 * inside**2) / mean,
        ((1.0 - share) * speed**2 + share * of_axle**3 * inside**2) / mean,
        (1.0 - share) + share / cosine,
    ]
    got = bend_factors(
        np.array([mean]),
        Bends(radius_m=radius, share=share, mass_centre_height_m=height),
        height_m=height,
        axle_m=0.335,
        wheel_mass_share=1.25 / mass,
        gravity_m_s2=9.81,
    )
    np.testing.assert_allclose([float(g[0]) for g in got], wanted, rtol=5e-4)
    assert got[0][0] < 0.99
    assert got[2][0] > 1.02


def level_error(estimate: Estimate, ride: SimulatedSession) -> float:
    truth = ride.truth["cda_of_runs_m2"]
    return float(np.mean([p.cda_m2 - truth[p.id] for p in estimate.positions]))


def test_wind_round_a_loop_leaves_no_bias() -> None:
    # 3 m/s left out would be 0.008 m^2; four runs of three laps leave 0.002.
    assert abs(level_error(loop_estimate(), loop_ride())) < 0.003
    calm = estimate_cda(with_settings(loop_ride(), wind={"speed_m_s": 0.0}))
    assert level_error(calm, loop_ride()) > 0.004


def test_lean_on_a_track_leaves_no_bias() -> None:
    # Drag alone would come out 4 % low, rolling alone 2 % high.
    assert abs(level_error(track_estimate(), track_ride())) < 0.0015
    for own in ({"mass_centre_height_m": 0.5}, {"bend_radius_m": None, "bend_share": 0.2}):
        wrong = estimate_cda(with_settings(track_ride(), course=own))
        assert abs(level_error(wrong, track_ride())) > 0.002


def test_differences_on_laps_are_within_their_uncertainty() -> None:
    for estimate, ride in ((loop_estimate(), loop_ride()), (track_estimate(), track_ride())):
        truth = ride.truth["cda_m2"]
        (d,) = estimate.differences
        error = d.delta_cda_m2 - (truth[d.position] - truth[d.reference])
        assert abs(error) < 3.0 * d.se_m2
        assert d.se_m2 < 0.008


def test_what_a_lap_does_not_tell_is_null_and_said() -> None:
    for estimate, words in (
        (loop_estimate(), "square of the wind"),
        (track_estimate(), "rolling resistance or from air"),
    ):
        (day,) = estimate.sessions
        assert day.mean_headwind_m_s is None
        assert day.height_difference_m.value == pytest.approx(0.0, abs=1e-4)
        (said,) = [f for f in estimate.findings if f.code == "level-not-separated"]
        assert words in said.message
        assert "Differences between positions" in said.message
    lines = {b.source: b.positions for b in track_estimate().budget}
    assert max(lines["lean in the bends"].values()) > 0.0002
    lines = {b.source: b.positions for b in loop_estimate().budget}
    assert max(lines["wind round the loop"].values()) > 0.0001
    assert loop_estimate().wind[0].leg == "lap 1"


def codes(estimate: Estimate) -> set[str]:
    return {f.code for f in estimate.findings}


def test_what_is_assumed_of_a_loop_is_said() -> None:
    assert not codes(loop_estimate()) & {"loop-wind-not-read", "loop-taken-as-circle"}
    silent = dict(loop_ride().settings)
    del silent["wind"]
    unread = estimate_cda(
        build_session(silent, loop_ride().session.recordings, loop_ride().run_rows, folder_name="x")
    )
    assert "loop-wind-not-read" in codes(unread)
    blind = simulate_session(replace(WINDY_LOOP, gps=False), 61)
    circle = estimate_cda(blind.session)
    assert "loop-taken-as-circle" in codes(circle)
    # nothing read: the level is less certain
    assert unread.positions[0].systematic_se_m2 > loop_estimate().positions[0].systematic_se_m2


def test_what_is_assumed_of_a_track_is_said() -> None:
    assert not codes(track_estimate()) & {"bends-assumed", "mass-centre-assumed"}
    bare = {"bend_radius_m": None, "bend_share": None, "mass_centre_height_m": None}
    assumed = estimate_cda(with_settings(track_ride(), course=bare))
    assert codes(assumed) >= {"bends-assumed", "mass-centre-assumed"}
    assert assumed.positions[0].systematic_se_m2 > track_estimate().positions[0].systematic_se_m2
    crooked = estimate_cda(with_settings(track_ride(), course={"bend_share": 0.9}))
    (finding,) = [f for f in crooked.findings if f.code == "bends-do-not-close"]
    assert "360" in finding.message
    windy = with_settings(track_ride(), wind={"speed_m_s": 2.0, "from_deg": 10.0})
    assert "wind-not-used" in codes(estimate_cda(windy))


def test_laps_and_a_road_are_pooled() -> None:
    road = simulate_session(
        replace(
            PRESETS["calm"],
            n_positions=2,
            runs_per_position=2,
            leg_length_m=600.0,
            cda_m2=tuple(track_ride().truth["cda_m2"].values()),
        ),
        63,
    )
    both = estimate_cda([track_ride().session, road.session])
    assert [s.course_kind for s in both.sessions] == ["track", "out-and-back"]
    assert both.sessions[0].mean_headwind_m_s is None
    assert both.sessions[1].mean_headwind_m_s is not None
    truth = track_ride().truth["cda_m2"]
    (d,) = both.differences
    assert abs(d.delta_cda_m2 - (truth[d.position] - truth[d.reference])) < 3.0 * d.se_m2
