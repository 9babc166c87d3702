"""Time at the race over a course: the fitted response, rules of holding, pacing, bad courses."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from cda.errors import CourseError
from cda.integration import steady_speed
from cda.priority import savings_from_cda, time_savings
from cda.priority.findings import turns_beside_limits
from cda.race import RaceSettings, joint_draws, load_race, make_race, race_times
from cda.race.road import density_ratio, lapped, race_road
from tests.estimate_factory import make_estimate

if TYPE_CHECKING:
    from cda.race import Race

LAP_M = 6000.0
KNOWN_WIND = {"speed_m_s": 4.0, "from_deg": 220.0}


@pytest.fixture
def lap(tmp_path: Path) -> Path:
    """Return a folder with an invented round course of 6 km, hills up to 5 %, and a flat one."""
    along = np.linspace(0.0, LAP_M, 301)
    radius = LAP_M / (2 * np.pi)
    latitude = 47.0 + radius * (1 - np.cos(along / radius)) / 111_200.0
    longitude = 8.0 + radius * np.sin(along / radius) / 75_800.0
    for name, rise in (("hills", 24.0), ("flat", 0.0)):
        height = 400.0 + rise * np.sin(2 * np.pi * along / 3000.0)
        rows = "\n".join(
            f"{d:.1f},{h:.3f},{a:.7f},{b:.7f}"
            for d, h, a, b in zip(along, height, latitude, longitude, strict=True)
        )
        text = "distance_m,elevation_m,latitude_deg,longitude_deg\n" + rows
        (tmp_path / f"{name}.csv").write_text(text, encoding="utf-8")
    return tmp_path


def race(folder: Path, **values: object) -> Race:
    given = {"name": "Invented", "power_w": 205.0, "power_sd_w": 5.0, "course": "hills.csv",
             "laps": 30} | values  # fmt: skip
    return make_race(RaceSettings.model_validate(given), folder=folder)


PACING = {
    "power_ratio_by_gradient": [[-0.05, 0.5], [0.0, 1.0], [0.05, 1.15]], "limit_w": 240.0
}  # fmt: skip


@pytest.mark.parametrize(
    "values",
    [
        {},
        {"wind": KNOWN_WIND},
        {"hold": {"above_gradient": 0.03}},
        # Power bound by its limit in some of the draws, holding by rule, wind from anywhere.
        {"pacing": PACING, "wind": {"speed_m_s": 4.0}, "hold": {"above_gradient": 0.03}},
        # Limits of speed on many laps: all rides in full.
        {"road": {"speed_limit_m_s": 14.0}, "pacing": PACING | {"limit_w": 265.0}},
    ],
    ids=["calm", "wind", "rules", "pacing and rules", "limits"],
)
def test_response_is_within_half_a_second_of_fresh_draws_ridden_in_full(
    lap: Path, values: dict[str, object]
) -> None:
    at = race(lap, **values)
    estimate = make_estimate(("tall", "low"))
    draws = joint_draws(
        estimate.joint, at, positions=("tall", "low"), power_costs={"low": (2.0, 1.0)}, draws=4096
    )
    times = race_times(at, draws, reference=0)
    every = draws.rides(draws.cda_m2, draws.power_cost_w).flat()
    columns = draws.cda_m2.shape[1]
    fresh = np.random.default_rng(3).integers(1000, columns, 100)
    index = np.concatenate([fresh, columns + fresh])
    mean = draws.rides(draws.cda_m2[0, :1], only_mean=True)
    exact, _ = lapped(at, race_road(at, mean).road, every.take(index))
    off = times.held_s.ravel()[index] - exact
    assert times.held_s.mean() > 18_000.0
    assert np.max(np.abs(off)) < 0.5
    assert np.max(np.abs(off[:100] - off[100:])) < 0.2  # of what is saved


def test_a_flat_course_gives_what_the_flat_road_gives(lap: Path) -> None:
    air = {"density_kg_m3": 1.2}
    on_course = time_savings(make_estimate(), race(lap, course="flat.csv", air=air))
    on_road = time_savings(
        make_estimate(), race(lap, course=None, laps=1, distance_km=180.0, air=air)
    )
    for a, b in zip(on_course.positions, on_road.positions, strict=True):
        assert a.time_s == pytest.approx(b.time_s, abs=0.5)
        assert a.saved_s == pytest.approx(b.saved_s, abs=0.1)
        np.testing.assert_allclose(a.saved_interval_s, b.saved_interval_s, atol=0.3)
        assert a.break_even_power_w == pytest.approx(b.break_even_power_w, abs=0.02)


def test_hills_cost_time_and_the_summary_and_the_picture_have_the_climb(lap: Path) -> None:
    savings = time_savings(make_estimate(("tall", "low")), race(lap, wind=KNOWN_WIND))
    flat = time_savings(
        make_estimate(("tall", "low")), race(lap, course="flat.csv", wind=KNOWN_WIND)
    )
    assert savings.positions[0].time_s > flat.positions[0].time_s + 300.0
    assert savings.race.ascent_m == pytest.approx(30 * 4 * 24.0, rel=0.02)
    assert savings.race.distance_km == pytest.approx(180.0, rel=1e-3)
    profile = savings.course
    assert profile is not None
    assert profile.headwind_m_s is not None
    # Once round in a steady wind: as much against as with it.
    assert abs(profile.headwind_m_s[:-1].mean()) < 0.05 * profile.headwind_m_s.max()
    assert profile.headwind_m_s.max() < 4.0  # at the rider's height, not at ten metres


def test_costing_the_break_even_power_saves_nothing_on_a_course(lap: Path) -> None:
    estimate = make_estimate(("tall", "narrow"))
    watts = time_savings(estimate, race(lap)).positions[1].break_even_power_w
    assert watts is not None
    at = race(lap, positions=[{"id": "narrow", "power_cost_w": watts}])
    assert abs(time_savings(estimate, at).positions[1].saved_s) < 0.5


def test_rules_of_holding_take_minutes_away_and_say_how_much_of_the_course_is_left(
    lap: Path,
) -> None:
    estimate = make_estimate(("tall", "narrow"))
    everywhere = time_savings(estimate, race(lap)).positions[1].saved_s
    savings = time_savings(estimate, race(lap, hold={"above_gradient": 0.02}))
    assert 0.3 * everywhere < savings.positions[1].saved_s < 0.95 * everywhere
    # The slope is above 2 % where cos > 0.02 / (2 pi 24 / 3000).
    share = 1.0 - np.arccos(0.02 / (2 * np.pi * 24.0 / 3000.0)) / np.pi
    note = next(f for f in savings.findings if f.code == "race-held-by-rule")
    said = float(note.message.split(" leave ")[1].split(" ")[0])
    assert said == pytest.approx(100 * share, abs=2.0)


def test_pacing_and_limits_keep_the_mean_power(lap: Path) -> None:
    pacing = {"power_ratio_by_gradient": [[-0.05, 0.5], [0.0, 1.0], [0.05, 1.15]], "limit_w": 260}
    at = race(lap, pacing=pacing, road={"speed_limit_m_s": 14.0})
    draws = joint_draws(make_estimate().joint, at, positions=("tall",), power_costs={})
    mean = draws.rides(draws.cda_m2[0, :1], only_mean=True)
    way = race_road(at, mean)
    _, power = lapped(at, way.road, mean)
    assert float(power[0]) == pytest.approx(205.0, abs=0.5)
    assert way.power_factor > 1.02


def test_thinner_air_higher_up(lap: Path) -> None:
    at = race(lap, air={"density_kg_m3": 1.2, "elevation_m": 0.0})
    assert at.course is not None
    # U.S. Standard Atmosphere, 1976, Table I: 1.2250 at 0, 1.1117 at 1 km; 400 m is 0.9622.
    assert density_ratio(at, at.course).mean() == pytest.approx(0.9622, abs=0.001)


def test_length_is_scaled_on_request_and_a_difference_is_said(lap: Path) -> None:
    said = race(lap, distance_km=160.0)
    assert any(f.code == "course-length-differs" for f in said.findings)
    scaled = race(lap, distance_km=160.0, road={"scale_to_distance": True})
    assert scaled.distance_m == pytest.approx(160_000.0)


def test_bare_values_ride_the_course(lap: Path) -> None:
    at = race(lap, rider={"mass_kg": 73.6}, bike={"mass_kg": 9.8})
    savings = savings_from_cda({"tall": 0.276, "low": 0.262}, at)
    assert savings.positions[1].saved_s > 60.0


@pytest.mark.parametrize("name", ["../hills.csv", "none.csv", "", "/etc/passwd"])
def test_courses_that_are_not_there_are_refused(lap: Path, name: str) -> None:
    path = lap / "race.toml"
    path.write_text(f'power_w = 200.0\ncourse = "{name}"\n', encoding="utf-8")
    with pytest.raises(CourseError):
        load_race(path)


def test_a_mean_power_that_limits_do_not_allow_is_refused(lap: Path) -> None:
    at = race(lap, road={"speed_limit_m_s": 7.0})
    with pytest.raises(CourseError, match="cannot be had"):
        time_savings(make_estimate(), at)


def test_turns_of_the_ledger_that_disagree_with_the_course_are_said(lap: Path) -> None:
    rows = "\n".join(f"{d},0,{6.0 if d in (1000, 2500) else ''}" for d in range(0, 3001, 100))
    (lap / "bends.csv").write_text(f"distance_m,elevation_m,speed_limit_m_s\n{rows}\n")
    turns = {"count": 8, "entry_speed_m_s": 10.0, "speed_now_m_s": 6.0, "speed_practised_m_s": 7.5}

    def said(**changed: object) -> tuple[str, str]:
        at = race(lap, course="bends.csv", laps=4, turns=turns | changed)
        (finding,) = turns_beside_limits(at)
        return finding.severity, finding.message

    severity, message = said()
    assert (severity, "nothing is counted twice") == ("note", message.split(", so ")[1])
    assert said(count=10)[0] == "warning"
    assert "in 8 places, [turns] counts 10" in said(count=10)[1]
    severity, message = said(speed_now_m_s=8.0, speed_practised_m_s=9.0)
    assert severity == "warning"
    assert "allows 6.0 m/s in 2 of them a lap, [turns] says 8 m/s today" in message


def test_a_lap_of_hills_in_wind_agrees_with_an_independent_solver(lap: Path) -> None:
    # Smooth heights, bearing and density straight from the formulas of the invented lap: what
    # straight lines between rows 20 m apart (4e-5) and merging to 30 m leave out is in the
    # difference.
    at = race(lap, laps=1, wind={"speed_m_s": 3.0, "from_deg": 220.0, "height_m": 1.2},
              air={"density_kg_m3": 1.2, "elevation_m": 400.0})  # fmt: skip
    draws = joint_draws(make_estimate().joint, at, positions=("tall",), power_costs={})
    mean = draws.rides(draws.cda_m2[0, :1], only_mean=True)
    got = float(lapped(at, race_road(at, mean).road, mean)[0][0])
    one = mean.flat()
    mass, power = float(one.mass_kg[0]), float(one.power_gain[0] * one.power_w[0])
    area = float(one.cda_held_m2[0]) + one.wheel_drag_area_m2

    def rate(x: float, state: np.ndarray) -> list[float]:
        v = state[0]
        theta = np.arctan(24.0 * 2 * np.pi / 3000.0 * np.cos(2 * np.pi * x / 3000.0))
        rho = 1.2 * np.exp(-24.0 * np.sin(2 * np.pi * x / 3000.0) / 10_400.0)
        angle = np.radians(220.0) - (np.pi / 2 - 2 * np.pi * x / LAP_M)
        u, c = v + 3.0 * np.cos(angle), 3.0 * np.sin(angle)
        force = (
            mass * 9.80665 * (np.sin(theta) + float(one.rolling_resistance[0]) * np.cos(theta))
            + 0.091 + 0.0087 * v + 0.5 * rho * area * np.hypot(u, c) * u
        )  # fmt: skip
        along = 1.0 / np.cos(theta)
        return [along * (power / v - force) / ((mass + one.rotating_mass_kg) * v), along / v]

    start = float(steady_speed(mean)[0])
    solved = solve_ivp(rate, (0.0, LAP_M), [start, 0.0], method="DOP853", rtol=1e-9, max_step=50.0)
    assert got == pytest.approx(float(solved.y[1, -1]), rel=1e-4)


def test_the_example_course_is_90_km_of_hills_with_twelve_limited_bends() -> None:
    example = load_race(Path(__file__).parents[1] / "example_runs" / "hilly_half.toml")
    course = example.course
    assert course is not None
    assert example.distance_m == pytest.approx(90_000.0)
    assert [f for f in course.findings if f.severity != "note"] == []
    limited = np.isfinite(course.limit_m_s).astype(int)
    bends = int(np.sum(np.diff(limited) == 1))
    assert example.settings.turns is not None
    assert bends * example.settings.laps == example.settings.turns.count == 12


def test_where_the_response_is_off_fewer_draws_are_ridden_each_in_full(
    lap: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from cda.race import times as rooms

    estimate, at = make_estimate(), race(lap, wind=KNOWN_WIND)
    fitted = time_savings(estimate, at)
    monkeypatch.setattr(rooms, "LARGEST_ERROR_S", 0.0)
    monkeypatch.setattr(rooms, "FULL_RIDES_TIMES_STRETCHES", 0.0)
    ridden = time_savings(estimate, at)
    said = next(f.message for f in ridden.findings if f.code == "race-response")
    many = len(ridden.positions)
    assert f"all {many * 513} rides of 513 draws over the course in full" in said
    for a, b in zip(fitted.positions, ridden.positions, strict=True):
        assert b.saved_s == pytest.approx(a.saved_s, abs=0.5)
        # 512 draws instead of 16 384: the ends move by a small part of the interval
        width = a.saved_interval_s[1] - a.saved_interval_s[0]
        assert b.saved_interval_s == pytest.approx(a.saved_interval_s, abs=0.05 * width + 0.5)
