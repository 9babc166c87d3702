"""Reading a long ride against decoding it and doing nothing else; each a ratio in one run.

    python -m tests.studies.bench_readers --hours 12

Decoding means: FIT, every value of every message through fitdecode; TCX and GPX, every element
through defusedxml with its number or time converted; CSV, pandas with the times parsed. Processor
time, so that a busy machine matters less.
"""

from __future__ import annotations

import argparse
import importlib.util
import io
import resource
import tempfile
import time
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import fitdecode
import numpy as np
import pandas as pd
from defusedxml.ElementTree import iterparse

from cda.readers import read_recording

if TYPE_CHECKING:
    from collections.abc import Callable

TESTS = Path(__file__).parents[1]
LIMIT = 1.5


def load(stem: str):
    spec = importlib.util.spec_from_file_location(stem, TESTS / f"{stem}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def files(seconds: int) -> dict[str, bytes]:
    fb, rf = load("fit_bytes"), load("ride_files")
    i = np.arange(seconds)
    power = np.random.default_rng(1).integers(150, 250, seconds).astype(float)
    start = 631_065_600.0 + fb.START
    columns = {
        "power_w": power,
        "speed_m_s": np.full(seconds, 10.0),
        "distance_m": 10.0 * i,
        "altitude_m": 70.0 + (i % 5) / 5,
        "latitude_deg": 40.0 + i / 1e6,
        "longitude_deg": np.full(seconds, -31.0),
        "cadence_rpm": np.full(seconds, 85.0),
        "heart_rate_bpm": 140.0 + i % 3,
    }
    rows = rf.rows_of(start + i, columns)
    table = "".join(",".join(row.values()) + "\n" for row in rows)
    return {
        "fit": fb.fit_file(fb.PLAIN, *(fb.plain(int(t), int(power[t])) for t in i)),
        "tcx": rf.tcx(start + i, columns, [(start, start + seconds, "Manual")]).encode(),
        "gpx": rf.gpx(start + i, columns).encode(),
        "csv": (",".join(["time", *columns]) + "\n" + table).encode(),
    }


def decode_fit(data: bytes) -> None:
    with fitdecode.FitReader(io.BytesIO(data), processor=None) as reader:
        for frame in reader:
            if frame.frame_type == fitdecode.FIT_FRAME_DATA:
                for field in frame.fields:
                    _ = field.value


def decode_xml(data: bytes) -> None:
    for _, element in iterparse(io.BytesIO(data), ("end",), forbid_dtd=True):
        text = (element.text or "").strip()
        if text:
            try:
                float(text)
            except ValueError:
                if element.tag.lower().endswith("time"):
                    datetime.fromisoformat(text)
        elif len(element):
            element.clear()


def decode_csv(data: bytes) -> None:
    frame = pd.read_csv(io.BytesIO(data))
    pd.to_datetime(frame["time"], utc=True, format="ISO8601")


def seconds_of(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def main() -> None:
    """Print one line a format."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--hours", type=float, default=12.0)
    options = parser.parse_args()
    decoders = {"fit": decode_fit, "tcx": decode_xml, "gpx": decode_xml, "csv": decode_csv}
    with tempfile.TemporaryDirectory() as folder:
        for suffix, data in files(round(3600 * options.hours)).items():
            path = Path(folder) / f"ride.{suffix}"
            path.write_bytes(data)
            turns = [
                (
                    seconds_of(lambda s=suffix, d=data: decoders[s](d)),
                    seconds_of(lambda p=path: read_recording(p)),
                )
                for _ in range(4)
            ]
            decoding, reading = (min(turn[k] for turn in turns) for k in (0, 1))
            peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
            print(
                f"{suffix}: {len(data) / 1e6:5.1f} MB, decoding {decoding:5.2f} s, reading "
                f"{reading:5.2f} s, ratio {reading / decoding:.2f} (at most {LIMIT}); "
                f"peak {peak:.0f} MB"
            )


if __name__ == "__main__":
    main()
