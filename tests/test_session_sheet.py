"""The filled run sheet comes back as a spreadsheet and a rider's hand leave it."""

from __future__ import annotations

import codecs
import csv
import datetime as dt
import io
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from cda.errors import SessionError
from cda.plan import PlannedPosition, load_protocol, make_plan, write_plan
from cda.recording import Lap, Recording
from cda.session import build_session, fill_runs, load_session
from cda.session.cells import read_laps
from cda.simulate import PRESETS, simulate_plan, write_session

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from cda.session import Session

SETTINGS: dict[str, Any] = {
    "date": dt.date(2026, 5, 9),
    "time_zone": "Europe/Lisbon",  # an hour before UTC in May
    "rider": {"mass_kg": 74.0},
    "bike": {"mass_kg": 9.8},
    "positions": [
        {"id": "tall", "label": "Head up", "reference": True},
        {"id": "low", "label": "Chin down, arms in"},
    ],
}
START = dt.datetime(2026, 5, 9, 9, 0, tzinfo=dt.UTC)  # ten o'clock in Lisbon


def recording(hours: float = 4.0, *, own_time: bool = False) -> Recording:
    time = np.arange(0.0, hours * 3600.0, 5.0)
    return Recording(
        name="ride.csv",
        format="csv",
        sha256="0" * 64,
        time_s=time,
        start_utc=None if own_time else START,
        own_time_start_s=0.0 if own_time else None,
        utc_offset_s=None,
        power_w=np.full(len(time), 200.0),
        speed_m_s=np.full(len(time), 10.0),
        distance_m=10.0 * time,
        laps=tuple(Lap(number=k, start_s=300.0 * (k - 1), end_s=300.0 * k) for k in range(1, 41)),
    )


def session(*rows: dict[str, object]) -> Session:
    return build_session(SETTINGS, [recording()], rows)


def spans(**cells: object) -> list[tuple[float, float]]:
    return list(session({"run": 1, "position": "tall", **cells}).runs[0].spans)


LAP_3, LAP_4, LAP_5 = (600.0, 900.0), (900.0, 1200.0), (1200.0, 1500.0)


@pytest.mark.parametrize(
    "written",
    [
        "3+4",
        " 3 + 4 ",
        "3, 4",
        "3;4",
        "3/4",
        "3 and 4",
        "3 & 4",
        "3 und 4",
        "laps 3+4",
        "L3 L4",
        "Laps 3 and 4",
        "'3+4",
        "3 4",
        "3,4",
    ],
)
def test_laps_of_two_legs(written: str) -> None:
    assert spans(laps=written) == [LAP_3, LAP_4]


@pytest.mark.parametrize(
    "written", ["3-5", "3 - 5", "3–5", "3 to 5", "laps 3 to 5", "3..5", "3 bis 5"]
)
def test_laps_from_one_to_another_are_one_stay(written: str) -> None:
    assert spans(laps=written) == [(LAP_3[0], LAP_5[1])]


@pytest.mark.parametrize("written", ["4", "4.0", "4,00", "Lap 4", "'4", "Runde 4", "#4"])
def test_one_lap(written: str) -> None:
    assert spans(laps=written) == [LAP_4]


@pytest.mark.parametrize(
    "written",
    [
        "3.4",
        "4-Mar",
        "04. Mrz",
        "3-Apr",
        "03. Apr",
        "04/03/2026",
        "3/4/2026",
        "03.04.2026",
        "2026-03-04 00:00:00",
        "Apr 03",
        "4 Mar 26",
    ],
)
def test_laps_that_a_spreadsheet_has_changed_are_read_and_said(written: str) -> None:
    # 3+4 or 3-4 typed into a cell: two laps that follow each other leave one reading.
    found = session({"run": 1, "position": "tall", "laps": written})
    assert list(found.runs[0].spans) == [LAP_3, LAP_4]
    said = [f for f in found.findings if f.code == "cell-read-as"]
    assert len(said) == 1
    assert "read as 3+4" in said[0].message


@pytest.mark.parametrize(
    "written", ["4-Jun", "4.1", "06.04.2026", "6-4", "four", "4+4", "3+", "1e3"]
)
def test_laps_with_more_than_one_reading_are_refused(written: str) -> None:
    with pytest.raises(SessionError, match=r"row 2"):
        spans(laps=written)


