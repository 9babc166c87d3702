"""Rides on a straight road in closed form, so that what a leg must hold can be written down.

A ride is pieces of constant acceleration. Speed is linear and distance quadratic in each; power
follows from the work asked for, as the mean over each sample's interval.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from cda.recording import Recording, build_recording
from cda.recording.build import RawLap
from cda.session import Session, build_session

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

Floats = NDArray[np.float64]
G = 9.80665
METRES_PER_DEGREE = 111_035.0  # of latitude near 40 degrees; only ratios matter here
START = 1_778_310_000.0  # some morning, Unix time


@dataclass(frozen=True, kw_only=True, eq=False)
class Ride:
    """Knots of a piecewise linear speed; `sign` +1 to B, -1 back, of the piece that follows."""

    t: Floats
    v: Floats
    sign: Floats
    runs: tuple[tuple[float, float, float], ...]  # start, turn, end of each run [s]

    @property
    def end_s(self) -> float:
        return float(self.t[-1])

    def speed(self, at: Floats | float) -> Floats:
        return np.interp(at, self.t, self.v)

    def _integral(self, at: Floats | float, sign: Floats) -> Floats:
        step = np.diff(self.t)
        done = np.concatenate([[0.0], np.cumsum(sign * step * 0.5 * (self.v[1:] + self.v[:-1]))])
        k = np.clip(np.searchsorted(self.t, at, "right") - 1, 0, len(step) - 1)
        tau = np.asarray(at) - self.t[k]
        slope = (self.v[k + 1] - self.v[k]) / step[k]
        return done[k] + sign[k] * (self.v[k] * tau + 0.5 * slope * tau**2)

    def path(self, at: Floats | float) -> Floats:
        return self._integral(at, np.ones(len(self.sign)))

    def along(self, at: Floats | float) -> Floats:
        return self._integral(at, self.sign)

    def samples(self, interval_s: float) -> Floats:
        return np.arange(0.0, self.end_s + 1e-9, interval_s)


def out_and_back(
    cruises: Sequence[tuple[float, float]], *, seconds: float = 80.0, brake: float = 1.5
) -> Ride:
    """Return runs out and back; `cruises` gives speed at the start of cruising and acceleration.

    Every leg starts at 1 m/s^2 from 2 m/s, cruises `seconds`, brakes to 2 m/s and turns in 6 s.
    """
    t, v, sign, runs = [0.0], [2.0], [], []

    def piece(duration: float, speed: float, way: float) -> None:
        t.append(t[-1] + duration)
        v.append(speed)
        sign.append(way)

    for speed, acceleration in cruises:
        begin = t[-1]
        for way in (1.0, -1.0):
            top = speed + acceleration * seconds
            piece(speed - 2.0, speed, way)
            piece(seconds, top, way)
            piece((top - 2.0) / brake, 2.0, way)
            piece(3.0, 2.0, way)
            if way > 0:
                turn = t[-1]
            piece(3.0, 2.0, -way)
        runs.append((begin, turn, t[-1] - 3.0))
    return Ride(t=np.array(t), v=np.array(v), sign=np.array(sign), runs=tuple(runs))


def record(
    ride: Ride,
    work_j: Callable[[Floats], Floats],
    *,
    interval_s: float = 1.0,
    gps: bool = False,
    height_m: Callable[[Floats], Floats] | None = None,
    laps: str = "run",
) -> Recording:
    """Record a ride without any error; `work_j` is the work done up to a time."""
    t = ride.samples(interval_s)
    work = work_j(t)
    columns = {
        "power_w": np.concatenate([[0.0], np.diff(work) / interval_s]),
        "speed_m_s": ride.speed(t),
        "distance_m": ride.path(t),
    }
    if gps:
        columns["latitude_deg"] = 40.0 + ride.along(t) / METRES_PER_DEGREE
        columns["longitude_deg"] = np.full(len(t), -31.0)
    if height_m is not None:
        columns["altitude_m"] = height_m(ride.along(t))
    raw = []
    for begin, turn, end in ride.runs:
        pairs = [(begin, end)] if laps == "run" else [(begin, turn), (turn, end)]
        raw += [RawLap(start_s=START + a, end_s=START + b) for a, b in pairs]
    return build_recording(
        name="ride.csv", sha256="0" * 64, format="csv", clock_s=START + t, columns=columns,
        laps=raw, utc_offset_s=0.0,
    )  # fmt: skip


def session_of(
    recording: Recording,
    positions: Sequence[str],
    laps: Sequence[str],
    settings: dict[str, dict[str, object]] | None = None,
) -> Session:
    """Return a session with one run for each entry; bearings and wheels have no drag."""
    tables: dict[str, object] = {
        "date": "2026-05-09",
        "rider": {"mass_kg": 74.0},
        "bike": {
            "mass_kg": 10.0, "rolling_resistance": 0.004, "drivetrain_efficiency": 1.0,
            "wheel_inertia_kg_m2": 0.0, "wheel_drag_area_m2": 0.0, "bearing_drag_n": 0.0,
            "bearing_drag_n_s_m": 0.0,
        },
        "air": {"density_kg_m3": 1.2, "density_sd_kg_m3": 0.005},
        "positions": [{"id": name} for name in dict.fromkeys(positions)],
    }  # fmt: skip
    for name, own in (settings or {}).items():
        table = tables.get(name, {})
        assert isinstance(table, dict)
        tables[name] = {**table, **own}
    rows = [
        {"run": k + 1, "position": p, "laps": lap}
        for k, (p, lap) in enumerate(zip(positions, laps, strict=True))
    ]
    return build_session(tables, [recording], rows)
