"""A clock set forward by satellites, and two devices in one file."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from cda.recording import RawLap, Recording, build_recording

START = 1.79e9
N = 600


def ride(**change: Any) -> dict[str, Any]:
    i = np.arange(N)
    columns = {
        "power_w": 200.0 + i % 7,
        "speed_m_s": np.full(N, 10.0),
        "distance_m": 10.0 * i,
        "latitude_deg": 40.0 + i * 9e-5,  # 10 m a second northwards
        "longitude_deg": np.full(N, -31.0),
    }
    given: dict[str, Any] = {"clock_s": START + i, "columns": columns, "laps": ()}
    given["columns"] = columns | change.pop("columns", {})
    return given | change


def built(given: dict[str, Any]) -> Recording:
    return build_recording(name="ride.csv", sha256="0" * 64, format="csv", **given)


def codes(recording: Recording) -> list[str]:
    return [f.code for f in recording.findings]


@pytest.mark.parametrize("jump_s", [37.0, 3600.0, 8.0e8])
def test_a_clock_that_satellites_set_forward_is_brought_into_step(jump_s: float) -> None:
    clock = START + np.arange(N)
    clock[:200] -= jump_s
    laps = [
        RawLap(start_s=clock[50], end_s=clock[150]),
        RawLap(start_s=clock[150], end_s=clock[300]),
    ]
    recording = built(ride(clock_s=clock, laps=laps))
    assert np.array_equal(recording.time_s, np.arange(N))
    assert recording.start_utc is not None
    assert recording.start_utc.timestamp() == START
    assert [(lap.start_s, lap.end_s) for lap in recording.laps] == [(50.0, 150.0), (150.0, 300.0)]
    finding = next(f for f in recording.findings if f.code == "clock-jumped")
    assert f"1 time, by up to {jump_s:.0f} s" in finding.message
    assert finding.severity == "warning"
    assert "recording-gaps" not in codes(recording)


def test_a_pause_is_no_jump() -> None:
    clock = START + np.arange(N)
    clock[:200] -= 90.0
    standing = np.full(N, 10.0)
    standing[195:205] = 0.5
    assert "clock-jumped" not in codes(built(ride(clock_s=clock, columns={"speed_m_s": standing})))
    # Ridden on while paused: the place is 900 m further.
    moved = 40.0 + np.arange(N) * 9e-5
    moved[200:] += 90 * 9e-5
    recording = built(ride(clock_s=clock, columns={"latitude_deg": moved}))
    assert codes(recording) == ["recording-gaps"]
    # Without a place a minute and a half cannot be told from a pause; a whole hour can.
    nowhere = {"latitude_deg": np.full(N, np.nan), "longitude_deg": np.full(N, np.nan)}
    assert codes(built(ride(clock_s=clock, columns=nowhere))) == ["recording-gaps"]
    clock[:200] += 90.0 - 3600.0
    assert codes(built(ride(clock_s=clock, columns=nowhere))) == ["clock-jumped"]


def two_devices(*, together: bool) -> dict[str, Any]:
    """Join a device with power and one with a heart rate, 3 % apart in distance."""
    one = ride()
    rows = np.arange(0, N)
    late = 0.0 if together else 0.4
    other = {
        "power_w": np.full(N, np.nan),
        "speed_m_s": np.full(N, 10.3),
        "distance_m": 10.3 * rows + 5000.0,
        "latitude_deg": np.full(N, np.nan),
        "longitude_deg": np.full(N, np.nan),
        "heart_rate_bpm": 140.0 + rows % 3,
    }
    columns = {
        key: np.concatenate([one["columns"].get(key, np.full(N, np.nan)), other[key]])
        for key in other
    }
    clock = np.concatenate([one["clock_s"], one["clock_s"] + late])
    if together:
        order = np.argsort(clock, kind="stable")
        clock, columns = clock[order], {k: v[order] for k, v in columns.items()}
    return {"clock_s": clock, "columns": columns}


@pytest.mark.parametrize("together", [False, True])
def test_of_two_devices_one_is_used_and_the_other_fills_what_it_lacks(*, together: bool) -> None:
    recording = built(two_devices(together=together))
    assert np.array_equal(recording.time_s, np.arange(N))
    assert np.array_equal(recording.distance_m, 10.0 * np.arange(N))
    assert np.array_equal(recording.power_w, 200.0 + np.arange(N) % 7)
    assert recording.heart_rate_bpm is not None
    assert np.nanmean(recording.heart_rate_bpm) == pytest.approx(141.0, abs=0.01)
    finding = next(f for f in recording.findings if f.code == "devices-joined")
    assert "recorded 2 times" in finding.message
    assert "heart_rate_bpm" in finding.message


def test_two_rides_in_the_wrong_order_are_not_two_devices() -> None:
    one = ride()
    clock = np.concatenate([START + 5000.0 + np.arange(N), START + np.arange(N)])
    columns = {k: np.concatenate([v, v]) for k, v in one["columns"].items()}
    recording = built({"clock_s": clock, "columns": columns})
    assert len(recording.time_s) == 2 * N
    assert "devices-joined" not in codes(recording)
    assert "stamps-unordered" in codes(recording)
