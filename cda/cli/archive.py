"""`cda archive`: every test below a folder, kept in one SQLite file; the season of each rider."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from cda.cli.options import force_option, json_option, level_option
from cda.cli.talk import command_line, exit_status, print_document, say, say_next

if TYPE_CHECKING:
    from cda.archive import Archive, Update
    from cda.archive.discovery import Found
    from cda.results.season import Season

FILE = "cda_archive.sqlite"

EPILOG = f"""\b
Examples:
  cda archive squad
  cda archive squad --jobs 4 --page season.html --csv tables
  cda archive squad --scheduler tcp://host:8786
  cda archive squad --show --json

The results are kept in FOLDER/{FILE}; only new and changed tests are computed. Stop it
whenever you like: the same command goes on. A test that cannot be computed is one line of the
table, and exit status 3."""


@click.command("archive", epilog=EPILOG)
@click.argument("folder", type=click.Path(path_type=Path), metavar="FOLDER")
@click.option(
    "--archive",
    "file",
    type=click.Path(path_type=Path),
    metavar="FILE.sqlite",
    help=f"Where results are kept.  [default: FOLDER/{FILE}]",
)
@click.option(
    "--jobs",
    type=click.IntRange(1, 512),
    metavar="N",
    help="Processes on this machine.  [default: one a processor]",
)
@click.option(
    "--scheduler",
    metavar="ADDRESS",
    help="Let a dask.distributed cluster compute, as in tcp://host:8786 (extra `cluster`).",
)
@click.option("--again", is_flag=True, help="Compute unchanged tests too.")
@click.option("--show", is_flag=True, help="Only show what is kept: nothing is read or computed.")
@click.option(
    "--page",
    type=click.Path(path_type=Path),
    metavar="FILE.html",
    help="Also write the season as one self-contained page.",
)
@click.option(
    "--csv",
    "csv_folder",
    type=click.Path(path_type=Path, file_okay=False),
    metavar="FOLDER",
    help="Also write tables result_season_*.csv into FOLDER.",
)
@level_option
@force_option
@json_option
def command(
    *,
    folder: Path,
    file: Path | None,
    jobs: int | None,
    scheduler: str | None,
    again: bool,
    show: bool,
    page: Path | None,
    csv_folder: Path | None,
    level: float,
    force: bool,
    as_json: bool,
) -> int:
    """Compute every test below FOLDER, keep the results, and show each rider's season.

    For every position: CdA and its trend with their uncertainty, how much days scatter, whether
    it has settled or needs a retest, and why.
    """
    if scheduler is not None and jobs is not None:
        raise click.UsageError("--jobs is for this machine: leave it out with --scheduler")
    from cda.cli.files import refuse_foreign

    if page is not None:  # before the work, not after it
        refuse_foreign(page, force=force)
    season = _season(folder, file or folder / FILE, jobs, scheduler, again, show, level)
    written = _write(season, page, csv_folder, force=force)
    if as_json:
        document = season.to_dict()
        print_document(document | {"files": [str(p) for p in written]} if written else document)
    else:
        click.echo(str(season))
        for path in written:
            click.echo(f"written: {path}")
    _say_next(season, folder, page)
    return exit_status(season.findings)


def _season(
    folder: Path,
    file: Path,
    jobs: int | None,
    scheduler: str | None,
    again: bool,
    show: bool,
    level: float,
) -> Season:
    from cda.archive import Archive, find_tests
    from cda.archive.season import read_season
    from cda.errors import SessionError

    name = folder.resolve().name
    if show:
        if not file.is_file():
            raise SessionError(
                "there is no archive yet",
                where=str(file),
                fix=f"make it: {command_line('cda', 'archive', folder)}",
            )
        with Archive(file, read_only=True) as archive:
            return read_season(archive, folder=name, level=level)
    found = find_tests(folder)  # before an archive is made
    with Archive(file) as archive:
        update = _update(archive, found, jobs, scheduler, again)
        return read_season(archive, update, folder=name, level=level)


def _update(
    archive: Archive, found: Found, jobs: int | None, scheduler: str | None, again: bool
) -> Update:
    from cda.archive import processors, update_archive

    at = [0, 0]
    with ExitStack() as stack:
        bars: list[Any] = []

        def progress(done: int, total: int) -> None:
            if total and not bars:  # where there is nothing to do there is no bar
                bar = click.progressbar(
                    length=total,
                    label="Tests",
                    file=sys.stderr,
                    hidden=not sys.stderr.isatty(),
                    show_pos=True,
                    show_eta=True,
                )
                bars.append(stack.enter_context(bar))
            for bar in bars:
                bar.update(done - at[0])
            at[:] = [done, total]

        try:
            return update_archive(
                archive,
                found,
                jobs=jobs or processors(),
                scheduler=scheduler,
                again=again,
                progress=progress,
            )
        except KeyboardInterrupt:
            say(f"\n{at[0]} of {at[1]} tests are kept; the same command goes on from there.")
            raise


def _write(
    season: Season, page: Path | None, csv_folder: Path | None, *, force: bool
) -> list[Path]:
    from cda.cli.files import refuse_foreign, write_file

    written = []
    if page is not None:
        from cda.report import build_season_page

        write_file(page, build_season_page(season), force=force)
        written.append(page)
    if csv_folder is not None:
        from cda.report import season_csv

        files = {csv_folder / name: data for name, data in season_csv(season).items()}
        csv_folder.mkdir(exist_ok=True)
        for path, data in files.items():  # all are looked at before the first is written
            refuse_foreign(path, data, force=force)
        for path, data in files.items():
            write_file(path, data, force=force)
            written.append(path)
    return written


def _say_next(season: Season, folder: Path, page: Path | None) -> None:
    bad = next((t for t in season.tests if t.state != "done"), None)
    if bad is not None:
        say_next(f"{command_line('cda', 'check', folder / bad.folder)}   (says what to mend)")
    elif page is None:
        say_next(
            f"{command_line('cda', 'archive', folder, '--page', 'season.html')}   "
            "(trends as pictures)"
        )
    else:
        say_next(f"open {page} in a browser")
