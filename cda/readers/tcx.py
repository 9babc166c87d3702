"""TCX files: trackpoints, laps with their trigger, power and speed of the activity extension.

Elements are told by their local names, whatever name space a writer gives them.
"""

from __future__ import annotations

import math
import re
from typing import TYPE_CHECKING, Final

from cda.readers.points import Points
from cda.readers.xml_walk import XmlBreakError, walk
from cda.recording import RawLap, Recording, build_recording

if TYPE_CHECKING:
    from collections.abc import Mapping

_FIELDS: Final = {
    "altitudemeters": "altitude_m",
    "distancemeters": "distance_m",
    "latitudedegrees": "latitude_deg",
    "longitudedegrees": "longitude_deg",
    "cadence": "cadence_rpm",
}
_BRANCHES: Final = frozenset({"activity", "lap", "trackpoint", "extensions"})
# Leaves of a trackpoint that are no samples; anything else that is unknown is an extension.
_STATE: Final = frozenset({"sensorstate", "position", "heartratebpm", "tpx"})


def read_tcx(data: bytes, *, name: str, sha256: str) -> Recording:
    """Return the recording of a TCX file's bytes; a cut file gives what lies before the break.

    Raises
    ------
    RecordingError
        If the file holds no activity that can be used, or declares entities.
    """
    activity = _Activity(name)
    try:
        for tag, parent, text, attributes in walk(data, name=name, branches=_BRANCHES):
            if attributes is None:
                activity.end(tag, parent, text)
            else:
                activity.start(tag, attributes)
    except XmlBreakError as error:
        again = error.after_end and len(re.findall(rb"<[\w.:-]*TrainingCenterDatabase", data)) > 1
        activity.points.broken(error, again=again)
    clock, columns, laps = activity.points.finish(activity.laps)
    return build_recording(
        name=name,
        sha256=sha256,
        format="tcx",
        clock_s=clock,
        columns=columns,
        laps=laps,
        utc_offset_s=activity.points.utc_offset_s,
        findings=activity.points.findings,
    )


class _Activity:
    """What one pass over the elements collects."""

    def __init__(self, name: str) -> None:
        self.points = Points(name)
        self.laps: list[tuple[RawLap, str]] = []
        self.sport = ""
        self.inside = self.extended = False
        self.lap_start = math.nan
        self.lap_duration = math.nan
        self.lap_trigger: str | None = None

    def start(self, tag: str, attributes: Mapping[str, str]) -> None:
        if tag == "activity":
            self.inside = True
            self.sport = attributes.get("sport", "").lower()
        elif not self.inside:
            return  # plans and courses hold trackpoints too
        elif tag == "trackpoint":
            self.points.row = {}
        elif tag == "extensions":
            self.extended = True
        elif tag == "lap":
            self.lap_start = self.points.stamp(attributes.get("starttime", ""))
            self.lap_duration, self.lap_trigger = math.nan, None

    def end(self, tag: str, parent: str, text: str) -> None:
        row = self.points.row
        if not self.inside:
            return
        if tag == "activity":
            self.inside = False
        elif tag == "extensions":
            self.extended = False
        elif row is None:
            if parent == "lap" and tag == "totaltimeseconds":
                self.lap_duration = _seconds(text)
            elif parent == "lap" and tag == "triggermethod":
                self.lap_trigger = _trigger(text)
            elif tag == "lap":
                self._end_lap()
        elif tag == "trackpoint":
            self.points.close(self.sport)
        elif self.extended:
            if tag not in _STATE:
                self.points.extension(tag, text)
        elif tag == "time" and parent == "trackpoint":
            row["clock"] = self.points.stamp(text)
        elif tag in _FIELDS:
            self.points.set(_FIELDS[tag], text)
        elif tag == "value" and parent == "heartratebpm":
            self.points.set("heart_rate_bpm", text)
        elif tag not in _STATE:
            self.points.extension(tag, text)

    def _end_lap(self) -> None:
        """Add the lap: its seconds leave pauses out, so its last sample may lie behind them."""
        ends = [self.lap_start + self.lap_duration, self.points.last_clock_s]
        end = max((e for e in ends if e == e), default=math.nan)
        if self.lap_start == self.lap_start and end >= self.lap_start:
            lap = RawLap(start_s=self.lap_start, end_s=end, trigger=self.lap_trigger)
            self.laps.append((lap, self.sport))


def _seconds(text: str) -> float:
    try:
        value = float(text)
    except ValueError:
        return math.nan
    return value if 0.0 <= value < 1e6 else math.nan


def _trigger(text: str) -> str | None:
    """Return `HeartRate` as `heart_rate`, in the words that FIT has for triggers."""
    words = re.sub(r"(?<=[a-z])(?=[A-Z])", "_", text).lower()[:40]
    return {"location": "position_lap", "": None}.get(words, words)
