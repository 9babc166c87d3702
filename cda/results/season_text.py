"""The tables that `cda archive` prints: tests, then every rider's positions and differences."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from cda.results.numbers import area, area_interval, fixed, shown
from cda.results.text import SEVERITY_ORDER, TEXT_WIDTH, table
from cda.results.words import letter, percent_level

if TYPE_CHECKING:
    from cda.results.season import (
        RiderSeason,
        Scatter,
        Season,
        SeasonDifference,
        SeasonPosition,
        SeasonTest,
    )

NAME_WIDTH = 24


def season_text(season: Season) -> str:
    """Return everything as text."""
    lines = [*textwrap.wrap(summary_words(season), TEXT_WIDTH), ""]
    lines += table(
        ("date", "test", "rider", "runs", "remarks"),
        [
            (
                test.date or "no date",
                shown(test.folder, limit=NAME_WIDTH),
                shown(test.rider_id or "—", limit=14),
                str(test.runs_used) if test.state == "done" else "—",
                test_words(test),
            )
            for test in season.tests
        ],
    )
    for rider in season.riders:
        lines += ["", *_rider_lines(rider, season.level)]
    rest = [f for f in season.findings if f.code not in ("test-bad", "test-fault")]
    for finding in sorted(rest, key=lambda f: SEVERITY_ORDER[f.severity]):
        for line in str(finding).splitlines():
            lines += textwrap.wrap(line, TEXT_WIDTH, subsequent_indent="  ")
    return "\n".join(lines)


def _rider_lines(rider: RiderSeason, level: float) -> list[str]:
    lines = [rider_title(rider)]
    lines += textwrap.wrap(scatter_words(rider, level), TEXT_WIDTH)
    lines += [
        "",
        *table(
            (
                "",
                "position",
                "days",
                "newest",
                f"CdA then, {percent_level(level)} [m²]",
                "in 30 days [m²]",
                "verdict",
            ),
            [
                (
                    letter(i),
                    shown(p.label) + (" (today)" if p.reference else ""),
                    str(p.days),
                    p.last_date,
                    area_interval(p.interval_m2, p.se_m2),
                    change_words(p),
                    p.standing,
                )
                for i, p in enumerate(rider.positions)
            ],
            label=1,
        ),
        "",
    ]
    for i, p in enumerate(rider.positions):
        lines += textwrap.wrap(
            f"{letter(i)}  {standing_words(p)}.", TEXT_WIDTH, subsequent_indent="   "
        )
    if rider.differences:
        lines += [
            "",
            *table(
                ("against today's", "days", "difference [m²]", "in 30 days [m²]", "verdict"),
                [
                    (
                        _letter(rider, d.position),
                        str(d.tests),
                        area_interval(d.interval_m2, d.se_m2, sign=True),
                        change_words(d),
                        season_difference_words(d),
                    )
                    for d in rider.differences
                ],
            ),
        ]
    return lines


def summary_words(season: Season) -> str:
    """Return what the pass found and did."""
    n = len(season.tests)
    bad = sum(t.state != "done" for t in season.tests)
    words = f"{n} test{'s' if n != 1 else ''}"
    if season.folder:
        words += f" below {shown(season.folder)}"
    parts = [f"{season.computed} computed now", f"{season.unchanged} unchanged"]
    if bad:
        parts.append(f"{bad} without a result")
    return f"{words}: {', '.join(parts)}."


def test_words(test: SeasonTest) -> str:
    """Return what to know of a test: why it does not count, or how many findings it has."""
    if test.reason is not None:
        why = shown(test.reason)
        return f"{'not computed' if test.state != 'done' else 'not counted'}: {why}"
    parts = []
    if test.runs_left_out:
        parts.append(f"{test.runs_left_out} run{'s' if test.runs_left_out > 1 else ''} left out")
    if test.warnings:
        parts.append(f"{test.warnings} warning{'s' if test.warnings > 1 else ''}")
    return ", ".join(parts) or "—"


def rider_title(rider: RiderSeason) -> str:
    """Return whose season it is, and on what."""
    on = f"bike {shown(rider.bike_id)}, power meter {shown(rider.power_meter_id)}"
    days = f"{rider.days} day{'s' if rider.days != 1 else ''}"
    span = rider.first_date if rider.days == 1 else f"{rider.first_date} to {rider.last_date}"
    return f"Rider {shown(rider.rider_id)} ({on}): {days}, {span}"


def scatter_words(rider: RiderSeason, level: float) -> str:
    """Return how much days differ, and on what that rests."""
    return (
        f"From day to day all positions together scatter by {_scatter(rider.day_to_day)}, each "
        f"position by {_scatter(rider.position_by_day)} more (one standard deviation, "
        f"{percent_level(level)})."
        + (
            " So few days say little: this is mostly what was believed before."
            if rider.days < 4
            else ""
        )
    )


def _scatter(scatter: Scatter) -> str:
    low, high = scatter.interval_m2
    return f"{fixed(scatter.sd_m2, 4)} m² ({fixed(low, 4)} to {fixed(high, 4)})"


def change_words(what: SeasonPosition | SeasonDifference) -> str:
    """Return the change in 30 days with its interval, or that it is not known."""
    if what.change_interval_m2 is None:
        return "not known"
    low, high = what.change_interval_m2
    return f"{fixed(low, 4, sign=True)} to {fixed(high, 4, sign=True)}"


def standing_words(position: SeasonPosition) -> str:
    """Return the verdict on a position with its reasons."""
    return f"{position.standing}: {'; '.join(position.reasons)}"


def season_difference_words(difference: SeasonDifference) -> str:
    """Return the verdict on a difference over the season."""
    if difference.resolved:
        return "lower drag" if difference.delta_cda_m2 < 0 else "higher drag"
    low, high = difference.interval_m2
    down, up = area(abs(low), difference.se_m2), area(abs(high), difference.se_m2)
    return f"not resolved: could be {down} lower or {up} higher"


def _letter(rider: RiderSeason, position_id: str) -> str:
    return letter([p.id for p in rider.positions].index(position_id))
