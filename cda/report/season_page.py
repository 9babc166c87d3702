"""The page of a season: for every rider what has settled, what to retest, and the trends."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from cda.figures.season import plot_season_changes, plot_season_position
from cda.report.blocks import Block, Fold, Items, Panels, Part, Picture, Table, Text
from cda.report.closing import CAUTIONS
from cda.report.export import csv_bytes
from cda.report.page import render_page
from cda.results.numbers import area, area_interval, area_se, fixed, shown
from cda.results.season_text import (
    change_words,
    rider_title,
    scatter_words,
    season_difference_words,
    standing_words,
    summary_words,
    test_words,
)
from cda.results.words import percent_level

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from cda.results.season import RiderSeason, Season, SeasonPosition

METHOD = (
    "Each position follows a straight line through the season. A day may lie off it for all "
    "positions together (power zero, air reading, tyres, clothes) and for each position by itself "
    "(bars, how it was taken); how much, is estimated from the days by restricted maximum "
    "likelihood with weak beliefs beforehand, and averaged over, so that few days widen the "
    "intervals. Scale of the power meter, masses and tyres are the same error on every day: it "
    "cancels in a change and in a difference, and stays in CdA itself.",
    "Set aside: over the season the position has more drag than today's. Settled: ridden on three "
    "days or more, the interval of its change in 30 days against today's position (for today's "
    "position its own change) lies within ±0.003 m², its newest test lies within 2.5 standard "
    "deviations of the line and is at most 90 days older than the rider's newest. Everything else "
    "needs a retest, and the reason stands beside it (common practice, no source).",
)


def build_season_page(season: Season) -> str:
    """Return the season as one self-contained HTML page; a section for each rider."""
    named = [(_heading(r, season), rider_parts(r, season.level)) for r in season.riders]
    if len(named) == 1:
        named = [("", [*named[0][1], *_closing(season)])]
    else:
        named.append(("All tests" if named else "", _closing(season)))
    return render_page(named, title=season_title(season), subtitle=_subtitle(season))


def _heading(rider: RiderSeason, season: Season) -> str:
    """Return whose section it is; bike and meter only where they tell two sections apart."""
    name = f"Rider {shown(rider.rider_id)}"
    if sum(r.rider_id == rider.rider_id for r in season.riders) == 1:
        return name
    return f"{name}, {shown(rider.bike_id)}, {shown(rider.power_meter_id)}"


def season_title(season: Season) -> str:
    """Return the title of the page."""
    return f"Season: {shown(season.folder)}" if season.folder else "Season"


def _subtitle(season: Season) -> str:
    counted = sum(t.counted for t in season.tests)
    riders = len({r.rider_id for r in season.riders})
    words = f"{counted} of {len(season.tests)} tests count, {riders} rider"
    return f"{words}{'s' if riders != 1 else ''}."


def rider_parts(rider: RiderSeason, level: float) -> list[Part]:
    """Return the parts of one rider."""
    settled = [p for p in rider.positions if p.standing == "settled"]
    retest = [p for p in rider.positions if p.standing == "retest"]
    blocks: list[Block] = [
        Text(text=_lead(settled, retest), style="lead"),
        Text(text=f"{rider_title(rider)}.", style="small"),
        Table(
            caption="Where each position stands; changes are against today's position, for today's "
            "position its own",
            head=("Position", "Verdict", "Days", "Newest test", "Change in 30 days [m²]"),
            rows=tuple(
                (
                    shown(p.label) + (" (today)" if p.reference else ""),
                    standing_words(p),
                    str(p.days),
                    p.last_date,
                    _judged_words(rider, p),
                )
                for p in rider.positions
            ),
            numeric=frozenset({2}),
            restack=True,
        ),
    ]
    drawn = [p for p in rider.positions if rider.change_judged(p) is not None]
    if drawn:
        blocks.append(
            Picture(
                name="season_changes",
                draw=lambda ax: plot_season_changes(rider, ax=ax),
                caption=f"Bars are {percent_level(level)} intervals. A hollow mark needs a retest. "
                "The position ridden today is in colour, with its own change.",
                finding=_changes_found(rider, drawn),
            )
        )
    return [
        Part(id="standing", title="What has settled, what to retest", blocks=tuple(blocks)),
        Part(id="trends", title="Day by day", blocks=_trends(rider, level)),
    ]


def _lead(settled: list[SeasonPosition], retest: list[SeasonPosition]) -> str:
    def names(positions: list[SeasonPosition]) -> str:
        return ", ".join(f"“{shown(p.label)}”" for p in positions)

    if not retest:
        return "Nothing needs a retest." + (f" Settled: {names(settled)}." if settled else "")
    again = f"Test again: {names(retest)}."
    return f"{again} Settled: {names(settled)}." if settled else f"{again} Nothing has settled yet."


def _judged_words(rider: RiderSeason, position: SeasonPosition) -> str:
    change = rider.change_judged(position)
    if change is None:
        return "not known"
    low, high = change[1]
    return f"{fixed(low, 4, sign=True)} to {fixed(high, 4, sign=True)}"


def _changes_found(rider: RiderSeason, positions: list[SeasonPosition]) -> str:
    parts = []
    for p in positions:
        low, high = (rider.change_judged(p) or (0.0, (0.0, 0.0)))[1]
        way = "going down" if high < 0 else "going up" if low > 0 else "no clear change"
        parts.append(f"“{shown(p.label)}”: {way}")
    return f"Change of CdA in 30 days against today's position. {'; '.join(parts)}."


def _trends(rider: RiderSeason, level: float) -> tuple[Block, ...]:
    panels = tuple(
        (
            shown(p.label),
            Picture(
                name=f"season_{i + 1}",
                draw=partial(_draw, rider, p.id),
                caption="",
                finding=_found(p),
            ),
        )
        for i, p in enumerate(rider.positions)
    )
    blocks: list[Block] = [
        Text(text=scatter_words(rider, level)),
        Panels(
            name="season",
            panels=panels,
            caption="A point is a test, its bar one standard uncertainty of that day alone. The "
            f"line is the season's, its band the {percent_level(level)} interval without what all "
            "days share. All panels have the same scales.",
        ),
        Table(
            caption="CdA on the day of the newest test, from the season's line",
            head=("Position", "CdA [m²]", f"{percent_level(level)} [m²]", "of it from days [m²]"),
            rows=tuple(
                (
                    shown(p.label),
                    area(p.cda_m2, p.se_m2),
                    area_interval(p.interval_m2, p.se_m2),
                    f"± {area_se(p.statistical_se_m2)}",
                )
                for p in rider.positions
            ),
            numeric=frozenset({1, 2, 3}),
        ),
    ]
    if rider.differences:
        label = {p.id: p.label for p in rider.positions}
        blocks.append(
            Table(
                caption=f"Against “{shown(label[rider.reference])}”, ridden today, in the middle "
                "of the days on which both were ridden",
                head=(
                    "Position",
                    "Difference [m²]",
                    f"{percent_level(level)} [m²]",
                    "Change in 30 days [m²]",
                    "Verdict",
                ),
                rows=tuple(
                    (
                        shown(label[d.position]),
                        area(d.delta_cda_m2, d.se_m2, sign=True),
                        area_interval(d.interval_m2, d.se_m2, sign=True),
                        change_words(d),
                        season_difference_words(d),
                    )
                    for d in rider.differences
                ),
                numeric=frozenset({1, 2, 3}),
                restack=True,
            )
        )
    return tuple(blocks)


def _draw(rider: RiderSeason, position: str, ax: Axes | None) -> Axes:
    return plot_season_position(rider, position, ax=ax)


def _found(position: SeasonPosition) -> str:
    values = [p.cda_m2 for p in position.points]
    days = f"{position.days} day{'s' if position.days != 1 else ''}"
    return f"{days}, CdA from {fixed(min(values), 3)} to {fixed(max(values), 3)} m²."


def _closing(season: Season) -> list[Part]:
    tests = Table(
        caption=summary_words(season),
        head=("Test", "Date", "Rider", "Positions", "Runs used", "Run to run [m²]", "Remarks"),
        rows=tuple(
            (
                shown(t.folder),
                t.date or "no date",
                shown(t.rider_id or "—"),
                str(t.positions) if t.positions else "—",
                str(t.runs_used) if t.runs_used else "—",
                "—" if t.run_to_run_sd_m2 is None else fixed(t.run_to_run_sd_m2, 4),
                test_words(t),
            )
            for t in season.tests
        ),
        numeric=frozenset({3, 4, 5}),
        restack=True,
    )
    findings = tuple(str(f).replace("\n  ", " ") for f in season.findings)
    blocks: tuple[Block, ...] = (tests,)
    if findings:
        blocks += (Fold(summary="What to mend", blocks=(Items(items=findings),)),)
    return [
        Part(id="tests", title="The tests", blocks=blocks),
        Part(id="method", title="How it is worked out", blocks=tuple(Text(text=t) for t in METHOD)),
        Part(id="cautions", title="Cautions", blocks=(Items(items=CAUTIONS),)),
    ]


TABLES = ("season_tests", "season_positions", "season_days", "season_differences")


def season_tables(season: Season) -> dict[str, list[dict[str, object]]]:
    """Return the numbers, not rounded, as the rows of `result_NAME.csv`."""
    tests: list[dict[str, object]] = [
        {
            "date": t.date,
            "test": t.folder,
            "state": t.state,
            "counted": t.counted,
            "rider_id": t.rider_id,
            "bike_id": t.bike_id,
            "power_meter_id": t.power_meter_id,
            "positions": t.positions,
            "runs_used": t.runs_used,
            "runs_left_out": t.runs_left_out,
            "run_to_run_sd_m2": t.run_to_run_sd_m2,
            "warnings": t.warnings,
            "reason": t.reason,
        }
        for t in season.tests
    ]
    positions: list[dict[str, object]] = []
    days: list[dict[str, object]] = []
    differences: list[dict[str, object]] = []
    for r in season.riders:
        whose = {
            "rider_id": r.rider_id,
            "bike_id": r.bike_id,
            "power_meter_id": r.power_meter_id,
        }
        for p in r.positions:
            change = p.change_interval_m2 or (None, None)
            positions.append(
                whose
                | {
                    "position": p.id,
                    "label": p.label,
                    "reference": p.reference,
                    "tests": p.tests,
                    "days": p.days,
                    "first_date": p.first_date,
                    "last_date": p.last_date,
                    "cda_m2": p.cda_m2,
                    "se_m2": p.se_m2,
                    "statistical_se_m2": p.statistical_se_m2,
                    "dof": p.dof,
                    "interval_low_m2": p.interval_m2[0],
                    "interval_high_m2": p.interval_m2[1],
                    "change_per_30_days_m2": p.change_per_30_days_m2,
                    "change_se_m2": p.change_se_m2,
                    "change_low_m2": change[0],
                    "change_high_m2": change[1],
                    "standing": p.standing,
                    "reasons": "; ".join(p.reasons),
                    "day_to_day_sd_m2": r.day_to_day.sd_m2,
                    "position_by_day_sd_m2": r.position_by_day.sd_m2,
                }
            )
            days += [
                whose
                | {
                    "position": p.id,
                    "date": at.date,
                    "test": at.folder,
                    "cda_m2": at.cda_m2,
                    "statistical_se_m2": at.statistical_se_m2,
                    "off_the_line_sd": at.off_the_line_sd,
                }
                for at in p.points
            ]
        differences += [
            whose
            | {
                "position": d.position,
                "reference": d.reference,
                "tests": d.tests,
                "on_date": d.on_date,
                "delta_cda_m2": d.delta_cda_m2,
                "se_m2": d.se_m2,
                "dof": d.dof,
                "interval_low_m2": d.interval_m2[0],
                "interval_high_m2": d.interval_m2[1],
                "probability_lower_drag": d.probability_lower_drag,
                "resolved": d.resolved,
                "change_per_30_days_m2": d.change_per_30_days_m2,
                "change_se_m2": d.change_se_m2,
                "change_low_m2": (d.change_interval_m2 or (None, None))[0],
                "change_high_m2": (d.change_interval_m2 or (None, None))[1],
            }
            for d in r.differences
        ]
    return dict(zip(TABLES, (tests, positions, days, differences), strict=True))


def season_csv(season: Season) -> dict[str, bytes]:
    """Return the tables as CSV files: name to content."""
    return {f"result_{name}.csv": csv_bytes(rows) for name, rows in season_tables(season).items()}
