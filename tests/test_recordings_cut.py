"""A recording cut in the middle gives its whole runs; clocks pass midnight and winter time."""

from __future__ import annotations

import datetime as dt
import importlib.util
from pathlib import Path

import numpy as np
import pytest

from cda.analysis import estimate_cda
from cda.errors import SessionError
from cda.readers import read_recording
from cda.session import build_session, load_session
from cda.simulate import Scenario, simulate_session
from cda.simulate.write import write_session


def load(stem):
    spec = importlib.util.spec_from_file_location(stem, Path(__file__).with_name(f"{stem}.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


fb, rf = load("fit_bytes"), load("ride_files")
SCENARIO = Scenario(n_positions=2, runs_per_position=3, leg_length_m=600.0)
SETTINGS = {
    "time_zone": "Europe/Lisbon",
    "rider": {"mass_kg": 73.6},
    "bike": {"mass_kg": 9.8},
    "air": {"temperature_c": 13.0, "pressure_hpa": 1007.0},
    "positions": [{"id": "tall"}],
}


def as_fit(ride):
    """Return the ride as a FIT file whose laps are written when they end, as devices do."""
    lap = fb.definition(1, fb.LAP, [(253, "I"), (2, "I"), (7, "I"), (24, "B")])
    record = fb.definition(
        0, fb.RECORD,
        [(253, "I"), (7, "H"), (6, "H"), (5, "I"), (2, "H"), (0, "i"), (1, "i")],
    )  # fmt: skip
    parts, epoch, pending = [record, lap], 631_065_600, list(ride.raw_laps)
    c = ride.columns
    for i, clock in enumerate(ride.clock_s):
        while pending and pending[0].end_s < clock:
            p = pending.pop(0)
            parts.append(lap_message(p, epoch))
        parts.append(
            fb.message(
                0, "IHHIHii", int(clock - epoch), int(c["power_w"][i]),
                round(1000 * c["speed_m_s"][i]), round(100 * c["distance_m"][i]),
                round(5 * (c["altitude_m"][i] + 500)),
                round(c["latitude_deg"][i] * 2**31 / 180),
                round(c["longitude_deg"][i] * 2**31 / 180),
            )
        )  # fmt: skip
    return fb.fit_file(*parts, *(lap_message(p, epoch) for p in pending))


def lap_message(lap, epoch):
    start, end = int(lap.start_s - epoch), int(lap.end_s - epoch)
    return fb.message(1, "IIIB", end, start, 1000 * (end - start), 0)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    folder = tmp_path_factory.mktemp("cut")
    ride = simulate_session(SCENARIO, seed=5)
    write_session(ride, folder)
    (folder / "ride.csv").unlink()
    (folder / "ride.fit").write_bytes(as_fit(ride))
    toml = folder / "session.toml"
    toml.write_text(toml.read_text().replace("ride.csv", "ride.fit"))
    return folder


def cut(folder, share):
    data = (folder / "ride.fit").read_bytes()
    try:
        (folder / "ride.fit").write_bytes(data[: int(share * len(data))])
        return load_session(folder)
    finally:
        (folder / "ride.fit").write_bytes(data)


def test_runs_before_the_cut_are_estimated_and_the_rest_is_a_warning(folder):
    whole = load_session(folder)
    assert all(run.spans for run in whole.runs)
    session = cut(folder, 0.72)
    warnings = {f.code: f.message for f in session.findings if f.severity == "warning"}
    warnings |= {
        f.code: f.message for f in session.recordings[0].findings if f.severity == "warning"
    }
    assert "recording-cut" in warnings
    kept = [run.run for run in session.runs if run.spans]
    lost = [run.run for run in session.runs if not run.spans]
    assert kept == [1, 2, 3, 4]
    assert lost == [5, 6]
    assert "the end of run 5, 6," in warnings["run-behind-cut"]
    assert "run-not-ridden" not in {f.code for f in session.findings}
    # What lies before the break is what the whole file gives.
    for a, b in zip(whole.runs, session.runs, strict=True):
        assert a.spans == b.spans or not b.spans
    estimate = estimate_cda(session)
    assert sorted((p.id, p.runs) for p in estimate.positions) == sorted(
        (p.id, 2) for p in session.settings.positions
    )
    assert {"recording-cut", "run-behind-cut"} <= {f.code for f in estimate.findings}


def test_a_cut_before_the_first_run_ends_is_an_error(folder):
    with pytest.raises(SessionError, match="run 1 is not in the recording, which breaks off"):
        cut(folder, 0.1)


def test_a_lap_missing_from_a_whole_recording_stays_an_error(folder):
    sheet = (folder / "runs.csv").read_text()
    try:
        lines = sheet.splitlines()
        place = lines[0].split(",").index("laps")
        cells = lines[-1].split(",")
        cells[place] = "99"
        (folder / "runs.csv").write_text("\n".join([*lines[:-1], ",".join(cells)]) + "\n")
        with pytest.raises(SessionError, match="lap 99 is not in"):
            load_session(folder)
    finally:
        (folder / "runs.csv").write_text(sheet)


def test_a_csv_row_that_breaks_off_is_left_out(tmp_path):
    text = "time_s,power_w,speed_m_s\n" + "".join(f"{i},20{i % 3},10.5\n" for i in range(20))
    path = tmp_path / "ride.csv"
    path.write_text(text[:-6])  # "19,20": half a power
    ride = read_recording(path)
    assert len(ride.time_s) == 19
    assert [f.code for f in ride.findings if f.severity == "warning"] == ["recording-cut"]
    path.write_text(text[:-1])  # no line end after the last row is no damage
    assert len(read_recording(path).time_s) == 20


def in_all_formats(tmp_path, start):
    """Return recordings of an hour from a Unix time, one a format."""
    i = np.arange(3600)
    columns = {
        "power_w": 200.0 + i % 7,
        "speed_m_s": np.full(3600, 10.0),
        "distance_m": 10.0 * i,
        "latitude_deg": 40.0 + i / 1e5,
        "longitude_deg": np.full(3600, -31.0),
    }
    clock = start + i.astype(float)
    shift = int(start) - 631_065_600 - fb.START
    rows = [fb.plain(t + shift, 200 + t % 7, 10.0, 10.0 * t) for t in range(3600)]
    table = "".join(f"{rf.iso(t)},{200 + k % 7},10\n" for k, t in enumerate(clock))
    files = {
        "fit": fb.fit_file(fb.PLAIN, *rows),
        "tcx": rf.tcx(clock, columns, [(start, start + 3599.0, "Manual")]).encode(),
        "gpx": rf.gpx(clock, columns).encode(),
        "csv": ("time,power_w,speed_m_s\n" + table).encode(),
    }
    for suffix, data in files.items():
        (tmp_path / f"ride.{suffix}").write_bytes(data)
        yield read_recording(tmp_path / f"ride.{suffix}")


# Lisbon is UTC+1 in summer. On 25 October 2026 at 02:00 (01:00 UTC) its clocks go back to 01:00; on
# 29 March 2026 at 01:00 (01:00 UTC) they go on to 02:00.
@pytest.mark.parametrize(
    ("start", "date", "written", "spans"),
    [
        ("2026-05-09T22:45:00+00:00", "2026-05-09", ("23:55", "00:05"), (600, 1200)),
        ("2026-10-25T00:30:00+00:00", "2026-10-25", ("01:50", "01:20"), (1200, 3000)),
        ("2026-03-29T00:30:00+00:00", "2026-03-29", ("00:50", "02:10"), (1200, 2400)),
    ],
    ids=["midnight", "to winter time", "to summer time"],
)
def test_clock_times_across_midnight_and_clock_changes(tmp_path, start, date, written, spans):
    begun = dt.datetime.fromisoformat(start)
    for ride in in_all_formats(tmp_path, begun.timestamp()):
        assert ride.start_utc == begun
        assert np.array_equal(ride.time_s, np.arange(3600.0))
        rows = [{"run": 1, "position": "tall", "start": written[0], "end": written[1]}]
        session = build_session(SETTINGS | {"date": dt.date.fromisoformat(date)}, [ride], rows)
        assert session.runs[0].spans == (tuple(map(float, spans)),), ride.format


def test_stamps_whose_offset_changes_on_the_way_stay_in_step(tmp_path):
    i = np.arange(120)
    local = [
        (dt.datetime(2026, 10, 25, 0, 59, tzinfo=dt.UTC) + dt.timedelta(seconds=int(k))).astimezone(
            dt.timezone(dt.timedelta(hours=1 if k < 60 else 0))
        )
        for k in i
    ]
    (tmp_path / "ride.csv").write_text(
        "time,power_w,speed_m_s\n" + "".join(f"{t.isoformat()},200,10\n" for t in local)
    )
    text = rf.gpx([t.timestamp() for t in local], {"power_w": 200.0 + i, "speed_m_s": 10.0 + 0 * i})
    for t in local:
        text = text.replace(rf.iso(t.timestamp()), t.isoformat())
    (tmp_path / "ride.gpx").write_text(text.replace('lat="" lon=""', 'lat="40" lon="-31"'))
    for name in ("ride.csv", "ride.gpx"):
        ride = read_recording(tmp_path / name)
        assert np.array_equal(ride.time_s, i.astype(float))
        assert ride.utc_offset_s == 3600.0


def test_local_stamps_without_offset_over_the_repeated_hour_are_repaired_and_reported(tmp_path):
    local = [dt.datetime(2026, 10, 25, 1, 59) + dt.timedelta(seconds=k) for k in range(60)]
    local += [dt.datetime(2026, 10, 25, 1, 0) + dt.timedelta(seconds=k) for k in range(60)]
    rows = "".join(f"{t.isoformat()},200,10,{10 * k}\n" for k, t in enumerate(local))
    (tmp_path / "ride.csv").write_text("time,power_w,speed_m_s,distance_m\n" + rows)
    ride = read_recording(tmp_path / "ride.csv")
    assert np.array_equal(ride.time_s, np.arange(120.0))
    found = {f.code: f.message for f in ride.findings}
    assert "set back 1 time, by up to 3599 s" in found["clock-set-back"]
