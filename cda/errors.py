"""Every error `cda` raises on purpose.

CdaError
├── RecordingError           the file, or the samples in it, cannot be used
│   └── MissingChannelError  a channel the job needs is not in the file
├── SessionError             session.toml, runs.csv or race.toml say something impossible
├── UnitRangeError           a number is implausible in the unit it is documented in
├── EstimationError          the samples are fine, but they do not determine CdA
├── CourseError              a race course that cannot be ridden or read
└── OutputError              a result cannot be written where it was asked for
"""

from __future__ import annotations


class CdaError(Exception):
    """An error whose text is meant for the person running the test, not a developer.

    Parameters
    ----------
    problem : str
        What is wrong, with the value.
    where : str
        File, row, key, run or argument.
    fix : str
        What the person can do about it.
    """

    def __init__(self, problem: str, *, where: str = "", fix: str = "") -> None:
        super().__init__(problem)  # sets `args`: repr and pickling keep working
        self.problem, self.where, self.fix = problem, where, fix

    def __reduce__(self) -> tuple[object, tuple[str], dict[str, str]]:
        """Pickle with all three parts, so that worker processes can raise it."""
        return (type(self), (self.problem,), self.__dict__)

    def __str__(self) -> str:
        """Return where, what and how to fix it, as printed in the terminal."""
        head = f"{self.where}: {self.problem}" if self.where else self.problem
        return f"{head}\n  To fix: {self.fix}" if self.fix else head

    def to_dict(self) -> dict[str, object]:
        """Return the document that `--json` prints for an error."""
        return {
            "schema": 1,
            "kind": "error",
            "what": self.problem,
            "where": self.where,
            "fix": self.fix,
        }


class RecordingError(CdaError):
    """A recording cannot be read, or its samples cannot be used."""


class MissingChannelError(RecordingError):
    """A channel that the job needs is not in the recording."""


class SessionError(CdaError):
    """A session, run sheet or race file says something impossible."""


class UnitRangeError(CdaError, ValueError):
    """A value is outside the physical range of its documented unit."""


class EstimationError(CdaError):
    """The samples are fine, but they do not determine what was asked."""


class CourseError(CdaError):
    """A race course that cannot be ridden or read."""


class OutputError(CdaError):
    """A result cannot be written where it was asked for."""
