"""Values that look like another unit are refused, never converted or clamped."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cda.errors import UnitRangeError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray


def require_range(
    values: ArrayLike, low: float, high: float, *, what: str, where: str, fix: str
) -> NDArray[np.float64]:
    """Return the values as an array, or refuse the first that lies outside; NaN fails too."""
    array = np.asarray(values, dtype=np.float64)
    if not np.all((array >= low) & (array <= high)):
        bad = array[~((array >= low) & (array <= high))]
        raise UnitRangeError(f"{what.format(float(bad.flat[0]))}", where=where, fix=fix)
    return array


def as_given(values: NDArray[np.float64]) -> float | NDArray[np.float64]:
    """Return a float for a scalar, the array otherwise."""
    return float(values) if values.ndim == 0 else values
