"""race.toml as a tree of frozen settings; the attribute names are the keys of the file."""

from __future__ import annotations

from itertools import pairwise
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BeforeValidator, Field, model_validator

from cda.session.settings import (
    AirSettings,
    SafeName,
    Settings,
    Tupled,
    WindSettings,
    choice,
    complaint,
    number,
    text,
)


def _as_range(value: Any) -> Any:
    """Take one number for both ends; keep what is neither for the type's own complaint."""
    if isinstance(value, bool) or not isinstance(value, list | tuple | int | float):
        raise complaint("not_a_range", f"{value!r} is neither a number nor [low, high]")
    ends = (value, value) if isinstance(value, int | float) else tuple(value)
    numbers = all(isinstance(x, int | float) and not isinstance(x, bool) for x in ends)
    if len(ends) != 2 or not numbers:
        raise complaint("not_a_range", f"{value!r} is neither a number nor [low, high]")
    if not ends[0] <= ends[1]:
        raise complaint("range_backwards", f"{value!r} falls", fix="write the smaller number first")
    return (float(ends[0]), float(ends[1]))


Range = Annotated[tuple[float, float], BeforeValidator(_as_range)]


def span(default: Any, unit: str, low: float, high: float, meaning: str) -> Any:
    """Return a field for one number or a range [low, high], both ends within limits."""
    extra = {"unit": unit, "default_source": "required" if default is ... else "none"}

    def within(ends: tuple[float, float] | None) -> tuple[float, float] | None:
        if ends is not None and not (low <= ends[0] and ends[1] <= high):
            raise complaint(
                "range_limits",
                f"{ends[0]:g} to {ends[1]:g} is outside {low:g} to {high:g} {unit}".rstrip(),
                fix="check the value and its unit",
            )
        return ends

    field = Field(default, description=meaning, json_schema_extra=dict(extra))
    field.metadata.append(AfterValidator(within))
    return field


class RaceRiderSettings(Settings):
    """What is different about the rider on race day; all of it where there is no session."""

    id: SafeName | None = text(None, "as in the session", source="the session's")
    mass_kg: float | None = number(
        None, "kg", 30.0, 200.0, "rider dressed and helmeted", source="the session's"
    )
    mass_sd_kg: float = number(0.3, "kg", 0.0, 5.0, "standard uncertainty of mass_kg")


class RaceBikeSettings(Settings):
    """What is different about the bicycle on race day; all of it where there is no session."""

    id: SafeName | None = text(None, "as in the session", source="the session's")
    mass_kg: float | None = number(
        None, "kg", 4.0, 40.0, "bike with bottles and tools", source="the session's"
    )
    mass_sd_kg: float = number(0.1, "kg", 0.0, 5.0, "standard uncertainty of mass_kg")
    rolling_resistance: float | None = number(
        None, "", 0.001, 0.02, "Crr of the race tyres", source="the session's estimate"
    )
    rolling_resistance_sd: float = number(
        0.0003, "", 0.0, 0.005, "standard uncertainty of rolling_resistance"
    )
    drivetrain_efficiency: float | None = number(
        None, "", 0.85, 1.0, "power at the wheel over shown power", source="the session's"
    )
    drivetrain_efficiency_sd: float = number(
        0.005, "", 0.0, 0.05, "standard uncertainty of drivetrain_efficiency"
    )
    wheel_inertia_kg_m2: float | None = number(
        None, "kg m^2", 0.0, 0.5, "moment of inertia of both wheels", source="the session's"
    )
    wheel_radius_m: float | None = number(
        None, "m", 0.15, 0.40, "rolling radius of the wheels", source="the session's"
    )
    wheel_drag_area_m2: float | None = number(
        None, "m^2", 0.0, 0.02, "drag area of the turning wheels", source="the session's"
    )
    bearing_drag_n: float | None = number(
        None, "N", 0.0, 2.0, "hub bearings: constant part", source="the session's"
    )
    bearing_drag_n_s_m: float | None = number(
        None, "N s/m", 0.0, 0.2, "hub bearings: part growing with speed", source="the session's"
    )


