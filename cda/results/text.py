"""The compact tables that `cda fit` and `cda race` print, in the page's words and order."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cda.results.assumed import first_words
from cda.results.numbers import (
    area,
    area_interval,
    area_se,
    percent,
    saving,
    saving_interval,
    shown,
)
from cda.results.practice import PRACTICE_HEAD, practice_rows, practice_words
from cda.results.words import (
    NOT_EQUAL,
    difference_words,
    estimate_headline,
    letters,
    ordered,
    percent_level,
    race_words,
    resolved_words,
    savings_headline,
    sentences,
    total_words,
    undecided_words,
    wheels_words,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cda.results.estimate import Estimate
    from cda.results.finding import Finding
    from cda.results.savings import Savings

TEXT_WIDTH = 80
FINDINGS_FIRST = 3
SEVERITY_ORDER = {"stop": 0, "warning": 1, "note": 2}


def table(head: Sequence[str], rows: Sequence[Sequence[str]], *, label: int = -1) -> list[str]:
    """Return lines of a left-aligned table with a rule under its head.

    Parameters
    ----------
    head, rows : sequences of str
    label : int
        The column that is folded where the table would be too wide; the last by default.
        Every head is folded at its spaces to the width of its column.

    Returns
    -------
    lines : list of str
    """
    import textwrap

    places = range(len(head))
    folded = label % len(head)
    widths = [
        max([len(word) for word in head[k].split()] + [len(row[k]) for row in rows]) for k in places
    ]
    left = TEXT_WIDTH - sum(w for k, w in enumerate(widths) if k != folded) - 2 * (len(head) - 1)
    widths[folded] = min(widths[folded], max(16, left))
    lines = []
    for index, line in enumerate((head, *rows)):
        cells = [
            textwrap.wrap(line[k], widths[k]) if index == 0 or k == folded else [line[k]]
            for k in places
        ]
        for turn in range(max(1, *map(len, cells))):
            parts = [
                (cell[turn] if turn < len(cell) else "").ljust(width)
                for cell, width in zip(cells, widths, strict=True)
            ]
            lines.append("  ".join(parts).rstrip())
        if index == 0:
            lines.append("  ".join("-" * width for width in widths))
    return lines


def estimate_text(estimate: Estimate) -> str:
    """Return CdA of each position and the differences, as printed by `cda fit`."""
    level, letter = percent_level(estimate.level), letters(estimate)
    lines = [*_wrap(estimate_headline(estimate)), ""]
    lines += table(
        (
            "",
            "position",
            "CdA [m²]",
            f"interval ({level})",
            "± (k=1)",
            "with wheels",
            "runs / legs",
        ),
        [
            (
                letter[p.id],
                shown(p.label) + (" (today)" if p.reference else ""),
                area(p.cda_m2, p.se_m2),
                area_interval(p.interval_m2, p.se_m2),
                area_se(p.se_m2),
                area(p.cda_with_wheels_m2, p.se_m2),
                f"{p.runs} / {p.legs}",
            )
            for p in estimate.positions
        ],
        label=1,
    )
    lines += ["", *_wrap(wheels_words())]
    if estimate.differences:
        lines += ["", "Differences (what is common to both cancels):"]
        lines += table(
            ("pair", "difference [m²]", f"interval ({level})", "likely lower drag", "verdict"),
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
        lines += ["", *_wrap(f"{resolved_words(estimate.differences)}. {NOT_EQUAL}")]
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
            f"interval ({percent_level(savings.level)})",
            "likely to be faster",
        ),
        [
            (
                letter[p.id],
                shown(p.label) + (" (today)" if p.reference else ""),
                "—" if p.reference else saving(p.saved_s, like=p.saved_interval_s),
                "—" if p.reference else saving_interval(p.saved_interval_s),
                "—" if p.reference else percent(p.probability_faster),
            )
            for p in ordered(savings)
        ],
        label=1,
    )
    said = sentences(savings)
    for p in ordered(savings):
        lines += ["", *_wrap(f"{letter[p.id]}  {said[p.id]}", indent="   ")]
    for text in (first_words(savings), undecided_words(savings)):
        lines += ["", *_wrap(text)] if text else []
    if savings.ledger:
        lines += ["", *_wrap(f"{practice_words(savings)}:")]
        lines += table([head.lower() for head in PRACTICE_HEAD], practice_rows(savings))
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
