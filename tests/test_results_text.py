from __future__ import annotations

import re
from dataclasses import replace

import pytest

from cda.results import numbers, words
from cda.results.text import estimate_text, savings_text
from tests.results_factory import eight_page, eight_positions, rich_estimate, rich_savings


@pytest.mark.parametrize(
    ("value", "se", "expected"),
    [  # JCGM 100:2008, 7.2.6: two significant digits of the standard uncertainty
        (0.27614, 0.0046, "0.2761"),
        (0.27614, 0.046, "0.276"),
        (0.276149, 0.00046, "0.27615"),
        (-0.00004, 0.0021, "0.0000"),
        (-0.0089, 0.0029, "−0.0089"),
        (None, 0.001, "unknown"),
    ],
)
def test_a_drag_area_is_rounded_to_its_uncertainty(value: float, se: float, expected: str) -> None:
    assert numbers.area(value, se) == expected


def test_the_gum_example_of_two_digits() -> None:
    # JCGM 100:2008, 7.2.6: y = 10.057 62 ohm with u = 27 milliohm is stated as 10.058 ohm.
    assert numbers.quantity(10.05762, 0.027) == "10.058 ± 0.027"


@pytest.mark.parametrize(
    ("seconds", "expected"),
    [(126.0, "saves 2.1 min"), (-40.0, "costs 40 s"), (0.2, "no change"), (-75.0, "costs 1.2 min")],
)
def test_a_slower_position_costs_and_never_saves_a_negative(seconds: float, expected: str) -> None:
    assert numbers.saving(seconds) == expected


@pytest.mark.parametrize(
    ("interval", "expected"),
    [
        ((40.0, 212.0), "0.7 to 3.5 min"),
        ((-20.0, 100.0), "costs 0.3 min to saves 1.7 min"),
        ((-70.0, -10.0), "costs 0.2 to 1.2 min"),
        ((5.0, 40.0), "5 to 40 s"),
    ],
)
def test_an_interval_of_time_has_one_unit_and_no_minus_sign(
    interval: tuple[float, float], expected: str
) -> None:
    assert numbers.saving_interval(interval) == expected


def test_a_probability_is_never_certain() -> None:
    assert [numbers.percent(p) for p in (1.0, 0.0, 0.41, None)] == [
        "over 99 %",
        "under 1 %",
        "41 %",
        "not known",
    ]


def test_control_and_direction_characters_do_not_reach_the_reader() -> None:
    assert numbers.shown("a\u202eb\x00c\x1b[31m\nd") == "abc[31m d"


def test_not_resolved_is_never_written_as_equal() -> None:
    estimate = rich_estimate()
    unresolved = [d for d in estimate.differences if not d.resolved]
    assert unresolved
    for difference in unresolved:
        said = words.difference_words(difference)
        assert said.startswith("not resolved")
        assert "equal" not in said
        assert "same" not in said


def test_the_headline_names_the_reference_and_asks_for_the_share_not_given() -> None:
    estimate = rich_estimate(("tall", "narrow"))
    text = words.savings_headline(rich_savings(estimate))
    assert "“Head up, eyes on the horizon”, the position ridden today" in text
    assert "if it can be held" in text
    assert "(cost unknown)" in " ".join(savings_text(rich_savings(estimate)).split())


def test_the_headline_does_not_send_anyone_practising_what_is_not_decided() -> None:
    savings = rich_savings(rich_estimate(("tall", "narrow")))
    open_question = replace(
        savings,
        positions=tuple(
            p
            if p.reference
            else replace(p, saved_s=30.0, saved_interval_s=(-40.0, 100.0), decided=False)
            for p in savings.positions
        ),
    )
    text = words.savings_headline(open_question)
    assert text.startswith("Not decided yet")
    assert "costs 0.7 min to saves 1.7 min" in text


def test_the_headline_stays_with_today_where_everything_else_is_slower() -> None:
    savings = rich_savings(rich_estimate(("tall", "wide")))
    text = words.savings_headline(savings)
    assert text.startswith("Stay with")
    assert "costs 1.6 min" in text


def test_the_total_adds_one_position_only() -> None:
    savings = rich_savings(rich_estimate(("tall", "low", "shrug", "narrow")))
    first = next(p for p in words.ordered(savings) if words.is_decided(p))
    low = first.saved_interval_s[0] + 90 + 35 + 30  # the ledger of the factory
    high = first.saved_interval_s[1] + 210 + 62 + 90
    total = words.total_words(savings)
    assert total is not None
    assert numbers.saving_interval((low, high)) in total


def test_terminal_page_and_json_state_the_same_numbers() -> None:
    estimate, savings = eight_positions()
    page = " ".join(re.sub(r"<[^>]+>", " ", eight_page()).split())
    fitted, raced = estimate.to_dict(), savings.to_dict()
    terminal = estimate_text(estimate)
    assert isinstance(fitted["positions"], list)
    for p in fitted["positions"]:
        for text in (
            numbers.area(p["cda_m2"], p["se_m2"]),
            numbers.area_interval(p["interval_m2"], p["se_m2"]),
            numbers.area(p["cda_with_wheels_m2"], p["se_m2"]),
        ):
            assert text in terminal
            assert text in page
    assert isinstance(fitted["differences"], list)
    for d in fitted["differences"]:
        text = numbers.area_interval(d["interval_m2"], d["se_m2"], sign=True)
        assert text in terminal
        assert text in page
    terminal = savings_text(savings)
    assert isinstance(raced["positions"], list)
    for p in raced["positions"]:
        if p["reference"]:
            continue
        for text in (numbers.saving(p["saved_s"]), numbers.saving_interval(p["saved_interval_s"])):
            assert text in terminal
            assert text in page
    headline = words.savings_headline(savings)
    assert headline in page
    assert " ".join(headline.split()) in " ".join(terminal.split())


def test_terminal_and_page_keep_the_same_order() -> None:
    _, savings = eight_positions()
    labels = [p.label for p in words.ordered(savings)]
    table = eight_page().split("Positions in order</caption>")[1].split("</table>")[0]
    in_page = sorted(labels, key=table.index)
    assert in_page == labels
    below = savings_text(savings).split("Choose one")[1].split("\n\n")[0]
    letter = words.letters(savings)
    in_terminal = re.findall(r"^([A-Z]\d?)  ", below, flags=re.MULTILINE)
    assert in_terminal == [letter[p.id] for p in words.ordered(savings)]
