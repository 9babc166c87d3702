"""Invented rides as folders: read back as they were, made again as they are, ridden from a plan."""

from __future__ import annotations

import builtins
import gzip
import json
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from cda.cli import main as command_line_of_cda
from cda.errors import OutputError, SessionError
from cda.recording import CHANNELS
from cda.session import load_session, write_session_folder
from cda.simulate import (
    PRESETS,
    changed_by_hand,
    simulate_plan,
    simulate_session,
    write_session,
)
from cda.simulate.examples import EXAMPLES, main, make_example
from cda.simulate.write import recording_bytes

EXAMPLE_RUNS = Path(__file__).parents[1] / "example_runs"
RICH = replace(
    PRESETS["light"],
    n_positions=2,
    runs_per_position=1,
    leg_length_m=400.0,
    weather_wind=True,
    airspeed_noise_m_s=0.3,
    yaw_channel=True,
    power_missing_share=0.02,
)


def assert_same_recording(ours: Any, theirs: Any) -> None:
    np.testing.assert_array_equal(ours.time_s, theirs.time_s)
    assert ours.start_utc == theirs.start_utc
    for channel in CHANNELS:
        a, b = getattr(ours, channel), getattr(theirs, channel)
        if a is None:
            assert b is None, channel
            continue
        # a float32 holds seven digits of an airspeed, eight decimals a millimetre on the ground
        np.testing.assert_allclose(a, b, rtol=1e-9, atol=3e-6, err_msg=channel)


@pytest.mark.parametrize(("format", "compress"), [("csv", False), ("csv", True), ("fit", False)])
def test_a_written_session_reads_back_as_it_was(
    tmp_path: Path, format: str, compress: bool
) -> None:
    if format == "fit":
        pytest.importorskip("fit_tool")
    for laps in ("run", "leg", "times"):
        simulated = simulate_session(replace(RICH, laps=laps), 5, name=f"ride.{format}")
        folder = tmp_path / laps
        paths = write_session(simulated, folder, format=format, compress=compress)
        assert [p.name for p in paths][:2] == ["session.toml", "runs.csv"]
        session = load_session(folder)
        assert_same_recording(simulated.session.recordings[0], session.recordings[0])
        ours = simulated.session.settings.model_dump(exclude={"recordings"})
        assert session.settings.model_dump(exclude={"recordings"}) == ours
        assert session.settings.wind is not None
        for mine, read in zip(simulated.session.runs, session.runs, strict=True):
            assert (mine.run, mine.position, mine.spans_from) == (
                read.run,
                read.position,
                read.spans_from,
            )
            np.testing.assert_allclose(mine.spans, read.spans, atol=1e-6)
        written = json.loads((folder / "truth.json").read_text())
        assert set(written.pop("files")) == {"session.toml", "runs.csv"}
        assert written == json.loads(json.dumps(simulated.truth))
        if format == "fit":
            break  # fit-tool is slow; the laps are the same


def test_a_warming_morning_is_faster_and_its_readings_are_written(tmp_path: Path) -> None:
    cold = simulate_session(replace(RICH, runs_per_position=3), 5)
    warming = replace(
        RICH, runs_per_position=3, temperature_drift_c_per_h=20.0, air_reading_interval_s=300.0
    )
    simulated = simulate_session(warming, 5)
    last = [
        x.truth["legs"][-1]["exit_s"] - x.truth["legs"][-1]["entry_s"] for x in (cold, simulated)
    ]
    assert last[1] < last[0] - 0.1
    assert simulated.truth["air_density_kg_m3"] < cold.truth["air_density_kg_m3"]
    write_session(simulated, tmp_path)
    session = load_session(tmp_path)
    assert len(session.air_readings) > 3
    assert session.air_readings == simulated.session.air_readings
    warmed = session.air_readings[-1].temperature_c
    hours = session.air_readings[-1].time_s / 3600.0
    assert warmed == pytest.approx(14.0 + 20.0 * hours, abs=0.06)


def test_half_second_samples_go_into_csv_and_not_into_fit(tmp_path: Path) -> None:
    simulated = simulate_session(replace(RICH, sample_interval_s=0.5), 5)
    write_session(simulated, tmp_path / "a")
    assert_same_recording(
        simulated.session.recordings[0], load_session(tmp_path / "a").recordings[0]
    )
    pytest.importorskip("fit_tool")
    with pytest.raises(OutputError, match="whole seconds"):
        write_session(simulated, tmp_path / "b", format="fit")
    assert not (tmp_path / "b").exists()


