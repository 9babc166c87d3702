"""The page: from results to one self-contained HTML file.

Knows results only. The same results give the same bytes: no clock, no random ids.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, fields
from importlib import resources
from typing import TYPE_CHECKING

from cda.report.analyst import analyst
from cda.report.answer import answer
from cda.report.athlete import athlete
from cda.report.blocks import Block, Fold, Panels, Part, Picture
from cda.report.changes import changes
from cda.report.closing import again, cautions, method
from cda.report.coach import coach
from cda.report.photo import photo_uri
from cda.results.numbers import shown

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from cda.results import Estimate, Savings


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Section:
    """One rider's results: what `build_page` puts under that rider's heading."""

    estimate: Estimate
    savings: Savings | None = None
    photos: Mapping[str, bytes] | None = None
    previous: Estimate | None = None


def build_report(
    estimate: Estimate,
    savings: Savings | None = None,
    *,
    photos: Mapping[str, bytes] | None = None,
    previous: Estimate | None = None,
) -> str:
    """Return the page of one rider as HTML.

    Parameters
    ----------
    estimate : Estimate
        What was measured.
    savings : Savings, optional
        What it is worth at a race; without it the page speaks of drag area only.
    photos : mapping of position id to bytes, optional
        Picture files; drawn anew at 40 KB at most, without metadata.
    previous : Estimate, optional
        The estimate of the earlier days, where `estimate` pools one more.

    Returns
    -------
    html : str
        One self-contained page: no request, no script.
    """
    return build_page(
        [Section(estimate=estimate, savings=savings, photos=photos, previous=previous)]
    )


def build_page(sections: Sequence[Section]) -> str:
    """Return one page with a section for each rider."""
    many = len(sections) > 1
    named = []
    for section in sections:
        named.append((rider_name(section) if many else "", report_parts(section)))
    return render_page(named, title=page_title(sections), subtitle=page_subtitle(sections))


def render_page(
    sections: Sequence[tuple[str, Sequence[Part]]], *, title: str, subtitle: str
) -> str:
    """Return parts as one page; with several sections each stands under its name."""
    import jinja2

    many = len(sections) > 1
    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(_template), autoescape=True, undefined=jinja2.StrictUndefined
    )
    environment.filters["tied"] = tied
    drawn = []
    for index, (name, parts) in enumerate(sections):
        prefix = f"r{index + 1}-" if many else ""
        inside = [_drawn_part(p, prefix=prefix) for p in parts]
        drawn.append({"parts": inside, "prefix": prefix, "name": name, "depth": int(many)})
    return environment.get_template("page.html").render(
        title=title, subtitle=subtitle, css=_markup(_template("page.css")), sections=drawn
    )


def report_parts(section: Section) -> list[Part]:
    """Return the parts of one rider's page, in the order they are read."""
    estimate, savings = section.estimate, section.savings
    photos = {}
    for position_id, data in (section.photos or {}).items():
        uri = photo_uri(data)
        if uri is not None:
            photos[position_id] = uri
    parts = [
        changes(estimate, section.previous),
        answer(estimate, savings),
        coach(estimate, savings),
        athlete(estimate, savings, photos),
        analyst(estimate, savings),
        method(estimate, savings),
        cautions(),
        again(estimate, savings),
    ]
    return [part for part in parts if part is not None]


def rider_name(section: Section) -> str:
    """Return what a rider's section is headed with where there are several."""
    return f"Rider {shown(section.estimate.sessions[0].rider_id)}"


def page_title(sections: Sequence[Section]) -> str:
    """Return the title of the page, from the sessions' own titles."""
    titles = list(
        dict.fromkeys(shown(s.title) for section in sections for s in section.estimate.sessions)
    )
    return "; ".join(titles) or "Field test"


def page_subtitle(sections: Sequence[Section]) -> str:
    """Return dates and counts; never a clock time."""
    sessions = [s for section in sections for s in section.estimate.sessions]
    dates = list(dict.fromkeys(str(s.date) for s in sessions if s.date))
    runs = sum(r.used for section in sections for r in section.estimate.runs)
    positions = {p.id for section in sections for p in section.estimate.positions}
    text = f"{len(positions)} positions, {runs} runs used"
    return f"{', '.join(dates)}. {text}." if dates else f"{text}."


def tied(text: str) -> str:
    """Keep a number on one line with its unit, and a plus-minus with its number."""
    text = re.sub(r"(?<=\d) (?=(?:%|min|s|h|W|m|m²|m/s|km|kg)(?![\w²/]))", "\u00a0", text)
    return re.sub(r"(?<=±) (?=\d)", "\u00a0", text)


def _template(name: str) -> str:
    return resources.files("cda.report").joinpath("templates", name).read_text(encoding="utf-8")


def _markup(text: str) -> object:
    from markupsafe import Markup

    return Markup(text)


def _drawn_part(part: Part, *, prefix: str) -> dict[str, object]:
    blocks = [_drawn(block, prefix=prefix) for block in part.blocks]
    return {"id": part.id, "title": part.title, "blocks": blocks}


def _drawn(block: Block, *, prefix: str) -> object:
    """Return the block for the template, its pictures drawn."""
    if isinstance(block, Picture):
        return _drawn_picture(block, prefix=prefix)
    if isinstance(block, Panels):
        panels = [(title, _drawn_picture(p, prefix=prefix)) for title, p in block.panels]
        return _as_dict(block) | {"panels": panels}
    if isinstance(block, Fold):
        return _as_dict(block) | {"blocks": [_drawn(b, prefix=prefix) for b in block.blocks]}
    return block


def _as_dict(block: Block) -> dict[str, object]:
    return {f.name: getattr(block, f.name) for f in fields(block)}


def _drawn_picture(picture: Picture, *, prefix: str) -> dict[str, object]:
    from cda.figures.style import look, svg

    with look():
        axes = picture.draw(None)
        text = svg(axes.figure, prefix=_slug(f"{prefix}{picture.name}"))  # type: ignore[arg-type]
    return _as_dict(picture) | {"svg": _markup(text), "shape": "picture"}


def _slug(name: str) -> str:
    return "".join(c if c.isascii() and c.isalnum() else "-" for c in name)
