"""The analyst's part: every number, picture and assumption, folded where it is long."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cda.figures import (
    plot_budget,
    plot_differences,
    plot_positions,
)
from cda.report.answer import all_findings, finding_words
from cda.report.blocks import Block, Fold, Heading, Items, Part, Picture, Table, Text
from cda.report.ride import ride_blocks
from cda.results.numbers import (
    UNKNOWN,
    area,
    area_interval,
    area_se,
    fixed,
    percent,
    quantity,
    shown,
)
from cda.results.words import (
    difference_words,
    letters,
    percent_level,
    resolved_words,
    wheels_words,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cda.results import Estimate, Finding, Savings

SMALL_M2 = 0.0001  # the last place shown of a contribution


def analyst(estimate: Estimate, savings: Savings | None) -> Part:
    """Return every number with how it came about."""
    blocks: list[Block] = []
    blocks += [Heading(text="CdA of each position", level=3), *_positions(estimate)]
    if estimate.differences:
        blocks += [Heading(text="Differences", level=3), *_differences(estimate)]
    blocks += [Heading(text="Uncertainty budget", level=3), *_budget(estimate)]
    blocks += [Heading(text="The ride behind it", level=3), *ride_blocks(estimate)]
    blocks += [Heading(text="Runs", level=3), *_runs(estimate)]
    found = all_findings(estimate, savings)
    if found:
        blocks += [
            Heading(text="All findings", level=3),
            Fold(
                summary=_count(found),
                blocks=(Items(items=tuple(finding_words(f) for f in found)),),
            ),
        ]
    return Part(id="analyst", title="For the analyst: how it came about", blocks=tuple(blocks))


def _count(found: Sequence[Finding]) -> str:
    """Return how many findings there are of each severity."""
    parts = []
    for severity in ("stop", "warning", "note"):
        many = sum(f.severity == severity for f in found)
        if many:
            parts.append(f"{many} {severity}{'s' if many > 1 else ''}")
    return ", ".join(parts)


def _positions(estimate: Estimate) -> list[Block]:
    letter, level = letters(estimate), percent_level(estimate.level)
    rows = [
        (
            f"{letter[p.id]} {shown(p.label)}" + (" (today)" if p.reference else ""),
            area(p.cda_m2, p.se_m2),
            area_interval(p.interval_m2, p.se_m2),
            area_se(p.se_m2),
            f"{area_se(p.statistical_se_m2)} (dof {fixed(p.statistical_dof, 0)})",
            area_se(p.systematic_se_m2),
            area(p.cda_with_wheels_m2, p.se_m2),
            f"{p.runs} / {p.legs}",
        )
        for p in estimate.positions
    ]
    lowest = min(estimate.positions, key=lambda p: p.cda_m2)
    return [
        Text(text=wheels_words()),
        Picture(
            name="cda_by_position",
            draw=lambda ax: plot_positions(estimate, ax=ax),
            caption=(
                f"CdA with its {level} interval (diamond: today's position); the strokes below are "
                "the runs, each on its own. What all positions share moves them together, so "
                "overlap here says little about a difference."
            ),
            finding=(
                f"Lowest is “{shown(lowest.label)}” with {area(lowest.cda_m2, lowest.se_m2)} m², "
                f"interval {area_interval(lowest.interval_m2, lowest.se_m2)} m²."
            ),
        ),
        Table(
            caption="CdA of each position [m²]; uncertainties are standard (k = 1)",
            head=(
                "Position",
                "CdA",
                f"Interval ({level})",
                "Standard uncertainty",
                "of it from replication",
                "of it from shared inputs",
                "CdA with turning wheels",
                "Runs / legs",
            ),
            rows=tuple(rows),
            numeric=frozenset(range(1, 8)),
            restack=True,
        ),
    ]


def _differences(estimate: Estimate) -> list[Block]:
    letter, level = letters(estimate), percent_level(estimate.level)
    rows = [
        (
            f"{letter[d.position]} − {letter[d.reference]}",
            difference_words(d),
            area(d.delta_cda_m2, d.se_m2, sign=True),
            area_interval(d.interval_m2, d.se_m2, sign=True),
            percent(d.probability_lower_drag),
        )
        for d in estimate.differences
    ]
    finer = [
        (
            f"{letter[d.position]} − {letter[d.reference]}",
            area_interval(d.simultaneous_interval_m2, d.se_m2, sign=True),
            f"{area_se(d.se_m2)} (dof {fixed(d.dof, 0)})",
            _p_value(d.adjusted_p),
            area_se(d.smallest_resolvable_m2),
        )
        for d in estimate.differences
    ]
    return [
        Picture(
            name="differences",
            draw=lambda ax: plot_differences(estimate, ax=ax),
            caption=(
                "All pairs, first minus second letter. Diamonds are against today. Filled: "
                "resolved; half filled: only as the only pair asked; hollow: not resolved, which "
                "does not mean equal."
            ),
            finding=f"{resolved_words(estimate.differences)}.",
        ),
        Table(
            caption="Differences of CdA [m²]: what is common to both positions has cancelled",
            head=(
                "Pair",
                "Verdict",
                "Difference",
                f"Interval ({level})",
                "Likely lower drag",
            ),
            rows=tuple(rows),
            numeric=frozenset(range(2, 5)),
            restack=True,
        ),
        Table(
            caption=(
                "The same differences [m²] for all pairs at once, and the smallest that this test "
                "would show 8 times in 10"
            ),
            head=(
                "Pair",
                f"Interval for all pairs ({level})",
                "Standard uncertainty",
                "Adjusted p",
                "Smallest resolvable",
            ),
            rows=tuple(finer),
            numeric=frozenset(range(1, 5)),
            restack=True,
        ),
    ]


def _p_value(value: float) -> str:
    return "under 0.001" if value < 0.001 else fixed(value, 3)


def _budget(estimate: Estimate) -> list[Block]:
    if not estimate.budget:
        return [Text(text="No uncertainty budget came with this result.")]
    letter = letters(estimate)
    against = [d for d in estimate.differences if d.reference == estimate.reference]
    rows, small = [], []
    for line in sorted(estimate.budget, key=lambda b: -max(b.positions.values(), default=0.0)):
        if max([*line.positions.values(), *line.differences.values()], default=0.0) < SMALL_M2:
            small.append(shown(line.source))
            continue
        rows.append(
            (
                f"{shown(line.source)} ({line.kind})",
                *(_part(line.positions.get(p.id)) for p in estimate.positions),
                *(_part(line.differences.get(f"{d.position}-{d.reference}")) for d in against),
            )
        )
    head = (
        "Source",
        *(letter[p.id] for p in estimate.positions),
        *(f"{letter[d.position]} − {letter[d.reference]}" for d in against),
    )
    largest = max(estimate.budget, key=lambda b: b.positions.get(estimate.reference, 0.0))
    return [
        Picture(
            name="uncertainty_budget",
            draw=lambda ax: plot_budget(estimate, ax=ax),
            caption=(
                "What each source adds to the uncertainty of one position (solid) and of a "
                "difference (hatched). Contributions add up in squares."
            ),
            finding=f"The largest source for one position is {shown(largest.source)}.",
        ),
        Fold(
            summary="The budget as a table",
            blocks=(
                Table(
                    caption="Contributions to the standard uncertainty [m²]",
                    head=head,
                    rows=tuple(rows),
                    numeric=frozenset(range(1, len(head))),
                ),
                *(
                    [Text(text=f"Under {SMALL_M2:.4f} m² everywhere: {', '.join(small)}.")]
                    if small
                    else []
                ),
            ),
        ),
    ]


def _part(value: float | None) -> str:
    if value is None:
        return UNKNOWN
    return f"<{SMALL_M2:.4f}" if 0.0 <= value < SMALL_M2 else fixed(value, 4)


def _runs(estimate: Estimate) -> list[Block]:
    letter = letters(estimate)
    rows = []
    for r in estimate.runs:
        rows.append(
            (
                f"{r.run}" if len(estimate.sessions) == 1 else f"{shown(r.session)} / {r.run}",
                letter.get(r.position, shown(r.position)),
                area(r.cda_m2, r.se_m2),
                area_se(r.se_m2),
                UNKNOWN if r.mean_power_w is None else f"{r.mean_power_w:.0f}",
                UNKNOWN if r.mean_speed_m_s is None else f"{r.mean_speed_m_s:.1f}",
                UNKNOWN if r.heart_rate_bpm is None else f"{r.heart_rate_bpm:.0f}",
                UNKNOWN if r.comfort is None else f"{r.comfort:g}",
                "used" if r.used else f"not used: {shown(r.reason or 'no reason given')}",
                shown(r.note or ""),
            )
        )
    unused = sum(not r.used for r in estimate.runs)
    table = Table(
        caption="Each run on its own, not drawn towards its position; without the shared inputs",
        head=(
            "Run",
            "Position",
            "CdA [m²]",
            "Standard uncertainty [m²]",
            "Power [W]",
            "Speed [m/s]",
            "Heart rate [1/min]",
            "Comfort [0 to 10]",
            "Used?",
            "Note",
        ),
        rows=tuple(rows),
        numeric=frozenset(range(2, 8)),
    )
    return [
        Fold(summary=f"{len(estimate.runs)} runs, {unused} not used", blocks=(table,)),
        Fold(summary=f"Wind of {len(estimate.wind)} legs", blocks=(_winds(estimate),)),
    ]


def _winds(estimate: Estimate) -> Table:
    """Return the wind of the legs, a row a run, its legs beside each other."""
    ways = list(dict.fromkeys(w.leg for w in estimate.wind))
    met: dict[tuple[str, int], dict[str, list[str]]] = {}
    for w in estimate.wind:
        cells = met.setdefault((w.session, w.run), {way: [] for way in ways})
        cells[w.leg].append(quantity(w.headwind_m_s, w.se_m_s, low=1, high=1))
    return Table(
        caption=(
            "Headwind that each leg met [m/s], with its standard uncertainty; positive slows the "
            "rider"
        ),
        head=("Run", *(shown(way).capitalize() for way in ways)),
        rows=tuple(
            (
                f"{run}" if len(estimate.sessions) == 1 else f"{shown(session)} / {run}",
                *(", ".join(cells[way]) or "—" for way in ways),
            )
            for (session, run), cells in met.items()
        ),
        numeric=frozenset(range(1, len(ways) + 1)),
    )
