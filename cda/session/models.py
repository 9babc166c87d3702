"""session.toml as a tree of frozen settings; the attribute names are the keys of the file."""

from __future__ import annotations

import datetime as dt
import math
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from cda.session.settings import (
    AirSettings,
    BikeSettings,
    RiderSettings,
    SafeName,
    Settings,
    Tupled,
    WindSettings,
    choice,
    complaint,
    number,
    text,
)


class PowerMeterSettings(Settings):
    """The power meter and what is not known about it."""

    id: SafeName = text(
        "meter", "same id in another session: same (unknown) errors", source="one meter"
    )
    location: Literal["crank", "pedal", "hub"] = choice(
        "crank", "where it measures", source="the most frequent place"
    )
    scale_sd: float = number(
        0.015, "", 0.0, 0.2, "relative standard uncertainty, one error for the whole session"
    )
    offset_sd_w: float = number(1.0, "W", 0.0, 50.0, "standard uncertainty of its zero")
    offset_drift_sd_w_per_h: float = number(1.0, "W/h", 0.0, 50.0, "drift of its zero an hour")
    delay_s: float = number(0.0, "s", -10.0, 10.0, "power arrives late by this")
    delay_sd_s: float = number(0.5, "s", 0.0, 5.0, "standard uncertainty of delay_s")


class SpeedSensorSettings(Settings):
    """Where speed and distance come from."""

    source: Literal["wheel", "gps"] = choice(
        "wheel", "what speed was measured with", source="the most frequent"
    )
    scale: float = number(1.0, "", 0.8, 1.25, "true over recorded speed", source="as recorded")
    scale_sd: float = number(0.003, "", 0.0, 0.1, "standard uncertainty: wheel circumference")


class AirspeedSensorSettings(Settings):
    """The airspeed sensor; used only with airspeed_m_s in the recording."""

    scale: float = number(1.0, "", 0.5, 2.0, "true over recorded airspeed", source="as recorded")
    scale_sd: float = number(
        0.05, "", 0.0, 0.5, "common to the session; found from the out-and-back"
    )
    position_scale_sd: float = number(
        0.005, "", 0.0, 0.2, "own part of each position: arms and head bend the flow there"
    )
    offset_sd_m_s: float = number(0.1, "m/s", 0.0, 5.0, "standard uncertainty of its zero")
    noise_sd_m_s: float = number(0.3, "m/s", 0.0, 5.0, "noise of one sample")


def _in_range(pair: tuple[float, float]) -> tuple[float, float]:
    latitude, longitude = pair
    if not (-90.0 <= latitude <= 90.0 and -180.0 <= longitude <= 180.0):
        raise complaint(
            "not_a_place",
            "a gate is [latitude, longitude] in degrees: -90 to 90, -180 to 180",
            fix="write latitude first",
        )
    return pair


Gate = Annotated[tuple[float, float], Tupled, AfterValidator(_in_range)]


class CourseSettings(Settings):
    """The stretch; found from the recording where nothing is said."""

    kind: Literal["out-and-back", "loop", "track"] = choice(
        "out-and-back", "how the stretch is ridden", source="the most frequent"
    )
    gate_a: Gate | None = choice(
        None, "[latitude, longitude] in degrees", source="found from the recording"
    )
    gate_b: Gate | None = choice(
        None, "the other end of the timed stretch", source="found from the recording"
    )
    height_difference_m: float | None = number(
        None, "m", -500.0, 500.0, "B above A, where surveyed", source="estimated"
    )
    height_difference_sd_m: float = number(
        0.1, "m", 0.0, 50.0, "standard uncertainty of height_difference_m"
    )
    lap_length_m: float | None = number(
        None, "m", 50.0, 50_000.0, "one lap of a loop or track", source="found from the recording"
    )
    bend_radius_m: float | None = number(
        None, "m", 5.0, 5000.0, "radius of a track's bends", source="bend_share, else a usual track"
    )
    bend_share: float | None = number(
        None,
        "",
        0.05,
        1.0,
        "share of a track's lap that is bend, 0 to 1",
        source="bend_radius_m, else a usual track",
    )
    mass_centre_height_m: float | None = number(
        None,
        "m",
        0.5,
        1.6,
        "centre of mass of rider and bike above the ground, upright; tracks only",
        source="1.05 m, common practice, no source",
    )

    @model_validator(mode="after")
    def _bends_close_a_lap(self) -> Self:
        if self.kind == "out-and-back" or None in (self.bend_radius_m, self.lap_length_m):
            return self
        assert self.bend_radius_m is not None
        assert self.lap_length_m is not None
        if 2.0 * math.pi * self.bend_radius_m > 1.05 * self.lap_length_m:
            raise complaint(
                "bends_too_long",
                f"bends of {self.bend_radius_m:g} m radius do not fit into a lap of "
                f"{self.lap_length_m:g} m",
                "bend_radius_m",
                "a lap turns once round: its length is at least 6.28 times the bends' radius",
            )
        return self

    @model_validator(mode="after")
    def _both_gates(self) -> Self:
        if (self.gate_a is None) != (self.gate_b is None) and self.kind == "out-and-back":
            missing = "gate_a" if self.gate_a is None else "gate_b"
            raise complaint(
                "one_gate", f"{missing} is missing", missing, "give both gates or neither"
            )
        return self


