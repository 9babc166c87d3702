"""`cda check`: is the recording good enough, and which runs are spoiled, before any number."""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cda.cli.files import refuse_foreign, write_file
from cda.cli.options import force_option, json_option, set_option
from cda.cli.shell import WARNING
from cda.cli.talk import command_line, exit_status, print_document, say, say_next
from cda.errors import OutputError, SessionError

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from cda.checks import Match, MatchedRun
    from cda.passes import Pass, Stretch
    from cda.recording import Recording
    from cda.results import Finding
    from cda.session import Run, Session

PICTURES = (".svg", ".png", ".pdf")
EPILOG = """\b
Examples:
  cda check example_runs/short_morning
  cda check ride.fit
  cda check ride.fit --make my_test
  cda check my_test --page check.html --figure check.svg
  cda check my_test --match --spoiled 7
  cda check export.csv --column power_w="Power (W)" --column time="Date and time\""""


def _parse_columns(
    _ctx: click.Context, _param: click.Parameter, values: tuple[str, ...]
) -> dict[str, str]:
    columns = {}
    for text in values:
        channel, equals, header = text.partition("=")
        if not (equals and channel and header):
            raise click.BadParameter(f'{text!r} is not CHANNEL=COLUMN, as in power_w="Power (W)"')
        columns[channel] = header
    return columns


@click.command("check", epilog=EPILOG)
@click.argument("what", metavar="SESSION|RECORDING", type=click.Path(path_type=Path))
@click.option(
    "--match",
    is_flag=True,
    help="Pair the passes found with the run sheet in the order ridden; fill empty rows only.",
)
@click.option(
    "--spoiled",
    type=click.IntRange(1),
    multiple=True,
    metavar="PASS",
    help="With --match: a pass to leave out, numbered as shown; repeatable.",
)
@click.option(
    "--skipped",
    type=click.IntRange(0),
    multiple=True,
    metavar="RUN",
    help="With --match: a run that was not ridden; repeatable.",
)
@click.option(
    "--make",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Write a test folder from the best stretch of a recording, positions to be filled in.",
)
@click.option(
    "--column",
    "columns",
    multiple=True,
    callback=_parse_columns,
    metavar="CHANNEL=COLUMN",
    help="Heading of a channel in a CSV recording; repeatable. --make keeps it in session.toml.",
)
@click.option(
    "--page",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE.html",
    help="Also write the check as one page, readable on a phone.",
)
@click.option(
    "--figure",
    type=click.Path(path_type=Path, dir_okay=False),
    metavar="FILE",
    help="Also draw the check: legs against each other, or when stretches were passed; "
    "FILE ends in .svg, .png or .pdf.",
)
@set_option
@force_option
@json_option
def command(
    *,
    what: Path,
    match: bool,
    spoiled: tuple[int, ...],
    skipped: tuple[int, ...],
    make: Path | None,
    columns: dict[str, str],
    page: Path | None,
    figure: Path | None,
    settings: dict[str, str],
    force: bool,
    as_json: bool,
) -> int:
    """Read a test folder or a recording and say what is wrong with it."""
    if not what.exists():
        raise SessionError("no such file or folder", where=str(what), fix="check the path")
    if what.is_dir() and make:
        raise click.UsageError("--make belongs to a recording, not to a test folder")
    if not what.is_dir() and match:
        raise click.UsageError("--match belongs to a test folder")
    if (spoiled or skipped) and not match:
        raise click.UsageError("--spoiled and --skipped belong to --match")
    for path in (page, figure):  # before the work, not after it
        if path is not None:
            refuse_foreign(path, force=force)
    if figure is not None and figure.suffix.lower() not in PICTURES:
        raise click.UsageError(f"--figure: {figure.name} ends in none of {', '.join(PICTURES)}")
    from cda.checks import check_bare_recording, check_session

    if what.is_dir():
        from cda.session import load_session

        settings |= {f"columns.{channel}": header for channel, header in columns.items()}
        session = load_session(what, overrides=settings)
        if match:
            open_questions = _match(what, session, spoiled, skipped, may_ask=not as_json)
            if open_questions:
                if as_json:
                    report = check_session(session)
                    first = _as_findings(open_questions, session.key)
                    print_document(
                        replace(report, first=first, rest=(*report.first, *report.rest)).to_dict()
                    )
                again = command_line("cda", "check", what, "--match")
                say_next(
                    f"{again} --spoiled PASS, or --skipped RUN, until passes and runs come out even"
                )
                return WARNING
            session = load_session(what, overrides=settings)
        report = check_session(session)
        after = command_line("cda", "fit", what)
    else:
        from cda.readers import read_recording

        recording = read_recording(what, columns=columns or None)
        report = check_bare_recording(recording)
        after = command_line("cda", "check", what, "--make", "FOLDER")
        if make is not None:
            _make(make, what, recording, columns)
            after = f"weigh rider and bike, fill in {make}/session.toml and runs.csv, then " + (
                command_line("cda", "check", make)
            )
    if any(f.severity == "stop" for f in report.findings):
        after = f"mend what stops the answer, then {command_line('cda', 'check', what)}"
    if page is not None:
        from cda.report import build_check_page

        write_file(page, build_check_page(report), force=force)
        say(f"written: {page}")
    if figure is not None:
        from cda.report import drawn_check

        write_file(figure, drawn_check(report, figure.suffix), force=force)
        say(f"written: {figure}")
    if as_json:
        print_document(report.to_dict())
    else:
        click.echo(str(report))
    say_next(after)
    return exit_status(report.findings)


