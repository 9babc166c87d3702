"""`cda race`: minutes saved at the race by each position."""

from __future__ import annotations

import math
from pathlib import Path

import click

from cda.cli.options import (
    existing_sessions,
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

EPILOG = """\b
Examples:
  cda race example_runs/short_morning --race example_runs/full_distance.toml
  cda race --race example_runs/full_distance.toml --cda tall=0.276 --cda low=0.262 \\
    --set rider.mass_kg=74 --set bike.mass_kg=9.8"""


def _parse_cda(
    _ctx: click.Context, _param: click.Parameter, values: tuple[str, ...]
) -> dict[str, float]:
    given: dict[str, float] = {}
    for text in values:
        name, equals, number = text.partition("=")
        try:
            value = float(number)
        except ValueError:
            value = math.nan
        if not (equals and name and 0.05 <= value <= 1.5):
            raise click.BadParameter(f"{text!r} is not NAME=CDA in m², 0.05 to 1.5")
        if name in given:
            raise click.BadParameter(f"{name!r} is given twice")
        given[name] = value
    return given


@click.command("race", epilog=EPILOG)
@existing_sessions(required=False)
@click.option(
    "--race",
    "race_file",
    required=True,
    type=click.Path(path_type=Path),
    metavar="RACE.toml",
    help="The race: distance or course, power, wind.",
)
@click.option(
    "--cda",
    "values",
    multiple=True,
    callback=_parse_cda,
    metavar="NAME=M2",
    help="CdA from elsewhere instead of a session; the first is the reference. Repeatable.",
)
@click.option(
    "--cda-includes-wheels",
    is_flag=True,
    help="The values of --cda include the drag of the turning wheels.",
)
@set_option
@level_option
@json_option
def command(
    *,
    sessions: tuple[Path, ...],
    race_file: Path,
    values: dict[str, float],
    cda_includes_wheels: bool,
    settings: dict[str, str],
    level: float,
    as_json: bool,
) -> int:
    """Turn CdA into minutes at the race, with intervals, in order."""
    if bool(sessions) == bool(values):
        raise click.UsageError("give either SESSION... or --cda NAME=M2, not both and not neither")
    if cda_includes_wheels and not values:
        raise click.UsageError("--cda-includes-wheels belongs to --cda")
    from cda.cli.work import estimate_sessions
    from cda.priority import savings_from_cda, time_savings
    from cda.race import load_race

    for_session, for_race, notes = split_settings(settings, own="race")
    if sessions:  # without one there is nothing else that a key could mean
        for note in notes:
            say(note)
    race = load_race(race_file, overrides=for_race)
    if values:
        savings = savings_from_cda(values, race, includes_wheels=cda_includes_wheels, level=level)
        findings = savings.findings
    else:
        estimate = estimate_sessions(sessions, for_session, level=level)
        savings = time_savings(estimate, race)
        findings = (*estimate.findings, *savings.findings)
    end_on_stop(savings.findings, session_names={})
    if as_json:
        print_document(savings.to_dict())
    else:
        click.echo(str(savings))
        if sessions:
            # The estimate's warnings set the exit status too: say which they are.
            show_findings(
                [f for f in estimate.findings if f.severity == "warning"], session_names={}
            )
    if sessions:
        line = command_line("cda", "report", *sessions, "--race", race_file, "--out", "report.html")
        say_next(line)
    else:
        say_next("test the positions on the road: these CdA values carry no uncertainty here.")
    return exit_status(findings)
