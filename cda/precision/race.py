"""What drag area is worth at a flat race."""

from __future__ import annotations

from cda.forces import speed_at_power


def seconds_per_m2(
    *,
    distance_m: float,
    power_w: float,
    cda_m2: float = 0.27,
    mass_kg: float = 84.8,
    density_kg_m3: float = 1.21,
    rolling_resistance: float = 0.0042,
    efficiency: float = 0.976,
) -> float:
    """Return the seconds that a square metre of CdA costs at a flat race in calm air [s/m^2].

    A central difference over 0.004 m^2; for small differences it is a slope.
    """
    step = 0.002
    low, high = (
        distance_m
        / float(
            speed_at_power(
                power_w,
                cda_m2=cda_m2 + shift,
                mass_kg=mass_kg,
                density_kg_m3=density_kg_m3,
                rolling_resistance=rolling_resistance,
                efficiency=efficiency,
            )
        )
        for shift in (-step, step)
    )
    return (high - low) / (2.0 * step)
