"""`cda check`: is the recording good enough, and which runs are spoiled, before any number."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from cda.cli.options import json_option, set_option
from cda.cli.talk import command_line, exit_status, print_document, say_next
from cda.errors import CdaError, SessionError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cda.passes import Stretch
    from cda.recording import Recording
    from cda.results import Finding
    from cda.session import Session

EPILOG = """\b
Examples:
  cda check example_runs/short_morning
  cda check ride.fit
  cda check export.csv --column power_w="Power (W)" --column time="Date and time\""""


def _parse_columns(
    _ctx: click.Context, _param: click.Parameter, values: tuple[str, ...]
) -> dict[str, str]:
    columns = {}
    for text in values:
        channel, equals, header = text.partition("=")
        if not (equals and channel and header):
            raise click.BadParameter(f'{text!r} is not CHANNEL=COLUMN, as in power_w="Power (W)"')
        columns[channel] = header
    return columns


@click.command("check", epilog=EPILOG)
@click.argument("what", metavar="SESSION|RECORDING", type=click.Path(path_type=Path))
@click.option(
    "--column",
    "columns",
    multiple=True,
    callback=_parse_columns,
    metavar="CHANNEL=COLUMN",
    help="Name of a channel in a CSV recording; repeatable.",
)
@set_option
@json_option
def command(*, what: Path, columns: dict[str, str], settings: dict[str, str], as_json: bool) -> int:
    """Read a test folder or a recording and say what is wrong with it."""
    if what.is_dir():
        if columns:
            raise click.UsageError("--column belongs to a recording, not to a test folder")
        document, lines, findings = _check_session(what, settings)
        after = command_line("cda", "fit", what)
    elif what.exists():
        document, lines, findings = _check_recording(what, columns)
        after = "make a test folder around it (README, Your own ride), then cda check FOLDER"
    else:
        raise SessionError("no such file or folder", where=str(what), fix="check the path")
    if any(f.severity == "stop" for f in findings):
        after = f"mend what stops the answer, then {command_line('cda', 'check', what)}"
    if as_json:
        print_document({**document, "findings": [f.to_dict() for f in findings]})
    else:
        click.echo("\n".join([*lines, *_finding_lines(findings)]))
    say_next(after)
    return exit_status(findings)


def _finding_lines(findings: Sequence[Finding]) -> list[str]:
    if not findings:
        return ["", "Nothing argues against it."]
    gravity = {"stop": 0, "warning": 1, "note": 2}
    return ["", *(str(f) for f in sorted(findings, key=lambda f: gravity[f.severity]))]


def _check_session(
    folder: Path, settings: dict[str, str]
) -> tuple[dict[str, object], list[str], list[Finding]]:
    from cda.results import Finding
    from cda.session import load_session

    session = load_session(folder, overrides=settings)
    findings = list(session.findings)
    legs: list[dict[str, object]] = []
    try:
        legs, found = _legs(session)
        findings += found
    except CdaError as error:  # an answer of check, not its failure
        findings.append(
            Finding(
                severity="stop",
                code="no-legs",
                where=error.where,
                message=error.problem,
                fix=error.fix,
            )
        )
    findings = list(dict.fromkeys(findings))
    used = [r for r in session.runs if r.use and r.spans]
    lines = [session.title]
    lines += [_recording_line(r) for r in session.recordings]
    lines += ["", "run  position              legs  mean power  mean speed"]
    for run in session.runs:
        own = [leg for leg in legs if leg["run"] == run.run]
        if not run.use:
            tail = "left out: the run sheet says use = no"
        elif not run.spans:
            tail = "not ridden: neither laps nor times"
        elif not own:
            tail = "no leg found"
        else:
            power = sum(float(str(leg["mean_power_w"])) for leg in own) / len(own)
            speed = sum(float(str(leg["mean_speed_m_s"])) for leg in own) / len(own)
            tail = f"{len(own):>4}  {power:>8.0f} W  {speed:>6.2f} m/s"
        lines.append(f"{run.run:>3}  {run.position[:20]:<20}  {tail}")
    document: dict[str, object] = {
        "schema": 1,
        "kind": "check",
        "what": "session",
        "folder": session.folder_name,
        "title": session.title,
        "recordings": [_recording_document(r) for r in session.recordings],
        "runs": [
            {"run": r.run, "position": r.position, "use": r.use, "ridden": bool(r.spans)}
            for r in session.runs
        ],
        "runs_used": len(used),
        "legs": legs,
    }
    return document, lines, findings


def _legs(session: Session) -> tuple[list[dict[str, object]], list[Finding]]:
    import numpy as np

    from cda.checks import check_legs
    from cda.legs import cut_legs

    cut = cut_legs(session)
    rows = [
        {
            "run": leg.run,
            "position": leg.position,
            "leg": leg.name,
            "start_s": float(leg.time_s[0]),
            "duration_s": float(leg.time_s[-1] - leg.time_s[0]),
            "length_m": float(abs(leg.along_m[-1] - leg.along_m[0])),
            "mean_power_w": float(np.nanmean(leg.power_w[1:])),
            "mean_speed_m_s": float(
                abs(leg.along_m[-1] - leg.along_m[0]) / (leg.time_s[-1] - leg.time_s[0])
            ),
        }
        for leg in cut.legs
    ]
    return rows, [*cut.findings, *check_legs(session, cut.legs)]


