"""Air that changes through the morning: temperature, wind and yaw brought to each leg."""

from dataclasses import replace

import numpy as np
import pytest

from cda.analysis import estimate_cda
from cda.analysis.inputs import day_inputs, leg_density
from cda.analysis.laps import down_to_rider
from cda.analysis.weather import (
    WIND_CHANGE_SD,
    crosswind_from_yaw,
    leg_temperature_c,
    weather_findings,
    wind_over_time,
)
from cda.errors import SessionError
from cda.estimation import fit_days
from cda.estimation.day import day_equations
from cda.legs import Leg, LegSet, cut_legs
from cda.session import AirReading, Session, build_session
from cda.session.settings import WindSettings
from cda.simulate import SimulatedSession, simulate_session
from tests.analysis_rides import SMALL, small_ride, with_settings
from tests.leg_totals import CRR, ETA, LEG_M, Design, G, draw_day

NAMES = ("position-a", "position-b")
IDS = ["a", "b"]


@pytest.fixture(scope="module")
def legs() -> LegSet:
    return cut_legs(small_ride().session)


# --- Crr by temperature


def test_crr_falls_with_the_air_only_when_asked() -> None:
    ride = small_ride()
    legs = cut_legs(ride.session)
    warm = tuple(
        AirReading(time_s=t, temperature_c=c, pressure_hpa=1008.0, relative_humidity=0.7)
        for t, c in ((0.0, 10.0), (4000.0, 30.0))
    )
    plain = day_inputs(replace(ride.session, air_readings=warm), legs, NAMES)
    assert plain.leg_warmth_c is None
    asked = with_settings(ride, bike={"rolling_resistance_per_c": -0.012})
    day = day_inputs(replace(asked, air_readings=warm), legs, NAMES)
    assert day.leg_warmth_c is not None
    wanted = np.interp(plain.energies.start_s, [0.0, 4000.0], [10.0, 30.0])
    np.testing.assert_allclose(day.leg_warmth_c, wanted - wanted.mean())
    assert day.rolling_per_c == -0.012
    assert day.systematic_sd["rolling_per_c"] == 0.005
    at_15 = with_settings(
        ride, bike={"rolling_resistance_per_c": -0.012, "rolling_resistance_at_c": 15.0}
    )
    told = day_inputs(replace(at_15, air_readings=warm), legs, NAMES).leg_warmth_c
    assert told is not None
    np.testing.assert_allclose(told, wanted - 15.0)


def test_tyres_that_roll_easier_in_warm_air_are_taken_for_drag_unless_it_is_said() -> None:
    # Positions in blocks, 20 degrees warmer at the end: Crr 1.2 % lower a degree.
    design = Design(
        order=(0,) * 6 + (1,) * 6, cda_m2=(0.28, 0.28), leg_wind_sd_m_s=0.03,
        slow_wind_sd_m_s=0.03, crr_drift_sd_per_h=0.001, offset_drift_sd_w_per_h=0.01,
        run_sd_m2=0.0005, systematic_sd=dict.fromkeys(Design().systematic_sd, 0.0),
    )  # fmt: skip
    day = draw_day(design, np.random.default_rng(3))
    start = day.energies.start_s
    warmth = 20.0 * (start - start.mean()) / np.ptp(start)
    less = CRR * -0.012 * warmth * day.mass_kg * G * LEG_M / ETA
    day = replace(day, energies=replace(day.energies, work_j=day.energies.work_j + less))

    def difference(inputs: object) -> float:
        fit = fit_days([inputs], IDS)  # type: ignore[list-item]
        return float(fit.beta[1] - fit.beta[0])

    said = difference(replace(day, leg_warmth_c=warmth, rolling_per_c=-0.012))
    unsaid = difference(day)
    # halves of the morning are 10 degrees apart in the mean: 12 % of Crr m g against 1/2 rho v^2
    v2 = float(np.mean((day.energies.length_m / day.energies.duration_s) ** 2))
    wanted = -0.12 * CRR * day.mass_kg * G / (0.5 * 1.19 * v2)
    assert unsaid - said == pytest.approx(wanted, rel=0.15)
    assert abs(said) < 0.002


