"""`cda guide`: what is missing next in a test folder, and the one command to type."""

from __future__ import annotations

from pathlib import Path

import click

from cda.cli.options import json_option
from cda.cli.shell import ANSWER
from cda.cli.talk import print_document, say_next
from cda.errors import SessionError

EPILOG = """\b
Example:
  cda guide my_test"""


@click.command("guide", epilog=EPILOG)
@click.argument("folder", type=click.Path(path_type=Path))
@json_option
def command(*, folder: Path, as_json: bool) -> int:
    """Say in plain words what a test folder lacks next: a weight, an air reading, the file."""
    if folder.exists() and not folder.is_dir():
        raise SessionError(
            "is a file, not a test folder",
            where=str(folder),
            fix="a recording becomes a test folder by cda check RECORDING --make FOLDER",
        )
    from cda.session import guide

    step = guide(folder)
    if as_json:
        print_document(
            {"schema": 1, "kind": "guide", "message": step.message, "command": step.command}
        )
    else:
        click.echo(step.message)
    if step.command is not None:
        say_next(step.command)
    return ANSWER
