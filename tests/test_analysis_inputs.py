"""What a session brings to the regression: air, wind, height, masses, in closed form."""

from dataclasses import replace

import numpy as np
import pytest

from cda.air import air_density, normal_gravity, station_pressure
from cda.analysis.inputs import day_inputs, gravity_of, gust_share, leg_density, road_elevation_m
from cda.analysis.line import _with_crosswind
from cda.estimation import DayInputs, fit_days
from cda.legs import LegSet, cut_legs
from cda.session import AirReading, Session
from tests.analysis_rides import small_ride, with_settings
from tests.leg_totals import SYSTEMATIC, Design, draw_day

POSITIONS = ("position-a", "position-b")
SHORTER = float(np.exp(-0.5 * np.radians(10.0) ** 2))


@pytest.fixture(scope="module")
def legs() -> LegSet:
    return cut_legs(small_ride().session)


def inputs(session: Session, legs: LegSet) -> DayInputs:
    return day_inputs(session, legs, POSITIONS)


def test_sea_level_pressure_gives_the_density_of_the_station_pressure_it_means() -> None:
    # U.S. Standard Atmosphere 1976, table I: 898.76 hPa at 1000 m where 1013.25 at the sea.
    at = np.array([100.0])
    sea, _ = leg_density(
        with_settings(
            small_ride(),
            air={"pressure_hpa": None, "sea_level_pressure_hpa": 1013.25, "elevation_m": 1000.0},
        ),
        at,
    )
    station, _ = leg_density(with_settings(small_ride(), air={"pressure_hpa": 898.76}), at)
    assert sea[0] == pytest.approx(station[0], rel=3e-4)
    wrong, _ = leg_density(with_settings(small_ride(), air={"pressure_hpa": 1013.25}), at)
    assert wrong[0] / station[0] == pytest.approx(1013.25 / 898.76, rel=2e-3)


def test_without_an_elevation_the_recording_s_altitude_reduces_the_pressure() -> None:
    session = with_settings(
        small_ride(), air={"pressure_hpa": None, "sea_level_pressure_hpa": 1013.25}
    )
    altitude = session.recordings[0].altitude_m
    assert altitude is not None
    median = float(np.nanmedian(altitude))
    assert 20.0 < median < 120.0
    assert road_elevation_m(session) == median
    got, _ = leg_density(session, np.array([0.0]))
    air = session.settings.air
    wanted = air_density(
        temperature_c=air.temperature_c,
        pressure_hpa=float(station_pressure(101_325.0, median)) / 100.0,
        relative_humidity=air.relative_humidity,
    )
    assert got[0] == pytest.approx(wanted, rel=1e-9)


def test_a_given_density_replaces_the_lot(legs: LegSet) -> None:
    session = with_settings(small_ride(), air={"density_kg_m3": 1.1111, "density_sd_kg_m3": 0.02})
    day = inputs(session, legs)
    np.testing.assert_array_equal(day.density_kg_m3, 1.1111)
    assert day.systematic_sd["density_relative"] == pytest.approx(0.02 / 1.1111)


def test_air_readings_are_interpolated_to_each_leg_and_held_beyond_the_ends() -> None:
    readings = (
        AirReading(time_s=600.0, temperature_c=10.0, pressure_hpa=1000.0, relative_humidity=0.5),
        AirReading(time_s=1800.0, temperature_c=20.0, relative_humidity=0.5),
        AirReading(time_s=2400.0, temperature_c=22.0, pressure_hpa=1006.0, relative_humidity=0.5),
    )
    session = replace(small_ride().session, air_readings=readings)
    got, se = leg_density(session, np.array([0.0, 600.0, 1200.0, 2100.0, 9000.0]))
    rows = [(10.0, 1000.0), (10.0, 1000.0), (15.0, 1002.0), (21.0, 1005.0), (22.0, 1006.0)]
    wanted = [air_density(temperature_c=t, pressure_hpa=p, relative_humidity=0.5) for t, p in rows]
    np.testing.assert_allclose(got, wanted, rtol=1e-12)
    # the instruments' error is common: 0.5 K of 290 K and 0.5 hPa of 1000 hPa
    assert se / got.mean() == pytest.approx(np.hypot(0.5 / 288.5, 0.5 / 1003.0), rel=0.1)


