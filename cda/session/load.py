"""A test folder, or the same content in memory, into a `Session`."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import TYPE_CHECKING, Any

from cda.errors import SessionError
from cda.results import Finding, InputFile
from cda.session.air_readings import read_air_readings
from cda.session.content import AirReading, Run, Session
from cda.session.discovery import find_recordings
from cda.session.models import SessionSettings
from cda.session.paths import inside_folder
from cda.session.run_sheet import COLUMNS, parse_table, place_runs
from cda.session.toml_file import (
    apply_overrides,
    read_toml,
    validate_model,
    value_sources,
)
from cda.session.write import CHECK_TODAY, unchecked_keys

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cda.recording import Recording


def load_session(
    folder: str | Path,
    *,
    overrides: Mapping[str, object] | None = None,
    key: str = "s1",
    base: Path | None = None,
) -> Session:
    """Read session.toml, runs.csv, the recordings and air readings of one test folder.

    Parameters
    ----------
    folder : path
        The test folder.
    overrides : mapping, optional
        Dotted key -> value, as `--set` gives them; positions by id.
    key : str
        What results call this session.
    base : Path, optional
        The session's name in results is its path below this folder instead of its last part.

    Raises
    ------
    SessionError
        With every mistake of the file that is wrong.
    RecordingError
        If a named recording cannot be read.
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise SessionError(
            "is not a folder", where=folder.name or str(folder), fix="give the test's folder"
        )
    if not (folder / "session.toml").is_file():
        raise SessionError(
            "has no session.toml",
            where=folder.name,
            fix="make one: `cda plan`, or `cda check RECORDING --make FOLDER`",
        )
    data, toml_input = read_toml(folder / "session.toml")
    settings = validate_model(
        apply_overrides(data, overrides), SessionSettings, where="session.toml"
    )
    photos = [p.photo for p in settings.positions if p.photo]
    for name in photos:
        inside_folder(folder, name, "photo")
    unchecked = unchecked_findings((folder / "session.toml").read_bytes())
    sheet = _read_sheet(folder)
    rows, findings = parse_table(sheet, "runs.csv", COLUMNS, ("run", "position"))
    recordings, found = find_recordings(folder, settings)
    air, air_inputs, air_findings = _read_air(folder, settings, recordings)
    inputs = (
        toml_input,
        InputFile(name="runs.csv", sha256=hashlib.sha256(sheet).hexdigest()),
        *(InputFile(name=r.name, sha256=r.sha256) for r in recordings),
        *air_inputs,
    )
    return _assemble(
        settings,
        recordings,
        rows,
        key=key,
        folder=folder,
        folder_name=_name(folder, base),
        air_readings=air,
        inputs=inputs,
        sources=value_sources(settings, overrides),
        findings=(*unchecked, *findings, *found, *air_findings),
    )


def build_session(
    settings: Mapping[str, Any] | SessionSettings,
    recordings: Sequence[Recording],
    run_rows: Sequence[Mapping[str, object] | Run] = (),
    *,
    key: str = "s1",
    folder: Path | None = None,
    folder_name: str = "in memory",
    overrides: Mapping[str, object] | None = None,
    air_readings: Sequence[AirReading] = (),
    inputs: Sequence[InputFile] | None = None,
    findings: Sequence[Finding] = (),
) -> Session:
    """Return the session that a folder of this content would give, without any file.

    Parameters
    ----------
    settings : mapping or SessionSettings
        As session.toml: nested tables, `positions` a list of tables.
    run_rows : sequence
        Rows of runs.csv, column -> value (None and absent are empty), or `Run`s as they are.
    """
    if not recordings:
        raise SessionError("there is no recording", where=folder_name, fix="give at least one")
    if not isinstance(settings, SessionSettings):
        settings = validate_model(
            apply_overrides(settings, overrides), SessionSettings, where="session.toml"
        )
    elif overrides:
        raise SessionError(
            "overrides need the settings as tables", where="build_session", fix="pass a mapping"
        )
    ready = [row for row in run_rows if isinstance(row, Run)]
    rows = [
        (number, {k: "" if v is None else str(v).strip() for k, v in row.items()})
        for number, row in enumerate(run_rows, start=2)
        if not isinstance(row, Run)
    ]
    if inputs is None:
        inputs = [InputFile(name=r.name, sha256=r.sha256) for r in recordings]
    return _assemble(
        settings,
        tuple(recordings),
        rows,
        ready=ready,
        key=key,
        folder=folder or Path(),
        folder_name=folder_name,
        air_readings=tuple(air_readings),
        inputs=tuple(inputs),
        sources=value_sources(settings, overrides),
        findings=tuple(findings),
    )


def _assemble(
    settings: SessionSettings,
    recordings: tuple[Recording, ...],
    rows: Sequence[tuple[int, Mapping[str, str]]],
    *,
    key: str,
    folder: Path,
    folder_name: str,
    air_readings: tuple[AirReading, ...],
    inputs: tuple[InputFile, ...],
    sources: Mapping[str, str],
    findings: Sequence[Finding],
    ready: Sequence[Run] = (),
) -> Session:
    refuse_mercury(settings, recordings)
    runs, sheet_findings = place_runs(rows, settings, recordings)
    every = [*findings, *sheet_findings, *settings_findings(settings)]
    for recording in recordings:
        every += recording.findings
    if settings.air.temperature_from_recording:
        every.append(_own_temperature(recordings, air_readings))
    return Session(
        key=key,
        folder=folder,
        folder_name=folder_name,
        settings=settings,
        runs=(*ready, *runs),
        recordings=recordings,
        air_readings=air_readings,
        inputs=inputs,
        sources=dict(sources),
        findings=tuple(_of_session(f, key) for f in every),
    )


