"""The coach's part: minutes in order, choose one, then the ledger."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cda.figures import plot_course, plot_ledger, plot_saved, plot_saved_by_share
from cda.report.blocks import Block, Fold, Part, Picture, Table, Text
from cda.results.numbers import (
    area,
    area_interval,
    clock_length,
    percent,
    saving,
    saving_interval,
    share,
    shown,
)
from cda.results.practice import PRACTICE_HEAD, practice_rows, practice_words
from cda.results.words import (
    decided_words,
    difference_words,
    held_words,
    is_decided,
    ledger_label,
    ledger_range,
    letters,
    ordered,
    percent_level,
    race_words,
    sentences,
    total_words,
    undecided_words,
    worth_words,
)

if TYPE_CHECKING:
    from cda.results import Estimate, Savings


def coach(estimate: Estimate, savings: Savings | None) -> Part:
    """Return the coach's part: minutes where there is a race, else the differences."""
    blocks = _minutes(savings) if savings is not None else _differences(estimate)
    return Part(id="coach", title="For the coach: choose one", blocks=tuple(blocks))


def _minutes(savings: Savings) -> list[Block]:
    letter, level = letters(savings), percent_level(savings.level)
    rows: list[tuple[str, ...]] = []
    marked: set[int] = set()
    positions = ordered(savings)
    today = next(p for p in positions if p.reference)
    for p in positions:
        name = f"{letter[p.id]} {shown(p.label)}"
        if p.reference:
            rows.append((name, "—", "—", "—", held_words(p), worth_words(p), decided_words(p)))
            continue
        if not marked:
            marked.add(len(rows))
        rows.append(
            (
                name,
                saving(p.saved_s, like=p.saved_interval_s),
                saving_interval(p.saved_interval_s),
                percent(p.probability_faster),
                held_words(p),
                worth_words(p),
                decided_words(p),
            )
        )
    blocks: list[Block] = [
        Text(
            text=(
                f"The race: {race_words(savings)}. The positions are alternatives: choose one; "
                f"their minutes are never added up. All are against “{shown(today.label)}”, "
                f"as ridden today, whose time on the bike comes to {clock_length(today.time_s)} "
                f"({clock_length(today.time_interval_s[0])} to "
                f"{clock_length(today.time_interval_s[1])})."
            )
        ),
        Table(
            caption="Positions in order",
            head=(
                "Position",
                "Against today",
                f"Interval ({level})",
                "Likely to be faster",
                "Counted as held for",
                "Worth it up to",
                "Verdict",
            ),
            rows=tuple(rows),
            restack=True,
            marked=frozenset(marked),
        ),
    ]
    others = [p for p in positions if not p.reference]
    if others:
        first = others[0]
        blocks.append(
            Picture(
                name="minutes_saved",
                draw=lambda ax: plot_saved(savings, ax=ax),
                caption=(
                    f"Minutes against today with their {level} intervals. A filled mark is "
                    "decided; a hollow one is not: its interval reaches across zero."
                ),
                finding=(
                    f"{sentences(savings)[first.id]} "
                    f"Against today {sum(is_decided(p) for p in others)} of {len(others)} "
                    f"{'is' if len(others) == 1 else 'are'} decided."
                ),
            )
        )
    blocks += [Text(text=text) for text in (undecided_words(savings),) if text]
    blocks += _by_share(savings)
    if savings.course is not None:
        blocks.append(
            Picture(
                name="course",
                draw=lambda ax: plot_course(savings, ax=ax),
                caption=(
                    "The course of the race, and in its own strip the wind along the road: "
                    "above 0 slows the rider."
                    if savings.course.headwind_m_s is not None
                    else "The course of the race. The wind may blow from anywhere."
                ),
                finding=(
                    f"Profile of {savings.course.distance_m[-1] / 1000:.3g} km; the race has "
                    f"{savings.race.distance_km:g} km"
                    + (f" and {savings.race.ascent_m:.0f} m up." if savings.race.ascent_m else ".")
                ),
            )
        )
    return blocks + _ledger(savings)


