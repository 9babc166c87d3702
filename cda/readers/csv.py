"""Recordings as CSV: the project's own columns, and other people's by name and unit.

Comma, semicolon or tab; decimal point or comma; any line ending; UTF-8 with or without byte order
mark, UTF-16 with one. An empty field is a missing sample. Columns nobody knows are left out with a
note. At most `MAX_SAMPLES` rows.
"""

from __future__ import annotations

import io
import re
from typing import TYPE_CHECKING, Final

import numpy as np

from cda.errors import RecordingError
from cda.recording import CHANNELS, MAX_SAMPLES, Recording, build_recording
from cda.results import Finding
from cda.results.numbers import counted

if TYPE_CHECKING:
    from collections.abc import Mapping

    import pandas as pd
    from numpy.typing import NDArray

_BASES: Final[Mapping[str, tuple[str, ...]]] = {
    "time": ("time", "timestamp", "date time", "datetime"),
    "time_s": ("seconds", "secs", "elapsed time", "elapsed"),
    "power_w": ("power",),
    "speed_m_s": ("speed", "velocity"),
    "distance_m": ("distance",),
    "altitude_m": ("altitude", "elevation", "alt"),
    "latitude_deg": ("latitude", "lat"),
    "longitude_deg": ("longitude", "lon", "long", "lng"),
    "cadence_rpm": ("cadence",),
    "heart_rate_bpm": ("heart rate", "heartrate", "hr"),
    "temperature_c": ("temperature", "temp"),
    "airspeed_m_s": ("airspeed", "air speed"),
    "yaw_deg": ("yaw", "yaw angle"),
    "lap": ("lap", "lap number"),
}
# Unit -> (factor, offset) to the channel's own unit; the first is the channel's own.
_SPEED: Final = {
    "m s": (1.0, 0.0), "mps": (1.0, 0.0), "km h": (1 / 3.6, 0.0), "kmh": (1 / 3.6, 0.0),
    "kph": (1 / 3.6, 0.0), "mph": (0.44704, 0.0),
}  # fmt: skip
_LENGTH: Final = {
    "m": (1.0, 0.0), "km": (1000.0, 0.0), "mi": (1609.344, 0.0), "miles": (1609.344, 0.0),
    "ft": (0.3048, 0.0), "feet": (0.3048, 0.0),
}  # fmt: skip
_ANGLE: Final = {"deg": (1.0, 0.0), "degrees": (1.0, 0.0), "rad": (57.29577951308232, 0.0)}
_UNITS: Final[Mapping[str, Mapping[str, tuple[float, float]]]] = {
    "time": {},
    "time_s": {"s": (1.0, 0.0), "sec": (1.0, 0.0), "ms": (0.001, 0.0), "min": (60.0, 0.0)},
    "power_w": {"w": (1.0, 0.0), "watts": (1.0, 0.0), "watt": (1.0, 0.0), "kw": (1000.0, 0.0)},
    "speed_m_s": _SPEED,
    "distance_m": _LENGTH,
    "altitude_m": _LENGTH,
    "latitude_deg": _ANGLE,
    "longitude_deg": _ANGLE,
    "cadence_rpm": {"rpm": (1.0, 0.0)},
    "heart_rate_bpm": {"bpm": (1.0, 0.0)},
    "temperature_c": {
        "c": (1.0, 0.0), "celsius": (1.0, 0.0), "f": (5 / 9, -160 / 9),
        "fahrenheit": (5 / 9, -160 / 9), "k": (1.0, -273.15),
    },
    "airspeed_m_s": _SPEED,
    "yaw_deg": _ANGLE,
    "lap": {},
}  # fmt: skip
# Columns under these names are the contract's own and need no remark.
_OWN: Final = frozenset((*CHANNELS, "time", "time_s", "lap"))


def _words(header: str) -> str:
    return " ".join(re.findall(r"[a-z0-9]+", header.lower().replace("°", " ")))


def _recognise(header: str) -> tuple[str, str | None] | None:
    """Return the channel and the unit that a header names, or None."""
    words = _words(header)
    for channel, bases in _BASES.items():
        for base in bases:
            if words == base:
                return channel, None
            unit = words.removeprefix(base + " ")
            if unit != words and unit in _UNITS[channel]:
                return channel, unit
    return None


def _unit_of(header: str, channel: str) -> str | None:
    """Return the longest unit of the channel that the header ends in, or None."""
    words = _words(header)
    fitting = [u for u in _UNITS[channel] if words.endswith(" " + u)]
    return max(fitting, key=len, default=None)


def decode_text(data: bytes) -> str:
    """Return the text of a file that came back from a spreadsheet."""
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return data.decode("utf-16", errors="replace").lstrip("\ufeff")
    try:
        return data.decode("utf-8-sig")
    except UnicodeDecodeError:
        return data.decode("cp1252", errors="replace")


def header_columns(first_line: str) -> tuple[list[str], str]:
    """Return the column names of a header line and the separator between them."""
    separator = max((";", "\t", ","), key=lambda s: (first_line.count(s), s == ","))
    return [h.strip().strip('"').strip() for h in first_line.split(separator)], separator


