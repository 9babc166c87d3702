"""Reads a recording, whatever the file: by its content first, its extension second, also gzipped.

A file that is damaged is read up to the break and says so in its findings; a file that holds
nothing usable ends in one `RecordingError`. Nothing in a file is trusted: sizes are bounded before
memory is taken.
"""

from __future__ import annotations

import hashlib
import re
import zlib
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Final

from cda.errors import RecordingError
from cda.results import Finding

if TYPE_CHECKING:
    from collections.abc import Mapping

    from cda.recording import Recording

MAX_FILE_BYTES: Final = 200_000_000  # also after decompression; a 24 h FIT file has 10 MB
SUFFIXES: Final = (".fit", ".tcx", ".gpx", ".csv")


def read_recording(path: Path | str, *, columns: Mapping[str, str] | None = None) -> Recording:
    """Read one ride.

    Parameters
    ----------
    path : path-like
        A FIT, TCX, GPX or CSV file, also gzipped.
    columns : mapping of str to str, optional
        CSV only: channel to the file's own header, such as ``{"power_w": "Power (W)"}``.

    Returns
    -------
    recording : Recording
        Validated samples and laps; `findings` tells what was repaired or left out.

    Raises
    ------
    RecordingError
        If nothing in the file can be used; `MissingChannelError` if power, or both speed and
        distance, are not in it.
    """
    path = Path(path)
    try:
        if not path.is_file():
            raise RecordingError("no such file", where=path.name, fix="check the name")
        if path.stat().st_size > MAX_FILE_BYTES:
            raise _too_large(path.name)
        raw = path.read_bytes()
    except (OSError, ValueError) as error:
        raise RecordingError(
            f"cannot be read ({getattr(error, 'strerror', None) or error})",
            where=path.name,
            fix="check the file and its permissions",
        ) from error
    sha256 = hashlib.sha256(raw).hexdigest()
    data, whole = _decompress(raw, path.name) if raw[:2] == b"\x1f\x8b" else (raw, True)
    if not data.strip(b"\0 \t\r\n"):
        raise RecordingError("the file is empty", where=path.name, fix="copy it again")
    recording = _read_by_content(data, path, sha256, columns)
    if whole or any(f.code == "recording-cut" for f in recording.findings):
        return recording
    cut = Finding(
        severity="warning",
        code="recording-cut",
        where=path.name,
        message="the gzip file breaks off or is damaged; what lies before is used",
        fix="copy the file again, or use the runs that are whole",
    )
    return replace(recording, findings=(cut, *recording.findings))


def _read_by_content(
    data: bytes, path: Path, sha256: str, columns: Mapping[str, str] | None
) -> Recording:
    name = path.name
    suffixes = [s.lower() for s in path.suffixes]
    if data[8:12] == b".FIT":
        from cda.readers.fit import read_fit

        return read_fit(data, name=name, sha256=sha256)
    start = data[:65_536].replace(b"\0", b"").lstrip(b"\xef\xbb\xbf\xff\xfe \t\r\n")
    if start[:1] == b"<":
        if data[:2] not in (b"\xff\xfe", b"\xfe\xff"):
            data = data.lstrip(b"\xef\xbb\xbf \t\r\n\0")  # a declaration may only stand first
        page = re.search(rb"(?i)<(!doctype\s+)?html\b", start)
        is_tcx = re.search(rb"<([\w.-]+:)?TrainingCenterDatabase\b", start)
        is_gpx = re.search(rb"<([\w.-]+:)?gpx\b", start)
        if is_tcx or (".tcx" in suffixes and not is_gpx and not page):
            from cda.readers.tcx import read_tcx

            return read_tcx(data, name=name, sha256=sha256)
        if is_gpx or (".gpx" in suffixes and not page):
            from cda.readers.gpx import read_gpx

            return read_gpx(data, name=name, sha256=sha256)
        raise RecordingError(
            "a page or XML file, but neither TCX nor GPX",
            where=name,
            fix="export the ride as FIT, TCX, GPX or CSV",
        )
    for suffix in (".fit", ".tcx", ".gpx"):
        if suffix in suffixes:
            raise RecordingError(
                f"not a {suffix[1:].upper()} file, or its beginning is damaged",
                where=name,
                fix="copy it again",
            )
    from cda.readers.csv import read_csv

    return read_csv(data, name=name, sha256=sha256, columns=columns)


def looks_like_recording_csv(path: Path | str) -> bool:
    """Whether the first line of a .csv (or .csv.gz) names power_w; reads 64 KiB at most."""
    return "power_w" in csv_headings(path)


def csv_headings(path: Path | str) -> tuple[str, ...]:
    """Return the headings in the first line of a .csv (or .csv.gz); reads 64 KiB at most.

    Empty where the file cannot be read.
    """
    from cda.readers.csv import decode_text, header_columns

    try:
        with Path(path).open("rb") as file:
            data = file.read(65_536)
    except (OSError, ValueError):
        return ()
    if data[:2] == b"\x1f\x8b":
        try:
            data = zlib.decompressobj(wbits=31).decompress(data, 65_536)
        except zlib.error:
            return ()
    line = decode_text(data).lstrip().split("\n", 1)[0].split("\r", 1)[0]
    return tuple(header_columns(line)[0])


def _too_large(name: str) -> RecordingError:
    return RecordingError(
        f"larger than {MAX_FILE_BYTES // 1_000_000} MB (decompressed)",
        where=name,
        fix="cut the recording to the test",
    )


def _decompress(raw: bytes, name: str) -> tuple[bytes, bool]:
    """Return the decompressed bytes, never more than `MAX_FILE_BYTES`, and whether all came out."""
    parts: list[bytes] = []
    size, members, whole = 0, 0, True
    # A gzip file may hold several members, one after the other; a thousand are no recording.
    while raw[:2] == b"\x1f\x8b" and members < 1000:
        members += 1
        stream = zlib.decompressobj(wbits=31)
        for start in range(0, len(raw), 65_536):
            try:
                part = stream.decompress(raw[start : start + 65_536], MAX_FILE_BYTES + 1 - size)
            except zlib.error:
                whole = False
                break
            parts.append(part)
            size += len(part)
            if size > MAX_FILE_BYTES or stream.unconsumed_tail:
                raise _too_large(name)
            if stream.eof:
                break
        if not stream.eof:
            whole = False
            break
        raw = stream.unused_data + raw[start + 65_536 :]
    data = b"".join(parts)
    if not whole and not data:
        raise RecordingError("the gzip file is damaged", where=name, fix="copy it again")
    return data, whole
