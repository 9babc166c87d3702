"""Reasons for doubt: what is wrong, where, and what to do about it."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import Literal

Severity = Literal["note", "warning", "stop"]
SEVERITIES: tuple[Severity, ...] = ("note", "warning", "stop")


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One reason for doubt, or one thing that was done and should be known.

    Attributes
    ----------
    severity : {"note", "warning", "stop"}
        A note informs; a warning makes the exit status 3; a stop ends fit, race and report.
    code : str
        Stable name in kebab-case.
    where : str
        File, runs or key that it is about.
    message : str
        What was found, with the value.
    fix : str
        What the rider or analyst can do.
    session : str or None
        Key of the session, or None if it is about no session in particular.
    """

    severity: Severity
    code: str
    message: str
    where: str = ""
    fix: str = ""
    session: str | None = None

    def __str__(self) -> str:
        """Return one or two lines for the terminal."""
        head = f"{self.severity} [{self.code}] {self.where + ': ' if self.where else ''}"
        return head + self.message + (f"\n  To fix: {self.fix}" if self.fix else "")

    def to_dict(self) -> dict[str, object]:
        """Return the finding as plain data."""
        return asdict(self)
