"""One invented ride in all four formats: the same numbers, whichever carried them."""

from __future__ import annotations

import gzip
import importlib.util
from pathlib import Path

import numpy as np
import pytest

from cda.readers import read_recording
from cda.simulate import Scenario, simulate_session
from cda.simulate.write import DECIMALS, recording_bytes

_SPEC = importlib.util.spec_from_file_location(
    "ride_files", Path(__file__).with_name("ride_files.py")
)
assert _SPEC is not None
assert _SPEC.loader is not None
rf = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(rf)

TRIGGERS = {"manual": "Manual", "distance": "Distance", "session_end": "Manual"}


@pytest.fixture(scope="module")
def simulated():
    scenario = Scenario(
        n_positions=2,
        leg_length_m=400.0,  # a short ride: the FIT writer is slow
        runs_per_position=1,
        airspeed_noise_m_s=0.3,
        yaw_channel=True,
        power_missing_share=0.01,
    )
    return simulate_session(scenario, seed=3)


@pytest.fixture(scope="module")
def rides(simulated, tmp_path_factory):
    folder = tmp_path_factory.mktemp("formats")
    clock, columns = simulated.clock_s, simulated.columns
    laps = [(p.start_s, p.end_s, TRIGGERS[p.trigger or "manual"]) for p in simulated.raw_laps]
    files = {
        "fit": recording_bytes(simulated, "fit"),
        "csv": recording_bytes(simulated, "csv"),
        "tcx": rf.tcx(clock, columns, laps).encode(),
        "gpx": gzip.compress(rf.gpx(clock, columns).encode()),
    }
    out = {}
    for suffix, data in files.items():
        path = folder / f"ride.{suffix}{'.gz' if suffix == 'gpx' else ''}"
        path.write_bytes(data)
        out[suffix] = read_recording(path)
        assert out[suffix].format == suffix
    return out


@pytest.mark.parametrize("suffix", ["fit", "csv", "tcx", "gpx"])
def test_samples_are_those_that_were_written(simulated, rides, suffix):
    ride = rides[suffix]
    assert ride.start_utc.timestamp() == simulated.clock_s[0]
    assert np.array_equal(ride.time_s, simulated.clock_s - simulated.clock_s[0])
    assert {"power_w", "speed_m_s", "altitude_m", "latitude_deg", "airspeed_m_s"} <= set(
        simulated.columns
    )
    assert np.isnan(simulated.columns["power_w"]).any()
    for key, values in simulated.columns.items():
        # Half a unit of the last decimal written; 180/2^31 is FIT's step of an angle, and it is
        # cut, not rounded. A FIT float of 32 bits holds airspeed to a millionth.
        step = 180 / 2**31 if key in ("latitude_deg", "longitude_deg") else 10.0 ** -DECIMALS[key]
        read = getattr(ride, key)
        assert np.array_equal(np.isnan(read), np.isnan(values)), key
        assert np.nanmax(np.abs(read - values)) <= 1.001 * step, key


@pytest.mark.parametrize("suffix", ["csv", "tcx", "gpx"])
def test_formats_agree_with_fit(rides, suffix):
    fit, other = rides["fit"], rides[suffix]
    for key in ("power_w", "speed_m_s", "distance_m", "altitude_m", "cadence_rpm"):
        a, b = getattr(fit, key), getattr(other, key)
        assert (a is None) == (b is None), key
        if a is not None:
            assert np.allclose(a, b, rtol=0, atol=1.001 * 10.0 ** -DECIMALS[key], equal_nan=True)
    if suffix == "gpx":  # the format has no laps
        assert other.laps == ()
        return
    assert [p.number for p in other.laps] == [p.number for p in fit.laps]
    assert len(fit.laps) > 2
    for p, q in zip(fit.laps, other.laps, strict=True):
        assert abs(p.start_s - q.start_s) <= 1.0  # stamps are whole seconds
        assert abs(p.end_s - q.end_s) <= 1.0
