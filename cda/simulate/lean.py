"""A leaning rider on a track: the centre of mass takes a shorter way than the wheels.

The state is the wheels' speed; everything that moves is one sum of energies. Going into a bend
the centre of mass sinks and turns on a smaller circle: at the same energy the wheels run faster.
"""

from __future__ import annotations

import math
from dataclasses import dataclass


@dataclass(slots=True, kw_only=True)
class Leaning:
    """Mass [kg], wheel inertia over radius squared [kg], height [m], axle height [m], gravity."""

    mass_kg: float
    wheel_mass_kg: float
    height_m: float
    axle_m: float
    gravity_m_s2: float

    def lean(self, v: float, curvature: float) -> tuple[float, float, float]:
        """Return the mass centre's and the axles' speed over the wheels', and the lean's cosine.

        In balance the tangent of the lean is the centripetal acceleration of the mass centre,
        (share v)^2 / (radius share), over gravity.
        """
        if curvature == 0.0:
            return 1.0, 1.0, 1.0
        share = 1.0
        for _ in range(4):
            tangent = v * v * curvature * share / self.gravity_m_s2
            sine = tangent / math.sqrt(1.0 + tangent * tangent)
            share = 1.0 - self.height_m * sine * curvature
        return share, 1.0 - self.axle_m * sine * curvature, 1.0 / math.sqrt(1.0 + tangent * tangent)

    def energy(self, v: float, curvature: float) -> float:
        """Return kinetic energy, and height energy above lying flat [J]."""
        share, _, cosine = self.lean(v, curvature)
        kinetic = 0.5 * (self.mass_kg * share * share + self.wheel_mass_kg) * v * v
        return kinetic + self.mass_kg * self.gravity_m_s2 * self.height_m * cosine

    def speed(self, energy: float, curvature: float, v: float) -> float:
        """Return the wheels' speed that has this energy; `v` is near it [m/s]."""
        for _ in range(3):  # Newton; the slope is that of the kinetic part, the rest moves little
            share, _, _ = self.lean(v, curvature)
            slope = (self.mass_kg * share * share + self.wheel_mass_kg) * v
            v += (energy - self.energy(v, curvature)) / max(slope, 1.0)
            v = max(v, 0.0)
        return v
