"""Pictures of a check: whose energy fits the other legs, and when each stretch was passed."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from cda.errors import OutputError
from cda.figures.style import ACCENT, FAINT, INK, LABELLED_IN, MUTED, ROW_IN, new_axes, rows_axis
from cda.results.check import SIGNS
from cda.results.check_text import STRETCHES_SHOWN
from cda.results.numbers import SECONDS_PER_MINUTE

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from cda.results.check import CheckReport

_WAYS: Final = {"out": ">", "back": "<"}


def plot_check(report: CheckReport, *, ax: Axes | None = None) -> Axes:
    """Draw the legs of a test folder, or the stretches of a bare recording.

    Raises
    ------
    OutputError
        If there is neither a leg nor a stretch.
    """
    if any(leg.energy_off is not None for leg in report.legs):
        return plot_leg_energy(report, ax=ax)
    if report.stretches:
        return plot_passes(report, ax=ax)
    raise OutputError(
        "there is nothing to draw: no stretch was ridden both ways, and no legs can be compared",
        where=report.subject,
        fix="look at the findings of cda check",
    )


def plot_leg_energy(report: CheckReport, *, ax: Axes | None = None) -> Axes:
    """Draw how far the energy of each leg is from the other legs of its direction.

    Triangles point out (>) and back (<); legs of runs that are not good carry the run's number
    and its mark.
    """
    if ax is None:
        ax = new_axes(2.6, left_in=LABELLED_IN)
    marks = {run.run: run.mark for run in report.runs}
    legs = [leg for leg in report.legs if leg.energy_off is not None]
    for leg in legs:
        when = (leg.start_s + 0.5 * leg.duration_s) / SECONDS_PER_MINUTE
        off = 100.0 * (leg.energy_off or 0.0)
        mark = marks.get(leg.run, "good")
        good = mark == "good"
        ax.plot(
            [when], [off], marker=_WAYS.get(leg.leg, "o"), markersize=5, linestyle="none",
            color=INK if good else ACCENT, markerfacecolor=INK if good else "none",
        )  # fmt: skip
        if not good:
            ax.annotate(
                f"{leg.run} {SIGNS[mark]}", (when, off), xytext=(0, 5), fontsize=8.5,
                textcoords="offset points", ha="center", va="bottom", color=ACCENT,
            )  # fmt: skip
    ax.axhline(0.0, color=MUTED, linewidth=0.9)
    ax.grid(axis="y", color=FAINT, linewidth=0.5)
    ax.margins(x=0.04, y=0.14)
    ax.set_xlabel("Minutes from the first sample")
    ax.set_ylabel("More energy than the\nother legs took [%]")
    return ax


def plot_passes(report: CheckReport, *, ax: Axes | None = None) -> Axes:
    """Draw when each stretch was passed, best for a test on top; triangles point out and back."""
    shown = report.stretches[:STRETCHES_SHOWN]
    if ax is None:
        ax = new_axes(0.75 + ROW_IN * len(shown))
    for row, stretch in enumerate(shown):
        for one in stretch.passes:
            start, end = (
                t / SECONDS_PER_MINUTE for t in (one.start_s, one.start_s + one.duration_s)
            )
            ax.plot([start, end], [row, row], color=MUTED, linewidth=1.6, solid_capstyle="butt")
            ax.plot(
                [0.5 * (start + end)], [row], marker=_WAYS.get(one.leg, "o"), markersize=5,
                color=INK, linestyle="none",
            )  # fmt: skip
    rows_axis(
        ax,
        [
            f"km {s.from_km:.1f} to {s.to_km:.1f}: {s.length_m:.0f} m, {s.out} out, {s.back} back"
            for s in shown
        ],
    )
    ax.set_xlim(0.0, max(r.duration_min for r in report.recordings))
    ax.set_xlabel("Minutes from the first sample")
    return ax
