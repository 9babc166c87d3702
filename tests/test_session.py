"""Test folders: settings, run sheet, times, paths, round trips."""

from __future__ import annotations

import contextlib
import datetime as dt
import pickle
import re
from typing import TYPE_CHECKING

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from cda.errors import CdaError, OutputError, SessionError
from cda.recording import Lap, Recording
from cda.session import (
    build_session,
    fill_runs,
    guide,
    inside_folder,
    load_session,
    schema_json,
    schema_rows,
    session_toml,
    write_session_folder,
)
from cda.session.models import SessionSettings
from cda.session.run_sheet import COLUMNS, parse_table
from cda.session.toml_file import parse_toml, validate_model

if TYPE_CHECKING:
    from pathlib import Path

SETTINGS = {
    "date": dt.date(2026, 5, 9),
    "time_zone": "Europe/Lisbon",
    "rider": {"mass_kg": 73.6},
    "bike": {"mass_kg": 9.8},
    "air": {"temperature_c": 13.0, "pressure_hpa": 1007.0},
    "positions": [{"id": "tall"}, {"id": "low", "hold_share": 0.7}],
}


def ride(
    start: dt.datetime | None = dt.datetime(2026, 5, 9, 6, 30, tzinfo=dt.UTC),
    *,
    seconds: int = 3600,
    own_time_start_s: float | None = None,
    name: str = "ride.csv",
) -> Recording:
    return Recording(
        name=name,
        sha256="0" * 64,
        format="csv",
        time_s=np.arange(seconds, dtype=float),
        power_w=np.full(seconds, 200.0),
        speed_m_s=np.full(seconds, 10.0),
        distance_m=np.arange(seconds) * 10.0,
        laps=tuple(Lap(number=i + 1, start_s=i * 300.0, end_s=i * 300.0 + 300) for i in range(12)),
        start_utc=start,
        own_time_start_s=own_time_start_s,
    )


def session(rows: list[dict[str, object]], recording: Recording | None = None, **changed: object):
    return build_session(SETTINGS | changed, [recording or ride()], rows)


def write_ride(folder: Path) -> None:
    rows = ["time,power_w,speed_m_s,altitude_m"]
    rows += [
        f"2026-05-09T06:{30 + i // 60}:{i % 60:02d}Z,{200 + i % 7},{10 + i % 3 / 10},50"
        for i in range(600)
    ]
    (folder / "ride.csv").write_text("\n".join(rows) + "\n", encoding="utf-8")


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"rider": {"mass_kg": 7.2}}, ["rider.mass_kg", "7.2", "30 kg"]),
        ({"rider": {"mass_kg": 720}}, ["rider.mass_kg", "720", "200 kg"]),
        ({"rider": {"mas_kg": 72.0}}, ["rider.mas_kg", "did you mean 'mass_kg'", "is missing"]),
        ({"air": {"temperature_c": 286.0}}, ["kelvin", "12.9 °C"]),
        ({"air": {"temperature_c": 55.4}}, ["Fahrenheit", "13.0 °C"]),
        ({"air": {"pressure_hpa": 100700.0}}, ["Pa", "1007"]),
        ({"air": {"pressure_hpa": 29.74}}, ["inches of mercury", "1007.1"]),
        ({"air": {"sea_level_pressure_hpa": 755.0}}, ["mmHg", "1006.6"]),
        ({"air": {"relative_humidity": 70}}, ["percent", "0.7"]),
        ({"bike": {"mass_kg": "9,8"}}, ["decimal comma", "9.8"]),
        ({"air": {"pressure_hpa": 1007.0, "sea_level_pressure_hpa": 1013.0}}, ["both"]),
        ({"positions": []}, ["there is no position"]),
        ({"positions": [{"id": "a"}, {"id": "a"}]}, ["more than one position", "'a'"]),
        (
            {"positions": [{"id": "a", "reference": True}, {"id": "b", "reference": True}]},
            ["'a' and 'b'", "reference"],
        ),
        ({"positions": [{"id": "../x"}]}, ["'../x'", "letters"]),
        ({"positions": [{"id": "a", "hold_share": 1.2}]}, ["positions.a.hold_share", "limit of 1"]),
        ({"date": "9.5.2026"}, ["date = 2026-05-09"]),
        ({"time_zone": "Europe/Lisboa"}, ["did you mean 'Europe/Lisbon'"]),
        ({"rider": {"mass_kg": float("nan")}}, ["rider.mass_kg"]),
    ],
)
def test_a_mistake_in_the_settings_is_named_with_key_value_and_way_out(changed, says) -> None:
    with pytest.raises(SessionError) as caught:
        build_session(SETTINGS | changed, [ride()])
    for part in says:
        assert part in str(caught.value)


