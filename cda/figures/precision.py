"""The precision to expect of a plan, over runs and wind."""

from __future__ import annotations

import io
from typing import TYPE_CHECKING

import numpy as np

from cda.errors import OutputError
from cda.figures.style import (
    ACCENT,
    INK,
    LABELLED_IN,
    PAPER,
    look,
    new_axes,
    png,
    scale_lines,
    svg,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from cda.plan import Plan

STYLES = ("-", "--", "-.", ":")
_ROOM_FOR_NAMES = 0.26  # right of the lines, as a share of their length
_LEAST_GAP = 0.065  # between two labels, as a share of the height


def plot_precision(plan: Plan, *, ax: Axes | None = None) -> Axes:
    """Draw the smallest difference shown in 80 of 100 tests over the runs of each position.

    One line a wind, named at its end; this plan is the filled mark, the question a thin line
    across. Where a race is given, the scale on the right is seconds there.

    Raises
    ------
    OutputError
        If the plan compares nothing.
    """
    if not plan.table:
        raise OutputError(
            "a plan of one position has no precision to draw",
            where="--figure",
            fix="name a second position, or leave the picture out",
        )
    if ax is None:
        ax = new_axes(3.2, left_in=LABELLED_IN)
    runs = [row.runs for row in plan.table]
    track = plan.protocol.course == "track"
    ends: list[tuple[float, str]] = []
    for k, wind in enumerate(plan.table_wind_m_s):
        values = [row.smallest_m2[k] for row in plan.table]
        drawn = [(r, v) for r, v in zip(runs, values, strict=True) if v is not None]
        if not drawn:
            continue
        x, y = zip(*drawn, strict=True)
        ax.plot(x, y, color=INK, linewidth=1.4, linestyle=STYLES[k % len(STYLES)])
        words = "no wind" if track else "last time" if wind is None else f"{wind:g} m/s"
        ends.append((float(y[-1]), words))
    top = max(v for row in plan.table for v in row.smallest_m2 if v is not None)
    ax.set_ylim(0.0, 1.08 * top)
    ax.set_xlim(min(runs) - 0.4, max(runs) + _ROOM_FOR_NAMES * (max(runs) - min(runs)))
    _name_ends(ax, max(runs), ends)
    if plan.smallest_resolvable_m2 is not None:
        ax.plot(
            [plan.runs_per_position], [plan.smallest_resolvable_m2],
            marker="D", markersize=7, color=ACCENT, linestyle="none", zorder=4,
            label=f"this plan: {plan.smallest_resolvable_m2:.4f} m²",
        )  # fmt: skip
    if plan.asked:
        asked = f"asked: {plan.question_m2:.4f} m²"
        ax.plot(
            [min(runs) - 0.4, max(runs)], [plan.question_m2] * 2,
            color=ACCENT, linewidth=0.9, label=asked,
        )  # fmt: skip
    if plan.smallest_resolvable_m2 is not None:
        ax.legend(loc="upper right", frameon=True, facecolor=PAPER, edgecolor="none", fontsize=9)
    ax.set_xlabel("Runs of each position")
    ax.set_ylabel("Smallest difference shown\nin 80 of 100 tests [m²]")
    ax.set_xticks([r for r in range(2, max(runs) + 1, 2)])
    scale_lines(ax, "y")
    if plan.seconds_per_m2 is not None:
        _seconds_axis(ax, plan.seconds_per_m2)
    return ax


def drawn_precision(plan: Plan, suffix: str) -> bytes:
    """Return the picture of a plan's precision as the bytes of a .svg, .png or .pdf file."""
    with look():
        figure = plot_precision(plan).figure
        if suffix.lower() == ".png":
            return png(figure)  # type: ignore[arg-type]
        if suffix.lower() == ".pdf":
            buffer = io.BytesIO()
            about = {"Creator": "cda-field-test", "Producer": "matplotlib", "CreationDate": None}
            figure.savefig(buffer, format="pdf", metadata=about)  # type: ignore[union-attr]
            return buffer.getvalue()
        drawing = svg(figure, prefix="plan", variables=False)  # type: ignore[arg-type]
    head = '<?xml version="1.0" encoding="utf-8"?>\n<!-- cda-field-test -->\n'
    return (head + drawing + "\n").encode()


def _name_ends(ax: Axes, last: int, ends: list[tuple[float, str]]) -> None:
    """Write each line's name over its end, apart from each other."""
    height = ax.get_ylim()[1]
    at = -1.0
    for value, words in sorted(ends):
        at = max(value, at + _LEAST_GAP * height)
        ax.annotate(
            words, (last, at), xytext=(5, 0), textcoords="offset points", fontsize=9,
            ha="left", va="center",
        )  # fmt: skip


def _seconds_axis(ax: Axes, seconds_per_m2: float) -> None:
    right = ax.secondary_yaxis(
        "right",
        functions=(
            lambda area: np.asarray(area, dtype=float) * seconds_per_m2,
            lambda time: np.asarray(time, dtype=float) / seconds_per_m2,
        ),
    )
    right.set_ylabel("seconds at the race")
    left, bottom, width, height = ax.get_position().bounds
    ax.set_position((left, bottom, width - 0.11, height))
    right.spines["right"].set_visible(True)