class PositionSettings(Settings):
    """One riding position."""

    id: SafeName = text(..., "as in runs.csv")
    label: str = text("", "what it is, in words", source="the id")
    cue: str | None = text(None, "printed on the run sheet and in the report", source="none")
    reference: bool = choice(
        False, "how the athlete rides today; exactly one", source="the first if none says so"
    )
    photo: str | None = text(None, "picture inside the folder", source="none")
    hold_share: float | None = number(
        None,
        "",
        0.0,
        1.0,
        "share of the race's bike distance it can be held, 0 to 1",
        source="not known: results show 30, 50, 70 and 100 %",
    )
    power_cost_w: float | None = number(
        None, "W", -50.0, 200.0, "what holding it costs at the pedals", source="cost unknown"
    )
    power_cost_sd_w: float | None = number(
        None, "W", 0.0, 100.0, "standard uncertainty of power_cost_w", source="cost unknown"
    )

    @model_validator(mode="after")
    def _label_and_cost(self) -> Self:
        if not self.label:
            self.__dict__["label"] = self.id
        if self.power_cost_sd_w is not None and self.power_cost_w is None:
            raise complaint(
                "cost_sd_alone",
                "power_cost_sd_w is given without power_cost_w",
                "power_cost_sd_w",
                "give power_cost_w as well, or leave both out",
            )
        return self


def _as_date(value: Any) -> Any:
    if isinstance(value, dt.datetime):
        return value.date()
    if isinstance(value, str):
        try:
            return dt.date.fromisoformat(value.strip())
        except ValueError:
            raise complaint(
                "not_a_date", f"{value!r} is not a date", fix="write date = 2026-05-09"
            ) from None
    if isinstance(value, dt.date):
        return value
    raise complaint("not_a_date", f"{value!r} is not a date", fix="write date = 2026-05-09")


def _known_zone(name: str) -> str:
    from zoneinfo import ZoneInfo, available_timezones

    try:
        ZoneInfo(name)
    except (OSError, ValueError, LookupError):
        from difflib import get_close_matches

        close = get_close_matches(name, available_timezones(), n=1, cutoff=0.5)
        meant = f"did you mean {close[0]!r}? " if close else ""
        raise complaint(
            "unknown_zone",
            f"{name!r} is not a time zone",
            fix=f'{meant}write it as region and town, time_zone = "Europe/Lisbon"',
        ) from None
    return name


def _known_channels(columns: dict[str, str]) -> dict[str, str]:
    from difflib import get_close_matches

    from cda.recording import CHANNELS

    known = ("time", "time_s", *CHANNELS, "lap")
    for channel in columns:
        if channel not in known:
            close = get_close_matches(channel, known, n=1)
            raise complaint(
                "no_channel",
                f"{channel!r} is no channel of a recording",
                fix=f"did you mean {close[0]!r}?" if close else f"use one of {', '.join(known)}",
            )
    return columns


class SessionSettings(Settings):
    """All of session.toml."""

    title: str = text("", "printed on the report", source="the folder's name")
    date: Annotated[dt.date, BeforeValidator(_as_date)] | None = choice(
        None, "day of the test", source="the recording's"
    )
    time_zone: Annotated[str, AfterValidator(_known_zone)] | None = choice(
        None,
        "for clock times without offset, where the recording does not give its local time",
        source="the recording's local time",
    )
    protocol: SafeName | None = text(None, "protocol the runs follow", source="none")
    recordings: Annotated[tuple[str, ...], Tupled] = choice(
        (),
        "recording files inside the folder",
        source="every .fit, .tcx, .gpx, and every .csv with power_w; the richest of copies",
    )
    columns: Annotated[dict[str, str], AfterValidator(_known_channels)] = Field(
        default_factory=dict,
        description="headings of a CSV recording by channel, where they are not recognised",
        json_schema_extra={"unit": "", "default_source": "recognised by name and unit"},
    )
    rider: RiderSettings = choice(..., "the athlete")
    bike: BikeSettings = choice(..., "the bicycle")
    power_meter: PowerMeterSettings = Field(default_factory=PowerMeterSettings)
    speed_sensor: SpeedSensorSettings = Field(default_factory=SpeedSensorSettings)
    airspeed_sensor: AirspeedSensorSettings = Field(default_factory=AirspeedSensorSettings)
    air: AirSettings = Field(default_factory=AirSettings)
    wind: WindSettings | None = choice(None, "optional wind reading", source="the ride alone")
    course: CourseSettings = Field(default_factory=CourseSettings)
    positions: Annotated[tuple[PositionSettings, ...], Tupled] = choice(
        ..., "the positions that were ridden"
    )

    @model_validator(mode="after")
    def _positions_fit_together(self) -> Self:
        if not self.positions:
            raise complaint(
                "no_positions",
                "there is no position",
                "positions",
                'add [[positions]] with id = "..." for each position ridden',
            )
        ids = [p.id for p in self.positions]
        double = sorted({i for i in ids if ids.count(i) > 1})
        if double:
            raise complaint(
                "same_id",
                f"more than one position has the id {', '.join(map(repr, double))}",
                "positions",
                "give each position an id of its own",
            )
        references = [p.id for p in self.positions if p.reference]
        if len(references) > 1:
            raise complaint(
                "two_references",
                f"{' and '.join(map(repr, references))} are all marked reference = true",
                "positions",
                "mark exactly one: how the athlete rides today",
            )
        return self

    @model_validator(mode="after")
    def _wind_has_a_direction(self) -> Self:
        if self.wind is not None and self.wind.from_deg is None:
            raise complaint(
                "no_direction",
                "the wind has a speed and no direction",
                "wind.from_deg",
                "give from_deg, the direction it blows from in degrees; or leave [wind] out",
            )
        return self

    @property
    def reference(self) -> str:
        """Return the id of the reference position: the marked one, else the first."""
        return next((p.id for p in self.positions if p.reference), self.positions[0].id)