def test_a_hub_meter_has_no_drivetrain_behind_it(legs: LegSet) -> None:
    crank = inputs(small_ride().session, legs)
    assert crank.drivetrain_efficiency == small_ride().session.settings.bike.drivetrain_efficiency
    assert crank.systematic_sd["drivetrain_efficiency"] > 0.0
    hub = inputs(with_settings(small_ride(), power_meter={"location": "hub"}), legs)
    assert hub.drivetrain_efficiency == 1.0
    assert hub.systematic_sd["drivetrain_efficiency"] == 0.0


def wind(legs: LegSet, **own: float) -> DayInputs:
    table = {
        "speed_m_s": 3.0, "speed_sd_m_s": 0.5, "from_deg": legs.bearing_deg, "from_sd_deg": 10.0,
        "height_m": 10.0, "rider_height_m": 1.2, "roughness_m": 0.03,
    }  # fmt: skip
    return inputs(with_settings(small_ride(), wind=table | own), legs)  # type: ignore[operator]


def test_wind_from_ahead_of_out_is_a_headwind_brought_to_the_rider_s_height(legs: LegSet) -> None:
    # log law: ln(1.2/0.03)/ln(10/0.03) = 0.6350 (reference table of the wind profile); the mean
    # of cos over a normal spread s of the direction is exp(-s^2/2)
    day = wind(legs)
    assert day.headwind_m_s == pytest.approx(3.0 * 0.6350 * SHORTER, abs=2e-4)
    # 0.5 m/s of the reading brought down, and 0.3 m/s between the station and the road
    assert day.headwind_sd_m_s == pytest.approx(np.hypot(0.5 * 0.6350, 0.3), abs=1e-3)
    assert legs.bearing_deg is not None
    behind = wind(legs, from_deg=(legs.bearing_deg + 180.0) % 360.0)
    assert behind.headwind_m_s == pytest.approx(-3.0 * 0.6350 * SHORTER, abs=2e-4)


def test_wind_from_the_side_is_crosswind(legs: LegSet) -> None:
    assert legs.bearing_deg is not None
    day = wind(legs, from_deg=(legs.bearing_deg + 90.0) % 360.0)
    assert day.headwind_m_s == pytest.approx(0.0, abs=1e-9)
    ahead = wind(legs)
    grown = day.crosswind_squared - ahead.crosswind_squared
    # c^2 and the spread of the reading's speed, less the spread that its direction gave ahead
    c, spread = 3.0 * 0.6350, np.radians(10.0)
    assert grown == pytest.approx(
        (SHORTER * c) ** 2 + (0.5 * 0.635) ** 2 - (c * spread) ** 2, abs=2e-3
    )
    # sideways, the direction is what makes the headwind uncertain
    assert day.headwind_sd_m_s == pytest.approx(np.hypot(c * spread, 0.3), abs=1e-3)


def test_what_nobody_read_of_the_crosswind_is_uncertain_by_as_much_as_it_is_wrong() -> None:
    # 2.5 m/s from anywhere, gusts of 0.9 m/s (0.45 over a leg), slow wind of 0.7 m/s: straight
    # across, nothing is seen along the road, and only the unsteadiness tells of it.
    rng = np.random.default_rng(41)
    wrong = []
    for angle in np.linspace(0.0, np.pi, 60, endpoint=False):
        design = Design(
            wind_m_s=2.5 * float(np.cos(angle)),
            crosswind_m_s=2.5 * float(np.sin(angle)),
            leg_wind_sd_m_s=0.45,
            slow_wind_sd_m_s=0.7,
            systematic_sd=SYSTEMATIC | {"crosswind_squared": 0.0},
        )
        day = replace(
            draw_day(design, rng), headwind_m_s=None, headwind_sd_m_s=3.0, crosswind_squared=0.16
        )
        first = fit_days([day], ("a", "b", "c"), rounds=1, systematic=False)
        (told,) = _with_crosswind([day], first)
        true = design.crosswind_m_s**2 + 0.45**2 / gust_share(day.energies) + 0.7**2
        wrong.append((true - told.crosswind_squared) / told.systematic_sd["crosswind_squared"])
    assert 0.5 < float(np.sqrt(np.mean(np.square(wrong)))) < 1.2


