"""The athlete's part: what to practise, with its cue, photo and the comfort said."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cda.report.blocks import Block, Card, Part, Text
from cda.results.numbers import fixed, share, shown
from cda.results.words import difference_words, letters, ordered, sentences

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cda.results import Estimate, PositionEstimate, Savings


def athlete(estimate: Estimate, savings: Savings | None, photos: Mapping[str, str]) -> Part:
    """Return one card a position, in the coach's order."""
    letter = letters(estimate)
    by_id = {p.id: p for p in estimate.positions}
    ids = [p.id for p in ordered(savings) if p.id in by_id] if savings else _by_drag(estimate)
    ids += [p for p in by_id if p not in ids]
    blocks: list[Block] = [
        Text(
            text=(
                "Try each position on a trainer first. Hold it only as long as you see the road; "
                "stop on pain, numbness or dizziness."
            )
        )
    ]
    for position_id in ids:
        position = by_id[position_id]
        lines = [_gain(estimate, savings, position)]
        if position.cue:
            lines.insert(0, f"Cue: {shown(position.cue)}")
        lines += _burden(position)
        blocks.append(
            Card(
                title=f"{letter[position_id]} {shown(position.label)}",
                photo=photos.get(position_id),
                lines=tuple(lines),
            )
        )
    return Part(id="athlete", title="For the athlete: what to practise", blocks=tuple(blocks))


def _by_drag(estimate: Estimate) -> list[str]:
    others = [p for p in estimate.positions if not p.reference]
    return [p.id for p in sorted(others, key=lambda p: p.cda_m2)] + [estimate.reference]


def _gain(estimate: Estimate, savings: Savings | None, position: PositionEstimate) -> str:
    if position.reference:
        return "How you ride today; everything is compared with this."
    if savings is not None:
        found = next((p for p in savings.positions if p.id == position.id), None)
        if found is not None:
            return sentences(savings)[found.id]
    difference = estimate.difference(position.id)
    return f"Against today: {difference_words(difference)}."


def _burden(position: PositionEstimate) -> list[str]:
    lines = []
    if position.comfort is not None:
        lines.append(f"Comfort as you said it: {fixed(position.comfort, 1)} of 10.")
    if position.reference:
        return lines
    if position.hold_share is not None:
        lines.append(f"Said to be held for {share(position.hold_share)} of the ride.")
    else:
        lines.append("How long it can be held is not known yet: find out in training.")
    if position.power_cost_w is None:
        lines.append("What holding it costs is unknown, which is not the same as nothing.")
    else:
        lines.append(f"Holding it is said to cost {fixed(position.power_cost_w, 1)} W.")
    return lines
