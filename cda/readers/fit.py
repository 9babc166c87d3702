"""FIT files, through fitdecode: records, laps, sports, developer fields, damage.

Developer fields are taken by name and unit: `airspeed`, `air_speed`, `relative_airspeed` (m/s,
km/h, mph) and `yaw`, `yaw_angle` (degrees, radians), also with the unit in the name.
"""

from __future__ import annotations

import io
import math
import re
import struct
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.errors import RecordingError
from cda.recording import MAX_SAMPLES, RawLap, Recording, build_recording
from cda.results import Finding
from cda.results.numbers import counted

if TYPE_CHECKING:
    from collections.abc import Iterable

FIT_EPOCH_S: Final = 631_065_600  # Unix time of 1989-12-31T00:00:00Z
POWER_ON_BELOW: Final = 0x1000_0000  # smaller stamps count seconds since the device was switched on
SEMICIRCLE_DEG: Final = 180.0 / 2**31

# FIT field -> channel; of several the first that has a value counts.
_FIELDS: Final = {
    "power_w": ("power",),
    "speed_m_s": ("enhanced_speed", "speed"),
    "distance_m": ("distance",),
    "altitude_m": ("enhanced_altitude", "altitude"),
    "latitude_deg": ("position_lat",),
    "longitude_deg": ("position_long",),
    "cadence_rpm": ("cadence",),
    "heart_rate_bpm": ("heart_rate",),
    "temperature_c": ("temperature",),
}
_WANTED: Final = frozenset(f for names in _FIELDS.values() for f in names) | {
    "timestamp",
    "fractional_cadence",
}
_AIRSPEED: Final = {"airspeed", "air_speed", "relative_airspeed", "relative_air_speed"}
_YAW: Final = {"yaw", "yaw_angle"}
_SPEED_UNITS: Final = {"m/s": 1.0, "km/h": 1 / 3.6, "kph": 1 / 3.6, "kmh": 1 / 3.6, "mph": 0.44704}
_ANGLE_UNITS: Final = {"deg": 1.0, "degree": 1.0, "degrees": 1.0, "°": 1.0}
_ANGLE_UNITS_RAD: Final = {"rad": math.degrees(1.0), "radians": math.degrees(1.0)}


def read_fit(data: bytes, *, name: str, sha256: str) -> Recording:
    """Return the recording of a FIT file's bytes; a cut file gives what lies before the break.

    Raises
    ------
    RecordingError
        If the file holds no record that can be used.
    """
    decoded = _Decoded(name)
    decoded.read(_closed_header(data, name, decoded.findings))
    if not decoded.rows:
        cause = f": {decoded.broken_by}" if decoded.broken_by else ""
        raise RecordingError(
            f"the FIT file holds no ride samples{cause}",
            where=name,
            fix="copy the file from the device again; it may be empty, cut or no activity",
        )
    return decoded.recording(sha256)


def _closed_header(data: bytes, name: str, findings: list[Finding]) -> bytes:
    """Return the data with the size written in, where the device died before it could."""
    if len(data) >= 14 and data[0] in (12, 14) and struct.unpack_from("<I", data, 4)[0] == 0:
        body = len(data) - data[0]
        findings.append(
            Finding(
                severity="warning",
                code="recording-cut",
                where=name,
                message="the device never closed this file (data size 0); all of it was tried",
                fix="check that the last runs are complete",
            )
        )
        # The header's CRC is set to 0, which means "not computed".
        return (
            data[:4]
            + struct.pack("<I", body)
            + data[8:12]
            + b"\0" * (data[0] - 12)
            + data[data[0] :]
        )
    return data


def _number(value: object) -> float | None:
    if isinstance(value, tuple):
        value = next((v for v in reversed(value) if v is not None), None)
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    return None


