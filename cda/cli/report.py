"""`cda report`: everything as one self-contained page, and its pictures and tables as files."""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cda.cli.files import refuse_foreign, write_file
from cda.cli.options import (
    existing_sessions,
    force_option,
    json_option,
    level_option,
    set_option,
    split_settings,
)
from cda.cli.progress import steps
from cda.cli.talk import (
    command_line,
    end_on_stop,
    exit_status,
    print_document,
    say,
    say_next,
    show_findings,
)
from cda.errors import CdaError

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from cda.race import Race
    from cda.report import Section
    from cda.results import Estimate, Finding, Savings
    from cda.session import Session

EPILOG = """\b
Examples:
  cda report example_runs/short_morning --race example_runs/full_distance.toml --out page.html
  cda report day_1 day_2 --out page.html --csv day_2 --no-photos"""

_PICTURES = (".jpg", ".jpeg", ".png", ".webp")
_PHOTO_LIMIT_BYTES = 30_000_000  # a telephone's picture is a few MB


@click.command("report", epilog=EPILOG)
@existing_sessions()
@click.option(
    "--race",
    "race_file",
    type=click.Path(path_type=Path),
    metavar="RACE.toml",
    help="The race; without it the page speaks of drag area only.",
)
@click.option(
    "--out",
    required=True,
    type=click.Path(path_type=Path),
    metavar="FILE.html",
    help="The page to write.",
)
@click.option(
    "--pdf",
    type=click.Path(path_type=Path),
    metavar="FILE.pdf",
    help="Also write the page as a PDF of A4 pages.",
)
@click.option(
    "--figures",
    "figures_folder",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Also write every picture as SVG and PNG into FOLDER.",
)
@click.option(
    "--csv",
    "csv_folder",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Also write tables result_*.csv into FOLDER.",
)
@click.option("--no-photos", is_flag=True, help="Leave the positions' photos out.")
@set_option
@level_option
@force_option
@json_option
def command(
    *,
    sessions: tuple[Path, ...],
    race_file: Path | None,
    out: Path,
    pdf: Path | None,
    figures_folder: Path | None,
    csv_folder: Path | None,
    no_photos: bool,
    settings: dict[str, str],
    level: float,
    force: bool,
    as_json: bool,
) -> int:
    """Write one self-contained page for athlete, coach and analyst.

    Several folders of one rider are pooled, and the page opens with what the last day changed;
    several riders have a section each.
    """
    for path in (out, pdf):  # before the work, not after it
        if path is not None:
            refuse_foreign(path, force=force)
    from cda.report import build_page, write_csv, write_figures, write_pdf

    race = None
    if race_file is not None:
        from cda.race import load_race

        settings, for_race, notes = split_settings(settings, own="session")
        for note in notes:
            say(note)
        race = load_race(race_file, overrides=for_race)
    wanted = [out, *(p for p in (pdf, csv_folder, figures_folder) if p is not None)]
    with steps(1 + 2 * len(sessions) + len(wanted)) as begin:
        found = _sections(sessions, settings, race, level=level, photos=not no_photos, begin=begin)
        begin("drawing the page")
        write_file(out, build_page(found), force=force)
        written = [out]
        if pdf is not None:
            begin("setting the PDF")
            write_pdf(pdf, found)
            written.append(pdf)
        if csv_folder is not None:
            begin("writing tables")
            written += _write_folder(csv_folder, write_csv, found, force=force)
        if figures_folder is not None:
            begin("writing pictures")
            written += _write_folder(figures_folder, write_figures, found, force=force)
    findings: list[Finding] = []
    for section in found:
        findings += section.estimate.findings
        findings += section.savings.findings if section.savings else ()
    names = {s.key: s.folder for section in found for s in section.estimate.sessions}
    show_findings(findings, session_names=names)
    if as_json:
        print_document(
            {
                "schema": 1,
                "kind": "report",
                "files": [str(p) for p in written],
                "findings": [f.to_dict() for f in findings],
            }
        )
    else:
        for path in written:
            click.echo(f"written: {path}")
    if race_file is None:
        again = command_line("cda", "report", *sessions, "--race", "RACE.toml", "--out", out)
        say_next(f"{again}   (adds the minutes at the race)")
    else:
        say_next(f"open {out} in a browser")
    return exit_status(findings)


