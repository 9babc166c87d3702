"""Wind, satellites, drifting power, airspeed: each fault found, the same day without it silent."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace as Bag
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from cda.checks import check_legs, check_recording
from cda.checks.conditions import mean_wind_m_s, run_balances
from cda.checks.sessions import check_conditions
from tests.check_days import day, recorded

if TYPE_CHECKING:
    from cda.legs import Leg

ORDER = "abbaabbaabba"
M_A_DEGREE = 111_000.0  # north-south, and near enough for the sizes here


@pytest.fixture(scope="module")
def calm() -> tuple[Any, list[Leg]]:
    return day(5, ORDER)


def codes(found: Any) -> set[str]:
    return {f.code for f in found if f.severity != "note"}


def with_power(legs: list[Leg], change: Any) -> list[Leg]:
    return [replace(g, power_w=g.power_w + change(g)) for g in legs]


def test_the_same_day_without_a_fault_raises_nothing(calm: tuple[Any, list[Leg]]) -> None:
    session, legs = calm
    assert codes(check_legs(session, legs)) == set()
    assert codes(check_conditions(session, legs)) == set()


def test_the_wind_of_the_ride_is_the_wind_that_was_ridden_in(calm: tuple[Any, list[Leg]]) -> None:
    # 0.4 m/s against the way out, in the making of the legs; the road is level on the whole.
    session, legs = calm
    assert mean_wind_m_s(session, legs, run_balances(legs)) == pytest.approx(0.4, abs=0.25)
    # A road that climbs 3 m takes m g h / L = 82 * 9.81 * 3 / 1200 = 2.0 N out, and gives it back.
    climbed = with_power(legs, lambda g: g.direction * 2.01 * g.speed_m_s / 0.976)
    higher = replace_heights(climbed, 3.0)
    assert mean_wind_m_s(session, higher, run_balances(higher)) == pytest.approx(0.4, abs=0.3)
    unknown = [replace(g, altitude_m=None) for g in legs]
    assert mean_wind_m_s(session, unknown, run_balances(unknown)) is None


def replace_heights(legs: list[Leg], rise_m: float) -> list[Leg]:
    return [
        replace(g, altitude_m=100.0 + rise_m * g.along_m / 1200.0) for g in legs
    ]  # fmt: skip


def test_wind_that_turns_between_the_runs(calm: tuple[Any, list[Leg]]) -> None:
    session, legs = calm
    # rho CdA v w = 1.2 * 0.27 * v * w: 5 m/s more wind after the sixth run.
    windy = with_power(
        legs, lambda g: (g.run > 6) * g.direction * 1.2 * 0.27 * 5.0 * g.speed_m_s**2
    )
    assert "wind-shifting" in codes(check_legs(session, windy))


def test_power_that_drifts_in_all_positions(calm: tuple[Any, list[Leg]]) -> None:
    session, legs = calm
    drifting = with_power(legs, lambda g: 20.0 * g.start_s / 3600.0)
    found = [f for f in check_legs(session, drifting) if f.code == "power-zero-drifting"]
    assert len(found) == 1
    assert "W more every hour" in found[0].message
    blocks, block_legs = day(5, "aaaaaabbbbbb")
    by_position = with_power(block_legs, lambda g: 20.0 * (g.position == "b"))
    assert "power-zero-drifting" not in codes(check_legs(blocks, by_position))


def positions(legs: list[Leg], *, scatter_m: float = 1.0, beside_m: dict[int, float]) -> Any:
    """Return a recording whose positions follow the legs northwards."""
    rng = np.random.default_rng(3)
    time = np.concatenate([g.time_s for g in legs])
    east = np.concatenate([
        np.full(len(g.time_s), beside_m.get(g.run, 0.0)) for g in legs
    ])  # fmt: skip
    north = np.concatenate([g.along_m for g in legs])
    noise = scatter_m * rng.normal(size=(2, len(time)))
    return recorded(
        time_s=time, latitude_deg=(north + noise[0]) / M_A_DEGREE,
        longitude_deg=(east + noise[1]) / M_A_DEGREE,
    )  # fmt: skip


def test_poor_positions_and_another_road(calm: tuple[Any, list[Leg]]) -> None:
    session, legs = calm
    good = Bag(**(vars(session) | {"recordings": [positions(legs, beside_m={})]}))
    assert codes(check_legs(good, legs)) == set()
    poor = Bag(**(vars(session) | {"recordings": [positions(legs, scatter_m=9.0, beside_m={})]}))
    assert codes(check_legs(poor, legs)) == {"gps-poor"}
    off = Bag(**(vars(session) | {"recordings": [positions(legs, beside_m={4: 30.0})]}))
    found = [f for f in check_legs(off, legs) if f.code == "legs-not-on-one-road"]
    assert [f.where for f in found] == ["run 4 out, run 4 back"]
    assert "30 m beside" in found[0].message


def test_a_wind_reading_that_is_the_wrong_way_round(calm: tuple[Any, list[Leg]]) -> None:
    session, legs = calm
    windy = with_power(legs, lambda g: g.direction * 1.2 * 0.27 * 2.0 * g.speed_m_s**2)
    given: dict[str, Any] = {
        "speed_m_s": 2.4, "speed_sd_m_s": 0.5, "from_sd_deg": 20.0, "height_m": 1.2,
        "rider_height_m": 1.2, "roughness_m": 0.03,
    }  # fmt: skip
    for from_deg, expected in ((0.0, set()), (180.0, {"wind-reading-disagrees"})):
        settings = Bag(**(vars(session.settings) | {"wind": Bag(from_deg=from_deg, **given)}))
        one = Bag(**(vars(session) | {"settings": settings,
                                      "recordings": [positions(legs, beside_m={})]}))  # fmt: skip
        assert codes(check_legs(one, windy)) & {"wind-reading-disagrees"} == expected


def test_airspeed_out_against_back(calm: tuple[Any, list[Leg]]) -> None:
    session, legs = calm
    right = [replace(g, airspeed_m_s=g.speed_m_s + 0.4 * g.direction) for g in legs]
    assert codes(check_legs(session, right)) == set()
    wrong = [replace(g, airspeed_m_s=g.speed_m_s * (1.0 - 0.12 * g.direction)) for g in legs]
    found = [f for f in check_legs(session, wrong) if f.code == "airspeed-disagrees"]
    assert "out and back" in found[0].message


def test_a_press_that_cuts_road_off(calm: tuple[Any, list[Leg]]) -> None:
    session, legs = calm
    runs = [Bag(**vars(run)) for run in session.runs]
    start, end = runs[2].spans[0]
    runs[2].spans = ((start + 25.0, end),)
    found = [f for f in check_legs(Bag(**(vars(session) | {"runs": runs})), legs)
             if f.code == "lap-press-late"]  # fmt: skip
    assert [f.where for f in found] == ["run 3"]
    assert "25 s later" in found[0].message


def test_heights_that_do_not_close(calm: tuple[Any, list[Leg]]) -> None:
    session, legs = calm
    climbing = [
        replace(g, altitude_m=100.0 + 60.0 * g.time_s / 3600.0) for g in legs
    ]  # out and back 4 m higher  # fmt: skip
    found = [f for f in check_legs(session, climbing) if f.code == "altimeter-not-closing"]
    assert "out and back the altimeter ends" in found[0].message
    # Once round a loop is closed in itself: legs of one direction only.
    loop = Bag(**(vars(session.settings) | {"course": Bag(kind="loop", height_difference_m=None)}))
    one = Bag(**(vars(session) | {"settings": loop}))
    rounds = [g for g in climbing if g.direction > 0]
    found = [f for f in check_legs(one, rounds) if f.code == "altimeter-not-closing"]
    assert "once round the altimeter ends" in found[0].message
    level = [replace(g, altitude_m=np.full(len(g.time_s), 100.0)) for g in rounds]
    assert "altimeter-not-closing" not in codes(check_legs(one, level))


def test_level_and_gusts_are_said_where_no_estimate_is(calm: tuple[Any, list[Leg]]) -> None:
    session, legs = calm
    doubled = [replace(g, power_w=2.4 * g.power_w) for g in legs]
    assert "cda-implausible" in codes(check_conditions(session, doubled))
    rng = np.random.default_rng(1)
    gusty = [replace(g, power_w=g.power_w + 60.0 * rng.normal()) for g in legs]
    assert "gusty-wind" in codes(check_conditions(session, gusty))
    strong = with_power(legs, lambda g: g.direction * 1.2 * 0.27 * 4.0 * g.speed_m_s**2)
    assert "wind-strong" in codes(check_conditions(session, strong))


def coasting_ride(zero_w: Any) -> Any:
    """Ride an hour with ten rests from pedalling, in which the meter shows `zero_w`."""
    from cda.recording import Recording

    time = np.arange(3600.0)
    rest = time % 360 < 20
    power = np.where(rest, zero_w(time / 3600.0), 200.0 + time % 5)
    cadence = np.where(rest, 0.0, 85.0)
    return Recording(
        name="ride.fit", sha256="0" * 64, format="fit", time_s=time, power_w=power,
        speed_m_s=np.full(3600, 9.0), distance_m=9.0 * time, cadence_rpm=cadence,
        altitude_m=np.full(3600, 100.0),
    )  # fmt: skip


def test_the_zero_of_the_power_meter_while_coasting() -> None:
    assert codes(check_recording(coasting_ride(lambda h: 0.0 * h))) == set()
    assert codes(check_recording(coasting_ride(lambda h: 7.0 + 0.0 * h))) == {"power-zero-off"}
    drifting = check_recording(coasting_ride(lambda h: 8.0 * h))
    found = [f for f in drifting if f.code == "power-zero-drifting"]
    assert "+8.0 W an hour" in found[0].message
