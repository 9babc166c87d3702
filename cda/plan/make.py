"""From a protocol and a list of positions to a plan: runs in order, and what to expect of them."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.errors import SessionError
from cda.plan.content import TABLE_WIND_M_S, LengthRow, Plan, PlannedPosition, PlannedRun, TableRow
from cda.plan.order import RunOrder, counterbalanced_order, order_of
from cda.precision import TURN_S, Design, expected_precision, in_wind
from cda.results import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cda.plan.protocol import Protocol

USUAL_DIFFERENCE_M2: Final = 0.008  # most that is usually sought: 3 % of CdA
TABLE_RUNS: Final = (3, 6, 10)
MOST_RUNS: Final = 16  # a position; what needs more is not a morning's work
AIRSPEED_NOISE_M_S: Final = 0.3
FEWEST_RUNS: Final = 3  # from which scatter is learnt well enough


def make_plan(
    protocol: Protocol,
    positions: Sequence[PlannedPosition],
    *,
    minutes: float = 75.0,
    runs: int | None = None,
    length_m: float | None = None,
    wind_m_s: float = 1.0,
    airspeed: bool = False,
    resolve_m2: float | None = None,
    seconds_per_m2: float | None = None,
    race_name: str | None = None,
    seed: int = 0,
) -> Plan:
    """Plan a test.

    Parameters
    ----------
    protocol : Protocol
    positions : sequence of PlannedPosition
        The first is the reference.
    minutes : float
        Time to use, from the first start to the last end. [min]  Not used with `runs`.
    runs : int, optional
        Runs of each position.
    length_m : float, optional
        Of the timed stretch or lap; the protocol's where not given. [m]
    wind_m_s : float
        Expected mean wind at rider height. [m/s]
    airspeed : bool
        Whether an airspeed sensor is carried.
    resolve_m2 : float, optional
        Difference to be shown: the runs that takes are planned where it can be had. [m^2]
    seconds_per_m2, race_name : float, str, optional
        What CdA is worth at the race.
    seed : int
        Chooses among equally good orders.

    Raises
    ------
    SessionError
        If there is no position, two are the same, or the length does not fit the protocol.
    """
    _check(protocol, positions, length_m)
    base = _design(protocol, len(positions), length_m or protocol.length_m, airspeed)
    answer: tuple[str, ...] = ()
    comparable = len(positions) > 1 and protocol.course == "out-and-back"
    if runs is None and resolve_m2 is not None and comparable:
        needed = runs_needed(base, resolve_m2, wind_m_s)
        while needed is not None:  # the order that is ridden may show a few per cent less
            trial = in_wind(_ordered(protocol, base, needed, seed)[1], wind_m_s)
            if (expected_precision(trial).smallest_resolvable_m2 or 0.0) <= resolve_m2:
                break
            needed = needed + 1 if needed < MOST_RUNS else None
        answer = _answer(base, protocol, resolve_m2, wind_m_s, needed)
        runs = needed
    lengths: tuple[LengthRow, ...] = ()
    if runs is None:
        runs = runs_in(base, minutes)
        if comparable:
            lengths = _lengths(base, protocol, minutes, wind_m_s)
    order, design = _ordered(protocol, base, runs, seed)
    design = in_wind(design, wind_m_s)
    expectation = expected_precision(design) if comparable and runs > 1 else None
    reach = expectation.smallest_resolvable_m2 if expectation is not None else None
    # Nobody asked: the question is what the plan shows in the wind it is made for.
    unasked = USUAL_DIFFERENCE_M2 if reach is None else max(np.ceil(1000.0 * reach) / 1000.0, 0.001)
    question = float(unasked) if resolve_m2 is None else resolve_m2
    plan = Plan(
        protocol=protocol,
        positions=tuple(positions),
        order=order,
        runs=tuple(
            PlannedRun(
                run=k + 1,
                position=positions[who].id,
                power_w=design.run_powers_w[k],
                minute=k * design.run_s / 60.0,
            )
            for k, who in enumerate(order.positions)
        ),
        runs_per_position=runs,
        length_m=length_m or protocol.length_m,
        duration_min=design.duration_min,
        wind_m_s=wind_m_s,
        seed=seed,
        expectation=expectation,
        table=_table(base, runs) if comparable else (),
        question_m2=question,
        asked=resolve_m2 is not None,
        wind_limit_m_s=(
            wind_limit(design, question, protocol.max_wind_m_s) if expectation else None
        ),
        answer=answer,
        lengths=lengths,
        seconds_per_m2=seconds_per_m2,
        race_name=race_name,
    )
    return replace(plan, findings=tuple(_findings(plan)))


def _check(
    protocol: Protocol, positions: Sequence[PlannedPosition], length_m: float | None
) -> None:
    ids = [p.id for p in positions]
    double = sorted({i for i in ids if ids.count(i) > 1})
    if not ids or double or len(ids) > 12:
        raise SessionError(
            f"{', '.join(double)}: a position stands twice" if double
            else "no position to test" if not ids else f"{len(ids)} positions are too many to tell",
            where="--position",
            fix="name each once, as in --position 'tall=Head up'; 2 to 4 fit into a morning",
        )  # fmt: skip
    low, high = protocol.length_range_m
    if length_m is not None and not low <= length_m <= high:
        raise SessionError(
            f"{length_m:g} m is outside the {low:g} to {high:g} m of {protocol.id}",
            where="--length-m",
            fix="take another length, or another protocol: cda plan --list",
        )


def _design(protocol: Protocol, n: int, length_m: float, airspeed: bool) -> Design:
    out_and_back = protocol.course == "out-and-back"
    # Laps without a stop are two halves of a way here; an easy lap before and one after go with
    # the rest. Only their time is used: precision is worked out for out and back.
    way = length_m if out_and_back else 0.5 * protocol.laps_per_run * length_m
    return Design(
        order=tuple(range(n)),
        length_m=way,
        legs_per_run=protocol.legs_per_run if out_and_back else 2,
        turn_s=TURN_S if out_and_back else 0.0,
        run_powers_w=protocol.powers_w,
        rest_s=protocol.rest_s if out_and_back else protocol.rest_s + 2.0 * length_m / 9.0,
        airspeed_noise_m_s=AIRSPEED_NOISE_M_S if airspeed else None,
    )


def _ordered(protocol: Protocol, design: Design, runs: int, seed: int) -> tuple[RunOrder, Design]:
    """Return the order in which so many runs of each position are ridden, and its design."""
    n = design.n_positions
    if protocol.order.kind == "blocks":
        order = order_of(tuple(k for k in range(n) for _ in range(runs)))
    else:
        order = counterbalanced_order(n, runs, seed)
    powers = _powers(design, runs)
    if protocol.order.kind == "blocks":  # a power a run of the block, the same for all positions
        powers = tuple(powers[n * r] for _ in range(n) for r in range(runs))
    return order, replace(design, order=order.positions, run_powers_w=powers)


def _powers(design: Design, runs: int) -> tuple[float, ...]:
    """Return the power of each run: a round at one power, so that every position rides all."""
    powers = design.run_powers_w[:runs]
    return tuple(powers[r % len(powers)] for r in range(runs) for _ in range(design.n_positions))


def with_runs(design: Design, runs: int) -> Design:
    """Return the design with so many mirrored rounds, as good as a searched order in precision."""
    n = design.n_positions
    rounds = [tuple(range(n)) if r % 2 == 0 else tuple(range(n))[::-1] for r in range(runs)]
    return replace(
        design,
        order=tuple(k for one in rounds for k in one),
        run_powers_w=_powers(design, runs),
    )


def runs_in(design: Design, minutes: float) -> int:
    """Return how many runs of each position fit into a time, two at the least."""
    of_round = design.n_positions * design.run_s
    return int(np.clip((minutes * 60.0 + design.rest_s) // of_round, 2, MOST_RUNS))


def smallest_m2(design: Design, runs: int, wind_m_s: float) -> float:
    """Return the smallest difference resolved with 80 % power [m^2]."""
    answer = expected_precision(in_wind(with_runs(design, runs), wind_m_s)).smallest_resolvable_m2
    assert answer is not None  # never for a comparison
    return answer


def runs_needed(design: Design, resolve_m2: float, wind_m_s: float) -> int | None:
    """Return the runs of each position that resolve a difference, None if MOST_RUNS do not."""
    if smallest_m2(design, MOST_RUNS, wind_m_s) > resolve_m2:
        return None
    low, high = 1, MOST_RUNS
    while high - low > 1:
        middle = (low + high) // 2
        enough = middle > 1 and smallest_m2(design, middle, wind_m_s) <= resolve_m2
        low, high = (low, middle) if enough else (middle, high)
    return high


def wind_limit(design: Design, question_m2: float, most_m_s: float) -> float | None:
    """Return the mean wind up to which the design answers the question, None if in no wind."""

    def good(wind: float) -> bool:
        smallest = expected_precision(in_wind(design, wind)).smallest_resolvable_m2
        return smallest is not None and smallest <= question_m2

    if good(most_m_s):
        return most_m_s
    if not good(0.0):
        return None
    low, high = 0.0, most_m_s
    while high - low > 0.1:
        middle = 0.5 * (low + high)
        low, high = (middle, high) if good(middle) else (low, middle)
    return round(low, 1)


def _answer(
    design: Design, protocol: Protocol, resolve_m2: float, wind_m_s: float, needed: int | None
) -> tuple[str, ...]:
    """Return in words what resolving a difference takes, or what would help."""
    what = f"A difference of {resolve_m2:.4f} m² in wind of {wind_m_s:g} m/s"
    most = protocol.max_minutes
    if needed is None:
        lines = [f"{what} cannot be shown with {MOST_RUNS} runs of each position. What would help:"]
    else:
        time = with_runs(design, needed).duration_min
        lines = [f"{what} takes {needed} runs of each position, {time:.0f} min."]
        if time <= most:
            return tuple(lines)
        lines.append(
            f"That is {int(np.ceil(time / most))} mornings of {most:g} min at most, fitted "
            "together. What would help:"
        )
    trials = []
    if wind_m_s > TABLE_WIND_M_S[0]:
        trials.append((f"ride earlier, in wind of {TABLE_WIND_M_S[0]:g} m/s", design, 0.4))
    if design.airspeed_noise_m_s is None:
        sensor = replace(design, airspeed_noise_m_s=AIRSPEED_NOISE_M_S)
        trials.append(("carry an airspeed sensor", sensor, wind_m_s))
        if trials[:-1]:
            trials.append(("both", sensor, TABLE_WIND_M_S[0]))
    if design.n_positions > 2:
        two = replace(design, order=(0, 1))
        trials.append(("shorten the list to two positions", two, wind_m_s))
    for words, trial, wind in trials:
        runs = runs_needed(trial, resolve_m2, wind)
        if runs is None:
            reach = smallest_m2(trial, MOST_RUNS, wind)
            lines.append(f"  {words}: not enough alone ({MOST_RUNS} runs show {reach:.4f} m²)")
        else:
            time = with_runs(trial, runs).duration_min
            lines.append(f"  {words}: {runs} runs of each position, {time:.0f} min")
    if needed is None:
        lines.append("  test on several days and fit them together")
    return tuple(lines)


def _table(design: Design, runs: int) -> tuple[TableRow, ...]:
    return tuple(
        TableRow(
            runs=r,
            minutes=with_runs(design, r).duration_min,
            smallest_m2=tuple(smallest_m2(design, r, wind) for wind in TABLE_WIND_M_S),
        )
        for r in sorted({*TABLE_RUNS, max(runs, 2)})
    )


def _lengths(
    design: Design, protocol: Protocol, minutes: float, wind_m_s: float
) -> tuple[LengthRow, ...]:
    """Return what other lengths of the stretch would make of the same time."""
    low, high = protocol.length_range_m
    candidates = sorted({low, design.length_m, 0.5 * (low + high), high})
    rows = []
    for length in candidates:
        trial = replace(design, length_m=length)
        runs = runs_in(trial, minutes)
        reach = smallest_m2(trial, runs, wind_m_s)
        rows.append(LengthRow(length_m=length, runs=runs, smallest_m2=reach))
    return tuple(rows)


def _findings(plan: Plan) -> list[Finding]:
    found = []

    def add(severity: str, code: str, message: str, fix: str) -> None:
        assert severity in ("note", "warning")
        found.append(
            Finding(severity=severity, code=code, where="plan", message=message, fix=fix)  # type: ignore[arg-type]
        )

    most = plan.protocol.max_minutes
    if plan.duration_min > most:
        add(
            "warning",
            "long-plan",
            f"the plan takes {plan.duration_min:.0f} min: calm air and freshness do not last "
            f"{most:.0f} min",
            "fewer positions or runs, or two mornings fitted together",
        )
    if plan.runs_per_position < FEWEST_RUNS:
        add(
            "warning",
            "few-runs",
            f"{plan.runs_per_position} runs of each position say little of how alike it is taken",
            "a shorter list of positions, or more minutes",
        )
    if len(plan.positions) == 1:
        add("note", "one-position", "with one position there is nothing to compare", "add another")
    if plan.protocol.course != "out-and-back":
        add(
            "note",
            "no-precision",
            "the precision to expect is worked out for out and back only",
            "judge by an out-and-back plan of the same length and wind, with care",
        )
        return found
    if plan.expectation is None:
        return found
    reach = plan.expectation.smallest_resolvable_m2
    assert reach is not None  # never for a comparison
    if not plan.asked and reach > USUAL_DIFFERENCE_M2:
        add(
            "note",
            "shows-little",
            f"the plan shows differences from {reach:.4f} m² on; most that are sought are smaller "
            f"than {USUAL_DIFFERENCE_M2:.3f} m²",
            "more runs, fewer positions, calmer air, an airspeed sensor, or several mornings "
            "fitted together; --resolve 0.008 says what it takes",
        )
    elif plan.wind_limit_m_s is None:
        add(
            "warning",
            "question-too-fine",
            f"a difference of {plan.question_m2:.4f} m² is not shown by this plan in any wind; "
            f"in wind of {plan.wind_m_s:g} m/s it shows {reach:.4f} m²",
            "more runs, fewer positions, an airspeed sensor, or several mornings fitted together",
        )
    elif plan.wind_m_s > plan.wind_limit_m_s:
        add(
            "warning",
            "wind-over-limit",
            f"wind of {plan.wind_m_s:g} m/s is above the {plan.wind_limit_m_s:g} m/s up to which "
            f"this plan shows a difference of {plan.question_m2:.4f} m²",
            "ride earlier, or plan more runs",
        )
    return found
