"""A season: one position from day to day with its line, and all changes beside each other."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING

from cda.figures.style import (
    ACCENT,
    FAINT,
    INK,
    LABELLED_IN,
    ROW_IN,
    interval,
    new_axes,
    rows_axis,
    scale_lines,
    sides_of_zero,
)
from cda.results.numbers import shown

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from cda.results.season import RiderSeason

LABEL_LIMIT = 46


def plot_season_position(rider: RiderSeason, position: str, *, ax: Axes | None = None) -> Axes:
    """Draw CdA of one position day by day, its line, and the band the line lies in.

    Bars are one standard uncertainty of the day alone; what all days share is left out.
    All positions of a rider are drawn on the same scales.
    """
    from matplotlib.dates import AutoDateLocator, ConciseDateFormatter

    if ax is None:
        ax = new_axes(2.3, left_in=LABELLED_IN)
    mine = next(p for p in rider.positions if p.id == position)
    if mine.line:
        days = [_day(point.date) for point in mine.line]
        ax.fill_between(
            days,  # type: ignore[arg-type]
            [point.interval_m2[0] for point in mine.line],
            [point.interval_m2[1] for point in mine.line],
            color=FAINT,
            linewidth=0.0,
        )
        ax.plot(days, [point.cda_m2 for point in mine.line], color=ACCENT, linewidth=1.4)  # type: ignore[arg-type]
    ax.errorbar(
        [_day(point.date) for point in mine.points],  # type: ignore[arg-type]
        [point.cda_m2 for point in mine.points],
        yerr=[point.statistical_se_m2 for point in mine.points],
        linestyle="none",
        marker="o",
        markersize=4.5,
        color=INK,
        elinewidth=1.0,
    )
    low, high = _heights(rider)
    ax.set_ylim(low, high)
    first, last = _day(rider.first_date), _day(rider.last_date)
    margin = max(dt.timedelta(days=2), (last - first) / 25)
    ax.set_xlim(first - margin, last + margin)  # type: ignore[arg-type]
    scale_lines(ax, "y")
    where = AutoDateLocator(minticks=2, maxticks=5)  # type: ignore[no-untyped-call]
    ax.xaxis.set_major_locator(where)
    ax.xaxis.set_major_formatter(ConciseDateFormatter(where))  # type: ignore[no-untyped-call]
    ax.set_ylabel("CdA [m²]")
    return ax


def _day(date: str) -> dt.datetime:
    return dt.datetime.fromisoformat(date)


def _heights(rider: RiderSeason) -> tuple[float, float]:
    """Return the range that holds every day and every line of the rider."""
    points = [p for mine in rider.positions for p in mine.points]
    ends = [end for mine in rider.positions for at in mine.line for end in at.interval_m2]
    low = min([*(p.cda_m2 - p.statistical_se_m2 for p in points), *ends])
    high = max([*(p.cda_m2 + p.statistical_se_m2 for p in points), *ends])
    room = 0.06 * (high - low)
    return low - room, high + room


def plot_season_changes(rider: RiderSeason, *, ax: Axes | None = None) -> Axes:
    """Draw every position's change in 30 days against today's position, with its interval.

    Today's position is drawn with its own change. A hollow mark needs a retest.
    """
    changes = [(p, rider.change_judged(p)) for p in rider.positions]
    known = [(p, change) for p, change in changes if change is not None]
    if ax is None:
        ax = new_axes(0.95 + 1.25 * ROW_IN * len(known), left_in=0.3)
    labels = []
    for row, (position, (value, (low, high))) in enumerate(known):
        interval(
            ax,
            low,
            high,
            value,
            row,
            strong=position.reference,
            hollow=position.standing == "retest",
        )
        today = " (today): its own change" if position.reference else ""
        labels.append(f"{shown(position.label, limit=LABEL_LIMIT)}{today}")
    rows_axis(ax, labels)
    scale_lines(ax, "x")
    sides_of_zero(ax, "going down", "going up")
    ax.set_xlabel("Change of CdA in 30 days [m²]")
    return ax
