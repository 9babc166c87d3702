"""One sentence a position, for the coach."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cda.results.numbers import amount, clock_length, fixed, saving, saving_interval, share, shown
from cda.results.words import percent_level

if TYPE_CHECKING:
    from cda.results import PositionSavings


def position_sentence(
    position: PositionSavings, level: float, reference_label: str, *, first: bool
) -> str:
    """Return what to do with one position, what it brings against the reference, at what price."""
    name, today = f"“{shown(position.label)}”", f"“{shown(reference_label)}”"
    if position.reference:
        return (
            f"{name} is how the athlete rides today: {clock_length(position.time_s)} for the "
            "bike; all minutes are against it."
        )
    span = f"({saving_interval(position.saved_interval_s)}, {percent_level(level)})"
    held = (
        f"if held for {share(position.hold_share)} of the ride"
        if position.hold_share is not None
        else "if it can be held for the whole ride"
    )
    price = _price(position)
    if position.decided is False:
        return (
            f"{name} is not decided against {today}: it {saving(position.saved_s)} {span} "
            f"{held}{price}."
        )
    if position.saved_s <= 0.0:
        return f"Leave {name}: it {saving(position.saved_s)} {span} against {today}, {held}."
    start = f"Practise {name} first" if first else f"Or choose {name}"
    return f"{start}: {amount(position.saved_s)} {span} faster than {today} {held}{price}."


def _price(position: PositionSavings) -> str:
    if position.break_even_power_w is None:
        return ""
    watts = f"; worth it as long as it costs less than {fixed(position.break_even_power_w, 0)} W"
    if position.power_cost_w is None:
        return f"{watts} (cost unknown)"
    return f"{watts} ({fixed(position.power_cost_w, 1)} W is counted)"
