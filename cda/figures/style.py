"""The look of all pictures: ink, two greys and one accent; and pictures as SVG and PNG bytes.

The colours are unlike anything matplotlib sets by itself, so that a page can replace them by its
own (light and dark); nothing is told by colour alone.
"""

from __future__ import annotations

import io
import re
import warnings
from contextlib import contextmanager
from functools import lru_cache
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.path import Path
    from numpy.typing import ArrayLike

INK: Final = "#1b1b1a"
MUTED: Final = "#5b5b59"
FAINT: Final = "#cfcecb"
ACCENT: Final = "#95300f"
PAPER: Final = "#fefefe"
VARIABLES: Final = {
    INK: "var(--ink)",
    MUTED: "var(--muted)",
    FAINT: "var(--faint)",
    ACCENT: "var(--accent)",
    PAPER: "var(--paper)",
    "#000000": "var(--ink)",
}
WIDTH_IN: Final = 4.7  # one column: still readable where a phone shows it 288 px wide
ROW_IN: Final = 0.42
LABELLED_IN: Final = 0.92  # left margin that holds tick labels and a two-line axis label
SETTINGS: Final[dict[str, object]] = {
    "font.family": "DejaVu Sans",
    "font.size": 9.5,
    "svg.fonttype": "none",
    "svg.hashsalt": "cda",
    "axes.edgecolor": MUTED,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.unicode_minus": True,
    "hatch.linewidth": 0.6,
    "lines.linewidth": 1.0,
    "text.color": INK,
    "xtick.color": MUTED,
    "ytick.color": MUTED,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "figure.facecolor": "none",
    "axes.facecolor": "none",
    "savefig.facecolor": "none",
    "pdf.compression": 6,
}


@contextmanager
def look() -> Iterator[None]:
    """Apply the look for as long as pictures are made and written; nothing global stays changed."""
    import matplotlib as mpl

    with warnings.catch_warnings(), mpl.rc_context(SETTINGS):  # type: ignore[arg-type]
        # A script that the measuring font lacks is drawn by the reader's own font.
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        warnings.filterwarnings("ignore", message=".*does not support .* natively")
        yield


def new_axes(height_in: float = 2.6, width_in: float = WIDTH_IN, *, left_in: float = 0.12) -> Axes:
    """Return the axes of a new figure that no window manager knows.

    The margins are fixed: fitting them to the labels would draw every picture twice.
    """
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width_in, height_in))
    right_in, bottom_in, top_in = 0.14, 0.52, 0.08
    return figure.add_axes(
        (
            left_in / width_in,
            bottom_in / height_in,
            1.0 - (left_in + right_in) / width_in,
            1.0 - (bottom_in + top_in) / height_in,
        )
    )


def scale_lines(ax: Axes, axis: Literal["x", "y", "both"], *, most: int = 5) -> None:
    """Draw faint lines across at few round numbers: every tick costs ink and time."""
    from matplotlib.ticker import FixedLocator, MaxNLocator

    for one in (ax.xaxis, ax.yaxis):
        if not isinstance(one.get_major_locator(), FixedLocator):
            one.set_major_locator(MaxNLocator(most, steps=[1, 2, 2.5, 5, 10]))
    ax.grid(axis=axis, color=FAINT, linewidth=0.5)
    ax.set_axisbelow(True)


@lru_cache(maxsize=64)
def _letter_path(letter: str) -> Path:
    """Return the outline of a letter, its middle at the origin."""
    from matplotlib.font_manager import FontProperties
    from matplotlib.path import Path
    from matplotlib.textpath import TextPath

    outline = TextPath((0.0, 0.0), letter, size=10, prop=FontProperties(family="DejaVu Sans"))
    middle = 0.5 * (outline.vertices.min(axis=0) + outline.vertices.max(axis=0))
    return Path(outline.vertices - middle, outline.codes)


def letter_marks(
    ax: Axes, x: ArrayLike, y: ArrayLike, letter: str, *, colour: str = INK, size: float = 6.0
) -> None:
    """Mark points with a position's letter, all of one letter in one go."""
    ax.plot(
        x,
        y,
        marker=_letter_path(letter),
        markersize=size,
        color=colour,
        markeredgewidth=0.15,
        linestyle="none",
        snap=False,
    )


def strips(ax: Axes, lower: float, gap: float) -> tuple[Axes, Axes]:
    """Divide the room of `ax` into two strips over one horizontal scale; return both.

    The lower one takes `lower`, the gap `gap` of the height.
    """
    ax.set_axis_off()
    below = ax.inset_axes((0.0, 0.0, 1.0, lower))
    above = ax.inset_axes((0.0, lower + gap, 1.0, 1.0 - lower - gap), sharex=below)
    above.tick_params(axis="x", labelbottom=False)
    return above, below


