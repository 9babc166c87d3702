"""Random damage to good files of all four formats: a recording or a CdaError, nothing else.

    python -m tests.studies.mutations --seconds 180 --seed 1

Prints, for each format, how many damaged files were read without remark, read with findings,
refused with a `CdaError`, and how many did anything else (another exception, a warning, more than
5 s, a recording that breaks its own rules). Those are printed with the number that makes them
again: `--only NUMBER`. Exit status 1 if there is one.
"""

from __future__ import annotations

import argparse
import gzip
import importlib.util
import io
import resource
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from contextlib import redirect_stderr
from pathlib import Path

import numpy as np

from cda.errors import CdaError
from cda.readers import read_recording

LIMIT_S = 5
TESTS = Path(__file__).parents[1]
ODD_TEXTS = [
    b"nan", b"inf", b"-1e308", b"1e-320", b"9" * 400, b"", b"0x10", b"1_000", b"\x00", b"\xff\xfe",
    b"<", b">", b"&amp;", b"&x;", b"]]>", b"<!--", b'"', b"'", b",", b";", b"\r", b"\n\n", b"\t",
    b"2026-02-30T25:61:00Z", b"9999-12-31T23:59:59Z", b"0001-01-01T00:00:00+14:00", b"1e400", b"-",
    "١٢".encode(), b"\xe2\x80\xae", b"time", b"power_w", b"=cmd()", b".FIT", b"\x1f\x8b",
]  # fmt: skip


def load(stem: str):
    spec = importlib.util.spec_from_file_location(stem, TESTS / f"{stem}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def good_files() -> dict[str, bytes]:
    """Return a short ride in each format, with laps, a missing sample and developer fields."""
    fb, rf = load("fit_bytes"), load("ride_files")
    n = 90
    i = np.arange(n)
    start = 631_065_600 + fb.START
    clock = start + i.astype(float)
    columns = {
        "power_w": np.where(i == 30, np.nan, 200.0 + i * 7 % 11),
        "speed_m_s": 10.0 + (i % 3) / 10,
        "distance_m": 10.0 * i,
        "altitude_m": 70.0 + (i // 9) / 5,
        "latitude_deg": 40.0 + i / 1e4,
        "longitude_deg": np.full(n, -31.0),
        "cadence_rpm": np.full(n, 85.0),
        "heart_rate_bpm": 140.0 + i % 3,
        "airspeed_m_s": 11.0 + (i % 5) / 10,
    }
    laps = [(start, start + 40.0, "Manual"), (start + 40.0, start + 89.0, "Distance")]
    rows = rf.rows_of(clock, columns)
    keys = list(columns)
    table = ["time," + ",".join(keys) + ",lap"]
    for k, row in enumerate(rows):
        table.append(",".join([row["time"], *(row.get(c, "") for c in keys), str(1 + (k > 40))]))
    return {
        "fit": fit_bytes(fb, columns, laps, start),
        "tcx": rf.tcx(clock, columns, laps).encode(),
        "gpx": rf.gpx(clock, columns).encode(),
        "csv": ("\n".join(table) + "\n").encode(),
    }


def fit_bytes(fb, columns, laps, start) -> bytes:
    parts = [
        fb.definition(1, fb.DEVELOPER_DATA_ID, [(3, "B")]),
        fb.message(1, "B", 0),
        fb.definition(
            2, fb.FIELD_DESCRIPTION, [(0, "B"), (1, "B"), (2, "B"), (3, "16s"), (8, "8s")]
        ),
        fb.message(2, "BBB16s8s", 0, 0, 0x88, b"airspeed", b"m/s"),
        fb.definition(
            0,
            fb.RECORD,
            [(253, "I"), (7, "H"), (6, "H"), (5, "I"), (2, "H"), (3, "B"), (4, "B"), (0, "i")],
            [(0, "f")],
        ),
        fb.definition(3, fb.LAP, [(253, "I"), (2, "I"), (7, "I"), (24, "B")]),
        fb.definition(4, fb.SESSION, [(253, "I"), (2, "I"), (7, "I"), (5, "B")]),
        fb.definition(5, fb.ACTIVITY, [(253, "I"), (5, "I")]),
    ]
    epoch = 631_065_600
    pending = list(laps)
    for i, power in enumerate(columns["power_w"]):
        stamp = int(start - epoch) + i
        parts.append(
            fb.message(
                0, "IHHIHBBif", stamp, 0xFFFF if power != power else int(power),
                round(1000 * columns["speed_m_s"][i]), round(100 * columns["distance_m"][i]),
                round(5 * (columns["altitude_m"][i] + 500)), int(columns["heart_rate_bpm"][i]), 85,
                round(columns["latitude_deg"][i] * 2**31 / 180), columns["airspeed_m_s"][i],
            )
        )  # fmt: skip
        while pending and pending[0][1] - epoch <= stamp:
            a, b, _ = pending.pop(0)
            parts.append(
                fb.message(3, "IIIB", int(b - epoch), int(a - epoch), int(1000 * (b - a)), 0)
            )
    a, b = int(laps[0][0] - epoch), int(laps[-1][1] - epoch)
    parts.append(fb.message(4, "IIIB", b, a, 1000 * (b - a), 2))
    parts.append(fb.message(5, "II", b, b + 3600))
    return fb.fit_file(*parts)


def mutated(rng: np.random.Generator, data: bytes, others: list[bytes]) -> bytes:
    """Return the file with one to four kinds of damage."""
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 5))):
        if not out:
            break
        a, b = sorted(int(k) for k in rng.integers(0, len(out) + 1, 2))
        b = min(b, a + int(rng.integers(1, 400)))
        kind = int(rng.integers(0, 11))
        if kind <= 1:  # bits
            for k in rng.integers(0, len(out), int(rng.integers(1, 20))):
                out[int(k)] ^= 1 << int(rng.integers(0, 8))
        elif kind == 2:
            for k in rng.integers(0, len(out), int(rng.integers(1, 20))):
                out[int(k)] = int(rng.integers(0, 256))
        elif kind == 3:
            del out[int(rng.integers(0, len(out))) :]
        elif kind == 4:
            del out[a:b]
        elif kind == 5:
            out[a:a] = out[a:b] * int(rng.integers(1, 5))
        elif kind == 6:
            out[a:b] = bytes(b - a) if rng.random() < 0.5 else b"\xff" * (b - a)
        elif kind == 7:
            out[a:a] = rng.bytes(int(rng.integers(1, 60)))
        elif kind == 8:
            odd = ODD_TEXTS[int(rng.integers(0, len(ODD_TEXTS)))]
            out[a : a + int(rng.integers(0, 9))] = odd
        elif kind == 9:  # a piece of another format
            other = others[int(rng.integers(0, len(others)))]
            c = int(rng.integers(0, len(other)))
            out[a:b] = other[c : c + int(rng.integers(1, 400))]
        else:  # whole numbers replaced
            c = int(rng.integers(0, len(out)))
            while c < len(out) and not 48 <= out[c] <= 57:
                c += 1
            d = c
            while d < len(out) and 48 <= out[d] <= 57:
                d += 1
            out[c:d] = str(int(rng.integers(-(2**40), 2**40))).encode()
    return bytes(out)


