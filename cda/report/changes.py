"""What changed since the last day: the page opens with it where there is more than one."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cda.report.blocks import Block, Part, Table, Text
from cda.results.numbers import area, area_interval, area_se, shown
from cda.results.words import difference_words, percent_level

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cda.results import Estimate

FEWEST_RUNS = 2


def changes(estimate: Estimate, previous: Estimate | None) -> Part | None:
    """Return differences before and now, or day by day, or None with a single day."""
    if previous is None and len(estimate.sessions) < FEWEST_RUNS:
        return None
    blocks = _before_and_now(estimate, previous) if previous is not None else _days(estimate)
    return Part(id="changes", title="What changed since the last day", blocks=tuple(blocks))


def _before_and_now(estimate: Estimate, previous: Estimate) -> list[Block]:
    known = {p.id for p in previous.positions}
    same_reference = previous.reference == estimate.reference
    rows = []
    for p in estimate.positions:
        if p.reference:
            continue
        now = estimate.difference(p.id)
        before = previous.difference(p.id) if p.id in known and same_reference else None
        rows.append(
            (
                shown(p.label),
                "not tested before"
                if before is None
                else f"{area(before.delta_cda_m2, before.se_m2, sign=True)} "
                f"({area_interval(before.interval_m2, before.se_m2, sign=True)})",
                f"{area(now.delta_cda_m2, now.se_m2, sign=True)} "
                f"({area_interval(now.interval_m2, now.se_m2, sign=True)})",
                _turn(before.resolved if before else None, now.resolved),
                difference_words(now),
            )
        )
    today = shown(estimate.position(estimate.reference).label)
    level = percent_level(estimate.level)
    return [
        Text(text=_summary(estimate, previous, [row[3] for row in rows])),
        Text(
            text=f"Earlier days against all days together, each position against “{today}”."
            + ("" if same_reference else " The reference was another one before.")
        ),
        Table(
            caption=f"Difference of CdA [m²] and its {level} interval",
            head=("Position", "Before", "Now", "What changed", "Verdict now"),
            rows=tuple(rows),
            restack=True,
        ),
    ]


def _summary(estimate: Estimate, previous: Estimate, turns: Sequence[str]) -> str:
    """Say how many runs the last day added, and what it changed."""
    last = estimate.sessions[-1]
    added = sum(r.used for r in estimate.runs) - sum(r.used for r in previous.runs)
    text = f"The last day ({shown(last.date or last.title)}) added {added} runs."
    lowest = [
        min((p for p in one.positions if not p.reference), key=lambda p: p.cda_m2, default=None)
        for one in (previous, estimate)
    ]
    if lowest[0] is not None and lowest[1] is not None:
        before, now = lowest[0], lowest[1]
        text += (
            f" Lowest drag of those tried, then as now: “{shown(now.label)}”."
            if before.id == now.id
            else f" Lowest drag of those tried: then “{shown(before.label)}”, "
            f"now “{shown(now.label)}”."
        )
    told = {turn: turns.count(turn) for turn in dict.fromkeys(turns)}
    return f"{text} Against today: " + ", ".join(f"{n} {turn}" for turn, n in told.items()) + "."


def _turn(before: bool | None, now: bool) -> str:
    if before is None:
        return "new"
    if before == now:
        return "still resolved" if now else "still not resolved"
    return "now resolved" if now else "no longer resolved"


def _days(estimate: Estimate) -> list[Block]:
    last = estimate.sessions[-1].key
    rows = []
    for p in estimate.positions:
        cells = [shown(p.label)]
        for is_last in (False, True):
            found = [
                r.cda_m2
                for r in estimate.runs
                if r.position == p.id
                and r.used
                and r.cda_m2 is not None
                and (r.session == last) is is_last
            ]
            cells.append(_mean(found))
        rows.append(tuple(cells))
    return [
        Text(
            text=(
                f"The page pools {len(estimate.sessions)} days. Below are the plain means of the "
                "runs; the spread includes neither shared inputs nor the day's own error, so read "
                "differences between rows, not between days."
            )
        ),
        Table(
            caption="Mean CdA of the runs [m²], ± its standard error from their scatter",
            head=("Position", "Earlier days", f"Last day ({shown(last)})"),
            rows=tuple(rows),
            numeric=frozenset({1, 2}),
            restack=True,
        ),
    ]


def _mean(values: list[float]) -> str:
    if not values:
        return "not ridden"
    if len(values) < FEWEST_RUNS:
        return f"{area(values[0], None)} (one run)"
    se = float(np.std(values, ddof=1) / np.sqrt(len(values)))
    return f"{area(float(np.mean(values)), se)} ± {area_se(se)} ({len(values)} runs)"
