from __future__ import annotations

import xml.etree.ElementTree as ET
from typing import TYPE_CHECKING

import pytest

from cda import figures
from cda.figures.style import look, new_axes, svg
from tests.results_factory import eight_positions, rich_estimate, rich_savings

if TYPE_CHECKING:
    from matplotlib.axes import Axes

ESTIMATE, SAVINGS = eight_positions()
DRAWN = {
    "positions": lambda ax=None: figures.plot_positions(ESTIMATE, ax=ax),
    "differences": lambda ax=None: figures.plot_differences(ESTIMATE, ax=ax),
    "budget": lambda ax=None: figures.plot_budget(ESTIMATE, ax=ax),
    "saved": lambda ax=None: figures.plot_saved(SAVINGS, ax=ax),
    "share": lambda ax=None: figures.plot_saved_by_share(SAVINGS, ax=ax),
    "ledger": lambda ax=None: figures.plot_ledger(SAVINGS, ax=ax),
    "course": lambda ax=None: figures.plot_course(SAVINGS, ax=ax),
    "curves": lambda ax=None: figures.plot_leg_curves(ESTIMATE, "low", ax=ax),
    "road": lambda ax=None: figures.plot_road(ESTIMATE, ax=ax),
    "wind": lambda ax=None: figures.plot_wind(ESTIMATE, "s1", ax=ax),
    "residuals": lambda ax=None: figures.plot_leg_residuals(ESTIMATE, "s1", ax=ax),
    "effort": lambda ax=None: figures.plot_effort(ESTIMATE, "s1", ax=ax),
}


@pytest.mark.parametrize("name", DRAWN)
def test_every_picture_draws_into_the_axes_it_is_given_with_units(name: str) -> None:
    given = new_axes()
    drawn: Axes = DRAWN[name](given)
    assert drawn is given
    labels = [drawn.get_xlabel(), drawn.get_ylabel()]
    labels += [text for a in drawn.child_axes for text in (a.get_xlabel(), a.get_ylabel())]
    assert any(unit in text for text in labels for unit in ("[", "minutes", "Minutes"))


def test_pictures_leave_pyplot_and_the_settings_alone() -> None:
    import subprocess
    import sys

    code = (
        "import sys, matplotlib; before = matplotlib.rcParams.copy()\n"
        "from tests.results_factory import *; from cda import figures\n"
        "from cda.figures.style import svg, look\n"
        "e = rich_estimate(('tall', 'low'))\n"
        "with look(): figure = figures.plot_positions(e).figure\n"
        "svg(figure, prefix='a')\n"
        "assert matplotlib.rcParams.copy() == before\n"
        "assert 'matplotlib.pyplot' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def test_the_same_picture_has_the_same_bytes_and_ids_of_its_own() -> None:
    def once(prefix: str) -> str:
        with look():
            return svg(DRAWN["saved"]().figure, prefix=prefix)

    first, again, other = once("a"), once("a"), once("b")
    assert first == again
    ids = {e.attrib["id"] for e in ET.fromstring(first).iter() if "id" in e.attrib}
    assert ids
    assert ids.isdisjoint({e.attrib["id"] for e in ET.fromstring(other).iter() if "id" in e.attrib})
    assert "<dc:date>" not in first
    assert "<style" not in first


def test_colours_of_an_inline_picture_are_the_pages_own() -> None:
    import re

    with look():
        text = svg(DRAWN["budget"]().figure, prefix="a")
    assert not re.findall(r"#[0-9a-f]{6}", text)
    assert "var(--ink)" in text


def test_minutes_are_drawn_where_the_results_say() -> None:
    axes = figures.plot_saved(rich_savings(rich_estimate(("tall", "low"))))
    # "low" saves 0.0089 m² times 14000 s/m² times its share of 0.7, 87.2 s; se 0.7 * 42 s
    points = [float(line.get_xdata()[0]) for line in axes.lines if line.get_marker() == "D"]
    assert points == pytest.approx([0.0089 * 14_000 * 0.7 / 60])
    bars = [line.get_xdata() for line in axes.lines if line.get_linewidth() == 2.0]
    assert list(bars[0]) == pytest.approx([(87.22 - 61.74) / 60, (87.22 + 61.74) / 60])


def test_a_difference_not_resolved_is_hollow() -> None:
    from cda.figures.style import PAPER

    axes = figures.plot_differences(ESTIMATE)
    marks = [line for line in axes.lines if line.get_marker() in ("D", "o")]
    hollow = [line.get_markerfacecolor() == PAPER for line in marks]
    assert hollow == [not d.resolved for d in ESTIMATE.differences]
    assert any(hollow)


def test_a_difference_resolved_as_the_only_pair_asked_is_half_filled() -> None:
    from dataclasses import replace

    first = replace(
        ESTIMATE.differences[0],
        resolved=True,
        interval_m2=(-0.016, -0.002),
        simultaneous_interval_m2=(-0.019, 0.001),
    )
    axes = figures.plot_differences(replace(ESTIMATE, differences=(first,)))
    (mark,) = [line for line in axes.lines if line.get_marker() in ("D", "o")]
    assert mark.get_fillstyle() == "left"


def test_letters_of_runs_at_the_same_power_do_not_lie_on_each_other() -> None:
    from dataclasses import replace

    alike = tuple(replace(r, mean_power_w=200.0, mean_speed_m_s=10.0) for r in ESTIMATE.runs)
    axes = figures.plot_effort(replace(ESTIMATE, runs=alike), "s1")
    assert len(axes.child_axes) == 2
    for strip in axes.child_axes:
        places = [x for line in strip.lines for x in line.get_xdata()]
        assert sorted(places) == [r.run for r in alike]
        width_pt = 72.0 * strip.get_window_extent().width / strip.figure.dpi
        low, high = strip.get_xlim()
        # Letters are 6.5 points high and narrower than that.
        assert width_pt / (high - low) > 6.5


def test_what_saves_and_what_costs_is_said_beside_zero_and_only_where_there_is_room() -> None:
    def said(axes: Axes) -> set[str]:
        return {t.get_text() for t in axes.texts} & {"◂ costs", "saves ▸"}

    assert said(figures.plot_saved(SAVINGS)) == {"◂ costs", "saves ▸"}
    assert said(figures.plot_ledger(SAVINGS)) == {"saves ▸"}


def test_wind_of_a_leg_back_is_turned_round() -> None:
    axes = figures.plot_wind(ESTIMATE, "s1")
    drawn = list(axes.lines[0].get_ydata())
    legs = sorted(ESTIMATE.wind, key=lambda leg: leg.start_s or 0.0)
    expected = [-w.headwind_m_s if w.leg == "back" else w.headwind_m_s for w in legs]
    assert drawn == pytest.approx(expected)


def test_a_leg_curve_ends_in_its_closing_error_whichever_way_it_is_stored() -> None:
    axes = figures.plot_leg_curves(ESTIMATE, "low")
    (dots,) = [line for line in axes.lines if line.get_marker() == "o"]
    curves = [c for c in ESTIMATE.curves if c.position == "low"]
    assert list(dots.get_ydata()) == [c.closing_error_m for c in curves]
    assert list(dots.get_xdata()) == [1200.0 if c.leg == "out" else 0.0 for c in curves]