def case(number: int, seed: int, files: dict[str, bytes]) -> tuple[str, bytes]:
    """Return format and bytes of one damaged file; the same for the same number."""
    rng = np.random.default_rng([seed, number])
    suffix = list(files)[number % len(files)]
    data = mutated(rng, files[suffix], list(files.values()))
    if rng.random() < 0.1:  # damage to the gzip around it instead
        data = mutated(rng, gzip.compress(files[suffix], mtime=0), list(files.values()))
    elif rng.random() < 0.05:
        data = gzip.compress(data, 1, mtime=0)
    elif rng.random() < 0.02:
        data = rng.bytes(int(rng.integers(0, 3000)))
    return suffix, data


def outcome(path: Path, usual: frozenset[str]) -> tuple[str, str]:
    """Return what reading the file came to, and the traceback where that is a fault.

    `usual`: codes of the findings that the undamaged file has too.
    """
    noise = io.StringIO()
    try:
        signal.alarm(LIMIT_S)
        with warnings.catch_warnings(), redirect_stderr(noise):
            warnings.simplefilter("error")
            ride = read_recording(path)
            arrays = [ride.time_s, ride.power_w, ride.speed_m_s, ride.distance_m]
            assert np.all(np.diff(ride.time_s) > 0), "time does not rise"
            assert np.all(np.isfinite(ride.time_s)), "time not finite"
            assert len({len(a) for a in arrays}) == 1, "lengths differ"
            assert not any(np.isinf(a).any() for a in arrays), "infinite"
            assert not any(a.flags.writeable for a in arrays), "writeable"
            assert np.isfinite(ride.power_w).any(), "no power"
            assert all(lap.end_s >= lap.start_s for lap in ride.laps), "lap ends before it starts"
            str(ride)
    except CdaError as error:
        text = str(error)
        fault = "" if "To fix: " in text and len(text) < 1500 else f"message: {text[:300]}"
        return ("fault" if fault else "refused"), fault
    except Exception:
        return "fault", traceback.format_exc()
    finally:
        signal.alarm(0)
    if noise.getvalue():
        return "fault", "wrote to standard error: " + noise.getvalue()[:300]
    return ("with findings" if {f.code for f in ride.findings} - usual else "read"), ""


def main() -> int:
    """Damage files until the time is over and print the counts."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--seconds", type=float, default=180.0)
    parser.add_argument("--count", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", type=int, help="number of one case to make again")
    options = parser.parse_args()

    def late(*_: object) -> None:
        raise TimeoutError(f"more than {LIMIT_S} s")

    signal.signal(signal.SIGALRM, late)
    files = good_files()
    usual: dict[str, frozenset[str]] = {}
    counts: Counter[tuple[str, str]] = Counter()
    slowest, faults, number = 0.0, 0, 0
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        for suffix, data in files.items():
            path = Path(folder) / f"good.{suffix}"
            path.write_bytes(data)
            usual[suffix] = frozenset(f.code for f in read_recording(path).findings)
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        numbers = range(options.count) if options.only is None else [options.only]
        for number in numbers:
            if time.monotonic() - began > options.seconds:
                break
            suffix, data = case(number, options.seed, files)
            path = Path(folder) / f"ride.{suffix}"
            path.write_bytes(data)
            start = time.monotonic()
            result, fault = outcome(path, usual[suffix])
            slowest = max(slowest, time.monotonic() - start)
            counts[suffix, result] += 1
            if fault:
                faults += 1
                if faults <= 10:
                    print(f"case {number} ({suffix}):\n{fault}")
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    results = ("read", "with findings", "refused", "fault")
    print(f"{'format':8}" + "".join(f"{r:>15}" for r in results))
    for suffix in files:
        print(f"{suffix:8}" + "".join(f"{counts[suffix, r]:15d}" for r in results))
    print(
        f"{sum(counts.values())} damaged files (seed {options.seed}) in "
        f"{time.monotonic() - began:.0f} s, the slowest {slowest:.2f} s; memory grew by "
        f"{(peak - memory) / 1024:.0f} MB"
    )
    return 1 if faults else 0


if __name__ == "__main__":
    sys.exit(main())