def test_its_uncertainty_is_in_the_budget() -> None:
    asked = with_settings(
        small_ride(),
        bike={"rolling_resistance_per_c": -0.012, "rolling_resistance_at_c": 4.0},
    )
    estimate = estimate_cda(asked)  # 14 degrees all morning: ten above what Crr is meant for
    (line,) = [b for b in estimate.budget if b.source == "rolling resistance per degree"]
    (crr,) = [b for b in estimate.budget if b.source == "rolling resistance"]
    bike = asked.settings.bike
    ratio = 10.0 * bike.rolling_resistance_sd_per_c * bike.rolling_resistance
    for name, value in line.positions.items():
        wanted = crr.positions[name] * ratio / bike.rolling_resistance_sd
        assert value == pytest.approx(wanted, rel=0.25)  # Crr itself is told a little by the legs


# --- the recording's own temperature


def with_sensor(ride: SimulatedSession, **air: object) -> Session:
    recording = ride.session.recordings[0]
    shown = 12.0 + 6.0 * recording.time_s / recording.time_s[-1]
    shown[::7] = np.nan
    shown[5::50] = 50.0  # a spike
    settings = dict(ride.settings)
    settings["air"] = {k: v for k, v in settings["air"].items() if k != "temperature_c"} | air
    return build_session(
        settings, [replace(recording, temperature_c=shown)], ride.run_rows, folder_name="own"
    )


def test_own_temperature_is_taken_only_when_asked_and_with_a_warning(legs: LegSet) -> None:
    unasked = with_sensor(small_ride(), temperature_c=14.0)
    np.testing.assert_array_equal(leg_temperature_c(unasked, legs.legs), 14.0)
    assert not [f for f in unasked.findings if f.code == "temperature-from-recording"]
    ride = small_ride()
    settings = {k: v for k, v in ride.settings["air"].items() if k != "temperature_sd_c"}
    bare = replace(ride, settings=ride.settings | {"air": settings})
    asked = with_sensor(bare, temperature_from_recording=True)
    (finding,) = [f for f in asked.findings if f.code == "temperature-from-recording"]
    assert finding.severity == "warning"
    assert "sun" in finding.message
    assert not [f for f in asked.findings if f.code == "air-not-read"]
    assert asked.settings.air.temperature_sd_c == 2.0
    end = asked.recordings[0].time_s[-1]
    middle = np.array([0.5 * (leg.time_s[0] + leg.time_s[-1]) for leg in legs.legs])
    got = leg_temperature_c(asked, legs.legs)
    np.testing.assert_allclose(got, 12.0 + 6.0 * middle / end, atol=0.05)
    density, _ = leg_density(asked, middle, got)
    assert density[0] > density[-1]
    assert day_inputs(asked, legs, NAMES).density_kg_m3[0] == density[0]


def test_own_temperature_that_is_not_there_or_given_twice_is_refused() -> None:
    with pytest.raises(SessionError, match="holds no temperature"):
        with_settings(small_ride(), air={"temperature_c": None, "temperature_from_recording": True})
    with pytest.raises(SessionError, match="both temperature_c and temperature_from_recording"):
        with_sensor(small_ride(), temperature_c=14.0, temperature_from_recording=True)


# --- wind read over time


def readings(*rows: tuple[float, float, float]) -> tuple[AirReading, ...]:
    return tuple(
        AirReading(time_s=t, wind_speed_m_s=v, wind_from_deg=from_deg) for t, v, from_deg in rows
    )


