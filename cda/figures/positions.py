"""CdA by position with its runs, all pairs of differences, and the uncertainty budget."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cda.figures.style import (
    INK,
    MUTED,
    PAPER,
    ROW_IN,
    interval,
    new_axes,
    rows_axis,
    scale_lines,
    sides_of_zero,
)
from cda.results.numbers import shown
from cda.results.words import letters, standing

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from cda.results import Estimate

LABEL_LIMIT = 46
MOST_SOURCES = 8


def plot_positions(estimate: Estimate, *, ax: Axes | None = None) -> Axes:
    """Draw CdA of every position with its interval, and the runs behind it as open points."""
    if ax is None:
        ax = new_axes(0.85 + 1.25 * ROW_IN * len(estimate.positions))
    letter = letters(estimate)
    labels = []
    for row, position in enumerate(estimate.positions):
        low, high = position.interval_m2
        interval(ax, low, high, position.cda_m2, row, strong=position.reference, hollow=False)
        mine = [
            r.cda_m2
            for r in estimate.runs
            if r.position == position.id and r.used and r.cda_m2 is not None
        ]
        ax.plot(
            mine,
            np.full(len(mine), row + 0.27),
            marker="|",
            markersize=8,
            color=MUTED,
            markeredgewidth=1.1,
            linestyle="none",
        )
        today = " (today)" if position.reference else ""
        labels.append(
            f"{letter[position.id]}\u2002{shown(position.label, limit=LABEL_LIMIT)}{today}"
        )
    rows_axis(ax, labels)
    ax.set_xlabel("CdA [m²], without the turning wheels")
    scale_lines(ax, "x")
    return ax


def plot_differences(estimate: Estimate, *, ax: Axes | None = None) -> Axes:
    """Draw every pair's difference with its interval; a hollow mark is not resolved.

    A half hollow one is resolved as the only comparison asked, not with all of them counted.
    """
    if ax is None:
        ax = new_axes(0.97 + 0.24 * len(estimate.differences), left_in=0.7)
    letter = letters(estimate)
    names = []
    for row, difference in enumerate(estimate.differences):
        low, high = difference.interval_m2
        interval(
            ax,
            low,
            high,
            difference.delta_cda_m2,
            row,
            strong=difference.reference == estimate.reference,
            hollow={"resolved": False, "alone": None, "open": True}[standing(difference)],
        )
        names.append(f"{letter[difference.position]} − {letter[difference.reference]}")
    ax.set_yticks(range(len(names)), names)
    ax.set_ylim(len(names) + 0.1, -0.6)
    ax.tick_params(axis="y", length=0)
    ax.spines["left"].set_visible(False)
    scale_lines(ax, "x")
    sides_of_zero(ax, "less drag", "more drag")
    ax.set_xlabel("Difference of CdA [m²], first minus second letter")
    return ax


def plot_budget(estimate: Estimate, *, ax: Axes | None = None) -> Axes:
    """Draw what each source adds to one position and to one difference, as standard uncertainty.

    The position is the reference; of the differences the largest part of all pairs is drawn.
    What stands in brackets after a source's name is left to the table.
    """
    lines = [
        (
            line.source,
            line.positions.get(estimate.reference, 0.0),
            max(line.differences.values(), default=0.0),
        )
        for line in estimate.budget
    ]
    lines.sort(key=lambda entry: -max(entry[1], entry[2]))
    kept = lines[:MOST_SOURCES]
    rest = lines[MOST_SOURCES:]
    if rest:
        kept.append(
            (
                f"{len(rest)} smaller sources together",
                float(np.sqrt(sum(x[1] ** 2 for x in rest))),
                float(np.sqrt(sum(x[2] ** 2 for x in rest))),
            )
        )
    if ax is None:
        ax = new_axes(1.0 + 1.25 * ROW_IN * len(kept), left_in=0.3)
    rows = np.arange(len(kept), dtype=float)
    ax.barh(
        rows - 0.02,
        [x[1] for x in kept],
        height=0.22,
        color=INK,
        edgecolor=INK,
        linewidth=0.8,
        label="one position (today's)",
    )
    ax.barh(
        rows + 0.22,
        [x[2] for x in kept],
        height=0.22,
        color=PAPER,
        edgecolor=INK,
        linewidth=0.8,
        hatch="////",
        label="a difference (the largest of all pairs)",
    )
    rows_axis(ax, [shown(x[0].partition(" (")[0] or x[0], limit=LABEL_LIMIT) for x in kept])
    scale_lines(ax, "x")
    ax.set_xlabel("Contribution to the standard uncertainty [m²]")
    ax.legend(loc="lower right", frameon=False, fontsize=9)
    return ax
