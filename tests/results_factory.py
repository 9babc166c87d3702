"""Invented results for tests of what is drawn and written from them; the sizes are plausible."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import pairwise

import numpy as np

from cda.results import (
    CourseProfile,
    Estimate,
    Finding,
    LedgerLine,
    OrderEntry,
    PositionSavings,
    RaceSummary,
    Savings,
)
from tests.estimate_factory import make_estimate

EIGHT = ("tall", "low", "narrow", "wide", "shrug", "drops", "hoods", "tucked")
SECONDS_PER_M2 = 14_000.0  # 180 km: about 1.4 s for each 0.0001 m²


def rich_estimate(
    positions: tuple[str, ...] = ("tall", "low", "narrow", "wide"), *, runs_each: int = 6
) -> Estimate:
    """Return an estimate with residuals, efforts, comfort, findings and a varied budget."""
    cda = dict(
        zip(EIGHT, (0.2761, 0.2672, 0.2690, 0.2830, 0.2610, 0.2701, 0.2950, 0.2655), strict=True)
    )
    estimate = make_estimate(
        positions,
        runs_each=runs_each,
        cda={p: cda.get(p, 0.27) for p in positions},
        findings=(
            Finding(
                severity="warning",
                code="gusty-wind",
                session="s1",
                where="runs 7-9",
                message="gusts of 0.6 m/s, more than the 0.3 m/s that this question allows",
                fix="ride these runs again on a calmer morning",
            ),
            Finding(severity="note", code="run-not-used", where="run 5", message="use = no"),
        ),
    )
    noise = np.random.default_rng(7)
    return replace(
        estimate,
        wind=tuple(
            replace(leg, residual_m2=float(noise.normal(0.0, 0.008))) for leg in estimate.wind
        ),
        runs=tuple(
            replace(
                run,
                mean_power_w=float(noise.normal(190 + 50 * (run.run % 2), 4)),
                mean_speed_m_s=float(noise.normal(10.2 + 0.9 * (run.run % 2), 0.15)),
                comfort=float(noise.integers(4, 9)),
            )
            for run in estimate.runs
        ),
    )


def rich_savings(estimate: Estimate, *, course: bool = True, ledger: bool = True) -> Savings:
    """Return savings in proportion to the differences of an invented estimate."""
    rows = []
    for p in estimate.positions:
        held = 1.0 if p.hold_share is None else p.hold_share
        delta = 0.0 if p.reference else estimate.difference(p.id).delta_cda_m2
        full = -delta * SECONDS_PER_M2
        saved, se = held * full, 0.0 if p.reference else held * 0.003 * SECONDS_PER_M2
        interval = (saved - 2.1 * se, saved + 2.1 * se)
        rows.append(
            PositionSavings(
                id=p.id,
                label=p.label,
                reference=p.reference,
                hold_share=p.hold_share,
                time_s=18_360.0 - saved,
                time_interval_s=(18_010.0 - saved, 18_720.0 - saved),
                saved_s=saved,
                saved_interval_s=interval,
                saved_if_held_throughout_s=full,
                saved_corrected_for_choice_s=0.92 * saved,
                saved_by_hold_share_s={f"{s:.1f}": s * full for s in (0.3, 0.5, 0.7, 1.0)},
                probability_faster=None if p.reference else 0.5 + 0.49 * float(np.tanh(full / 90)),
                probability_fastest=1.0 / len(estimate.positions),
                break_even_power_w=None if p.reference else full / 24.0,
                saved_se_s=None if p.reference else se,
                power_cost_w=p.power_cost_w,
                power_cost_sd_w=p.power_cost_sd_w,
                decided=None if p.reference else not interval[0] <= 0.0 <= interval[1],
                cue=p.cue,
            )
        )
    others = sorted((r for r in rows if not r.reference), key=lambda r: -r.saved_s)
    lines = (
        LedgerLine(item="swim", saved_low_s=90.0, saved_high_s=210.0, basis="5 to 10 % off line"),
        LedgerLine(item="turns", saved_low_s=35.0, saved_high_s=62.0, basis="14 turns"),
        LedgerLine(item="transitions", saved_low_s=30.0, saved_high_s=90.0, basis="as practised"),
    )
    distance = np.linspace(0.0, 180_000.0, 3_000)
    return Savings(
        race=RaceSummary(
            name="Full distance, two laps of the lake", distance_km=180.0, power_w=205.0
        ),
        level=0.95,
        reference=estimate.reference,
        positions=tuple(rows),
        undecided=tuple(
            (a.id, b.id) for a, b in pairwise(others) if abs(a.saved_s - b.saved_s) < 60.0
        ),
        order=(
            *(OrderEntry(kind="position", id=r.id) for r in others[:1]),
            *(OrderEntry(kind="ledger", item=x.item) for x in (lines if ledger else ())),
            *(OrderEntry(kind="position", id=r.id) for r in others[1:]),
        ),
        ledger=lines if ledger else (),
        findings=(),
        course=CourseProfile(
            distance_m=distance,
            elevation_m=60.0 + 40.0 * np.sin(distance / 9_000.0),
            headwind_m_s=2.0 * np.sin(distance / 20_000.0),
        )
        if course
        else None,
    )


@cache
def eight_positions() -> tuple[Estimate, Savings]:
    """Return the fullest results: 8 positions, 24 runs, a course and a ledger."""
    estimate = rich_estimate(EIGHT, runs_each=3)
    return estimate, rich_savings(estimate)


@cache
def eight_page() -> str:
    """Return the page of the fullest results, built once for all tests."""
    from cda.report import build_report

    return build_report(*eight_positions())


HOSTILE = (
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    'it\'s "quoted" & $x^2$ {{ 7*7 }} {% raw %}',
    "right\u202eto left\u202c \u05e9\u05dc\u05d5\u05dd",
    "x" * 300,
    "null\x00 bell\x07 </style></svg><svg onload=alert(1)>",
)


def hostile_results() -> tuple[Estimate, Savings]:
    """Return results whose every text from a file tries to break out of its place."""
    estimate = rich_estimate(EIGHT[:6], runs_each=2)
    labels = dict(zip((p.id for p in estimate.positions), HOSTILE, strict=True))
    bad = "".join(HOSTILE)
    estimate = replace(
        estimate,
        positions=tuple(replace(p, label=labels[p.id], cue=bad) for p in estimate.positions),
        sessions=tuple(replace(s, title=bad, folder=bad, rider_id=bad) for s in estimate.sessions),
        runs=tuple(replace(r, note=bad, reason=bad) for r in estimate.runs),
        findings=tuple(replace(f, where=bad, message=bad, fix=bad) for f in estimate.findings),
        inputs=tuple(replace(f, name=bad) for f in estimate.inputs),
        settings={bad: bad, "list": [{bad: [bad]}]},
        software={bad: bad},
        budget=tuple(replace(b, source=f"{bad}{b.source}") for b in estimate.budget),
    )
    savings = rich_savings(estimate)
    return estimate, replace(
        savings,
        race=replace(savings.race, name=bad),
        ledger=tuple(replace(x, item=x.item, label=bad, basis=bad) for x in savings.ledger),
    )
