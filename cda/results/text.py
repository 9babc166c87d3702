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
    difference_words,
    estimate_headline,
    ledger_label,
    ledger_range,
    letters,
    ordered,
    percent_level,
    race_words,
    savings_headline,
    sentences,
    total_words,
    wheels_words,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cda.results.estimate import Estimate
    from cda.results.finding import Finding
    from cda.results.savings import Savings

LABEL_WIDTH = 34
TEXT_WIDTH = 100
FINDINGS_FIRST = 3
SEVERITY_ORDER = {"stop": 0, "warning": 1, "note": 2}


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> list[str]:
    """Return lines of a left-aligned table with a rule under its head; the last cell may wrap."""
    import textwrap

    fixed_widths = [max(len(line[k]) for line in (head, *rows)) for k in range(len(head) - 1)]
    left = TEXT_WIDTH - sum(fixed_widths) - 2 * len(fixed_widths)
    last = min(max(24, left), max(len(line[-1]) for line in (head, *rows)))
    widths = [*fixed_widths, last]
    lines = ["  ".join("-" * width for width in widths)]
    for line in (head, *rows):
        ends = textwrap.wrap(line[-1], last) or [""]
        for k, end in enumerate(ends):
            cells = (*(line[:-1] if k == 0 else [""] * (len(line) - 1)), end)
            lines.append(
                "  ".join(cell.ljust(w) for cell, w in zip(cells, widths, strict=True)).rstrip()
            )
    lines[:2] = [lines[1], lines[0]]  # the rule stands under the head, which is one line
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
        ),
        [
            (
                letter[p.id],
                shown(p.label, limit=LABEL_WIDTH),
                "—" if p.reference else saving(p.saved_s),
                "—" if p.reference else saving_interval(p.saved_interval_s),
                "—" if p.reference else percent(p.probability_faster),
            )
            for p in ordered(savings)
        ],
    )
    said = sentences(savings)
    for p in ordered(savings):
        lines += ["", *_wrap(f"{letter[p.id]}  {said[p.id]}", indent="   ")]
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


def _wrap(text: str, *, indent: str = "") -> list[str]:
    import textwrap

    return textwrap.wrap(text, TEXT_WIDTH, subsequent_indent=indent)


def _findings(findings: Sequence[Finding]) -> list[str]:
    """Return the gravest findings, and how many more there are and where they stand."""
    if not findings:
        return []
    gravest = sorted(findings, key=lambda f: SEVERITY_ORDER[f.severity])
    lines = [""]
    for finding in gravest[:FINDINGS_FIRST]:
        for line in str(finding).splitlines():
            lines += _wrap(line, indent="  ")
    rest = gravest[FINDINGS_FIRST:]
    if rest:
        grave = sum(f.severity != "note" for f in rest)
        of_it = f", {grave} of them no mere note" + ("s" if grave > 1 else "") if grave else ""
        lines += ["", f"{len(rest)} more{of_it}: all with --json, and on the page of cda report."]
    return lines
