"""How long `cda race` takes over a course of 180 km with 20 000 points, five positions.

Run by hand: `python tests/studies/bench_race.py`.  Prints processor seconds of one position's
single full integration of 300 draws, of the whole savings with every draw, the ratio of the two
(asked for: at most 3) and the largest memory (asked for: below 1 GB).
"""

from __future__ import annotations

import resource
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[2]))

from cda.priority import time_savings
from cda.race import RaceSettings, joint_draws, make_race
from cda.race.road import lapped, race_road
from tests.estimate_factory import make_estimate

POSITIONS = ("tall", "low", "narrow", "wide", "shrug")
KM, POINTS = 180.0, 20_000


def write_course(path: Path) -> None:
    """Write an invented round course with noise of 1 m on its heights."""
    along = np.linspace(0.0, 1000.0 * KM, POINTS)
    radius = 1000.0 * KM / (2 * np.pi)
    latitude = 47.0 + radius * np.sin(along / radius) / 111_200.0
    longitude = 8.0 + radius * (1 - np.cos(along / radius)) / 75_800.0
    height = 300.0 + 60.0 * np.sin(2 * np.pi * along / 9000.0)
    height += 10.0 * np.sin(2 * np.pi * along / 1300.0)
    height += np.random.default_rng(1).normal(size=POINTS)
    rows = "".join(
        f'<trkpt lat="{a:.7f}" lon="{b:.7f}"><ele>{h:.2f}</ele></trkpt>'
        for a, b, h in zip(latitude, longitude, height, strict=True)
    )
    path.write_text(f"<gpx><trk><trkseg>{rows}</trkseg></trk></gpx>", encoding="utf-8")


def main() -> None:
    """Print the table."""
    estimate = make_estimate(POSITIONS)
    with tempfile.TemporaryDirectory() as folder:
        write_course(Path(folder) / "course.gpx")
        for name, wind in (
            ("calm", None),
            ("wind, direction known", {"speed_m_s": 4.0, "from_deg": 220.0}),
            ("wind from anywhere", {"speed_m_s": 4.0}),
        ):
            start = time.process_time()
            race = make_race(
                RaceSettings(name=name, power_w=205.0, course="course.gpx", wind=wind),
                folder=Path(folder),
            )
            read_s = time.process_time() - start
            draws = joint_draws(estimate.joint, race, positions=POSITIONS, power_costs={})
            mean = draws.rides(draws.cda_m2[0, :1], only_mean=True)
            road = race_road(race, mean).road
            rides = draws.rides(draws.cda_m2[0], draws.power_cost_w[0]).flat()
            start = time.process_time()
            lapped(race, road, rides.take(np.arange(300)))
            single_s = time.process_time() - start
            start = time.process_time()
            savings = time_savings(estimate, race)
            whole_s = time.process_time() - start
            note = next(f.message for f in savings.findings if f.code == "race-response")
            peak_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0
            print(
                f"{name}: course read in {read_s:.1f} s; 300 draws of one position {single_s:.1f} "
                f"s; savings {whole_s:.1f} s, {whole_s / single_s:.1f} times; {peak_mb:.0f} MB\n"
                f"  {note}"
            )


if __name__ == "__main__":
    main()
