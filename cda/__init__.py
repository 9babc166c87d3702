"""Drag area of riding positions from field runs, and the minutes it is worth at the race.

Public names are loaded when they are first used: `import cda` alone costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # what type checkers and editors see
    from cda.air import air_density as air_density
    from cda.analysis import estimate_cda as estimate_cda
    from cda.errors import CdaError as CdaError
    from cda.forces import power_at_speed as power_at_speed
    from cda.forces import speed_at_power as speed_at_power
    from cda.priority import time_savings as time_savings
    from cda.race import Race as Race
    from cda.race import load_race as load_race
    from cda.results import Difference as Difference
    from cda.results import Estimate as Estimate
    from cda.results import Finding as Finding
    from cda.results import Joint as Joint
    from cda.results import PositionEstimate as PositionEstimate
    from cda.results import PositionSavings as PositionSavings
    from cda.results import RunEstimate as RunEstimate
    from cda.results import Savings as Savings
    from cda.session import Session as Session
    from cda.session import load_session as load_session

__version__ = "0.1.0"

_HOME = {
    "CdaError": "cda.errors",
    "Difference": "cda.results",
    "Estimate": "cda.results",
    "Finding": "cda.results",
    "Joint": "cda.results",
    "PositionEstimate": "cda.results",
    "PositionSavings": "cda.results",
    "Race": "cda.race",
    "RunEstimate": "cda.results",
    "Savings": "cda.results",
    "Session": "cda.session",
    "air_density": "cda.air",
    "estimate_cda": "cda.analysis",
    "load_race": "cda.race",
    "load_session": "cda.session",
    "power_at_speed": "cda.forces",
    "speed_at_power": "cda.forces",
    "time_savings": "cda.priority",
}

__all__ = [
    "CdaError",
    "Difference",
    "Estimate",
    "Finding",
    "Joint",
    "PositionEstimate",
    "PositionSavings",
    "Race",
    "RunEstimate",
    "Savings",
    "Session",
    "air_density",
    "estimate_cda",
    "load_race",
    "load_session",
    "power_at_speed",
    "speed_at_power",
    "time_savings",
]


def __getattr__(name: str) -> object:
    """Load a public name from its room on first use."""
    if name not in _HOME:
        raise AttributeError(f"module 'cda' has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    """List the public names though they are not loaded yet."""
    return sorted({*globals(), *_HOME})
