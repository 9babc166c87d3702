"""The page of a check: readable on a phone beside the road, one self-contained HTML file.

What is to be ridden again comes first; every mark is a word and not a colour. No coordinates,
and no clock times: minutes count from the first sample.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from cda.report.blocks import Block, Fold, Heading, Items, Part, Picture, Table, Text
from cda.report.page import render_page
from cda.results.check import SIGNS
from cda.results.check_text import finding_words, sensor_value, stake_words, verdict
from cda.results.numbers import UNKNOWN, counted, fixed, shown

if TYPE_CHECKING:
    from cda.results import Finding
    from cda.results.check import CheckReport


def build_check_page(report: CheckReport) -> str:
    """Return a check as HTML.

    Parameters
    ----------
    report : CheckReport
        A test folder or a bare recording, checked.

    Returns
    -------
    html : str
        One page without request or script; the same report gives the same bytes.
    """
    parts = [_answer(report), _rows(report), _rides(report), _rest(report)]
    return render_page(
        [("", [part for part in parts if part is not None])],
        title=f"Check: {shown(report.subject)}",
        subtitle=", ".join(
            f"{shown(r.name)} ({r.format}), {r.duration_min:.0f} min, {r.distance_km:.1f} km"
            for r in report.recordings
        ),
    )


def check_picture(report: CheckReport) -> Picture | None:
    """Return the picture of a check, or None where there is nothing to draw."""
    from cda.figures.check import plot_check

    compared = [leg for leg in report.legs if leg.energy_off is not None]
    if not compared and not report.stretches:
        return None
    if compared:
        worst = max(compared, key=lambda leg: abs(leg.energy_off or 0.0))
        finding = (
            f"The leg furthest off is run {worst.run} {worst.leg}: "
            f"{fixed(100.0 * (worst.energy_off or 0.0), 0, sign=True)} %."
        )
        caption = (
            "How much more energy each leg took than the legs of its direction usually do; wind "
            "and positions make some per cent. Triangles point out (▸) and back (◂); runs in "
            "doubt carry their number and mark."
        )
    else:
        best = report.stretches[0]
        finding = (
            f"The best stretch has {counted(best.out, 'pass')} out and "
            f"{counted(best.back, 'pass')} back."
        )
        caption = "When each stretch was passed; triangles point out (▸) and back (◂)."
    return Picture(
        name="check", draw=lambda ax: plot_check(report, ax=ax), caption=caption, finding=finding
    )


def drawn_check(report: CheckReport, suffix: str) -> bytes:
    """Return the picture of a check as the bytes of a .svg, .png or .pdf file.

    Raises
    ------
    OutputError
        If there is nothing to draw.
    """
    import io

    from cda.figures.check import plot_check
    from cda.figures.style import look, png, svg

    with look():
        figure = plot_check(report).figure
        if suffix.lower() == ".png":
            return png(figure)  # type: ignore[arg-type]
        if suffix.lower() == ".pdf":
            buffer = io.BytesIO()
            # Without a date: the same report gives the same bytes.
            about = {"Creator": "cda-field-test", "Producer": "matplotlib", "CreationDate": None}
            figure.savefig(buffer, format="pdf", metadata=about)  # type: ignore[union-attr]
            return buffer.getvalue()
        drawing = svg(figure, prefix="check", variables=False)  # type: ignore[arg-type]
    head = '<?xml version="1.0" encoding="utf-8"?>\n<!-- cda-field-test -->\n'
    return (head + drawing + "\n").encode()


def _answer(report: CheckReport) -> Part:
    blocks: list[Block] = [Text(text=verdict(report), style="lead")]
    for place, finding in enumerate(report.first):
        blocks += _finding(finding, stake_words(report, place))
    picture = check_picture(report)
    if picture is not None:
        blocks.append(picture)
    return Part(id="answer", title="What to do", blocks=tuple(blocks))


def _finding(finding: Finding, stake: str) -> list[Block]:
    where = f" ({shown(finding.where)})" if finding.where else ""
    blocks: list[Block] = [
        Heading(text=f"{finding.severity.capitalize()}: {finding_words(finding)}{where}", level=3),
        Text(text=_sentence(finding.message)),
    ]
    if finding.fix:
        blocks.append(Text(text=f"To fix: {shown(finding.fix)}."))
    if stake:
        blocks.append(Text(text=stake, style="small"))
    return blocks


def _sentence(text: str) -> str:
    said = shown(text)
    return said[:1].upper() + said[1:] + ("" if said.endswith((".", "?")) else ".")


def _rows(report: CheckReport) -> Part | None:
    if report.runs:
        sheet = tuple(
            (
                f"{r.run} {SIGNS[r.mark]}",
                shown(r.position),
                UNKNOWN if r.mean_speed_m_s is None else f"{3.6 * r.mean_speed_m_s:.1f}",
                UNKNOWN if r.mean_power_w is None else f"{r.mean_power_w:.0f}",
                r.mark + (": " + ", ".join(map(shown, r.reasons)) if r.reasons else ""),
            )
            for r in report.runs
        )
        length = "" if report.length_m is None else f" Timed stretch: {report.length_m:.0f} m."
        table = Table(
            caption=f"Runs in the order of the sheet; speed and power are means.{length} "
            "Marks: + good, ? doubtful, x spoiled, o set aside.",
            head=("Run", "Position", "km/h", "W", "Judgement"),
            rows=sheet, numeric=frozenset({2, 3}),
            marked=frozenset(k for k, r in enumerate(report.runs) if r.mark == "spoiled"),
        )  # fmt: skip
        return Part(id="runs", title="Runs", blocks=(table,))
    if not report.stretches:
        return None
    rows = tuple(
        (
            f"km {s.from_km:.1f} to {s.to_km:.1f}", f"{s.length_m:.0f}", f"{s.out} + {s.back}",
            f"{3.6 * s.mean_speed_m_s:.1f}",
            UNKNOWN if s.relief_m is None else f"{s.relief_m:.1f}",
            UNKNOWN if s.straightness is None else f"{s.straightness:.2f}",
            f"{s.steadiness:.2f}", f"{s.fitness:.2f}",
        )
        for s in report.stretches
    )  # fmt: skip
    table = Table(
        caption="Stretches ridden both ways by their place in the ride, best for a test first.",
        head=("In the ride", "Length [m]", "Out + back", "km/h", "Relief [m]", "Straightness",
              "Steadiness", "Fitness"),
        rows=rows, numeric=frozenset(range(1, 8)), restack=True,
    )  # fmt: skip
    return Part(id="stretches", title="Stretches", blocks=(table,))


def _rides(report: CheckReport) -> Part:
    terms = []
    for r in report.recordings:
        power = "no power" if r.mean_power_w is None else f"mean {r.mean_power_w:.0f} W"
        lost = (
            f", power missing in {counted(r.samples_without_power, 'sample')}"
            if r.samples_without_power
            else ""
        )
        altitude = (
            "no altitude"
            if r.altitude_low_m is None or r.altitude_high_m is None
            else f"altitude {r.altitude_low_m:.0f} to {r.altitude_high_m:.0f} m"
        )
        terms.append(
            (
                shown(r.name),
                f"{r.format}, {r.duration_min:.0f} min, {counted(r.samples, 'sample')}, "
                f"{r.distance_km:.1f} km, {power}{lost}, {altitude}, {counted(r.laps, 'lap')}",
            )
        )
    blocks: list[Block] = [Items(terms=tuple(terms))]
    if report.sensors:
        blocks.append(Heading(text="Sensors against each other", level=3))
        blocks.append(
            Items(items=tuple(f"{s.what.capitalize()}: {sensor_value(s)}" for s in report.sensors))
        )
    if report.legs:
        rows = tuple(
            (
                f"Run {leg.run} {leg.leg}", f"{leg.start_s / 60.0:.1f}", f"{leg.duration_s:.0f}",
                f"{leg.length_m:.0f}", f"{3.6 * leg.mean_speed_m_s:.1f}",
                UNKNOWN if leg.mean_power_w is None else f"{leg.mean_power_w:.0f}",
                UNKNOWN if leg.energy_off is None
                else fixed(100.0 * leg.energy_off, 0, sign=True),
            )
            for leg in report.legs
        )  # fmt: skip
        table = Table(
            caption="Legs between the gates.",
            head=("Leg", "Minute", "Lasted [s]", "Length [m]", "km/h", "W", "Energy off [%]"),
            rows=rows, numeric=frozenset(range(1, 7)), restack=True,
        )  # fmt: skip
        blocks.append(Fold(summary=f"All {counted(len(rows), 'leg')}", blocks=(table,)))
    return Part(id="recordings", title="Recordings", blocks=tuple(blocks))


def _rest(report: CheckReport) -> Part | None:
    if not report.rest:
        return None
    inside: list[Block] = []
    for finding in report.rest:
        inside += _finding(finding, "")
    fold = Fold(summary=counted(len(report.rest), "finding") + " of less weight",
                blocks=tuple(inside))  # fmt: skip
    return Part(id="also", title="Also found", blocks=(fold,))
