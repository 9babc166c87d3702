"""Stretches ridden both ways: in invented rides without laps and in the real ones."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from cda.passes import find_stretches
from cda.recording import Recording

RECORDINGS = Path(os.environ.get("CDA_RECORDINGS", "../shared/recordings"))


def ride(
    ways: list[float], *, slow_at: tuple[int, ...] = (), noise_m: float = 1.5, seed: int = 1
) -> Recording:
    """Ride straight lines of the given lengths, turning round after each; 10 m/s, turns slow."""
    rng = np.random.default_rng(seed)
    x, speed, heading = [0.0], [2.0], 1.0
    for number, length in enumerate(ways):
        ridden, v = 0.0, 2.0
        while ridden < length:
            left = length - ridden
            v = min(v + 0.7, 10.0, max(2.0, np.sqrt(4.0 + 2 * 1.5 * left)))
            if number in slow_at and abs(ridden - length / 2) < 12:
                v = 3.0
            ridden += v
            x.append(x[-1] + heading * v)
            speed.append(v)
        heading = -heading
    n = len(x)
    wander = np.zeros((2, n))
    for k in range(1, n):
        wander[:, k] = 0.98 * wander[:, k - 1] + noise_m * np.sqrt(1 - 0.98**2) * rng.normal(size=2)
    v = np.array(speed)
    return Recording(
        name="r.csv", sha256="0" * 64, format="csv", time_s=np.arange(float(n)),
        power_w=np.full(n, 200.0), speed_m_s=v, distance_m=np.cumsum(v),
        altitude_m=80 + 2 * np.sin(np.array(x) / 300),
        latitude_deg=np.asarray(40 + (np.array(x) + wander[0]) / 111_035.0),
        longitude_deg=np.asarray(5 + wander[1] / 85_394.0),
    )  # fmt: skip


@pytest.mark.parametrize("positions", [True, False])
def test_many_passes_without_laps_make_one_stretch(positions: bool) -> None:
    recording = ride([1500.0] * 12)
    if not positions:
        recording = replace(recording, latitude_deg=None, longitude_deg=None)
    found = find_stretches(recording)
    assert len(found) == 1
    best = found[0]
    assert (best.out, best.back) == (6, 6)
    assert [p.direction for p in best.passes] == [1, -1] * 6
    # 1500 m less 120 m of room at each end, and the turns themselves.
    assert 1150 < best.length_m < 1300
    assert all(p.slowest_m_s > 6.0 for p in best.passes)
    assert all(p.start_s > q.end_s for q, p in zip(best.passes, best.passes[1:], strict=False))
    assert best.fitness > 0.7
    assert best.found_by == ("positions" if positions else "distance")


def test_a_way_ridden_once_is_no_stretch() -> None:
    assert find_stretches(ride([3000.0])) == ()
    assert find_stretches(ride([60.0])) == ()


def test_a_stop_on_the_way_spoils_its_place() -> None:
    clean, stopped = ride([1500.0] * 4), ride([1500.0] * 4, slow_at=(0, 1, 2, 3))
    best = find_stretches(stopped)[0]
    assert best.length_m < 800.0
    assert best.fitness < find_stretches(clean)[0].fitness


def test_nothing_shows_a_coordinate() -> None:
    text = repr(find_stretches(ride([1500.0] * 4)))
    assert "lat" not in text
    assert "lon" not in text


@pytest.mark.recordings
def test_the_two_way_path_is_found_and_the_loop_is_not() -> None:
    from cda.readers import read_recording

    path = RECORDINGS / "ride_two_way_path.fit"
    if not path.exists():
        pytest.skip(f"no real recordings at {RECORDINGS}")
    found = find_stretches(read_recording(path))
    # Its README: "a flat waterside path ridden out and later back".
    assert len(found) >= 3
    assert all(s.out >= 1 and s.back >= 1 for s in found)
    best = found[0]
    assert best.length_m > 700.0
    assert best.relief_m is not None
    assert best.relief_m < 5.0
    assert find_stretches(read_recording(RECORDINGS / "ride_hilly_loop.fit")) == ()
