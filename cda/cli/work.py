"""The steps that several commands share: sessions in, estimate out."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

from cda.cli.talk import end_on_stop

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path

    from cda.results import Estimate
    from cda.session import Session


def load_sessions(
    folders: Sequence[Path], settings: Mapping[str, str]
) -> tuple[list[Session], dict[str, str]]:
    """Read the test folders; end on a finding of severity stop.

    Returns
    -------
    sessions : list of Session
        With the keys s1, s2, ... in the order given.
    names : dict
        Key to the folder as it was typed.
    """
    from cda.session import load_session

    names = {f"s{i}": str(folder) for i, folder in enumerate(folders, start=1)}
    sessions = [
        load_session(folder, overrides=settings, key=key)
        for key, folder in zip(names, folders, strict=True)
    ]
    end_on_stop([f for s in sessions for f in s.findings], session_names=names)
    return sessions, names


def estimate_sessions(
    folders: Sequence[Path], settings: Mapping[str, str], *, level: float, monte_carlo: int = 0
) -> Estimate:
    """Return the estimate from one folder, or from several days of one rider together."""
    from cda.analysis import estimate_cda
    from cda.cli.progress import steps

    with steps(2) as begin:
        begin("reading the ride" if len(folders) == 1 else "reading the rides")
        sessions, names = load_sessions(folders, settings)
        given = sessions if len(sessions) > 1 else sessions[0]
        if not monte_carlo:
            begin("estimating")
            estimate = estimate_cda(given, level=level)
    if monte_carlo:
        with click.progressbar(
            length=monte_carlo,
            label="Monte Carlo",
            file=sys.stderr,
            hidden=not sys.stderr.isatty(),
        ) as bar:
            estimate = estimate_cda(
                given,
                level=level,
                monte_carlo=monte_carlo,
                progress=lambda done: bar.update(done - bar.pos),
            )
    end_on_stop(estimate.findings, session_names=names)
    return estimate