class RacePositionSettings(Settings):
    """What is known of holding one position in this race; it goes before the session's word."""

    id: SafeName = text(..., "as in the session")
    hold_share: float | None = number(
        None, "", 0.0, 1.0, "share of the bike distance it can be held", source="the session's"
    )
    power_cost_w: float | None = number(
        None, "W", -50.0, 200.0, "what holding it costs at the pedals", source="the session's"
    )
    power_cost_sd_w: float | None = number(
        None, "W", 0.0, 100.0, "standard uncertainty of power_cost_w", source="the session's"
    )


class HoldSettings(Settings):
    """Where on the course no position but the reference is held."""

    above_gradient: float | None = number(
        None, "", -0.3, 0.3, "not held on slopes steeper than this, rise over run", source="none"
    )
    below_speed_m_s: float | None = number(
        None, "m/s", 0.0, 25.0, "not held where the reference rides slower", source="none"
    )
    at_turns: bool = choice(True, "false: not held where the course limits speed")


class RoadSettings(Settings):
    """How the course file is read."""

    from_km: float | None = number(None, "km", 0.0, 2000.0, "cut: begin here", source="its start")
    to_km: float | None = number(None, "km", 0.0, 2000.0, "cut: end here", source="its end")
    scale_to_distance: bool = choice(
        False, "stretch or shrink the laps to distance_km, climbs keeping their height"
    )
    smoothing_m: float | None = number(
        None, "m", 0.0, 1000.0, "length over which heights are smoothed", source="100 for GPX"
    )
    lateral_limit_m_s2: float | None = number(
        None, "m/s^2", 0.5, 8.0, "limits speed in bends found from curvature", source="no limit"
    )
    speed_limit_m_s: float | None = number(
        None, "m/s", 2.0, 35.0, "the rider goes nowhere faster, on descents", source="no limit"
    )
    braking_m_s2: float = number(2.0, "m/s^2", 0.2, 6.0, "braking before a speed limit")


class PacingSettings(Settings):
    """Power by gradient; rescaled so that the mean over the ride is power_w."""

    power_ratio_by_gradient: Annotated[
        tuple[Annotated[tuple[float, float], Tupled], ...], Tupled
    ] = choice(((0.0, 1.0),), "pairs [gradient, ratio], gradients rising; straight lines between")
    limit_w: float | None = number(None, "W", 20.0, 2000.0, "never above this", source="none")

    @model_validator(mode="after")
    def _rising(self) -> Self:
        pairs = self.power_ratio_by_gradient
        gradients = [g for g, _ in pairs]
        if not pairs or any(b <= a for a, b in pairwise(gradients)):
            raise complaint(
                "pacing_order",
                "the gradients do not rise from pair to pair",
                "power_ratio_by_gradient",
                "write them from downhill to uphill, each once",
            )
        if any(not 0.0 <= ratio <= 3.0 for _, ratio in pairs):
            raise complaint(
                "pacing_ratio",
                "a ratio is outside 0 to 3",
                "power_ratio_by_gradient",
                "a ratio of 1 is the mean power",
            )
        return self


class SwimSettings(Settings):
    """The line of the swim."""

    distance_m: float = number(..., "m", 50.0, 50_000.0, "shortest line")
    pace_s_per_100_m: float = number(..., "s", 40.0, 400.0, "time for 100 m")
    extra_distance_percent: Range = span(..., "%", 0.0, 100.0, "swum today beyond the line")
    extra_distance_practised_percent: Range = span(
        (0.0, 0.0), "%", 0.0, 100.0, "still swum beyond the line after practice"
    )


class TurnSettings(Settings):
    """Turns of the bike course."""

    count: int = choice(..., "how many such turns")
    entry_speed_m_s: Range = span(..., "m/s", 2.0, 25.0, "speed before and regained after")
    speed_now_m_s: Range = span(..., "m/s", 0.5, 25.0, "slowest speed in the turn today")
    speed_practised_m_s: Range = span(..., "m/s", 0.5, 25.0, "the same after practice")
    deceleration_now_m_s2: Range = span((2.0, 2.0), "m/s^2", 0.2, 8.0, "braking today")
    deceleration_practised_m_s2: Range = span((2.0, 2.0), "m/s^2", 0.2, 8.0, "after practice")

    @model_validator(mode="after")
    def _slower_in_the_turn(self) -> Self:
        if self.count < 0:
            raise complaint("count", f"{self.count} is not a number of turns", "count")
        for name in ("speed_now_m_s", "speed_practised_m_s"):
            if getattr(self, name)[1] > self.entry_speed_m_s[0]:
                raise complaint(
                    "turn_speed",
                    "is faster than entry_speed_m_s",
                    name,
                    "the speed in the turn is the slowest one",
                )
        return self