@pytest.mark.parametrize(
    ("start", "end"),
    [
        ("10:23", "10:29"),
        ("10.23", "10.29"),
        ("10,23", "10,29"),
        ("10h23", "10h29"),
        ("10:23:00", "10:29:00"),
        ("10.23.00", "10.29.00"),
        ("10:23 Uhr", "10:29 Uhr"),
        ("10:23:00 AM", "10:29:00 AM"),
        ("10:23 a.m.", "10:29 a.m."),
        ("10:23:00\u202fAM", "10:29:00\u202fAM"),
        ("5/9/2026 10:23", "5/9/2026 10:29"),
        ("05/09/2026 10:23:00 AM", "05/09/2026 10:29:00 AM"),
        ("09.05.2026 10:23", "09.05.2026 10:29"),
        ("9/5/26 10.23", "9/5/26 10.29"),
        ("2026-05-09 10:23:00", "2026-05-09 10:29:00"),
        ("2026-05-09T10:23:00+01:00", "2026-05-09T09:29:00Z"),
        ("0.432638889", "0.436805556"),
        ("0,432638889", "0,436805556"),
        ("46151.43263889", "46151.43680556"),
        ("10:23-10:29", ""),
        ("10:23 – 10:29", "-"),
        ("10:23 to 10:29", ""),
    ],
)
def test_times_in_any_form(start: str, end: str) -> None:
    # The recording begins at ten: 23 and 29 minutes on. A spreadsheet's day is good to a second.
    ((begins, ends),) = spans(start=start, end=end)
    assert begins == pytest.approx(1380.0, abs=1.0)
    assert ends == pytest.approx(1740.0, abs=1.0)


def test_times_after_noon() -> None:
    assert spans(start="1:02:03 PM", end="1:08:30 pm") == [(10_923.0, 11_310.0)]
    assert spans(start="13.02", end="13.08") == [(10_920.0, 11_280.0)]


def test_times_beside_laps_column_and_a_zero_that_a_spreadsheet_ate() -> None:
    assert spans(laps="10:23-10:29") == [(1380.0, 1740.0)]
    assert spans(start="10.2", end="10.3") == [(1200.0, 1800.0)]  # typed as 10.20 and 10.30


def test_a_date_with_day_and_month_in_doubt_is_the_one_inside_the_recording() -> None:
    assert spans(start="9/5/2026 10:23", end="5/9/2026 10:29") == [(1380.0, 1740.0)]
    with pytest.raises(SessionError, match="outside"):
        spans(start="9/6/2026 10:23", end="9/6/2026 10:29")
    with pytest.raises(SessionError, match="a date without a time"):
        spans(start="09.05.2026", end="09.05.2026")


def test_seconds_stay_seconds_where_the_recording_counts_them() -> None:
    row = {"run": 1, "position": "tall", "start": "10.5", "end": "1200,25"}
    found = build_session(SETTINGS, [recording(own_time=True)], [row])
    assert found.runs[0].spans == ((10.5, 1200.25),)


def test_blanks_dashes_and_rows_added_by_hand() -> None:
    found = session(
        {"run": 1, "position": "tall", "laps": "1"},
        {"run": 2, "position": "low", "laps": "-", "start": "–", "end": "", "comfort": "-"},
        {"run": "", "position": "Low", "laps": "3", "comfort": "7,5", "note": "again for run 2"},
        {"run": "", "position": "head up", "laps": "4", "use": "FALSCH"},
        {"run": "7.0", "position": "CHIN DOWN, arms in", "laps": "6", "comfort": "8/10"},
    )
    assert [(r.run, r.position) for r in found.runs] == [
        (1, "tall"), (2, "low"), (8, "low"), (9, "tall"), (7, "low"),
    ]  # fmt: skip
    assert [len(r.spans) for r in found.runs] == [1, 0, 1, 1, 1]
    assert [r.comfort for r in found.runs] == [None, None, 7.5, None, 8.0]
    assert not found.runs[3].use
    said = [f.message for f in found.findings if f.code == "cell-read-as"]
    assert said == ["row 4: no number, taken as run 8", "row 5: no number, taken as run 9"]


@given(st.text(max_size=12))
def test_any_cell_is_laps_or_a_message(written: str) -> None:
    try:
        laps = read_laps(written)
    except ValueError as error:
        assert str(error)  # noqa: PT017
    else:
        assert laps.numbers