def test_steady_wind_read_again_and_again_is_one_reading(legs: LegSet) -> None:
    session = replace(small_ride().session, air_readings=readings((0, 3, 40), (1000, 3, 40)))
    start = np.array([leg.start_s for leg in legs.legs])
    read = wind_over_time(session, start, legs.bearing_deg)
    assert read is not None
    assert read.mean.speed_m_s == pytest.approx(3.0)
    assert read.mean.from_deg == pytest.approx(40.0)
    np.testing.assert_allclose(read.change_m_s, 0.0, atol=1e-12)
    once = with_settings(small_ride(), wind={"speed_m_s": 3.0, "from_deg": 40.0})
    a, b = (day_inputs(s, legs, NAMES) for s in (session, once))
    assert a.headwind_m_s == pytest.approx(b.headwind_m_s)
    assert a.headwind_sd_m_s == pytest.approx(b.headwind_sd_m_s)
    assert a.crosswind_squared == pytest.approx(b.crosswind_squared)


def test_wind_that_turns_is_interpolated_as_a_vector_and_positive_against_out() -> None:
    # From ahead, then from behind: halfway there is none, and not 3 m/s from the side.
    session = replace(small_ride().session, air_readings=readings((0, 3, 350), (100, 3, 170)))
    read = wind_over_time(session, np.array([0.0, 50.0, 100.0]), 350.0)
    assert read is not None
    down = down_to_rider(WindSettings(speed_m_s=1.0, from_deg=0.0))
    np.testing.assert_allclose(read.change_m_s, [3.0 * down, 0.0, -3.0 * down], atol=1e-9)
    assert read.mean.speed_m_s == pytest.approx(0.0, abs=1e-9)
    assert wind_over_time(session, np.array([0.0]), None) is None
    assert wind_over_time(small_ride().session, np.array([0.0]), 350.0) is None


def test_a_change_at_one_leg_is_that_leg_in_that_wind(legs: LegSet) -> None:
    day = day_inputs(small_ride().session, legs, NAMES)
    n = len(day.run)
    changed = replace(day, leg_wind_change_m_s=np.where(np.arange(n) == 3, 0.7, 0.0))
    cda = np.array([0.26, 0.25])
    with_change = day_equations(changed, cda, 1.0, 0.4, 0.0042, 0.0)
    calm = day_equations(day, cda, 1.0, 0.4, 0.0042, 0.0)
    windy = day_equations(day, cda, 1.0, 1.1, 0.0042, 0.0)
    energy = [q.residual * q.energy_per_wind for q in (with_change, calm, windy)]
    assert energy[0][3] == pytest.approx(energy[2][3])
    others = np.arange(n) != 3
    np.testing.assert_allclose(energy[0][others], energy[1][others])


def test_readings_that_follow_the_road_s_wind_sharpen_the_estimate() -> None:
    # Slow wind of 1 m/s that the station sees as the road does, or something else.
    design = Design(order=(0, 1, 1, 0) * 4, cda_m2=(0.28, 0.27), slow_wind_sd_m_s=0.0,
                    leg_wind_sd_m_s=0.1)  # fmt: skip
    rng = np.random.default_rng(11)
    day = draw_day(design, rng)
    start = day.energies.start_s
    slow = 1.0 * np.sin(start / 700.0)
    slow -= slow.mean()
    per_wind = day_equations(day, np.array(design.cda_m2), 1.0, 1.5, CRR, 0.0).energy_per_wind
    work = day.energies.work_j + per_wind * day.energies.direction * slow / ETA
    day = replace(day, energies=replace(day.energies, work_j=work))
    contrast = np.array([-1.0, 1.0, 0.0, 0.0, 0.0])
    unrelated = np.sin(start / 250.0 + 1.0)
    se = {}
    for name, seen in (("none", None), ("follows", slow), ("unrelated", unrelated)):
        told = replace(day, leg_wind_change_m_s=seen, leg_wind_change_sd=WIND_CHANGE_SD)
        fit = fit_days([told], IDS)
        se[name] = fit.replication(contrast)[0]
        assert abs(float(contrast @ fit.beta) + 0.01) < 4.0 * max(se[name], 0.001)
    assert se["follows"] < 0.8 * se["none"]
    assert se["unrelated"] > 1.2 * se["follows"]