def _check_recording(
    path: Path, columns: dict[str, str]
) -> tuple[dict[str, object], list[str], list[Finding]]:
    from dataclasses import asdict

    from cda.checks import check_recording
    from cda.passes import find_stretches
    from cda.readers import read_recording

    recording = read_recording(path, columns=columns or None)
    findings = list(dict.fromkeys((*recording.findings, *check_recording(recording))))
    stretches = find_stretches(recording)
    document: dict[str, object] = {
        "schema": 1,
        "kind": "check",
        "what": "recording",
        **_recording_document(recording),
        "stretches": [asdict(s) | {"passes_out": s.out, "passes_back": s.back} for s in stretches],
    }
    lines = [_recording_line(recording), *_channel_lines(recording), *_stretch_lines(stretches)]
    return document, lines, findings


def _stretch_lines(stretches: Sequence[Stretch]) -> list[str]:
    if not stretches:
        return ["", "No stretch of 300 m or more was ridden both ways."]
    lines = [
        "",
        "Stretches ridden both ways, best for a test first (fitness 0 to 1):",
        "fitness  at km          length  out  back  relief  straight  steady  speed",
    ]
    for s in stretches[:12]:
        speed = sum(p.mean_speed_m_s for p in s.passes) / len(s.passes)
        relief = "     ?" if s.relief_m is None else f"{s.relief_m:>4.1f} m"
        straight = "       ?" if s.straightness is None else f"{s.straightness:>8.2f}"
        lines.append(
            f"{s.fitness:>7.2f}  {s.from_km:>5.1f} to {s.to_km:>5.1f}  {s.length_m:>4.0f} m  "
            f"{s.out:>3}  {s.back:>4}  {relief}  {straight}  {s.steadiness:>6.2f}  {speed:.1f} m/s"
        )
    if len(stretches) > 12:
        lines.append(f"and {len(stretches) - 12} more (--json lists them all)")
    return lines


def _recording_document(recording: Recording) -> dict[str, object]:
    import numpy as np

    power = recording.power_w[np.isfinite(recording.power_w)]
    distance = recording.distance_m[np.isfinite(recording.distance_m)]
    return {
        "name": recording.name,
        "format": recording.format,
        "sha256": recording.sha256,
        "samples": int(recording.time_s.size),
        "duration_s": float(recording.time_s[-1] - recording.time_s[0]),
        "distance_m": float(distance[-1] - distance[0]) if distance.size else None,
        "power_samples": int(power.size),
        "mean_power_w": float(power.mean()) if power.size else None,
        "speed_source": recording.speed_source,
        "distance_source": recording.distance_source,
        "channels": [name for name in _CHANNELS if _holds(recording, name)],
        "laps": [
            {"number": lap.number, "start_s": lap.start_s, "end_s": lap.end_s}
            for lap in recording.laps
        ],
    }


_CHANNELS = (
    "power_w",
    "speed_m_s",
    "distance_m",
    "altitude_m",
    "latitude_deg",
    "cadence_rpm",
    "heart_rate_bpm",
    "temperature_c",
    "airspeed_m_s",
    "yaw_deg",
)


def _holds(recording: Recording, channel: str) -> bool:
    import numpy as np

    values = getattr(recording, channel)
    return values is not None and bool(np.isfinite(values).any())


def _recording_line(recording: Recording) -> str:
    facts = _recording_document(recording)
    duration_s = float(str(facts["duration_s"]))
    hours, minutes = divmod(round(duration_s / 60.0), 60)
    length = "distance unknown"
    if facts["distance_m"] is not None:
        length = f"{float(str(facts['distance_m'])) / 1000.0:.2f} km"
    power = "no power"
    if facts["mean_power_w"] is not None:
        power = (
            f"power in {facts['power_samples']} of {facts['samples']} samples, "
            f"mean {float(str(facts['mean_power_w'])):.1f} W"
        )
    return (
        f"{recording.name}: {recording.format}, {hours} h {minutes:02d} min, {length}, {power}, "
        f"{len(recording.laps)} laps"
    )


def _channel_lines(recording: Recording) -> list[str]:
    names = [n for n in _CHANNELS if _holds(recording, n)]
    shown = ["position (GPS)" if n == "latitude_deg" else n for n in names]
    lines = ["channels: " + ", ".join(shown)]
    for lap in recording.laps:
        duration_s = lap.end_s - lap.start_s
        lines.append(f"lap {lap.number:>3}: {duration_s:>7.0f} s from {lap.start_s:.0f} s")
    return lines