class _Decoded:
    """What one pass over the messages collects."""

    def __init__(self, name: str) -> None:
        self.name = name
        self.rows: list[dict[str, float]] = []
        self.laps: list[RawLap] = []
        self.sports: list[tuple[str, float, float]] = []
        self.utc_offset_s: float | None = None
        self.findings: list[Finding] = []
        self.broken_by: str | None = None
        self.unknown_developer_fields: set[str] = set()

    def read(self, data: bytes) -> None:
        """Collect records, laps, sessions and the local time; stop at the first break."""
        import fitdecode

        crc_wrong, file_open = False, False
        try:
            with fitdecode.FitReader(
                io.BytesIO(data),
                processor=None,
                check_crc=fitdecode.CrcCheck.READONLY,
                error_handling=fitdecode.ErrorHandling.IGNORE,
            ) as reader:
                for frame in reader:
                    kind = frame.frame_type
                    if kind == fitdecode.FIT_FRAME_DATA:
                        self._message(frame.name, frame.fields)
                    elif kind == fitdecode.FIT_FRAME_HEADER:
                        file_open = True
                    elif kind == fitdecode.FIT_FRAME_CRC:
                        file_open = False
                        crc_wrong |= not frame.matched
        except RecordingError:
            raise
        except Exception as error:  # damaged bytes raise whatever they like
            self.broken_by = " ".join(str(error).split())[:200] or type(error).__name__
        if crc_wrong:
            self.findings.append(
                Finding(
                    severity="warning",
                    code="recording-crc",
                    where=self.name,
                    message="the checksum is wrong: some bytes are not as the device wrote them",
                    fix="copy the file from the device again",
                )
            )
        if self.broken_by and self.rows and not file_open:
            self.findings.append(
                Finding(
                    severity="note",
                    code="trailing-bytes",
                    where=self.name,
                    message="what follows the end of the FIT file was left out",
                )
            )
        elif self.broken_by and self.rows and not self.findings:
            self.findings.append(
                Finding(
                    severity="warning",
                    code="recording-cut",
                    where=self.name,
                    message=f"the file breaks off after {counted(len(self.rows), 'sample')}; "
                    "what lies before is used",
                    fix="copy the file from the device again, or use the runs that are whole",
                )
            )

    def _message(self, message: str, fields: Iterable[object]) -> None:
        if message == "record":
            self._record(fields)
        elif message == "lap":
            self._lap({f.name: f.value for f in fields})  # type: ignore[attr-defined]
        elif message == "session":
            values = {f.name: f.value for f in fields}  # type: ignore[attr-defined]
            start, end = self._span(values)
            if start is not None and end is not None:
                self.sports.append((str(values.get("sport")), start, end))
        elif message == "activity":
            values = {f.name: f.value for f in fields}  # type: ignore[attr-defined]
            local, utc = _number(values.get("local_timestamp")), _number(values.get("timestamp"))
            if local is not None and utc is not None:
                offset = 900.0 * round((local - utc) / 900.0)
                if abs(offset) <= 14 * 3600.0:
                    self.utc_offset_s = offset

    def _record(self, fields: Iterable[object]) -> None:
        row: dict[str, float] = {}
        for field in fields:
            name = field.name  # type: ignore[attr-defined]
            definition = field.field_def  # type: ignore[attr-defined]
            if definition is not None and definition.is_dev:
                self._developer(field, row)
            elif name in _WANTED:
                value = _number(field.value)  # type: ignore[attr-defined]
                if value is not None:
                    row[name] = value
        if "timestamp" in row:
            if len(self.rows) >= MAX_SAMPLES:
                raise RecordingError(
                    f"more than {MAX_SAMPLES} samples", where=self.name, fix="cut the recording"
                )
            self.rows.append(row)

    def _developer(self, field: object, row: dict[str, float]) -> None:
        name = str(field.name or "")  # type: ignore[attr-defined]
        units = str(field.units or "").strip().strip("\0").lower()  # type: ignore[attr-defined]
        key = re.sub(r"[^a-z0-9]+", "_", name.strip("\0").lower()).strip("_")
        for suffix, unit in (("_m_s", "m/s"), ("_km_h", "km/h"), ("_kmh", "km/h"), ("_deg", "deg")):
            if key.endswith(suffix):
                key, units = key.removesuffix(suffix), units or unit
        value = _number(field.value)  # type: ignore[attr-defined]
        if key in _AIRSPEED and (units or "m/s") in _SPEED_UNITS:
            if value is not None:
                row["airspeed_m_s"] = value * _SPEED_UNITS[units or "m/s"]
        elif key in _YAW and (units or "deg") in _ANGLE_UNITS | _ANGLE_UNITS_RAD:
            if value is not None:
                row["yaw_deg"] = value * (_ANGLE_UNITS | _ANGLE_UNITS_RAD)[units or "deg"]
        elif key == "power" and units in ("", "w", "watt", "watts"):
            if value is not None:
                row.setdefault("power", value)
        elif len(self.unknown_developer_fields) < 20:
            self.unknown_developer_fields.add(key[:40] or "unnamed")

    @staticmethod
    def _span(values: dict[str, object]) -> tuple[float | None, float | None]:
        start, end = _number(values.get("start_time")), _number(values.get("timestamp"))
        elapsed = _number(values.get("total_elapsed_time"))
        # Some devices stamp the message when it is saved, minutes after the lap or ride ended.
        if (
            start is not None
            and elapsed is not None
            and (end is None or abs(end - start - elapsed) > 5.0)
        ):
            end = start + elapsed
        return start, end

    def _lap(self, values: dict[str, object]) -> None:
        start, end = self._span(values)
        if start is not None and end is not None and end >= start:
            trigger = values.get("lap_trigger")
            self.laps.append(
                RawLap(
                    start_s=start,
                    end_s=end,
                    trigger=None if trigger is None else str(trigger)[:40],
                )
            )

    def recording(self, sha256: str) -> Recording:
        """Return the validated recording of what was collected."""
        self._keep_cycling()
        count = len(self.rows)

        def column(field: str) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
            return np.fromiter((r.get(field, math.nan) for r in self.rows), np.float64, count)

        columns = {}
        for channel, fields in _FIELDS.items():
            values = column(fields[0])
            for other in fields[1:]:
                values = np.where(np.isnan(values), column(other), values)
            columns[channel] = values
        columns["latitude_deg"] *= SEMICIRCLE_DEG
        columns["longitude_deg"] *= SEMICIRCLE_DEG
        columns["cadence_rpm"] += np.nan_to_num(column("fractional_cadence"))
        columns["airspeed_m_s"], columns["yaw_deg"] = column("airspeed_m_s"), column("yaw_deg")
        stamps = column("timestamp")
        is_utc = bool(np.median(stamps) >= POWER_ON_BELOW)
        shift = FIT_EPOCH_S if is_utc else 0
        if self.unknown_developer_fields:
            self.findings.append(
                Finding(
                    severity="note",
                    code="columns-left-out",
                    where=self.name,
                    message="developer fields left out: "
                    + ", ".join(sorted(self.unknown_developer_fields)),
                )
            )
        return build_recording(
            name=self.name,
            sha256=sha256,
            format="fit",
            clock_s=stamps + shift,
            columns=columns,
            laps=[
                RawLap(start_s=p.start_s + shift, end_s=p.end_s + shift, trigger=p.trigger)
                for p in self.laps
            ],
            clock_is_utc=is_utc,
            utc_offset_s=self.utc_offset_s,
            findings=self.findings,
        )

    def _keep_cycling(self) -> None:
        """Leave out the records and laps of other sports, where the file says which are which."""
        if len({sport for sport, _, _ in self.sports}) < 2 or not any(
            sport == "cycling" for sport, _, _ in self.sports
        ):
            return
        spans = [(a, b) for sport, a, b in self.sports if sport == "cycling"]
        kept = [r for r in self.rows if any(a <= r["timestamp"] <= b for a, b in spans)]
        if not kept:
            return
        others = sorted({s for s, _, _ in self.sports if s != "cycling"})
        self.findings.append(
            Finding(
                severity="note",
                code="other-sports-left-out",
                where=self.name,
                message=f"{counted(len(self.rows) - len(kept), 'sample')} of other sports "
                f"({', '.join(others)}) left out",
            )
        )
        self.rows = kept
        # Lap numbers stay those of the file, which the rider sees on the device.
        self.laps = [
            RawLap(start_s=p.start_s, end_s=p.end_s, trigger=p.trigger, number=k)
            for k, p in enumerate(self.laps, start=1)
            if any(a - 1 <= p.start_s and p.end_s <= b + 1 for a, b in spans)
        ]
