"""What last time left open, in words and numbers, and the runs that decide it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cda.plan.reach import MOST_RUNS, expected, ordered
from cda.plan.words import wrapped
from cda.precision import resolved_together
from cda.results.text import table

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cda.plan.earlier import LastTime, Question
    from cda.plan.reach import Trial


def runs_that_decide(question: Question, trial: Trial, power: float) -> int | None:
    """Return the further runs of each position after which the question is decided.

    With the given chance, if the gain is what it seems, both days together; None if MOST_RUNS are
    not enough or the gain is against it.
    """
    assert trial.before is not None
    contrast = [question.contrast.get(name, 0.0) for name in trial.before.ids]

    def decided(runs: int) -> bool:
        one = expected(ordered(trial, runs)[1])
        return resolved_together(contrast, one, trial.before, power) <= question.gain

    if not decided(MOST_RUNS):
        return None
    low, high = 1, MOST_RUNS
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if decided(middle) else (middle, high)
    return high


def _amount(value: float, in_seconds: bool) -> str:
    return f"{value:.0f} s" if in_seconds else f"{value:.4f} m²"


def question_lines(like: LastTime, trial: Trial) -> tuple[str, ...]:
    """Return in words what last time left open, and what decides it."""
    label = {p.id: p.label for p in like.known}
    lines = wrapped(f"From last time ({', '.join(like.names)}): {_scatter(like)}.")
    if like.questions:
        best = like.questions[0].best
        lines += wrapped(
            f"Best so far: {best} ({label[best]}). Undecided against it, what has most at stake "
            "first, which is ridden first too:"
        )
        rows = []
        for q in like.questions:
            needed = [runs_that_decide(q, trial, power) for power in (0.8, 0.9)]
            words = [f"over {MOST_RUNS}" if n is None else str(n) for n in needed]
            rows.append(
                (
                    q.other,
                    _amount(q.gain, like.in_seconds),
                    f"{100.0 * q.chance:.0f} %",
                    _amount(q.at_stake, like.in_seconds),
                    *words,
                )
            )
        head = ("", "behind by", "better after all", "at stake", "runs, 80 %", "runs, 90 %")
        lines += table(head, rows)
        lines += wrapped(
            "At stake is what is given away on average by taking the best so far. The runs are "
            "those of each position that have to come on top to tell the two apart in 80 and 90 "
            "of 100 tests, if the difference is what it seems."
        )
    if like.left_out:
        lines += wrapped(f"Not ridden again: {', '.join(like.left_out)}.")
    return tuple(lines)


def _scatter(like: LastTime) -> str:
    parts = [f"positions ± {like.knobs['run_to_run_sd_m2']:.4f} m² from taking to taking"]
    if like.knows_weather:
        parts.append(f"gusts {like.knobs['gust_sd_m_s']:.1f} m/s")
    return ", ".join(parts)


def questions_dict(like: LastTime, trial: Trial) -> tuple[Mapping[str, object], ...]:
    """Return the open questions as `cda plan --json` prints them."""
    unit = "s" if like.in_seconds else "m2"
    return tuple(
        {
            "best": q.best,
            "other": q.other,
            f"gain_{unit}": q.gain,
            "probability_other_better": q.chance,
            f"at_stake_{unit}": q.at_stake,
            "runs_each_for_80_percent_power": runs_that_decide(q, trial, 0.8),
            "runs_each_for_90_percent_power": runs_that_decide(q, trial, 0.9),
        }
        for q in like.questions
    )
