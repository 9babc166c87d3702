"""An invented session as the folder that a rider would hand over, with truth.json beside it."""

from __future__ import annotations

import hashlib
import io
import json
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np

from cda.errors import OutputError
from cda.simulate.tables import AIR_FILE

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from cda.simulate.simulated import SimulatedSession

HEADING = """Invented by `cda simulate`: no such ride, rider or road. The truth is in truth.json.
Standard uncertainties (_sd) are those that the simulator's errors were drawn with."""

# Decimals of each column: as fine as a FIT file holds it.
DECIMALS = {
    "power_w": 0,
    "speed_m_s": 3,
    "distance_m": 2,
    "altitude_m": 1,
    "latitude_deg": 8,
    "longitude_deg": 8,
    "cadence_rpm": 0,
    "heart_rate_bpm": 0,
    "airspeed_m_s": 3,
    "yaw_deg": 2,
}


def write_session(
    simulated: SimulatedSession,
    out: str | Path,
    *,
    format: Literal["csv", "fit"] = "csv",
    compress: bool = False,
    progress: Callable[[float], None] | None = None,
) -> tuple[Path, ...]:
    """Write session.toml, runs.csv, the recording and truth.json into a folder.

    Parameters
    ----------
    simulated : SimulatedSession
        What to write.
    out : path
        The folder; made if it is not there. Files of these names in it are written over: refusing
        a full folder is the caller's.
    format : "csv" or "fit"
        Of the recording; "fit" needs the package fit-tool.
    compress : bool
        Write the recording gzipped.
    progress : callable, optional
        Called with the share of the recording written.

    Returns
    -------
    paths : tuple of Path
        session.toml, runs.csv, the recording, truth.json.

    Raises
    ------
    OutputError
        If a file cannot be written, or fit-tool is missing.
    """
    from cda.session import write_bytes, write_session_folder, write_text

    if format not in ("csv", "fit"):
        raise OutputError(f"{format!r} is no format", where="format", fix="take csv or fit")
    out = Path(out)
    name = f"ride.{format}" + (".gz" if compress else "")
    data = recording_bytes(simulated, format, progress)
    if compress:
        import gzip

        data = gzip.compress(data, mtime=0)  # no date: the same ride gives the same bytes
    settings = simulated.settings | {"recordings": [name]}
    toml, sheet = write_session_folder(
        out, settings, simulated.run_rows, force=True, heading=HEADING
    )
    write_bytes(out / name, data)
    if simulated.air_rows:
        write_text(out / AIR_FILE, air_csv(simulated))
    made = {path.name: _sha256(path) for path in (toml, sheet)}
    truth = simulated.truth | {"files": made}
    write_text(out / "truth.json", json.dumps(truth, indent=1) + "\n")
    return toml, sheet, out / name, out / "truth.json"


def changed_by_hand(out: str | Path) -> tuple[str, ...]:
    """Return which of session.toml and runs.csv are no longer as `write_session` left them."""
    out = Path(out)
    try:
        made = json.loads((out / "truth.json").read_text(encoding="utf-8")).get("files", {})
    except (OSError, ValueError, AttributeError):
        made = {}
    return tuple(
        name
        for name in ("session.toml", "runs.csv")
        if (out / name).is_file() and made.get(name) != _sha256(out / name)
    )


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def recording_bytes(
    simulated: SimulatedSession, format: str, progress: Callable[[float], None] | None = None
) -> bytes:
    """Return the recording as a file of the format holds it."""
    from cda.simulate.fit_file import fit_bytes
    from cda.simulate.simulated import start_offset_s

    if format == "fit":
        return fit_bytes(
            simulated.clock_s,
            simulated.columns,
            simulated.raw_laps,
            utc_offset_s=start_offset_s(simulated.scenario),
            progress=progress,
        )
    return csv_text(simulated).encode()


def csv_text(simulated: SimulatedSession) -> str:
    """Return the recording as CSV in the project's own columns; an empty field is missing."""
    columns = simulated.columns
    lap = lap_numbers(simulated)
    whole = bool(np.all(simulated.clock_s == np.round(simulated.clock_s)))
    texts = [[_iso(t, whole=whole) for t in simulated.clock_s]]
    for key, values in columns.items():
        form = f".{DECIMALS[key]}f"
        texts.append(["" if v != v else format(v + 0.0, form) for v in values.tolist()])
    header = ["time", *columns]
    if lap is not None:
        header.append("lap")
        texts.append([str(k) for k in lap.tolist()])
    out = io.StringIO()
    out.write(",".join(header) + "\n")
    for row in zip(*texts, strict=True):
        out.write(",".join(row) + "\n")
    return out.getvalue()


def air_csv(simulated: SimulatedSession) -> str:
    """Return the readings of the air as CSV, stamped in UTC."""
    start = float(simulated.clock_s[0])
    columns = [key for key in simulated.air_rows[0] if key != "time_s"]
    lines = [",".join(["time", *columns])]
    for row in simulated.air_rows:
        stamp = _iso(start + row["time_s"], whole=True)
        lines.append(",".join([stamp, *(repr(row[key]) for key in columns)]))
    return "\n".join(lines) + "\n"


def lap_numbers(simulated: SimulatedSession) -> NDArray[np.int64] | None:
    """Return the lap number of each sample, or None where no lap was pressed."""
    if len(simulated.raw_laps) < 2:
        return None
    ends = np.array([lap.end_s for lap in simulated.raw_laps[:-1]])
    return np.asarray(1 + np.searchsorted(ends, simulated.clock_s, side="left"), dtype=np.int64)


def _iso(unix_s: float, *, whole: bool) -> str:
    text = datetime.fromtimestamp(unix_s, UTC).isoformat(
        timespec="seconds" if whole else "milliseconds"
    )
    return text.replace("+00:00", "Z")
