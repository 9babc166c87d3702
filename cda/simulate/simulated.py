"""From a scenario and a seed to a session in memory and its truth."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from cda.simulate.draws import draw
from cda.simulate.instruments import columns, place_on_earth, stamps
from cda.simulate.presses import raw_laps, run_rows
from cda.simulate.ride import ride
from cda.simulate.tables import air_rows, session_tables
from cda.simulate.truth import truth_of

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from cda.recording import RawLap
    from cda.session import Session
    from cda.simulate.draws import Draws
    from cda.simulate.ride import Ridden
    from cda.simulate.scenario import Scenario


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SimulatedSession:
    """An invented session and its truth.

    Attributes
    ----------
    session : Session
        As `load_session` would give it for the written files.
    truth : dict
        Ready for truth.json; holds no coordinates.
    settings : dict
        The tables of session.toml.
    run_rows : list of dict
        The rows of runs.csv.
    air_rows : list of dict
        The rows of air.csv, times from the start of the recording; empty without that file.
    clock_s, columns, raw_laps
        Samples and laps on the recording's clock (Unix time), for the files. [s]
    gates_deg : tuple of (latitude, longitude), or None
        True gates A and B, for tests; None without GPS or on a loop. [deg]
    """

    scenario: Scenario
    seed: int
    session: Session
    truth: dict[str, Any]
    settings: dict[str, Any]
    run_rows: list[dict[str, object]]
    air_rows: list[dict[str, float]]
    clock_s: NDArray[np.float64]
    columns: dict[str, NDArray[np.float64]]
    raw_laps: tuple[RawLap, ...]
    gates_deg: tuple[tuple[float, float], tuple[float, float]] | None
    ridden: Ridden
    draws: Draws

    def wind_at(
        self, time_s: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return the true wind at the rider, for estimators that are told it.

        Parameters
        ----------
        time_s : ndarray, shape (n,)
            Recording time, such as a leg's samples. [s]

        Returns
        -------
        headwind, crosswind : ndarray, shape (n,)
            Along the way that is ridden (positive slows) and from its right: the mean over the
            interval that ends at each time, as power is recorded; the first is that of its
            moment. A lorry's wake is in them. [m/s]
        """
        grid = self.ridden.time_s
        found = []
        for values in (self.ridden.headwind_m_s, self.ridden.crosswind_m_s):
            # The value at a step acts from it to the next: its integral is exact at the steps.
            step = grid[1] - grid[0]
            integral = np.concatenate([[0.0], np.cumsum(values[:-1]) * step])
            at = np.interp(time_s, grid, integral)
            first = values[np.clip(int(time_s[0] / step), 0, values.size - 1)]
            found.append(np.concatenate([[first], np.diff(at) / np.diff(time_s)]))
        return found[0], found[1]


def simulate_session(
    scenario: Scenario,
    seed: int,
    *,
    name: str = "ride.csv",
    folder_name: str | None = None,
    own_tables: Mapping[str, Any] | None = None,
    own_rows: Sequence[Mapping[str, object]] | None = None,
) -> SimulatedSession:
    """Ride a scenario once.

    Parameters
    ----------
    scenario : Scenario
        What may happen.
    seed : int
        Chooses what does; same scenario and seed, same ride.
    name : str
        File name that the recording gets.
    folder_name : str, optional
        What results call the session's folder.
    own_tables : mapping, optional
        Tables of a session.toml whose values go before the scenario's.
    own_rows : sequence of mappings, optional
        Rows of a run sheet, one for each run of the scenario in the order ridden: run numbers
        and notes are taken from it, laps and times are filled in.

    Raises
    ------
    CourseError
        If the rider comes to a standstill.
    """
    from cda.recording import build_recording
    from cda.session import AirReading, build_session

    draws = draw(scenario, seed)
    ridden = ride(scenario, draws)
    times = stamps(scenario, ridden)
    data = columns(scenario, draws, ridden, times)
    start = start_of(scenario)
    clock = start.timestamp() + times
    laps = raw_laps(scenario, draws, ridden, start.timestamp())
    offset = start_offset_s(scenario)
    recording = build_recording(
        name=name,
        sha256=_digest(clock, data),
        format="fit" if name.endswith(".fit") else "csv",
        clock_s=clock,
        columns=data,
        laps=laps,
        utc_offset_s=offset,
    )
    settings = merged(session_tables(scenario, draws, name), own_tables or {})
    rows = run_rows(scenario, draws, ridden, start)
    truth = truth_of(scenario, draws, ridden)
    if own_rows is not None:
        rows = [
            {**own, **ridden_row, "run": own["run"]}
            for own, ridden_row in zip(own_rows, rows, strict=True)
        ]
        numbers = [int(str(own["run"])) for own in own_rows]
        for entry in (*truth["runs"], *truth["legs"]):
            entry["run"] = numbers[entry["run"] - 1]
    air = air_rows(scenario, float(times[-1]))
    session = build_session(
        settings,
        [recording],
        rows,
        folder_name=folder_name or f"simulated_{seed}",
        air_readings=[AirReading(**row) for row in air],
    )
    gates = None
    if scenario.gps and scenario.course == "out-and-back":
        ends = np.array([0.0, scenario.leg_length_m])
        latitude, longitude = place_on_earth(scenario, draws, ends, np.zeros(2))
        gates = (
            (float(latitude[0]), float(longitude[0])),
            (float(latitude[1]), float(longitude[1])),
        )
    return SimulatedSession(
        scenario=scenario,
        seed=seed,
        session=session,
        truth=truth,
        settings=settings,
        run_rows=rows,
        air_rows=air,
        clock_s=clock,
        columns=data,
        raw_laps=laps,
        gates_deg=gates,
        ridden=ridden,
        draws=draws,
    )


def merged(tables: Mapping[str, Any], own: Mapping[str, Any]) -> dict[str, Any]:
    """Return nested tables with `own` values put over them; lists are replaced whole."""
    result = dict(tables)
    for key, value in own.items():
        below = result.get(key)
        if isinstance(value, dict) and isinstance(below, dict):
            result[key] = merged(below, value)
        else:
            result[key] = value
    return result


def start_of(scenario: Scenario) -> datetime:
    """Return when the recording starts, in local time with its offset."""
    from zoneinfo import ZoneInfo

    local = datetime.fromisoformat(f"{scenario.date}T{scenario.start_time}")
    return local.replace(tzinfo=ZoneInfo(scenario.time_zone))


def start_offset_s(scenario: Scenario) -> float:
    """Return local time minus UTC [s]."""
    offset = start_of(scenario).utcoffset()
    return 0.0 if offset is None else offset.total_seconds()


def _digest(clock_s: NDArray[np.float64], data: dict[str, NDArray[np.float64]]) -> str:
    """Return a checksum of the samples, in place of that of a file that was never written."""
    sha = hashlib.sha256(clock_s.tobytes())
    for key in sorted(data):
        sha.update(data[key].tobytes())
    return sha.hexdigest()
