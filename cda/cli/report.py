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
from cda.cli.talk import (
    command_line,
    end_on_stop,
    exit_status,
    print_document,
    say,
    say_next,
    show_findings,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from cda.results import Estimate, Savings

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
    """Write one self-contained page for athlete, coach and analyst."""
    for path in (out, pdf):  # before the work, not after it
        if path is not None:
            refuse_foreign(path, force=force)
    from cda.cli.work import estimate_sessions
    from cda.report import build_report, write_csv, write_figures, write_pdf

    savings = None
    if race_file is None:
        estimate = estimate_sessions(sessions, settings, level=level)
    else:
        from cda.priority import time_savings
        from cda.race import load_race

        for_session, for_race, notes = split_settings(settings, own="session")
        for note in notes:
            say(note)
        race = load_race(race_file, overrides=for_race)
        estimate = estimate_sessions(sessions, for_session, level=level)
        savings = time_savings(estimate, race)
        end_on_stop(savings.findings, session_names={})
    photos = {} if no_photos else _photos(estimate, sessions)
    write_file(out, build_report(estimate, savings, photos=photos), force=force)
    written = [out]
    if pdf is not None:
        write_pdf(pdf, estimate, savings, photos=photos)
        written.append(pdf)
    if csv_folder is not None:
        written += _write_folder(csv_folder, write_csv, estimate, savings, force=force)
    if figures_folder is not None:
        written += _write_folder(figures_folder, write_figures, estimate, savings, force=force)
    findings = (*estimate.findings, *(savings.findings if savings else ()))
    show_findings(findings, session_names={s.key: s.folder for s in estimate.sessions})
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
    estimate: Estimate,
    savings: Savings | None,
    *,
    force: bool,
) -> list[Path]:
    """Let a writer of several files work in a scratch folder, then move what may be written."""
    with tempfile.TemporaryDirectory() as scratch:
        made = [(folder / p.name, p.read_bytes()) for p in write(Path(scratch), estimate, savings)]
    folder.mkdir(exist_ok=True)
    for path, data in made:  # all are looked at before the first is written
        refuse_foreign(path, data, force=force)
    for path, data in made:
        write_file(path, data, force=force)
    return [path for path, _ in made]
