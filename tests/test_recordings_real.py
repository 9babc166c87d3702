"""Two real rides, read with exactly the figures their README states, from FIT and as CSV."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from cda.readers import looks_like_recording_csv, read_recording

FOLDER = Path(os.environ.get("CDA_RECORDINGS", Path(__file__).parents[2] / "shared" / "recordings"))
pytestmark = [
    pytest.mark.recordings,
    pytest.mark.skipif(not FOLDER.is_dir(), reason=f"no folder {FOLDER.name} (CDA_RECORDINGS)"),
]


def as_csv(recording, path):
    names = ["power_w", "speed_m_s", "distance_m", "altitude_m", "heart_rate_bpm", "cadence_rpm"]
    frame = pd.DataFrame({n: getattr(recording, n) for n in names})
    start = pd.Timestamp(recording.start_utc)
    stamps = start + pd.to_timedelta(recording.time_s, unit="s")
    frame.insert(0, "time", stamps.strftime("%Y-%m-%dT%H:%M:%SZ"))
    numbers = np.zeros(len(frame))
    for lap in recording.laps:
        numbers[(recording.time_s > lap.start_s) | (lap.start_s <= 0)] = lap.number
    frame["lap"] = numbers.astype(int)
    frame.to_csv(path, index=False)
    return read_recording(path)


@pytest.mark.parametrize("through", ["fit", "csv"])
def test_hilly_loop_has_the_figures_of_its_readme(tmp_path, through):
    ride = read_recording(FOLDER / "ride_hilly_loop.fit")
    if through == "csv":
        ride = as_csv(ride, tmp_path / "ride.csv")
        assert looks_like_recording_csv(tmp_path / "ride.csv")
    assert len(ride.time_s) == 4700
    assert np.all(np.diff(ride.time_s) == 1.0)
    assert np.sum(ride.power_w) == 1_294_783
    assert round(float(np.mean(ride.power_w)), 2) == 275.49
    assert round(float(ride.distance_m[-1]), 1) == 41_337.5
    # The README's figure is the sum of speed times the step that follows (the trapezoid gives 0.9 m
    # more, for the ride ends rolling).
    assert round(float(np.sum(ride.speed_m_s[:-1] * np.diff(ride.time_s))), 1) == 41_335.5
    assert (ride.altitude_m.min(), ride.altitude_m.max()) == pytest.approx((72.0, 190.8))
    assert np.allclose(ride.altitude_m * 5, np.rint(ride.altitude_m * 5), atol=1e-6)
    assert [lap.number for lap in ride.laps] == list(range(1, 9))


@pytest.mark.parametrize("through", ["fit", "csv"])
def test_two_way_path_has_the_figures_of_its_readme(tmp_path, through):
    ride = read_recording(FOLDER / "ride_two_way_path.fit")
    if through == "csv":
        ride = as_csv(ride, tmp_path / "ride.csv")
    assert len(ride.time_s) == 8823
    assert np.max(np.diff(ride.time_s)) == 129.0
    assert np.sum(~np.isnan(ride.power_w)) == 8789
    assert round(float(np.nanmean(ride.power_w)), 1) == 194.4
    assert (ride.altitude_m.min(), ride.altitude_m.max()) == pytest.approx((71.2, 161.4))
    assert round(float(ride.distance_m[-1]), 1) == 66_802.3
    assert len(ride.laps) == 2
    if through == "fit":
        assert ride.utc_offset_s == -5 * 3600.0