class ClimbSettings(Settings):
    """Entry into climbs."""

    count: int = choice(..., "how many such climbs")
    height_m: float = number(..., "m", 1.0, 3000.0, "height of one")
    gradient: float = number(..., "", 0.005, 0.25, "rise over run")
    entry_speed_m_s: Range = span(..., "m/s", 2.0, 25.0, "speed at the foot")
    lost_pedalling_now_s: Range = span(..., "s", 0.0, 60.0, "no pedalling at the foot, today")
    lost_pedalling_practised_s: Range = span(..., "s", 0.0, 60.0, "the same after practice")


class RunSettings(Settings):
    """The line of the run."""

    distance_m: float = number(..., "m", 100.0, 200_000.0, "measured, shortest line")
    pace_s_per_km: float = number(..., "s", 120.0, 1200.0, "time for a kilometre")
    extra_distance_percent: Range = span(..., "%", 0.0, 30.0, "run today beyond the line")
    extra_distance_practised_percent: Range = span(
        (0.0, 0.0), "%", 0.0, 30.0, "still run beyond the line after practice"
    )


class TransitionSettings(Settings):
    """Both transitions together."""

    now_s: Range = span(..., "s", 5.0, 7200.0, "today")
    practised_s: Range = span(..., "s", 5.0, 7200.0, "after practice")


class RaceSettings(Settings):
    """All of race.toml."""

    name: str = text("the race", "printed in the results")
    distance_km: float | None = number(
        None, "km", 0.0, 2000.0, "bike distance", source="the course's length", above=0.1
    )
    course: str | None = text(None, "GPX or CSV file beside the race file", source="a flat road")
    laps: int = choice(1, "how often the course is ridden")
    power_w: float = number(
        ..., "W", 40.0, 600.0, "mean power, as the session's power meter would show it"
    )
    power_sd_w: float = number(0.0, "W", 0.0, 100.0, "standard uncertainty of power_w")
    meter: Literal["session", "other"] = choice(
        "session", "other: not the meter of the test, its errors are drawn apart"
    )
    rider: RaceRiderSettings = Field(default_factory=RaceRiderSettings)
    bike: RaceBikeSettings = Field(default_factory=RaceBikeSettings)
    air: AirSettings = Field(default_factory=AirSettings)
    wind: WindSettings | None = choice(None, "wind on race day", source="calm")
    road: RoadSettings = Field(default_factory=RoadSettings)
    pacing: PacingSettings | None = choice(None, "power by gradient", source="constant power")
    hold: HoldSettings = Field(default_factory=HoldSettings)
    positions: Annotated[tuple[RacePositionSettings, ...], Tupled] = choice(
        (), "what holding a position is like in this race", source="the session's"
    )
    swim: SwimSettings | None = choice(None, "the ledger's line of the swim", source="none")
    turns: TurnSettings | None = choice(None, "the ledger's turns", source="none")
    climbs: ClimbSettings | None = choice(None, "the ledger's climbs", source="none")
    run: RunSettings | None = choice(None, "the ledger's line of the run", source="none")
    transitions: TransitionSettings | None = choice(None, "the ledger's transitions", source="none")

    @model_validator(mode="after")
    def _length_known(self) -> Self:
        if self.distance_km is None and self.course is None:
            raise complaint(
                "no_length",
                "neither distance_km nor course is given",
                "distance_km",
                "add distance_km = 180.0",
            )
        if not 1 <= self.laps <= 1000:
            raise complaint("laps", f"{self.laps} laps", "laps", "write 1 or more")
        if self.road.scale_to_distance and self.distance_km is None:
            raise complaint(
                "nothing_to_scale_to", "scale_to_distance needs distance_km", "distance_km"
            )
        limit = self.pacing.limit_w if self.pacing else None
        if limit is not None and limit <= self.power_w:
            raise complaint(
                "limit_below_mean",
                f"limit_w {limit:g} is not above power_w",
                "pacing.limit_w",
                "a mean cannot lie above the limit",
            )
        ids = [p.id for p in self.positions]
        if len(set(ids)) < len(ids):
            raise complaint("same_id", "a position stands twice", "positions")
        return self