def test_all_mistakes_come_at_once() -> None:
    with pytest.raises(SessionError, match="3 mistakes"):
        session([], rider={"mass_kg": 720}, air={"temperature_c": 290.0}, bike={"mass_kg": 0.9})


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("mass_kg = 73,6", "write 73.6"),
        ("id = “rider”", "curly quotes"),
        ("id: 3", "= instead of :"),
        ("id = rider", "straight quotes"),
    ],
)
def test_a_syntax_error_is_located_and_its_cause_named(line: str, says: str) -> None:
    with pytest.raises(SessionError) as caught:
        parse_toml(f"[rider]\n{line}\n", "session.toml")
    assert "line 2" in str(caught.value)
    assert says in str(caught.value)


def test_both_forms_of_laps_give_their_spans() -> None:
    runs = session(
        [
            {"run": "1.0", "position": "tall", "laps": "4.0"},
            {"run": 2, "position": "low", "laps": "5 + 7"},
        ]
    ).runs
    assert runs[0].spans == ((900.0, 1200.0),)
    assert runs[1].spans == ((1200.0, 1500.0), (1800.0, 2100.0))


# 06:30 UTC is 07:30 in Lisbon in May: 07:42 there is 720 s into the ride.
@pytest.mark.parametrize(
    "start",
    ["07:42", "7:42", "07:42:00", "7:42:00 AM", "2026-05-09T07:42:00", "2026-05-09 07:42",
     "2026-05-09T06:42:00Z", "2026-05-09T08:42:00+02:00"],
)  # fmt: skip
def test_every_form_of_a_time_means_the_same_second(start: str) -> None:
    run = session([{"run": 1, "position": "tall", "start": start, "end": "07:46:30"}]).runs[0]
    assert run.spans == ((720.0, 990.0),)
    assert run.spans_from == "times"


def test_seconds_are_the_file_s_own() -> None:
    rows = [{"run": 1, "position": "tall", "start": "150,5", "end": "400"}]
    run = session(rows, ride(None, own_time_start_s=100.0)).runs[0]
    assert run.spans == ((50.5, 300.0),)


def test_a_ride_past_midnight_and_a_repeated_hour() -> None:
    late = ride(dt.datetime(2026, 5, 9, 22, 45, tzinfo=dt.UTC))  # 23:45 in Lisbon
    run = session([{"run": 1, "position": "tall", "start": "23:55", "end": "00:05"}], late).runs[0]
    assert run.spans == ((600.0, 1200.0),)
    # 25 October 2026: 01:00 to 02:00 comes twice in Lisbon; this ride is in the second.
    autumn = ride(dt.datetime(2026, 10, 25, 1, 10, tzinfo=dt.UTC))
    rows = [{"run": 1, "position": "tall", "start": "01:20", "end": "01:25"}]
    assert session(rows, autumn, date=dt.date(2026, 10, 25)).runs[0].spans == ((600.0, 900.0),)


def test_times_an_hour_off_are_told_the_shift() -> None:
    with pytest.raises(SessionError, match=r"moved by \+1 hour"):
        session([{"run": 1, "position": "tall", "start": "06:42", "end": "06:46"}])


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ({"run": 1, "position": "tal", "laps": "2"}, "did you mean 'tall'"),
        ({"run": 1, "position": "tall", "laps": "14"}, "lap 14 is not in ride.csv"),
        ({"run": 1, "position": "tall", "laps": "4", "start": "07:42", "end": "07:46"}, "both"),
        ({"run": 1, "position": "tall", "start": "07:46", "end": "07:42"}, "not after"),
        ({"run": 1, "position": "tall", "start": "07:46"}, "end"),
        ({"run": 1, "position": "tall", "laps": "06-Apr"}, "4+6"),
        ({"run": 1, "position": "tall", "start": "0.32", "end": "0.33"}, "07:40"),
        ({"run": "one", "position": "tall"}, "is not a number"),
        ({"run": 1, "position": "tall", "use": "maybe"}, "yes or no"),
    ],
)
def test_a_mistake_in_a_row_is_named_with_its_row(row: dict[str, object], says: str) -> None:
    with pytest.raises(SessionError) as caught:
        session([{"run": 9, "position": "low", "laps": "1"}, row])
    assert says in str(caught.value)
    assert "row 3" in str(caught.value)


def test_a_run_number_twice_and_a_lap_twice_are_refused() -> None:
    rows = [{"run": 1, "position": "low", "laps": "1"}, {"run": 1, "position": "low", "laps": "1"}]
    with pytest.raises(SessionError, match="2 mistakes"):
        session(rows)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("newline", ["\n", "\r\n", "\r"])
