"""Positions and the other free time in one order: what to practise, the most minutes first."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cda.results.numbers import saving_interval, shown
from cda.results.words import held_words, ledger_label, ledger_range

if TYPE_CHECKING:
    from cda.results.savings import Savings

PRACTICE_HEAD = ("What to practise", "Worth", "Basis")


def practice_rows(savings: Savings) -> list[tuple[str, str, str]]:
    """Return what, worth and basis of every entry of the order.

    Of the positions the first is the one to practise; another stands as "or instead".
    """
    by_id = {p.id: p for p in savings.positions}
    by_item = {line.item: line for line in savings.ledger}
    rows, taken = [], False
    for entry in savings.order:
        position, line = by_id.get(entry.id or ""), by_item.get(entry.item or "")
        if position is not None:
            label = shown(position.label)
            rows.append(
                (
                    f"or instead: {label}" if taken else label,
                    saving_interval(position.saved_interval_s),
                    f"{'as given' if position.decided is None else 'measured'}; "
                    f"{held_words(position)}",
                )
            )
            taken = True
        elif line is not None:
            rows.append((ledger_label(line), ledger_range(line), shown(line.basis)))
    return rows


def practice_words(savings: Savings) -> str:
    """Return what the table is, with whether a position stands in it."""
    position = any(entry.kind == "position" for entry in savings.order)
    return "What to practise, the most minutes first: " + (
        "of the positions choose one; the other free time is a range from the race file's own "
        "inputs, not measured here"
        if position
        else "ranges from the race file's own inputs, not measured here; no position stands here, "
        "for none is decided to be faster"
    )
