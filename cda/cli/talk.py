"""What the commands say on standard error, and the exit status that findings ask for."""

from __future__ import annotations

import shlex
from typing import TYPE_CHECKING

import click

from cda.cli.shell import ANSWER, WARNING
from cda.errors import CdaError, EstimationError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from pathlib import Path

    from cda.results import Finding


def say(text: str) -> None:
    """Print a line on standard error."""
    click.echo(text, err=True)


def say_next(text: str) -> None:
    """Print the last line of a command: what to do now."""
    say(f"Next: {text}")


def print_document(document: Mapping[str, object]) -> None:
    """Print one JSON document on standard output."""
    import json

    click.echo(json.dumps(document, ensure_ascii=False, indent=2, allow_nan=False))


def command_line(*words: str | Path) -> str:
    """Return a command that can be typed as it stands."""
    return shlex.join(str(word) for word in words)


def show_findings(findings: Sequence[Finding], *, session_names: Mapping[str, str]) -> None:
    """Print findings on standard error, the gravest first.

    Parameters
    ----------
    findings : sequence of Finding
    session_names : mapping
        Session key to the name of its folder; named only where there are several.
    """
    gravity = {"stop": 0, "warning": 1, "note": 2}
    for finding in sorted(findings, key=lambda f: gravity[f.severity]):
        several = len(session_names) > 1 and finding.session in session_names
        say((f"{session_names[finding.session or '']}: " if several else "") + str(finding))


def exit_status(findings: Iterable[Finding]) -> int:
    """Return 3 if there is a warning (or worse), 0 otherwise."""
    return WARNING if any(f.severity != "note" for f in findings) else ANSWER


def end_on_stop(findings: Sequence[Finding], *, session_names: Mapping[str, str]) -> None:
    """Raise the first finding of severity stop as an error, after printing all findings."""
    stops = [f for f in findings if f.severity == "stop"]
    if not stops:
        return
    show_findings(findings, session_names=session_names)
    first = stops[0]
    error: CdaError = EstimationError(first.message, where=first.where, fix=first.fix)
    raise error
