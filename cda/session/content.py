"""What a loaded test holds: settings, runs placed in the recordings, air readings."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from cda.recording import Recording
    from cda.results import Finding, InputFile
    from cda.session.models import SessionSettings


@dataclass(frozen=True, slots=True, kw_only=True)
class Run:
    """One row of the run sheet, placed in its recording.

    Attributes
    ----------
    recording : int
        Index into the session's recordings.
    spans : tuple of (float, float)
        In that recording's `time_s`: one span is the whole run, several are one a leg. [s]
    spans_from : "laps", "times" or None
        None: not ridden, `spans` is empty.
    """

    run: int
    position: str
    recording: int = 0
    spans: tuple[tuple[float, float], ...] = ()
    spans_from: Literal["laps", "times"] | None = None
    use: bool = True
    comfort: float | None = None
    note: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class AirReading:
    """One row of the air readings; `time_s` in the first recording's time [s]; None: not read."""

    time_s: float
    temperature_c: float | None = None
    pressure_hpa: float | None = None
    relative_humidity: float | None = None
    wind_speed_m_s: float | None = None
    wind_from_deg: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Session:
    """One test day, read and checked for contradictions; nothing is estimated yet.

    `sources` says for each dotted key whether it came from the file, an option or the default.
    """

    key: str
    folder: Path
    folder_name: str
    settings: SessionSettings
    runs: tuple[Run, ...]
    recordings: tuple[Recording, ...]
    air_readings: tuple[AirReading, ...] = ()
    inputs: tuple[InputFile, ...] = ()
    sources: Mapping[str, str] = field(default_factory=dict)
    findings: tuple[Finding, ...] = ()

    @property
    def reference(self) -> str:
        """Return the id of the reference position."""
        return self.settings.reference

    @property
    def title(self) -> str:
        """Return the title, or the folder's name where there is none."""
        return self.settings.title or self.folder_name
