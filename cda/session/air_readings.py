"""The file of air readings: rows in time, brought to the first recording's seconds."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cda.session.content import AirReading
from cda.session.moments import TimeProblemError, seconds_candidates
from cda.session.run_sheet import parse_table
from cda.session.settings import AirSettings
from cda.session.toml_file import mistakes_error

if TYPE_CHECKING:
    from cda.recording import Recording
    from cda.results import Finding
    from cda.session.models import SessionSettings

VALUE_COLUMNS = (
    "temperature_c",
    "pressure_hpa",
    "relative_humidity",
    "wind_speed_m_s",
    "wind_from_deg",
)
WIND_LIMITS = {"wind_speed_m_s": (0.0, 30.0), "wind_from_deg": (0.0, 360.0)}


def read_air_readings(
    data: bytes, name: str, settings: SessionSettings, recording: Recording
) -> tuple[tuple[AirReading, ...], list[Finding]]:
    """Return the readings in order of time; every mistake of the file in one error."""
    rows, findings = parse_table(data, name, ("time", "time_s", *VALUE_COLUMNS), ())
    mistakes: list[tuple[str, str, str]] = []
    readings: list[AirReading] = []
    for number, row in rows:
        place = f"row {number}"
        values: dict[str, float | None] = {}
        for column in VALUE_COLUMNS:
            try:
                values[column] = _value(row.get(column, ""), column)
            except ValueError as error:
                mistakes.append((place, str(error), "correct it, or leave the cell empty"))
        try:
            candidates = seconds_candidates(
                row.get("time") or row.get("time_s") or "",
                recording,
                date=settings.date,
                time_zone=settings.time_zone,
            )
        except TimeProblemError as error:
            mistakes.append((place, error.problem, error.fix))
            continue
        if len(values) == len(VALUE_COLUMNS):
            last = float(recording.time_s[-1])
            nearest = min(candidates, key=lambda s: max(-s, s - last, 0.0))
            readings.append(AirReading(time_s=nearest, **values))
    if not rows:
        mistakes.append(("", "has no reading", "one row a reading, with time and temperature_c"))
    if mistakes:
        raise mistakes_error(name, mistakes)
    return tuple(sorted(readings, key=lambda r: r.time_s)), findings


def _value(written: str, column: str) -> float | None:
    if not written:
        return None
    try:
        value = float(written.replace(",", "."))
    except ValueError:
        raise ValueError(f"{column} {written!r} is not a number") from None
    low, high = WIND_LIMITS.get(column) or _limits(column)
    if not low <= value <= high:
        raise ValueError(f"{column} {written} is not within {low:g} to {high:g}")
    return value


def _limits(column: str) -> tuple[float, float]:
    """Return the limits of the one reading of session.toml: they hold here too."""
    low, high = -float("inf"), float("inf")
    for rule in AirSettings.model_fields[column].metadata:
        low, high = getattr(rule, "ge", low), getattr(rule, "le", high)
    return low, high
