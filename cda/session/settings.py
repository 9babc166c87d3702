"""The tables that session.toml and race.toml share, and how their fields are built.

Every field carries its unit, limits, meaning and the source of its default, so that the schema,
the readable table, the comments of written files and the error messages all come from here.
"""

from __future__ import annotations

import re
from typing import Annotated, Any, Self

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field, model_validator
from pydantic_core import PydanticCustomError

RULE_OF_THUMB = "common practice, no source"

STANDARD_TEMPERATURE_C = 15.0  # ISO 2533 standard atmosphere at sea level
STANDARD_PRESSURE_HPA = 1013.25  # the same
# Without a reading, what outdoor air on a day fit for riding spreads around those.
UNREAD_TEMPERATURE_SD_C = 8.0
UNREAD_PRESSURE_SD_HPA = 10.0
UNREAD_HUMIDITY_SD = 0.2
OWN_TEMPERATURE_SD_C = 2.0  # of a sensor on the bike, in the shade at best


class Settings(BaseModel):
    """Base of every table: strict types, no unknown keys, nothing changed after loading."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


def number(
    default: Any,
    unit: str,
    low: float | None,
    high: float | None,
    meaning: str,
    *,
    source: str = RULE_OF_THUMB,
    above: float | None = None,
) -> Any:
    """Return a field for a number with its unit, inclusive limits and meaning.

    `default` is `...` for a required key; `above` is an exclusive lower limit in place of `low`.
    """
    extra = {"unit": unit, "default_source": "required" if default is ... else source}
    return Field(
        default, ge=low, gt=above, le=high, description=meaning, json_schema_extra=dict(extra)
    )


def text(default: Any, meaning: str, *, source: str = "", max_length: int = 500) -> Any:
    """Return a field for a text with its meaning."""
    extra = {"unit": "", "default_source": "required" if default is ... else source}
    return Field(default, description=meaning, max_length=max_length, json_schema_extra=dict(extra))


def choice(default: Any, meaning: str, *, source: str = "") -> Any:
    """Return a field for anything that is neither a bounded number nor a bounded text."""
    extra = {"unit": "", "default_source": "required" if default is ... else source}
    return Field(default, description=meaning, json_schema_extra=dict(extra))


def complaint(kind: str, message: str, key: str = "", fix: str = "") -> PydanticCustomError:
    """Return a mistake for a validator to raise; `key` names the key inside the table."""
    # The message is passed as context: a brace in what the user wrote is not a template.
    return PydanticCustomError(
        kind,
        "{message}",
        {"message": message, "key": key, "fix": fix},
    )


def _safe_name(value: str) -> str:
    if not re.fullmatch(r"[A-Za-z0-9_-]{1,64}", value):
        raise complaint(
            "unsafe_name",
            f"{value!r} is not a name that files and tables can carry",
            fix="use letters without accents, digits, - and _; the label may say anything",
        )
    return value


SafeName = Annotated[str, AfterValidator(_safe_name)]


def _tupled(value: object) -> object:
    """TOML has only lists; frozen settings hold tuples."""
    return tuple(value) if isinstance(value, list) else value


Tupled = BeforeValidator(_tupled)


class RiderSettings(Settings):
    """The athlete."""

    id: SafeName = text("rider", "tells athletes apart", source="one rider")
    mass_kg: float = number(..., "kg", 30.0, 200.0, "rider dressed and helmeted, as ridden")
    mass_sd_kg: float = number(0.3, "kg", 0.0, 5.0, "standard uncertainty of mass_kg")


class BikeSettings(Settings):
    """The bicycle, its tyres, wheels and drivetrain."""

    id: SafeName = text(
        "bike", "same id in another session: same (unknown) errors", source="one bike"
    )
    mass_kg: float = number(..., "kg", 4.0, 40.0, "bike with bottles and tools, as ridden")
    mass_sd_kg: float = number(0.1, "kg", 0.0, 5.0, "standard uncertainty of mass_kg")
    rolling_resistance: float = number(
        0.0042, "", 0.001, 0.02, "Crr of the tyres alone, as believed before the test"
    )
    rolling_resistance_sd: float = number(
        0.0003, "", 0.0, 0.005, "standard uncertainty of rolling_resistance; the data update it"
    )
    rolling_resistance_drift_sd_per_h: float = number(
        0.01, "1/h", 0.0, 0.2, "relative drift an hour: tyres and road warm up"
    )
    rolling_resistance_per_c: float | None = number(
        None,
        "1/°C",
        -0.05,
        0.05,
        "relative change of Crr for each degree of the air, on request: -0.012 is common practice, "
        "no source",
        source="not asked for: Crr does not follow the air",
    )
    rolling_resistance_sd_per_c: float = number(
        0.005, "1/°C", 0.0, 0.05, "standard uncertainty of rolling_resistance_per_c"
    )
    rolling_resistance_at_c: float | None = number(
        None,
        "°C",
        -20.0,
        48.0,
        "air temperature that rolling_resistance is meant for, with rolling_resistance_per_c",
        source="the mean of the session",
    )
    drivetrain_efficiency: float = number(
        0.976,
        "",
        0.85,
        1.0,
        "power at the wheel over power at the crank; taken as 1 for a hub power meter",
        source="Martin et al. 1998 (value from memory)",
    )
    drivetrain_efficiency_sd: float = number(
        0.005, "", 0.0, 0.05, "standard uncertainty of drivetrain_efficiency"
    )
    wheel_inertia_kg_m2: float = number(
        0.14,
        "kg m^2",
        0.0,
        0.5,
        "moment of inertia of both wheels together",
        source="Martin et al. 1998 (value from memory)",
    )
    wheel_radius_m: float = number(0.335, "m", 0.15, 0.40, "rolling radius of the wheels")
    wheel_drag_area_m2: float = number(
        0.0044,
        "m^2",
        0.0,
        0.02,
        "drag area of the turning wheels; results say when it is in",
        source="Martin et al. 1998 (value from memory)",
    )
    bearing_drag_n: float = number(
        0.091,
        "N",
        0.0,
        2.0,
        "hub bearings: constant part; 0 if Crr came from a coast-down",
        source="Martin et al. 1998 (value from memory)",
    )
    bearing_drag_n_s_m: float = number(
        0.0087,
        "N s/m",
        0.0,
        0.2,
        "hub bearings: part that grows with speed; 0 if Crr came from a coast-down",
        source="Martin et al. 1998 (value from memory)",
    )


class AirSettings(Settings):
    """The air: one reading, a file of readings, or its density.

    After validation `pressure_hpa` or `sea_level_pressure_hpa` is a number; which keys the file
    gave is in `model_fields_set`.
    """

    readings: str | None = text(
        None,
        "file inside the folder with time, temperature_c, pressure_hpa, relative_humidity, "
        "wind_speed_m_s, wind_from_deg",
        source="one reading for the whole session",
    )
    temperature_c: float = number(
        STANDARD_TEMPERATURE_C,
        "°C",
        -20.0,
        48.0,
        "air temperature at the road, in the shade",
        source="ISO 2533 at sea level",
    )
    temperature_sd_c: float = number(
        0.5,
        "°C",
        0.0,
        20.0,
        "standard uncertainty; 8 where no temperature is given, 2 with temperature_from_recording",
    )
    temperature_from_recording: bool = choice(
        False,
        "take the recording's own temperature; a sensor in the sun reads degrees too high",
        source="never unasked",
    )
    pressure_hpa: float | None = number(
        None,
        "hPa",
        500.0,
        1090.0,
        "station pressure, at the road",
        source="1013.25 hPa at sea level, brought to the road",
    )
    sea_level_pressure_hpa: float | None = number(
        None,
        "hPa",
        900.0,
        1090.0,
        "as weather services give it; brought to elevation_m by the standard atmosphere",
        source="ISO 2533 where there is no pressure at all",
    )
    elevation_m: float | None = number(
        None,
        "m",
        -430.0,
        5000.0,
        "height of the road, for sea_level_pressure_hpa",
        source="the recording's altitude",
    )
    pressure_sd_hpa: float = number(
        0.5, "hPa", 0.0, 50.0, "standard uncertainty; 10 where no pressure is given"
    )
    relative_humidity: float = number(0.60, "", 0.0, 1.0, "0 to 1, not percent")
    relative_humidity_sd: float = number(
        0.10, "", 0.0, 0.5, "standard uncertainty; 0.2 where no humidity is given"
    )
    density_kg_m3: float | None = number(
        None, "kg/m^3", 0.6, 1.5, "replaces all the rest", source="computed from the rest"
    )
    density_sd_kg_m3: float | None = number(
        None,
        "kg/m^3",
        0.0,
        0.2,
        "standard uncertainty of density_kg_m3",
        source="0.005 kg/m^3 with density_kg_m3",
    )

    @model_validator(mode="after")
    def _one_pressure(self) -> Self:
        if self.pressure_hpa is not None and self.sea_level_pressure_hpa is not None:
            raise complaint(
                "two_pressures",
                "both pressure_hpa and sea_level_pressure_hpa are given",
                "sea_level_pressure_hpa",
                "keep pressure_hpa if it was read at the road, else sea_level_pressure_hpa",
            )
        if self.temperature_from_recording and "temperature_c" in self.model_fields_set:
            raise complaint(
                "two_temperatures",
                "both temperature_c and temperature_from_recording are given",
                "temperature_from_recording",
                "keep temperature_c if it was read in the shade at the road",
            )
        if self.density_sd_kg_m3 is not None and self.density_kg_m3 is None:
            raise complaint(
                "density_sd_alone",
                "density_sd_kg_m3 is given without density_kg_m3",
                "density_sd_kg_m3",
                "give density_kg_m3 as well, or leave both out",
            )
        return self

    @model_validator(mode="after")
    def _widen_what_was_not_read(self) -> Self:
        # Written past `frozen` so that `model_fields_set` keeps saying what the file gave.
        given, values = self.model_fields_set, self.__dict__
        unread = self.readings is None
        if self.temperature_from_recording and "temperature_sd_c" not in given:
            values["temperature_sd_c"] = OWN_TEMPERATURE_SD_C
        elif unread and not given & {"temperature_c", "temperature_sd_c"}:
            values["temperature_sd_c"] = UNREAD_TEMPERATURE_SD_C
        if unread and not given & {"relative_humidity", "relative_humidity_sd"}:
            values["relative_humidity_sd"] = UNREAD_HUMIDITY_SD
        if self.pressure_hpa is None and self.sea_level_pressure_hpa is None:
            values["sea_level_pressure_hpa"] = STANDARD_PRESSURE_HPA
            if unread and "pressure_sd_hpa" not in given:
                values["pressure_sd_hpa"] = UNREAD_PRESSURE_SD_HPA
        if self.density_kg_m3 is not None and self.density_sd_kg_m3 is None:
            values["density_sd_kg_m3"] = 0.005
        return self


class WindSettings(Settings):
    """A wind reading or forecast."""

    speed_m_s: float = number(..., "m/s", 0.0, 30.0, "mean wind speed at height_m")
    speed_sd_m_s: float = number(1.0, "m/s", 0.0, 10.0, "standard uncertainty of speed_m_s")
    from_deg: float | None = number(
        None,
        "°",
        0.0,
        360.0,
        "direction it blows from, clockwise from true north",
        source="unknown: every direction alike",
    )
    from_sd_deg: float = number(20.0, "°", 0.0, 180.0, "standard uncertainty of from_deg")
    height_m: float = number(
        10.0, "m", 0.1, 200.0, "height it was read at", source="WMO-No. 8: wind is read at 10 m"
    )
    rider_height_m: float = number(1.2, "m", 0.3, 3.0, "height that the rider meets the wind at")
    roughness_m: float = number(
        0.03,
        "m",
        0.0001,
        2.0,
        "roughness length of the land around; brings the wind down by the log law",
        source="WMO-No. 8: open flat land, grass (value from memory)",
    )
