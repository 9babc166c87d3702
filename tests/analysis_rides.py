"""Small invented tests, shared by the tests of the analysis: ridden once, estimated once."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import TYPE_CHECKING

from cda.analysis import estimate_cda
from cda.session import build_session
from cda.simulate import PRESETS, SimulatedSession, simulate_session

if TYPE_CHECKING:
    from cda.results import Estimate
    from cda.session import Session

SMALL = replace(PRESETS["light"], n_positions=2, runs_per_position=3, leg_length_m=600.0)


@cache
def small_ride() -> SimulatedSession:
    """Return two positions, three runs each, on 600 m."""
    return simulate_session(SMALL, 21)


@cache
def small_estimate() -> Estimate:
    return estimate_cda(small_ride().session, monte_carlo=200)


@cache
def other_day() -> SimulatedSession:
    """Return the same rider on another day, with a third position."""
    scenario = replace(
        SMALL, n_positions=3, cda_m2=(*small_ride().truth["cda_m2"].values(), 0.25),
        runs_per_position=2, date="2026-05-16",
    )  # fmt: skip
    return simulate_session(scenario, 22)


def with_settings(ride: SimulatedSession, **tables: dict[str, object] | None) -> Session:
    """Return the ride's session with keys of some tables of session.toml set; None removes."""
    settings = dict(ride.settings)
    for name, own in tables.items():
        table = {**settings.get(name, {}), **(own or {})}
        settings[name] = {k: v for k, v in table.items() if v is not None}
    return build_session(
        settings, ride.session.recordings, ride.run_rows, folder_name=ride.session.folder_name
    )
