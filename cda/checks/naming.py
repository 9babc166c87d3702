"""How findings name legs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cda.legs import Leg

_NAMED_ALONE: Final = 6


def legs_named(legs: Sequence[Leg]) -> str:
    """Name every run, so that a reader of `where` finds it."""
    if len(legs) > _NAMED_ALONE:
        return "runs " + ", ".join(str(run) for run in sorted({leg.run for leg in legs}))
    return ", ".join(f"run {leg.run} {leg.name}" for leg in legs)