def read_csv(
    data: bytes, *, name: str, sha256: str, columns: Mapping[str, str] | None = None
) -> Recording:
    """Return the recording of a CSV file's bytes.

    Parameters
    ----------
    data, name, sha256
        The file's bytes (decompressed), its name and its hash.
    columns : mapping of str to str, optional
        Channel (`power_w`) to the file's own header ("Power (W)"), where it is not recognised.

    Raises
    ------
    MissingChannelError
        Without power, or without both speed and distance.
    RecordingError
        If the file is no table, has no time, or has more than `MAX_SAMPLES` rows.
    """
    rows = data.count(b"\n") or data.count(b"\r")
    if rows > MAX_SAMPLES + 1:
        raise RecordingError(
            f"{rows} rows; at most {MAX_SAMPLES} are read", where=name, fix="cut it to the test"
        )
    text = decode_text(data)
    if "\0" in text:
        raise RecordingError("not a text file", where=name, fix="export the ride as CSV again")
    first_line = text[:1_000_000].lstrip().split("\n", 1)[0].split("\r", 1)[0]
    headers, separator = header_columns(first_line)
    findings: list[Finding] = []
    chosen = _choose(headers, columns or {}, name, findings)
    frame = _table(text, separator, name, findings)
    frame = _without_cut_row(frame, text, separator, len(headers), name, findings)
    frame.columns = [str(c).strip() for c in frame.columns]
    positions = {channel: (headers.index(h), h, unit) for channel, (h, unit) in chosen.items()}
    values: dict[str, NDArray[np.float64]] = {}
    for channel, (index, header, unit) in positions.items():
        if channel == "time" or index >= frame.shape[1]:
            continue
        factor, offset = _UNITS[channel].get(unit or "", (1.0, 0.0))
        values[channel] = _numbers(frame.iloc[:, index], header, name, findings) * factor + offset
    lap = values.pop("lap", None)
    seconds = values.pop("time_s", None)
    utc_offset_s = None
    if "time" in positions:
        clock, utc_offset_s = _stamps(frame.iloc[:, positions["time"][0]], name, findings)
    elif seconds is not None:
        clock = seconds
    else:
        raise RecordingError(
            f"no column time or time_s (found: {', '.join(headers)[:300]})",
            where=name,
            fix="export the time of each sample, or name it: --column time_s=COLUMN",
        )
    return build_recording(
        name=name,
        sha256=sha256,
        format="csv",
        clock_s=clock,
        columns=values,
        lap_column=lap,
        clock_is_utc="time" in positions,
        utc_offset_s=utc_offset_s,
        findings=findings,
    )


def _choose(
    headers: list[str], columns: Mapping[str, str], name: str, findings: list[Finding]
) -> dict[str, tuple[str, str | None]]:
    """Return channel -> (header, unit): named columns first, then our own, then recognised."""
    chosen: dict[str, tuple[str, str | None]] = {}
    for channel, header in columns.items():
        if channel not in _OWN:
            raise RecordingError(
                f"'{channel}' is no channel", where=name, fix=f"use one of {', '.join(_BASES)}"
            )
        if header not in headers:
            raise RecordingError(
                f"no column '{header}' for {channel} (found: {', '.join(headers)[:300]})",
                where=name,
                fix="write the column name exactly as in the file's first line",
            )
        chosen[channel] = (header, _unit_of(header, channel))
    for header in headers:
        if header in _OWN:
            chosen.setdefault(header, (header, None))
    taken = {header for header, _ in chosen.values()}
    for header in headers:
        match = None if header in taken else _recognise(header)
        if match is not None and match[0] not in chosen:
            chosen[match[0]] = (header, match[1])
            taken.add(header)
    converted = [
        f"'{h}' as {c}" + (f" from {u.replace(' ', '/')}" if u else ", its unit assumed")
        for c, (h, u) in chosen.items()
        if h not in _OWN
    ]
    if converted:
        findings.append(
            Finding(
                severity="note",
                code="columns-converted",
                where=name,
                message="read " + "; ".join(converted),
            )
        )
    left_out = [h for h in headers if h not in taken and h]
    if left_out:
        findings.append(
            Finding(
                severity="note",
                code="columns-left-out",
                where=name,
                message="columns left out: " + ", ".join(h[:40] for h in left_out[:20]),
            )
        )
    return chosen


def _table(text: str, separator: str, name: str, findings: list[Finding]) -> pd.DataFrame:
    import pandas as pd

    decimal_comma = separator != "," and bool(re.search(r"\d,\d", text[:20_000]))
    try:
        frame = pd.read_csv(
            io.BytesIO(text.encode("utf-8", "replace")),  # a third faster than from text
            sep=separator,
            decimal="," if decimal_comma else ".",
            index_col=False,
            skipinitialspace=True,
            on_bad_lines="skip",
            low_memory=False,
            dtype={"time": str},
        )
    except Exception as error:  # pandas raises many kinds on what is no table
        raise RecordingError(
            "not a table of samples", where=name, fix="export the ride as CSV, FIT, TCX or GPX"
        ) from error
    lines = text.count("\n") - text.endswith("\n")
    if lines != len(frame):  # seldom; looking at every line takes as long as reading them
        lines = sum(1 for line in text.splitlines() if line.strip()) - 1
    if lines > len(frame):
        findings.append(
            Finding(
                severity="warning",
                code="rows-left-out",
                where=name,
                message=f"{counted(lines - len(frame), 'row')} with too many fields left out",
                fix="check the separator and decimal sign of the export",
            )
        )
    return frame


