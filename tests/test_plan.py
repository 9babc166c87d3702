"""Plans: orders without drift, folders that load back, sheets that print, rides that are fitted."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING

import html5lib
import numpy as np
import pytest
from click.testing import CliRunner

from cda import estimate_cda, load_session
from cda.cli import main
from cda.errors import SessionError
from cda.figures.precision import drawn_precision
from cda.plan import (
    PlannedPosition,
    counterbalanced_order,
    list_protocols,
    load_protocol,
    make_plan,
    run_sheet_html,
    write_plan,
)
from cda.plan.order import order_of
from cda.simulate import PRESETS, simulate_plan, write_session

if TYPE_CHECKING:
    from pathlib import Path

    from click.testing import Result

POSITIONS = [
    PlannedPosition(id="tall", label="Head up"),
    PlannedPosition(id="low", label="Chin down <& rounded>"),
]


def cda(*words: object) -> Result:
    return CliRunner().invoke(main, [str(w) for w in words])


@pytest.mark.parametrize("n", range(2, 9))
def test_no_position_is_linked_to_time(n: int) -> None:
    for runs in range(2, 11):
        order = counterbalanced_order(n, runs, seed=3)
        array = np.array(order.positions)
        assert np.bincount(array).tolist() == [runs] * n
        assert all(len(set(array[k : k + n])) == n for k in range(0, n * runs, n))
        time = np.arange(n * runs) - (n * runs - 1) / 2
        for k in range(n):
            linear = float(np.corrcoef(array == k, time)[0, 1])
            square = float(np.corrcoef(array == k, time**2)[0, 1])
            assert linear == pytest.approx(order.with_time[k], abs=1e-9)
            assert square == pytest.approx(order.with_time_squared[k], abs=1e-9)
            # Two positions in three rounds cannot be balanced: ranks 1 and 2 thrice make no 4.5.
            assert abs(linear) < (0.015 if runs % 2 == 0 else 0.10)
            if runs >= 4 and n > 2:
                assert abs(square) < 0.25
        assert order.repeats <= 2


def test_an_order_in_blocks_is_linked_to_time_and_says_so() -> None:
    blocks = order_of((0, 0, 0, 1, 1, 1))
    assert abs(blocks.with_time[0]) > 0.8
    assert "up to 0.878" in blocks.imbalance_words()
    assert blocks.repeats == 4


def test_the_seed_chooses_the_order() -> None:
    orders = {counterbalanced_order(4, 4, seed=s).positions for s in range(4)}
    assert len(orders) > 1
    assert counterbalanced_order(4, 4, seed=1) == counterbalanced_order(4, 4, seed=1)


def test_every_position_rides_every_power_alike() -> None:
    plan = make_plan(load_protocol("out-and-back"), POSITIONS, runs=4)
    powers = {(p.id, w): 0 for p in POSITIONS for w in (190.0, 240.0)}
    for run in plan.runs:
        powers[(run.position, run.power_w)] += 1
    assert set(powers.values()) == {2}


def test_minutes_are_kept_and_a_long_plan_is_warned_of() -> None:
    short = make_plan(load_protocol("out-and-back"), POSITIONS, minutes=60.0)
    assert short.duration_min <= 60.0 < short.duration_min + 2 * 6.5
    assert not [f for f in short.findings if f.severity == "warning"]
    long = make_plan(load_protocol("out-and-back"), POSITIONS, runs=10)
    assert "long-plan" in {f.code for f in long.findings if f.severity == "warning"}


def test_what_cannot_be_resolved_is_said_with_what_would_help() -> None:
    plan = make_plan(load_protocol("out-and-back"), POSITIONS, wind_m_s=3.0, resolve_m2=0.006)
    text = " ".join(plan.answer)
    assert "cannot be shown" in text
    assert "ride earlier" in text
    assert "airspeed sensor" in text
    assert plan.expectation is not None
    assert plan.expectation.smallest_resolvable_m2 is not None
    assert plan.expectation.smallest_resolvable_m2 > 0.006
    assert "question-too-fine" in {f.code for f in plan.findings} or plan.wind_limit_m_s is not None


def test_what_can_be_resolved_takes_the_fewest_runs_that_do() -> None:
    protocol = load_protocol("out-and-back")
    plan = make_plan(protocol, POSITIONS, wind_m_s=0.4, resolve_m2=0.012)
    fewer = make_plan(protocol, POSITIONS, wind_m_s=0.4, runs=plan.runs_per_position - 1)
    assert plan.expectation is not None
    assert fewer.expectation is not None
    assert plan.expectation.smallest_resolvable_m2 is not None
    assert fewer.expectation.smallest_resolvable_m2 is not None
    assert plan.expectation.smallest_resolvable_m2 <= 0.012
    assert fewer.expectation.smallest_resolvable_m2 > 0.012
    assert f"takes {plan.runs_per_position} runs" in plan.answer[0]


def test_what_takes_longer_than_a_morning_is_said_with_what_would_help() -> None:
    plan = make_plan(load_protocol("out-and-back"), POSITIONS, wind_m_s=0.4, resolve_m2=0.008)
    assert plan.duration_min > 100.0
    assert "2 mornings" in plan.answer[1]
    found = re.search(r"airspeed sensor: (\d+) runs", " ".join(plan.answer))
    assert found is not None
    assert 2 <= int(found[1]) < plan.runs_per_position
    assert "both" not in " ".join(plan.answer)  # it is calm already


def test_time_on_a_loop_is_laps_and_easy_laps() -> None:
    protocol = load_protocol("closed-loop")
    plan = make_plan(protocol, POSITIONS, runs=3)
    # 3 laps at 10.2 m/s (215 W: 210 at the wheel = 0.166 v^3 + 3.5 v), 2 easy ones at 9 m/s and
    # a minute of rest but for the last run
    run_s = 3 * 1500.0 / 10.2 + 2 * 1500.0 / 9.0 + protocol.rest_s
    assert plan.duration_min == pytest.approx((6 * run_s - 393.0) / 60.0, rel=0.02)
    assert plan.length_m == 1500.0
    assert plan.expectation is not None
    assert plan.expectation.design.duration_min == plan.duration_min


@pytest.mark.parametrize("protocol", [p.id for p in list_protocols()])
def test_the_run_sheet_is_valid_html_with_everything_on_it(protocol: str) -> None:
    plan = make_plan(load_protocol(protocol), POSITIONS, runs=3)
    page = run_sheet_html(plan)
    html5lib.HTMLParser(strict=True).parse(page)
    assert "Chin down &lt;&amp; rounded&gt;" in page
    text = re.sub(r"\s+", " ", page)
    for caution in plan.protocol.cautions:
        assert caution.replace("'", "&#39;") in text
    assert page.count('class="spare"') == 4
    assert page.count('class="box"') == 6 + 4
    assert ("wind, from" in page) == (protocol != "indoor-track")
    assert "width:200mm;max-width:none;height:40mm" in page  # the strip
    still = "a door stands open" if protocol == "indoor-track" else "m/s at rider height"
    assert still in page
    assert not re.search(r'(src|href)="', page)  # nothing is fetched


def test_a_planned_folder_loads_back_ridden_and_fitted(tmp_path: Path) -> None:
    folder = tmp_path / "planned"
    plan = make_plan(load_protocol("out-and-back"), POSITIONS, runs=3)
    write_plan(plan, folder)
    ridden = simulate_plan(folder, PRESETS["calm"], seed=5)
    out = tmp_path / "ridden"
    write_session(ridden, out)
    session = load_session(out)
    assert [r.position for r in session.runs] == [r.position for r in plan.runs]
    assert session.reference == "tall"
    assert session.settings.protocol == "out-and-back"
    assert session.runs[0].note == "190 W"
    difference = estimate_cda(session).differences[0]
    truth = ridden.truth["cda_m2"]
    error = difference.delta_cda_m2 - (truth["low"] - truth["tall"])
    assert abs(error) < 3.0 * difference.se_m2
    assert plan.expectation is not None
    assert 0.001 < difference.se_m2 < 0.012


def test_the_command_makes_a_folder_and_refuses_one_that_is_in_use(tmp_path: Path) -> None:
    folder = tmp_path / "new"
    words = ["plan", "out-and-back", "--position", "tall=Head up", "--position", "low=Chin down"]
    done = cda(*words, "--runs", 3, "--out", folder)
    assert done.exit_code == 0, done.output
    assert "smallest difference shown" in done.stdout
    assert done.stderr.splitlines()[-1].startswith("Next: ")
    names = {p.name for p in folder.iterdir()}
    assert names == {"session.toml", "runs.csv", "run_sheet.html"}
    assert "Weigh the rider" in cda("guide", folder).stdout
    again = cda(*words, "--out", folder)
    assert again.exit_code == 1
    assert "is there already" in again.stderr
    assert again.stderr.index("name another folder") < again.stderr.index("--force")


def test_the_command_in_json_and_in_seconds(tmp_path: Path) -> None:
    race = tmp_path / "race.toml"
    race.write_text('name = "Invented race"\ndistance_km = 180.0\npower_w = 205.0\n')
    words = ["plan", "out-and-back", "--position", "a", "--position", "b", "--wind-m-s", "0.4"]
    words += ["--resolve-seconds", "150", "--race", str(race), "--out", str(tmp_path / "x")]
    done = cda(*words, "--json")
    document = json.loads(done.stdout)
    assert document["kind"] == "plan"
    assert document["question_m2"] * document["seconds_per_m2"] == pytest.approx(150.0)
    assert document["expected"]["smallest_resolvable_m2"] <= document["question_m2"]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["out-and-back", "--out", "x"], "--position"),
        (["out-and-back", "--position", "ä=b", "--out", "x"], "is not ID=WORDS"),
        (["out-and-back", "--position", "a", "--resolve-seconds", "9", "--out", "x"], "--race"),
        (["--position", "a"], "PROTOCOL"),
    ],
)
def test_wrong_usage_is_explained(words: list[str], said: str) -> None:
    done = cda("plan", *words)
    assert done.exit_code == 2
    assert said in done.stderr


def test_positions_are_asked_for_on_a_terminal(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("cda.cli.plan.on_terminal", lambda: True)
    typed = "tall = Head up\nnot this ä\nlow=Chin down\n\n"
    done = CliRunner().invoke(
        main, ["plan", "out-and-back", "--runs", "2", "--out", str(tmp_path / "x")], input=typed
    )
    assert done.exit_code in (0, 3), done.output
    assert "is not ID=WORDS" in done.stderr
    session = (tmp_path / "x" / "session.toml").read_text(encoding="utf-8")
    assert re.findall(r'^id = "(\w+)"', session, re.M) == ["tall", "low"]
    nobody = CliRunner().invoke(
        main, ["plan", "out-and-back", "--out", str(tmp_path / "y")], input="\n"
    )
    assert nobody.exit_code == 2
    assert "no position named" in nobody.stderr


def test_protocols_are_listed_shown_and_made_by_users(tmp_path: Path) -> None:
    listed = cda("plan", "--list").stdout
    assert listed.split(":")[0] == "out-and-back"
    shown = cda("plan", "--show", "indoor-track").stdout
    assert "Cautions:" in shown
    assert "banking" in shown
    source = (tmp_path / "own.toml").resolve()
    from cda._data import data_folder

    text = (data_folder("protocols") / "out-and-back.toml").read_text(encoding="utf-8")
    source.write_text(text.replace('id = "out-and-back"', 'id = "my-road"'), encoding="utf-8")
    assert load_protocol(str(source)).id == "my-road"
    source.write_text(text.replace("legs_per_run = 2", "legs_per_run = 3"), encoding="utf-8")
    with pytest.raises(SessionError, match="3 legs do not end where they began"):
        load_protocol(str(source))
    with pytest.raises(SessionError, match="there is no protocol"):
        load_protocol("nowhere")


def test_a_plan_agrees_with_its_own_table() -> None:
    for runs in (2, 6, 7):
        plan = make_plan(load_protocol("out-and-back"), POSITIONS, runs=runs, wind_m_s=1.0)
        row = next(r for r in plan.table if r.runs == runs)
        column = plan.table_wind_m_s.index(1.0)
        assert plan.smallest_resolvable_m2 == row.smallest_m2[column]
        assert row.minutes == pytest.approx(plan.duration_min)


def test_the_same_time_is_shared_out_in_other_ways() -> None:
    three = [*POSITIONS, PlannedPosition(id="wide", label="Elbows wide")]
    plan = make_plan(load_protocol("out-and-back"), three, minutes=75.0)
    assert [row.positions for row in plan.lists] == [2, 3]
    assert plan.lists[0].runs > plan.lists[1].runs
    assert plan.lists[0].smallest_m2 < plan.lists[1].smallest_m2
    assert plan.lists[1].smallest_m2 == plan.smallest_resolvable_m2
    assert "2 positions with 6 runs of each" in str(plan)
    laps = make_plan(load_protocol("indoor-track"), POSITIONS, minutes=75.0)
    assert {row.length_m for row in laps.lengths} == {250.0}


def test_a_picture_of_the_precision(tmp_path: Path) -> None:
    words = ["plan", "out-and-back", "--position", "a", "--position", "b"]
    picture = tmp_path / "precision.svg"
    done = cda(*words, "--runs", 2, "--out", tmp_path / "x", "--figure", picture)
    assert done.exit_code == 3, done.output  # two runs are few
    text = picture.read_text(encoding="utf-8")
    assert text.startswith("<?xml")
    assert "2.5 m/s" in text
    assert "this plan" in text
    plan = make_plan(load_protocol("indoor-track"), POSITIONS, runs=3)
    for suffix, head in ((".png", b"\x89PNG"), (".pdf", b"%PDF")):
        assert drawn_precision(plan, suffix).startswith(head)
    wrong = cda(*words, "--out", tmp_path / "y", "--figure", tmp_path / "p.gif")
    assert wrong.exit_code == 2
    assert "ends in none of" in wrong.stderr
