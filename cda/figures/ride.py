"""The test itself: virtual against shared road height, wind, residuals, effort."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from cda.figures.style import (
    ACCENT,
    FAINT,
    INK,
    LABELLED_IN,
    MUTED,
    letter_marks,
    new_axes,
    scale_lines,
    strips,
)
from cda.results.words import letters

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from numpy.typing import NDArray

    from cda.results import Estimate, LegWind

CURVE_POINTS = 48
PANEL_WIDTH_IN = 3.5
SECONDS_PER_MINUTE = 60.0


def plot_leg_curves(
    estimate: Estimate, position_id: str, *, ax: Axes | None = None, limit_m: float | None = None
) -> Axes:
    """Draw virtual minus shared road height of every leg ridden in one position.

    One thin line a leg, solid out and dashed back; a dot where the leg ends is its closing error.
    `limit_m` is the half height of the picture, so that panels compare.
    """
    from matplotlib.collections import LineCollection

    if ax is None:
        ax = new_axes(1.9, PANEL_WIDTH_IN, left_in=0.72)
    lines: dict[bool, list[NDArray[np.float64]]] = {True: [], False: []}
    ends: list[tuple[float, float]] = []
    for curve in estimate.curves:
        if curve.position != position_id:
            continue
        keep = np.unique(np.linspace(0, curve.distance_m.size - 1, CURVE_POINTS).astype(int))
        lines[curve.leg == "out"].append(
            np.column_stack((curve.distance_m[keep], curve.virtual_minus_shared_m[keep]))
        )
        # The leg ends where its curve has come to its closing error, whichever way it is stored.
        miss = np.abs(curve.virtual_minus_shared_m[[0, -1]] - curve.closing_error_m)
        end = -1 if miss[1] <= miss[0] else 0
        ends.append((float(curve.distance_m[end]), curve.closing_error_m))
    for out, mine in lines.items():
        ax.add_collection(
            LineCollection(
                mine,
                colors=INK if out else MUTED,
                linewidths=0.7,
                linestyles="-" if out else [(0, (4, 2))],
            ),
            autolim=True,
        )
    if ends:
        ax.plot(*zip(*ends, strict=True), "o", markersize=3.6, color=ACCENT)
    ax.axhline(0.0, color=MUTED, linewidth=0.9)
    if limit_m is not None:
        ax.set_ylim(-limit_m, limit_m)
    ax.margins(x=0.03)
    ax.autoscale_view(scaley=limit_m is None)
    scale_lines(ax, "y")
    ax.set_xlabel("Distance from gate A [m]")
    ax.set_ylabel("Virtual − road [m]")
    return ax


def curve_limit_m(estimate: Estimate) -> float | None:
    """Return a half height that holds every leg's curve, or None without curves. [m]."""
    heights = [float(np.max(np.abs(c.virtual_minus_shared_m))) for c in estimate.curves]
    heights += [abs(c.closing_error_m) for c in estimate.curves]
    return 1.05 * max(heights) if heights and max(heights) > 0 else None


def plot_road(estimate: Estimate, *, ax: Axes | None = None) -> Axes:
    """Draw the shared road height between the gates, one line a session."""
    if ax is None:
        ax = new_axes(1.9, left_in=LABELLED_IN)
    for index, profile in enumerate(estimate.profiles):
        keep = np.unique(np.linspace(0, profile.distance_m.size - 1, 200).astype(int))
        ax.plot(
            profile.distance_m[keep],
            profile.elevation_m[keep],
            color=INK,
            linestyle=("-", "--", "-.", ":")[index % 4],
            label=f"session {profile.session}",
        )
    if len(estimate.profiles) > 1:
        ax.legend(frameon=False, fontsize=8.5)
    scale_lines(ax, "y")
    ax.margins(x=0.03)
    ax.set_xlabel("Distance from gate A [m]")
    ax.set_ylabel("Road height\nabove gate A [m]")
    return ax


def _minutes(legs: list[LegWind]) -> tuple[NDArray[np.float64], str]:
    """Return the time of each leg from the first one, or its number where times are missing."""
    if all(leg.start_s is not None for leg in legs) and legs:
        start = np.array([float(leg.start_s or 0.0) for leg in legs])
        return (start - start.min()) / SECONDS_PER_MINUTE, "Minutes from the first leg"
    return np.arange(1, len(legs) + 1, dtype=float), "Leg, in time order"


def _legs(estimate: Estimate, session: str) -> list[LegWind]:
    legs = [leg for leg in estimate.wind if leg.session == session]
    if all(leg.start_s is not None for leg in legs):
        legs.sort(key=lambda leg: leg.start_s or 0.0)
    return legs


