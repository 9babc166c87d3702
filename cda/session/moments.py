"""Times as people and spreadsheets write them, brought to seconds of a recording.

A clock time is taken on the session's date or a neighbouring day, whichever lies inside the
recording: rides pass midnight. A clock time that a change to winter time makes happen twice is
tried both ways.
"""

from __future__ import annotations

import datetime as dt
import re
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

if TYPE_CHECKING:
    from cda.recording import Recording

NUMBER = re.compile(r"[-+]?\d+(?:[.,]\d+)?(?:[eE][-+]?\d+)?")
CLOCK = re.compile(r"(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,](\d+))?)?\s*([AaPp])?\.?[Mm]?\.?")
SPREADSHEET_DATE = re.compile(r"\d{1,2}[./-]\d{1,2}[./-]\d{2,4}(\s+\d{1,2}:\d{2}.*)?")


class TimeProblemError(ValueError):
    """A time that cannot be read; text and fix for the row's message."""

    def __init__(self, problem: str, fix: str) -> None:
        super().__init__(problem)
        self.problem, self.fix = problem, fix


def seconds_candidates(
    written: str, recording: Recording, *, date: dt.date | None, time_zone: str | None
) -> list[float]:
    """Return the recording times that the written time may mean, likeliest first [s]."""
    written = written.strip().lstrip("'").strip()
    if NUMBER.fullmatch(written):
        return [_from_number(written, recording)]
    clock = CLOCK.fullmatch(written)
    if clock:
        time = _clock_time(written, *clock.groups())
        day = date or _local_day(recording, time_zone)
        days = [day, day + dt.timedelta(days=1), day - dt.timedelta(days=1)]
        return [
            s
            for d in days
            for s in _local_seconds(dt.datetime.combine(d, time), recording, time_zone)
        ]
    try:
        moment = dt.datetime.fromisoformat(written.replace(" UTC", "+00:00").replace(",", "."))
    except ValueError:
        if SPREADSHEET_DATE.fullmatch(written):
            raise TimeProblemError(
                f"{written!r} is a date in a spreadsheet's form, with day and month in doubt",
                "write 2026-05-09T07:42:30 or 07:42:30, and format the column as text",
            ) from None
        raise TimeProblemError(
            f"{written!r} is not a time", "write 07:42:30, or 2026-05-09T07:42:30+01:00"
        ) from None
    if moment.tzinfo is None:
        if len(written) <= 10:
            raise TimeProblemError(f"{written!r} is a day without a time", "add the time")
        return _local_seconds(moment, recording, time_zone)
    return [(moment - _start(recording)).total_seconds()]


def _from_number(written: str, recording: Recording) -> float:
    value = float(written.replace(",", "."))
    if recording.own_time_start_s is not None:
        return value - recording.own_time_start_s
    if recording.start_utc is None:
        return value
    if 0.0 < value < 1.0:
        minutes = round(value * 1440)
        raise TimeProblemError(
            f"{written!r} is a spreadsheet's fraction of a day",
            f"write {minutes // 60:02d}:{minutes % 60:02d}, and format the column as text",
        )
    raise TimeProblemError(
        f"{written!r} is a number, but {recording.name} has clock times",
        "write a clock time; seconds are for recordings with time_s",
    )


def _clock_time(
    written: str, hour: str, minute: str, second: str | None, part: str | None, half: str | None
) -> dt.time:
    hours = int(hour)
    if half and 1 <= hours <= 12:
        hours = hours % 12 + (12 if half in "pP" else 0)
    micro = int(((part or "0") + "000000")[:6])
    try:
        return dt.time(hours, int(minute), int(second or 0), micro)
    except ValueError:
        raise TimeProblemError(
            f"{written!r} is not a time of day", "hours to 23, minutes and seconds to 59"
        ) from None


def _start(recording: Recording) -> dt.datetime:
    if recording.start_utc is None:
        raise TimeProblemError(
            f"{recording.name} has seconds and no clock", "write seconds, as in its time_s column"
        )
    return recording.start_utc


def _zone(recording: Recording, time_zone: str | None) -> dt.tzinfo:
    if time_zone:
        return ZoneInfo(time_zone)
    if recording.utc_offset_s is not None:
        return dt.timezone(dt.timedelta(seconds=recording.utc_offset_s))
    raise TimeProblemError(
        f"clock time without offset, and {recording.name} does not say its local time",
        'add time_zone = "Region/Town" to session.toml',
    )


def _local_day(recording: Recording, time_zone: str | None) -> dt.date:
    return _start(recording).astimezone(_zone(recording, time_zone)).date()


def _local_seconds(moment: dt.datetime, recording: Recording, time_zone: str | None) -> list[float]:
    start, zone = _start(recording), _zone(recording, time_zone)
    out: list[float] = []
    for fold in (0, 1):
        try:
            utc = moment.replace(tzinfo=zone, fold=fold).astimezone(dt.UTC)
        except OverflowError:
            raise TimeProblemError(f"{moment} is out of range", "check the year") from None
        seconds = (utc - start).total_seconds()
        if seconds not in out:
            out.append(seconds)
    return out
