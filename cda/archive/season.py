"""From the archive to the season: which tests count, trends, what has settled, what to retest.

The rule, in words (the numbers are common practice, no source):

- *set aside*: over the season the position has more drag than today's, and the interval says so.
- *settled*: ridden on at least three days, its change in 30 days against today's position (for
  today's position its own change) lies within 0.003 m² either way, the smallest effect worth
  seeking, as its interval says; its newest test lies within 2.5 standard deviations of the line and
  is not more than 90 days older than the rider's newest test.
- *retest*: everything else, with the reasons.

No clock: old is measured from the rider's newest test, so that the same archive says the same.
"""

from __future__ import annotations

import datetime as dt
from collections import defaultdict
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from cda.archive.standing import standing
from cda.archive.trend import DAY, POSITION_BY_DAY, Day, Lines, fit_lines
from cda.results import Finding
from cda.results.season import (
    LinePoint,
    RiderSeason,
    Scatter,
    Season,
    SeasonDifference,
    SeasonPoint,
    SeasonPosition,
    SeasonTest,
)

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cda.archive.store import Archive
    from cda.archive.update import Update

Row = dict[str, Any]
DAYS: Final = 30.0  # unit of time in which changes are told: about a month of training


def read_season(
    archive: Archive, update: Update | None = None, *, folder: str = "", level: float = 0.95
) -> Season:
    """Return the season of everything in the archive.

    Parameters
    ----------
    archive : Archive
    update : Update or None
        What the pass before found: tests that are no longer there do not count. None: all count.
    folder : str
        Name of the folder searched, as shown.
    level : float
        Of all intervals.
    """
    import cda

    rows: dict[str, Row] = {str(r["folder"]): dict(r) for r in archive.rows("test")}
    below: dict[str, dict[str, list[Row]]] = {}
    for table in ("position", "difference", "finding", "ride"):
        below[table] = defaultdict(list)
        for row in archive.rows(table):
            below[table][str(row["folder"])].append(row)
    present = None if update is None else set(update.tests)
    reasons, findings = _not_counted(rows, below["ride"], present)
    tests = tuple(
        _test(row, below["position"][name], below["finding"][name], reasons.get(name))
        for name, row in rows.items()
    )
    set_ups: dict[tuple[str, str, str], list[Row]] = defaultdict(list)
    for name, row in rows.items():
        if name not in reasons:
            key = str(row["rider_id"]), str(row["bike_id"]), str(row["power_meter_id"])
            set_ups[key].append(row)
    riders = tuple(
        _rider(key, mine, below["position"], below["difference"], level)
        for key, mine in sorted(set_ups.items())
    )
    return Season(
        cda_version=cda.__version__,
        level=level,
        folder=folder,
        archive=archive.path.name,
        computed=0 if update is None else update.computed,
        unchanged=len(rows) if update is None else update.unchanged,
        tests=tuple(sorted(tests, key=lambda t: (t.date or "9999", t.folder))),
        riders=riders,
        findings=(*(update.findings if update else ()), *findings),
    )


def _not_counted(
    rows: Mapping[str, Row], rides: Mapping[str, list[Row]], present: set[str] | None
) -> tuple[dict[str, str], list[Finding]]:
    """Return why a test does not count in the trends, by its folder, and what to say of it."""
    reasons: dict[str, str] = {}
    findings: list[Finding] = []
    seen: dict[str, str] = {}
    for name, row in rows.items():
        twin = next((seen[r["ride"]] for r in rides[name] if r["ride"] in seen), None)
        severity, code, fix = "warning", "", ""
        if row["state"] != "done":
            reason = str(row["error_what"])
            code, fix = f"test-{row['state']}", str(row["error_fix"] or "")
        elif present is not None and name not in present:
            reason = "the folder is no longer there"
            severity, code = "note", "test-gone"
            fix = "bring it back, or leave it: the archive keeps its result"
        elif twin is not None:
            reason = f"holds the same ride as {twin}: it would count twice"
            code, fix = "same-ride", "keep one of the two folders"
        elif not row["date"]:
            reason = "has no date"
            code, fix = "no-date", "write date = YYYY-MM-DD into its session.toml"
        else:
            seen |= {r["ride"]: name for r in rides[name]}
            continue
        reasons[name] = reason
        findings.append(
            Finding(
                severity="note" if severity == "note" else "warning",
                code=code,
                where=name,
                message=reason,
                fix=fix,
            )
        )
    return reasons, findings


