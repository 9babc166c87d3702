"""The same result says the same in JSON, in the terminal and on the page."""

from __future__ import annotations

import html
import re
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

import cda
from cda.priority import savings_from_cda
from cda.report import build_report
from cda.report.answer import again_words, answer
from cda.report.blocks import Items, Text
from cda.results import numbers, words
from cda.results.assumed import first_words, minutes_assumption_words
from cda.results.text import TEXT_WIDTH, estimate_text, savings_text
from tests.results_factory import rich_estimate, rich_savings

if TYPE_CHECKING:
    from cda.results import Estimate, Savings

EXAMPLES = Path(__file__).parent.parent / "example_runs"
BARE = {"rider.mass_kg": 70.0, "bike.mass_kg": 9.0}


def one_line(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture(scope="module")
def example() -> tuple[Estimate, Savings]:
    estimate = cda.estimate_cda(cda.load_session(EXAMPLES / "short_morning"))
    return estimate, cda.time_savings(estimate, cda.load_race(EXAMPLES / "half_distance.toml"))


@pytest.fixture(scope="module")
def page(example: tuple[Estimate, Savings]) -> str:
    return one_line(html.unescape(re.sub(r"<[^>]+>", " ", build_report(*example))))


@pytest.fixture(scope="module")
def bare() -> Savings:
    race = cda.load_race(EXAMPLES / "half_distance.toml", overrides=BARE)
    return savings_from_cda({"tall": 0.276, "low": 0.262, "wide": 0.290}, race)


def test_headline_and_sentences_are_the_same_everywhere(
    example: tuple[Estimate, Savings], page: str
) -> None:
    _, savings = example
    document = savings.to_dict()
    terminal = one_line(savings_text(savings))
    assert document["headline"] in page
    assert document["headline"] in terminal
    assert isinstance(document["positions"], list)
    for position in document["positions"]:
        assert position["sentence"]
        assert position["sentence"] in terminal
        if not position["reference"]:
            assert position["sentence"] in page


def test_verdicts_are_the_same_everywhere(example: tuple[Estimate, Savings], page: str) -> None:
    estimate, _ = example
    terminal = one_line(estimate_text(estimate))
    document = estimate.to_dict()
    assert isinstance(document["differences"], list)
    for difference in document["differences"]:
        assert difference["verdict"] in page
        assert one_line(difference["verdict"]) in terminal
        assert difference["verdict"] == words.difference_words(
            next(d for d in estimate.differences if d.verdict == difference["verdict"])
        )


def test_more_runs_are_one_computation(example: tuple[Estimate, Savings], page: str) -> None:
    # Nothing but drag is in this pair: held throughout, no cost. The race only changes the unit.
    estimate, savings = example
    assert savings.more_runs is not None
    drag, race = estimate.difference("hands-high").more_runs, savings.more_runs["hands-high-tall"]
    assert drag is not None
    for key in ("runs_each_for_80_percent_power", "runs_each_for_90_percent_power"):
        one, other = drag[key], race[key]
        assert isinstance(one, int)
        assert isinstance(other, int)
        assert abs(one - other) <= 1
    asked = words.more_runs_words(race)
    assert again_words(estimate, savings) in page
    assert asked in again_words(estimate, savings)
    assert any(f.code == "undecided-pair" and f.fix.startswith(asked) for f in savings.findings)
    assert "percent_power" not in page


def test_more_runs_do_not_shrink_what_holding_costs(example: tuple[Estimate, Savings]) -> None:
    _, savings = example  # 2 W ± 2 W: the drag alone would be decided, the minutes never
    estimate, _ = example
    drag = estimate.difference("chin-down").more_runs
    assert drag is not None
    assert drag["runs_each_for_80_percent_power"] is not None
    assert savings.more_runs is not None
    assert savings.more_runs["chin-down-tall"]["runs_each_for_80_percent_power"] is None
    finding = next(
        f for f in savings.findings if f.code == "undecided-pair" and f.where == "tall, chin-down"
    )
    assert "what holding costs" in finding.fix


def test_no_sensible_number_of_runs_is_said_and_never_none() -> None:
    said = words.more_runs_words(
        {"runs_each_for_80_percent_power": 41, "runs_each_for_90_percent_power": None}
    )
    assert "about 41 runs of each in all" in said
    assert "no sensible number with 90 %" in said
    nothing = {"runs_each_for_80_percent_power": None, "runs_each_for_90_percent_power": None}
    assert "no sensible number" in words.more_runs_words(nothing)
    assert "None" not in said + words.more_runs_words(nothing) + words.more_runs_words(None)


def test_bare_drag_areas_are_not_known_to_differ(bare: Savings) -> None:
    assert all(p.decided is None and p.probability_fastest is None for p in bare.positions)
    said = one_line(savings_text(bare))
    assert said.startswith("Not known to be real")
    assert "“low” is not known to differ from “tall”" in said
    assert " not known " in said
    assert "Practise" not in said
    assert "decided: faster" not in said
    assert [words.decided_words(p) for p in bare.positions if not p.reference] == ["not known"] * 2
    assert "no position is decided" in (words.total_words(bare) or "")


def test_the_page_says_not_known_where_nothing_is() -> None:
    estimate = rich_estimate(("tall", "low"), runs_each=2)
    savings = rich_savings(estimate)
    unknown = replace(
        savings,
        positions=tuple(
            replace(
                p,
                decided=None,
                probability_faster=None,
                probability_fastest=None,
                saved_corrected_for_choice_s=None,
            )
            for p in savings.positions
        ),
    )
    blocks = answer(estimate, unknown).blocks
    said = " ".join(b.text for b in blocks if isinstance(b, Text))
    said += " ".join(text for b in blocks if isinstance(b, Items) for _, text in b.terms)
    assert "Not known to be real" in said
    assert "How likely it is to be faster is not known." in said
    assert "Practise" not in said
    assert "None" not in build_report(estimate, unknown).replace("pointer-events:none", "")


def test_the_terminal_keeps_to_its_width(example: tuple[Estimate, Savings], bare: Savings) -> None:
    estimate, savings = example
    wordy = rich_savings(rich_estimate())
    for text in (savings_text(savings), savings_text(bare), savings_text(wordy)):
        assert max(len(line) for line in text.splitlines()) <= TEXT_WIDTH
    assert max(len(line) for line in estimate_text(estimate).splitlines()) <= TEXT_WIDTH


def test_three_findings_are_printed_and_the_rest_is_counted(
    example: tuple[Estimate, Savings],
) -> None:
    _, savings = example
    said = savings_text(savings)
    assert said.count("To fix:") == 3
    assert f"{len(savings.findings) - 3} more" in said
    warned = replace(
        savings,
        findings=(*savings.findings, replace(savings.findings[0], severity="warning", code="last")),
    )
    assert "[last]" in savings_text(warned)  # the gravest first


def test_resolved_alone_and_with_all_pairs_counted_are_told_apart() -> None:
    estimate = rich_estimate()
    first = replace(
        estimate.differences[0],
        delta_cda_m2=-0.009,
        resolved=True,
        interval_m2=(-0.017, -0.001),
        simultaneous_interval_m2=(-0.020, 0.002),
    )
    said = words.difference_words(first)
    assert said == "lower drag as the only pair asked; not resolved with all pairs counted"
    surely = replace(first, simultaneous_interval_m2=(-0.0175, -0.0005))
    assert words.difference_words(surely) == "lower drag"
    neither = replace(first, resolved=False, interval_m2=(-0.019, 0.001))
    assert words.difference_words(neither).startswith("not resolved: could be 0.0190 lower or")
    counted = words.resolved_words([first, surely, neither])
    assert counted.startswith("1 of 3 differences is resolved; 1 more would be as the only pair")


def test_a_first_place_that_rests_on_what_nobody_said_is_named(
    example: tuple[Estimate, Savings], page: str
) -> None:
    _, savings = example
    best, rival = words.ordered(savings)[:2]
    assert best.hold_share is None
    assert best.power_cost_w is None
    assert rival.hold_share == 0.7
    said = first_words(savings)
    assert said is not None
    assert said in page
    assert said in one_line(savings_text(savings))
    assert "neither is known" in said
    # The rival comes first where the whole ride's minutes times the share held fall below its own.
    turn = re.search(r"less than (\d+) % of the ride", said)
    assert turn is not None
    share = float(turn.group(1)) / 100
    assert share * best.saved_if_held_throughout_s == pytest.approx(rival.saved_s, rel=0.01)
    known = replace(best, hold_share=1.0, power_cost_w=0.0)
    others = tuple(known if p.id == best.id else p for p in savings.positions)
    assert first_words(replace(savings, positions=others)) is None


def test_the_assumption_that_matters_most_is_named(
    example: tuple[Estimate, Savings], page: str
) -> None:
    _, savings = example
    best = words.ordered(savings)[0]
    said = minutes_assumption_words(savings)
    assert said is not None
    assert said in page
    assert "held for the whole ride and costs nothing to hold (neither given)" in said
    tenth = re.search(r"tenth of the ride less takes (\d+) s", said)
    assert tenth is not None
    assert float(tenth.group(1)) == pytest.approx(0.1 * best.saved_if_held_throughout_s, abs=0.5)


def test_a_value_and_the_interval_beside_it_are_in_one_unit() -> None:
    # 34 s beside "costs 0.4 min to saves 1.5 min" reads as another size.
    assert numbers.saving(34.0, like=(-24.0, 92.0)) == "saves 0.6 min"
    assert numbers.saving(34.0, like=(10.0, 58.0)) == "saves 34 s"
    assert numbers.saving(-2.0, like=(-90.0, 86.0)) == "no change"


def test_the_total_is_the_one_of_the_document(example: tuple[Estimate, Savings], page: str) -> None:
    _, savings = example
    said = words.total_words(savings)
    document = savings.to_dict()
    assert isinstance(document["total"], dict)
    ends = (document["total"]["saved_low_s"], document["total"]["saved_high_s"])
    assert said is not None
    assert numbers.saving_interval(ends) in said
    assert said in page
    assert said in one_line(savings_text(savings))
