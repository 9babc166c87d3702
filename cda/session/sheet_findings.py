"""What a run sheet, placed in its recordings, leaves to say."""

from __future__ import annotations

from typing import TYPE_CHECKING

from cda.results import Finding

if TYPE_CHECKING:
    from collections.abc import Sequence

    from cda.session.content import Run
    from cda.session.models import SessionSettings


def sheet_findings(
    runs: Sequence[Run],
    settings: SessionSettings,
    where: str,
    lost: Sequence[int],
    remarks: Sequence[str] = (),
) -> list[Finding]:
    """Return the findings about the rows.

    `lost`: runs that lie behind a recording's break; `remarks`: what was made of odd cells.
    """
    findings = [
        Finding(
            severity="note",
            code="cell-read-as",
            where=where,
            message=remark,
            fix="correct the cell if that is not what it means",
        )
        for remark in remarks
    ]
    if lost:
        findings.append(
            Finding(
                severity="warning",
                code="run-behind-cut",
                where=where,
                message="the recording breaks off before the end of run "
                + ", ".join(map(str, lost))
                + ", which cannot be used",
                fix="copy the file from the device again, or ride these runs again",
            )
        )
    unridden = [str(r.run) for r in runs if r.spans_from is None and r.run not in lost]
    if unridden:
        findings.append(
            Finding(
                severity="note",
                code="run-not-ridden",
                where=where,
                message=f"neither laps nor times: not ridden: run {', '.join(unridden)}",
                fix="fill in laps, or start and end, if it was ridden",
            )
        )
    unused = [str(r.run) for r in runs if not r.use]
    if unused:
        findings.append(
            Finding(
                severity="note",
                code="run-not-used",
                where=where,
                message=f"use = no: run {', '.join(unused)}",
            )
        )
    ridden = {r.position for r in runs if r.spans and r.use}
    for position in settings.positions:
        if position.id not in ridden:
            findings.append(
                Finding(
                    severity="note",
                    code="position-not-ridden",
                    where=where,
                    message=f"position {position.id!r} has no run that was ridden and used",
                )
            )
    return findings
