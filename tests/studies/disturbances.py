"""How often a passing lorry and a rider who sat up are found, and how often where nothing was.

    python -m tests.studies.disturbances --rides 40

Clean rides in calm, light wind and breeze, and as many with a lorry in one run and a rider who
sits up (0.06 m² more for 20 s) in another. Prints one line a preset.
"""

from __future__ import annotations

import argparse
from dataclasses import replace

from cda.checks.rides import check_each_leg
from cda.legs import cut_legs
from cda.simulate import PRESETS, Scenario, simulate_session

FIRST_SEED = 20_000


def told(scenario: Scenario, seed: int) -> dict[str, str]:
    """Return where each kind of disturbance is said to be."""
    legs = cut_legs(simulate_session(scenario, seed).session).legs
    codes = ("vehicle-passing", "sat-up")
    return {f.code: f.where for f in check_each_leg(legs, "s1") if f.code in codes}


def main() -> None:
    """Count."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--rides", type=int, default=40)
    rides = parser.parse_args().rides
    for preset in ("calm", "light", "breeze"):
        clean, lorries, sat_up, elsewhere = 0, 0, 0, 0
        for seed in range(FIRST_SEED, FIRST_SEED + rides):
            clean += bool(told(PRESETS[preset], seed))
            lorry, up = 1 + seed % 24, 1 + (seed + 11) % 24
            faulty = replace(PRESETS[preset], lorry_runs=(lorry,), sat_up_runs=(up,))
            found = told(faulty, seed + 1000)
            lorries += found.get("vehicle-passing") == f"run {lorry} out"
            sat_up += found.get("sat-up") == f"run {up} out"
            expected = {"vehicle-passing": f"run {lorry} out", "sat-up": f"run {up} out"}
            elsewhere += any(where != expected[code] for code, where in found.items())
        print(
            f"{preset:7s} {rides} clean rides: {clean} with a false alarm; {rides} disturbed: "
            f"lorry found in {lorries}, sitting up in {sat_up}, something else in {elsewhere}"
        )


if __name__ == "__main__":
    main()
