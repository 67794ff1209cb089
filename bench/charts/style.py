"""One look for every chart: paper, ink, type, and how figures are saved.

Figures are made with matplotlib's object interface (no pyplot, no global state). Positions on a sheet are
millimetres from its lower left corner; text sizes are points.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from functools import lru_cache
from io import BytesIO
from pathlib import Path
from typing import Any, Literal

import numpy as np
from matplotlib import rc_context
from matplotlib.axes import Axes
from matplotlib.collections import LineCollection
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, get_font
from matplotlib.patches import Polygon
from matplotlib.text import Text
from numpy.typing import NDArray

from bench.conventions import CHART_FORMATS

MM_PER_INCH = 25.4

PAPERS: dict[str, tuple[float, float]] = {
    "a5": (148.0, 210.0),
    "half-letter": (139.7, 215.9),
}
WALL_PAPERS: dict[str, tuple[float, float]] = {
    "a5": (297.0, 210.0),
    "half-letter": (279.4, 215.9),
}

# Every tone stays apart from its neighbours when printed in grey.
INK = "#111111"
SOFT = "#4a4a4a"
LINE = "#8c8c8c"
HAIR = "#c4c4c4"
SHADE = "#e6e6e6"
BAND = "#cfdbe6"
ACCENT = "#14507d"
PAPER = "#ffffff"

TINY = 6.5
SMALL = 7.0
BODY = 8.0
MAIN = 9.5

PNG_DPI = 200
# The frame's distance from the edge of the paper, and the text's from the frame (mm).
EDGE = 8.0
PAD = 4.0

_SETTINGS: Any = {
    "pdf.fonttype": 42,
    "svg.fonttype": "path",
    "svg.hashsalt": "regenbench",
    "font.family": ["DejaVu Sans"],
    "text.usetex": False,
    "axes.unicode_minus": True,
    "path.simplify": False,
    "hatch.linewidth": 0.5,
}


def settings() -> Any:
    """Matplotlib settings for drawing and saving, as a context that restores the user's own."""
    return rc_context(_SETTINGS)


@lru_cache(maxsize=8)
def _font_file(weight: str) -> str:
    return str(findfont(FontProperties(family="DejaVu Sans", weight=weight)))


_ENLARGED = 16


@lru_cache(maxsize=4096)
def text_width_mm(text: str, size: float, weight: str = "normal") -> float:
    """Width of one line of text as it will be set.

    Parameters
    ----------
    text : str
    size : float
        Points.
    weight : {"normal", "bold"}

    Returns
    -------
    float
        Millimetres.
    """
    font = get_font(_font_file(weight))
    # Measured large: at the size of print, letters would be fitted to coarse dots and come out too narrow or too wide.
    font.set_size(size, 72 * _ENLARGED)
    font.set_text(printable(text), 0.0)
    width, _ = font.get_width_height()
    return float(width) / 64.0 / (72.0 * _ENLARGED) * MM_PER_INCH


@lru_cache(maxsize=2)
def _known_characters(weight: str) -> frozenset[int]:
    return frozenset(get_font(_font_file(weight)).get_charmap())


def printable(text: str) -> str:
    """The text on one line, with characters that the chart's font lacks shown as a question mark."""
    known = _known_characters("normal")
    flat = re.sub(r"\s", " ", text) if not text.isprintable() else text
    return "".join(c if (ord(c) in known and c.isprintable()) or c == "\u00a0" else "?" for c in flat)


def wrap(text: str, width_mm: float, size: float, weight: str = "normal", lines: int = 99) -> list[str]:
    """Break a sentence into lines that fit a width; what does not fit in `lines` lines ends in an ellipsis."""
    out: list[str] = []
    current = ""
    for word in text.split(" "):
        trial = f"{current} {word}" if current else word
        if current and text_width_mm(trial, size, weight) > width_mm:
            out.append(current)
            current = word
        else:
            current = trial
    out.append(current)
    out = [shorten(line, width_mm, size, weight) for line in out]
    if len(out) > lines:
        out = out[:lines]
        out[-1] = shorten(out[-1] + " ...", width_mm, size, weight)
    return out


