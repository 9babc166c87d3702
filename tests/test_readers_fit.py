"""FIT: fields, compressed stamps, developer fields, sports, local time, and damage."""

from __future__ import annotations

import gzip
import importlib.util
import struct
from pathlib import Path

import numpy as np
import pytest

from cda.errors import MissingChannelError, RecordingError
from cda.readers import read_recording

_SPEC = importlib.util.spec_from_file_location(
    "fit_bytes", Path(__file__).with_name("fit_bytes.py")
)
assert _SPEC is not None
assert _SPEC.loader is not None
fb = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(fb)

WHOLE = fb.fit_file(fb.PLAIN, *(fb.plain(t, 200 + t % 7) for t in range(100)))


def read(tmp_path, data, name="ride.fit"):
    (tmp_path / name).write_bytes(data)
    return read_recording(tmp_path / name)


def codes(recording):
    return [f.code for f in recording.findings]


def test_plain_fields_come_in_si_units(tmp_path):
    ride = read(tmp_path, WHOLE)
    assert ride.time_s[-1] == 99.0
    assert (ride.power_w[5], ride.speed_m_s[5], ride.distance_m[5]) == (205.0, 10.0, 50.0)
    assert (ride.altitude_m[0], ride.heart_rate_bpm[0]) == (70.0, 140.0)
    # 631065600 is Unix time of 1989-12-31T00:00:00Z.
    assert ride.start_utc.timestamp() == 631_065_600 + fb.START
    assert ride.findings == ()
    assert not ride.power_w.flags.writeable


def test_gzip_and_wrong_extension_give_the_same_ride(tmp_path):
    for name, data in (("ride.fit.gz", gzip.compress(WHOLE)), ("ride.csv", WHOLE)):
        ride = read(tmp_path, data, name)
        assert ride.format == "fit"
        assert np.array_equal(ride.power_w, read(tmp_path, WHOLE).power_w)


def test_invalid_power_is_missing_not_65535(tmp_path):
    ride = read(
        tmp_path, fb.fit_file(fb.PLAIN, *(fb.plain(t, [200, 0xFFFF][t == 3]) for t in range(9)))
    )
    assert np.flatnonzero(np.isnan(ride.power_w)).tolist() == [3]


def test_enhanced_fields_count_before_plain_ones(tmp_path):
    define = fb.definition(0, fb.RECORD, [(253, "I"), (7, "H"), (6, "H"), (73, "I"), (78, "I")])
    rows = [fb.message(0, "IHHII", fb.START + t, 200, 9000, 12_000, 5 * 600) for t in range(5)]
    ride = read(tmp_path, fb.fit_file(define, *rows))
    assert np.all(ride.speed_m_s == 12.0)
    assert np.all(ride.altitude_m == 100.0)


def test_compressed_stamps_count_on_over_their_32_seconds(tmp_path):
    define = fb.definition(1, fb.RECORD, [(7, "H"), (6, "H")])
    rows = [
        struct.pack("<BHH", 0x80 | (1 << 5) | ((fb.START + t) & 31), 200 + t, 10_000)
        for t in range(1, 80)
    ]
    ride = read(tmp_path, fb.fit_file(fb.PLAIN, fb.plain(0), define, *rows))
    assert np.array_equal(ride.time_s, np.arange(80.0))
    assert ride.power_w[79] == 279.0


def test_developer_airspeed_and_yaw_by_name_and_unit(tmp_path):
    describe = fb.definition(
        2, fb.FIELD_DESCRIPTION, [(0, "B"), (1, "B"), (2, "B"), (3, "16s"), (8, "8s")]
    )
    parts = [
        fb.definition(1, fb.DEVELOPER_DATA_ID, [(3, "B")]),
        fb.message(1, "B", 0),
        describe,
        fb.message(2, "BBB16s8s", 0, 0, 0x88, b"Air Speed", b"km/h"),
        fb.message(2, "BBB16s8s", 0, 1, 0x88, b"yaw", b"deg"),
        fb.message(2, "BBB16s8s", 0, 2, 0x88, b"core_mood", b""),
        fb.definition(
            0, fb.RECORD, [(253, "I"), (7, "H"), (6, "H")], [(0, "f"), (1, "f"), (2, "f")]
        ),
        *(fb.message(0, "IHHfff", fb.START + t, 200, 10_000, 39.6, -4.0, 1.0) for t in range(5)),
    ]
    ride = read(tmp_path, fb.fit_file(*parts))
    assert ride.airspeed_m_s == pytest.approx(np.full(5, 11.0), rel=1e-6)
    assert np.all(ride.yaw_deg == -4.0)
    assert "core_mood" in next(f.message for f in ride.findings if f.code == "columns-left-out")


