"""A protocol: how a kind of test is ridden, as one TOML file that anybody can copy and change."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from cda._data import data_folder
from cda.errors import SessionError
from cda.session.settings import SafeName, Settings, Tupled, choice, complaint, number, text
from cda.session.toml_file import read_toml_model

Lines = Annotated[tuple[str, ...], Tupled]
Numbers = Annotated[tuple[float, ...], Tupled]


_ORDERS = {
    "mirrored": "every round holds each position once, balanced against drift.",
    "blocks": "one position after the other: what drifts falls into the differences.",
}


class OrderSettings(Settings):
    """The order of positions."""

    kind: Literal["mirrored", "blocks"] = choice(
        "mirrored", "mirrored: no position is favoured by what drifts; blocks: one after the other"
    )


class Protocol(Settings):
    """All of a protocol file."""

    id: SafeName = text(..., "name that `cda plan` takes")
    title: str = text(..., "what it is, in words")
    purpose: str = text(..., "what it is good for")
    course: Literal["out-and-back", "loop", "track"] = choice(..., "as in session.toml")
    length_m: float = number(..., "m", 100.0, 10_000.0, "timed stretch, or one lap")
    length_range_m: Numbers = choice(..., "shortest and longest that the protocol fits")
    run_out_m: float = number(
        150.0, "m", 0.0, 1000.0, "road beyond each gate for braking, turning and starting"
    )
    legs_per_run: int = choice(2, "legs of one run, out and back in turn", source="one each way")
    laps_per_run: int = choice(3, "laps of one run on a loop or track", source="three")
    runs_per_position: int = choice(..., "unless --runs or --minutes say otherwise")
    powers_w: Numbers = choice(..., "powers, a round each in turn")
    rest_s: float = number(45.0, "s", 0.0, 3600.0, "between runs")
    max_minutes: float = number(
        100.0, "min", 10.0, 600.0, "calm air and freshness do not last longer"
    )
    max_wind_m_s: float = number(2.0, "m/s", 0.1, 10.0, "at rider height; do not ride above it")
    max_gust_sd_m_s: float = number(0.7, "m/s", 0.05, 5.0, "s.d. of gusts; do not ride above it")
    road: str = text(..., "what road it needs")
    weather: str = text(..., "what weather it needs")
    method_limits: str = text("", "what cannot be told apart this way")
    equipment: Lines = choice(..., "what is needed and how it is prepared")
    run: Lines = choice(..., "how a run goes, step by step")
    spoils: Lines = choice(..., "what spoils a run: ride it again at once")
    write_down: Lines = choice(..., "what to write on the run sheet")
    cautions: Lines = choice(..., "for the rider's safety")
    order: OrderSettings = Field(default_factory=OrderSettings)

    @model_validator(mode="after")
    def _can_be_ridden(self) -> Self:
        span = self.length_range_m
        if len(span) != 2 or not span[0] <= self.length_m <= span[1]:
            raise complaint(
                "length_range",
                f"length_m = {self.length_m:g} is not between the two lengths of length_range_m",
                "length_range_m",
                "write the shortest and the longest stretch, [800.0, 2500.0]",
            )
        if self.legs_per_run < 2 or self.legs_per_run % 2:
            raise complaint(
                "odd_legs",
                f"{self.legs_per_run} legs do not end where they began",
                "legs_per_run",
                "write an even number",
            )
        if not (1 <= self.runs_per_position <= 60 and 1 <= self.laps_per_run <= 100):
            raise complaint("runs", "runs_per_position is 1 to 60 and laps_per_run 1 to 100")
        if not self.powers_w or not all(30.0 <= p <= 1000.0 for p in self.powers_w):
            raise complaint("powers", "powers_w needs powers of 30 to 1000 W", "powers_w")
        if not self.cautions:
            raise complaint(
                "no_cautions",
                "a protocol without cautions is not printed",
                "cautions",
                "copy them from a protocol that comes with cda and adapt them to the road",
            )
        return self

    def __str__(self) -> str:
        """Return the protocol as `cda plan --show` prints it."""
        unit = "timed stretch" if self.course == "out-and-back" else "lap"
        stay = (
            f"{self.legs_per_run} legs"
            if self.course == "out-and-back"
            else f"{self.laps_per_run} laps"
        )
        powers = ", ".join(f"{p:g}" for p in self.powers_w)
        lines = [
            f"{self.id}: {self.title}",
            self.purpose,
            "",
            f"Road: {self.road}",
            f"Weather: {self.weather}",
            f"Size: {unit} of {self.length_m:g} m ({self.length_range_m[0]:g} to "
            f"{self.length_range_m[1]:g}), {stay} a run, {self.runs_per_position} runs a position, "
            f"at {powers} W in turn, {self.rest_s:g} s rest; {self.max_minutes:g} min at most.",
            "Order: " + _ORDERS[self.order.kind],
            f"Wind: not above {self.max_wind_m_s:g} m/s at rider height, gusts not above "
            f"{self.max_gust_sd_m_s:g} m/s (s.d.).",
        ]
        if self.method_limits:
            lines.append(f"Limits: {self.method_limits}")
        for head, items in (
            ("Equipment", self.equipment),
            ("A run", self.run),
            ("What spoils a run", self.spoils),
            ("To write down", self.write_down),
            ("Cautions", self.cautions),
        ):
            lines += ["", f"{head}:", *(f"  - {item}" for item in items)]
        return "\n".join(lines)


def load_protocol(name: str) -> Protocol:
    """Return a protocol that comes with the package, or the user's own file.

    Parameters
    ----------
    name : str
        Its id, or the path of a TOML file.

    Raises
    ------
    SessionError
        If there is no such protocol, or the file says something impossible.
    """
    own = Path(name)
    if own.suffix == ".toml":
        if not own.is_file():
            raise SessionError(
                "there is no such file", where=name, fix="check the path, or see cda plan --list"
            )
        return read_toml_model(own, Protocol)[0]
    for path in _files():
        if path.stem == name:
            return read_toml_model(path, Protocol)[0]
    names = ", ".join(p.stem for p in _files())
    raise SessionError(
        f"there is no protocol {name!r}", where="plan", fix=f"take one of {names}, or a .toml file"
    )


def list_protocols() -> tuple[Protocol, ...]:
    """Return the protocols that come with the package, the main one first."""
    known = [read_toml_model(path, Protocol)[0] for path in _files()]
    return tuple(sorted(known, key=lambda p: (p.id != "out-and-back", p.id)))


def _files() -> list[Path]:
    return sorted(data_folder("protocols").glob("*.toml"))