def test_wind_read_at_the_rider_is_not_scaled(legs: LegSet) -> None:
    assert wind(legs, height_m=1.2).headwind_m_s == pytest.approx(3.0 * SHORTER)


def test_a_reading_on_a_road_of_unknown_direction_still_tells_how_strong_it_was(
    legs: LegSet,
) -> None:
    # no satellite positions: along and across each have half the mean square
    day = wind(replace(legs, bearing_deg=None), from_deg=40.0)
    speed, sd = 3.0 * 0.635, 0.5 * 0.635
    assert day.headwind_m_s == 0.0
    assert day.headwind_sd_m_s == pytest.approx(np.sqrt(0.5 * (speed**2 + sd**2) + 0.09), abs=1e-3)


def test_without_a_reading_the_wind_along_the_road_is_free(legs: LegSet) -> None:
    day = inputs(small_ride().session, legs)
    assert day.headwind_m_s is None
    assert day.headwind_sd_m_s >= 4.0


def test_height_is_the_altimeter_s_and_the_survey_s_by_their_weights(legs: LegSet) -> None:
    alone = inputs(small_ride().session, legs)
    assert alone.height_difference_m is not None
    # a port's pressure error of 0.2 m is left, however many legs
    assert 0.2 < alone.height_difference_sd_m < 0.5
    surveyed = inputs(
        with_settings(
            small_ride(), course={"height_difference_m": 5.0, "height_difference_sd_m": 0.1}
        ),
        legs,
    )
    w = np.array([alone.height_difference_sd_m, 0.1]) ** -2.0
    wanted = (w @ [alone.height_difference_m, 5.0]) / w.sum()
    assert surveyed.height_difference_m == pytest.approx(wanted)
    assert surveyed.height_difference_sd_m == pytest.approx(w.sum() ** -0.5)


def test_the_lag_of_the_altimeter_cancels_between_directions(legs: LegSet) -> None:
    # the same metres too low on the way up and too high on the way down
    def moved(by_m: float) -> LegSet:
        return replace(
            legs,
            legs=tuple(
                replace(leg, altitude_m=leg.altitude_m + np.linspace(0.0, by_m, len(leg.time_s)))
                for leg in legs.legs
                if leg.altitude_m is not None
            ),
        )

    plain = inputs(small_ride().session, moved(0.0))
    drifted = inputs(small_ride().session, moved(0.7))
    assert drifted.height_difference_m == pytest.approx(plain.height_difference_m, abs=1e-9)


def test_gravity_is_that_of_the_place() -> None:
    session = small_ride().session
    assert gravity_of(session) == pytest.approx(float(normal_gravity(40.0, 60.0)), abs=3e-4)
    bare = replace(session.recordings[0], latitude_deg=None, altitude_m=None)
    assert gravity_of(replace(session, recordings=(bare,))) == pytest.approx(9.806, abs=1e-3)


def test_errors_belong_to_instruments_or_to_the_day(legs: LegSet) -> None:
    one = inputs(small_ride().session, legs).instrument
    other = inputs(replace(small_ride().session, key="s2"), legs).instrument
    shared = {name for name in one if one[name] == other[name]}
    # the same meter, wheel, drivetrain and scales of the bike; the rest is new each day
    assert shared >= {
        "power_scale", "power_delay_s", "drivetrain_efficiency", "speed_scale", "bike_mass_kg",
    }  # fmt: skip
    assert not shared & {"power_offset_w", "rider_mass_kg", "density_relative", "crosswind_squared"}
