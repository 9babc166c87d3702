"""Invented laps: lean and shorter way of the mass centre in a bend, loops that close."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from cda.simulate import PRESETS, Scenario, simulate_session
from cda.simulate.draws import draw, stream
from cda.simulate.lean import Leaning
from cda.simulate.ride import STEP_S
from cda.simulate.way import loop_path

TRACK = replace(
    PRESETS["calm"],
    course="track",
    leg_length_m=250.0,
    laps_per_run=5,
    n_positions=2,
    runs_per_position=1,
    powers_w=(250.0,),
)
RIDER = Leaning(mass_kg=84.0, wheel_mass_kg=1.25, height_m=1.05, axle_m=0.335, gravity_m_s2=9.81)


@pytest.mark.parametrize(("speed", "radius"), [(9.0, 25.0), (12.5, 23.0), (15.0, 20.0)])
def test_lean_balances_the_mass_centre_on_its_own_circle(speed: float, radius: float) -> None:
    share, axle, cosine = RIDER.lean(speed, 1.0 / radius)
    sine = math.sqrt(1.0 - cosine**2)
    own_radius, own_speed = radius - 1.05 * sine, speed * share
    assert own_speed / speed == pytest.approx(own_radius / radius, rel=1e-4)
    # moments about the tyre: m v^2 / R h cos = m g h sin
    assert own_speed**2 / own_radius * cosine == pytest.approx(9.81 * sine, rel=2e-3)
    assert axle == pytest.approx(1.0 - 0.335 * sine / radius, rel=1e-4)


def test_going_into_a_bend_keeps_the_energy_and_the_wheels_run_faster() -> None:
    before = RIDER.energy(12.0, 0.0)
    inside = RIDER.speed(before, 1.0 / 23.0, 12.0)
    assert RIDER.energy(inside, 1.0 / 23.0) == pytest.approx(before, abs=0.2)
    share, _, cosine = RIDER.lean(inside, 1.0 / 23.0)
    # the mass centre gains what it sinks: v dv = g h (1 - cos), to first order
    gained = math.sqrt(12.0**2 + 2.0 * 9.81 * 1.05 * (1.0 - cosine))
    assert inside * share == pytest.approx(gained, rel=1e-3)
    assert inside > 12.3


def test_energy_of_laps_on_a_track_closes_with_lean_in_it() -> None:
    simulated = simulate_session(TRACK, 4)
    r, d = simulated.ridden, simulated.draws
    mass = d.rider_mass_kg + d.bike_mass_kg
    for run in (1, 2):
        legs = [leg for leg in simulated.truth["legs"] if leg["run"] == run]
        t = np.linspace(legs[1]["entry_s"], legs[-1]["exit_s"], 100_001)
        v = np.interp(t, r.time_s, r.speed_m_s)
        step = np.minimum((t / STEP_S).astype(int), r.time_s.size - 1)
        share = r.mass_centre_share[step]
        # share = 1 - h sin(lean) / radius, where the bends' radius is 23 m and eases in and out
        assert share.min() == pytest.approx(1.0 - d.mass_centre_height_m * 0.42 / 23.0, abs=0.006)
        air = 0.5 * d.density_kg_m3 * (r.cda_m2[step] * share**3 + 0.0044) * v**3
        # inside the easings the radius is larger: lean comes from share and balance together
        tangent = np.zeros_like(v)
        for k in np.flatnonzero(share < 1.0 - 1e-9)[::50]:
            low, high = 0.0, 1.0 / 23.0
            for _ in range(40):
                middle = 0.5 * (low + high)
                t_lean = v[k] ** 2 * middle * share[k] / d.gravity_m_s2
                s_lean = t_lean / math.hypot(1.0, t_lean)
                low, high = (
                    (middle, high)
                    if 1.0 - d.mass_centre_height_m * s_lean * middle > share[k]
                    else (low, middle)
                )
            tangent[k : k + 50] = v[k] ** 2 * low * share[k] / d.gravity_m_s2
        load = mass * d.gravity_m_s2 * np.hypot(1.0, tangent)
        spent = air + (r.rolling[step] * load + 0.091 + 0.0087 * v) * v
        made = d.drivetrain_efficiency * np.diff(
            np.interp(t[[0, -1]], r.time_s, np.cumsum(r.power_w) * STEP_S)
        )
        kinetic = 0.5 * (mass + 0.14 / 0.335**2) * (v[-1] ** 2 - v[0] ** 2)
        left = float(made[0] - np.trapezoid(spent, t) - kinetic)
        assert abs(left) < 0.002 * float(made[0])


def test_a_track_has_no_wind_no_satellites_and_says_its_bends() -> None:
    simulated = simulate_session(TRACK, 4)
    assert simulated.session.recordings[0].latitude_deg is None
    course = simulated.session.settings.course
    assert course.kind == "track"
    assert course.bend_share == pytest.approx(2.0 * math.pi * 23.0 / 250.0, abs=1e-3)
    assert {leg["headwind_m_s"] for leg in simulated.truth["legs"]} == {0.0}
    lengths = [
        float(np.interp(leg["exit_s"], simulated.ridden.time_s, simulated.ridden.path_m))
        - float(np.interp(leg["entry_s"], simulated.ridden.time_s, simulated.ridden.path_m))
        for leg in simulated.truth["legs"]
    ]
    line = simulated.truth["errors"]["track_line_m"]
    assert lengths == pytest.approx([250.0 + 2.0 * math.pi * line] * len(lengths), abs=0.1)


@pytest.mark.parametrize("share", [1.0, 0.6, 0.25])
def test_loops_close_and_have_their_share_of_bends(share: float) -> None:
    scenario = Scenario(course="loop", leg_length_m=1500.0, loop_bend_share=share)
    path = loop_path(scenario, draw(scenario, 1), stream(1, "riding"))
    entry, leave, _ = (round(x) for x in path.legs[1])
    assert path.along_m[leave] == pytest.approx(path.along_m[entry], abs=1.0)
    assert path.lateral_m[leave] == pytest.approx(path.lateral_m[entry], abs=1.0)
    heading = np.unwrap(path.heading_rad[entry:leave], period=2.0 * math.pi)
    assert float(np.mean(np.diff(heading) > 1e-6)) == pytest.approx(share, abs=0.01)
    assert path.height_m[leave] == pytest.approx(path.height_m[entry], abs=0.05)
