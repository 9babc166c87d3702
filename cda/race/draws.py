"""Draws of everything uncertain at once: positions, shared inputs and the race's own.

A draw is mean + normal draw of the systematic covariance + sqrt(nu / chi2_nu) times a normal
draw of the statistical covariance, one chi2 a draw: a multivariate t for what replication says
and a normal for the rest.  Points are a shifted Sobol sequence, so that 16 384 of them hold the
ends of an interval to half a second over 180 km; the shift has a fixed seed.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from cda.integration import Rides

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from cda.race.load import Race
    from cda.results import Joint

DRAWS = 16_384
SEED = 20_260_509
# Far below any rider: a draw reaches it only where the test hardly determined CdA at all.
SMALLEST_CDA_M2 = 0.05
SMALLEST_ROLLING_RESISTANCE = 0.0005
SHARED = (
    "rolling_resistance",
    "power_scale",
    "power_offset_w",
    "rider_mass_kg",
    "bike_mass_kg",
    "drivetrain_efficiency",
)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Draws:
    """Draws for one race; row 0 is the mean of everything, the others are draws.

    Attributes
    ----------
    positions : tuple of str
        Ids, in the order of the rows of the arrays below.
    cda_m2, power_cost_w : ndarray, shape (positions, 1 + draws)
        Drag area and what holding costs. [m^2], [W]
    shared : mapping of str to ndarray, shape (1 + draws,)
        Fields of `Rides` that all positions share.
    constants : mapping of str to float
        Fields of `Rides` without uncertainty.
    floored : int
        Draws of a drag area that were brought up to `SMALLEST_CDA_M2`.
    """

    positions: tuple[str, ...]
    cda_m2: NDArray[np.float64]
    power_cost_w: NDArray[np.float64]
    shared: Mapping[str, NDArray[np.float64]]
    constants: Mapping[str, float]
    floored: int

    def rides(
        self,
        cda_m2: NDArray[np.float64],
        power_cost_w: NDArray[np.float64] | float = 0.0,
        *,
        reference: int = 0,
        only_mean: bool = False,
    ) -> Rides:
        """Return rides whose last axis runs over the draws (or the mean alone)."""
        cut = slice(0, 1) if only_mean else slice(None)
        return Rides(
            cda_held_m2=cda_m2,
            cda_other_m2=self.cda_m2[reference, cut],
            power_cost_w=np.asarray(power_cost_w, dtype=np.float64),
            **{name: values[cut] for name, values in self.shared.items()},  # type: ignore[arg-type]
            **self.constants,  # type: ignore[arg-type]
        )

    def first(self, count: int) -> Draws:
        """Return the mean and the first `count` draws: a shorter piece of the same sequence."""
        cut = slice(0, 1 + count)
        return replace(
            self,
            cda_m2=self.cda_m2[:, cut],
            power_cost_w=self.power_cost_w[:, cut],
            shared={name: values[cut] for name, values in self.shared.items()},
        )


def sobol_normals(count: int, dimensions: int, *, seed: int = SEED) -> NDArray[np.float64]:
    """Return a shifted Sobol sequence, as uniforms strictly between 0 and 1.

    Shape (count, dimensions); `count` is best a power of two.
    """
    from scipy.stats import qmc

    points = qmc.Sobol(dimensions, scramble=False).random(count)
    shifted = (points + np.random.default_rng(seed).random(dimensions)) % 1.0
    return np.asarray(np.clip(shifted, 1e-9, 1 - 1e-9), dtype=np.float64)


def factor(covariance: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return F with F F' = covariance, for a covariance that may be singular; shape (n, r).

    Columns are in falling order of what they explain; eigenvalues below rounding are left out.
    """
    scale = np.sqrt(np.clip(np.diag(covariance), 0.0, None))
    unit = np.where(scale > 0, scale, 1.0)
    values, vectors = np.linalg.eigh(covariance / np.outer(unit, unit))
    keep = np.flatnonzero(values > 1e-12)[::-1]
    return np.asarray(unit[:, None] * vectors[:, keep] * np.sqrt(values[keep]), dtype=np.float64)


