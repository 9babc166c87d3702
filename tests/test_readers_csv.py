"""CSV: separators, decimal signs, clocks, other people's columns, hostile content."""

from __future__ import annotations

import gzip

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from cda.errors import CdaError, MissingChannelError, RecordingError
from cda.readers import looks_like_recording_csv, read_recording

HEAD = "time_s,power_w,speed_m_s,lap\n"
TEXT = HEAD + "".join(f"{i + 7},{200 + i % 7},{10 + i % 3 / 10},{1 + i // 20}\n" for i in range(60))


def read(tmp_path, text, name="ride.csv", **options):
    data = text.encode() if isinstance(text, str) else text
    (tmp_path / name).write_bytes(data)
    return read_recording(tmp_path / name, **options)


@pytest.mark.parametrize(
    "data",
    [
        TEXT.encode(),
        ("\ufeff" + TEXT).encode(),
        TEXT.encode("utf-16"),
        TEXT.replace("\n", "\r\n").encode(),
        TEXT.replace("\n", "\r").encode(),
        TEXT.replace(",", ";").replace(".", ",").encode(),
        TEXT.replace(",", "\t").encode(),
        gzip.compress(TEXT.encode()),
    ],
)
def test_every_spreadsheet_dialect_gives_the_same_numbers(tmp_path, data):
    ride = read(tmp_path, data)
    i = np.arange(60)
    assert np.array_equal(ride.time_s, i)
    assert np.array_equal(ride.power_w, 200.0 + i % 7)
    assert np.allclose(ride.speed_m_s, 10 + i % 3 / 10)
    assert ride.own_time_start_s == 7.0
    assert ride.start_utc is None
    # A stamp ends its interval: lap 2 begins at the last stamp of lap 1.
    assert [(p.number, p.start_s, p.end_s) for p in ride.laps] == [
        (1, 0.0, 19.0), (2, 19.0, 39.0), (3, 39.0, 59.0),
    ]  # fmt: skip
    # Distance is the integral of speed, by the trapezoid.
    assert ride.distance_source == "speed"
    assert ride.distance_m[-1] == pytest.approx(np.trapezoid(ride.speed_m_s, ride.time_s))


@pytest.mark.parametrize(
    ("stamp", "offset", "seconds"),
    [("Z", None, 0), ("+01:00", 3600.0, -3600), ("-0330", -12600.0, 12600), ("", 0.0, 0)],
)
def test_clock_times_with_and_without_offset(tmp_path, stamp, offset, seconds):
    rows = "".join(f"2026-05-09T07:42:{i:02d}{stamp},200,10\n" for i in range(9))
    ride = read(tmp_path, "time,power_w,speed_m_s\n" + rows)
    # date -u -d 2026-05-09T07:42:00Z +%s
    assert ride.start_utc.timestamp() == 1_778_312_520 + seconds
    assert ride.utc_offset_s == offset
    assert ("time-without-offset" in [f.code for f in ride.findings]) == (stamp == "")


def test_units_in_other_peoples_headers_are_converted_and_reported(tmp_path):
    head = "Seconds,Power (W),Speed [km/h],Elevation (ft),Temp (°F),Distance mi,Mood\n"
    ride = read(tmp_path, head + "".join(f"{i},200,36,1000,50,{i},x\n" for i in range(5)))
    assert np.allclose(ride.speed_m_s, 10.0)
    assert np.allclose(ride.altitude_m, 304.8)
    assert np.allclose(ride.temperature_c, 10.0)
    assert ride.distance_m[1] == pytest.approx(1609.344)
    found = {f.code: f.message for f in ride.findings}
    assert "'Speed [km/h]' as speed_m_s from km/h" in found["columns-converted"]
    assert found["columns-left-out"] == "columns left out: Mood"


def test_a_column_can_be_named(tmp_path):
    text = "time_s,left leg,speed_m_s\n0,100,10\n1,110,10\n"
    assert read(tmp_path, text, columns={"power_w": "left leg"}).power_w[1] == 110.0
    with pytest.raises(RecordingError, match="no column 'right leg' for power_w"):
        read(tmp_path, text, columns={"power_w": "right leg"})


def test_empty_is_missing_and_speed_comes_from_distance(tmp_path):
    text = "time_s,power_w,distance_m\n" + "".join(
        f"{2 * i},{'' if i == 3 else 150 + i},{20 * i}\n" for i in range(9)
    )
    ride = read(tmp_path, text)
    assert np.flatnonzero(np.isnan(ride.power_w)).tolist() == [3]
    assert np.allclose(ride.speed_m_s, 10.0)
    assert ride.speed_source == "distance"


