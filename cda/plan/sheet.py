"""The run sheet: one A4 sheet to ride from, with room for everything written by hand.

The front is for riding, the back for preparing; long plans take a second sheet.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Final

from cda.air import wind_at_height

if TYPE_CHECKING:
    from cda.plan.content import Plan

SPARE_RUNS: Final = 2  # rows a position for runs that are ridden again
# Rows up to so many are so high: what is filled in while riding stays on the front page, what is
# read before on the back. [mm]
ROW_MM: Final = ((20, 8.0), (24, 7.0), (10_000, 6.6))
_DISTURBED: Final = {
    "out-and-back": "a vehicle passed",
    "loop": "anybody came near ahead of you or passed",
    "track": "somebody else rode or a door was opened",
}
_READING_HEIGHT_M, _RIDER_HEIGHT_M, _ROUGHNESS_M = 10.0, 1.2, 0.03


def run_sheet_html(plan: Plan) -> str:
    """Return the printable run sheet as one self-contained page."""
    import jinja2

    folder = Path(__file__).resolve().parent / "templates"
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(folder),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    letters = {p.id: chr(ord("A") + k) for k, p in enumerate(plan.positions)}
    n = len(plan.runs)
    spares = [
        {"run": n + 1 + k * SPARE_RUNS + extra, "letter": letters[p.id], "label": p.label}
        for k, p in enumerate(plan.positions)
        for extra in range(SPARE_RUNS)
    ]
    runs = [
        {
            "run": r.run,
            "letter": letters[r.position],
            "label": plan.label(r.position),
            "power": f"{r.power_w:g}",
            "minute": f"{r.minute:.0f}",
            "half": r.run == n // 2 and n >= 6,
        }
        for r in plan.runs
    ]
    rows = len(runs) + len(spares)
    return environment.get_template("run_sheet.html").render(
        plan=plan,
        windy=plan.protocol.course != "track",
        row_mm=next(mm for most, mm in ROW_MM if rows <= most),
        protocol=plan.protocol,
        runs=runs,
        spares=spares,
        positions=[{"letter": letters[p.id], "label": p.label, "id": p.id} for p in plan.positions],
        rounds=[runs[k : k + len(plan.positions)] for k in range(0, n, len(plan.positions))],
        go=go_rules(plan),
        stay=(
            f"{plan.protocol.legs_per_run} legs of {plan.length_m:g} m, out and back"
            if plan.protocol.course == "out-and-back"
            else f"{plan.protocol.laps_per_run} laps of {plan.length_m:g} m"
        ),
    )


def go_rules(plan: Plan) -> list[str]:
    """Return the rules for going, going on and stopping, with this plan's own numbers."""
    limit, track = plan.protocol.max_wind_m_s, plan.protocol.course == "track"
    question = f"a difference of {plan.question_m2:.3f} m²"
    if track:
        wind = (
            "Do not start while somebody else rides, a door stands open or the ventilation is "
            "being changed: moving air takes minutes to settle"
            + ("." if plan.expectation is None else f", and today's question is {question}.")
        )
    elif plan.wind_limit_m_s is not None:
        limit = min(limit, plan.wind_limit_m_s)
        wind = (
            f"Do not start with more wind than {_wind_words(limit)}: today's question, {question}, "
            "could not be answered."
        )
    elif plan.expectation is not None:
        reach = plan.smallest_resolvable_m2
        wind = (
            f"This plan cannot show {question} even in calm air; in wind of {plan.wind_m_s:g} m/s "
            f"it shows {reach:.3f} m². Do not start with more wind than {_wind_words(limit)}."
        )
    else:
        wind = f"Do not start with more wind than {_wind_words(limit)}."
    stop = "the air moves again" if track else "the wind has risen above that, when rain begins"
    return [
        wind,
        f"Ride a run again at once, in a spare row, if {_DISTURBED[plan.protocol.course]}, or you "
        "coasted, braked or left the position. Cross out nothing: write what happened.",
        f"Stop when {stop}, after "
        f"{plan.protocol.max_minutes:g} min, or when the position no longer feels the same. "
        "Rounds ridden to their end count in full.",
    ]


def _wind_words(limit_m_s: float) -> str:
    factor = float(
        wind_at_height(
            1.0,
            reading_height_m=_READING_HEIGHT_M,
            target_height_m=_RIDER_HEIGHT_M,
            roughness_m=_ROUGHNESS_M,
        )
    )
    reading = limit_m_s / factor
    return (
        f"{limit_m_s:.1f} m/s at rider height (about {3.6 * reading:.0f} km/h in a weather report)"
    )
