"""`cda fit`: CdA per position and the differences."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from cda.cli.options import existing_sessions, json_option, level_option, set_option
from cda.cli.talk import command_line, exit_status, print_document, say_next

if TYPE_CHECKING:
    from pathlib import Path

    from cda.results import Estimate

EPILOG = """\b
Examples:
  cda fit example_runs/short_morning
  cda fit day_1 day_2 --level 0.9 --set bike.rolling_resistance=0.0045
  cda fit example_runs/short_morning --json > estimate.json"""


@click.command("fit", epilog=EPILOG)
@existing_sessions()
@set_option
@level_option
@click.option(
    "--monte-carlo",
    type=click.IntRange(0, 1_000_000),
    default=0,
    metavar="N",
    help="Check the stated intervals with N draws of all inputs.",
)
@json_option
def command(
    *,
    sessions: tuple[Path, ...],
    settings: dict[str, str],
    level: float,
    monte_carlo: int,
    as_json: bool,
) -> int:
    """Estimate CdA of every position in SESSION, and the differences.

    Several folders of one rider are pooled.
    """
    from cda.cli.work import estimate_sessions

    estimate = estimate_sessions(sessions, settings, level=level, monte_carlo=monte_carlo)
    if as_json:
        print_document(estimate.to_dict())
    else:
        click.echo(str(estimate))
        if monte_carlo:
            _say_monte_carlo(estimate)
    report = command_line("cda", "report", *sessions, "--race", "RACE.toml", "--out", "report.html")
    say_next(f"{report}   (minutes at the race, all on one page)")
    return exit_status(estimate.findings)


def _say_monte_carlo(estimate: Estimate) -> None:
    """Print intervals and systematic standard uncertainties both ways, a line each."""
    check = estimate.settings["monte_carlo"]
    assert isinstance(check, dict)
    click.echo(f"\nMonte Carlo with {check['draws']} draws of all inputs (JCGM 101):")
    for name, both in check["systematic_se_m2"].items():
        drawn, stated = (check["interval_m2"][name][key] for key in ("monte_carlo", "stated"))
        click.echo(
            f"  {name}: {drawn[0]:.4f} to {drawn[1]:.4f} m², stated {stated[0]:.4f} to "
            f"{stated[1]:.4f} m²; systematic part {both['monte_carlo']:.4f} m², linear "
            f"{both['linear']:.4f} m² (k = 1)"
        )
    apart = [name for name, entry in check["interval_m2"].items() if not entry["agree"]]
    click.echo(
        f"The intervals of {', '.join(apart)} differ by more than the draws leave open."
        if apart
        else "The stated intervals agree with the draws."
    )
