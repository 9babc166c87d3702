"""The command line: parse, call, print.

Results go to standard output; progress, findings, errors and a last line "Next: ..." to
standard error. This module imports click and nothing heavy: the commands are modules of their
own, imported when one is called.
"""

from __future__ import annotations

import click

from cda import __version__
from cda.cli.shell import CommandLine

COMMANDS = {  # in the order of the job; each lives in the module of its name
    "plan": "A new test folder: order of runs, a run sheet, the precision to expect.",
    "check": "Read a test folder or a recording and say what is wrong with it.",
    "guide": "What is missing next in a test folder, and the one command to type.",
    "fit": "CdA of every position and the differences, with uncertainty.",
    "race": "Minutes saved at the race by each position, in order.",
    "report": "Everything as one self-contained page.",
    "archive": "Every test below a folder, kept in one file; each rider's season.",
    "simulate": "An invented test folder whose truth is known.",
    "air": "Air density from a weather reading.",
    "schema": "Every key of the files, with unit, limits and default.",
}

EPILOG = """\b
Example, in a folder of its own:
  cda simulate --out demo --preset calm --seed 1
  cda check demo
  cda fit demo
  cda report demo --out demo.html

Exit status: 0 an answer, 1 an error you can mend, 2 wrong usage, 3 an answer with
warnings, 70 a fault in the program. No medical, fitting or road-safety advice."""


def _show_version(ctx: click.Context, _param: click.Parameter, value: bool) -> None:
    if value:
        click.echo(f"cda {__version__}")
        ctx.exit()


main = CommandLine(
    "cda",
    commands_by_module=COMMANDS,
    help="CdA of riding positions from out-and-back runs on the road, with an honest uncertainty, "
    "and the minutes it is worth at the race.",
    epilog=EPILOG,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    params=[
        click.Option(
            ["--version"],
            is_flag=True,
            expose_value=False,
            is_eager=True,
            help="Show the version and exit.",
            callback=_show_version,
        )
    ],
)
