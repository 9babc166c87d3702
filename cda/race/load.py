"""A race file into a `Race`: settings, where each came from, the course, what to know."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from cda.air import air_density_with_uncertainty, station_pressure, wind_at_height
from cda.course import Course, build_course, read_course
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
    course: Course | None = None

    @property
    def distance_m(self) -> float:
        """Return the length that is ridden [m]."""
        if self.course is not None:
            return self.course.lap_m * self.settings.laps
        assert self.settings.distance_km is not None
        return 1000.0 * self.settings.distance_km

    @property
    def direction_known(self) -> bool:
        """Return whether it is known where the wind blows against the road."""
        wind, course = self.settings.wind, self.course
        return (
            wind is not None
            and wind.from_deg is not None
            and course is not None
            and course.bearing_deg is not None
        )

    @property
    def reading_elevation_m(self) -> float:
        """Return the height that the reading of the air belongs to [m]."""
        given = self.settings.air.elevation_m
        if given is not None:
            return given
        return 0.0 if self.course is None else float(np.mean(self.course.elevation_m))

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
                        air.sea_level_pressure_hpa * PA_PER_HPA, self.reading_elevation_m
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
    given = settings.model_fields_set
    findings: list[Finding] = []
    course = None
    if settings.course is not None:
        course, file = _course(settings, where, folder)
        inputs = (*inputs, file)
        findings += course.findings
        stated = settings.distance_km
        ridden = course.lap_m * settings.laps / 1000.0
        if stated is not None and abs(ridden / stated - 1.0) > 0.01:
            findings.append(
                Finding(
                    severity="warning",
                    code="course-length-differs",
                    where=f"{where}, distance_km",
                    message=f"the course is {ridden:.1f} km long and distance_km {stated:g}; the "
                    "course is ridden as it is",
                    fix="set road.scale_to_distance = true, or check laps",
                )
            )
    if "air" not in given:
        findings.append(
            Finding(
                severity="note",
                code="race-air-assumed",
                where=where,
                message="no [air]: the standard atmosphere is taken (15 °C at sea level), "
                "with a wide uncertainty",
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
    if unused and course is None:
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
    return Race(
        settings=settings,
        sources=sources or {},
        inputs=inputs,
        findings=tuple(findings),
        course=course,
    )


def _course(settings: RaceSettings, where: str, folder: Path | None) -> tuple[Course, InputFile]:
    """Return the course of a race file and the file it came from."""
    assert settings.course is not None
    name = settings.course
    beside = not (Path(name).is_absolute() or ".." in Path(name).parts or "\\" in name)
    if folder is None or not beside or not name.strip() or "\0" in name:
        raise CourseError(
            f"the course {name!r} is not a file beside the race file",
            where=f"{where}, course",
            fix="copy it beside the race file and give its name alone",
        )
    points = read_course(folder / name)
    road, laps = settings.road, settings.laps
    length = None
    if road.scale_to_distance and settings.distance_km is not None:
        length = 1000.0 * settings.distance_km / laps
    course = build_course(
        points,
        from_m=None if road.from_km is None else 1000.0 * road.from_km,
        to_m=None if road.to_km is None else 1000.0 * road.to_km,
        length_m=length,
        smoothing_m=road.smoothing_m,
        lateral_limit_m_s2=road.lateral_limit_m_s2,
    )
    return course, InputFile(name=points.name, sha256=points.sha256)


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
