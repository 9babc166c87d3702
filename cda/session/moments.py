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
CLOCK = re.compile(
    r"(\d{1,2})[:h](\d{2})(?:[:m](\d{2})(?:[.,](\d+))?)?s?\s*(?:([AaPp])?\.?\s?[Mm]?\.?|Uhr|h)"
)
# Written with dots, as in many countries; a spreadsheet may have eaten the last zero of 10.30.
DOTTED = re.compile(r"(\d{1,2})[.,](\d{1,2})(?:[.,](\d{2}))?\s*(?:Uhr|h)?")
FRACTION = re.compile(r"0?[.,]\d+")  # of a day, as spreadsheets keep times
FINE_FRACTION = len("0.3208")  # from here on it is good to some seconds
DATE_AND_CLOCK = re.compile(r"(\d{1,2})[./-](\d{1,2})[./-](\d{4}|\d{2}),?\s+(\S.*)")
DATE_ALONE = re.compile(r"\d{1,2}[./-]\d{1,2}[./-]\d{2,4}")
DAY_ZERO = dt.datetime(1899, 12, 30)  # spreadsheets count local days from here
SERIAL_DAYS = (36_526.0, 73_050.0)  # the years 2000 to 2099


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
        seconds = _from_number(written, recording)
        if seconds is not None:
            return [seconds]
    time = _time_of_day(written)
    if time is not None:
        day = date or _local_day(recording, time_zone)
        days = [day, day + dt.timedelta(days=1), day - dt.timedelta(days=1)]
        return _on_days(days, time, recording, time_zone)
    serial = _serial(written)
    if serial is not None:
        return _local_seconds(serial, recording, time_zone)
    dated = DATE_AND_CLOCK.fullmatch(written)
    if dated:
        time = _time_of_day(dated.group(4))
        days = _either_order(*dated.group(1, 2, 3))
        if time is not None and days:
            return _on_days(days, time, recording, time_zone)
    try:
        moment = dt.datetime.fromisoformat(written.replace(" UTC", "+00:00").replace(",", "."))
    except ValueError:
        if DATE_ALONE.fullmatch(written):
            raise TimeProblemError(
                f"{written!r} is a date without a time: a spreadsheet may have made it of one",
                "write 07:42:30, and format the column as text",
            ) from None
        raise TimeProblemError(
            f"{written!r} is not a time", "write 07:42:30, or 2026-05-09T07:42:30+01:00"
        ) from None
    if moment.tzinfo is None:
        if len(written) <= 10:
            raise TimeProblemError(f"{written!r} is a day without a time", "add the time")
        return _local_seconds(moment, recording, time_zone)
    return [(moment - _start(recording)).total_seconds()]


def _on_days(
    days: list[dt.date], time: dt.time, recording: Recording, time_zone: str | None
) -> list[float]:
    return [
        s
        for day in days
        for s in _local_seconds(dt.datetime.combine(day, time), recording, time_zone)
    ]


def _time_of_day(written: str) -> dt.time | None:
    """Return a clock time, None if it is not written as one."""
    clock = CLOCK.fullmatch(written)
    if clock:
        return _clock_time(written, *clock.groups())
    dotted = DOTTED.fullmatch(written)
    if dotted and not FRACTION.fullmatch(written):
        hour, minute, second = dotted.groups()
        return _clock_time(written, hour, minute.ljust(2, "0"), second, None, None)
    if FRACTION.fullmatch(written):
        part = round(float(written.replace(",", ".")) * 86_400.0)
        time = (DAY_ZERO + dt.timedelta(seconds=min(part, 86_399))).time()
        if len(written) < FINE_FRACTION:
            raise TimeProblemError(
                f"{written!r} is a spreadsheet's fraction of a day, cut short",
                f"write {time:%H:%M}, and format the column as text",
            )
        return time
    return None


def _serial(written: str) -> dt.datetime | None:
    """Return the moment of a spreadsheet's count of days."""
    if not NUMBER.fullmatch(written):
        return None
    days = float(written.replace(",", "."))
    if not SERIAL_DAYS[0] < days < SERIAL_DAYS[1] or days == int(days):
        return None
    return DAY_ZERO + dt.timedelta(seconds=round(days * 86_400.0))


def _either_order(one: str, other: str, year: str) -> list[dt.date]:
    """Return the days that a date may mean: day first, then month first."""
    days = []
    for day, month in ((one, other), (other, one)):
        try:
            found = dt.date(int(year) + (2000 if len(year) == 2 else 0), int(month), int(day))
        except ValueError:
            continue
        if found not in days:
            days.append(found)
    return days


def _from_number(written: str, recording: Recording) -> float | None:
    """Return seconds where the recording counts them, None where the number is a clock time."""
    value = float(written.replace(",", "."))
    if recording.own_time_start_s is not None:
        return value - recording.own_time_start_s
    if recording.start_utc is None:
        return value
    if FRACTION.fullmatch(written) or DOTTED.fullmatch(written) or _serial(written) is not None:
        return None
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
