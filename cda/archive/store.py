"""The archive file: opened, brought up to date, written a test at a time.

One transaction a test, with a rollback journal and full synchronisation: whatever kills the
process, the file holds every test committed before and nothing of the one being written. The
rollback journal also works where the folder is shared over a network or can only be read.
"""

from __future__ import annotations

import sqlite3
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

from cda.archive.schema import APPLICATION_ID, MIGRATIONS
from cda.errors import CdaError, OutputError

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from pathlib import Path

    from cda.archive.record import Record

BUSY_S: Final = 60.0  # how long another process may hold the file before it is an error
_FULL = (sqlite3.SQLITE_FULL, sqlite3.SQLITE_IOERR_WRITE, sqlite3.SQLITE_IOERR_FSYNC)
_NOT_OURS = (sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_CORRUPT)
_CLOSED = (sqlite3.SQLITE_READONLY, sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM)
_TABLES = ("position", "difference", "finding", "ride")


class Archive:
    """An open archive.

    Parameters
    ----------
    path : Path
        The file; made where there is none, unless `read_only`.
    read_only : bool
        Look only: an older file is not brought up to date.
    busy_s : float
        How long to wait for another process. [s]

    Raises
    ------
    OutputError
        If it cannot be opened or written, or is no archive of this program.
    """

    def __init__(self, path: Path, *, read_only: bool = False, busy_s: float = BUSY_S) -> None:
        self.path = path
        if path.is_dir():
            raise OutputError("is a folder, not a file", where=str(path), fix="name a file in it")
        if not path.parent.is_dir():
            raise OutputError(
                f"there is no folder {path.parent}", where=str(path), fix="make the folder first"
            )
        if path.exists() and path.stat().st_size and not _is_sqlite(path):
            raise self._foreign()
        with self._errors():
            # Looking, too, may have to roll back what a killed process left; where the file cannot
            # be written SQLite opens it for reading by itself.
            mode = "rw" if read_only else "rwc"
            self.connection = sqlite3.connect(
                f"{path.resolve().as_uri()}?mode={mode}",
                uri=True,
                timeout=busy_s,
                isolation_level=None,
            )
            try:
                self._prepare(read_only=read_only)
            except BaseException:
                self.connection.close()
                raise

    def _prepare(self, *, read_only: bool) -> None:
        run = self.connection.execute
        run("PRAGMA foreign_keys = ON")
        run("PRAGMA synchronous = FULL")
        version = self._pragma("user_version")
        if version > len(MIGRATIONS):
            raise OutputError(
                f"is an archive of version {version}; this program knows up to {len(MIGRATIONS)}",
                where=self.path.name,
                fix="use the newer program that made it, or another file with --archive",
            )
        if self._pragma("application_id") != APPLICATION_ID and not self._is_new():
            raise self._foreign()
        if version == len(MIGRATIONS):
            return
        if read_only:
            raise OutputError(
                f"is an archive of version {version}, which has to be brought up to date",
                where=self.path.name,
                fix="type the same command without --show",
            )
        self._migrate()

    def _migrate(self) -> None:
        """Apply what is missing, all in one transaction; another process may have been faster."""
        with self._transaction():
            for statements in MIGRATIONS[self._pragma("user_version") :]:
                for statement in statements:
                    self.connection.execute(statement)
            self.connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            self.connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")

    def _pragma(self, name: str) -> int:
        return int(self.connection.execute(f"PRAGMA {name}").fetchone()[0])

    def _is_new(self) -> bool:
        return not self.connection.execute("SELECT 1 FROM sqlite_master").fetchall()

    def _foreign(self) -> OutputError:
        return OutputError(
            "is not an archive that this program made",
            where=str(self.path),
            fix="choose another file with --archive",
        )

    @contextmanager
    def _errors(self) -> Iterator[None]:
        """Turn what SQLite refuses into an error that says what to do."""
        try:
            yield
        except sqlite3.Error as error:
            raise self._translated(error) from error

    def _translated(self, error: sqlite3.Error) -> CdaError:
        code = getattr(error, "sqlite_errorcode", 0) or 0
        basic = code & 0xFF
        where = str(self.path)
        if code in _FULL or basic == sqlite3.SQLITE_FULL:
            return OutputError(
                f"the archive cannot be written: the disk is full or a limit is reached ({error})",
                where=where,
                fix="make room and type the same command again: what is finished is kept",
            )
        if basic in _CLOSED:
            return OutputError(
                f"the archive cannot be opened for writing ({error})",
                where=where,
                fix="choose a file you may write with --archive, or look only with --show",
            )
        if basic in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED):
            return OutputError(
                "another process holds the archive",
                where=where,
                fix="wait until it has ended and type the same command again",
            )
        if basic in _NOT_OURS:
            return OutputError(
                f"the archive is damaged ({error})",
                where=where,
                fix="move it away: the same command makes a new one from the tests",
            )
        return OutputError(
            f"the archive cannot be read or written ({error})",
            where=where,
            fix="see that disk and folder are in order, then type the same command again",
        )

    @contextmanager
    def _transaction(self) -> Iterator[None]:
        """Write all of it or nothing; the lock is taken at once, so that nobody waits in vain."""
        self.connection.execute("BEGIN IMMEDIATE")
        try:
            yield
            self.connection.execute("COMMIT")
        except BaseException:
            if self.connection.in_transaction:
                self.connection.execute("ROLLBACK")
            raise

    def close(self) -> None:
        """Close the file."""
        self.connection.close()

    def __enter__(self) -> Archive:
        """Return the open archive."""
        return self

    def __exit__(self, *_: object) -> None:
        """Close the file."""
        self.close()

    def has(self, folder: str, fingerprint: str | None, version: str) -> bool:
        """Say whether the test's result in the archive rests on this input and this version.

        A fault, and a test that could not be read, are tried again.
        """
        if fingerprint is None:
            return False
        with self._errors():
            found = self.connection.execute(
                "SELECT 1 FROM test WHERE folder = ? AND fingerprint = ? AND version = ?"
                " AND state <> 'fault'",
                (folder, fingerprint, version),
            ).fetchone()
        return found is not None

    def try_to_write(self) -> None:
        """Write what is there already: who may not write is told before anything is computed."""
        with self._errors(), self._transaction():
            self.connection.execute(f"PRAGMA user_version = {len(MIGRATIONS)}")

    def keep(self, record: Record) -> None:
        """Write one test in one transaction, in place of what the archive had of it."""
        first = {
            "folder": record.folder,
            "fingerprint": record.fingerprint,
            "version": record.version,
            "state": record.state,
        }
        rides = tuple({"ride": ride} for ride in record.rides)
        below = (record.positions, record.differences, record.findings, rides)
        with self._errors(), self._transaction():
            self.connection.execute("DELETE FROM test WHERE folder = ?", (record.folder,))
            self._insert("test", first | dict(record.test))
            for table, rows in zip(_TABLES, below, strict=True):
                for row in rows:
                    self._insert(table, {"folder": record.folder, **row})

    def _insert(self, table: str, row: Mapping[str, object]) -> None:
        columns = ", ".join(row)
        marks = ", ".join("?" * len(row))
        self.connection.execute(
            f"INSERT INTO {table} ({columns}) VALUES ({marks})", tuple(row.values())
        )

    def rows(self, table: str) -> list[dict[str, object]]:
        """Return a table as dicts, in the order of its key."""
        order = {
            "test": "folder",
            "position": "folder, number",
            "difference": "folder, number",
            "finding": "folder, number",
            "ride": "folder, ride",
        }[table]
        with self._errors():
            cursor = self.connection.execute(f"SELECT * FROM {table} ORDER BY {order}")
            names = [column[0] for column in cursor.description]
            return [dict(zip(names, row, strict=True)) for row in cursor]

    def sound(self) -> bool:
        """Say whether SQLite finds the file whole and every row with its test."""
        with self._errors():
            whole = self.connection.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
            return whole and not self.connection.execute("PRAGMA foreign_key_check").fetchall()


def _is_sqlite(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            return file.read(16) == b"SQLite format 3\0"
    except OSError as error:
        raise OutputError(
            f"the archive cannot be read ({error.strerror})",
            where=str(path),
            fix="choose a file you may read with --archive",
        ) from error