def _sections(
    folders: Sequence[Path],
    settings: Mapping[str, str],
    race: Race | None,
    *,
    level: float,
    photos: bool,
    begin: Callable[[str], None],
) -> list[Section]:
    """Return the results of every rider, in the order given; days in the order of their dates."""
    from cda.analysis import estimate_cda
    from cda.cli.work import load_sessions
    from cda.priority import time_savings
    from cda.report import Section
    from cda.results.numbers import shown

    begin("reading the ride" if len(folders) == 1 else "reading the rides")
    sessions, names = load_sessions(folders, settings)
    riders: dict[str, list[tuple[Session, Path]]] = {}
    for session, folder in zip(sessions, folders, strict=True):
        riders.setdefault(session.settings.rider.id, []).append((session, folder))
    found = []
    for rider, ridden in riders.items():
        ridden.sort(key=lambda one: str(one[0].settings.date or ""))
        days = [session for session, _ in ridden]
        begin("estimating" if len(riders) == 1 else f"estimating {shown(rider)}")
        estimate = estimate_cda(days if len(days) > 1 else days[0], level=level)
        end_on_stop(estimate.findings, session_names=names)
        previous = None
        if len(days) > 1:
            begin("estimating without the last day")
            previous = _estimated_before(days[:-1], level=level)
        savings = None
        if race is not None:
            begin("riding the race")
            savings = time_savings(estimate, race)
            end_on_stop(savings.findings, session_names={})
        pictures = _photos(estimate, [folder for _, folder in ridden]) if photos else {}
        found.append(
            Section(estimate=estimate, savings=savings, photos=pictures, previous=previous)
        )
    return found


def _estimated_before(days: Sequence[Session], *, level: float) -> Estimate | None:
    """Return the estimate without the last day, or None where those days allow none."""
    from cda.analysis import estimate_cda

    try:
        estimate = estimate_cda(list(days) if len(days) > 1 else days[0], level=level)
    except CdaError:
        return None
    return None if any(f.severity == "stop" for f in estimate.findings) else estimate


def _photos(estimate: Estimate, folders: Sequence[Path]) -> dict[str, bytes]:
    """Return the picture files that the sessions name; the last folder that has one wins."""
    from cda.session import inside_folder

    photos = {}
    for position in estimate.positions:
        if not position.photo or Path(position.photo).suffix.lower() not in _PICTURES:
            continue
        for folder in folders:
            path = inside_folder(folder, position.photo, "photo")
            if path.is_file() and path.stat().st_size <= _PHOTO_LIMIT_BYTES:
                photos[position.id] = path.read_bytes()
    return photos


def _write_folder(
    folder: Path,
    write: Callable[[Path, Estimate, Savings | None], Sequence[Path]],
    sections: Sequence[Section],
    *,
    force: bool,
) -> list[Path]:
    """Let a writer of several files work in a scratch folder, then move what may be written.

    With several riders each has a folder of its own in `folder`, named by its id.
    """
    made: list[tuple[Path, bytes]] = []
    for section in sections:
        own = folder / section.estimate.sessions[0].rider_id if len(sections) > 1 else folder
        with tempfile.TemporaryDirectory() as scratch:
            files = write(Path(scratch), section.estimate, section.savings)
            made += [(own / p.name, p.read_bytes()) for p in files]
    for path, _ in made:
        path.parent.mkdir(parents=len(sections) > 1, exist_ok=True)
    for path, data in made:  # all are looked at before the first is written
        refuse_foreign(path, data, force=force)
    for path, data in made:
        write_file(path, data, force=force)
    return [path for path, _ in made]