def test_a_sheet_back_from_a_spreadsheet_is_read(encoding, delimiter, newline) -> None:
    lines = [["run", "position", "laps", "note"], ["1", "tall", "4", "açúcar"], ["", "", "", ""]]
    data = newline.join(delimiter.join(line) for line in lines).encode(encoding)
    rows, _ = parse_table(data, "runs.csv", COLUMNS, ("run",))
    assert rows == [(2, {"run": "1", "position": "tall", "laps": "4", "note": "açúcar"})]


def test_options_are_applied_and_recorded() -> None:
    options = {"positions.low.hold_share": "0.5", "air.sea_level_pressure_hpa": "1020"}
    made = build_session(SETTINGS, [ride()], overrides=options)
    assert made.settings.positions[1].hold_share == 0.5
    assert made.settings.air.pressure_hpa is None  # the option takes its place
    assert made.sources["positions.low.hold_share"] == "option"
    assert made.sources["rider.mass_kg"] == "file"
    assert made.sources["bike.wheel_radius_m"] == "default"
    with pytest.raises(SessionError, match="did you mean 'low'"):
        build_session(SETTINGS, [ride()], overrides={"positions.lowe.hold_share": "0.5"})


@pytest.mark.parametrize("name", ["../x.csv", "/etc/passwd", "C:\\x.csv", "a/../../x", "", "a\0b"])
def test_no_file_outside_the_folder_is_touched(tmp_path: Path, name: str) -> None:
    with pytest.raises(SessionError, match="leads out"):
        inside_folder(tmp_path, name, "photo")


def test_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "secret").write_text("x")
    (tmp_path / "test").mkdir()
    (tmp_path / "test" / "photo.jpg").symlink_to(tmp_path / "secret")
    with pytest.raises(SessionError, match="leads out"):
        inside_folder(tmp_path / "test", "photo.jpg", "photo")


def test_a_written_folder_loads_back_and_fills_only_empty_rows(tmp_path: Path) -> None:
    folder = tmp_path / "road"
    rows = [{"run": 1, "position": "tall", "start": "07:31", "end": "07:34", "note": 'a, "b"'},
            {"run": 2, "position": "low"}]  # fmt: skip
    write_session_folder(folder, SETTINGS, rows)
    write_ride(folder)
    loaded = load_session(folder)
    assert loaded.settings == validate_model(SETTINGS, SessionSettings, where="")
    assert loaded.runs[0].spans == ((60.0, 240.0),)
    assert loaded.runs[0].note == 'a, "b"'
    assert [i.name for i in loaded.inputs] == ["session.toml", "runs.csv", "ride.csv"]
    assert pickle.loads(pickle.dumps(loaded)).runs == loaded.runs
    before = (folder / "runs.csv").read_bytes()
    kept = fill_runs(folder, {2: {"start": "07:35", "end": "07:38"}})
    assert kept.read_bytes() == before
    assert load_session(folder).runs[1].spans == ((300.0, 480.0),)
    with pytest.raises(SessionError, match="filled already"):
        fill_runs(folder, {1: {"laps": "3"}})
    with pytest.raises(OutputError, match="already"):
        write_session_folder(folder, SETTINGS, rows)


def test_the_guide_goes_from_nothing_to_fit(tmp_path: Path) -> None:
    folder = tmp_path / "road"
    assert "plan" in str(guide(folder).command)
    rows = [{"run": 1, "position": "tall"}, {"run": 2, "position": "low"}]
    bare = {k: v for k, v in SETTINGS.items() if k not in ("rider", "air")}
    write_session_folder(folder, bare, rows)
    assert "Weigh the rider" in guide(folder).message
    write_session_folder(folder, bare | {"rider": {"mass_kg": 70.0}}, rows, force=True)
    assert "copy" in guide(folder).message
    write_ride(folder)
    assert "temperature" in guide(folder).message
    write_session_folder(folder, SETTINGS, rows, force=True)
    assert guide(folder).command == f"cda check {folder} --match"
    fill_runs(folder, {1: {"start": "07:31", "end": "07:34"}})
    assert "cda fit" in str(guide(folder).command)


