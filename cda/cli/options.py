"""Options that several commands share, and what their values mean."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]


def existing_sessions(*, required: bool = True) -> Decorator:
    """Declare the argument SESSION...; a folder that is missing is our own error, not usage."""
    return click.argument(
        "sessions",
        nargs=-1,
        required=required,
        metavar="SESSION..." if required else "[SESSION...]",
        type=click.Path(path_type=Path),
    )


def _parse_settings(
    _ctx: click.Context, _param: click.Parameter, values: tuple[str, ...]
) -> dict[str, str]:
    return dict(_parse_setting(value) for value in values)


def _parse_setting(text: str) -> tuple[str, str]:
    key, equals, value = text.partition("=")
    if not equals or not key.strip():
        raise click.BadParameter(f"{text!r} is not KEY=VALUE, as in wind.speed_m_s=4")
    return key.strip(), value.strip()


set_option = click.option(
    "--set",
    "settings",
    multiple=True,
    metavar="KEY=VALUE",
    callback=_parse_settings,
    help="Use VALUE instead of what the file says; repeatable, listed in the output. "
    "Example: --set wind.speed_m_s=4",
)

level_option = click.option(
    "--level",
    type=click.FloatRange(0.5, 0.999),
    default=0.95,
    show_default=True,
    metavar="SHARE",
    help="Share of cases in which an interval shall hold the truth.",
)

json_option = click.option(
    "--json", "as_json", is_flag=True, help="Print one JSON document and nothing else."
)

force_option = click.option(
    "--force", is_flag=True, help="Overwrite files that this program did not make."
)


def split_settings(
    settings: Mapping[str, str], *, own: str
) -> tuple[dict[str, str], dict[str, str], list[str]]:
    """Share out `--set` between the test and the race.

    A key may say whose it is: `session.wind.speed_m_s`, `race.wind.speed_m_s`. Without that word
    a key that only one of the two files knows goes there; one that both know goes to `own`.

    Parameters
    ----------
    settings : mapping
        Keys and values as typed.
    own : {"session", "race"}
        What the command is about.

    Returns
    -------
    for_session, for_race : dict
        Keys without the leading word.
    notes : list of str
        One line for each key that could have meant either.
    """
    shares: dict[str, dict[str, str]] = {"session": {}, "race": {}}
    notes = []
    for key, value in settings.items():
        head, _, rest = key.partition(".")
        if head in shares and rest:
            shares[head][rest] = value
            continue
        heads = {"session": _session_heads(), "race": _race_heads()}
        knowing = [name for name, known in heads.items() if head in known]
        target = knowing[0] if len(knowing) == 1 else own
        if len(knowing) == 2:
            other = "session" if own == "race" else "race"
            notes.append(f"--set {key} changes the {own} here; write {other}.{key} for the {other}")
        shares[target][key] = value
    return shares["session"], shares["race"], notes


def _session_heads() -> set[str]:
    from cda.session import SessionSettings

    return set(SessionSettings.model_fields)


def _race_heads() -> set[str]:
    from cda.race import RaceSettings

    return set(RaceSettings.model_fields)