def literal(text: str) -> str:
    """Return text that matplotlib does not read as mathematics."""
    return text.replace("$", r"\$")


def svg(figure: Figure, *, prefix: str, variables: bool = True) -> str:
    """Return a figure as an inline SVG element with ids of its own and the page's colours.

    Parameters
    ----------
    figure : Figure
        What to draw.
    prefix : str
        Put before every id, so that several pictures fit on one page.
    variables : bool, default True
        Replace the colours by the CSS variables of the page.

    Returns
    -------
    svg : str
        `<svg ...>...</svg>`, the same bytes for the same figure.
    """
    buffer = io.StringIO()
    with look():
        figure.savefig(buffer, format="svg", metadata={"Date": None})
    text = buffer.getvalue()
    text = text[text.index("<svg") :].rstrip()
    text = re.sub(r"\s*<metadata>.*?</metadata>", "", text, flags=re.DOTALL)
    text = re.sub(r"\s*<defs>\s*<style.*?</style>\s*</defs>", "", text, flags=re.DOTALL)
    used = set(re.findall(r"url\(#([^)]+)\)", text)) | set(re.findall(r'href="#([^"]+)"', text))
    text = re.sub(
        r' id="([^"]+)"',
        lambda m: f' id="{prefix}-{m.group(1)}"' if m.group(1) in used else "",
        text,
    )
    text = re.sub(r"url\(#", f"url(#{prefix}-", text)
    text = re.sub(r'href="#', f'href="#{prefix}-', text)
    text = re.sub(r' d="([^"]*)"', lambda m: f' d="{_short(m.group(1))}"', text)
    text = re.sub(r"<!--.*?-->\s*", "", text, flags=re.DOTALL)
    text = re.sub(r"\n\s*", "\n", text)
    if variables:
        # The element around it says in words what the picture shows.
        text = text.replace("<svg ", '<svg aria-hidden="true" focusable="false" ', 1)
        for colour, variable in VARIABLES.items():
            text = text.replace(colour, variable)
    return text


def _short(path: str) -> str:
    numbers = re.sub(r"-?\d+\.\d+", lambda m: f"{float(m.group()):.1f}".removesuffix(".0"), path)
    return " ".join(numbers.split())


def png(figure: Figure, *, dpi: int = 160) -> bytes:
    """Return a figure as PNG bytes on white paper, the same for the same figure."""
    buffer = io.BytesIO()
    with look():
        figure.savefig(
            buffer,
            format="png",
            dpi=dpi,
            facecolor="white",
            metadata={"Software": "cda-field-test"},
        )
    return buffer.getvalue()


def rows_axis(ax: Axes, labels: Sequence[str]) -> None:
    """Write a label above each row of a horizontal picture; row 0 is on top.

    The label stands over its row and not beside it: on a phone the full width is left to the data.
    """
    ax.set_ylim(len(labels) - 0.35, -0.75)
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    for row, label in enumerate(labels):
        ax.annotate(
            literal(label),
            (0.0, row),
            xycoords=("axes fraction", "data"),
            xytext=(0, 7),
            textcoords="offset points",
            fontsize=9,
            va="bottom",
            bbox={"facecolor": PAPER, "edgecolor": "none", "pad": 0.8},
        )


def sides_of_zero(ax: Axes, left: str, right: str) -> None:
    """Draw zero and say beside it, at the foot, what lies on each side that is in sight."""
    ax.axvline(0.0, color=MUTED, linewidth=0.9)
    low, high = ax.get_xlim()
    for text, align, room in (
        (f"◂ {left}", "right", -low / (high - low)),
        (f"{right} ▸", "left", high / (high - low)),
    ):
        if room > 0.12:  # of the width: less holds no word
            ax.annotate(
                text,
                (0.0, 0.0),
                xycoords=("data", "axes fraction"),
                xytext=(-4 if align == "right" else 4, 2),
                textcoords="offset points",
                ha=align,
                va="bottom",
                fontsize=9,
                color=MUTED,
            )


def interval(
    ax: Axes,
    low: float,
    high: float,
    value: float,
    row: float,
    *,
    strong: bool,
    hollow: bool | None,
) -> None:
    """Draw one interval with its value; hollow: not decided; half hollow (None): alone only."""
    colour = ACCENT if strong else INK
    ax.plot(
        [low, high],
        [row, row],
        color=colour,
        linewidth=2.0,
        solid_capstyle="butt",
        marker="|",
        markersize=8.0,
        markeredgewidth=1.2,
    )
    ax.plot(
        [value],
        [row],
        marker="D" if strong else "o",
        markersize=6.5,
        markeredgecolor=colour,
        markerfacecolor=PAPER if hollow else colour,
        markerfacecoloralt=PAPER,
        fillstyle="left" if hollow is None else "full",
        markeredgewidth=1.4,
        linestyle="none",
    )
