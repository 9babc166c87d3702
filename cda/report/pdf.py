"""The report as PDF: the page's own blocks set on A4, without a browser."""

from __future__ import annotations

import base64
import io
import textwrap
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from cda.figures.style import ACCENT, FAINT, INK, MUTED, literal, look
from cda.report.blocks import Block, Card, Fold, Heading, Items, Panels, Picture, Table, Text
from cda.report.export import write_bytes
from cda.report.page import Section, page_subtitle, page_title, report_parts, rider_name

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from matplotlib.figure import Figure

PAGE_IN: Final = (8.27, 11.69)
MARGIN_IN: Final = 0.75
WIDTH_IN: Final = PAGE_IN[0] - 2 * MARGIN_IN
POINTS_PER_IN: Final = 72.0
CHARACTER: Final = 0.56  # mean width of a character over the size of the type, with some reserve
LEADING: Final = 1.4


def write_pdf(path: Path, sections: Sequence[Section]) -> Path:
    """Write the report as a PDF of A4 pages; the same results give the same bytes.

    Parameters
    ----------
    path : Path
    sections : sequence of Section
        One a rider, as for `build_page`; with several each begins on a page of its own.

    Raises
    ------
    OutputError
        If the file cannot be written.
    """
    buffer = io.BytesIO()
    with look():
        from matplotlib.backends.backend_pdf import PdfPages

        title = page_title(sections)
        meta = {"Title": title, "Creator": "cda-field-test", "CreationDate": None, "ModDate": None}
        with PdfPages(buffer, metadata=meta) as pages:
            setter = _Setter(pages.savefig)
            setter.text(title, size=17)
            setter.text(page_subtitle(sections), size=9, colour=MUTED)
            for place, section in enumerate(sections):
                if len(sections) > 1:
                    if place:
                        setter.end_page()
                    setter.text(rider_name(section), size=15, bold=True, keep_in=2.0)
                for part in report_parts(section):
                    setter.heading(part.title, level=2)
                    setter.blocks(part.blocks)
            setter.end_page()
    return write_bytes(path, buffer.getvalue())


@dataclass(frozen=True, slots=True, kw_only=True)
class _Room:
    """The size of a picture and where its axes (left, bottom, width, height) lie in it."""

    width_in: float
    height_in: float
    axes_in: tuple[float, float, float, float]