def test_missing_speed_sample_is_derived_from_distance(tmp_path):
    text = "time_s,power_w,speed_m_s,distance_m\n" + "".join(
        f"{i},{150 + i},{'' if i == 4 else 8},{8 * i}\n" for i in range(9)
    )
    ride = read(tmp_path, text)
    assert ride.speed_m_s[4] == pytest.approx(8.0)
    assert "samples-derived" in [f.code for f in ride.findings]


def test_numbers_out_of_this_world_are_missing_and_counted(tmp_path):
    text = "time_s,power_w,speed_m_s\n0,inf,10\n1,1e300,10\n2,-5,10\n3,180,10\n4,190,10\n"
    ride = read(tmp_path, text)
    assert np.isnan(ride.power_w).sum() == 3
    assert any(f.message.startswith("3 values outside 0 to 3000") for f in ride.findings)


def test_distance_that_starts_again_is_carried_on(tmp_path):
    text = "time_s,power_w,distance_m\n" + "".join(
        f"{i},{150 + i},{10 * (i % 5)}\n" for i in range(10)
    )
    ride = read(tmp_path, text)
    # 0..40, then 0..40 set upon the 40 reached before.
    assert ride.distance_m.tolist() == [0, 10, 20, 30, 40, 40, 50, 60, 70, 80]
    assert "distance-repaired" in [f.code for f in ride.findings]


def test_frozen_power_is_reported(tmp_path):
    rows = "".join(f"{i},{200 if 20 <= i < 60 else 180 + i % 9},10\n" for i in range(90))
    ride = read(tmp_path, "time_s,power_w,speed_m_s\n" + rows)
    assert [f.severity for f in ride.findings if f.code == "power-frozen"] == ["warning"]


@pytest.mark.parametrize(
    ("text", "error", "match"),
    [
        ("time_s,speed_m_s\n0,1\n1,2\n", MissingChannelError, r"power_w \(found: speed_m_s\)"),
        ("time_s,power_w\n0,1\n1,2\n", MissingChannelError, "neither speed_m_s nor distance_m"),
        ("power_w,speed_m_s\n0,1\n1,2\n", RecordingError, "no column time or time_s"),
        ("time,power_w,speed_m_s\nnoon,1,2\n1pm,1,2\n", RecordingError, "ISO 8601"),
        (HEAD, RecordingError, "no channel power_w"),
        (bytes(range(256)), RecordingError, "not a text file"),
        (HEAD + "1,2,3,4\n" * 1_100_000, RecordingError, "at most 1000000 are read"),
        (gzip.compress(b"0" * 210_000_000, 1), RecordingError, "larger than 200 MB"),
    ],
    ids=["power", "speed", "time", "iso", "header", "binary", "rows", "bomb"],
)
def test_what_cannot_be_read_is_one_clear_error(tmp_path, text, error, match):
    with pytest.raises(error, match=match):
        read(tmp_path, text)


def test_recording_csv_is_told_from_a_run_sheet(tmp_path):
    (tmp_path / "a.csv").write_text(TEXT)
    (tmp_path / "b.csv").write_text("run,position,laps\n1,tall,1\n")
    assert looks_like_recording_csv(tmp_path / "a.csv")
    assert not looks_like_recording_csv(tmp_path / "b.csv")
    assert not looks_like_recording_csv(tmp_path / "c.csv")


@settings(
    max_examples=150, deadline=None, derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)  # fmt: skip
@given(
    spots=st.lists(st.tuples(st.integers(0, len(TEXT) - 1), st.integers(0, 255)), max_size=8),
    end=st.integers(0, len(TEXT)),
)
def test_any_mutation_is_a_recording_or_a_cda_error(tmp_path, spots, end):
    data = bytearray(TEXT.encode())
    for place, byte in spots:
        data[place] = byte
    try:
        ride = read(tmp_path, bytes(data[:end]))
    except CdaError:
        return
    assert np.all(np.diff(ride.time_s) > 0)


def test_a_first_stamp_that_is_missing_is_no_text(tmp_path):
    rows = ["time,power_w,speed_m_s", ",200,10", "2026-05-09T07:00:01Z,201,10",
            "2026-05-09T07:00:02Z,202,10", "not a time,203,10"]  # fmt: skip
    path = tmp_path / "ride.csv"
    path.write_text("\n".join(rows) + "\n")
    ride = read_recording(path)
    assert list(ride.power_w) == [201.0, 202.0]
    assert "stamps-unusable" in {f.code for f in ride.findings}