def _match(
    folder: Path,
    session: Session,
    spoiled: Sequence[int],
    skipped: Sequence[int],
    *,
    may_ask: bool,
) -> tuple[str, ...]:
    """Show the pairs on standard error; fill the sheet where they are certain.

    On a terminal the questions are asked until nothing is typed. What is still open then is
    returned, and nothing is written.
    """
    from cda.checks import match_runs
    from cda.session import fill_runs

    index, stretch = _best_stretch(session)
    recording = session.recordings[index]
    of_this = [run for run in session.runs if run.recording == index]
    legs = 2 if session.settings.course.kind == "out-and-back" else 1
    left_out, not_ridden = set(spoiled), set(skipped)
    say(
        f"{recording.name}: {len(stretch.passes)} passes over a stretch of {stretch.length_m:.0f} m"
    )
    while True:
        outcome = match_runs(
            session.runs,
            stretch,
            legs_a_run=legs,
            spoiled=left_out,
            skipped=not_ridden,
            recording=index,
        )
        _show_pairs(recording, stretch, outcome, of_this, left_out)
        # Also where they come out even: a pass ridden again and a run skipped look like that.
        if not (may_ask and on_terminal() and outcome.pairs):
            break
        more_passes = left_out | _ask("Passes to leave out", len(stretch.passes))
        more_runs = not_ridden | _ask("Runs not ridden", max(r.run for r in session.runs))
        if (more_passes, more_runs) == (left_out, not_ridden):
            break
        left_out, not_ridden = more_passes, more_runs
    if not outcome.certain:
        return outcome.questions
    if not outcome.pairs:
        say("Every row of the run sheet is filled already.")
        return ()
    kept = fill_runs(folder, {pair.run: _row(session, recording, pair) for pair in outcome.pairs})
    say(f"{len(outcome.pairs)} rows of runs.csv filled; the old sheet is {kept.name}")
    return ()


def on_terminal() -> bool:
    """Say whether somebody is there to answer."""
    return sys.stdin.isatty()


def _holds(run: Run, one: Pass) -> bool:
    """Say whether a pass lies in the laps or times that the sheet already has for a run."""
    middle = 0.5 * (one.start_s + one.end_s)
    return any(start < middle < end for start, end in run.spans)


def _show_pairs(
    recording: Recording, stretch: Stretch, outcome: Match, runs: Sequence[Run],
    spoiled: Collection[int],
) -> None:  # fmt: skip
    for number, one in enumerate(stretch.passes, start=1):
        pair = next((p for p in outcome.pairs if one in p.passes), None)
        owner = next((r for r in runs if _holds(r, one)), None)
        if pair is not None:
            taken = f"run {pair.run}, {pair.position}"
        elif owner is not None:
            taken = f"run {owner.run}, {owner.position}: on the sheet already"
        else:
            taken = "left out" if number in spoiled else "nobody's"
        say(f"  pass {number:>3}  {_when(recording, one)}  {_way(one)}  {taken}")
    for question in outcome.questions:
        say(f"? {question}")


