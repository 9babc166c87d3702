"""How far a command is: a bar on standard error, where that is a terminal and nowhere else."""

from __future__ import annotations

import sys
from contextlib import contextmanager
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator


@contextmanager
def steps(count: int) -> Iterator[Callable[[str], None]]:
    """Show the steps of a command that may take seconds.

    Parameters
    ----------
    count : int
        How many steps there are; fewer may be taken.

    Yields
    ------
    begin : callable
        `begin("reading")` says what is done now and counts what was begun before as done.
    """
    begun = False
    with click.progressbar(
        length=count,
        file=sys.stderr,
        hidden=not sys.stderr.isatty(),
        show_eta=False,
        show_percent=False,
        item_show_func=lambda what: what or "",
        width=24,
    ) as bar:

        def begin(what: str) -> None:
            nonlocal begun
            if begun:
                bar.update(1, what)
            else:  # a bar draws itself only when something is done
                bar.current_item = what
                bar.render_progress()
            begun = True

        yield begin
        bar.update(bar.length - bar.pos if bar.length else 0, "done")
