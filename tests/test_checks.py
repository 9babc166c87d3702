"""Each finding from rides that have exactly that fault, and none from clean ones."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace as Bag
from typing import Any

import numpy as np
import pytest

from cda.checks import check_estimate, check_legs, check_recording, rank_findings
from cda.recording import Lap, Recording
from cda.results import Finding
from tests.check_days import day, recorded


def codes(found: tuple[Finding, ...]) -> set[str]:
    return {f.code for f in found}


def test_clean_days_raise_nothing() -> None:
    raised = [f for seed in range(12) for f in check_legs(*day(seed))]
    # The mark is 5 % of days with any warning; 12 clean days allow one.
    assert len(raised) <= 1, [str(f) for f in raised]


@pytest.mark.parametrize(
    ("code", "where", "faults"),
    [
        ("coasting", "run 3 out", {"run3out": {"coast": True}}),
        ("braking", "run 2 back", {"run2back": {"brake": True}}),
        ("leg-out-of-line", "run 4 out", {"run4out": {"cda": 0.42}}),
        ("leg-short", "run 5 out", {"run5out": {"length": 350.0}}),
        ("legs-differ-in-length", "run 5 back", {"run5back": {"wheel": 1.02}}),
        ("unequal-power", "a, b", {"position_b": {"power": 236.0}}),
        ("leg-slow", "runs 1, 2, 3", {"all": {"power": 75.0, "speed": 6.0}}),
    ],
)
def test_one_fault_is_found_where_it_is(code: str, where: str, faults: dict[str, Any]) -> None:
    for seed in range(2):
        found = [f for f in check_legs(*day(seed, **faults)) if f.code == code]
        assert len(found) == 1, seed
        assert where in found[0].where
        assert found[0].fix


@pytest.mark.parametrize(
    ("order", "expected"), [("aaabbb", True), ("abbaab", False), ("abab", False)]
)
def test_blocks_are_confounded_with_time(order: str, expected: bool) -> None:
    assert ("order-confounded" in codes(check_legs(*day(1, order)))) is expected


def test_replication() -> None:
    assert "single-run" in codes(check_legs(*day(1, "aba")))
    session, legs = day(1)
    stop = [f for f in check_legs(session, [g for g in legs if g.direction > 0])]
    assert [f.code for f in stop if f.severity == "stop"] == ["one-direction"]
    one_way = [g for g in legs if g.run != 3 or g.direction > 0]
    assert "one-direction-run" in codes(check_legs(session, one_way))


@pytest.mark.parametrize(
    ("pressure", "altitude", "expected"),
    [(1013.25, 100.0, True), (1013.0, 430.0, True), (962.0, 430.0, False), (1013.0, 60.0, False)],
)
def test_sea_level_pressure(pressure: float, altitude: float, expected: bool) -> None:
    session, legs = day(1)
    session.settings.air.pressure_hpa = pressure
    session.recordings = [recorded(altitude_m=np.array([altitude, np.nan]))]
    assert ("pressure-looks-sea-level" in codes(check_legs(session, legs))) is expected


def test_air_wind_presses_and_airspeed() -> None:
    session, legs = day(1)
    session.settings.wind = Bag(speed_m_s=4.5, from_deg=None)
    session.air_readings = [
        Bag(pressure_hpa=1000.0, temperature_c=t, wind_speed_m_s=None) for t in (8.0, 14.0)
    ]
    session.runs[2].spans = ((1000.0, 1490.0),)
    legs = [replace(g, airspeed_m_s=1.3 * g.speed_m_s) for g in legs]
    found = codes(check_legs(session, legs))
    assert found >= {"wind-strong", "density-drifting", "lap-press-far", "airspeed-disagrees"}


def recording(time_s: np.ndarray, **fields: Any) -> Recording:
    n = len(time_s)
    given: dict[str, Any] = {"altitude_m": np.full(n, 100.0)} | fields
    return Recording(
        name="ride.fit", sha256="0" * 64, format="fit", time_s=time_s, power_w=np.full(n, 200.0),
        speed_m_s=np.full(n, 10.0), distance_m=10 * time_s, **given,
    )  # fmt: skip


def test_recording_findings() -> None:
    clean = np.arange(600.0)
    assert check_recording(recording(clean)) == ()
    assert codes(check_recording(recording(clean[::5]))) == {"not-every-second"}
    smart = np.delete(clean, np.random.default_rng(1).integers(0, 600, 120))
    assert codes(check_recording(recording(smart))) == {"not-every-second"}
    assert codes(check_recording(recording(clean / 4))) == set()
    assert codes(check_recording(recording(clean, speed_source="position"))) == {"speed-from-gps"}
    laps = (Lap(number=1, start_s=0, end_s=300, trigger="distance"),)
    assert codes(check_recording(recording(clean, laps=laps))) == {"automatic-laps"}
    assert codes(check_recording(recording(clean, altitude_m=None))) == {"no-altitude"}


def test_estimate_findings() -> None:
    good: Any = [Bag(id="tall", cda_m2=0.28), Bag(id="low", cda_m2=0.26)]
    calm: Any = Bag(leg_sd_m2=0.008)
    assert check_estimate(positions=good, variance=calm) == ()
    odd: Any = [Bag(id="tall", cda_m2=0.61)]
    wild: Any = Bag(leg_sd_m2=0.04)
    wind: Any = [Bag(headwind_m_s=w) for w in (3.0, -3.1, 2.9)]
    crr: Any = [Bag(key="s1", rolling_resistance=Bag(se=0.00029, prior_se=0.0003))]
    found = codes(check_estimate(positions=odd, variance=wild, wind=wind, sessions=crr))
    assert found == {
        "cda-implausible", "gusty-wind", "wind-strong", "rolling-resistance-from-prior",
    }  # fmt: skip


def test_ranking_shows_the_costly_first_and_never_more_than_three() -> None:
    names = ["few-runs", "gusty-wind", "power-frozen", "braking", "coasting"]
    warnings = [Finding(severity="warning", code=c, message="m") for c in names]
    note = Finding(severity="note", code="one-direction", message="m")
    first, rest = rank_findings([note, *warnings])
    assert [f.code for f in first] == ["power-frozen", "braking", "gusty-wind"]
    assert len(rest) == 3
    stops = [Finding(severity="stop", code=str(i), message="m") for i in range(5)]
    assert len(rank_findings([*warnings, *stops])[0]) == 5
    assert rank_findings([note]) == ((), (note,))