class _Setter:
    """Sets blocks from the top of a page down, and turns the page where one no longer fits."""

    def __init__(self, save: object) -> None:
        self._save = save
        self._figure: Figure | None = None
        self._top_in = 0.0
        self._number = 0
        self._rooms: dict[int, tuple[Picture, _Room]] = {}

    def _room(self, picture: Picture) -> _Room:
        """Return the room a picture asks for; it is drawn once to know."""
        if id(picture) not in self._rooms:  # the picture is kept, so its id stays its own
            drawn = picture.draw(None)
            width_in, height_in = drawn.figure.get_size_inches()  # type: ignore[union-attr]
            left, bottom, width, height = drawn.get_position().bounds
            axes_in = (left * width_in, bottom * height_in, width * width_in, height * height_in)
            room = _Room(width_in=float(width_in), height_in=float(height_in), axes_in=axes_in)
            self._rooms[id(picture)] = (picture, room)
        return self._rooms[id(picture)][1]

    def _page(self, need_in: float) -> Figure:
        if self._figure is None or self._top_in - need_in < MARGIN_IN:
            from matplotlib.figure import Figure

            self.end_page()
            self._figure = Figure(figsize=PAGE_IN)
            self._top_in = PAGE_IN[1] - MARGIN_IN
            self._number += 1
            self._figure.text(
                0.5, 0.4 / PAGE_IN[1], str(self._number), ha="center", size=8, color=MUTED
            )
        return self._figure

    def end_page(self) -> None:
        """Write the page begun, if there is one."""
        if self._figure is not None:
            self._save(self._figure)  # type: ignore[operator]
            self._figure = None

    def _rule(self, figure: Figure, top_in: float, colour: str) -> None:
        from matplotlib.lines import Line2D

        y = top_in / PAGE_IN[1]
        ends = [MARGIN_IN / PAGE_IN[0], 1 - MARGIN_IN / PAGE_IN[0]]
        figure.add_artist(Line2D(ends, [y, y], color=colour, linewidth=0.6))

    def text(
        self,
        text: str,
        *,
        size: float = 9.5,
        colour: str = INK,
        indent_in: float = 0.0,
        bold: bool = False,
        keep_in: float = 0.0,
    ) -> None:
        """Set a paragraph, `keep_in` of room kept below its first line."""
        line_in = size * LEADING / POINTS_PER_IN
        lines = _wrapped(text, WIDTH_IN - indent_in, size)
        for index, line in enumerate(lines):
            figure = self._page(line_in + (keep_in if index == 0 else 0.0))
            figure.text(
                (MARGIN_IN + indent_in) / PAGE_IN[0],
                self._top_in / PAGE_IN[1],
                literal(line),
                size=size,
                color=colour,
                va="top",
                weight="bold" if bold else "normal",
            )
            self._top_in -= line_in
        self._top_in -= 0.3 * line_in

    def heading(self, text: str, *, level: int, keep_in: float = 1.4) -> None:
        """Set a heading, never alone at the foot of a page."""
        self._top_in -= 0.14
        self.text(text, size=14 if level == 2 else 11, bold=level > 2, keep_in=keep_in)
        if level == 2 and self._figure is not None:
            self._rule(self._figure, self._top_in, INK)
            self._top_in -= 0.1

    def blocks(self, blocks: Sequence[Block]) -> None:
        """Set blocks one after the other, a heading together with the picture it heads."""
        for place, block in enumerate(blocks):
            if isinstance(block, Heading):
                below = blocks[place + 1] if place + 1 < len(blocks) else None
                tall_in = 1.4
                if isinstance(below, Picture):
                    tall_in = self._room(below).height_in + 0.2
                self.heading(block.text, level=block.level, keep_in=tall_in)
            else:
                self.block(block)

    def block(self, block: Block) -> None:
        """Set any block but a heading."""
        if isinstance(block, Text):
            lead = block.style == "lead"
            self.text(block.text, size=12.5 if lead else 9.5, colour=ACCENT if lead else INK)
        elif isinstance(block, Items):
            for item in block.items:
                self.text(f"– {item}", indent_in=0.1)
            for term, meaning in block.terms:
                self.text(f"{term}: {meaning}", indent_in=0.1)
        elif isinstance(block, Table):
            self._table(block)
        elif isinstance(block, Picture):
            self._picture(block)
        elif isinstance(block, Panels):
            self._panels(block)
        elif isinstance(block, Card):
            self._card(block)
        elif isinstance(block, Fold):
            self.text(block.summary, bold=True, keep_in=0.6)
            self.blocks(block.blocks)

    def _picture(self, picture: Picture) -> None:
        """Set a picture with its words beside it."""
        width_in, height_in = self._room(picture).width_in, self._room(picture).height_in
        size = 8.5
        line_in = size * LEADING / POINTS_PER_IN
        words = f"{picture.finding} {picture.caption}".strip()
        lines = _wrapped(words, WIDTH_IN - width_in - 0.15, size)
        figure = self._page(max(height_in, line_in * len(lines)))
        top_in = self._top_in
        self._draw(picture, MARGIN_IN, top_in - height_in)
        first_in = top_in - max(0.0, 0.5 * (height_in - line_in * len(lines)))
        for index, line in enumerate(lines):
            figure.text(
                (MARGIN_IN + width_in + 0.15) / PAGE_IN[0],
                (first_in - index * line_in) / PAGE_IN[1],
                literal(line),
                size=size,
                color=MUTED,
                va="top",
            )
        self._top_in = top_in - max(height_in, line_in * len(lines)) - 0.12

    def _panels(self, panels: Panels) -> None:
        """Set small pictures, two beside each other, and their words once."""
        step_in = WIDTH_IN / 2
        for at in range(0, len(panels.panels), 2):
            row = panels.panels[at : at + 2]
            heights = [self._room(picture).height_in for _, picture in row]
            figure = self._page(max(heights) + 0.45)
            top_in = self._top_in
            for place, (title, picture) in enumerate(row):
                left_in = MARGIN_IN + place * step_in
                for text, y_in, weight in (
                    (title, top_in, "bold"),
                    (picture.finding, top_in - 0.2 - heights[place], "normal"),
                ):
                    figure.text(
                        left_in / PAGE_IN[0],
                        y_in / PAGE_IN[1],
                        literal(_wrapped(text, step_in, 8.0)[0]),
                        size=8.0,
                        va="top",
                        weight=weight,
                    )
                self._draw(picture, left_in, top_in - 0.18 - heights[place])
            self._top_in = top_in - max(heights) - 0.45
        self.text(panels.caption, size=8.5, colour=MUTED)

    def _draw(self, picture: Picture, left_in: float, bottom_in: float) -> None:
        left, bottom, width, height = self._room(picture).axes_in
        assert self._figure is not None
        box = (
            (left_in + left) / PAGE_IN[0],
            (bottom_in + bottom) / PAGE_IN[1],
            width / PAGE_IN[0],
            height / PAGE_IN[1],
        )
        picture.draw(self._figure.add_axes(box))

    def _card(self, card: Card) -> None:
        self.text(card.title, bold=True, keep_in=0.8)
        if card.photo is not None:
            from PIL import Image

            data = base64.b64decode(card.photo.partition(",")[2])
            with Image.open(io.BytesIO(data)) as image:
                height_in = 1.8 * image.height / image.width
                figure = self._page(height_in)
                axes = figure.add_axes(
                    (
                        MARGIN_IN / PAGE_IN[0],
                        (self._top_in - height_in) / PAGE_IN[1],
                        1.8 / PAGE_IN[0],
                        height_in / PAGE_IN[1],
                    )
                )
                axes.imshow(image)
                axes.set_axis_off()
            self._top_in -= height_in + 0.1
        for line in card.lines:
            self.text(line, indent_in=0.1)

    def _table(self, table: Table) -> None:
        size = 6.0 if table.small else 7.0 if len(table.head) > 5 else 8.0
        widths = _column_widths(table, size)
        self.text(table.caption, size=8.5, colour=MUTED, keep_in=0.7)
        self._row(table.head, widths, size, bold=True)
        for index, row in enumerate(table.rows):
            self._row(row, widths, size, bold=index in table.marked)
        self._top_in -= 0.12

    def _row(self, cells: tuple[str, ...], widths: list[float], size: float, *, bold: bool) -> None:
        line_in = size * LEADING / POINTS_PER_IN
        wrapped = [
            _wrapped(cell, width - 0.08, size * (1.08 if bold else 1.0))
            for cell, width in zip(cells, widths, strict=True)
        ]
        height_in = line_in * max(len(lines) for lines in wrapped) + 0.06
        figure = self._page(min(height_in, PAGE_IN[1] - 2 * MARGIN_IN))
        left_in = MARGIN_IN
        for lines, width in zip(wrapped, widths, strict=True):
            for index, line in enumerate(lines):
                figure.text(
                    left_in / PAGE_IN[0],
                    (self._top_in - 0.03 - index * line_in) / PAGE_IN[1],
                    literal(line),
                    size=size,
                    va="top",
                    weight="bold" if bold else "normal",
                )
            left_in += width
        self._top_in -= height_in
        self._rule(figure, self._top_in, INK if bold else FAINT)


def _wrapped(text: str, width_in: float, size: float) -> list[str]:
    characters = max(4, int(width_in * POINTS_PER_IN / (CHARACTER * size)))
    return textwrap.wrap(text, characters) or [""]


def _column_widths(table: Table, size: float) -> list[float]:
    """Return widths that hold every word where the page allows it; texts share the rest. [in]."""
    wanted, least = [], []
    for k in range(len(table.head)):
        longest = max((len(row[k]) for row in table.rows), default=0)
        words = [word for row in (table.head, *table.rows) for word in row[k].split()]
        least.append(max(min(max(map(len, words), default=1), 24), 4) + 1.0)
        wanted.append(max(min(longest, 34) + 1.5 - least[-1], 0.0))
    character_in = 1.08 * CHARACTER * size / POINTS_PER_IN  # bold type is wider
    words_in = [count * character_in + 0.08 for count in least]
    left_in = WIDTH_IN - sum(words_in)
    if left_in <= 0.0:
        return [WIDTH_IN * width / sum(words_in) for width in words_in]
    shared = sum(wanted) or float(len(wanted))
    return [
        width + left_in * (want if sum(wanted) else 1.0) / shared
        for width, want in zip(words_in, wanted, strict=True)
    ]