def test_air_readings_are_in_seconds_of_the_recording(tmp_path: Path) -> None:
    settings_ = SETTINGS | {"air": {"readings": "air.csv"}}
    write_session_folder(tmp_path, settings_, [{"run": 1, "position": "tall"}])
    write_ride(tmp_path)
    (tmp_path / "air.csv").write_text("time;temperature_c\n07:40;13,5\n07:30;12,0\n")
    readings = load_session(tmp_path).air_readings
    assert [(r.time_s, r.temperature_c, r.pressure_hpa) for r in readings] == [
        (0.0, 12.0, None),
        (600.0, 13.5, None),
    ]
    (tmp_path / "air.csv").write_text("time;temperature_c\n07:40;286\n25:00;12\n")
    with pytest.raises(SessionError, match="2 mistakes"):
        load_session(tmp_path)


def test_mercury_at_the_coast_is_not_taken_for_a_mountain(tmp_path: Path) -> None:
    air = {"temperature_c": 13.0, "pressure_hpa": 755.0}
    write_session_folder(tmp_path, SETTINGS | {"air": air}, [{"run": 1, "position": "tall"}])
    write_ride(tmp_path)
    with pytest.raises(SessionError, match=r"mmHg: write 1006\.6"):
        load_session(tmp_path)


def test_of_two_copies_of_a_ride_the_richest_is_used(tmp_path: Path) -> None:
    write_session_folder(tmp_path, SETTINGS, [{"run": 1, "position": "tall"}])
    write_ride(tmp_path)
    lines = (tmp_path / "ride.csv").read_text().splitlines()
    poorer = [line.rsplit(",", 1)[0] for line in lines]  # without altitude
    (tmp_path / "copy.csv").write_text("\n".join(poorer) + "\n")
    loaded = load_session(tmp_path)
    assert [r.name for r in loaded.recordings] == ["ride.csv"]
    assert any(f.code == "recording-copy" and f.where == "copy.csv" for f in loaded.findings)


def test_the_schema_tells_unit_meaning_and_source_of_every_default() -> None:
    rows = {row["key"]: row for row in schema_rows("session")}
    assert rows["rider.mass_kg"]["default"] == "required"
    assert rows["rider.mass_kg"]["unit"] == "kg"
    assert rows["positions[].hold_share"]["limits"] == "0 to 1"
    for key, row in rows.items():
        assert row["meaning"], key
        assert row["source"], key
        if re.search(r"_(kg|m|w|s|hpa|c|deg|m_s|w_per_h)$", key):
            assert row["unit"], key
    assert schema_json("session")["additionalProperties"] is False


TEXT = st.text(st.characters(exclude_categories=["Cs"]), max_size=30)


@settings(max_examples=60, deadline=None)
@given(
    title=TEXT,
    label=TEXT.filter(bool),
    mass=st.floats(30, 200),
    share=st.floats(0, 1),
    date=st.dates(),
    gate=st.tuples(st.floats(-90, 90), st.floats(-180, 180)).map(list),
)
def test_any_settings_come_back_from_the_file_as_they_went(
    title, label, mass, share, date, gate
) -> None:
    data = SETTINGS | {
        "title": title,
        "date": date,
        "rider": {"mass_kg": mass},
        "course": {"gate_a": gate, "gate_b": gate},
        "positions": [{"id": "a", "label": label, "hold_share": share}],
    }
    wanted = validate_model(data, SessionSettings, where="")
    for source in (data, wanted):
        again = validate_model(parse_toml(session_toml(source), "s"), SessionSettings, where="s")
        assert again == wanted


@settings(max_examples=150, deadline=None)
@given(st.binary(max_size=300), st.booleans())
def test_any_bytes_as_a_sheet_give_a_result_or_a_message(data: bytes, headed: bool) -> None:
    head = b"run,position,laps,start,end,use,comfort\n1,tall," if headed else b""
    with contextlib.suppress(CdaError):
        rows, _ = parse_table(head + data, "runs.csv", COLUMNS, ("run", "position"))
        session([row for _, row in rows])


CELL = st.text("0123456789:-+./, TZAPM'ea", max_size=20)


@settings(max_examples=150, deadline=None)
@given(CELL, CELL, CELL)
def test_any_cells_give_a_result_or_a_message(laps: str, start: str, end: str) -> None:
    with contextlib.suppress(CdaError):
        session([{"run": 1, "position": "tall", "laps": laps, "start": start, "end": end}])


@settings(max_examples=150, deadline=None)
@given(st.text(max_size=80), st.integers(0, 400), st.integers(0, 400))
def test_any_mutation_of_a_settings_file_gives_a_result_or_a_message(
    junk: str, start: int, length: int
) -> None:
    good = session_toml(SETTINGS)
    with contextlib.suppress(CdaError):
        data = parse_toml(good[:start] + junk + good[start + length :], "session.toml")
        validate_model(data, SessionSettings, where="session.toml")