def test_laps_have_trigger_and_local_time_gives_the_offset(tmp_path):
    lap = fb.definition(1, fb.LAP, [(253, "I"), (2, "I"), (7, "I"), (24, "B")])
    activity = fb.definition(2, fb.ACTIVITY, [(253, "I"), (5, "I")])
    rows = [fb.plain(t) for t in range(61)]
    s = fb.START
    ride = read(
        tmp_path,
        fb.fit_file(
            fb.PLAIN, *rows, lap, fb.message(1, "IIIB", s + 30, s, 30_000, 0),
            # This lap's message was stamped 20 minutes late; its elapsed time is right.
            fb.message(1, "IIIB", s + 1260, s + 30, 30_000, 7),
            activity, fb.message(2, "II", s + 60, s + 60 + 7200),
        ),
    )  # fmt: skip
    assert [(p.number, p.start_s, p.end_s, p.trigger) for p in ride.laps] == [
        (1, 0.0, 30.0, "manual"),
        (2, 30.0, 60.0, "session_end"),
    ]
    assert ride.utc_offset_s == 7200.0


def test_only_the_bike_leg_of_a_file_with_several_sports_is_kept(tmp_path):
    session = fb.definition(1, fb.SESSION, [(253, "I"), (2, "I"), (7, "I"), (5, "B")])
    s = fb.START
    ride = read(
        tmp_path,
        fb.fit_file(
            fb.PLAIN, *(fb.plain(t) for t in range(100)), session,
            fb.message(1, "IIIB", s + 40, s, 40_000, 5),
            fb.message(1, "IIIB", s + 99, s + 41, 58_000, 2),
        ),
    )  # fmt: skip
    assert len(ride.time_s) == 59
    assert "other-sports-left-out" in codes(ride)


def test_several_samples_a_second_are_spread_over_it(tmp_path):
    rows = [fb.plain(t // 4, 200, 10.0, 2.5 * t) for t in range(40)]
    ride = read(tmp_path, fb.fit_file(fb.PLAIN, *rows))
    assert np.allclose(np.diff(ride.time_s), 0.25)
    assert "stamps-spread" in codes(ride)


def test_clock_set_back_is_repaired_where_distance_runs_on(tmp_path):
    rows = [fb.plain(t if t < 50 else t - 30, 200, 10.0, 10.0 * t) for t in range(100)]
    ride = read(tmp_path, fb.fit_file(fb.PLAIN, *rows))
    assert np.all(np.diff(ride.time_s) == 1.0)
    assert len(ride.time_s) == 100
    assert "clock-set-back" in codes(ride)


@pytest.mark.parametrize(
    ("damage", "samples", "code"),
    [
        (lambda d: d[: 14 + 24 + 40 * 16 + 7], 40, "recording-cut"),
        (lambda d: d[:-1] + bytes([d[-1] ^ 1]), 100, "recording-crc"),
        (lambda d: d[:4] + b"\0\0\0\0" + d[8:], 100, "recording-cut"),
        (lambda d: d + b"and something else", 100, "trailing-bytes"),
        (lambda d: d + d, 100, "devices-joined"),
        (lambda d: gzip.compress(d, 0)[:900], None, "recording-cut"),
    ],
    ids=["cut", "crc", "size 0", "trailing", "twice", "cut gzip"],
)
def test_damage_is_read_up_to_the_break_and_reported(tmp_path, damage, samples, code):
    ride = read(tmp_path, damage(WHOLE))
    assert code in codes(ride)
    assert codes(ride).count("recording-cut") <= 1
    assert len(ride.time_s) == samples or samples is None


@pytest.mark.parametrize("data", [b"", b"\0" * 50, WHOLE[:14], WHOLE[:9], b"hello", b"\x1f\x8bxx"])
def test_nothing_usable_is_one_clear_error(tmp_path, data):
    with pytest.raises(RecordingError, match="To fix: "):
        read(tmp_path, data)


def test_no_power_names_what_was_found(tmp_path):
    define = fb.definition(0, fb.RECORD, [(253, "I"), (6, "H")])
    rows = [fb.message(0, "IH", fb.START + t, 10_000) for t in range(5)]
    with pytest.raises(MissingChannelError, match="no channel power_w \\(found: speed_m_s\\)"):
        read(tmp_path, fb.fit_file(define, *rows))