def _ask(what: str, highest: int) -> set[int]:
    """Return the numbers typed; nothing typed leaves all as it is."""

    def numbers(typed: str) -> set[int]:
        words = typed.replace(",", " ").split()
        if not all(w.isdecimal() and int(w) <= highest for w in words):
            raise click.BadParameter(f"numbers up to {highest}, or nothing")
        return {int(w) for w in words}

    asked: set[int] = click.prompt(
        f"{what} (numbers, or nothing)", default="", show_default=False, value_proc=numbers,
        err=True,
    )  # fmt: skip
    return asked


def _as_findings(questions: Sequence[str], session: str) -> tuple[Finding, ...]:
    from cda.results import Finding

    return tuple(
        Finding(
            severity="warning", code="runs-not-matched", where="runs.csv", session=session,
            message=question, fix="name passes with --spoiled and runs with --skipped",
        )
        for question in questions
    )  # fmt: skip


def _best_stretch(session: Session) -> tuple[int, Stretch]:
    from cda.passes import find_stretches

    found = [
        (s.fitness * len(s.passes), index, s)
        for index, recording in enumerate(session.recordings)
        for s in find_stretches(recording)
    ]
    if not found:
        raise SessionError(
            "no stretch of 300 m or more was ridden both ways",
            where=session.folder_name,
            fix="write laps or times into runs.csv by hand",
        )
    _, index, stretch = max(found, key=lambda entry: entry[:2])
    return index, stretch


def _way(one: Pass) -> str:
    return "out " if one.direction > 0 else "back"


def _when(recording: Recording, one: Pass) -> str:
    """Return the clock time of a pass for the rider's own screen, or its second."""
    return f"{_moment(recording, one.start_s)} for {one.end_s - one.start_s:.0f} s"


def _moment(recording: Recording, second: float) -> str:
    """Return a moment as a run sheet takes it: ISO 8601, or the file's own seconds."""
    from datetime import timedelta, timezone

    if recording.start_utc is None:
        return f"{second + (recording.own_time_start_s or 0.0):.1f}"
    zone = timezone(timedelta(seconds=round(recording.utc_offset_s or 0.0)))
    moment = recording.start_utc + timedelta(seconds=second)
    return moment.astimezone(zone).isoformat(timespec="seconds")


def _row(session: Session, recording: Recording, pair: MatchedRun) -> dict[str, object]:
    row: dict[str, object] = {
        "start": _moment(recording, pair.start_s),
        "end": _moment(recording, pair.end_s),
    }
    if len(session.recordings) > 1:
        row["recording"] = recording.name
    return row


def _make(folder: Path, source: Path, recording: Recording, columns: Mapping[str, str]) -> None:
    """Write session.toml and runs.csv around the best stretch; the recording is copied."""
    from cda.checks.matching import MARGIN_S
    from cda.passes import find_stretches
    from cda.session import write_bytes, write_session_folder

    stretches = find_stretches(recording)
    if not stretches:
        raise SessionError(
            "no stretch of 300 m or more was ridden both ways",
            where=recording.name,
            fix="write session.toml and runs.csv by hand (README, Your own ride)",
        )
    if (folder / source.name).exists() and not (folder / source.name).samefile(source):
        raise OutputError(
            "is there already", where=f"{folder}/{source.name}", fix="name a new folder"
        )
    passes = stretches[0].passes
    rows: list[dict[str, object]] = []
    k = 0
    while k + 1 < len(passes):
        first, second = passes[k], passes[k + 1]
        if first.direction == second.direction:  # ridden one way only: no run
            k += 1
            continue
        rows.append(
            {
                "run": len(rows) + 1,
                "position": None,
                "start": _moment(recording, first.start_s - MARGIN_S),
                "end": _moment(recording, second.end_s + MARGIN_S),
            }
        )
        k += 2
    write_session_folder(
        folder,
        {"title": folder.resolve().name, "recordings": [source.name]}
        | ({"columns": dict(columns)} if columns else {}),
        rows,
        heading=f"Made from {source.name}: fill in what is marked, and the positions in runs.csv.",
    )
    if not (folder / source.name).exists():
        write_bytes(folder / source.name, source.read_bytes())
    say(f"written: {folder}/session.toml, runs.csv with {len(rows)} runs, {source.name}")
