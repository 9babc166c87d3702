"""Reads a recording, whatever the file: by its content first, its extension second, also gzipped.

A file that is damaged is read up to the break and says so in its findings; a file that holds
nothing usable ends in one `RecordingError`. Nothing in a file is trusted: sizes are bounded before
memory is taken.
"""

from __future__ import annotations

import hashlib
import zlib
from pathlib import Path
from typing import TYPE_CHECKING, Final

from cda.errors import RecordingError

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
        A FIT or CSV file, also gzipped.
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
    data = _decompress(raw, path.name) if raw[:2] == b"\x1f\x8b" else raw
    if not data.strip(b"\0 \t\r\n"):
        raise RecordingError("the file is empty", where=path.name, fix="copy it again")
    if data[8:12] == b".FIT":
        from cda.readers.fit import read_fit

        return read_fit(data, name=path.name, sha256=sha256)
    if data.lstrip(b"\xef\xbb\xbf \t\r\n")[:1] == b"<":
        raise RecordingError(
            "TCX and GPX are not read yet", where=path.name, fix="export the ride as FIT or CSV"
        )
    suffixes = [s.lower() for s in path.suffixes]
    if ".fit" in suffixes:
        raise RecordingError(
            "not a FIT file, or its header is damaged", where=path.name, fix="copy it again"
        )
    from cda.readers.csv import read_csv

    return read_csv(data, name=path.name, sha256=sha256, columns=columns)


def looks_like_recording_csv(path: Path | str) -> bool:
    """Whether the first line of a .csv (or .csv.gz) names power_w; reads 64 KiB at most."""
    from cda.readers.csv import decode_text, header_columns

    try:
        with Path(path).open("rb") as file:
            data = file.read(65_536)
    except (OSError, ValueError):
        return False
    if data[:2] == b"\x1f\x8b":
        try:
            data = zlib.decompressobj(wbits=31).decompress(data, 65_536)
        except zlib.error:
            return False
    line = decode_text(data).lstrip().split("\n", 1)[0].split("\r", 1)[0]
    return "power_w" in header_columns(line)[0]


def _too_large(name: str) -> RecordingError:
    return RecordingError(
        f"larger than {MAX_FILE_BYTES // 1_000_000} MB (decompressed)",
        where=name,
        fix="cut the recording to the test",
    )


def _decompress(raw: bytes, name: str) -> bytes:
    """Return the decompressed bytes, never more than `MAX_FILE_BYTES`."""
    stream = zlib.decompressobj(wbits=31)
    try:
        data = stream.decompress(raw, MAX_FILE_BYTES + 1)
    except zlib.error as error:
        raise RecordingError("the gzip file is damaged", where=name, fix="copy it again") from error
    if len(data) > MAX_FILE_BYTES or stream.unconsumed_tail:
        raise _too_large(name)
    return data
