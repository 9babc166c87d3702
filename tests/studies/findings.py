"""How often each finding is raised on clean rides, and how often a fault is found.

    python -m tests.studies.findings --clean 500 --faults 100 --store findings.jsonl

Rides that are done are kept in the store and not computed again; `--table` only prints. Seeds were
fixed before the first run: 40 000 + number for clean rides, 50 000 + number for faults. Clean rides
take turns: calm, light wind and breeze; two positions of six runs, three of four, four of six;
laps of a run, of a leg, clock times; with and without weather reading and airspeed sensor. Faults
are put into rides of two positions and six runs in light wind.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path
from typing import Any

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

from cda.checks import check_session
from cda.simulate import PRESETS, Scenario, simulate_session

CLEAN_SEED, FAULT_SEED = 40_000, 50_000
RUN = 4  # the run that a fault is put into
LIGHT = replace(
    PRESETS["light"], n_positions=2, runs_per_position=6, weather_wind=True, airspeed_noise_m_s=0.3
)


def clean_scenario(k: int) -> Scenario:
    positions, runs = [(2, 6), (3, 4), (2, 6), (4, 6)][k // 3 % 4]
    return replace(
        PRESETS[("calm", "light", "breeze")[k % 3]], n_positions=positions, runs_per_position=runs,
        laps=("run", "leg", "times")[k // 2 % 3], weather_wind=k % 2 == 0,
        airspeed_noise_m_s=0.3 if k % 5 == 0 else None,
    )  # fmt: skip


class Ride:
    """The parts of an invented ride, to spoil one and put it together again."""

    def __init__(self, simulated: Any) -> None:
        self.simulated = simulated
        self.clock = simulated.clock_s.copy()
        self.columns = {k: v.copy() for k, v in simulated.columns.items()}
        self.laps = list(simulated.raw_laps)
        self.settings = json.loads(json.dumps(simulated.settings, default=str))
        self.rows = [dict(row) for row in simulated.run_rows]
        self.air = list(simulated.session.air_readings)
        self.hours = (self.clock - self.clock[0]) / 3600.0

    def inside(self, run: int, leg: int | None = None) -> np.ndarray:
        """Return which samples lie in a run, or well inside its first (0) or second (1) leg."""
        mine = [one for one in self.simulated.ridden.legs if one.run == run]
        t = self.clock - self.clock[0]
        if leg is None:
            start, end = self.simulated.ridden.run_times[run - 1]
        else:
            start, end = mine[leg].entry_s, mine[leg].exit_s
        return (t >= start) & (t <= end)

    def second_half_of(self, run: int, seconds: float) -> np.ndarray:
        """Return samples in the middle of a run's first leg."""
        where = np.flatnonzero(self.inside(run, 0))
        middle = where[len(where) // 2]
        t = self.clock - self.clock[0]
        return (t >= t[middle]) & (t < t[middle] + seconds)

    def keep(self, samples: np.ndarray) -> None:
        self.clock = self.clock[samples]
        self.columns = {k: v[samples] for k, v in self.columns.items()}

    def session(self) -> Any:
        from cda.recording import build_recording
        from cda.session import build_session
        from cda.simulate.simulated import start_offset_s

        recording = build_recording(
            name="ride.csv", sha256="0" * 64, format="csv", clock_s=self.clock,
            columns=self.columns, laps=self.laps,
            utc_offset_s=start_offset_s(self.simulated.scenario),
        )  # fmt: skip
        return build_session(
            self.settings, [recording], self.rows, folder_name="invented", air_readings=self.air
        )


def wandering(ride: Ride, sd: float, memory_s: float, seed: int) -> np.ndarray:
    from cda.simulate.draws import ou_process

    return sd * ou_process(len(ride.clock), 1.0, memory_s, np.random.default_rng(seed))


# -- faults put into a ride that is there already: each changes it in place ---------------------


def power_lost(r: Ride) -> None:
    r.columns["power_w"][r.second_half_of(RUN, 25.0)] = np.nan


def power_frozen(r: Ride) -> None:
    where = r.second_half_of(RUN, 40.0)
    r.columns["power_w"][where] = r.columns["power_w"][where][0]


def every_third(r: Ride) -> None:
    r.keep(np.arange(len(r.clock)) % 3 == 0)


def left_out_samples(r: Ride) -> None:
    r.keep(np.random.default_rng(1).random(len(r.clock)) > 0.15)


def paused(r: Ride) -> None:
    r.keep(~r.second_half_of(RUN, 20.0))


def speed_by_gps(r: Ride) -> None:
    r.settings.setdefault("speed_sensor", {})["source"] = "gps"


def late_press(r: Ride) -> None:
    number = int(str(r.rows[RUN - 1]["laps"]))
    lap = r.laps[number - 1]
    r.laps[number - 1] = replace(lap, start_s=lap.start_s + 25.0)
    r.laps[number - 2] = replace(r.laps[number - 2], end_s=lap.start_s + 25.0)


def other_road(r: Ride) -> None:
    across = np.radians(r.simulated.draws.heading_deg + 90.0)
    r.columns["latitude_deg"][r.inside(RUN)] += 40.0 * np.cos(across) / 111_000.0
    r.columns["longitude_deg"][r.inside(RUN)] += 40.0 * np.sin(across) / 85_000.0


def satellite_altitude(r: Ride) -> None:
    r.columns["altitude_m"] += wandering(r, 5.0, 60.0, 1)


def altimeter_climbs(r: Ride) -> None:
    r.columns["altitude_m"] += 60.0 * r.hours


def air_warms(r: Ride) -> None:
    from cda.session import AirReading

    r.air = [
        AirReading(time_s=float(t), temperature_c=8.0 + 8.0 * k, pressure_hpa=1008.0,
                   relative_humidity=0.7)
        for k, t in enumerate((0.0, float(r.clock[-1] - r.clock[0])))
    ]  # fmt: skip


def sea_level(r: Ride) -> None:
    r.columns["altitude_m"] += 430.0
    r.settings["air"]["pressure_hpa"] = 1013.0


def no_crr(r: Ride) -> None:
    del r.settings["bike"]["rolling_resistance"]


def power_doubled(r: Ride) -> None:
    r.columns["power_w"] *= 2.5


def once(r: Ride) -> None:
    for row in [row for row in r.rows if row["position"] == "position-b"][1:]:
        row["use"] = "no"


def twice(r: Ride) -> None:
    for row in [row for row in r.rows if row["position"] == "position-b"][2:]:
        row["use"] = "no"


def blocks(r: Ride) -> None:
    for k, row in enumerate(r.rows):
        row["position"] = "position-a" if 2 * k < len(r.rows) else "position-b"


def unequal(r: Ride) -> None:
    powers = r.simulated.draws.run_power_w
    for row, power in zip(r.rows, powers, strict=True):
        row["position"] = "position-a" if power > np.mean(powers) else "position-b"


def poor_gps(r: Ride) -> None:
    r.columns["latitude_deg"] += wandering(r, 8.0, 40.0, 2) / 111_000.0
    r.columns["longitude_deg"] += wandering(r, 8.0, 40.0, 3) / 85_000.0


def zero_drifts(r: Ride) -> None:
    turning = r.columns["cadence_rpm"] > 0
    r.columns["power_w"] += np.where(turning, 8.0 * r.hours, 0.0)


def zero_drifts_seen(r: Ride) -> None:
    r.columns["power_w"] += np.round(2.0 + 6.0 * r.hours)


def zero_off(r: Ride) -> None:
    r.columns["power_w"] += 8.0


def wrong_wind(r: Ride) -> None:
    heading = r.simulated.draws.heading_deg
    r.settings["wind"] |= {"speed_m_s": 8.0, "from_deg": round(heading) % 360}


def airspeed_scale(r: Ride) -> None:
    r.columns["airspeed_m_s"] *= 1.3


def airspeed_one_way(r: Ride) -> None:
    out = np.zeros(len(r.clock), dtype=bool)
    for run in range(1, len(r.rows) + 1):
        out |= r.inside(run, 0)
    r.columns["airspeed_m_s"] *= np.where(out, 1.15, 0.87)


def clock_jumps(r: Ride) -> None:
    first = int(np.flatnonzero(r.second_half_of(1, 5.0))[0])
    early = float(r.clock[first])
    r.clock[:first] -= 37.0
    r.laps = [
        replace(lap, **{name: getattr(lap, name) - 37.0 * (getattr(lap, name) < early)
                        for name in ("start_s", "end_s")})
        for lap in r.laps
    ]  # fmt: skip


IN_PLACE: dict[str, tuple[Any, set[str], bool]] = {  # change, codes, must name the run
    "power missing for 25 s": (power_lost, {"leg-left-out", "run-left-out"}, True),
    "power frozen for 40 s": (power_frozen, {"power-frozen"}, True),
    "every third second": (every_third, {"not-every-second"}, False),
    "15 % of the samples left out": (left_out_samples, {"not-every-second"}, False),
    "paused for 20 s in a leg": (paused, {"leg-left-out", "run-left-out"}, True),
    "speed by satellite": (speed_by_gps, {"speed-from-gps"}, False),
    "lap pressed 25 s late": (late_press, {"lap-press-late", "run-left-out"}, True),
    "one run 40 m beside the road": (other_road, {"legs-not-on-one-road"}, True),
    "altitude by satellite": (satellite_altitude, {"altimeter-not-closing"}, False),
    "altimeter climbs 60 m/h": (altimeter_climbs, {"altimeter-not-closing"}, False),
    "air warms by 8 degrees": (air_warms, {"density-drifting"}, False),
    "sea-level pressure at 490 m": (sea_level, {"pressure-looks-sea-level"}, False),
    "no Crr": (no_crr, {"rolling-resistance-default"}, False),
    "power 2.5 times too high": (power_doubled, {"cda-implausible"}, False),
    "a position ridden once": (once, {"single-run"}, False),
    "a position ridden twice": (twice, {"few-runs"}, False),
    "positions in blocks": (blocks, {"order-confounded"}, False),
    "190 W against 240 W": (unequal, {"unequal-power"}, False),
    "positions off by 8 m": (poor_gps, {"gps-poor"}, False),
    "zero drifts 8 W/h, not seen coasting": (zero_drifts, {"power-zero-drifting"}, False),
    "zero drifts 6 W/h, seen coasting": (zero_drifts_seen, {"power-zero-drifting"}, False),
    "zero off by 8 W": (zero_off, {"power-zero-off"}, False),
    "wind reading of 8 m/s along the road": (wrong_wind, {"wind-reading-disagrees"}, False),
    "airspeed 30 % too high": (airspeed_scale, {"airspeed-disagrees"}, False),
    "airspeed +15 % out, -13 % back": (airspeed_one_way, {"airspeed-disagrees"}, False),
    "clock jumps 37 s": (clock_jumps, {"clock-jumped"}, False),
}
RIDDEN: dict[str, tuple[dict[str, Any], set[str], bool]] = {
    "overtaken by a lorry": ({"lorry_runs": (RUN,)}, {"vehicle-passing"}, True),
    "lorry coming the other way (5 m/s, 4 s)": (
        {"lorry_runs": (RUN,), "lorry_gust_m_s": -5.0, "lorry_time_s": 4.0},
        {"vehicle-oncoming"}, True,
    ),
    "sat up for 20 s, 0.10 m² more": (
        {"sat_up_runs": (RUN,), "sat_up_cda_m2": 0.10}, {"sat-up"}, True
    ),
    "sat up for 20 s, 0.06 m² more": ({"sat_up_runs": (RUN,)}, {"sat-up"}, True),
    "coasted for 10 s": ({"coast_runs": (RUN,)}, {"coasting"}, True),
    "braked for 3 s": ({"brake_runs": (RUN,)}, {"braking", "run-left-out", "leg-left-out"}, True),
    "turned round early": ({"short_runs": (RUN,)}, {"run-left-out", "leg-left-out"}, True),
    "legs of 350 m": ({"leg_length_m": 350.0}, {"leg-short"}, False),
    "75 W": ({"powers_w": (70.0, 80.0)}, {"leg-slow"}, False),
    "automatic laps": ({"automatic_lap_m": 1000.0}, {"automatic-laps"}, False),
    "wind of 5 m/s along the road": (
        {"wind_m_s": 5.0, "heading_deg": 30.0, "wind_from_deg": 30.0}, {"wind-strong"}, False
    ),
    "wind that shifts (3.5 m/s, 25 min)": (
        {"slow_sd_m_s": 3.5, "slow_time_s": 1500.0}, {"wind-shifting"}, False
    ),
    "gusts of 2.5 m/s": ({"gust_sd_m_s": 2.5}, {"gusty-wind"}, False),
    "zero drifts 12 W/h, not seen coasting, 24 runs": (
        {"n_positions": 4, "power_offset_drift_w_per_h": -12.0}, {"power-zero-drifting"}, False
    ),
    "wind that shifts (5 m/s, 15 min)": (
        {"slow_sd_m_s": 5.0, "slow_time_s": 900.0}, {"wind-shifting"}, False
    ),
    "gusts of 3.5 m/s": ({"gust_sd_m_s": 3.5}, {"gusty-wind"}, False),
}  # fmt: skip


def warnings_of(session: Any) -> list[tuple[str, str, str]]:
    from cda.errors import CdaError

    try:
        return [(f.severity, f.code, f.where) for f in check_session(session).findings]
    except CdaError as error:
        return [("stop", "error", str(error)[:200])]


def fault_row(name: str, k: int, found: list[tuple[str, str, str]]) -> dict[str, Any]:
    codes, must_name = (IN_PLACE.get(name) or RIDDEN[name])[1:]
    hits = [w for _, code, w in found if code in codes]
    named = any(re.search(rf"\b{RUN}\b", where) for where in hits)
    hit = named if must_name else bool(hits)
    return {
        "kind": name, "k": k, "found": hit,
        "others": sorted({c for s, c, _ in found if s != "note" and c not in codes}),
    }  # fmt: skip


def table(rows: list[dict[str, Any]]) -> str:
    clean = [r for r in rows if r["kind"] == "clean"]
    lines = [f"{len(clean)} clean rides: any warning on "
             f"{sum(bool(r['warnings']) for r in clean)}"]  # fmt: skip
    raised = Counter(code for r in clean for code in set(r["warnings"]))
    noted = Counter(code for r in clean for code in set(r["notes"]))
    lines += ["", "| finding | severity | clean rides |", "|---|---|---|"]
    lines += [f"| {code} | warning | {n} |" for code, n in raised.most_common()]
    lines += [f"| {code} | note | {n} |" for code, n in noted.most_common()]
    lines += ["", "| fault | found | something else warned of |", "|---|---|---|"]
    for name in (*IN_PLACE, *RIDDEN):
        mine = [r for r in rows if r["kind"] == name]
        if mine:
            others = Counter(code for r in mine for code in r["others"])
            said = ", ".join(f"{code} {n}" for code, n in others.most_common(4)) or "-"
            lines.append(f"| {name} | {sum(r['found'] for r in mine)} of {len(mine)} | {said} |")
    return "\n".join(lines)


def main() -> None:
    """Ride what is missing in the store and print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clean", type=int, default=500)
    parser.add_argument("--faults", type=int, default=100)
    parser.add_argument("--store", type=Path, default=Path("findings.jsonl"))
    parser.add_argument("--part", default="0/1", help="0/2 and 1/2 share the rides between two")
    parser.add_argument("--only", action="append", help="name of a fault, or clean; repeatable")
    parser.add_argument("--table", action="store_true", help="print what the store holds")
    options = parser.parse_args()
    rows = []
    if options.store.exists():
        rows = [json.loads(line) for line in options.store.read_text().splitlines()]
    done = {(r["kind"], r["k"]) for r in rows}

    def wanted(name: str, k: int) -> bool:
        return (name, k) not in done and (not options.only or name in options.only)

    def keep(row: dict[str, Any]) -> None:
        rows.append(row)
        with options.store.open("a") as out:
            out.write(json.dumps(row) + "\n")

    part, parts = (int(n) for n in options.part.split("/"))
    most = 0 if options.table else max(options.clean, options.faults)
    for k in range(part, most, parts):
        # Five clean rides for one of each fault, so that both tables grow together.
        for c in range(5 * k, 5 * k + 5):
            if c < options.clean and wanted("clean", c):
                session = simulate_session(clean_scenario(c), CLEAN_SEED + c).session
                found = warnings_of(session)
                keep({"kind": "clean", "k": c,
                      "warnings": sorted({code for s, code, _ in found if s != "note"}),
                      "notes": sorted({code for s, code, _ in found if s == "note"})})  # fmt: skip
        if k >= options.faults:
            continue
        missing = [name for name in IN_PLACE if wanted(name, k)]
        base = simulate_session(LIGHT, FAULT_SEED + k) if missing else None
        for name in missing:
            ride = Ride(base)
            IN_PLACE[name][0](ride)
            keep(fault_row(name, k, warnings_of(ride.session())))
        for name, (change, _, _) in RIDDEN.items():
            if wanted(name, k):
                session = simulate_session(replace(LIGHT, **change), FAULT_SEED + k).session
                keep(fault_row(name, k, warnings_of(session)))
        print(f"{k + 1} of {most}", file=sys.stderr)
    print(table(rows))


if __name__ == "__main__":
    main()
