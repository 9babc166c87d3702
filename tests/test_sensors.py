"""Sensor comparisons against faults put into invented rides: value and uncertainty both."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from cda.checks import check_recording
from cda.recording import Recording
from cda.sensors import (
    altimeter_trend,
    compare_sensors,
    distance_by_satellite,
    distance_over_speed,
    gps_over_wheel,
    power_lag,
    power_zero,
    sample_step,
)
from cda.simulate import PRESETS, simulate_session


def invented(seed: int, delay_s: float = 0.0) -> tuple[Recording, dict[str, float]]:
    made = simulate_session(replace(PRESETS["light"], power_delay_s=delay_s), seed)
    return made.session.recordings[0], made.truth["errors"]


@pytest.fixture(scope="module")
def rides() -> list[tuple[Recording, dict[str, float]]]:
    return [invented(seed, delay) for seed, delay in enumerate((0.0, 1.2, 0.8))]


def test_wheel_scale_is_found_from_positions(
    rides: list[tuple[Recording, dict[str, float]]],
) -> None:
    for recording, errors in rides:
        found = gps_over_wheel(recording)
        assert found is not None
        assert found.se is not None
        assert 1e-4 < found.se < 1e-3
        assert abs(found.value - 1.0 - errors["speed_scale"]) < 3 * found.se
        # A wheel that shows 1 % less has a ratio 1 % larger.
        short = gps_over_wheel(replace(recording, distance_m=recording.distance_m / 1.01))
        assert short is not None
        assert short.value / found.value == pytest.approx(1.01, abs=1.5e-3)  # other pieces are cut


def test_lag_of_power_is_found_to_a_fraction(
    rides: list[tuple[Recording, dict[str, float]]],
) -> None:
    for recording, errors in rides:
        found = power_lag(recording)
        assert found is not None
        assert found.se is not None
        assert found.se < 0.25
        assert abs(found.value - errors["power_delay_s"]) < 2.5 * found.se


def test_altimeter_trend_over_passes(rides: list[tuple[Recording, dict[str, float]]]) -> None:
    from cda.passes import find_stretches

    recording, errors = rides[0]
    spans = [(p.start_s, p.end_s) for p in find_stretches(recording)[0].passes]
    found = altimeter_trend(recording, spans)
    assert found is not None
    assert found.se is not None
    assert found.se < 0.5
    assert abs(found.value - errors["altitude_trend_m_per_h"]) < 3 * found.se
    assert altimeter_trend(recording, spans[:3]) is None


def test_distance_against_speed_and_sample_step(
    rides: list[tuple[Recording, dict[str, float]]],
) -> None:
    recording, _ = rides[0]
    found = distance_over_speed(replace(recording, distance_m=1.004 * recording.distance_m))
    assert found is not None
    assert found.value == pytest.approx(1.004, abs=5e-4)
    assert distance_over_speed(replace(recording, distance_source="speed")) is None
    assert sample_step(recording).value == 1.0


def coasting(zero_w: float) -> Recording:
    """Pedal and coast in turns of 20 s; the meter shows `zero_w` while the cranks stand still."""
    time = np.arange(600.0)
    still = time % 40 >= 20
    n = len(time)
    return Recording(
        name="r.csv", sha256="0" * 64, format="csv", time_s=time,
        power_w=np.where(still, zero_w, 200.0), speed_m_s=np.full(n, 9.0), distance_m=9.0 * time,
        cadence_rpm=np.where(still, 0.0, 85.0),
    )  # fmt: skip


def test_power_zero_while_coasting() -> None:
    found = power_zero(coasting(-3.0))
    assert found is not None
    assert found.value == pytest.approx(-3.0)
    assert found.pieces == 15
    assert power_zero(replace(coasting(0.0), cadence_rpm=None)) is None


def test_channels_that_are_missing_are_left_out() -> None:
    bare = replace(coasting(0.0), cadence_rpm=None, speed_source="distance")
    assert [c.quantity for c in compare_sensors(bare)] == ["sample_step_s"]


@pytest.mark.parametrize(("jitter_m", "expected"), [(0.005, True), (0.2, False)])
def test_distance_that_repeats_the_positions_is_no_wheel_s(jitter_m: float, expected: bool) -> None:
    rng = np.random.default_rng(2)
    steps = 9.0 + rng.normal(0.0, 0.3, 600)
    north = np.cumsum(steps)
    time = np.arange(600.0)
    recording = Recording(
        name="ride.fit", sha256="0" * 64, format="fit", time_s=time, power_w=200.0 + time % 3,
        speed_m_s=np.full(600, 9.0), distance_m=north + jitter_m * rng.normal(size=600),
        latitude_deg=47.0 + north / 111_175.0, longitude_deg=np.full(600, 8.0),
    )  # fmt: skip
    assert distance_by_satellite(recording) is expected
    found = {f.code for f in check_recording(recording) if f.severity == "warning"}
    assert found == ({"speed-from-gps"} if expected else set())
    if expected:
        assert gps_over_wheel(recording) is None
