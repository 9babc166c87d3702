"""The report's pictures as SVG and PNG files, and its numbers as CSV tables."""

from __future__ import annotations

import csv
import io
import os
import re
from pathlib import Path
from typing import TYPE_CHECKING

from cda.errors import OutputError
from cda.report.blocks import Block, Fold, Panels, Picture
from cda.report.page import Section, report_parts

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from cda.results import Estimate, Savings


def write_figures(
    folder: Path, estimate: Estimate, savings: Savings | None = None
) -> tuple[Path, ...]:
    """Write every picture of the report as `NAME.svg` and `NAME.png`; return the files.

    Raises
    ------
    OutputError
        If the folder or a file cannot be written.
    """
    from cda.figures.style import look, png, svg

    written = []
    for picture in _pictures(Section(estimate=estimate, savings=savings)):
        name = re.sub(r"[^A-Za-z0-9_]", "-", picture.name)
        with look():
            figure = picture.draw(None).figure
            drawing = svg(figure, prefix=name, variables=False)  # type: ignore[arg-type]
            head = '<?xml version="1.0" encoding="utf-8"?>\n<!-- cda-field-test -->\n'
            files = {
                f"{name}.svg": (head + drawing + "\n").encode(),
                f"{name}.png": png(figure),  # type: ignore[arg-type]
            }
        written += [write_bytes(Path(folder) / file, data) for file, data in files.items()]
    return tuple(written)


def _pictures(section: Section) -> Iterator[Picture]:
    def walk(blocks: Sequence[Block]) -> Iterator[Picture]:
        for block in blocks:
            if isinstance(block, Picture):
                yield block
            elif isinstance(block, Panels):
                yield from (picture for _, picture in block.panels)
            elif isinstance(block, Fold):
                yield from walk(block.blocks)

    for part in report_parts(section):
        yield from walk(part.blocks)


def write_csv(folder: Path, estimate: Estimate, savings: Savings | None = None) -> tuple[Path, ...]:
    """Write the numbers, not rounded, as `result_*.csv` with units in the header.

    An empty field is unknown.  Text that a spreadsheet would run as a formula is put behind an
    apostrophe.

    Raises
    ------
    OutputError
        If the folder or a file cannot be written.
    """
    tables = {**_estimate_tables(estimate), **(_savings_tables(savings) if savings else {})}
    files = {Path(folder) / f"result_{name}.csv": csv_bytes(rows) for name, rows in tables.items()}
    return tuple(write_bytes(path, data) for path, data in files.items())


Row = dict[str, object]


def _estimate_tables(estimate: Estimate) -> dict[str, list[Row]]:
    return {
        "positions": [
            {
                "position": p.id,
                "label": p.label,
                "reference": p.reference,
                "runs": p.runs,
                "legs": p.legs,
                "cda_m2": p.cda_m2,
                "cda_with_wheels_m2": p.cda_with_wheels_m2,
                "se_m2": p.se_m2,
                "statistical_se_m2": p.statistical_se_m2,
                "statistical_dof": p.statistical_dof,
                "systematic_se_m2": p.systematic_se_m2,
                "dof": p.dof,
                "interval_low_m2": p.interval_m2[0],
                "interval_high_m2": p.interval_m2[1],
            }
            for p in estimate.positions
        ],
        "differences": [
            {
                "position": d.position,
                "reference": d.reference,
                "delta_cda_m2": d.delta_cda_m2,
                "se_m2": d.se_m2,
                "dof": d.dof,
                "interval_low_m2": d.interval_m2[0],
                "interval_high_m2": d.interval_m2[1],
                "simultaneous_low_m2": d.simultaneous_interval_m2[0],
                "simultaneous_high_m2": d.simultaneous_interval_m2[1],
                "adjusted_p": d.adjusted_p,
                "probability_lower_drag": d.probability_lower_drag,
                "resolved": d.resolved,
                "smallest_resolvable_m2": d.smallest_resolvable_m2,
            }
            for d in estimate.differences
        ],
        "runs": [
            {
                "session": r.session,
                "run": r.run,
                "position": r.position,
                "cda_m2": r.cda_m2,
                "se_m2": r.se_m2,
                "used": r.used,
                "reason": r.reason,
                "mean_power_w": r.mean_power_w,
                "mean_speed_m_s": r.mean_speed_m_s,
                "heart_rate_bpm": r.heart_rate_bpm,
                "comfort": r.comfort,
                "note": r.note,
            }
            for r in estimate.runs
        ],
        "wind": [
            {
                "session": w.session,
                "run": w.run,
                "leg": w.leg,
                "headwind_m_s": w.headwind_m_s,
                "se_m_s": w.se_m_s,
                "residual_m2": w.residual_m2,
            }
            for w in estimate.wind
        ],
        "budget": [
            {
                "source": b.source,
                "kind": b.kind,
                **{f"{name}_m2": value for name, value in b.positions.items()},
                **{f"{pair}_m2": value for pair, value in b.differences.items()},
            }
            for b in estimate.budget
        ],
        "findings": [
            {
                "severity": f.severity,
                "code": f.code,
                "session": f.session,
                "where": f.where,
                "message": f.message,
                "fix": f.fix,
            }
            for f in estimate.findings
        ],
    }