def shorten(text: str, width_mm: float, size: float, weight: str = "normal") -> str:
    """The text, or as much of its beginning as fits the width, ending in an ellipsis."""
    if text_width_mm(text, size, weight) <= width_mm:
        return text
    kept = text.rstrip(". ")
    while kept and text_width_mm(kept + "...", size, weight) > width_mm:
        kept = kept[:-1].rstrip()
    return kept + "..."


def fit_size(text: str, width_mm: float, largest: float, smallest: float, weight: str = "normal") -> float:
    """The largest size at which the text fits the width, not below `smallest`."""
    size = largest
    while size > smallest and text_width_mm(text, size, weight) > width_mm:
        size -= 0.5
    return max(size, smallest)


class Sheet:
    """A page to draw on in millimetres."""

    def __init__(self, width_mm: float, height_mm: float) -> None:
        self.width_mm = width_mm
        self.height_mm = height_mm
        self.figure = Figure(figsize=(width_mm / MM_PER_INCH, height_mm / MM_PER_INCH), facecolor=PAPER)
        self.axes = self.figure.add_axes((0.0, 0.0, 1.0, 1.0), label="sheet")
        self.axes.set_xlim(0.0, width_mm)
        self.axes.set_ylim(0.0, height_mm)
        self.axes.set_axis_off()

    def text(
        self,
        x: float,
        y: float,
        text: str,
        size: float = BODY,
        *,
        weight: Literal["normal", "bold"] = "normal",
        color: str = INK,
        ha: Literal["left", "center", "right"] = "left",
        va: Literal["baseline", "center", "top", "bottom"] = "baseline",
        rotation: float = 0.0,
        gid: str | None = None,
    ) -> Text:
        """Set one line of text. Nothing in it is read as mathematics."""
        made = self.axes.text(
            x,
            y,
            printable(text),
            fontsize=size,
            fontweight=weight,
            color=color,
            ha=ha,
            va=va,
            rotation=rotation,
            rotation_mode="anchor",
            parse_math=False,
        )
        made.set_gid(gid)
        without_ligatures(made)
        return made

    def lines(
        self,
        segments: Iterable[Any],
        width: float = 0.6,
        color: str = INK,
        style: Any = "solid",
        *,
        gid: str | None = None,
        zorder: float = 2.0,
    ) -> LineCollection:
        """Draw many lines at once; each segment is a list of (x, y)."""
        made = LineCollection(
            [np.asarray(s, dtype=float) for s in segments],
            linewidths=width,
            colors=color,
            linestyles=style,
            zorder=zorder,
            capstyle="butt",
        )
        made.set_gid(gid)
        self.axes.add_collection(made, autolim=False)
        return made

    def area(
        self, points: Any, color: str, *, edge: str = "none", width: float = 0.0, gid: str | None = None
    ) -> Polygon:
        """Fill a closed outline."""
        made = Polygon(
            np.asarray(points, dtype=float), closed=True, facecolor=color, edgecolor=edge, lw=width
        )
        made.set_zorder(1.0)
        made.set_gid(gid)
        self.axes.add_patch(made)
        return made

    def dots(
        self,
        points: Sequence[tuple[float, float]],
        marker: Any = "o",
        size: float = 3.0,
        *,
        face: str = INK,
        edge: str = INK,
        width: float = 0.7,
        gid: str | None = None,
    ) -> None:
        """Draw markers; `size` is in points."""
        xy = np.asarray(points, dtype=float).reshape(-1, 2)
        (made,) = self.axes.plot(
            xy[:, 0],
            xy[:, 1],
            linestyle="none",
            marker=marker,
            markersize=size,
            markerfacecolor=face,
            markeredgecolor=edge,
            markeredgewidth=width,
            zorder=4,
        )
        made.set_gid(gid)

    def heading(self, x: float, y: float, text: str) -> Text:
        """A section's name."""
        return self.text(x, y, text.upper(), TINY, weight="bold", color=SOFT)

    def graph(self, x: float, y: float, width: float, height: float, label: str) -> Axes:
        """An axes for a graph, placed by its frame."""
        axes = self.figure.add_axes(
            (x / self.width_mm, y / self.height_mm, width / self.width_mm, height / self.height_mm),
            label=label,
        )
        axes.set_facecolor("none")
        for spine in axes.spines.values():
            spine.set_linewidth(0.7)
            spine.set_color(INK)
        axes.tick_params(labelsize=SMALL, length=2.2, width=0.6, pad=1.8, color=INK, labelcolor=INK)
        return axes


