"""Which findings are shown first: by what they may cost, the rest folded."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cda.results import Finding

SHOWN_FIRST: Final = 3

# Error of a difference that the fault typically leaves [m²]; minutes at a race are in proportion.
# Worked out as in `thresholds`; a code that is not here counts as small.
AT_STAKE_M2: Final[dict[str, float]] = {
    "one-direction": 0.10,
    "cda-implausible": 0.10,
    "power-frozen": 0.03,
    "pressure-looks-sea-level": 0.02,
    "leg-out-of-line": 0.02,
    "braking": 0.02,
    "vehicle-passing": 0.015,
    "vehicle-oncoming": 0.008,
    "gusty-wind": 0.013,
    "wind-strong": 0.013,
    "coasting": 0.01,
    "sat-up": 0.01,
    "run-spoiled": 0.01,
    "not-every-second": 0.01,
    "speed-from-gps": 0.01,
    "legs-differ-in-length": 0.01,
    "single-run": 0.01,
    "order-confounded": 0.008,
    "leg-slow": 0.008,
    "leg-short": 0.005,
    "airspeed-disagrees": 0.005,
    "run-left-out": 0.004,
    "power-zero-drifting": 0.004,
    "wind-shifting": 0.006,
    "wind-reading-disagrees": 0.003,
    "legs-not-on-one-road": 0.01,
    "gps-poor": 0.001,
    "lap-press-late": 0.002,
    "power-zero-off": 0.001,
    "density-drifting": 0.003,
    "altimeter-not-closing": 0.002,
    "few-runs": 0.002,
    "unequal-power": 0.001,
}
# Closed form on the flat at steady power P = ½ rho CdA v³ + Crr m g v: dv/v = -½ rho v³ dCdA /
# (3/2 rho CdA v³ + Crr m g v). At 11 m/s, 1.2 kg/m³, 0.27 m², Crr 0.004 and 85 kg one m² is
# 1.17 of the speed, and of the hour.
SECONDS_PER_HOUR_AND_M2: Final = 3600.0 * 1.17
_RANK: Final = {"stop": 0, "warning": 1, "note": 2}


def rank_findings(findings: Sequence[Finding]) -> tuple[tuple[Finding, ...], tuple[Finding, ...]]:
    """Split findings into those shown first and the rest.

    Severity goes first, then the CdA error that such a fault typically leaves, which race
    minutes are in proportion to. At most three are shown first, and notes never; every `stop`
    is shown.
    """
    ordered = sorted(findings, key=lambda f: (_RANK[f.severity], -AT_STAKE_M2.get(f.code, 0.0005)))
    stops = sum(f.severity == "stop" for f in ordered)
    loud = sum(f.severity != "note" for f in ordered)
    cut = max(stops, min(SHOWN_FIRST, loud))
    return tuple(ordered[:cut]), tuple(ordered[cut:])


def at_stake_s_per_h(findings: Sequence[Finding]) -> tuple[float | None, ...]:
    """Return what each fault typically leaves in a difference, as seconds in an hour of racing."""
    return tuple(
        SECONDS_PER_HOUR_AND_M2 * AT_STAKE_M2[f.code] if f.code in AT_STAKE_M2 else None
        for f in findings
    )
