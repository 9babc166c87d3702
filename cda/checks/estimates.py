"""Findings about an estimate: numbers that cannot be, and air that was not calm."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cda.checks import thresholds as limit
from cda.results import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cda.results import LegWind, PositionEstimate, SessionSummary, Variance


def check_estimate(
    *,
    positions: Sequence[PositionEstimate],
    variance: Variance,
    wind: Sequence[LegWind] = (),
    sessions: Sequence[SessionSummary] = (),
) -> tuple[Finding, ...]:
    """Return what is doubtful in an estimate.

    Parameters
    ----------
    positions, variance, wind, sessions
        The parts of an `Estimate` of the same name.

    Returns
    -------
    tuple of Finding
    """
    found: list[Finding] = []
    outside = [p for p in positions if not limit.CDA_LOW_M2 <= p.cda_m2 <= limit.CDA_HIGH_M2]
    if outside:
        values = ", ".join(f"{p.id} {p.cda_m2:.3f} m²" for p in outside)
        found.append(
            Finding(
                severity="warning",
                code="cda-implausible",
                where="positions",
                message=f"CdA outside {limit.CDA_LOW_M2:.2f} to {limit.CDA_HIGH_M2:.2f} m²: "
                f"{values}",
                fix="check masses, the power meter's location and zero, the wheel circumference "
                "and the air pressure",
            )
        )
    if variance.leg_sd_m2 is not None and variance.leg_sd_m2 > limit.GUSTY_LEG_SD_M2:
        found.append(
            Finding(
                severity="warning",
                code="gusty-wind",
                where="all legs",
                message=f"single legs scatter by {variance.leg_sd_m2:.3f} m² (a calm day: 0.007): "
                "the wind changed from leg to leg",
                fix="ride again early on a calm day, or with more runs",
            )
        )
    strong = [w for w in wind if abs(w.headwind_m_s) > limit.HEADWIND_STRONG_M_S]
    if wind and len(strong) > len(wind) / 2:
        mean = sum(abs(w.headwind_m_s) for w in strong) / len(strong)
        found.append(
            Finding(
                severity="warning",
                code="wind-strong",
                where="all legs",
                message=f"wind of {mean:.1f} m/s along the road in {len(strong)} of "
                f"{len(wind)} legs",
                fix="ride again in less wind; differences below 0.01 m² cannot show in this",
            )
        )
    for session in sessions:
        crr = session.rolling_resistance
        if crr.se is not None and crr.prior_se and crr.se > 0.9 * crr.prior_se:
            found.append(
                Finding(
                    severity="note",
                    code="rolling-resistance-from-prior",
                    where="rolling resistance",
                    session=session.key,
                    message="the ride says little about Crr beyond what was believed before",
                    fix="a ratio of speeds of 1.5 in calm air would; differences hardly need it",
                )
            )
    return tuple(found)
