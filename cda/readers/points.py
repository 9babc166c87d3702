"""Samples of TCX and GPX files as they come by: one row a point, columns at the end."""

from __future__ import annotations

import math
from array import array
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.errors import RecordingError
from cda.recording import MAX_SAMPLES, RawLap
from cda.results import Finding
from cda.results.numbers import counted

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from cda.readers.xml_walk import XmlBreakError

# Local name in lower case -> channel. Only leaves inside a point's extensions; SI units and
# degrees, as the public extension schemas have them.
EXTENSIONS: Final[Mapping[str, str]] = {
    "power": "power_w",
    "watts": "power_w",
    "cad": "cadence_rpm",
    "cadence": "cadence_rpm",
    "hr": "heart_rate_bpm",
    "heartrate": "heart_rate_bpm",
    "atemp": "temperature_c",
    "temp": "temperature_c",
    "temperature": "temperature_c",
    "speed": "speed_m_s",
    "distance": "distance_m",
    "airspeed": "airspeed_m_s",
    "yaw": "yaw_deg",
    "power_w": "power_w",
    "speed_m_s": "speed_m_s",
    "distance_m": "distance_m",
    "airspeed_m_s": "airspeed_m_s",
    "yaw_deg": "yaw_deg",
}
CHANNELS: Final = (
    "power_w", "speed_m_s", "distance_m", "altitude_m", "latitude_deg", "longitude_deg",
    "cadence_rpm", "heart_rate_bpm", "temperature_c", "airspeed_m_s", "yaw_deg",
)  # fmt: skip
CYCLING: Final = ("biking", "cycling")


