"""`cda plan`: a new test folder with an order of runs, a run sheet and the precision to expect."""

from __future__ import annotations

import re
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from cda.cli.options import force_option, json_option
from cda.cli.shell import ANSWER
from cda.cli.talk import (
    command_line,
    end_on_stop,
    exit_status,
    print_document,
    say,
    say_next,
    show_findings,
)
from cda.errors import SessionError

if TYPE_CHECKING:
    from cda.plan import LastTime, Plan
    from cda.race import Race

PICTURES = (".svg", ".png", ".pdf")
_PROTOCOL_OF = {"out-and-back": "out-and-back", "loop": "closed-loop", "track": "indoor-track"}
_RIDDEN = {"out-and-back": "out and back", "loop": "round a loop", "track": "on a track"}

EPILOG = """\b
Examples:
  cda plan --list
  cda plan out-and-back --position 'tall=Head up' --position 'low=Chin down' --out my_test
  cda plan out-and-back --position tall --position low --resolve 0.008 --out my_test
  cda plan --like my_test --race example_runs/full_distance.toml --out next_test"""


def _parse_positions(
    _ctx: click.Context, _param: click.Parameter, values: tuple[str, ...]
) -> list[tuple[str, str]]:
    return [_parse_position(text) for text in values]


def _parse_position(text: str) -> tuple[str, str]:
    name, _, label = text.partition("=")
    name, label = name.strip(), label.strip()
    if not re.fullmatch(r"[A-Za-z0-9_-]{1,64}", name):
        raise click.BadParameter(
            f"{text!r} is not ID=WORDS: the id has letters without accents, digits, - and _"
        )
    return name, label or name


@click.command("plan", epilog=EPILOG)
@click.argument("protocol", required=False)
@click.option(
    "--position",
    "positions",
    multiple=True,
    callback=_parse_positions,
    metavar="ID=WORDS",
    help="A position and what the rider does; repeatable, the first is the reference.",
)
@click.option(
    "--minutes",
    type=click.FloatRange(10.0, 400.0),
    default=75.0,
    show_default=True,
    help="Time to use, from the first start to the last end.",
)
@click.option("--runs", type=click.IntRange(1, 60), help="Runs of each position instead.")
@click.option(
    "--length-m",
    type=click.FloatRange(100.0, 10_000.0),
    help="Timed stretch or lap; last time's or the protocol's where not given.",
)
@click.option(
    "--wind-m-s",
    type=click.FloatRange(0.0, 10.0),
    help="Expected mean wind at rider height; 1, or last time's weather with --like.",
)
@click.option("--airspeed", is_flag=True, help="An airspeed sensor is carried.")
@click.option(
    "--resolve",
    type=click.FloatRange(0.0005, 0.1),
    metavar="M2",
    help="Plan the runs that show this difference, m².",
)
@click.option(
    "--resolve-seconds",
    type=click.FloatRange(1.0, 36_000.0),
    metavar="S",
    help="The same in seconds at the race; needs --race.",
)
@click.option(
    "--race",
    "race_file",
    type=click.Path(path_type=Path),
    metavar="RACE.toml",
    help="State differences in seconds at this race as well.",
)
@click.option(
    "--like",
    "earlier",
    multiple=True,
    type=click.Path(path_type=Path),
    metavar="SESSION",
    help="Plan what decides an earlier test: its scatter, rider, bike, instruments, gates and "
    "positions; repeatable for days that belong together.",
)
@click.option(
    "--figure",
    type=click.Path(dir_okay=False, path_type=Path),
    metavar="FILE",
    help="Draw the precision to expect over runs and wind, as PNG or SVG.",
)
@click.option(
    "--seed", type=click.IntRange(0), default=0, show_default=True, help="Same seed, same order."
)
@click.option("--out", type=click.Path(path_type=Path), metavar="FOLDER", help="The new folder.")
@click.option("--list", "show_list", is_flag=True, help="List the protocols.")
@click.option("--show", metavar="NAME", help="Print a protocol.")
@force_option
@json_option
def command(
    *,
    protocol: str | None,
    positions: list[tuple[str, str]],
    minutes: float,
    runs: int | None,
    length_m: float | None,
    wind_m_s: float | None,
    airspeed: bool,
    resolve: float | None,
    resolve_seconds: float | None,
    race_file: Path | None,
    earlier: tuple[Path, ...],
    figure: Path | None,
    seed: int,
    out: Path | None,
    show_list: bool,
    show: str | None,
    force: bool,
    as_json: bool,
) -> int:
    """Plan a test: runs in an order that favours no position, a run sheet, what it can show.

    PROTOCOL is a name from --list or a TOML file of your own.
    """
    if show_list or show:
        return _show(show, as_json=as_json)
    if (protocol is None and not earlier) or out is None:
        raise click.UsageError("give a PROTOCOL (or --like SESSION) and --out FOLDER, or --list")
    if resolve is not None and resolve_seconds is not None:
        raise click.UsageError("give --resolve or --resolve-seconds, not both")
    if resolve_seconds is not None and race_file is None:
        raise click.UsageError("--resolve-seconds needs --race RACE.toml")
    if runs is not None and (resolve is not None or resolve_seconds is not None):
        raise click.UsageError("--runs and --resolve both say how many runs: give one")
    if not earlier:
        positions = positions or _ask_positions()
    from cda.cli.files import refuse_foreign, refuse_full_folder
    from cda.plan import PlannedPosition, load_protocol, make_plan, write_plan

    refuse_full_folder(out, ours="run_sheet.html", force=force)
    if figure is not None:
        if figure.suffix.lower() not in PICTURES:
            raise click.UsageError(f"--figure: {figure.name} ends in none of {', '.join(PICTURES)}")
        refuse_foreign(figure, force=force)
    race = slope = like = None
    if race_file is not None:
        from cda.race import load_race

        race = load_race(race_file)
        slope = _seconds_per_m2(race)
    if earlier:
        like, kind, name = _last_time(earlier, race, slope)
        protocol = protocol or name or _PROTOCOL_OF[kind]
    assert protocol is not None
    chosen = load_protocol(protocol)
    if earlier and chosen.course != kind:
        raise SessionError(
            f"{chosen.id} is ridden {_RIDDEN[chosen.course]}, last time was {_RIDDEN[kind]}",
            where="--like",
            fix=f"take {_PROTOCOL_OF[kind]}, or plan without --like",
        )
    if resolve_seconds is not None and slope is not None:
        resolve = resolve_seconds / slope
    plan = make_plan(
        chosen,
        [PlannedPosition(id=name, label=label) for name, label in positions],
        minutes=minutes,
        runs=runs,
        length_m=length_m,
        wind_m_s=wind_m_s,
        airspeed=airspeed,
        resolve_m2=resolve,
        seconds_per_m2=slope,
        race_name=race.settings.name if race is not None else None,
        seed=seed,
        like=like,
        curve=figure is not None,
    )
    write_plan(plan, out, force=force)
    if figure is not None:
        _draw(plan, figure, force=force)
    if as_json:
        print_document(plan.to_dict() | {"folder": str(out)})
    else:
        click.echo(str(plan))
    show_findings(plan.findings, session_names={})
    say_next(f"print {out / 'run_sheet.html'}, ride, then: " + command_line("cda", "guide", out))
    return exit_status(plan.findings)


