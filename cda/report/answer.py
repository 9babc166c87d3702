"""The answer: one sentence with its reference, how sure, what to ride again, what it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cda.report.blocks import Block, Items, Part, Text
from cda.results.assumed import first_words, minutes_assumption_words
from cda.results.numbers import area, percent, saving, shown
from cda.results.words import headline, more_runs_words, ordered, standing, tied_with

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cda.results import Difference, Estimate, Finding, PositionSavings, Savings

SHOWN_FIRST = 3
SEVERITY_ORDER = {"stop": 0, "warning": 1, "note": 2}
AGAIN = "Ride again"


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
    """Return the answer in one sentence, what a reader asks next, and the gravest doubts."""
    terms = [
        ("How sure", sure_words(estimate, savings)),
        ("Why it stands first", first_words(savings) if savings else None),
        (AGAIN, again_words(estimate, savings)),
        ("The assumption that matters most", assumption_words(estimate, savings)),
        ("What limits the test", limit_words(estimate, savings)),
    ]
    blocks: list[Block] = [
        Text(text=headline(estimate, savings), style="lead"),
        Items(terms=tuple((term, text) for term, text in terms if text)),
    ]
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


def _first(savings: Savings | None) -> PositionSavings | None:
    return next((p for p in ordered(savings) if not p.reference), None) if savings else None


def _against_today(estimate: Estimate, savings: Savings | None) -> Difference | None:
    """Return the difference that the answer is about."""
    against = [d for d in estimate.differences if d.reference == estimate.reference]
    best = _first(savings)
    mine = [d for d in against if best is not None and d.position == best.id] or against
    return min(mine, key=lambda d: d.delta_cda_m2, default=None)


def sure_words(estimate: Estimate, savings: Savings | None) -> str | None:
    """Say how likely the first position is faster, and what choosing the best of several does."""
    best, difference = _first(savings), _against_today(estimate, savings)
    if best is None or savings is None:
        if difference is None:
            return None
        likely = percent(difference.probability_lower_drag)
        label = shown(estimate.position(difference.position).label)
        return f"“{label}” is {likely} likely to have less drag than today's position."
    if best.probability_faster is None:
        return "How likely it is to be faster is not known."
    text = (
        f"“{shown(best.label)}” is {percent(best.probability_faster)} likely to be faster than "
        f"today's position and {percent(best.probability_fastest)} likely to be the fastest of all "
        "tested."
    )
    if best.saved_corrected_for_choice_s is not None:
        gain = saving(best.saved_corrected_for_choice_s, like=best.saved_interval_s)
        text += f" Corrected for having been picked as the best of several: {gain}."
    if best.decided and difference is not None and standing(difference) == "alone":
        text += " As the only pair asked it is decided; with all pairs counted it is not resolved."
    return text + (" Not decided does not mean equal." if tied_with(savings, best.id) else "")


def assumption_words(estimate: Estimate, savings: Savings | None) -> str:
    """Say which assumption matters most: for the minutes, without a race for the drag area."""
    texts = [minutes_assumption_words(savings)] if savings else []
    systematic = [b for b in estimate.budget if b.kind == "systematic"]
    d = _against_today(estimate, savings)
    if systematic and d is not None and not any(texts):
        key = f"{d.position}-{d.reference}"
        line = max(systematic, key=lambda b: b.differences.get(key, 0.0))
        texts.append(
            f"For this difference: {shown(line.source)}, "
            f"{area(line.differences.get(key, 0.0), d.se_m2)} m²."
        )
    if systematic:
        line = max(systematic, key=lambda b: b.positions.get(estimate.reference, 0.0))
        se = estimate.position(estimate.reference).se_m2
        size = area(line.positions.get(estimate.reference, 0.0), se)
        texts.append(
            f"For CdA itself: {shown(line.source)} (± {size} m²), which moves all positions "
            "together and mostly cancels between them."
        )
    return " ".join(t for t in texts if t) or "No uncertainty budget came with this result."


def limit_words(estimate: Estimate, savings: Savings | None) -> str | None:
    """Say which source makes the most of the uncertainty of the difference asked about."""
    d = _against_today(estimate, savings)
    if d is None or not estimate.budget:
        return None
    key = f"{d.position}-{d.reference}"
    line = max(estimate.budget, key=lambda b: b.differences.get(key, 0.0))
    return (
        f"{shown(line.source).capitalize()}: ± {area(line.differences.get(key, 0.0), d.se_m2)} of "
        f"the ± {area(d.se_m2, d.se_m2)} m² in the difference of drag (k = 1; parts add up in "
        "squares)."
    )


def again_words(estimate: Estimate, savings: Savings | None) -> str:
    """Say what to ride again: the comparison that is open, how many runs it asks, spoiled runs."""
    spoiled = [str(r.run) for r in estimate.runs if not r.used]
    pair, runs = _open_pair(estimate, savings)
    if pair is None:
        text = "Nothing has to be, every comparison is decided."
    else:
        text = " against ".join(f"“{shown(estimate.position(k).label)}”" for k in pair)
        wanted = _advice(savings, pair) or more_runs_words(runs)
        hopeless = runs is not None and runs.get("runs_each_for_80_percent_power") is None
        text = f"Nothing: for {text} {wanted}." if hopeless else f"{text}: {wanted}."
        ridden = [estimate.position(k).runs for k in pair]
        so_far = (
            f"{ridden[0]} of each" if ridden[0] == ridden[1] else " and ".join(map(str, ridden))
        )
        text += f" Used so far: {so_far}."
    if spoiled:
        text += f" Not used: {'run' if len(spoiled) == 1 else 'runs'} {', '.join(spoiled)}."
    return text


def _advice(savings: Savings | None, pair: tuple[str, str]) -> str | None:
    """Return what the finding about an open pair says is to be done."""
    later, earlier = pair
    return next(
        (
            f.fix
            for f in (savings.findings if savings else ())
            if f.code == "undecided-pair" and f.where == f"{earlier}, {later}"
        ),
        None,
    )


def _open_pair(
    estimate: Estimate, savings: Savings | None
) -> tuple[tuple[str, str] | None, Mapping[str, object] | None]:
    """Return the open pair worth riding again, later first, and what would decide it.

    With a race it is a pair of the first position: against today if that is open, else against
    the one tied with it that asks the fewest runs. Without one it is the answer's own pair, else
    the nearest to resolved.
    """
    if savings is None:
        found = [d for d in estimate.differences if not d.resolved]
        if not found:
            return None, None
        asked_about = _against_today(estimate, savings)
        d = (
            asked_about
            if asked_about in found
            else max(found, key=lambda d: abs(d.delta_cda_m2) / d.se_m2)
        )
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
