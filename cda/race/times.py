"""Time over the race for any rides: flat in closed form."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cda.integration import flat_time

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from cda.integration import Rides
    from cda.race.load import Race


def race_time(race: Race, rides: Rides) -> NDArray[np.float64]:
    """Compute the time over the race; the shape of the rides [s]."""
    return flat_time(rides, race.distance_m)
