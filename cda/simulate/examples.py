"""The example folders in example_runs/, made again byte for byte.

Run from the project's folder: ``python -m cda.simulate.examples example_runs``
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from cda.simulate.scenario import PRESETS, Scenario
from cda.simulate.simulated import simulate_session
from cda.simulate.write import write_session


@dataclass(frozen=True, slots=True, kw_only=True)
class Example:
    """One example folder: what is ridden, with which seed, in which format."""

    scenario: Scenario
    seed: int
    format: Literal["csv", "fit"]
    compress: bool = False


# The seeds were chosen before anything was estimated from these rides, and stay.
EXAMPLES = {
    "short_morning": Example(
        scenario=replace(
            PRESETS["calm"],
            title="Three head and arm positions before breakfast (invented)",
            date="2026-05-16",
            start_time="06:25:00",
            n_positions=3,
            runs_per_position=4,
            position_ids=("tall", "chin-down", "hands-high"),
            position_labels=(
                "Head up, eyes on the horizon",
                "Chin down, shoulders rounded",
                "Hands in front of the chin",
            ),
            position_cues=("look at the horizon", "long neck, chin to the hands", "hands up"),
            hold_shares=(None, 0.7, None),
            power_costs_w=(None, 2.0, None),
            power_cost_sds_w=(None, 2.0, None),
            comforts=(8.0, 6.0, 7.0),
            cda_m2=(0.2810, 0.2670, 0.2755),
            rest_s=(45.0, 75.0),
            laps="run",
            weather_wind=True,
        ),
        seed=2026,
        format="fit",
    ),
    "breezy_four": Example(
        scenario=replace(
            PRESETS["breeze"],
            title="Four positions on the causeway, in a breeze (invented)",
            date="2026-06-06",
            start_time="06:10:00",
            n_positions=4,
            runs_per_position=6,
            position_ids=("usual", "narrow", "head-low", "stretched"),
            position_labels=(
                "As ridden today",
                "Elbows 4 cm closer",
                "Head low, shoulders relaxed",
                "Hands 3 cm further forward",
            ),
            position_cues=("as always", "elbows in", "sink between the shoulders", "reach"),
            hold_shares=(None, 0.9, 0.5, None),
            comforts=(8.0, 6.0, 5.0, 7.0),
            cda_m2=(0.2740, 0.2690, 0.2615, 0.2725),
            rider_mass_kg=68.4,
            bike_mass_kg=9.2,
            temperature_c=17.5,
            pressure_hpa=1014.0,
            relative_humidity=0.62,
            laps="times",
            weather_wind=True,
        ),
        seed=2027,
        format="csv",
        compress=True,
    ),
}


def make_example(name: str, folder: Path) -> tuple[Path, ...]:
    """Write one example into `folder`/`name`."""
    example = EXAMPLES[name]
    simulated = simulate_session(
        example.scenario, example.seed, name=f"ride.{example.format}", folder_name=name
    )
    return write_session(simulated, folder / name, format=example.format, compress=example.compress)


def main(arguments: list[str] | None = None) -> int:
    """Make all examples again, or those named."""
    parser = argparse.ArgumentParser(prog="python -m cda.simulate.examples", description=__doc__)
    parser.add_argument("folder", type=Path, help="where the example folders go")
    parser.add_argument("names", nargs="*", metavar="NAME", help=f"of {', '.join(EXAMPLES)}")
    options = parser.parse_args(arguments)
    for name in options.names or EXAMPLES:
        if name not in EXAMPLES:
            parser.error(f"no example {name!r}; there are {', '.join(EXAMPLES)}")
        for path in make_example(name, options.folder):
            sys.stdout.write(f"{path.relative_to(options.folder)}  {path.stat().st_size} bytes\n")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