def without_ligatures(text: Text) -> None:
    """Keep letters apart where matplotlib would join them: joined ones cost each PDF a second embedded font."""
    if hasattr(text, "set_fontfeatures"):
        text.set_fontfeatures(("-liga",))


def arc(cx: float, cy: float, radius: float, start_deg: float, end_deg: float) -> NDArray[np.float64]:
    """Points of an arc, shape (n, 2). Angles in degrees clockwise from straight up."""
    n = max(2, int(abs(end_deg - start_deg) / 1.5) + 2)
    a = np.radians(np.linspace(start_deg, end_deg, n))
    return np.column_stack([cx + radius * np.sin(a), cy + radius * np.cos(a)])


def spot(cx: float, cy: float, radius: float, deg: float) -> tuple[float, float]:
    """The point at a radius and an angle in degrees clockwise from straight up."""
    a = np.radians(deg)
    return float(cx + radius * np.sin(a)), float(cy + radius * np.cos(a))


def save(figure: Figure, stem: Path, formats: Sequence[str] = CHART_FORMATS) -> list[Path]:
    """Write a figure; the same figure always gives the same bytes.

    Parameters
    ----------
    figure : Figure
    stem : Path
        File name without its ending.
    formats : sequence of {"pdf", "png", "svg"}

    Returns
    -------
    list of Path
    """
    from matplotlib.backends.backend_pdf import FigureCanvasPdf

    stem.parent.mkdir(parents=True, exist_ok=True)
    written = []
    canvas: Any
    with settings():
        for kind in formats:
            path = stem.with_name(f"{stem.name}.{kind}")
            if kind == "pdf":
                canvas = FigureCanvasPdf(figure)
                canvas.print_pdf(
                    str(path), metadata={"CreationDate": None, "Creator": "regenbench", "Producer": None}
                )
            elif kind == "svg":
                path.write_bytes(svg_bytes(figure))
            else:
                path.write_bytes(png_bytes(figure))
            written.append(path)
    return written


def svg_bytes(figure: Figure) -> bytes:
    """A figure as SVG."""
    from matplotlib.backends.backend_svg import FigureCanvasSVG

    out = BytesIO()
    with settings():
        figure.set_dpi(72)
        canvas: Any = FigureCanvasSVG(figure)
        canvas.print_svg(out, metadata={"Date": None, "Creator": "regenbench"})
    return out.getvalue()


def png_bytes(figure: Figure) -> bytes:
    """A figure as PNG with a palette: line drawings need few tones, and small files fit a README."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from PIL import Image

    figure.set_dpi(PNG_DPI)
    canvas: Any = FigureCanvasAgg(figure)
    canvas.draw()
    rgb = np.asarray(canvas.buffer_rgba())[:, :, :3] >> 3
    # Five bits a colour leave the greys and the one blue a few dozen tones.
    key = (rgb[:, :, 0].astype(np.uint16) << 10) | (rgb[:, :, 1].astype(np.uint16) << 5) | rgb[:, :, 2]
    tones = np.flatnonzero(np.bincount(key.ravel(), minlength=1 << 15))
    number = np.minimum(np.searchsorted(tones, np.arange(1 << 15)), 255).astype(np.uint8)
    image = Image.fromarray(number[key])
    levels = np.column_stack([tones >> 10, (tones >> 5) & 31, tones & 31])[:256]
    image.putpalette(((levels << 3) | (levels >> 2)).astype(np.uint8).tobytes())
    out = BytesIO()
    image.save(out, format="PNG", dpi=(PNG_DPI, PNG_DPI), compress_level=6)
    return out.getvalue()
