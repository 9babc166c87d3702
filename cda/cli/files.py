"""Writing files: whole or not at all, and never over a file that this program did not make.

A file is ours when it carries the word `cda-field-test` near its start or end (pages and pictures
name their generator there), or when it is a table `result_*.csv` whose first line is the one that
would be written again.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from cda.errors import OutputError

if TYPE_CHECKING:
    from pathlib import Path

MARKER = b"cda-field-test"
_WINDOW = 8192  # bytes looked at from each end [B]


def write_file(path: Path, content: str | bytes, *, force: bool = False) -> None:
    """Write one file atomically.

    Parameters
    ----------
    path : Path
        Where to; its folder must exist.
    content : str or bytes
        Text is written as UTF-8.
    force : bool
        Overwrite whatever is there.

    Raises
    ------
    OutputError
        If a file that is not ours is there, or it cannot be written.
    """
    data = content.encode() if isinstance(content, str) else content
    refuse_foreign(path, data, force=force)
    if path.exists() and not path.is_file():  # a device or a pipe: no name to move onto
        path.write_bytes(data)
        return
    from cda.session import write_bytes

    write_bytes(path.resolve(), data)


def refuse_foreign(path: Path, data: bytes = b"", *, force: bool = False) -> None:
    """Raise `OutputError` if something that this program did not make is at `path`."""
    if path.is_dir():
        raise OutputError("is a folder, not a file", where=str(path), fix="name a file in it")
    if not path.parent.is_dir():
        raise OutputError(
            f"there is no folder {path.parent}", where=str(path), fix="make the folder first"
        )
    if force or not path.is_file() or _is_ours(path, data):
        return
    raise OutputError(
        "a file that this program did not make is there",
        where=str(path),
        fix="choose another name, or add --force to overwrite it",
    )


def _is_ours(path: Path, data: bytes) -> bool:
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(_WINDOW)
        file.seek(max(0, size - _WINDOW))
        tail = file.read(_WINDOW)
    if not size or MARKER in head or MARKER in tail:
        return True
    is_table = path.name.startswith("result_") and path.suffix == ".csv"
    return is_table and data != b"" and head.split(b"\n", 1)[0] == data.split(b"\n", 1)[0]


def refuse_full_folder(folder: Path, *, ours: str, force: bool = False) -> None:
    """Raise `OutputError` if `folder` holds something and has no file `ours` that we made."""
    if folder.exists() and not folder.is_dir():
        raise OutputError("is a file, not a folder", where=str(folder), fix="name a new folder")
    if force or not folder.is_dir() or not any(folder.iterdir()) or (folder / ours).is_file():
        return
    raise OutputError(
        "the folder is not empty, and this program did not make it",
        where=str(folder),
        fix="name a new folder, or add --force to write into this one",
    )