def _test(
    row: Row, positions: Sequence[Row], findings: Sequence[Row], reason: str | None
) -> SeasonTest:
    done = row["state"] == "done"
    where = row["error_where"]
    return SeasonTest(
        folder=row["folder"],
        state=row["state"],
        counted=reason is None,
        title=row["title"] or None,
        date=row["date"],
        rider_id=row["rider_id"],
        bike_id=row["bike_id"],
        power_meter_id=row["power_meter_id"],
        positions=len(positions),
        runs_used=row["runs_used"] or 0,
        runs_left_out=row["runs_left_out"] or 0,
        run_to_run_sd_m2=row["run_to_run_sd_m2"],
        warnings=sum(f["severity"] == "warning" for f in findings),
        notes=sum(f["severity"] == "note" for f in findings),
        reason=reason if done or not where else f"{where}: {reason}",
        fix=None if done else row["error_fix"],
    )


def _rider(
    key: tuple[str, str, str],
    tests: Sequence[Row],
    positions: Mapping[str, list[Row]],
    differences: Mapping[str, list[Row]],
    level: float,
) -> RiderSeason:
    tests = sorted(tests, key=lambda t: (t["date"], t["folder"]))
    newest_first = [positions[t["folder"]] for t in reversed(tests)]
    # The newest test's words for a position hold; its order too, older positions after it.
    latest: dict[str, Row] = {}
    for rows in newest_first:
        for row in rows:
            latest.setdefault(row["position"], row)
    names = list(latest)
    reference = next(r["position"] for r in newest_first[0] if r["is_reference"])
    days = [
        _day(_ordinal(t["date"]), positions[t["folder"]], differences[t["folder"]], names)
        for t in tests
    ]
    lines = fit_lines(days, len(names))
    against = tuple(
        _difference(lines, days, tests, positions, differences, names, p, reference, level)
        for p in names
        if p != reference and any({p, reference} <= _ids(positions[t["folder"]]) for t in tests)
    )
    decided = {d.position: d for d in against}
    return RiderSeason(
        rider_id=key[0],
        bike_id=key[1],
        power_meter_id=key[2],
        reference=reference,
        tests=len(tests),
        days=len({t["date"] for t in tests}),
        first_date=tests[0]["date"],
        last_date=tests[-1]["date"],
        day_to_day=_scatter(lines, 0, level, DAY.median),
        position_by_day=_scatter(lines, 1, level, POSITION_BY_DAY.median),
        positions=tuple(
            _position(
                lines, days, tests, positions, names, p, latest[p], p == reference, decided, level
            )
            for p in names
        ),
        differences=against,
    )


def _ids(rows: Sequence[Row]) -> set[str]:
    return {r["position"] for r in rows}


def _ordinal(date: str) -> float:
    return dt.date.fromisoformat(date).toordinal() / DAYS


def _day(time: float, rows: Sequence[Row], pairs: Sequence[Row], names: Sequence[str]) -> Day:
    order = [r["position"] for r in rows]
    covariance = np.diag([float(r["statistical_se_m2"]) ** 2 for r in rows])
    for pair in pairs:
        i, j = order.index(pair["position"]), order.index(pair["reference"])
        covariance[i, j] = covariance[j, i] = float(pair["statistical_covariance_m4"])
    return Day(
        time=time,
        positions=tuple(names.index(p) for p in order),
        cda_m2=np.array([r["cda_m2"] for r in rows]),
        covariance=covariance,
    )


def _scatter(lines: Lines, which: int, level: float, prior: float) -> Scatter:
    middle, interval = lines.scatter(which, level)
    return Scatter(sd_m2=middle, interval_m2=interval, prior_median_m2=prior)


def _half(level: float, dof: float) -> float:
    from scipy.special import stdtrit  # scipy.stats alone takes half a second to load

    return float(stdtrit(dof, 0.5 + level / 2.0))