def german(rows: Sequence[Sequence[str]]) -> bytes:
    """Semicolons, decimal commas, Windows letters, dates with dots, WAHR and FALSCH."""
    return _table(_times(rows, "%d.%m.%Y %H:%M:%S", ","), ";").encode("cp1252")


def american(rows: Sequence[Sequence[str]]) -> bytes:
    """Commas, month first, twelve hours, a mark at the beginning of the file."""
    return codecs.BOM_UTF8 + _table(_times(rows, "%m/%d/%Y %I:%M:%S %p", "."), ",").encode()


def unicode_text(rows: Sequence[Sequence[str]]) -> bytes:
    """Tabs in UTF-16, as a spreadsheet saves "Unicode text"; an empty column at the end."""
    wide = [[*row, ""] for row in _times(rows, "%Y-%m-%d %H:%M:%S", ".")]
    return _table(wide, "\t").encode("utf-16")


def _table(rows: Sequence[Sequence[str]], delimiter: str) -> str:
    out = io.StringIO()
    csv.writer(out, delimiter=delimiter, lineterminator="\r\n").writerows(rows)
    return out.getvalue() + delimiter * 8 + "\r\n"  # spreadsheets leave empty rows


def _times(rows: Sequence[Sequence[str]], form: str, point: str) -> list[list[str]]:
    head, *body = rows
    changed = [list(head)]
    for row in body:
        cells = list(row)
        for k, name in enumerate(head):
            if name in ("start", "end") and cells[k]:
                cells[k] = dt.datetime.fromisoformat(cells[k]).strftime(form).lstrip("0")
            if name in ("comfort", "run"):
                cells[k] = cells[k].replace(".", point)
        changed.append(cells)
    return changed


@pytest.mark.parametrize("save", [german, american, unicode_text])
@pytest.mark.parametrize("by", ["laps", "times"])
def test_the_sheet_comes_back_from_a_spreadsheet(
    tmp_path: Path, save: Callable[[Sequence[Sequence[str]]], bytes], by: str
) -> None:
    planned, ridden = tmp_path / "planned", tmp_path / "ridden"
    positions = [PlannedPosition(id="tall", label="Head up"),
                 PlannedPosition(id="low", label="Arms in, chin down; möglichst tief")]  # fmt: skip
    write_plan(make_plan(load_protocol("out-and-back"), positions, runs=2), planned)
    write_session(simulate_plan(planned, PRESETS["calm"], seed=3), ridden)
    plain = load_session(ridden)
    with (ridden / "runs.csv").open(encoding="utf-8", newline="") as file:
        head, *rows = list(csv.reader(file))
    at = {name: k for k, name in enumerate(head)}
    zone = dt.timedelta(hours=-1)  # of the simulated mornings
    start = plain.recordings[0].start_utc
    assert start is not None
    for row, run in zip(rows, plain.runs, strict=True):
        if by == "times":
            begins, ends = run.spans[0][0], run.spans[-1][1]
            for name, second in (("start", begins), ("end", ends)):
                moment = start + zone + dt.timedelta(seconds=round(second))
                row[at[name]] = moment.replace(tzinfo=None).isoformat(" ", "seconds")
            row[at["laps"]] = ""
        row[at["comfort"]] = "7.5"
    spare = list(rows[0])
    for name in ("laps", "start", "end", "comfort"):
        spare[at[name]] = ""
    spare[at["run"]], spare[at["position"]] = "", "LOW"  # a row added by hand, then not ridden
    rows[-1] = [*rows[-1][: at["laps"]], "", "", "", *rows[-1][at["end"] + 1 :]]  # nor was the last
    (ridden / "runs.csv").write_bytes(save([head, *rows, spare]))
    back = load_session(ridden)
    assert [r.position for r in back.runs] == [*(r.position for r in plain.runs), "low"]
    assert [r.run for r in back.runs] == [1, 2, 3, 4, 5]
    for one, other in zip(plain.runs[:-1], back.runs, strict=False):
        assert one.spans[0][0] == pytest.approx(other.spans[0][0], abs=1.0)
        assert one.spans[-1][1] == pytest.approx(other.spans[-1][1], abs=1.0)
        assert other.comfort == 7.5
        assert other.note == one.note
    assert [r.spans for r in back.runs[-2:]] == [(), ()]
    # What was empty is filled in the folder too, under the numbers that were read.
    fill_runs(ridden, {4: {"laps": "4"}, 5: {"laps": "1+2"}})
