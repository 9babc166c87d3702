"""What `cda plan` prints."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from cda.plan.content import TABLE_RUNS
from cda.results.text import TEXT_WIDTH, table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cda.plan.content import Plan

WORTH_SAYING: Final = 0.95  # another use of the time is named where it shows 5 % less


def plan_text(plan: Plan) -> str:
    """Return the plan in words and tables."""
    n, round_ = len(plan.positions), plan.protocol.course != "out-and-back"
    size = (
        f"{plan.protocol.laps_per_run} laps of {plan.length_m:g} m each"
        if round_
        else f"{plan.length_m:g} m"
    )
    extra = "easy laps" if round_ else "turns"
    lines = [
        *wrapped(
            f"{plan.protocol.title}: {n} position{'s' * (n > 1)}, {plan.runs_per_position} "
            f"run{'s' * (plan.runs_per_position > 1)} of each, {size}, about "
            f"{plan.duration_min:.0f} min with {extra} and rests (warming up apart)."
        ),
        *wrapped(plan.order.imbalance_words()),
    ]
    if plan.last_time:
        lines += ["", *plan.last_time]
    if plan.answer:
        lines += ["", *(part for line in plan.answer for part in wrapped(line))]
    lines += _expected(plan)
    if plan.lists:
        lines += ["", "The same time with a shorter list of positions:"]
        lines += table(
            ("positions", "runs", "shown [m²]"),
            [(str(x.positions), str(x.runs), f"{x.smallest_m2:.4f}") for x in plan.lists],
        )
    if plan.lengths:
        what = "other numbers of laps a run" if round_ else "another length of the stretch"
        lines += ["", f"The same time with {what}:"]
        lines += table(
            ("laps" if round_ else "m", "runs", "shown [m²]"),
            [
                (f"{x.laps_per_run or x.length_m:g}", str(x.runs), f"{x.smallest_m2:.4f}")
                for x in plan.lengths
            ],
        )
    return "\n".join([*lines, *_best_use(plan)])


def wrapped(text: str) -> list[str]:
    """Return a sentence as lines; what is set in stays set in."""
    import textwrap

    inset = " " * (len(text) - len(text.lstrip()))
    return textwrap.wrap(text, TEXT_WIDTH, subsequent_indent=inset + "  " * bool(inset))


def _expected(plan: Plan) -> list[str]:
    """Return what to expect, and the table over runs and wind."""
    e, reach = plan.expectation, plan.smallest_resolvable_m2
    if e is None or e.difference_se_m2 is None or reach is None:
        return []
    track, like = plan.protocol.course == "track", bool(plan.last_time)
    d = e.design
    weather = (
        "indoors" if track
        else f"in last time's weather (gusts {d.gust_sd_m_s:.1f}, slow changes "
        f"{d.slow_sd_m_s:.1f} m/s)" if None in plan.table_wind_m_s
        else f"in wind of {plan.wind_m_s:.2g} m/s at rider height, gusts {d.gust_sd_m_s:.1f} m/s"
    )  # fmt: skip
    both = ", last time counted in" * like
    lines = [
        "",
        *wrapped(f"To expect {weather} (k = 1):"),
        f"  a position    ± {max(e.position_se_m2):.4f} m²",
        f"  a difference  ± {e.difference_se_m2:.4f} m²{plan.seconds(e.difference_se_m2)}",
        *wrapped(
            f"  smallest difference shown in 80 of 100 tests{both}: {reach:.4f} m²"
            f"{plan.seconds(reach)}"
        ),
        "",
        *wrapped(
            f"Smallest difference shown in 80 of 100 tests [m²]{both}, by runs of each position"
            + ("" if track else " and wind at rider height [m/s]")
            + ":"
        ),
    ]
    rows = [
        (
            f"{row.runs}" + (" (this plan)" if row.runs == plan.runs_per_position else ""),
            f"{row.minutes:.0f}",
            *("" if x is None else f"{x:.4f}" for x in row.smallest_m2),
        )
        for row in plan.table
        if row.runs in (*TABLE_RUNS, plan.runs_per_position)
    ]
    heads = ["m²"] if track else [wind_head(w) for w in plan.table_wind_m_s]
    lines += table(("runs", "min", *heads), rows)
    whose = "last time's" if like else "common practice, no source"
    basis = f"Run-to-run scatter {d.run_to_run_sd_m2:.4f} m² ({whose})."
    if not track:
        basis += " Gusts are those usual with that wind (common practice, no source)."
    if plan.seconds_per_m2 is not None:
        basis += f" Seconds are those of {plan.race_name}, taken as flat and calm."
    return [*lines, *wrapped(basis)]


def wind_head(wind_m_s: float | None) -> str:
    """Return the head of a column of the table."""
    return "as last time" if wind_m_s is None else f"{wind_m_s:g}"


def _best_use(plan: Plan) -> list[str]:
    """Return in a sentence what would make more of the same time."""
    found: list[tuple[float, str]] = []
    if plan.lists:
        row = min(plan.lists, key=lambda x: x.smallest_m2)
        if row.smallest_m2 < WORTH_SAYING * plan.lists[-1].smallest_m2:
            words = f"{row.positions} positions with {row.runs} runs of each"
            found.append((row.smallest_m2, words))
    if plan.lengths:
        other = min(plan.lengths, key=lambda x: x.smallest_m2)
        if other.smallest_m2 < WORTH_SAYING * (plan.smallest_resolvable_m2 or 0.0):
            words = (
                f"{other.length_m:g} m, where the road allows it, with "
                if other.laps_per_run is None
                else f"{other.laps_per_run} laps a run and "
            )
            found.append((other.smallest_m2, f"{words}{other.runs} runs of each position"))
    return [""] * bool(found) + _sentence(sorted(found))


def _sentence(found: Sequence[tuple[float, str]]) -> list[str]:
    said = "; or ".join(f"{words} ({value:.4f} m²)" for value, words in found)
    return wrapped(f"More of the same time: {said}.") if found else []
