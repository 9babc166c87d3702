"""Minutes at the race: saved, by share held, beside the ledger; and the course."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cda.figures.style import (
    ACCENT,
    INK,
    LABELLED_IN,
    MUTED,
    PAPER,
    ROW_IN,
    interval,
    new_axes,
    rows_axis,
    scale_lines,
    sides_of_zero,
    strips,
)
from cda.results.numbers import SECONDS_PER_MINUTE, saving, shown
from cda.results.words import is_decided, ledger_label, letters, ordered

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from cda.results import Savings

LABEL_LIMIT = 34
MARKERS = ("o", "s", "^", "D", "v", "P", "X", "*")
LINES = ("-", "--", "-.", ":")


def plot_saved(savings: Savings, *, ax: Axes | None = None) -> Axes:
    """Draw minutes saved by each position with its interval, in order; hollow: not decided."""
    letter = letters(savings)
    positions = [p for p in ordered(savings) if not p.reference]
    if ax is None:
        ax = new_axes(0.9 + 1.25 * ROW_IN * max(1, len(positions)))
    labels = []
    for row, position in enumerate(positions):
        low, high = (edge / SECONDS_PER_MINUTE for edge in position.saved_interval_s)
        interval(
            ax,
            low,
            high,
            position.saved_s / SECONDS_PER_MINUTE,
            row,
            strong=row == 0,
            hollow=not is_decided(position),
        )
        labels.append(
            f"{letter[position.id]}\u2002{shown(position.label, limit=LABEL_LIMIT)}: "
            f"{saving(position.saved_s, like=position.saved_interval_s)}"
        )
    rows_axis(ax, labels)
    _zero(ax)
    ax.set_xlabel("Minutes against today's position")
    return ax


def plot_saved_by_share(savings: Savings, *, ax: Axes | None = None) -> Axes:
    """Draw minutes saved against the share of the ride held; one line a position, by letter."""
    if ax is None:
        ax = new_axes(3.0, left_in=LABELLED_IN)
    letter = letters(savings)
    ends = []
    for index, position in enumerate(p for p in ordered(savings) if not p.reference):
        points = sorted((float(k), v) for k, v in position.saved_by_hold_share_s.items())
        if not points:
            continue
        shares = 100.0 * np.array([0.0, *(p[0] for p in points)])
        minutes = np.array([0.0, *(p[1] for p in points)]) / SECONDS_PER_MINUTE
        first = index == 0
        ax.plot(
            shares,
            minutes,
            color=ACCENT if first else INK,
            linewidth=1.8 if first else 0.9,
            linestyle=LINES[index % len(LINES)],
        )
        if position.hold_share is not None:
            ax.plot(
                [100.0 * position.hold_share],
                [position.saved_s / SECONDS_PER_MINUTE],
                marker=MARKERS[index % len(MARKERS)],
                color=ACCENT if first else INK,
                markersize=7,
                linestyle="none",
            )
        ends.append((float(minutes[-1]), letter[position.id]))
    ax.margins(y=0.1)
    _spread_labels(ax, ends)
    ax.axhline(0.0, color=MUTED, linewidth=0.9)
    ax.set_xlim(0.0, 112.0)
    scale_lines(ax, "both")
    ax.set_xticks([0, 30, 50, 70, 100])
    ax.set_xlabel("Share of the ride the position is held [%]")
    ax.set_ylabel("Minutes saved (below zero: costs)")
    return ax


def _spread_labels(ax: Axes, ends: list[tuple[float, str]]) -> None:
    """Write letters at the line ends, moved apart where they would lie on each other."""
    if not ends:
        return
    heights = [0.0, *(e[0] for e in ends)]
    span = max(heights) - min(heights)
    gap, last = 0.07 * (span or 1.0), -np.inf
    for height, name in sorted(ends):
        last = max(height, last + gap)
        ax.annotate(
            name,
            (100.0, height),
            xytext=(106.0, last),
            va="center",
            arrowprops={"arrowstyle": "-", "color": MUTED, "linewidth": 0.5},
        )


def plot_ledger(savings: Savings, *, ax: Axes | None = None) -> Axes:
    """Draw the first position's interval and the ranges of the ledger in one order."""
    by_item = {line.item: line for line in savings.ledger}
    by_id = {p.id: p for p in savings.positions}
    letter = letters(savings)
    entries: list[tuple[str, float, float, float | None]] = []
    taken, decided = False, False
    for entry in savings.order:
        position = by_id.get(entry.id or "")
        if position is not None and not position.reference and not taken:
            taken = True  # positions are alternatives: only the first stands in a list that adds up
            decided = is_decided(position)
            low, high = position.saved_interval_s
            name = f"{letter[position.id]}\u2002{shown(position.label, limit=LABEL_LIMIT)}"
            entries.append((name, low, high, position.saved_s))
        line = by_item.get(entry.item or "")
        if line is not None:
            entries.append((ledger_label(line), line.saved_low_s, line.saved_high_s, None))
    if ax is None:
        ax = new_axes(0.9 + 1.25 * ROW_IN * max(1, len(entries)))
    for row, (_, low, high, value) in enumerate(entries):
        low, high = low / SECONDS_PER_MINUTE, high / SECONDS_PER_MINUTE
        if value is not None:
            interval(
                ax, low, high, value / SECONDS_PER_MINUTE, row, strong=True, hollow=not decided
            )
        else:
            ax.barh(
                row,
                high - low,
                left=low,
                height=0.3,
                facecolor=PAPER,
                edgecolor=INK,
                hatch="////",
                linewidth=0.9,
            )
    rows_axis(ax, [e[0] for e in entries])
    _zero(ax)
    ax.set_xlabel("Minutes against today")
    return ax


def _zero(ax: Axes) -> None:
    ax.margins(x=0.06)
    low, high = ax.get_xlim()
    ax.set_xlim(min(low, -0.05 * high), max(high, -0.05 * low))
    scale_lines(ax, "x")
    sides_of_zero(ax, "costs", "saves")


def plot_course(savings: Savings, *, ax: Axes | None = None) -> Axes:
    """Draw the course profile as one line of ink, with the wind in a strip of its own below."""
    course = savings.course
    if course is None:
        raise ValueError("these savings carry no course: plot_course needs a race with a course")
    if ax is None:
        ax = new_axes(1.8 if course.headwind_m_s is None else 2.6, left_in=LABELLED_IN)
    wind = course.headwind_m_s
    profile, strip = (ax, ax) if wind is None else strips(ax, lower=0.26, gap=0.12)
    keep = np.unique(np.linspace(0, course.distance_m.size - 1, 400).astype(int))
    distance_km = course.distance_m[keep] / 1000.0
    profile.plot(distance_km, course.elevation_m[keep], color=INK, linewidth=1.1)
    profile.set_ylabel("Height [m]")
    profile.margins(x=0.0)
    scale_lines(profile, "y")
    if wind is not None:
        strip.axhline(0.0, color=MUTED, linewidth=0.9)
        strip.plot(distance_km, wind[keep], color=ACCENT, linewidth=1.0)
        strip.margins(x=0.0)
        scale_lines(strip, "y", most=3)
        strip.set_ylabel("Headwind\n[m/s]")
    strip.set_xlabel("Distance [km]")
    return ax
