"""runs.csv as it comes back from a spreadsheet: rows of texts, then runs placed in recordings."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Mapping, Sequence
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, Literal

from cda.errors import SessionError
from cda.results import Finding
from cda.session.cells import (
    CellProblemError,
    Laps,
    read_comfort,
    read_laps,
    read_position,
    read_span,
    read_use,
    run_numbers,
    without_dash,
)
from cda.session.content import Run
from cda.session.moments import TimeProblemError, seconds_candidates
from cda.session.sheet_findings import sheet_findings
from cda.session.toml_file import decode_text, mistakes_error

if TYPE_CHECKING:
    from cda.recording import Lap, Recording
    from cda.session.models import SessionSettings

COLUMNS = ("run", "position", "laps", "start", "end", "recording", "use", "comfort", "note")
MAX_SHEET_BYTES = 2_000_000
PRESS_TOLERANCE_S = 60.0  # a written minute, rounded, may lie this far outside the recording

Row = Mapping[str, str]
Place = tuple[str, str, str]
_Placed = tuple[int, tuple[tuple[float, float], ...], Literal["laps", "times"] | None]


def parse_table(
    data: bytes, name: str, columns: Sequence[str], required: Sequence[str]
) -> tuple[list[tuple[int, dict[str, str]]], list[Finding]]:
    """Return (row number in the file, column -> text) for each filled row, and notes."""
    if len(data) > MAX_SHEET_BYTES:
        raise SessionError("is larger than 2 MB", where=name, fix="give the sheet, not a recording")
    content, encoding = decode_text(data)
    findings = []
    if encoding:
        findings.append(
            Finding(
                severity="note",
                code="sheet-encoding",
                where=name,
                message=f"read as {encoding}",
                fix="save it as CSV UTF-8 if letters look wrong",
            )
        )
    content = content.replace("\r\n", "\n").replace("\r", "\n").replace("\0", "").lstrip("\ufeff")
    skipped = 0
    if re.match(r"sep=.\n", content):
        content, skipped = content.split("\n", 1)[1], 1
    head = content.split("\n", 1)[0]
    delimiter = max((",", ";", "\t"), key=head.count)
    try:
        lines = list(csv.reader(io.StringIO(content), delimiter=delimiter))
    except csv.Error as error:
        raise SessionError(
            f"is not a table ({error})", where=name, fix="save it as CSV again"
        ) from error
    if not lines or not any(cell.strip() for cell in lines[0]):
        raise SessionError("has no header", where=name, fix=f"first line: {','.join(columns)}")
    header = [cell.strip().lower() for cell in lines[0]]
    mistakes: list[Place] = []
    for column in header:
        if column and column not in columns:
            close = [c for c in get_close_matches(column, columns, n=1) if c not in header]
            if close:
                mistakes.append(
                    ("header", f"unknown column {column!r}", f"did you mean {close[0]!r}?")
                )
            else:
                findings.append(
                    Finding(
                        severity="note",
                        code="column-left-out",
                        where=name,
                        message=f"column {column!r} is not one of {', '.join(columns)}",
                    )
                )
        elif column and header.count(column) > 1:
            mistakes.append(("header", f"column {column!r} stands twice", "keep one of them"))
    absent = [c for c in required if c not in header]
    if absent and not mistakes:
        mistakes.append(
            (
                "header",
                f"no column {', '.join(map(repr, absent))}",
                f"columns: {', '.join(columns)}",
            )
        )
    rows = []
    for number, cells in enumerate(lines[1:], start=2 + skipped):
        if not any(cell.strip() for cell in cells):
            continue
        if any(cell.strip() for cell in cells[len(header) :]):
            mistakes.append(
                (
                    f"row {number}",
                    f"{len(cells)} cells under {len(header)} columns",
                    f'put "..." around a text that holds {delimiter!r}',
                )
            )
            continue
        rows.append(
            (number, {c: v.strip() for c, v in zip(header, cells, strict=False) if c in columns})
        )
    if mistakes:
        raise mistakes_error(name, sorted(set(mistakes), key=mistakes.index))
    return rows, findings


def place_runs(
    rows: Sequence[tuple[int, Row]],
    settings: SessionSettings,
    recordings: Sequence[Recording],
    *,
    where: str = "runs.csv",
) -> tuple[tuple[Run, ...], list[Finding]]:
    """Return the runs of the sheet in their recordings; all mistakes of all rows in one error."""
    runs: list[Run] = []
    mistakes: list[Place] = []
    seen: dict[int, int] = {}
    laps_seen: dict[tuple[int, int], int] = {}
    outside: list[tuple[str, Recording, float, float]] = []
    lost: list[int] = []
    lost_mistakes: list[Place] = []
    remarks: list[str] = []
    numbers = run_numbers([without_dash(row.get("run", "")) for _, row in rows])
    for (row_number, as_written), number in zip(rows, numbers, strict=True):
        place, row = f"row {row_number}", _normal(as_written)
        problems: list[CellProblemError] = []
        run = _read_row(number, row, settings, recordings, problems, outside, place)
        mistakes += [(place, p.problem, p.fix) for p in problems]
        if run is None:
            continue
        if not row.get("run"):
            remarks.append(f"{place}: no number, taken as run {run.run}")
        laps = read_laps(row["laps"]) if run.spans_from == "laps" else Laps(numbers=())
        if laps.read_as:
            remarks.append(f"{place}: {laps.read_as}")
        if run.spans_from is None and (row.get("laps") or row.get("start")):
            lost.append(run.run)
            lost_mistakes.append(
                (
                    place,
                    f"run {run.run} is not in the recording, which breaks off before it",
                    "copy the file from the device again; if that is all of it, check the laps, "
                    "the times and time_zone",
                )
            )
        if run.run in seen:
            mistakes.append(
                (place, f"run {run.run} stands in row {seen[run.run]} too", "number runs once each")
            )
        seen.setdefault(run.run, row_number)
        for lap in laps.numbers:
            first = laps_seen.setdefault((run.recording, lap), row_number)
            if first != row_number:
                mistakes.append((place, f"lap {lap} is in row {first} too", "give each lap once"))
        runs.append(run)
    mistakes += _outside_mistakes(outside)
    if not any(run.spans for run in runs):  # a cut that leaves no run is more than a warning
        mistakes += lost_mistakes
    if mistakes:
        raise mistakes_error(where, mistakes)
    return tuple(runs), sheet_findings(runs, settings, where, lost, remarks)


def _normal(row: Row) -> dict[str, str]:
    """Return a row without dashes for nothing, and with times where they belong."""
    cells = {column: without_dash(text) for column, text in row.items()}
    if not cells.get("end"):
        for column in ("start", "laps"):  # both times in one cell: 10:23-10:29
            span = read_span(cells.get(column, ""))
            if span is not None and not (column == "laps" and cells.get("start")):
                cells |= {column: ""} | dict(zip(("start", "end"), span, strict=True))
                break
    return cells


def _read_row(
    number: int | CellProblemError,
    row: Row,
    settings: SessionSettings,
    recordings: Sequence[Recording],
    problems: list[CellProblemError],
    outside: list[tuple[str, Recording, float, float]],
    place: str,
) -> Run | None:
    def attempt(read: Any, *args: Any) -> Any:
        try:
            return read(*args)
        except (CellProblemError, TimeProblemError) as error:
            problems.append(CellProblemError(error.problem, error.fix))
            return None

    if isinstance(number, CellProblemError):
        problems.append(number)
    position = attempt(read_position, row.get("position", ""), settings.positions)
    use = attempt(read_use, row.get("use", ""))
    comfort = attempt(read_comfort, row.get("comfort", ""))
    placed = attempt(_place, row, settings, recordings, outside, place)
    if problems or placed is None or isinstance(number, CellProblemError):
        return None
    recording, spans, spans_from = placed
    return Run(
        run=number,
        position=position,
        recording=recording,
        spans=spans,
        spans_from=spans_from,
        use=bool(use),
        comfort=comfort,
        note=row.get("note") or None,
    )


def _named_recording(written: str, recordings: Sequence[Recording]) -> int | None:
    names = [r.name for r in recordings]
    if not written:
        return 0 if len(names) == 1 else None
    if written in names:
        return names.index(written)
    close = get_close_matches(written, names, n=1)
    raise CellProblemError(
        f"recording {written!r} is not in this test",
        f"did you mean {close[0]!r}?" if close else f"write one of {', '.join(names)}",
    )


def _place(
    row: Row,
    settings: SessionSettings,
    recordings: Sequence[Recording],
    outside: list[tuple[str, Recording, float, float]],
    place: str,
) -> _Placed | None:
    laps, start, end = (row.get(c, "") for c in ("laps", "start", "end"))
    named = _named_recording(row.get("recording", ""), recordings)
    if laps and (start or end):
        raise CellProblemError("both laps and times", "keep one of them")
    if bool(start) != bool(end):
        raise CellProblemError(f"{'end' if start else 'start'} is empty", "give start and end")
    if not laps and not start:
        return named or 0, (), None
    names = ", ".join(r.name for r in recordings)
    if laps:
        wanted = read_laps(laps)
        numbers = wanted.numbers
        if named is None:
            raise CellProblemError("which recording?", f"fill in recording: one of {names}")
        known = {lap.number: lap for lap in recordings[named].laps}
        absent = [n for n in numbers if n not in known]
        if absent and _breaks_off(recordings[named]) and min(absent) > max(known, default=0):
            return named, (), None
        if absent:
            have = f"laps {min(known)} to {max(known)}" if known else "no laps"
            raise CellProblemError(
                f"lap {', '.join(map(str, absent))} is not in {recordings[named].name} ({have})",
                "check the number (a spreadsheet may have made 10 of 4+6), or give times",
            )
        spans = _spans(numbers, known)
        if wanted.through:
            spans = ((spans[0][0], spans[-1][1]),)
        return named, spans, "laps"
    return _place_times(start, end, named, settings, recordings, outside, place)


def _spans(numbers: Sequence[int], known: Mapping[int, Lap]) -> tuple[tuple[float, float], ...]:
    """Return one span a lap; a lap that the device ended by itself goes on in the next one."""
    spans: list[tuple[float, float]] = []
    for place, n in enumerate(numbers):
        before = numbers[place - 1] if place else None
        if before == n - 1 and known[before].automatic:
            spans[-1] = (spans[-1][0], known[n].end_s)
        else:
            spans.append((known[n].start_s, known[n].end_s))
    return tuple(spans)


def _breaks_off(recording: Recording) -> bool:
    return any(f.code == "recording-cut" for f in recording.findings)


def _place_times(
    start: str,
    end: str,
    named: int | None,
    settings: SessionSettings,
    recordings: Sequence[Recording],
    outside: list[tuple[str, Recording, float, float]],
    place: str,
) -> _Placed | None:
    options = dict(date=settings.date, time_zone=settings.time_zone)
    fitting, nearest, reversed_times = [], [], False
    for index in range(len(recordings)) if named is None else [named]:
        recording = recordings[index]
        last = float(recording.time_s[-1])
        begins = seconds_candidates(start, recording, **options)  # type: ignore[arg-type]
        ends = seconds_candidates(end, recording, **options)  # type: ignore[arg-type]
        pairs = [(b, e) for b in begins for e in ends if 0.0 < e - b < 43_200.0]
        if len(begins) == 1 == len(ends) and begins[0] >= ends[0]:
            reversed_times = True
        # A clock time read on a neighbouring day is only meant where it lies in the recording.
        inside = [
            (max(b, 0.0), min(e, last))
            for b, e in pairs
            if -PRESS_TOLERANCE_S <= b < last and 0.0 < e <= last + PRESS_TOLERANCE_S
        ]
        same_day_backwards = not inside and begins[0] >= ends[0]
        reversed_times = reversed_times or same_day_backwards
        if inside:
            fitting.append((index, inside[0]))
        elif pairs:
            nearest.append((recording, *pairs[0]))
    if len(fitting) > 1:
        names = ", ".join(recordings[i].name for i, _ in fitting)
        raise CellProblemError("times lie in several recordings", f"fill in recording: {names}")
    if fitting:
        index, span = fitting[0]
        return index, (span,), "times"
    if reversed_times or not nearest:
        raise CellProblemError(f"end {end} is not after start {start}", "swap or correct them")
    for index in range(len(recordings)) if named is None else [named]:
        if _breaks_off(recordings[index]) and any(
            r is recordings[index] and b > -PRESS_TOLERANCE_S for r, b, _ in nearest
        ):
            return index, (), None
    outside.append((place, *nearest[0]))
    return None


def _outside_mistakes(outside: Sequence[tuple[str, Recording, float, float]]) -> list[Place]:
    if not outside:
        return []
    recording = outside[0][1]
    last = float(recording.time_s[-1])
    first, final = min(o[2] for o in outside), max(o[3] for o in outside)
    fits = [
        h
        for h in sorted(range(-26, 27), key=abs)
        if first + h * 3600.0 >= -PRESS_TOLERANCE_S
        and final + h * 3600.0 <= last + PRESS_TOLERANCE_S
    ]
    if fits:
        hours = "hour" if abs(fits[0]) == 1 else "hours"
        fix = (
            f"moved by {fits[0]:+d} {hours} these times would fit: "
            "check time_zone, summer time and the clock of the bike computer"
        )
    else:
        fix = "check the date in session.toml and that this is the right recording"
    return [(place, f"times lie outside {rec.name}", fix) for place, rec, _, _ in outside]
