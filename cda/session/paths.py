"""Files named in session.toml stay inside the test's folder."""

from __future__ import annotations

from pathlib import Path, PurePosixPath, PureWindowsPath

from cda.errors import SessionError


def inside_folder(folder: Path, name: str, what: str) -> Path:
    """Return the path of a file named in session.toml; SessionError if it leads out."""
    windows = PureWindowsPath(name)
    bad = (
        not name.strip()
        or "\0" in name
        or PurePosixPath(name).is_absolute()
        or windows.drive
        or windows.root
        or ".." in windows.parts
    )
    path = folder / name
    try:
        leads_out = bad or not path.resolve().is_relative_to(folder.resolve())
        there = not leads_out and path.is_file()
    except (OSError, ValueError, RuntimeError):
        leads_out, there = True, False
    if leads_out:
        raise SessionError(
            f"{name!r} leads out of the test's folder",
            where=f"session.toml, {what}",
            fix="copy the file into the folder and give its name alone",
        )
    if not there:
        raise SessionError(
            f"{name!r} is not there",
            where=f"session.toml, {what}",
            fix="check the spelling, large and small letters, and the ending",
        )
    return path
