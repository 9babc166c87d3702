"""Which folders below a folder are tests, and a fingerprint of what each one's result rests on.

A test is a folder with a session.toml. Its fingerprint covers the names and bytes of session.toml,
runs.csv, every file that may be a recording, and every file that session.toml names; pictures
count by name alone. A page or a table written beside the test does not change it.
"""

from __future__ import annotations

import hashlib
import os
import re
import tomllib
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from cda.errors import SessionError
from cda.results import Finding

_RIDE = re.compile(r"\.(fit|tcx|gpx|csv)(\.gz)?$", re.IGNORECASE)
_BLOCK = 1 << 20


@dataclass(frozen=True, slots=True, kw_only=True)
class TestFolder:
    """One test below the folder searched.

    Attributes
    ----------
    path : Path
        Where it lies.
    name : str
        Its path below the folder searched, with forward slashes; "." is that folder itself.
    fingerprint : str or None
        None if a file of it cannot be read.
    """

    __test__ = False  # not a case for a test runner

    path: Path
    name: str
    fingerprint: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Found:
    """The tests below a folder in the order of their names, and what was passed over."""

    tests: tuple[TestFolder, ...]
    findings: tuple[Finding, ...]


def find_tests(folder: Path) -> Found:
    """Return every test below `folder`.

    Hidden folders are not searched; links to folders are not followed.

    Raises
    ------
    SessionError
        If there is no such folder, or no test below it.
    """
    if not folder.is_dir():
        raise SessionError(
            "is not a folder", where=str(folder), fix="give the folder that holds the tests"
        )
    findings: list[Finding] = []

    def refused(error: OSError) -> None:
        findings.append(
            Finding(
                severity="warning",
                code="folder-not-read",
                where=_below(folder, Path(error.filename or folder)),
                message=f"the folder cannot be searched ({error.strerror})",
                fix="give it a read permission, or move it away",
            )
        )

    tests = []
    for place, folders, files in os.walk(folder, onerror=refused):
        here = Path(place)
        findings += [
            Finding(
                severity="note",
                code="link-not-followed",
                where=_below(folder, here / name),
                message="is a link to a folder and was not followed",
                fix="move the test itself below the folder",
            )
            for name in sorted(folders)
            if not name.startswith(".") and (here / name).is_symlink()
        ]
        folders[:] = sorted(f for f in folders if not f.startswith("."))
        if "session.toml" in files:
            tests.append(
                TestFolder(path=here, name=_below(folder, here), fingerprint=fingerprint(here))
            )
    if not tests:
        raise SessionError(
            "holds no test: no folder with a session.toml lies in it or below it",
            where=str(folder),
            fix="make one: `cda plan`, or `cda check RECORDING --make FOLDER`",
        )
    return Found(tests=tuple(sorted(tests, key=lambda t: t.name)), findings=tuple(findings))


def _below(folder: Path, path: Path) -> str:
    return path.relative_to(folder).as_posix() if path.is_relative_to(folder) else path.name


def input_files(folder: Path) -> tuple[list[Path], list[str]]:
    """Return the files a test's result rests on, and the pictures that only have to be there.

    Raises
    ------
    OSError
        If the folder cannot be read.
    """
    named, pictures = _named_files((folder / "session.toml").read_bytes())
    kept = {folder / "session.toml", folder / "runs.csv"}
    for path in folder.iterdir():
        if not path.name.startswith((".", "result_")) and _RIDE.search(path.name):
            kept.add(path)
    kept |= {folder / name for name in named}
    files = sorted(p for p in kept if _inside(folder, p) and p.is_file())
    return files, sorted(n for n in pictures if _inside(folder, folder / n))


def _inside(folder: Path, path: Path) -> bool:
    try:
        return path.resolve().is_relative_to(folder.resolve())
    except (OSError, ValueError, RuntimeError):  # a name no file can have, a ring of links
        return False


def _named_files(toml: bytes) -> tuple[list[str], list[str]]:
    """Return recordings and readings, and photos, that session.toml names; [] if it is broken."""
    try:
        data = tomllib.loads(toml.decode("utf-8-sig"))
    except (UnicodeDecodeError, tomllib.TOMLDecodeError):
        return [], []
    recordings, air, positions = (data.get(k) for k in ("recordings", "air", "positions"))
    named = [*recordings] if isinstance(recordings, list) else []
    named.append(air.get("readings") if isinstance(air, dict) else None)
    tables = positions if isinstance(positions, list) else []
    pictures = [p.get("photo") for p in tables if isinstance(p, dict)]
    return (
        [n for n in named if isinstance(n, str) and n and "\0" not in n],
        [n for n in pictures if isinstance(n, str) and n and "\0" not in n],
    )


def fingerprint(folder: Path) -> str | None:
    """Return a SHA-256 over what the test's result rests on, or None if it cannot be read."""
    total = hashlib.sha256()
    try:
        files, pictures = input_files(folder)
        for path in files:
            total.update(f"{path.relative_to(folder).as_posix()}\0".encode("utf-8", "replace"))
            total.update(_digest(path))
        for name in pictures:
            there = (folder / name).is_file()
            total.update(f"{name}\0{there}\0".encode("utf-8", "replace"))
    except OSError:
        return None
    return total.hexdigest()


def _digest(path: Path) -> bytes:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while block := file.read(_BLOCK):
            digest.update(block)
    return digest.digest()


@cache
def software_version() -> str:
    """Return the version that results depend on: the package's, and a digest of its source.

    The digest covers the rooms from a recording to the estimate, so that a change there makes the
    archive compute anew without anybody having to think of a number.
    """
    import cda

    package = Path(cda.__file__).parent
    total = hashlib.sha256()
    for path in sorted(package.rglob("*.py")):
        relative = path.relative_to(package).as_posix()
        if not relative.startswith(_AFTER_THE_ESTIMATE):
            total.update(relative.encode() + b"\0" + path.read_bytes())
    return f"{cda.__version__}+{total.hexdigest()[:12]}"


_AFTER_THE_ESTIMATE = (
    "cli/",
    "report/",
    "figures/",
    "archive/",
    "simulate/",
    "plan/",
    "race/",
    "priority/",
    "course/",
    "integration/",
    "ledger.py",
    "_data/",
    "results/",
)
