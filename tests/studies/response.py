"""How far the fitted response of race times is off, and what steps and stretches cost.

    python -m tests.studies.response

For courses and race files of rising difficulty: 200 draws that the response was not fitted to are
ridden in full; largest and root mean square error of a time and of what is saved [s].  "Bound"
means a speed limit of 14 m/s on descents, which bends the time where it begins to bind; on many
laps of one short course all bends come together.  Seeds are fixed.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import time
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from cda.race import RaceSettings, joint_draws, make_race, race_times
from cda.race.road import lapped, race_road
from tests.estimate_factory import make_estimate
from tests.studies.bench_race import write_course

POSITIONS = ("tall", "low", "narrow")
FRESH = 201
PACING = {
    "power_ratio_by_gradient": [[-0.05, 0.5], [0.0, 1.0], [0.05, 1.15]], "limit_w": 260.0
}  # fmt: skip
KNOWN = {"speed_m_s": 4.0, "from_deg": 220.0, "from_sd_deg": 30.0}
ANYWHERE = {"speed_m_s": 4.0}
BOUND = {"speed_limit_m_s": 14.0}
RULES = {"above_gradient": 0.03}
COURSES = {
    "90 km, 4 laps (example)": {"course": "hilly_lap.csv", "laps": 4},
    "180 km, one lap": {"course": "course.gpx"},
    "180 km, 30 laps of 6 km": {"course": "lap.csv", "laps": 30},
}
RACES: dict[str, dict[str, object]] = {
    "calm": {},
    "wind known": {"wind": KNOWN},
    "pacing, rules, wind from anywhere": {"pacing": PACING, "wind": ANYWHERE, "hold": RULES},
    "bound, calm": {"road": BOUND},
    "bound, pacing, wind from anywhere": {"road": BOUND, "pacing": PACING, "wind": ANYWHERE},
    "bound, pacing, rules, wind known": {
        "road": BOUND, "pacing": PACING, "wind": KNOWN, "hold": RULES,
    },
}  # fmt: skip


def write_lap(path: Path) -> None:
    """Write an invented round course of 6 km with two hills of 5 %."""
    along = np.linspace(0.0, 6000.0, 301)
    radius = 6000.0 / (2 * np.pi)
    latitude = 47.0 + radius * (1 - np.cos(along / radius)) / 111_200.0
    longitude = 8.0 + radius * np.sin(along / radius) / 75_800.0
    height = 400.0 + 24.0 * np.sin(2 * np.pi * along / 3000.0)
    rows = "".join(
        f"{d:.1f},{h:.3f},{a:.7f},{b:.7f}\n"
        for d, h, a, b in zip(along, height, latitude, longitude, strict=True)
    )
    text = "distance_m,elevation_m,latitude_deg,longitude_deg\n" + rows
    path.write_text(text, encoding="utf-8")


def row(folder: Path, values: dict[str, object]) -> str:
    """Return the cells of one race."""
    race = make_race(
        RaceSettings.model_validate({"name": "x", "power_w": 205.0, "power_sd_w": 5.0} | values),
        folder=folder,
    )
    draws = joint_draws(
        make_estimate(POSITIONS).joint, race, positions=POSITIONS, power_costs={"low": (2.0, 1.0)}
    )
    started = time.process_time()
    times = race_times(race, draws, reference=0)
    spent = time.process_time() - started
    kept = times.draws  # fewer where the response was off and each is ridden in full
    rides = kept.rides(kept.cda_m2, kept.power_cost_w).flat()
    columns = kept.cda_m2.shape[1]
    first = min(1000, columns // 2)
    fresh = np.random.default_rng(3).integers(first, columns, FRESH // len(POSITIONS))
    index = np.concatenate([fresh + k * columns for k in range(len(POSITIONS))])
    mean = draws.rides(draws.cda_m2[0, :1], only_mean=True)
    exact, _ = lapped(race, race_road(race, mean).road, rides.take(index))
    off = (times.held_s.ravel()[index] - exact).reshape(len(POSITIONS), -1)
    saved = off[0] - off[1:]
    return (
        f"{times.findings[-1].message.split(' over the')[0]} | {np.abs(off).max():.2f} | "
        f"{off.std():.2f} | {np.abs(saved).max():.2f} | {saved.std():.2f} | {spent:.1f}"
    )


def main() -> None:
    """Print the table as Markdown."""
    example = Path(__file__).parents[2] / "example_runs" / "hilly_lap.csv"
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        shutil.copy(example, folder / example.name)
        write_course(folder / "course.gpx")
        write_lap(folder / "lap.csv")
        print("| course | race | in full | time: largest | rms | saved: largest | rms | s |")
        print("|---|---|---|---|---|---|---|---|")
        for course, where in COURSES.items():
            for race, values in RACES.items():
                print(f"| {course} | {race} | {row(folder, where | values)} |")
                sys.stdout.flush()


if __name__ == "__main__":
    main()
