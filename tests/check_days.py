"""Invented test days as legs, without a recording: forward integration with gusts and faults."""

from __future__ import annotations

from types import SimpleNamespace as Bag
from typing import Any

import numpy as np

from cda.legs import Leg

MASS_KG, RHO, CRR, ETA = 82.0, 1.22, 0.0042, 0.976


def ride_leg(
    run: int, position: str, direction: int, rng: np.random.Generator, **fault: Any
) -> Leg:
    """Ride 1200 m by forward integration at 10 Hz; recorded every second, with gusts and noise."""
    cda = fault.get("cda", 0.27)
    power0 = fault.get("power", 210.0)
    length = fault.get("length", 1200.0)
    t, s, v, gust = 0.0, 0.0, fault.get("speed", 10.6), 0.0
    times, places, speeds, powers, work, effort = [0.0], [0.0], [v], [0.0], 0.0, 0.0
    while s < length:
        gust += -gust / 15 * 0.1 + rng.normal(0, 0.4 * np.sqrt(2 * 0.1 / 15))
        effort += -effort / 8 * 0.1 + rng.normal(0, 0.05 * np.sqrt(2 * 0.1 / 8))
        power = power0 * (1 + effort)
        brake = 0.0
        if fault.get("coast") and 500 < s < 560:
            power = 0.0
        if fault.get("brake") and 500 < s < 540:
            power, brake = 0.0, 45.0
        place = s if direction > 0 else 1200 - s
        gradient = direction * 0.006 * np.sin(2 * np.pi * place / 600)
        air = v + gust + direction * 0.4
        force = ETA * power / v - CRR * MASS_KG * 9.81 - 0.5 * RHO * cda * air**2
        v += (force - MASS_KG * 9.81 * gradient - brake) / MASS_KG * 0.1
        s, t, work = s + v * 0.1, t + 0.1, work + power * 0.1
        if round(t * 10) % 10 == 0:
            times.append(t)
            places.append(s)
            speeds.append(v)
            powers.append(max(0.0, work * (1 + 0.04 * rng.normal())))
            work = 0.0
    along = np.array(places) if direction > 0 else 1200 - np.array(places)
    speed = np.array(speeds) + 0.02 * rng.normal(size=len(speeds))
    step = {"altitude_m": 80 + 0.2 * np.round(rng.normal(0, 1, len(times)))}
    return Leg(
        session="s1", run=run, position=position, direction=1 if direction > 0 else -1,
        time_s=np.array(times) + fault.get("start", 400.0 * run + 150.0 * (direction < 0)),
        along_m=along, speed_m_s=speed * fault.get("wheel", 1.0), power_w=np.array(powers), **step,
    )  # fmt: skip


def recorded(**channels: Any) -> Any:
    """Return a stand-in for a recording."""
    given = {"latitude_deg": None, "longitude_deg": None, "altitude_m": None}
    return Bag(speed_source="recorded", **(given | channels))


def day(seed: int, order: str = "abbaab", **faults: dict[str, Any]) -> tuple[Any, list[Leg]]:
    """Return a stand-in for a session, and its legs; `faults` maps "run3out" to a fault."""
    rng = np.random.default_rng(seed)
    legs = [
        ride_leg(run, p, way, rng, **faults.get(f"run{run}{'out' if way > 0 else 'back'}", {}),
                 **faults.get(f"position_{p}", {}), **faults.get("all", {}))
        for run, p in enumerate(order, 1) for way in (1, -1)
    ]  # fmt: skip
    air = Bag(pressure_hpa=None, density_kg_m3=None, elevation_m=None)
    settings = Bag(
        air=air, wind=None, airspeed_sensor=Bag(scale=1.0), speed_sensor=Bag(source="wheel"),
        course=Bag(kind="out-and-back", height_difference_m=None), rider=Bag(mass_kg=72.0),
        bike=Bag(rolling_resistance=0.004, mass_kg=10.0),
        positions=[Bag(id=p) for p in sorted(set(order))],
    )  # fmt: skip
    runs = [
        Bag(run=n, position=p, use=True, recording=0, spans=((400.0 * n - 20, 400.0 * n + 290),),
            spans_from="laps")
        for n, p in enumerate(order, 1)
    ]  # fmt: skip
    session = Bag(
        key="s1", settings=settings, runs=runs, air_readings=[], sources={}, reference="a",
        findings=(), recordings=[recorded()],
    )  # fmt: skip
    return session, legs
