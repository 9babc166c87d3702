"""Passes found in a recording paired with the empty rows of the run sheet, in the order ridden."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from cda.errors import SessionError
from cda.results.numbers import counted

if TYPE_CHECKING:
    from collections.abc import Collection, Sequence

    from cda.passes import Pass, Stretch
    from cda.session import Run

MARGIN_S: Final = 8.0  # [s] legs are trimmed later; a span that is short loses road


@dataclass(frozen=True, slots=True, kw_only=True)
class MatchedRun:
    """A run of the sheet and the passes taken for it; span in recording time [s]."""

    run: int
    position: str
    start_s: float
    end_s: float
    passes: tuple[Pass, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """Pairs in the order ridden, and what is left over on either side.

    `certain` is false where passes and rows do not come out even: then somebody has to say
    which passes to leave out, or which runs were not ridden; nothing is guessed.
    """

    pairs: tuple[MatchedRun, ...]
    certain: bool
    questions: tuple[str, ...]


def match_runs(
    runs: Sequence[Run], stretch: Stretch, *, legs_a_run: int = 2,
    spoiled: Collection[int] = (), skipped: Collection[int] = (), recording: int = 0,
) -> Match:  # fmt: skip
    """Pair the passes over a stretch with the runs that have neither laps nor times.

    Parameters
    ----------
    runs : sequence of Run
        As in the run sheet; rows that are filled or set aside are left alone, and passes inside
        their spans are theirs.
    stretch : Stretch
        The stretch of the test, from `find_stretches`.
    legs_a_run : int
        Passes that make one run, 2 for out and back.
    spoiled : collection of int
        Passes to leave out, numbered from 1 in the order ridden.
    skipped : collection of int
        Runs that were not ridden.
    recording : int
        Index of the recording that the stretch was found in.

    Returns
    -------
    Match

    Raises
    ------
    SessionError
        If `spoiled` or `skipped` name what is not there.
    """
    numbers = range(1, len(stretch.passes) + 1)
    if wrong := sorted(set(spoiled) - set(numbers)):
        raise SessionError(
            f"there is no pass {wrong[0]}: {len(stretch.passes)} were found",
            fix="number the passes from 1 in the order ridden",
        )
    if wrong := sorted(set(skipped) - {r.run for r in runs}):
        raise SessionError(
            f"there is no run {wrong[0]}", where="runs.csv", fix="see the run column"
        )
    filled = [span for run in runs if run.recording == recording for span in run.spans]
    free = [
        (n, p) for n, p in zip(numbers, stretch.passes, strict=True)
        if n not in spoiled
        and not any(a < 0.5 * (p.start_s + p.end_s) < b for a, b in filled)
    ]  # fmt: skip
    rows = [r for r in runs if not r.spans and r.use and r.run not in skipped]
    questions = []
    if len(free) != legs_a_run * len(rows):
        more = len(free) - legs_a_run * len(rows)
        short = -(-abs(more) // legs_a_run)
        questions.append(
            f"{counted(len(free), 'pass')} for {counted(len(rows), 'run')} of {legs_a_run}: "
            + (
                (f"which {counted(more, 'pass')} {'is' if more == 1 else 'are'} spoiled or extra?")
                if more > 0
                else f"which {counted(short, 'run')} {'was' if short == 1 else 'were'} not "
                "ridden, or which pass was ridden alone?"
            )
        )
    pairs = []
    for place, row in enumerate(rows):
        group = free[place * legs_a_run : (place + 1) * legs_a_run]
        if len(group) < legs_a_run:
            break
        ways = [p.direction for _, p in group]
        if legs_a_run == 2 and ways[0] == ways[1]:
            questions.append(
                f"run {row.run}: passes {group[0][0]} and {group[1][0]} go the same way; "
                "was a pass before them spoiled?"
            )
        pairs.append(
            MatchedRun(
                run=row.run, position=row.position, passes=tuple(p for _, p in group),
                start_s=group[0][1].start_s - MARGIN_S, end_s=group[-1][1].end_s + MARGIN_S,
            )
        )  # fmt: skip
    return Match(pairs=tuple(pairs), certain=not questions, questions=tuple(questions))
