"""TCX and GPX: extensions by local name, laps, sports, breaks, entities, bounds."""

from __future__ import annotations

import gzip
import importlib.util
import time
from pathlib import Path

import numpy as np
import pytest

from cda.errors import MissingChannelError, RecordingError
from cda.readers import read_recording

_SPEC = importlib.util.spec_from_file_location(
    "ride_files", Path(__file__).with_name("ride_files.py")
)
assert _SPEC is not None
assert _SPEC.loader is not None
rf = importlib.util.module_from_spec(_SPEC)
_SPEC.loader.exec_module(rf)

START = 1_778_312_520  # date -u -d 2026-05-09T07:42:00Z +%s
N = 100
I = np.arange(N)  # noqa: E741
CLOCK = START + I.astype(float)
COLUMNS = {
    "power_w": 200.0 + I % 7,
    "speed_m_s": np.full(N, 10.0),
    "distance_m": 10.0 * I,
    "altitude_m": 70.0 + (I % 5) / 5,
    "latitude_deg": 40.0 + I / 1e4,
    "longitude_deg": np.full(N, -31.0),
    "cadence_rpm": np.full(N, 85.0),
    "heart_rate_bpm": 140.0 + I % 3,
}
LAPS = [(START, START + 40.0, "Manual"), (START + 40.0, START + 99.0, "Distance")]
TCX = rf.tcx(CLOCK, COLUMNS, LAPS)
GPX = rf.gpx(CLOCK, COLUMNS)
POINT = {"time": "2026-05-09T07:42:00Z", "power_w": "200", "speed_m_s": "10"}


def read(tmp_path, text, name):
    data = text.encode() if isinstance(text, str) else text
    (tmp_path / name).write_bytes(data)
    return read_recording(tmp_path / name)


def codes(recording):
    return [f.code for f in recording.findings]


def with_rows(rows):
    return rf.TCX_HEAD + rf.tcx_lap(START, 50, "Manual", rows) + rf.TCX_FOOT


@pytest.mark.parametrize(("name", "text"), [("ride.tcx", TCX), ("ride.gpx", GPX)])
@pytest.mark.parametrize(
    "wrap",
    [
        str.encode,
        lambda t: gzip.compress(t.encode()),
        lambda t: gzip.compress(t[:999].encode()) + gzip.compress(t[999:].encode()),
        lambda t: b"\xef\xbb\xbf\r\n" + t.encode(),
        lambda t: t.replace("UTF-8", "UTF-16").encode("utf-16"),
        lambda t: t.replace("UTF-8", "ISO-8859-1").replace("<trkseg>", "<trkseg><!-- ö -->").encode(
            "latin-1"
        ),
    ],
    ids=["plain", "gzip", "two members", "mark", "utf-16", "latin"],
)  # fmt: skip
def test_every_channel_arrives_in_si_units(tmp_path, name, text, wrap):
    ride = read(tmp_path, wrap(text), name)
    assert ride.format == name[-3:]
    assert np.array_equal(ride.time_s, I)
    for key, values in COLUMNS.items():
        assert np.allclose(getattr(ride, key), values, rtol=0, atol=1e-9), key
    assert ride.start_utc.timestamp() == START
    assert ride.utc_offset_s is None
    assert ride.findings == ()
    assert (ride.speed_source, ride.distance_source) == ("recorded", "recorded")


def test_wrong_extension_does_not_matter(tmp_path):
    for name, text in (("a.csv", TCX), ("b.tcx", GPX), ("c.fit", GPX)):
        assert len(read(tmp_path, text, name).time_s) == N


def test_laps_of_tcx_have_start_end_and_trigger(tmp_path):
    ride = read(tmp_path, TCX, "ride.tcx")
    assert [(p.number, p.start_s, p.end_s, p.trigger) for p in ride.laps] == [
        (1, 0.0, 40.0, "manual"),
        (2, 40.0, 99.0, "distance"),
    ]


def test_a_pause_inside_a_lap_does_not_shorten_it(tmp_path):
    # TotalTimeSeconds leaves the pause out; the last sample of the lap shows it.
    text = TCX.replace("<TotalTimeSeconds>40.0<", "<TotalTimeSeconds>30.0<")
    assert read(tmp_path, text, "ride.tcx").laps[0].end_s == 40.0