def _last_time(
    folders: tuple[Path, ...], race: Race | None, slope: float | None
) -> tuple[LastTime, str, str | None]:
    """Return what an earlier test hands on, how it was ridden, and its protocol."""
    from cda.analysis import estimate_cda
    from cda.cli.work import load_sessions
    from cda.plan import last_time

    sessions, names = load_sessions(folders, {})
    estimate = estimate_cda(sessions)
    end_on_stop(estimate.findings, session_names=names)
    saved = None
    if race is not None:
        from cda.priority import time_savings

        saved = {p.id: p.saved_s for p in time_savings(estimate, race).positions}
    settings = sessions[-1].settings
    like = last_time(sessions, estimate, saved_s=saved, seconds_per_m2=slope)
    return like, settings.course.kind, settings.protocol


def _draw(plan: Plan, path: Path, *, force: bool) -> None:
    """Draw the precision to expect over runs and wind."""
    from cda.cli.files import write_file
    from cda.figures.precision import drawn_precision

    write_file(path, drawn_precision(plan, path.suffix), force=force)
    say(f"written: {path}")


def _show(name: str | None, *, as_json: bool) -> int:
    from cda.plan import list_protocols, load_protocol

    if name is not None:
        one = load_protocol(name)
        if as_json:
            print_document({"schema": 1, "kind": "protocol", **one.model_dump(mode="json")})
        else:
            click.echo(str(one))
        say_next(command_line("cda", "plan", name, "--position", "ID=WORDS", "--out", "FOLDER"))
        return ANSWER
    known = list_protocols()
    if as_json:
        rows = [{"id": p.id, "title": p.title, "purpose": p.purpose} for p in known]
        print_document({"schema": 1, "kind": "protocols", "protocols": rows})
    else:
        click.echo("\n".join(f"{p.id}: {p.title}. {p.purpose}" for p in known))
    say_next("cda plan --show NAME")
    return ANSWER


def on_terminal() -> bool:
    """Return whether somebody can be asked."""
    return sys.stdin.isatty()


def _ask_positions() -> list[tuple[str, str]]:
    """Ask for positions on a terminal; without one that is a usage error."""
    if not on_terminal():
        raise click.UsageError("name the positions: --position 'tall=Head up' --position ...")
    click.echo("Positions to test, the first as you ride today; an empty line ends.", err=True)
    found: list[tuple[str, str]] = []
    while True:
        text = click.prompt(
            f"Position {len(found) + 1}, ID=WORDS", default="", show_default=False, err=True
        )
        if not text:
            break
        try:
            found.append(_parse_position(text))
        except click.BadParameter as error:
            click.echo(error.message, err=True)
    if not found:
        raise click.UsageError("no position named")
    return found


def _seconds_per_m2(race: Race) -> float:
    """Return the seconds a square metre costs: flat and calm, the race's distance and power."""
    from cda.precision import seconds_per_m2

    settings = race.settings
    rider, bike = settings.rider.mass_kg, settings.bike.mass_kg
    crr, efficiency = settings.bike.rolling_resistance, settings.bike.drivetrain_efficiency
    return seconds_per_m2(
        distance_m=race.distance_m,
        power_w=settings.power_w,
        mass_kg=(75.0 if rider is None else rider) + (9.8 if bike is None else bike),
        density_kg_m3=race.density()[0],
        rolling_resistance=0.0042 if crr is None else crr,
        efficiency=0.976 if efficiency is None else efficiency,
    )
