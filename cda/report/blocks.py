"""What a report is made of, before it is HTML or PDF: both are drawn from the same blocks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from matplotlib.axes import Axes


@dataclass(frozen=True, slots=True, kw_only=True)
class Heading:
    """A heading of level 2 to 4."""

    text: str
    level: int = 2
    kind: str = "heading"


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """A paragraph; `style` is "plain", "lead" (the answer) or "small"."""

    text: str
    style: str = "plain"
    kind: str = "text"


@dataclass(frozen=True, slots=True, kw_only=True)
class Items:
    """A list of short texts; `terms` makes it a list of (term, meaning)."""

    items: tuple[str, ...] = ()
    terms: tuple[tuple[str, str], ...] = ()
    kind: str = "items"


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """A table of texts; the first column heads its row.

    `numeric` names the columns set right; `restack` lets rows become cards on a narrow screen.
    `marked` are rows to set off (the first choice); `small` sets a table for reference smaller.
    """

    caption: str
    head: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: frozenset[int] = frozenset()
    restack: bool = False
    marked: frozenset[int] = frozenset()
    small: bool = False
    kind: str = "table"


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture: how to draw it (into the axes given, or None: into new ones).

    `caption` says what to see, `finding` what it shows, in words.
    """

    name: str
    draw: Callable[[Axes | None], Axes]
    caption: str
    finding: str
    kind: str = "picture"


@dataclass(frozen=True, slots=True, kw_only=True)
class Panels:
    """Several small pictures with one caption; titles stand above the panels."""

    name: str
    panels: tuple[tuple[str, Picture], ...]
    caption: str
    kind: str = "panels"


@dataclass(frozen=True, slots=True, kw_only=True)
class Card:
    """One position for the athlete, with its photo."""

    title: str
    photo: str | None
    lines: tuple[str, ...]
    kind: str = "card"


@dataclass(frozen=True, slots=True, kw_only=True)
class Fold:
    """Blocks that may be folded away on a screen; always there on paper."""

    summary: str
    blocks: tuple[Block, ...]
    kind: str = "fold"


Block = Heading | Text | Items | Table | Picture | Panels | Card | Fold


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """One part of the page with its heading."""

    id: str
    title: str
    blocks: tuple[Block, ...]