def _by_share(savings: Savings) -> list[Block]:
    letter = letters(savings)
    others = [p for p in ordered(savings) if not p.reference and p.saved_by_hold_share_s]
    if not others:
        return []
    shares = sorted({float(k) for p in others for k in p.saved_by_hold_share_s})
    rows = []
    for p in others:
        by = {float(k): v for k, v in p.saved_by_hold_share_s.items()}
        # Minutes are in proportion to the share: another position's share is known here too.
        cells = tuple(saving(by.get(s, s * p.saved_if_held_throughout_s)) for s in shares)
        rows.append((f"{letter[p.id]} {shown(p.label)}", *cells))
    best = others[0]
    by_best = {float(k): v for k, v in best.saved_by_hold_share_s.items()}
    low, high = min(by_best), max(by_best)
    return [
        Picture(
            name="minutes_by_share",
            draw=lambda ax: plot_saved_by_share(savings, ax=ax),
            caption=(
                "Minutes by the share of the ride a position is held; letters as in the table, "
                "a mark where the session file says how long it can be held."
            ),
            finding=(
                f"“{shown(best.label)}” {saving(by_best[low])} when held for {share(low)} of the "
                f"ride and {saving(by_best[high])} when held for {share(high)}."
            ),
        ),
        Fold(
            summary="The same as a table",
            blocks=(
                Table(
                    caption="Against today, by share of the ride held",
                    head=("Position", *(share(s) for s in shares)),
                    rows=tuple(rows),
                    numeric=frozenset(range(1, len(shares) + 1)),
                ),
            ),
        ),
    ]


def _ledger(savings: Savings) -> list[Block]:
    if not savings.ledger:
        return []
    largest = max(savings.ledger, key=lambda x: x.saved_low_s + x.saved_high_s)
    total = total_words(savings)
    return [
        Table(
            caption=practice_words(savings),
            head=PRACTICE_HEAD,
            rows=tuple(practice_rows(savings)),
            restack=True,
        ),
        Picture(
            name="ledger",
            draw=lambda ax: plot_ledger(savings, ax=ax),
            caption=_ledger_caption(savings),
            finding=(
                f"The largest line of the ledger is “{ledger_label(largest)}”, "
                f"{ledger_range(largest)}."
            ),
        ),
        *([Text(text=total)] if total else []),
    ]


def _ledger_caption(savings: Savings) -> str:
    if any(entry.kind == "position" for entry in savings.order):
        return (
            "In the order to practise: the first position with its interval (diamond), and the "
            "ranges of the other free time (hatched)."
        )
    return (
        "The ranges of the other free time (hatched), largest first; no position stands here, "
        "for none is decided to be faster."
    )


def _differences(estimate: Estimate) -> list[Block]:
    level = percent_level(estimate.level)
    rows = []
    for d in sorted(estimate.differences, key=lambda d: d.delta_cda_m2):
        if d.reference != estimate.reference:
            continue
        rows.append(
            (
                shown(estimate.position(d.position).label),
                area(d.delta_cda_m2, d.se_m2, sign=True),
                area_interval(d.interval_m2, d.se_m2, sign=True),
                percent(d.probability_lower_drag),
                difference_words(d),
            )
        )
    today = shown(estimate.position(estimate.reference).label)
    return [
        Text(
            text=(
                "No race was given, so there are no minutes: give a race file to have them. "
                f"The positions are alternatives: choose one. All are against “{today}”."
            )
        ),
        Table(
            caption="Difference of CdA against today, lowest drag first",
            head=("Position", "CdA [m²]", f"Interval ({level})", "Likely lower drag", "Verdict"),
            rows=tuple(rows),
            numeric=frozenset({1, 2}),
            restack=True,
        ),
    ]