def _without_cut_row(
    frame: pd.DataFrame,
    text: str,
    separator: str,
    width: int,
    name: str,
    findings: list[Finding],
) -> pd.DataFrame:
    """Return the table without a last row that breaks off: its last number may be half a one."""
    rest, _, last = text[-10_000:].replace("\r", "\n").rpartition("\n")
    fields = [line.count(separator) for line in (rest.rstrip("\n").rpartition("\n")[2], last)]
    # Writers that leave empty fields at the end away do so in every row.
    is_cut = last.strip() and '"' not in last and fields[1] < min(width - 1, fields[0])
    if not is_cut or not len(frame):
        return frame
    findings.append(
        Finding(
            severity="warning",
            code="recording-cut",
            where=name,
            message=f"the file breaks off inside a row, after {counted(len(frame) - 1, 'sample')}; "
            "what lies before is used",
            fix="copy or export the file again, or use the runs that are whole",
        )
    )
    return frame.iloc[:-1]


def _numbers(
    column: pd.Series, header: str, name: str, findings: list[Finding]
) -> NDArray[np.float64]:
    import pandas as pd

    if pd.api.types.is_numeric_dtype(column) and not pd.api.types.is_bool_dtype(column):
        return np.array(column, dtype=np.float64)
    texts = column.astype(str).str.strip().str.replace(",", ".", regex=False)
    values = pd.to_numeric(texts, errors="coerce").to_numpy(dtype=np.float64, na_value=np.nan)
    wrong = int(np.sum(np.isnan(values) & column.notna().to_numpy()))
    if wrong:
        findings.append(
            Finding(
                severity="note",
                code="fields-unreadable",
                where=f"{name}, {header[:40]}",
                message=f"{counted(wrong, 'field')} without a number taken as missing",
            )
        )
    return np.array(values, dtype=np.float64)


def _stamps(
    column: pd.Series, name: str, findings: list[Finding]
) -> tuple[NDArray[np.float64], float | None]:
    """Return Unix time of ISO 8601 stamps and their offset from UTC, where they write one."""
    import pandas as pd

    first = next((str(t).strip() for t in column if pd.notna(t) and str(t).strip()), "")
    plain = first[:4].isdigit() and first[4:5] == "-" and "," not in first
    if plain:  # as this project writes them
        parsed = pd.to_datetime(column, utc=True, format="ISO8601", errors="coerce")
    if not plain or parsed.isna().any():
        return _any_stamps(column.astype(str).str.strip(), name, findings)
    clock = parsed.dt.as_unit("us").astype("int64").to_numpy(dtype=np.float64) / 1e6
    return clock, _offset_s(first, name, findings)


def _any_stamps(
    texts: pd.Series, name: str, findings: list[Finding]
) -> tuple[NDArray[np.float64], float | None]:
    """Return Unix time of stamps that may be numbers, have decimal commas, or be none at all."""
    import pandas as pd

    # A missing field stays a missing value here, and is no text.
    sample = next((t for t in texts if isinstance(t, str) and t and t != "nan"), "")
    if re.fullmatch(r"\d+([.,]\d+)?", sample):
        values = pd.to_numeric(texts.str.replace(",", "."), errors="coerce").to_numpy(np.float64)
        return (values / 1000.0 if np.nanmedian(values) > 1e11 else values), None
    parsed = pd.to_datetime(
        texts.str.replace(",", ".", regex=False), utc=True, format="ISO8601", errors="coerce"
    )
    missing = parsed.isna().to_numpy()
    if np.all(missing):
        raise RecordingError(
            f"no stamp of column time is ISO 8601 (first: '{sample[:40]}')",
            where=name,
            fix="write times like 2026-05-09T07:42:30Z, or seconds in a column time_s",
        )
    clock = parsed.dt.as_unit("us").astype("int64").to_numpy(dtype=np.float64) / 1e6
    clock[missing] = np.nan
    return clock, _offset_s(sample, name, findings)


def _offset_s(sample: str, name: str, findings: list[Finding]) -> float | None:
    """Return the offset from UTC that a stamp writes; None for UTC itself [s]."""
    if sample.upper().endswith("Z"):
        return None
    offset = re.search(r"([+-])(\d\d):?(\d\d)?$", sample[10:])
    if offset:
        sign = -1.0 if offset[1] == "-" else 1.0
        return sign * (3600.0 * int(offset[2]) + 60.0 * int(offset[3] or 0))
    findings.append(
        Finding(
            severity="note",
            code="time-without-offset",
            where=name,
            message="times carry no offset from UTC; they are taken as the clock of the run sheet",
        )
    )
    return 0.0