def plot_wind(estimate: Estimate, session: str, *, ax: Axes | None = None) -> Axes:
    """Draw the wind along the road through one test, towards gate A counted positive.

    A leg back meets the same wind with the opposite sign, so it is turned round here; the bars are
    one standard uncertainty.
    """
    if ax is None:
        ax = new_axes(2.4, left_in=LABELLED_IN)
    legs = _legs(estimate, session)
    when, label = _minutes(legs)
    sign = np.array([-1.0 if leg.leg == "back" else 1.0 for leg in legs])
    wind = sign * np.array([leg.headwind_m_s for leg in legs])
    ax.plot(when, wind, color=INK, linewidth=0.9)
    known = np.array([leg.se_m_s is not None for leg in legs], dtype=bool)
    if known.any():
        se = np.array([leg.se_m_s if leg.se_m_s is not None else np.nan for leg in legs])
        ax.fill_between(when, wind - se, wind + se, color=FAINT, linewidth=0)
    for way, marker in (("out", ">"), ("back", "<")):
        mine = np.array([leg.leg == way for leg in legs], dtype=bool)
        ax.plot(when[mine], wind[mine], marker=marker, markersize=4.5, color=INK, linestyle="none")
    others = np.array([leg.leg not in ("out", "back") for leg in legs], dtype=bool)
    ax.plot(when[others], wind[others], marker="o", markersize=4.5, color=INK, linestyle="none")
    ax.axhline(0.0, color=MUTED, linewidth=0.9)
    scale_lines(ax, "y")
    ax.set_xlabel(label)
    ax.set_ylabel("Wind from B to A\nalong the road [m/s]")
    return ax


def plot_leg_residuals(estimate: Estimate, session: str, *, ax: Axes | None = None) -> Axes:
    """Draw what each leg leaves unexplained, in time order, with the position's letter."""
    if ax is None:
        ax = new_axes(2.4, left_in=LABELLED_IN + 0.1)  # tick labels of three decimals
    letter = letters(estimate)
    of_run = {r.run: r.position for r in estimate.runs if r.session == session}
    legs = [leg for leg in _legs(estimate, session) if leg.residual_m2 is not None]
    when, label = _minutes(legs)
    residuals = np.array([leg.residual_m2 or 0.0 for leg in legs])
    ax.vlines(when, 0.0, residuals, color=FAINT, linewidth=1.4)
    names = np.array([letter.get(of_run.get(leg.run, ""), "?") for leg in legs])
    for name in dict.fromkeys(names):
        mine = names == name
        letter_marks(ax, when[mine], residuals[mine], name)
    ax.axhline(0.0, color=MUTED, linewidth=0.9)
    ax.margins(x=0.03, y=0.1)
    scale_lines(ax, "y")
    ax.set_xlabel(label)
    ax.set_ylabel("Leg's residual\nas CdA [m²]")
    return ax


def plot_effort(estimate: Estimate, session: str, *, ax: Axes | None = None) -> Axes:
    """Draw mean power and below it mean speed of the runs in the order ridden, by letter."""
    from matplotlib.ticker import MaxNLocator

    if ax is None:
        ax = new_axes(3.0, left_in=LABELLED_IN)
    letter = letters(estimate)
    runs = [
        r
        for r in estimate.runs
        if r.session == session and r.mean_power_w is not None and r.mean_speed_m_s is not None
    ]
    power, speed = strips(ax, lower=0.46, gap=0.08)
    number = np.array([float(r.run) for r in runs])
    values = {
        power: [r.mean_power_w or 0.0 for r in runs],
        speed: [r.mean_speed_m_s or 0.0 for r in runs],
    }
    marks = [(letter.get(r.position, "?"), r.used) for r in runs]
    for strip, mine in values.items():
        for name, used in dict.fromkeys(marks):
            chosen = np.array([mark == (name, used) for mark in marks])
            letter_marks(
                strip,
                number[chosen],
                np.array(mine)[chosen],
                name,
                colour=INK if used else MUTED,
                size=6.5,
            )
        strip.margins(x=0.03, y=0.16)
        scale_lines(strip, "y", most=3)
    if runs:
        speed.set_xlim(number.min() - 0.8, number.max() + 0.8)
    speed.xaxis.set_major_locator(MaxNLocator(6, integer=True))
    power.set_ylabel("Mean\npower [W]")
    speed.set_ylabel("Mean\nspeed [m/s]")
    speed.set_xlabel("Run, in the order of the run sheet")
    return ax
