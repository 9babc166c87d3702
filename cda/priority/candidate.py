"""The positions a race is computed for, whether from an estimate or from bare numbers."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from cda.errors import SessionError
from cda.results import Joint

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cda.race import Race
    from cda.results import Estimate

DEFAULT_POWER_SCALE_SD = 0.015  # common practice, no source: what makers claim for a new meter
DEFAULT_POWER_OFFSET_SD_W = 1.0
DEFAULT_BIKE = {
    "rolling_resistance": 0.0042,
    "rolling_resistance_sd": 0.0003,
    "drivetrain_efficiency": 0.976,
    "drivetrain_efficiency_sd": 0.005,
}
DEFAULT_CONSTANTS = {
    # Martin et al. 1998 (values from memory); the radius is that of a road wheel.
    "wheel_drag_area_m2": 0.0044,
    "bearing_drag_n": 0.091,
    "bearing_drag_n_s_m": 0.0087,
    "wheel_inertia_kg_m2": 0.14,
    "wheel_radius_m": 0.335,
    "gravity_m_s2": 9.80665,
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Candidate:
    """One position as the race sees it."""

    id: str
    label: str
    reference: bool
    hold_share: float | None = None
    power_cost_w: float | None = None
    power_cost_sd_w: float | None = None
    cue: str | None = None
    runs: int = 0


def candidates_of(estimate: Estimate, race: Race) -> tuple[Candidate, ...]:
    """Return the positions of an estimate; what the race file says of holding goes first."""
    said = {p.id: p for p in race.settings.positions}
    known = [p.id for p in estimate.positions]
    missing = [name for name in said if name not in known]
    if missing:
        raise SessionError(
            f"position {missing[0]!r} was not tested (there are: {', '.join(known)})",
            where="race file, positions",
            fix="use the ids of the session, or take the position out of the race file",
        )
    result = []
    for p in estimate.positions:
        own = said.get(p.id)
        share = own.hold_share if own and own.hold_share is not None else p.hold_share
        cost, sd = p.power_cost_w, p.power_cost_sd_w
        if own and own.power_cost_w is not None:
            cost, sd = own.power_cost_w, own.power_cost_sd_w
        result.append(
            Candidate(
                id=p.id,
                label=p.label,
                reference=p.reference,
                hold_share=None if p.reference else share,
                # The reference is what the power belongs to: it costs nothing against itself.
                power_cost_w=None if p.reference else cost,
                power_cost_sd_w=None if p.reference else sd,
                cue=p.cue,
                runs=p.runs,
            )
        )
    return tuple(result)


def joint_of_bare_values(
    cda_m2: Mapping[str, float], race: Race, *, includes_wheels: bool
) -> Joint:
    """Return a joint distribution for values that came without uncertainty.

    The positions have none; rider, bicycle and power meter have that of the race file or the
    defaults of a session file.

    Raises
    ------
    SessionError
        If the race file gives no masses, or a value is no drag area of a rider.
    """
    rider, bike = race.settings.rider, race.settings.bike
    needed = (("rider.mass_kg", rider.mass_kg), ("bike.mass_kg", bike.mass_kg))
    missing = [key for key, value in needed if value is None]
    if missing:
        raise SessionError(
            f"{' and '.join(missing)} {'is' if len(missing) == 1 else 'are'} missing, and there "
            "is no session to take the mass from",
            where="race file",
            fix="add to the race file, or give " + " ".join(f"--set {key}=..." for key in missing),
        )
    for name, value in cda_m2.items():
        if not 0.05 <= value <= 1.2:
            raise SessionError(
                f"{value:g} m² is no drag area of a rider",
                where=f"--cda {name}={value:g}",
                fix="give CdA in square metres, as 0.276",
            )
    assert rider.mass_kg is not None and bike.mass_kg is not None  # noqa: PT018 - for the types
    wheels = (
        bike.wheel_drag_area_m2
        if bike.wheel_drag_area_m2 is not None
        else DEFAULT_CONSTANTS["wheel_drag_area_m2"]
    )
    off = wheels if includes_wheels else 0.0
    sds = np.array(
        [
            DEFAULT_BIKE["rolling_resistance_sd"],
            DEFAULT_POWER_SCALE_SD,
            DEFAULT_POWER_OFFSET_SD_W,
            rider.mass_sd_kg,
            bike.mass_sd_kg,
            DEFAULT_BIKE["drivetrain_efficiency_sd"],
        ]
    )
    mean = [
        *(value - off for value in cda_m2.values()),
        DEFAULT_BIKE["rolling_resistance"],
        1.0,
        0.0,
        rider.mass_kg,
        bike.mass_kg,
        DEFAULT_BIKE["drivetrain_efficiency"],
    ]
    variance = np.concatenate([np.zeros(len(cda_m2)), sds**2])
    return Joint(
        names=(
            *cda_m2,
            "rolling_resistance",
            "power_scale",
            "power_offset_w",
            "rider_mass_kg",
            "bike_mass_kg",
            "drivetrain_efficiency",
        ),
        mean=np.array(mean, dtype=np.float64),
        covariance=np.diag(variance),
        statistical_covariance=np.zeros((variance.size, variance.size)),
        statistical_dof=float("inf"),
        dof=(None,) * variance.size,
        constants=dict(DEFAULT_CONSTANTS),
    )
