"""The compact tables that `cda fit` and `cda race` print, in the page's words and order."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cda.results.numbers import (
    area,
    area_interval,
    area_se,
    percent,
    saving,
    saving_interval,
    shown,
)
from cda.results.words import (
    decided_words,
    difference_words,
    estimate_headline,
    held_words,
    ledger_label,
    ledger_range,
    letters,
    ordered,
    percent_level,
    race_words,
    savings_headline,
    total_words,
    wheels_words,
    worth_words,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cda.results.estimate import Estimate
    from cda.results.finding import Finding
    from cda.results.savings import Savings

LABEL_WIDTH = 34
TEXT_WIDTH = 100


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Return lines of a left-aligned table with a rule under its head."""
    widths = [max(len(line[k]) for line in (head, *rows)) for k in range(len(head))]
    lines = [
        "  ".join(cell.ljust(width) for cell, width in zip(line, widths, strict=True)).rstrip()
        for line in (head, *rows)
    ]
    lines.insert(1, "  ".join("-" * width for width in widths))
    return lines


def estimate_text(estimate: Estimate) -> str:
    """Return CdA of each position and the differences, as printed by `cda fit`."""
    level, letter = percent_level(estimate.level), letters(estimate)
    lines = [*_wrap(estimate_headline(estimate)), ""]
    lines += table(
        ("", "position", "CdA [m²]", f"{level} interval", "± (k=1)", "with wheels", "runs", "legs"),
        [
            (
                letter[p.id],
                shown(p.label, limit=LABEL_WIDTH) + (" (today)" if p.reference else ""),
                area(p.cda_m2, p.se_m2),
                area_interval(p.interval_m2, p.se_m2),
                area_se(p.se_m2),
                area(p.cda_with_wheels_m2, p.se_m2),
                str(p.runs),
                str(p.legs),
            )
            for p in estimate.positions
        ],
    )
    lines += ["", *_wrap(wheels_words())]
    if estimate.differences:
        lines += ["", "Differences (what is common to both cancels):"]
        lines += table(
            ("", "CdA [m²]", f"{level} interval", "lower drag", "verdict"),
            [
                (
                    f"{letter[d.position]} − {letter[d.reference]}",
                    area(d.delta_cda_m2, d.se_m2, sign=True),
                    area_interval(d.interval_m2, d.se_m2, sign=True),
                    percent(d.probability_lower_drag),
                    difference_words(d),
                )
                for d in estimate.differences
            ],
        )
    return "\n".join([*lines, *_findings(estimate.findings)])


def savings_text(savings: Savings) -> str:
    """Return the positions in order and the ledger, as printed by `cda race`."""
    letter = letters(savings)
    lines = [*_wrap(savings_headline(savings)), "", race_words(savings)]
    lines += ["", "Choose one position (they are alternatives, never added up):"]
    lines += table(
        (
            "",
            "position",
            "against today",
            f"{percent_level(savings.level)} interval",
            "faster",
            "held for",
            "worth it",
            "decided",
        ),
        [
            (
                letter[p.id],
                shown(p.label, limit=LABEL_WIDTH),
                "—" if p.reference else saving(p.saved_s),
                "—" if p.reference else saving_interval(p.saved_interval_s),
                "—" if p.reference else percent(p.probability_faster),
                held_words(p),
                worth_words(p),
                decided_words(p),
            )
            for p in ordered(savings)
        ],
    )
    if savings.undecided:
        pairs = ", ".join(
            f"{letter.get(a, a)} and {letter.get(b, b)}" for a, b in savings.undecided
        )
        lines += ["", *_wrap(f"Not decided between: {pairs}. Not decided does not mean equal.")]
    if savings.ledger:
        lines += ["", "Other free time (ranges from the race file's own inputs):"]
        lines += table(
            ("what", "worth", "basis"),
            [(ledger_label(x), ledger_range(x), shown(x.basis)) for x in savings.ledger],
        )
        total = total_words(savings)
        if total:
            lines += ["", *_wrap(total)]
    return "\n".join([*lines, *_findings(savings.findings)])


def _wrap(text: str) -> list[str]:
    import textwrap

    return textwrap.wrap(text, TEXT_WIDTH)


def _findings(findings: Sequence[Finding]) -> list[str]:
    return ["", *(str(f) for f in findings)] if findings else []
