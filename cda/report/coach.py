"""The answer and the coach's part: minutes in order, choose one, then the ledger."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cda.figures import plot_course, plot_ledger, plot_saved, plot_saved_by_share
from cda.report.blocks import Block, Fold, Items, Part, Picture, Table, Text
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
from cda.results.words import (
    decided_words,
    difference_words,
    headline,
    held_words,
    is_decided,
    ledger_label,
    ledger_range,
    letters,
    more_runs_words,
    ordered,
    percent_level,
    race_words,
    sentences,
    tied_with,
    total_words,
    worth_words,
)

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cda.results import Estimate, Finding, Savings

SHOWN_FIRST = 3
SEVERITY_ORDER = {"stop": 0, "warning": 1, "note": 2}


def finding_words(finding: Finding) -> str:
    """Return a finding as one text."""
    where = f"{shown(finding.where)}: " if finding.where else ""
    fix = f" To fix: {shown(finding.fix)}" if finding.fix else ""
    message = shown(finding.message)
    stop = "" if message.endswith((".", "!", "?")) or not fix else "."
    return f"{finding.severity.capitalize()}, {where}{message}{stop}{fix}"


def all_findings(estimate: Estimate, savings: Savings | None) -> list[Finding]:
    """Return every finding once, the gravest first."""
    found = list(estimate.findings)
    found += [f for f in (savings.findings if savings else ()) if f not in found]
    return sorted(found, key=lambda f: SEVERITY_ORDER[f.severity])


def answer(estimate: Estimate, savings: Savings | None) -> Part:
    """Return the answer in one sentence, how sure it is, and the gravest doubts."""
    blocks: list[Block] = [Text(text=headline(estimate, savings), style="lead")]
    if savings is not None:
        best = next((p for p in ordered(savings) if not p.reference), None)
        if best is not None:
            ties = tied_with(savings, best.id)
            if best.probability_faster is None:
                text = "How likely it is to be faster is not known."
            else:
                text = (
                    f"It is {percent(best.probability_faster)} likely to be faster than today's "
                    f"position and {percent(best.probability_fastest)} likely to be the fastest "
                    "of all tested."
                )
            if best.saved_corrected_for_choice_s is not None:
                text += (
                    " Corrected for having been picked as the best of several: "
                    f"{saving(best.saved_corrected_for_choice_s)}."
                )
            blocks.append(Text(text=text + (" Not decided does not mean equal." if ties else "")))
    blocks.append(Text(text=assumption_words(estimate, savings)))
    blocks.append(Text(text=again_words(estimate, savings)))
    grave = [f for f in all_findings(estimate, savings) if f.severity != "note"]
    if grave:
        count = len(grave)
        lead = "One doubt to know of:" if count == 1 else f"{count} doubts to know of:"
        if count > SHOWN_FIRST:
            lead = f"{count} doubts to know of, the first {SHOWN_FIRST} here, all further down:"
        blocks += [
            Text(text=lead),
            Items(items=tuple(finding_words(f) for f in grave[:SHOWN_FIRST])),
        ]
    return Part(id="answer", title="The answer", blocks=tuple(blocks))


def assumption_words(estimate: Estimate, savings: Savings | None) -> str:
    """Say which source of uncertainty weighs most in the first difference and in CdA itself."""
    texts = []
    against = [d for d in estimate.differences if d.reference == estimate.reference]
    if savings is not None:
        first = next((p.id for p in ordered(savings) if not p.reference), None)
        against = [d for d in against if d.position == first] or against
    if against and estimate.budget:
        d = min(against, key=lambda x: x.delta_cda_m2) if savings is None else against[0]
        key = f"{d.position}-{d.reference}"
        line = max(estimate.budget, key=lambda b: b.differences.get(key, 0.0))
        pair = " against ".join(
            f"“{shown(estimate.position(k).label)}”" for k in (d.position, d.reference)
        )
        texts.append(
            f"What matters most for {pair} is {shown(line.source)}: "
            f"{area(line.differences.get(key, 0.0), d.se_m2)} m² of a standard uncertainty of "
            f"{area(d.se_m2, d.se_m2)} m² in all (parts add up in squares)."
        )
    systematic = [b for b in estimate.budget if b.kind == "systematic"]
    if systematic:
        line = max(systematic, key=lambda b: b.positions.get(estimate.reference, 0.0))
        se = estimate.position(estimate.reference).se_m2
        size = area(line.positions.get(estimate.reference, 0.0), se)
        texts.append(
            f"The assumption that matters most for CdA itself is {shown(line.source)} "
            f"({size} m²); it moves all positions together and mostly cancels between them."
        )
    return " ".join(texts) or "No uncertainty budget came with this result."


def again_words(estimate: Estimate, savings: Savings | None) -> str:
    """Say what to ride again: the comparison that is open, how many runs it asks, spoiled runs."""
    spoiled = [str(r.run) for r in estimate.runs if not r.used]
    pair, runs = _open_pair(estimate, savings)
    if pair is not None:
        names = [f"“{shown(estimate.position(k).label)}”" for k in pair]
        text = f"What to ride again: {names[0]} against {names[1]}; {more_runs_words(runs)}."
    else:
        text = "What to ride again: nothing has to be, every comparison is resolved."
    if spoiled:
        text += f" Not used: {'run' if len(spoiled) == 1 else 'runs'} {', '.join(spoiled)}."
    return text


def _open_pair(
    estimate: Estimate, savings: Savings | None
) -> tuple[tuple[str, str] | None, Mapping[str, object] | None]:
    """Return the open pair worth riding again, later first, and what would decide it.

    With a race it is a pair of the first position: against today if that is open, else against
    the one tied with it that asks the fewest runs. Without one it is the nearest to resolved.
    """
    if savings is None:
        found = [d for d in estimate.differences if not d.resolved]
        if not found:
            return None, None
        d = max(found, key=lambda d: abs(d.delta_cda_m2) / d.se_m2)
        return (d.position, d.reference), d.more_runs
    first = next((p.id for p in ordered(savings) if not p.reference), None)
    more = savings.more_runs or {}
    pairs = [(later, earlier) for earlier, later in savings.undecided]
    if not pairs:
        return None, None
    pairs = [pair for pair in pairs if first in pair] or pairs

    def asked(pair: tuple[str, str]) -> tuple[bool, float]:
        needed = more.get("-".join(pair), {}).get("runs_each_for_80_percent_power")
        return savings.reference not in pair, (
            float(needed) if isinstance(needed, int | float) else float("inf")
        )

    best = min(pairs, key=asked)
    return best, more.get("-".join(best))


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
                saving(p.saved_s),
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
                f"as ridden today, whose race time comes to {clock_length(today.time_s)} "
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
                "Decided?",
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
    if savings.undecided:
        pairs = [f"{letter.get(a, a)} and {letter.get(b, b)}" for a, b in savings.undecided]
        blocks.append(
            Text(text=f"Not decided between {', '.join(pairs)}. Not decided does not mean equal.")
        )
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
    rows = [(ledger_label(x), ledger_range(x), shown(x.basis)) for x in savings.ledger]
    largest = max(savings.ledger, key=lambda x: x.saved_low_s + x.saved_high_s)
    total = total_words(savings)
    return [
        Table(
            caption="Other free time: ranges from the race file's own inputs, not measured here",
            head=("What", "Worth", "Basis"),
            rows=tuple(rows),
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