def joint_draws(
    joint: Joint,
    race: Race,
    *,
    positions: tuple[str, ...],
    power_costs: Mapping[str, tuple[float, float]],
    draws: int = DRAWS,
) -> Draws:
    """Draw positions, shared inputs and the race's own inputs together.

    Parameters
    ----------
    joint : Joint
        Of the estimate.
    race : Race
        What it gives anew replaces the session's value and its error (drawn independently).
    positions : tuple of str
        Ids, the order of the result.
    power_costs : mapping of str to (float, float)
        Cost of holding and its standard uncertainty, where known. [W]
    draws : int
        Power of two.
    """
    from scipy.special import gammaincinv, ndtri

    settings, names = race.settings, list(joint.names)
    statistical = np.asarray(joint.statistical_covariance)
    systematic = factor(np.asarray(joint.covariance) - statistical)
    replicated = factor(statistical)
    own = (
        "power",
        "density",
        "wind",
        "direction",
        "rider",
        "bike",
        "rolling",
        "efficiency",
        "scale",
        "offset",
        *(f"cost {name}" for name in positions),
    )
    ranks = replicated.shape[1], systematic.shape[1]
    uniform = sobol_normals(draws, sum(ranks) + 1 + len(own))
    normal = ndtri(uniform)
    nu = joint.statistical_dof
    widen = np.ones(draws)
    if np.isfinite(nu) and ranks[0]:
        widen = np.sqrt(nu / (2.0 * gammaincinv(nu / 2.0, uniform[:, ranks[0]])))
    # The first dimensions of a Sobol sequence are its best: they go to what differences are
    # made of.
    values = (
        np.asarray(joint.mean)
        + widen[:, None] * (normal[:, : ranks[0]] @ replicated.T)
        + normal[:, ranks[0] + 1 : sum(ranks) + 1] @ systematic.T
    )
    values = np.vstack([joint.mean, values])  # row 0: the mean itself
    z = {name: np.concatenate([[0.0], normal[:, sum(ranks) + 1 + k]]) for k, name in enumerate(own)}
    column = {name: values[:, names.index(name)] for name in SHARED}
    sds = dict(zip(names, np.sqrt(np.diag(np.asarray(joint.covariance))), strict=True))

    rider, bike = settings.rider, settings.bike
    if rider.mass_kg is not None:
        column["rider_mass_kg"] = rider.mass_kg + rider.mass_sd_kg * z["rider"]
    if bike.mass_kg is not None:
        column["bike_mass_kg"] = bike.mass_kg + bike.mass_sd_kg * z["bike"]
    if bike.rolling_resistance is not None:
        column["rolling_resistance"] = (
            bike.rolling_resistance + bike.rolling_resistance_sd * z["rolling"]
        )
    if bike.drivetrain_efficiency is not None:
        column["drivetrain_efficiency"] = (
            bike.drivetrain_efficiency + bike.drivetrain_efficiency_sd * z["efficiency"]
        )
    if settings.meter == "other":
        # Another meter of the same kind: as far off as the first was believed to be, on its own.
        column["power_scale"] = 1.0 + sds["power_scale"] * z["scale"]
        column["power_offset_w"] = sds["power_offset_w"] * z["offset"]

    cda = np.stack([values[:, names.index(name)] for name in positions])
    floored = int(np.count_nonzero(cda < SMALLEST_CDA_M2))
    density, density_sd = race.density()
    wind, wind_sd = race.wind()
    direction, direction_sd = 0.0, 0.0
    if settings.wind is not None and settings.wind.from_deg is not None:
        direction, direction_sd = settings.wind.from_deg, settings.wind.from_sd_deg
    costs = np.stack(
        [
            power_costs.get(name, (0.0, 0.0))[0]
            + power_costs.get(name, (0.0, 0.0))[1] * z[f"cost {name}"]
            for name in positions
        ]
    )
    constants = dict(joint.constants)
    for key in (
        "wheel_drag_area_m2",
        "bearing_drag_n",
        "bearing_drag_n_s_m",
        "wheel_inertia_kg_m2",
        "wheel_radius_m",
    ):
        if getattr(bike, key) is not None:
            constants[key] = getattr(bike, key)
    efficiency = column["drivetrain_efficiency"]
    return Draws(
        positions=positions,
        cda_m2=np.maximum(cda, SMALLEST_CDA_M2),
        power_cost_w=costs,
        shared={
            "power_w": settings.power_w + settings.power_sd_w * z["power"],
            "power_gain": efficiency * column["power_scale"],
            "power_offset_w": efficiency * column["power_offset_w"],
            "rolling_resistance": np.maximum(
                column["rolling_resistance"], SMALLEST_ROLLING_RESISTANCE
            ),
            "mass_kg": column["rider_mass_kg"] + column["bike_mass_kg"],
            "density_kg_m3": density + density_sd * z["density"],
            "wind_m_s": wind + wind_sd * z["wind"],
            "wind_from_deg": direction + direction_sd * z["direction"],
        },
        constants={
            "wheel_drag_area_m2": constants["wheel_drag_area_m2"],
            "bearing_drag_n": constants["bearing_drag_n"],
            "bearing_drag_n_s_m": constants["bearing_drag_n_s_m"],
            "rotating_mass_kg": constants["wheel_inertia_kg_m2"] / constants["wheel_radius_m"] ** 2,
            "gravity_m_s2": constants.get("gravity_m_s2", 9.80665),
        },
        floored=floored,
    )