def _of_session(finding: Finding, key: str) -> Finding:
    from dataclasses import replace

    return finding if finding.session else replace(finding, session=key)


def refuse_mercury(settings: SessionSettings, recordings: Sequence[Recording]) -> None:
    """Refuse a station pressure that fits the recording's altitude only if it is in mmHg.

    755 hPa is the air of a mountain road, 755 mmHg that of the coast: only the altitude can tell.
    """
    import numpy as np

    from cda.air.pressure import standard_pressure_ratio

    pressure = settings.air.pressure_hpa
    if pressure is None:
        return
    for recording in recordings:
        if recording.altitude_m is None or not np.isfinite(recording.altitude_m).any():
            continue
        altitude = float(np.nanmedian(recording.altitude_m))
        if not -400.0 <= altitude <= 5000.0:
            continue
        usual = 1013.25 * float(standard_pressure_ratio(altitude))
        in_hpa = pressure * 1.333224  # [hPa/mmHg]
        if abs(in_hpa - usual) < 50.0 < 150.0 < abs(pressure - usual):
            raise SessionError(
                f"{pressure:g} hPa at {altitude:.0f} m, where {usual:.0f} hPa is usual",
                where="session.toml, air.pressure_hpa",
                fix=f"this looks like mmHg: write {in_hpa:.1f} (hPa)",
            )


def settings_findings(settings: SessionSettings) -> list[Finding]:
    """Return what the settings leave to a guess."""
    air, given = settings.air, settings.air.model_fields_set
    findings = []
    pressure_given = given & {"pressure_hpa", "sea_level_pressure_hpa"}
    known = air.density_kg_m3 is not None or air.readings is not None
    temperature_given = "temperature_c" in given or air.temperature_from_recording
    if not known and not (temperature_given and pressure_given):
        missing = [
            name
            for name, there in (
                ("temperature", temperature_given),
                ("pressure", pressure_given),
            )
            if not there
        ]
        findings.append(
            Finding(
                severity="warning",
                code="air-not-read",
                where="session.toml, [air]",
                message=f"no {' and no '.join(missing)} given: standard air, wide uncertainty",
                fix="add temperature_c and pressure_hpa (or sea_level_pressure_hpa) of the hour",
            )
        )
    if not known and air.sea_level_pressure_hpa is not None and air.elevation_m is None:
        findings.append(
            Finding(
                severity="note",
                code="elevation-from-recording",
                where="session.toml, [air]",
                message="no elevation_m: the recording's altitude brings the pressure to the road",
            )
        )
    return findings


def _own_temperature(
    recordings: Sequence[Recording], air_readings: Sequence[AirReading]
) -> Finding:
    """Warn of the recording's own temperature, which was asked for; refuse where it cannot be."""
    import numpy as np

    where = "session.toml, air.temperature_from_recording"
    without = [
        r.name
        for r in recordings
        if r.temperature_c is None or not np.isfinite(r.temperature_c).any()
    ]
    if without:
        raise SessionError(
            f"{', '.join(without)} holds no temperature",
            where=where,
            fix="write temperature_c as read in the shade",
        )
    if any(reading.temperature_c is not None for reading in air_readings):
        raise SessionError(
            "the air readings hold temperatures too",
            where=where,
            fix="take temperature_from_recording out, or the temperatures of the readings",
        )
    values = np.concatenate([r.temperature_c for r in recordings if r.temperature_c is not None])
    low, high = np.nanquantile(values, [0.05, 0.95])
    return Finding(
        severity="warning",
        code="temperature-from-recording",
        where=where,
        message=f"air temperature is the recording's own, {low:.0f} to {high:.0f} °C, as asked "
        "for: a sensor in the sun reads several degrees too high and lags by minutes; 3 °C are "
        "1 % of the air, 0.003 m²",
        fix="better: temperature_c read in the shade, or readings over time",
    )


def unchecked_findings(data: bytes) -> list[Finding]:
    """Say which values are still another day's, as `cda plan --like` took them over."""
    marked = unchecked_keys(data)
    if not marked:
        return []
    return [
        Finding(
            severity="warning",
            code="not-checked-today",
            where="session.toml",
            message=f"{', '.join(marked)}: taken over from another day and still marked "
            f"{CHECK_TODAY}",
            fix="weigh or read them again, correct what has changed, and take the marks away",
        )
    ]


def _read_sheet(folder: Path) -> bytes:
    try:
        return (folder / "runs.csv").read_bytes()
    except OSError as error:
        raise SessionError(
            "has no run sheet runs.csv",
            where=folder.name,
            fix="write one with the columns run,position,laps or run,position,start,end",
        ) from error


def _read_air(
    folder: Path, settings: SessionSettings, recordings: Sequence[Recording]
) -> tuple[tuple[AirReading, ...], tuple[InputFile, ...], list[Finding]]:
    if settings.air.readings is None:
        return (), (), []
    path = inside_folder(folder, settings.air.readings, "air.readings")
    data = path.read_bytes()
    readings, findings = read_air_readings(data, path.name, settings, recordings[0])
    return readings, (InputFile(name=path.name, sha256=hashlib.sha256(data).hexdigest()),), findings


def _name(folder: Path, base: Path | None) -> str:
    full = folder.resolve()
    if base is not None and full.is_relative_to(base.resolve()):
        return full.relative_to(base.resolve()).as_posix()
    return full.name
