"""`cda simulate`: an invented test folder whose truth is known."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

import click

from cda.cli.files import refuse_full_folder
from cda.cli.options import force_option, json_option
from cda.cli.shell import ANSWER
from cda.cli.talk import command_line, print_document, say_next
from cda.errors import OutputError

EPILOG = """\b
Examples:
  cda simulate --out demo --preset calm --seed 1
  cda simulate --out ridden --plan my_plan --preset light --seed 3
  cda simulate --out with_sensor --preset breeze --airspeed 0.3 --seed 7"""


@click.command("simulate", epilog=EPILOG)
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), metavar="FOLDER", help="A new folder."
)
@click.option(
    "--preset",
    type=click.Choice(["calm", "light", "breeze", "wind"]),
    default="light",
    show_default=True,
    help="How much wind.",
)
@click.option(
    "--format",
    "file_format",
    type=click.Choice(["csv", "fit"]),
    default="csv",
    show_default=True,
    help="Of the recording; fit needs the package fit-tool.",
)
@click.option(
    "--airspeed",
    type=click.FloatRange(0.01, 5.0),
    metavar="NOISE",
    help="Add an airspeed channel with this noise, m/s.",
)
@click.option(
    "--seed", type=click.IntRange(0), default=0, show_default=True, help="Same seed, same ride."
)
@click.option(
    "--plan",
    type=click.Path(exists=True, file_okay=False, path_type=Path),
    metavar="FOLDER",
    help="Ride this planned test folder: its positions, order and masses.",
)
@force_option
@json_option
def command(
    *,
    out: Path,
    preset: str,
    file_format: Literal["csv", "fit"],
    airspeed: float | None,
    seed: int,
    plan: Path | None,
    force: bool,
    as_json: bool,
) -> int:
    """Invent a test folder; truth.json beside it holds every value and error drawn."""
    from dataclasses import replace

    from cda.simulate import (
        PRESETS,
        changed_by_hand,
        simulate_plan,
        simulate_session,
        write_session,
    )

    refuse_full_folder(out, ours="truth.json", force=force)
    changed = () if force or not out.is_dir() else changed_by_hand(out)
    if changed:
        raise OutputError(
            f"{' and '.join(changed)} in it {'was' if len(changed) == 1 else 'were'} changed by "
            "hand since the ride was invented",
            where=str(out),
            fix="name another folder, or add --force to write over the changes",
        )
    scenario = replace(PRESETS[preset], airspeed_noise_m_s=airspeed)
    name = f"ride.{file_format}"
    if plan is None:
        simulated = simulate_session(scenario, seed, name=name)
    else:
        simulated = simulate_plan(plan, scenario, seed, name=name)
    write_session(simulated, out, format=file_format)
    if as_json:
        print_document({"schema": 1, "kind": "truth", "folder": str(out), **simulated.truth})
    else:
        click.echo(f"{out}: an invented {preset} morning, seed {seed}; the truth is in truth.json")
    say_next(command_line("cda", "fit", out))
    return ANSWER