def _position(
    lines: Lines,
    days: Sequence[Day],
    tests: Sequence[Row],
    positions: Mapping[str, list[Row]],
    names: Sequence[str],
    name: str,
    latest: Row,
    is_reference: bool,
    decided: Mapping[str, SeasonDifference],
    level: float,
) -> SeasonPosition:
    index = names.index(name)
    mine = [
        (test, day, row)
        for test, day in zip(tests, days, strict=True)
        for row in positions[test["folder"]]
        if row["position"] == name
    ]
    value, statistical, dof = lines.contrast(lines.at(index, float(lines.origin[index])))
    # What all days share: the systematic part a test states, which no number of days takes away.
    shared = float(np.median([row["systematic_se_m2"] for _, _, row in mine]))
    se = float(np.hypot(statistical, shared))
    total_dof = float(min(se**4 / (statistical**4 / dof), 1e5)) if statistical > 0 else 1e5
    half = _half(level, total_dof) * se
    slope = lines.slope(index)
    change = _change(lines, slope, level)
    against = None if is_reference else decided.get(name)
    spread = float(np.hypot(lines.scatter(0, level)[0], lines.scatter(1, level)[0]))
    points = tuple(
        SeasonPoint(
            folder=test["folder"],
            date=test["date"],
            cda_m2=row["cda_m2"],
            statistical_se_m2=row["statistical_se_m2"],
            off_the_line_sd=None
            if slope is None
            else (row["cda_m2"] - lines.value(lines.at(index, day.time)))
            / float(np.hypot(spread, row["statistical_se_m2"])),
        )
        for test, day, row in mine
    )
    state, reasons = standing(
        days=len({p.date for p in points}),
        change_interval=change[3] if against is None else against.change_interval_m2,
        newest_off_sd=points[-1].off_the_line_sd,
        days_behind=_days_between(points[-1].date, tests[-1]["date"]),
        against_today=against,
        level=level,
    )
    return SeasonPosition(
        id=name,
        label=latest["label"] or name,
        reference=is_reference,
        tests=len(points),
        days=len({p.date for p in points}),
        first_date=points[0].date,
        last_date=points[-1].date,
        cda_m2=value,
        se_m2=se,
        statistical_se_m2=statistical,
        dof=total_dof,
        interval_m2=(value - half, value + half),
        change_per_30_days_m2=change[0],
        change_se_m2=change[1],
        change_dof=change[2],
        change_interval_m2=change[3],
        standing=state,
        reasons=reasons,
        points=points,
        line=_line(lines, index, points[0].date, points[-1].date, level),
    )


def _line(lines: Lines, index: int, first: str, last: str, level: float) -> tuple[LinePoint, ...]:
    """Return the line at a few dates, for pictures; nothing where there is none."""
    if lines.slope(index) is None:
        return ()
    ends = [dt.date.fromisoformat(day).toordinal() for day in (first, last)]
    drawn = []
    for ordinal in dict.fromkeys(np.linspace(ends[0], ends[1], 13).round().astype(int).tolist()):
        value, se, dof = lines.contrast(lines.at(index, ordinal / DAYS))
        half = _half(level, dof) * se
        drawn.append(
            LinePoint(
                date=dt.date.fromordinal(ordinal).isoformat(),
                cda_m2=value,
                interval_m2=(value - half, value + half),
            )
        )
    return tuple(drawn)


def _days_between(early: str, late: str) -> int:
    return (dt.date.fromisoformat(late) - dt.date.fromisoformat(early)).days


def _difference(
    lines: Lines,
    days: Sequence[Day],
    tests: Sequence[Row],
    positions: Mapping[str, list[Row]],
    differences: Mapping[str, list[Row]],
    names: Sequence[str],
    name: str,
    reference: str,
    level: float,
) -> SeasonDifference:
    """Compare two lines in the middle of the days on which both were ridden."""
    from scipy.special import stdtr

    both = [
        (test, day)
        for test, day in zip(tests, days, strict=True)
        if {name, reference} <= _ids(positions[test["folder"]])
    ]
    middle = float(np.mean([day.time for _, day in both]))
    vector = lines.at(names.index(name), middle) - lines.at(names.index(reference), middle)
    delta, statistical, dof = lines.contrast(vector)
    shared = float(
        np.median(
            [
                row["systematic_se_m2"]
                for test, _ in both
                for row in differences[test["folder"]]
                if {row["position"], row["reference"]} == {name, reference}
            ]
        )
    )
    se = float(np.hypot(statistical, shared))
    total_dof = float(min(se**4 / (statistical**4 / dof), 1e5))
    half = _half(level, total_dof) * se
    slopes = lines.slope(names.index(name)), lines.slope(names.index(reference))
    apart = None if slopes[0] is None or slopes[1] is None else slopes[0] - slopes[1]
    change = _change(lines, apart, level)
    return SeasonDifference(
        position=name,
        reference=reference,
        tests=len(both),
        on_date=dt.date.fromordinal(round(middle * DAYS)).isoformat(),
        delta_cda_m2=delta,
        se_m2=se,
        dof=total_dof,
        interval_m2=(delta - half, delta + half),
        probability_lower_drag=float(stdtr(total_dof, -delta / se)),
        resolved=abs(delta) > half,
        change_per_30_days_m2=change[0],
        change_se_m2=change[1],
        change_dof=change[2],
        change_interval_m2=change[3],
    )


def _change(
    lines: Lines, vector: np.ndarray | None, level: float
) -> tuple[float, float, float, tuple[float, float]] | tuple[None, None, None, None]:
    """Return a slope with its se, degrees of freedom and interval, or that it is not known."""
    if vector is None:
        return None, None, None, None
    value, se, dof = lines.contrast(vector)
    half = _half(level, dof) * se
    return value, se, dof, (value - half, value + half)