def test_without_fit_tool_the_message_names_the_way_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plain = builtins.__import__

    def refuse(name: str, *args: Any, **kwargs: Any) -> Any:
        if name.startswith("fit_tool"):
            raise ImportError(name)
        return plain(name, *args, **kwargs)

    simulated = simulate_session(RICH, 5)
    monkeypatch.setattr(builtins, "__import__", refuse)
    with pytest.raises(OutputError, match="fit-tool"):
        write_session(simulated, tmp_path / "x", format="fit")
    assert not (tmp_path / "x").exists()
    write_session(simulated, tmp_path / "x", format="csv")


def test_the_example_folders_are_what_their_seeds_give(tmp_path: Path) -> None:
    name = "breezy_four"
    make_example(name, tmp_path)
    for path in (tmp_path / name).iterdir():
        committed = EXAMPLE_RUNS / name / path.name
        if path.suffix == ".gz":  # compressed bytes depend on the zlib at hand
            assert gzip.decompress(path.read_bytes()) == gzip.decompress(committed.read_bytes())
        else:
            assert path.read_bytes() == committed.read_bytes(), path.name
    example = EXAMPLES["short_morning"]
    simulated = simulate_session(example.scenario, example.seed, name="ride.fit")
    session = load_session(EXAMPLE_RUNS / "short_morning")
    assert_same_recording(simulated.session.recordings[0], session.recordings[0])
    assert session.runs == simulated.session.runs
    committed = json.loads((EXAMPLE_RUNS / "short_morning" / "truth.json").read_text())
    del committed["files"]
    assert committed == json.loads(json.dumps(simulated.truth))


def test_the_examples_fit_what_is_promised_of_them() -> None:
    files = [p for p in EXAMPLE_RUNS.rglob("*") if p.is_file()]
    assert sum(p.stat().st_size for p in files) < 3_000_000
    assert (EXAMPLE_RUNS / "short_morning" / "ride.fit").stat().st_size < 1_000_000
    assert {name: e.seed for name, e in EXAMPLES.items()} == {
        "short_morning": 2026,
        "breezy_four": 2027,
    }
    session = load_session(EXAMPLE_RUNS / "short_morning")
    minutes = float(session.recordings[0].time_s[-1]) / 60.0
    assert 75.0 <= minutes <= 90.0
    for name in EXAMPLES:
        findings = load_session(EXAMPLE_RUNS / name).findings
        assert [f for f in findings if f.severity != "note"] == []


