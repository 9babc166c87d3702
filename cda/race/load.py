"""A race file into a `Race`: settings, where each came from, the course, what to know."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from cda.air import air_density_with_uncertainty, station_pressure, wind_at_height
from cda.errors import CourseError
from cda.race.settings import RaceSettings
from cda.results import Finding, InputFile
from cda.session.toml_file import read_toml_model

if TYPE_CHECKING:
    from collections.abc import Mapping

PA_PER_HPA = 100.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Race:
    """One race, ready to be ridden in numbers.

    Attributes
    ----------
    settings : RaceSettings
        The race file, attribute by key.
    sources : mapping of str to str
        Dotted key -> "file", "default" or "option".
    inputs : tuple of InputFile
        Files the race rests on.
    findings : tuple of Finding
        What was assumed or repaired.
    """

    settings: RaceSettings
    sources: Mapping[str, str]
    inputs: tuple[InputFile, ...] = ()
    findings: tuple[Finding, ...] = ()

    @property
    def distance_m(self) -> float:
        """Return the length that is ridden [m]."""
        assert self.settings.distance_km is not None
        return 1000.0 * self.settings.distance_km

    def density(self) -> tuple[float, float]:
        """Return air density on race day with its standard uncertainty [kg/m^3]."""
        air = self.settings.air
        if air.density_kg_m3 is not None:
            return air.density_kg_m3, air.density_sd_kg_m3 or 0.0
        pressure = air.pressure_hpa
        if pressure is None:
            assert air.sea_level_pressure_hpa is not None
            pressure = (
                float(
                    station_pressure(
                        air.sea_level_pressure_hpa * PA_PER_HPA, air.elevation_m or 0.0
                    )
                )
                / PA_PER_HPA
            )
        density = air_density_with_uncertainty(
            temperature_c=air.temperature_c,
            pressure_hpa=pressure,
            relative_humidity=air.relative_humidity,
            temperature_sd_c=air.temperature_sd_c,
            pressure_sd_hpa=air.pressure_sd_hpa,
            relative_humidity_sd=air.relative_humidity_sd,
        )
        return density.density_kg_m3, density.se_kg_m3

    def wind(self) -> tuple[float, float]:
        """Return wind speed at rider height and its standard uncertainty [m/s]."""
        wind = self.settings.wind
        if wind is None:
            return 0.0, 0.0
        factor = float(
            wind_at_height(
                1.0,
                reading_height_m=wind.height_m,
                target_height_m=wind.rider_height_m,
                roughness_m=wind.roughness_m,
            )
        )
        return factor * wind.speed_m_s, factor * wind.speed_sd_m_s


def make_race(
    settings: RaceSettings,
    *,
    sources: Mapping[str, str] | None = None,
    inputs: tuple[InputFile, ...] = (),
    where: str = "race",
    folder: Path | None = None,
) -> Race:
    """Return a race from settings that are already there; `folder` holds the course file."""
    if settings.course is not None or settings.distance_km is None:
        raise CourseError(
            f"this version rides flat roads only, and the course {settings.course!r} would be "
            "left out",
            where=f"{where}, course",
            fix="take course (and laps, road) out and give distance_km",
        )
    given = settings.model_fields_set
    findings = []
    if "air" not in given:
        findings.append(
            Finding(
                severity="note",
                code="race-air-assumed",
                where=where,
                message="no [air]: 15 °C at sea level is taken, with a wide uncertainty",
                fix="give temperature_c and pressure_hpa as expected on race day",
            )
        )
    if settings.wind is None:
        findings.append(
            Finding(
                severity="note",
                code="race-wind-none",
                where=where,
                message="no [wind]: calm air is taken",
                fix="give the wind usual at the race; it makes a position worth a little more",
            )
        )
    unused = [name for name in ("laps", "road", "pacing", "hold") if name in given]
    if unused:
        findings.append(
            Finding(
                severity="warning",
                code="race-tables-without-effect",
                where=f"{where}, {', '.join(unused)}",
                message="a flat road at steady power has no laps, gradients, turns or limits: "
                "this part of the race file changes nothing",
                fix="take it out",
            )
        )
    return Race(settings=settings, sources=sources or {}, inputs=inputs, findings=tuple(findings))


def load_race(path: str | Path, *, overrides: Mapping[str, object] | None = None) -> Race:
    """Read a race file.

    Parameters
    ----------
    path : path
        race.toml, under any name.
    overrides : mapping, optional
        Dotted keys that replace what the file says.

    Raises
    ------
    SessionError
        With every mistake of the file at once.
    CourseError
        If the course cannot be read or ridden.
    """
    path = Path(path)
    settings, sources, file = read_toml_model(path, RaceSettings, overrides)
    return make_race(settings, sources=sources, inputs=(file,), where=path.name, folder=path.parent)