def test_wind_read_in_vain_is_said(legs: LegSet) -> None:
    session = replace(small_ride().session, air_readings=readings((0, 3, 40), (1000, 3, 40)))
    assert weather_findings(session, legs) == ()
    (finding,) = weather_findings(session, replace(legs, bearing_deg=None))
    assert (finding.severity, finding.code) == ("note", "wind-readings-not-used")
    (finding,) = weather_findings(session, replace(legs, kind="loop"))
    assert "loop" in finding.message
    speed_alone = (*session.air_readings, AirReading(time_s=2000.0, wind_speed_m_s=2.0))
    (finding,) = weather_findings(replace(session, air_readings=speed_alone), legs)
    assert "1 of 3 readings" in finding.message
    yaw = [replace(leg, yaw_deg=np.full(len(leg.time_s), 3.0)) for leg in legs.legs]
    (finding,) = weather_findings(small_ride().session, replace(legs, legs=tuple(yaw)))
    assert finding.code == "yaw-not-used"


# --- crosswind from a yaw channel


def test_crosswind_from_yaw_is_the_wind_that_blew_across() -> None:
    side = replace(
        SMALL, wind_m_s=2.5, heading_deg=0.0, wind_from_deg=80.0, airspeed_noise_m_s=0.3,
        yaw_channel=True,
    )  # fmt: skip
    ride = simulate_session(side, 31)
    cut = cut_legs(ride.session)
    # The channel's own scale error is 5 %: of the square 10 %.
    answer = crosswind_from_yaw(cut.legs, 1.0 + ride.truth["errors"]["airspeed_scale"])
    assert answer is not None
    squared, sd = answer
    truth = {(leg["run"], leg["leg"]): leg for leg in ride.truth["legs"]}
    across = np.array([truth[leg.run, leg.name]["crosswind_m_s"] for leg in cut.legs])
    assert np.all(across**2 > 3.0)
    # gusts of 0.3 m/s inside the legs: 0.1 m2/s2 on top of the square of the mean
    np.testing.assert_allclose(squared, across**2 + 0.09, atol=0.6)
    assert abs(np.mean(squared - across**2)) < 0.35
    assert 0.3 < sd < 3.0  # 2 c V tan 1.5 degrees = 2 x 2.5 x 10 x 0.026
    day = day_inputs(ride.session, cut, NAMES)
    assert day.leg_crosswind_squared is not None
    assert day.crosswind_squared == pytest.approx(np.mean(day.leg_crosswind_squared))
    estimate = estimate_cda(ride.session)
    without = tuple(replace(r, yaw_deg=None) for r in ride.session.recordings)
    blind = estimate_cda(replace(ride.session, recordings=without))
    true = np.array([ride.truth["cda_m2"][p.id] for p in estimate.positions])
    error = [np.array([p.cda_m2 for p in e.positions]) - true for e in (estimate, blind)]
    # Nobody told of 2.5 m/s across: 0.27 x 3 / 110 = 0.007 m2 of drag that is not the rider's.
    assert np.all(error[1] - error[0] > 0.003)
    for e, p in zip(error[0], estimate.positions, strict=True):
        assert abs(e) < 3.0 * p.se_m2


def test_noise_of_yaw_is_not_taken_for_wind_and_gaps_are_left_out() -> None:
    rng = np.random.default_rng(4)
    n = 400
    time = np.arange(float(n))
    leg = Leg(
        session="s1", run=1, position="a", direction=1, time_s=time, along_m=10.0 * time,
        speed_m_s=np.full(n, 10.0), power_w=np.full(n, 200.0),
        airspeed_m_s=np.full(n, 10.0), yaw_deg=2.0 * rng.standard_normal(n),
    )  # fmt: skip
    answer = crosswind_from_yaw([leg], 1.0)
    assert answer is not None
    assert abs(answer[0][0]) < 0.065  # 2 degrees of noise alone would be 0.12
    gap = np.where(np.arange(n) < 200, np.nan, leg.yaw_deg)
    assert crosswind_from_yaw([replace(leg, yaw_deg=gap)], 1.0) is None
    assert crosswind_from_yaw([replace(leg, yaw_deg=None)], 1.0) is None