def _savings_tables(savings: Savings) -> dict[str, list[Row]]:
    return {
        "savings": [
            {
                "position": p.id,
                "label": p.label,
                "reference": p.reference,
                "hold_share": p.hold_share,
                "time_s": p.time_s,
                "time_low_s": p.time_interval_s[0],
                "time_high_s": p.time_interval_s[1],
                "saved_s": p.saved_s,
                "saved_low_s": p.saved_interval_s[0],
                "saved_high_s": p.saved_interval_s[1],
                "saved_if_held_throughout_s": p.saved_if_held_throughout_s,
                "saved_corrected_for_choice_s": p.saved_corrected_for_choice_s,
                "probability_faster": p.probability_faster,
                "probability_fastest": p.probability_fastest,
                "break_even_power_w": p.break_even_power_w,
                "break_even_power_low_w": _end(p.break_even_power_interval_w, 0),
                "break_even_power_high_w": _end(p.break_even_power_interval_w, 1),
                "power_cost_w": p.power_cost_w,
                "power_cost_sd_w": p.power_cost_sd_w,
                "decided": p.decided,
            }
            for p in savings.positions
        ],
        "ledger": [
            {
                "item": x.item,
                "saved_low_s": x.saved_low_s,
                "saved_high_s": x.saved_high_s,
                "basis": x.basis,
            }
            for x in savings.ledger
        ],
    }


def _end(interval: tuple[float, float] | None, place: int) -> float | None:
    return None if interval is None else interval[place]


def csv_bytes(rows: list[Row]) -> bytes:
    """Return rows as a CSV file; an empty field is unknown."""
    text = io.StringIO()
    head = list(dict.fromkeys(key for row in rows for key in row))
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow([_cell(name) for name in head])
    writer.writerows([[_cell(row.get(name)) for name in head] for row in rows])
    return text.getvalue().encode()


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return repr(float(value))
    text = str(value)
    return f"'{text}" if isinstance(value, str) and text[:1] in ("=", "+", "-", "@", "\t") else text


def write_bytes(path: Path, data: bytes) -> Path:
    """Write a file whole or not at all; return its path.

    Raises
    ------
    OutputError
        If it cannot be written.
    """
    part = path.with_name(f".{path.name}.part")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_bytes(data)
        os.replace(part, path)
    except OSError as error:
        part.unlink(missing_ok=True) if part.parent.is_dir() else None
        raise OutputError(
            f"cannot be written ({error.strerror or error})",
            where=str(path),
            fix="choose a folder you may write to, with room on the disk",
        ) from error
    return path