def test_the_script_refuses_an_unknown_example(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    with pytest.raises(SystemExit):
        main([str(tmp_path), "nothing"])
    assert "no example 'nothing'" in capsys.readouterr().err


def plan_tables() -> dict[str, Any]:
    return {
        "title": "A plan",
        "rider": {"id": "r", "mass_kg": 61.5},
        "bike": {"id": "b", "mass_kg": 8.5, "rolling_resistance": 0.0045},
        "power_meter": {"location": "hub"},
        "positions": [
            {"id": "tall", "label": "Head up", "reference": True},
            {"id": "low", "cue": "chin down", "hold_share": 0.7},
        ],
    }


def test_a_plan_is_ridden_in_its_order_with_its_masses(tmp_path: Path) -> None:
    order = ["tall", "low", "low", "tall"]
    rows = [{"run": k, "position": p, "note": "n"} for k, p in enumerate(order, start=1)]
    write_session_folder(tmp_path / "plan", plan_tables(), rows)
    scenario = replace(PRESETS["calm"], leg_length_m=400.0)
    simulated = simulate_plan(tmp_path / "plan", scenario, 3)
    assert [r.position for r in simulated.session.runs] == order
    assert all(r.spans and r.note == "n" for r in simulated.session.runs)
    assert [r["position"] for r in simulated.truth["runs"]] == order
    assert simulated.draws.rider_mass_kg == pytest.approx(61.5, abs=1.5)
    assert simulated.draws.drivetrain_efficiency == 1.0
    write_session(simulated, tmp_path / "ridden")
    session = load_session(tmp_path / "ridden")
    assert session.settings.rider.mass_kg == 61.5
    assert session.settings.positions[1].hold_share == 0.7
    assert session.settings.positions[1].cue == "chin down"
    assert session.settings.power_meter.location == "hub"
    assert [r.spans for r in session.runs] == [r.spans for r in simulated.session.runs]


def test_a_plan_without_weights_is_ridden_by_the_scenarios_rider(tmp_path: Path) -> None:
    tables = plan_tables() | {"rider": {"id": "r"}, "bike": {"id": "b"}}
    rows = [{"run": 1, "position": "tall"}, {"run": 2, "position": "low"}]
    write_session_folder(tmp_path / "plan", tables, rows)
    simulated = simulate_plan(tmp_path / "plan", replace(PRESETS["calm"], leg_length_m=400.0), 3)
    assert simulated.session.settings.rider.mass_kg == 74.0


def test_a_plan_that_cannot_be_ridden_says_so(tmp_path: Path) -> None:
    with pytest.raises(SessionError, match=r"no session\.toml"):
        simulate_plan(tmp_path)
    write_session_folder(tmp_path / "a", plan_tables(), [{"run": 1, "position": "elbows"}])
    with pytest.raises(SessionError, match="'elbows' is not in session"):
        simulate_plan(tmp_path / "a")
    write_session_folder(tmp_path / "b", plan_tables(), [])
    with pytest.raises(SessionError, match="no run"):
        simulate_plan(tmp_path / "b")


def test_csv_has_empty_fields_for_missing_power_and_one_lap_column() -> None:
    text = recording_bytes(simulate_session(RICH, 5), "csv").decode()
    header, *rows = text.splitlines()
    assert header.startswith("time,power_w,speed_m_s,distance_m,altitude_m")
    assert header.endswith("lap")
    powers = [row.split(",")[1] for row in rows]
    assert "" in powers
    assert "nan" not in text
    laps = [int(row.split(",")[-1]) for row in rows]
    assert laps == sorted(laps)
    assert laps[-1] == 5


def test_a_folder_changed_by_hand_is_not_written_over(tmp_path: Path) -> None:
    folder = tmp_path / "ride"
    plan = tmp_path / "plan"
    write_session_folder(
        plan, plan_tables(), [{"run": 1, "position": "tall"}, {"run": 2, "position": "low"}]
    )
    words = ["simulate", "--plan", str(plan), "--out", str(folder), "--seed"]
    run = CliRunner()
    assert run.invoke(command_line_of_cda, [*words, "1"]).exit_code == 0
    assert run.invoke(command_line_of_cda, [*words, "2"]).exit_code == 0  # nobody touched it
    text = (folder / "session.toml").read_text(encoding="utf-8")
    (folder / "session.toml").write_text(text + "\n# weighed again\n", encoding="utf-8")
    refused = run.invoke(command_line_of_cda, [*words, "3"])
    assert refused.exit_code == 1
    assert "session.toml in it was changed by hand" in refused.stderr
    assert "weighed again" in (folder / "session.toml").read_text(encoding="utf-8")
    assert changed_by_hand(folder) == ("session.toml",)
    forced = run.invoke(command_line_of_cda, [*words, "3", "--force"])
    assert forced.exit_code == 0
    assert changed_by_hand(folder) == ()


def test_a_plans_powers_and_legs_are_ridden(tmp_path: Path) -> None:
    rows = [
        {"run": 1, "position": "tall", "note": "205 W"},
        {"run": 2, "position": "low", "note": "262,5 W; helmet B"},
    ]
    tables = plan_tables() | {"protocol": "out-and-back-short"}
    write_session_folder(tmp_path / "plan", tables, rows)
    simulated = simulate_plan(tmp_path / "plan", PRESETS["calm"], 3)
    assert simulated.draws.run_power_w == (205.0, 262.5)
    assert simulated.truth["gates_along_m"] == [0.0, 600.0]
    assert [leg["leg"] for leg in simulated.truth["legs"]] == ["out", "back", "out", "back"] * 2
    places = [
        np.interp(
            [leg["entry_s"], leg["exit_s"]], simulated.ridden.time_s, simulated.ridden.along_m
        )
        for leg in simulated.truth["legs"]
    ]
    for k, (entry, leave) in enumerate(places):
        assert (entry, leave) == pytest.approx((0.0, 600.0) if k % 2 == 0 else (600.0, 0.0), abs=2)
    # A scenario that asks for a length of its own gets it, and one silent note frees all powers.
    rows[1]["note"] = "helmet B"
    write_session_folder(tmp_path / "plan", tables, rows, force=True)
    own = simulate_plan(tmp_path / "plan", replace(PRESETS["calm"], leg_length_m=400.0), 3)
    assert own.truth["gates_along_m"] == [0.0, 400.0]
    assert set(own.draws.run_power_w) <= {190.0, 240.0}
