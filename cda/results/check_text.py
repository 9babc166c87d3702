"""A check in words: one screen, runs as rows, marks that need no colour."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from cda.results.check import SIGNS
from cda.results.numbers import counted, quantity, shown
from cda.results.text import table

if TYPE_CHECKING:
    from cda.results.check import CheckedSensor, CheckReport
    from cda.results.finding import Finding

STRETCHES_SHOWN: Final = 8


def finding_words(finding: Finding) -> str:
    """Return the code of a finding as words."""
    return shown(finding.code.replace("-", " "))


def sensor_value(sensor: CheckedSensor) -> str:
    """Return a comparison's value, its uncertainty and its unit."""
    if sensor.se is None:
        return f"{sensor.value:.3g} {sensor.unit}".rstrip() + ", uncertainty unknown"
    return f"{quantity(sensor.value, sensor.se)} {sensor.unit}".rstrip()


def stake_words(report: CheckReport, place: int) -> str:
    """Say what the finding at a place of `first` is worth at a race, "" where it is not known."""
    if place >= len(report.at_stake_s_per_h) or report.at_stake_s_per_h[place] is None:
        return ""
    seconds = report.at_stake_s_per_h[place] or 0.0
    return (
        "At stake, as such faults go: "
        + (f"{seconds / 60.0:.1f} min" if seconds >= 60.0 else f"{seconds:.0f} s")
        + " in an hour of racing."
    )


def verdict(report: CheckReport) -> str:
    """Return what to do, in one or two sentences."""
    stops = sum(f.severity == "stop" for f in report.findings)
    if report.what == "recording":
        if not report.stretches:
            return "No stretch of 300 m or more was ridden both ways: no test can be made of it."
        best = report.stretches[0]
        return (
            f"{counted(len(report.stretches), 'stretch')} ridden both ways; the best has "
            f"{best.length_m:.0f} m and {counted(best.out + best.back, 'pass')}."
        )
    marks = [run.mark for run in report.runs]
    good = marks.count("good")
    said = [f"{good} of {counted(len(marks), 'run')} good."]
    if report.ride_again:
        said.append("To ride again: " + ", ".join(f"run {n}" for n in report.ride_again) + ".")
    doubtful = [str(run.run) for run in report.runs if run.mark == "doubtful"]
    if doubtful:
        said.append("In doubt: run " + ", ".join(doubtful) + ".")
    if stops:
        said.append("As it stands there can be no answer: see below.")
    elif not any(f.severity == "warning" for f in report.findings):
        said.append("Nothing argues against it.")
    return " ".join(said)


def check_text(report: CheckReport) -> str:
    """Return the figures of the recordings, runs, stretches and findings."""
    lines = [report.subject]
    for r in report.recordings:
        power = "no power" if r.mean_power_w is None else f"mean {r.mean_power_w:.0f} W"
        height = (
            "" if r.altitude_low_m is None or r.altitude_high_m is None
            else f", altitude {r.altitude_low_m:.0f} to {r.altitude_high_m:.0f} m"
        )  # fmt: skip
        lines.append(
            f"{r.name} ({r.format}): {r.duration_min:.0f} min, {r.samples} samples, "
            f"{r.distance_km:.1f} km, {power}{height}, {counted(r.laps, 'lap')}"
        )
    if report.runs:
        lines += ["", *_runs(report)]
    if report.stretches:
        lines += ["", "Stretches ridden both ways, best for a test first:", *_stretches(report)]
    elif not report.runs:
        lines += ["", "No stretch of 300 m or more was ridden both ways."]
    if report.sensors:
        lines += ["", "Sensors against each other:"]
        lines += [f"  {s.what}: {sensor_value(s)}" for s in report.sensors]
    lines.append("")
    if not report.findings:
        lines.append("Nothing argues against it.")
    for place, finding in enumerate(report.first):
        lines.append(str(finding))
        if stake := stake_words(report, place):
            lines.append(f"  {stake}")
    if report.rest:
        # Folded to one line each; --json has them whole.
        lines += (["", "Also:"] if report.first else []) + [
            f"  {f.severity} [{f.code}] {f.where + ': ' if f.where else ''}{f.message}"
            for f in report.rest
        ]
    return "\n".join(lines)


def _runs(report: CheckReport) -> list[str]:
    rows = [
        (
            SIGNS[r.mark], str(r.run), r.position,
            "" if r.minute is None else f"{r.minute:.0f}", str(r.legs),
            "" if r.mean_speed_m_s is None else f"{3.6 * r.mean_speed_m_s:.1f}",
            "" if r.mean_power_w is None else f"{r.mean_power_w:.0f}",
            r.mark + (": " + ", ".join(r.reasons) if r.reasons else ""),
        )
        for r in report.runs
    ]  # fmt: skip
    lines = table(("", "run", "position", "minute", "legs", "km/h", "W", "judgement"), rows)
    lines.append("+ good   ? doubtful   x spoiled   o set aside")
    if report.length_m is not None:
        lines.append(f"Timed stretch: {report.length_m:.0f} m.")
    if report.ride_again:
        again = ", ".join(str(run) for run in report.ride_again)
        lines.append(f"To ride again: {again}.")
    return lines


def _stretches(report: CheckReport) -> list[str]:
    shown = report.stretches[:STRETCHES_SHOWN]
    rows = [
        (
            f"km {s.from_km:.1f} to {s.to_km:.1f}", f"{s.length_m:.0f}", f"{s.out} + {s.back}",
            f"{3.6 * s.mean_speed_m_s:.1f}",
            "unknown" if s.relief_m is None else f"{s.relief_m:.1f}",
            "unknown" if s.straightness is None else f"{s.straightness:.2f}",
            f"{s.steadiness:.2f}", f"{s.fitness:.2f}",
        )
        for s in shown
    ]  # fmt: skip
    head = ("in the ride", "m", "out + back", "km/h", "relief m", "straight", "steady", "fitness")
    lines = table(head, rows)
    if len(report.stretches) > len(shown):
        lines.append(f"... and {len(report.stretches) - len(shown)} more, less fit")
    if shown[0].found_by == "distance":
        lines.append("Found from distance and turns, without positions: look whether they are.")
    return lines