class Points:
    """What one pass over a file collects.

    Attributes
    ----------
    row : dict of str to float
        The point that is being read; None between points.
    """

    def __init__(self, name: str) -> None:
        self.name = name
        self.row: dict[str, float] | None = None
        self.findings: list[Finding] = []
        self.utc_offset_s: float | None = None
        self._clock = array("d")
        self._columns = {channel: array("d") for channel in CHANNELS}
        self._sport_of = array("b")
        self._sports: list[str] = []
        self._unreadable = 0
        self._left_out: set[str] = set()
        self._offset_known = False
        self._without_offset = False
        self._last_clock = math.nan

    def __len__(self) -> int:
        """Return the number of points so far."""
        return len(self._clock)

    @property
    def last_clock_s(self) -> float:
        """Unix time of the last point that had one; NaN before the first [s]."""
        return self._last_clock

    def stamp(self, text: str) -> float:
        """Return an ISO 8601 time as Unix time, NaN where it is none [s]."""
        try:
            moment = datetime.fromisoformat(text)
        except ValueError:
            self._unreadable += 1
            return math.nan
        offset = moment.utcoffset()
        if not self._offset_known:
            self._offset_known = True
            self._without_offset = offset is None
            if offset is None:
                self.utc_offset_s = 0.0
            elif offset:  # zero is only UTC written out, which both formats ask for
                self.utc_offset_s = offset.total_seconds()
        try:
            return (moment if offset is not None else moment.replace(tzinfo=UTC)).timestamp()
        except (OverflowError, ValueError):
            self._unreadable += 1
            return math.nan

    def set(self, channel: str, text: str) -> None:
        """Set a value of the current point; an empty text is a missing sample."""
        if self.row is None or not text:
            return
        try:
            value = float(text)
        except ValueError:
            value = math.nan
        if math.isfinite(value) and "_" not in text:  # Python alone reads 1_000 as a number
            self.row[channel] = value
        else:
            self._unreadable += 1

    def extension(self, name: str, text: str) -> None:
        """Set a value by the local name of its extension; a name nobody knows is noted."""
        channel = EXTENSIONS.get(name)
        if channel is not None:
            self.set(channel, text)
        elif text and len(self._left_out) < 20:
            self._left_out.add(name[:40])

    def close(self, sport: str) -> None:
        """End the current point, ridden (or not) in a sport."""
        row, self.row = self.row or {}, None
        if len(self) >= MAX_SAMPLES:
            raise RecordingError(
                f"more than {MAX_SAMPLES} samples", where=self.name, fix="cut the recording"
            )
        if sport not in self._sports and len(self._sports) < 100:
            self._sports.append(sport)
        clock = row.get("clock", math.nan)
        if clock == clock:
            self._last_clock = clock
        self._clock.append(clock)
        for channel, column in self._columns.items():
            column.append(row.get(channel, math.nan))
        self._sport_of.append(self._sports.index(sport) if sport in self._sports else 0)

    def broken(self, error: XmlBreakError, *, again: bool) -> None:
        """Report where the file broke off; `again`: another document follows its end."""
        if error.after_end and not again:
            self.findings.append(
                Finding(
                    severity="note",
                    code="trailing-bytes",
                    where=self.name,
                    message="what follows the end of the document was left out",
                )
            )
            return
        self.findings.append(
            Finding(
                severity="warning",
                code="trailing-bytes" if again else "recording-cut",
                where=self.name,
                message="a second document follows the first; only the first was read"
                if again
                else f"the file breaks off after {counted(len(self), 'sample')} ({error.problem}); "
                "what lies before is used",
                fix="put the second document into a file of its own"
                if again
                else "export the ride again, or use the runs that are whole",
            )
        )

    def finish(
        self, laps: list[tuple[RawLap, str]] | None = None
    ) -> tuple[NDArray[np.float64], dict[str, NDArray[np.float64]], list[RawLap]]:
        """Return clock, columns and laps of the cycling part, and report what was left out.

        Raises
        ------
        RecordingError
            If there is no point, or none has a time.
        """
        clock = np.array(self._clock, dtype=np.float64)
        if not len(clock):
            cut = next((f.message for f in self.findings if f.code == "recording-cut"), "")
            raise RecordingError(
                "the file holds no ride samples" + (f": {cut}" if cut else ""),
                where=self.name,
                fix="export the ride, not a route or a plan, as FIT, TCX or GPX",
            )
        if not np.any(np.isfinite(clock)):
            raise RecordingError(
                f"none of {len(clock)} points has a time: a route, not a ride",
                where=self.name,
                fix="export the ride as it was recorded",
            )
        columns = {k: np.array(v, dtype=np.float64) for k, v in self._columns.items()}
        numbered = [
            (RawLap(start_s=p.start_s, end_s=p.end_s, trigger=p.trigger, number=k), sport)
            for k, (p, sport) in enumerate(laps or (), start=1)
        ]
        cycling = [k for k, sport in enumerate(self._sports) if sport in CYCLING]
        if cycling and len(self._sports) > len(cycling):
            kept = np.isin(np.array(self._sport_of), cycling)
            others = sorted({s or "unnamed" for s in self._sports} - set(CYCLING))
            self.findings.append(
                Finding(
                    severity="note",
                    code="other-sports-left-out",
                    where=self.name,
                    message=f"{counted(int(np.sum(~kept)), 'sample')} of other sports "
                    f"({', '.join(o[:40] for o in others[:10])}) left out",
                )
            )
            clock, columns = clock[kept], {k: v[kept] for k, v in columns.items()}
            numbered = [(lap, sport) for lap, sport in numbered if sport in CYCLING]
        self._remarks()
        return clock, columns, [lap for lap, _ in numbered]

    def _remarks(self) -> None:
        if self._unreadable:
            self.findings.append(
                Finding(
                    severity="note",
                    code="fields-unreadable",
                    where=self.name,
                    message=f"{counted(self._unreadable, 'field')} without a number or time "
                    "taken as missing",
                )
            )
        if self._left_out:
            self.findings.append(
                Finding(
                    severity="note",
                    code="columns-left-out",
                    where=self.name,
                    message="extensions left out: " + ", ".join(sorted(self._left_out)),
                )
            )
        if self._without_offset:
            self.findings.append(
                Finding(
                    severity="note",
                    code="time-without-offset",
                    where=self.name,
                    message="times carry no offset from UTC; they are taken as the clock of the "
                    "run sheet",
                )
            )
