"""What the first position's minutes take for granted, in words: the share held and its cost."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cda.results.numbers import amount, fixed, share, shown
from cda.results.words import ordered

if TYPE_CHECKING:
    from cda.results.savings import Savings


def first_words(savings: Savings) -> str | None:
    """Say why a position stands first of which share or cost is not known, and what would turn it.

    Minutes are in proportion to the share held, and nearly in proportion to what the cost leaves
    of the break-even power.
    """
    candidates = [p for p in ordered(savings) if not p.reference]
    if not candidates or candidates[0].saved_s <= 0.0:
        return None
    best = candidates[0]
    taken = []
    if best.hold_share is None:
        taken.append("were held for the whole ride")
    if best.power_cost_w is None:
        taken.append("cost nothing to hold")
    if not taken:
        return None
    text = (
        f"“{shown(best.label)}” stands first as if it {' and '.join(taken)}: "
        f"{'neither is' if len(taken) > 1 else 'that is not'} known."
    )
    rival = next((p for p in candidates[1:] if 0.0 < p.saved_s < best.saved_s), None)
    if rival is None:
        return text
    turns = []
    part = rival.saved_s / best.saved_s
    if best.hold_share is None:
        turns.append(f"the first is held for less than {share(part)} of the ride")
    if best.power_cost_w is None and best.break_even_power_w is not None:
        watts = fixed(best.break_even_power_w * (1.0 - part), 1)
        turns.append(f"costs more than about {watts} W")
    if not turns:
        return text
    return f"{text} “{shown(rival.label)}”, as counted, comes before it if {' or '.join(turns)}."


def minutes_assumption_words(savings: Savings) -> str | None:
    """Say what the first position's minutes assume, and what each step off it takes away."""
    best = next((p for p in ordered(savings) if not p.reference), None)
    if best is None or best.saved_s <= 0.0:
        return None
    held = "the whole ride" if best.hold_share is None else f"{share(best.hold_share)} of the ride"
    cost = best.power_cost_w
    price = "nothing" if cost is None else f"{fixed(cost, 1)} W"
    if cost is not None and best.power_cost_sd_w:
        price += f" ± {fixed(best.power_cost_sd_w, 1)} W"
    told = [best.hold_share is not None, cost is not None]
    basis = (
        "as the session file says, not measured"
        if all(told)
        else "the cost not given"
        if told[0]
        else "the share not given"
        if told[1]
        else "neither given"
    )
    text = (
        f"For the minutes: that “{shown(best.label)}” is held for {held} and costs {price} to "
        f"hold ({basis}). Each tenth of the ride less takes "
        f"{amount(0.1 * best.saved_if_held_throughout_s)} away"
    )
    watts = best.break_even_power_w
    if watts is not None and watts > (cost or 0.0):
        text += f", each watt more about {amount(best.saved_s / (watts - (cost or 0.0)))}"
    return text + "."
