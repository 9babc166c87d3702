"""What the archive keeps of one test, and how a test becomes that."""

from __future__ import annotations

import traceback
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from cda.errors import CdaError

if TYPE_CHECKING:
    from cda.results import Estimate
    from cda.session import Session

Row = Mapping[str, object]


@dataclass(frozen=True, slots=True, kw_only=True)
class Record:
    """One test as the archive keeps it: a row of each table, without the folder's name.

    Attributes
    ----------
    state : {"done", "bad", "fault"}
        "bad" is what the user has to mend, "fault" what is no fault of the files.
    """

    folder: str
    fingerprint: str | None
    version: str
    state: Literal["done", "bad", "fault"]
    test: Row
    positions: tuple[Row, ...] = ()
    differences: tuple[Row, ...] = ()
    findings: tuple[Row, ...] = ()
    rides: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Task:
    """One test to compute, by which version of the program.

    `files` are its contents where the worker cannot see the folder.
    """

    path: str
    name: str
    fingerprint: str | None
    version: str
    files: Mapping[str, bytes] | None = None


def examine(task: Task) -> Record:
    """Return the record of one test; whatever goes wrong becomes a record too.

    Runs in a worker process: everything heavy is imported here.
    """
    try:
        return _done(Path(task.path), task) if task.files is None else _from_files(task)
    except CdaError as error:
        return failed(task, "bad", error.problem, error.where, error.fix)
    except (OSError, MemoryError) as error:
        problem = getattr(error, "strerror", None) or str(error) or type(error).__name__
        fix = "see that the folder can be read; the next pass tries again"
        return failed(task, "fault", problem, task.name, fix)
    except Exception as error:
        place = traceback.extract_tb(error.__traceback__)[-1]
        problem = f"a fault in the program: {type(error).__name__}: {error}"
        fix = f"`cda fit` on this folder shows all of it ({Path(place.filename).name})"
        return failed(task, "fault", problem, task.name, fix)


def failed(task: Task, state: Literal["bad", "fault"], what: str, where: str, fix: str) -> Record:
    """Return the record of a test without a result."""
    return Record(
        folder=task.name,
        fingerprint=task.fingerprint,
        version=task.version,
        state=state,
        test={"error_what": what, "error_where": where, "error_fix": fix},
    )


def _from_files(task: Task) -> Record:
    """Lay the contents out in a scratch folder and compute there.

    A worker elsewhere may hold another version of the program: its results are refused.
    """
    import tempfile

    from cda.archive.discovery import software_version

    if software_version() != task.version:
        problem = f"the worker has version {software_version()} of the program, not {task.version}"
        return failed(task, "fault", problem, task.name, "bring the workers to the same version")
    assert task.files is not None
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / (Path(task.path).name or "test")
        for name, content in task.files.items():
            place = folder / name
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(content)
        return _done(folder, task)


def _done(folder: Path, task: Task) -> Record:
    from cda.analysis import estimate_cda
    from cda.session import load_session

    session = load_session(folder)
    stop = next((f for f in session.findings if f.severity == "stop"), None)
    estimate = None if stop else estimate_cda(session)
    if estimate is not None:
        stop = next((f for f in estimate.findings if f.severity == "stop"), None)
    if stop is not None or estimate is None:
        assert stop is not None
        return failed(task, "bad", stop.message, stop.where, stop.fix)
    return Record(
        folder=task.name,
        fingerprint=task.fingerprint,
        version=task.version,
        state="done",
        test=_test_row(session, estimate),
        positions=_position_rows(estimate),
        differences=_difference_rows(estimate),
        findings=tuple(
            {
                "number": i,
                "severity": f.severity,
                "code": f.code,
                "place": f.where,
                "message": f.message,
                "fix": f.fix,
            }
            for i, f in enumerate(estimate.findings)
        ),
        rides=tuple(sorted(_rides(session))),
    )


def _test_row(session: Session, estimate: Estimate) -> Row:
    settings, summary = session.settings, estimate.sessions[0]
    wind = summary.mean_headwind_m_s
    return {
        "title": settings.title,  # the folder's name stands beside it
        "date": _date(session),
        "rider_id": settings.rider.id,
        "bike_id": settings.bike.id,
        "power_meter_id": settings.power_meter.id,
        "protocol": summary.protocol,
        "course_kind": summary.course_kind,
        "course_length_m": summary.course_length_m,
        "air_density_kg_m3": summary.air_density_kg_m3,
        "mean_headwind_m_s": None if wind is None else wind.value,
        "runs_used": sum(r.used for r in estimate.runs),
        "runs_left_out": sum(not r.used for r in estimate.runs),
        "run_to_run_sd_m2": estimate.variance.run_to_run_sd_m2,
        "leg_sd_m2": estimate.variance.leg_sd_m2,
    }


def _date(session: Session) -> str | None:
    """Return the day as written, or else that of the first recording (UTC), or None."""
    if session.settings.date is not None:
        return session.settings.date.isoformat()
    starts = [r.start_utc for r in session.recordings if r.start_utc is not None]
    return min(starts).date().isoformat() if starts else None


def _position_rows(estimate: Estimate) -> tuple[Row, ...]:
    return tuple(
        {
            "position": p.id,
            "number": i,
            "label": p.label,
            "is_reference": int(p.reference),
            "runs": p.runs,
            "legs": p.legs,
            "cda_m2": p.cda_m2,
            "cda_with_wheels_m2": p.cda_with_wheels_m2,
            "se_m2": p.se_m2,
            "statistical_se_m2": p.statistical_se_m2,
            "statistical_dof": p.statistical_dof,
            "systematic_se_m2": p.systematic_se_m2,
            "dof": p.dof,
            "comfort": p.comfort,
            "hold_share": p.hold_share,
        }
        for i, p in enumerate(estimate.positions)
    )


def _difference_rows(estimate: Estimate) -> tuple[Row, ...]:
    joint = estimate.joint
    place = {name: i for i, name in enumerate(joint.names)}
    return tuple(
        {
            "position": d.position,
            "reference": d.reference,
            "number": i,
            "delta_cda_m2": d.delta_cda_m2,
            "se_m2": d.se_m2,
            "dof": d.dof,
            "statistical_se_m2": d.statistical_se_m2,
            "systematic_se_m2": d.systematic_se_m2,
            "statistical_covariance_m4": float(
                joint.statistical_covariance[place[d.position], place[d.reference]]
            ),
            "adjusted_p": d.adjusted_p,
            "probability_lower_drag": d.probability_lower_drag,
        }
        for i, d in enumerate(estimate.differences)
    )


def _rides(session: Session) -> set[str]:
    """Return a name for each stretch ridden, so that the same ride in two folders is noticed."""
    return {
        f"{session.recordings[run.recording].sha256}:{start:.1f}-{end:.1f}"
        for run in session.runs
        if run.use
        for start, end in run.spans
    }