def test_automatic_laps_by_place_carry_the_name_that_fit_has(tmp_path):
    ride = read(tmp_path, TCX.replace("Manual", "Location"), "ride.tcx")
    assert ride.laps[0].trigger == "position_lap"


def test_only_the_bike_leg_is_kept_and_laps_keep_their_numbers(tmp_path):
    swim = TCX.partition("<Activities>")[2].partition("</Activities>")[0]
    swim = swim.replace("Biking", "Other").replace("T07:", "T06:")
    ride = read(tmp_path, TCX.replace("<Activities>", "<Activities>" + swim), "ride.tcx")
    assert len(ride.time_s) == N
    assert [p.number for p in ride.laps] == [3, 4]
    assert "other-sports-left-out" in codes(ride)
    run = GPX.partition("<trk>")[2].partition("</trk>")[0].replace("cycling", "running")
    run = "<trk>" + run.replace("T07:", "T06:") + "</trk><trk>"
    ride = read(tmp_path, GPX.replace("<trk>", run, 1), "ride.gpx")
    assert len(ride.time_s) == N
    assert "100 samples of other sports (running)" in ride.findings[0].message


def test_missing_is_missing_never_zero(tmp_path):
    columns = COLUMNS | {"power_w": np.where(I % 10 == 3, np.nan, 210.0)}
    for name, text in (
        ("ride.tcx", rf.tcx(CLOCK, columns, LAPS)),
        ("ride.gpx", rf.gpx(CLOCK, columns)),
    ):
        ride = read(tmp_path, text, name)
        assert np.flatnonzero(np.isnan(ride.power_w)).tolist() == list(range(3, N, 10))
    text = GPX.replace("<power>203</power>", "<power/>").replace(
        "<x:cad>85</x:cad>", "<x:cad>n/a</x:cad><x:mood>7</x:mood>", 5
    )
    ride = read(tmp_path, text, "ride.gpx")
    assert np.all(np.isnan(ride.power_w[I % 7 == 3]))
    assert np.isnan(ride.cadence_rpm).sum() == 5
    found = {f.code: f.message for f in ride.findings}
    assert found["fields-unreadable"].startswith("5 fields")
    assert found["columns-left-out"] == "extensions left out: mood"


def test_gpx_without_speed_takes_distance_from_positions_and_says_so(tmp_path):
    bare = {k: v for k, v in COLUMNS.items() if k not in ("speed_m_s", "distance_m")}
    latitude = COLUMNS["latitude_deg"].copy()
    latitude[50] += 1.0  # one fix 111 km off
    ride = read(tmp_path, rf.gpx(CLOCK, bare | {"latitude_deg": latitude}), "ride.gpx")
    assert (ride.speed_source, ride.distance_source) == ("gps", "gps")
    # Radius of the meridian of WGS84 at 40°: a(1-e²)/(1-e² sin²φ)^1.5 = 6 361 816 m.
    step = 6_361_816 * np.radians(1e-4)
    assert ride.distance_m[-1] == pytest.approx(99 * step, rel=1e-4)
    # Where neither is known, speed stays missing.
    assert np.flatnonzero(np.isnan(ride.speed_m_s)).tolist() == [50]
    assert np.allclose(np.delete(ride.speed_m_s, 50), step, rtol=1e-3)
    assert "positions-jump" in codes(ride)


def test_times_with_and_without_offset(tmp_path):
    local = TCX.replace("T07:", "T09:").replace(".000Z", "+02:00")
    ride = read(tmp_path, local, "ride.tcx")
    assert (ride.start_utc.timestamp(), ride.utc_offset_s) == (START, 7200.0)
    ride = read(tmp_path, TCX.replace(".000Z", ""), "ride.tcx")
    assert (ride.utc_offset_s, codes(ride)) == (0.0, ["time-without-offset"])
    assert read(tmp_path, TCX.replace(".000Z", "+00:00"), "ride.tcx").utc_offset_s is None


