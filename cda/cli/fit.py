"""`cda fit`: CdA per position and the differences."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from cda.cli.options import existing_sessions, json_option, level_option, set_option
from cda.cli.talk import command_line, exit_status, print_document, say_next

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from cda.precision import MoreRuns
    from cda.results import Estimate

EPILOG = """\b
Examples:
  cda fit example_runs/short_morning
  cda fit day_1 day_2 --level 0.9 --set bike.rolling_resistance=0.0045
  cda fit example_runs/short_morning --resolve 0.006
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
@click.option(
    "--resolve",
    type=click.FloatRange(0.0005, 0.1),
    metavar="M2",
    help="Say what each pair shows now, and the further runs that show this difference, m².",
)
@json_option
def command(
    *,
    sessions: tuple[Path, ...],
    settings: dict[str, str],
    level: float,
    monte_carlo: int,
    resolve: float | None,
    as_json: bool,
) -> int:
    """Estimate CdA of every position in SESSION, and the differences.

    Several folders of one rider are pooled.
    """
    from cda.cli.work import estimate_sessions

    estimate = estimate_sessions(sessions, settings, level=level, monte_carlo=monte_carlo)
    rows: tuple[MoreRuns, ...] = ()
    if resolve is not None:
        from cda.precision import what_more_runs_buy

        rows = what_more_runs_buy(estimate, resolve)
    if as_json:
        more = {} if resolve is None else {"precision": [row.to_dict() for row in rows]}
        print_document(estimate.to_dict() | more)
    else:
        click.echo(str(estimate))
        if resolve is not None:
            _say_more_runs(rows, resolve)
        if monte_carlo:
            _say_monte_carlo(estimate)
    report = command_line("cda", "report", *sessions, "--race", "RACE.toml", "--out", "report.html")
    say_next(f"{report}   (minutes at the race, all on one page)")
    return exit_status(estimate.findings)


def _say_more_runs(rows: Sequence[MoreRuns], resolve: float) -> None:
    """Print what each pair shows now and what a difference would take."""
    from cda.results.text import table

    def words(further: dict[str, int] | None) -> str:
        if further is None:
            return "no number of runs"
        some = [f"{n} of {name}" for name, n in further.items() if n]
        return ", ".join(some) or "none"

    click.echo(f"\nFurther runs that show a difference of {resolve:.4f} m², by chance of success:")
    click.echo(
        "\n".join(
            table(
                ("pair", "shown now [m²]", *(f"{100 * p:.0f} %" for p in rows[0].further)),
                [
                    (
                        f"{row.position} − {row.reference}",
                        f"{row.smallest_m2:.4f}",
                        *(words(further) for further in row.further.values()),
                    )
                    for row in rows
                ],
            )
            if rows
            else ["(one position: no pair)"]
        )
    )


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