@pytest.mark.parametrize(
    ("damage", "samples", "code"),
    [
        (lambda t: t[: t.index("07:42:50") + 60], 50, "recording-cut"),
        (lambda t: t.replace("07:42:50", "07:4\x01:50"), 50, "recording-cut"),
        (lambda t: t.encode().replace(b"07:42:50", b"07:4\xff:50"), 50, "recording-cut"),
        (lambda t: t + "\0" * 500, 100, "trailing-bytes"),
        (lambda t: t + t, 100, "trailing-bytes"),
        (lambda t: gzip.compress(t.encode(), 0)[:9000], None, "recording-cut"),
        (lambda t: gzip.compress(t.encode())[:-8], 100, "recording-cut"),
        (lambda t: t.replace("07:42:50", "07:42:49"), 99, "stamps-duplicated"),
        (lambda t: t.replace("07:42:50", "1907:42:50"), 99, "stamps-unusable"),
    ],
    ids=["cut", "bad sign", "bad byte", "zeros", "twice", "cut gzip", "gzip tail", "dup", "stamp"],
)
@pytest.mark.parametrize(("name", "text"), [("ride.tcx", TCX), ("ride.gpx", GPX)])
def test_damage_is_read_up_to_the_break_and_reported(tmp_path, name, text, damage, samples, code):
    ride = read(tmp_path, damage(text), name)
    assert codes(ride).count(code) == 1
    assert len(ride.time_s) == samples or samples is None
    assert np.array_equal(ride.power_w[:20], COLUMNS["power_w"][:20])


def test_a_lap_that_the_break_cuts_is_not_a_lap(tmp_path):
    ride = read(tmp_path, TCX[: TCX.index("07:42:50")], "ride.tcx")
    assert [p.number for p in ride.laps] == [1]


BILLION = "<!DOCTYPE l [<!ENTITY a '" + "x" * 10_000 + "'>]>"
OUTSIDE = "<!DOCTYPE l SYSTEM 'file:///etc/passwd'>"


@pytest.mark.parametrize(("name", "text"), [("ride.tcx", TCX), ("ride.gpx", GPX)])
@pytest.mark.parametrize("declared", [BILLION, OUTSIDE, "<!DOCTYPE l>"])
def test_entities_and_document_types_are_refused(tmp_path, name, text, declared):
    head, _, rest = text.partition("\n")
    text = head + declared + rest.replace("ride</name>", "&a;" * 1000 + "</name>")
    with pytest.raises(RecordingError, match="declares a document type or entities"):
        read(tmp_path, text, name)


@pytest.mark.parametrize(
    "hostile",
    [
        GPX.replace("<trkseg>", "<trkseg>" + "<a>" * 3_000_000),
        GPX.replace("<trkseg>", "<trkseg><!-- " + "> " * 5_000_000 + "-->"),
        GPX.replace("<trkseg>", "<trkseg a='" + "x" * 10_000_000 + "'>"),
        GPX.replace("<trkseg>", "<trkseg>" + "text " * 2_000_000),
    ],
    ids=["nested", "comment", "attribute", "text"],
)
def test_what_would_grow_without_bound_is_a_break_and_quick(tmp_path, hostile):
    began = time.monotonic()
    with pytest.raises(RecordingError, match="no ride samples: the file breaks off after 0"):
        read(tmp_path, hostile, "ride.gpx")
    assert time.monotonic() - began < 5.0


@pytest.mark.parametrize(
    ("text", "error", "match"),
    [
        ("<html><body>Log in</body></html>", RecordingError, "neither TCX nor GPX"),
        ("<gpx", RecordingError, "no ride samples"),
        (rf.GPX_HEAD + rf.GPX_FOOT, RecordingError, "To fix: export the ride, not a route"),
        (GPX.replace("time>", "tome>"), RecordingError, "none of 100 points has a time"),
        (GPX.replace("trkpt", "rtept"), RecordingError, "no ride samples"),
        (GPX.replace("power>", "effort>"), MissingChannelError, "no channel power_w"),
        (TCX.replace("Activity", "Course"), RecordingError, "no ride samples"),
        (with_rows(rf.trackpoint(POINT)), RecordingError, "1 sample with a usable time stamp"),
    ],
    ids=["page", "start", "empty", "plan", "route", "no power", "course", "one"],
)
def test_what_cannot_be_read_is_one_clear_error(tmp_path, text, error, match):
    with pytest.raises(error, match=match):
        read(tmp_path, text, "ride.gpx")
