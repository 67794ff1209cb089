"""Draws `wiring.svg`, the picture of the sensor board's wiring page: python drivers/firmware/draw_wiring.py"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

INK = "black"


def draw() -> Figure:
    """The whole drawing, in black on white: nothing depends on colour."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(8.6, 6.3))
    axes = figure.add_axes((0.0, 0.0, 1.0, 1.0))
    axes.set_xlim(0, 86)
    axes.set_ylim(0, 63)
    axes.set_aspect("equal")
    axes.axis("off")
    _board(axes)
    _angle(axes)
    _mark(axes)
    _level(axes)
    _set(axes)
    return figure


def _wire(axes: Axes, *points: tuple[float, float], style: str = "-") -> None:
    axes.plot([x for x, _ in points], [y for _, y in points], style, color=INK, lw=1.2)


def _dot(axes: Axes, x: float, y: float) -> None:
    axes.plot([x], [y], "o", color=INK, ms=4)


def _text(
    axes: Axes, x: float, y: float, text: str, ha: str = "center", size: float = 8.5, bold: bool = False
) -> None:
    axes.text(
        x, y, text, ha=ha, va="center", fontsize=size, color=INK, fontweight="bold" if bold else "normal"
    )


def _box(axes: Axes, x: float, y: float, width: float, height: float, lw: float = 1.2) -> None:
    _wire(axes, (x, y), (x + width, y), (x + width, y + height), (x, y + height), (x, y))
    if lw > 1.2:
        axes.plot([x, x + width, x + width, x, x], [y, y, y + height, y + height, y], color=INK, lw=lw)


def _resistor(axes: Axes, x: float, y: float, *, upright: bool) -> None:
    """Centred at (x, y), 6 long."""
    if upright:
        _box(axes, x - 0.9, y - 3, 1.8, 6)
    else:
        _box(axes, x - 3, y - 0.9, 6, 1.8)


def _ground(axes: Axes, x: float, y: float) -> None:
    for at, half in enumerate((1.4, 0.9, 0.4)):
        _wire(axes, (x - half, y - 0.5 * at), (x + half, y - 0.5 * at))


def _board(axes: Axes) -> None:
    _box(axes, 3, 9, 17, 49, lw=2)
    _text(axes, 11.5, 55.5, "Microcontroller", bold=True)
    _text(axes, 11.5, 53.2, "board", bold=True)
    for y, name in ((49, "3V3"), (44, "GP26"), (39, "AGND"), (30, "GP15"), (21, "GP27"), (13, "GND")):
        _text(axes, 18.7, y, name, ha="right")
        _dot(axes, 20, y)
    _text(axes, 11.5, 4.6, "USB to the laptop")
    _wire(axes, (11.5, 9), (11.5, 6))


def _angle(axes: Axes) -> None:
    _wire(axes, (20, 49), (34, 49), (34, 47))
    _resistor(axes, 34, 44, upright=True)
    _wire(axes, (34, 41), (34, 39), (20, 39))
    _wire(axes, (20, 44), (32.9, 44))
    axes.annotate("", (33.1, 44), (30, 44), arrowprops={"arrowstyle": "-|>", "color": INK, "lw": 1.2})
    _wire(axes, (26, 44), (26, 42.6))
    _wire(axes, (25, 42.6), (27, 42.6))
    _wire(axes, (25, 41.9), (27, 41.9))
    _wire(axes, (26, 41.9), (26, 39))
    _dot(axes, 26, 44)
    _dot(axes, 26, 39)
    _text(axes, 24.4, 42.2, "100 nF", ha="right", size=7)
    _text(axes, 30, 53.4, "angle: linear potentiometer, 10 kilohms,", ha="left", size=8)
    _text(axes, 30, 51.3, "of its own, not one of the set's", ha="left", size=8)
    # The shaft: mechanical only.
    axes.plot([35.2, 52.2], [44, 44], "--", color=INK, lw=2.4)
    _box(axes, 52.2, 42.2, 9, 3.6)
    axes.plot([61.2, 69], [44, 44], "--", color=INK, lw=2.4)
    _text(axes, 51.4, 41.4, "insulating", ha="right", size=8)
    _text(axes, 51.4, 39.3, "shaft coupling", ha="right", size=8)


def _mark(axes: Axes) -> None:
    _wire(axes, (20, 30), (29, 30))
    _wire(axes, (29, 30), (32.6, 32))
    _dot(axes, 29, 30)
    _dot(axes, 33, 30)
    _wire(axes, (33, 30), (38, 30), (38, 28.5))
    _ground(axes, 38, 28.5)
    _text(axes, 41, 30.6, "mark: key or foot switch", ha="left", size=8)


def _level(axes: Axes) -> None:
    _wire(axes, (20, 21), (27, 21))
    _resistor(axes, 30, 21, upright=False)
    _text(axes, 30, 23.2, "10 kilohms", size=7)
    _wire(axes, (33, 21), (44, 21))
    _dot(axes, 37, 21)
    _wire(axes, (37, 21), (37, 20))
    _resistor(axes, 37, 17, upright=True)
    _wire(axes, (37, 14), (37, 13))
    _text(axes, 35.6, 17, "100 k", ha="right", size=7)
    _dot(axes, 42, 21)
    _wire(axes, (42, 21), (42, 17.6))
    _wire(axes, (40.6, 17.6), (43.4, 17.6))
    _wire(axes, (40.6, 16.8), (43.4, 16.8))
    _wire(axes, (42, 16.8), (42, 13))
    _text(axes, 44, 17.2, "100 nF", ha="left", size=7)
    # Detector diode, towards the board.
    axes.fill([48, 48, 45], [19.6, 22.4, 21], facecolor="white", edgecolor=INK, lw=1.2)
    _wire(axes, (45, 19.6), (45, 22.4))
    _wire(axes, (44, 21), (45, 21))
    _wire(axes, (48, 21), (54, 21), (54, 20))
    _text(axes, 46.5, 23.9, "diode", size=7)
    # Isolating transformer: two windings and a core, nothing in common.
    for y in (19, 17, 15):
        axes.plot([54, 55.4, 54], [y + 1, y, y - 1], color=INK, lw=1.2)
        axes.plot([59.4, 58, 59.4], [y + 1, y, y - 1], color=INK, lw=1.2)
    for x in (56.2, 57.2):
        _wire(axes, (x, 13.6), (x, 20.4))
    _wire(axes, (54, 14), (54, 13), (20, 13))
    _dot(axes, 37, 13)
    _dot(axes, 42, 13)
    _wire(axes, (59.4, 20), (59.4, 21), (69, 21))
    _wire(axes, (59.4, 14), (59.4, 13), (69, 13))
    _text(axes, 58.2, 6.2, "isolating audio transformer", ha="left", size=8)
    _text(axes, 58.2, 4.1, "(or a microphone in place of it)", ha="left", size=8)
    _text(axes, 26, 10.4, "level", size=8)


def _set(axes: Axes) -> None:
    _box(axes, 69, 9, 14, 49, lw=2)
    _text(axes, 76, 55.5, "The receiver", bold=True)
    _text(axes, 76, 46.8, "regeneration")
    _text(axes, 76, 44.6, "control's shaft")
    _text(axes, 76, 18.2, "headphone or")
    _text(axes, 76, 16, "loudspeaker")
    _text(axes, 76, 13.8, "winding")
    axes.plot([56.7, 56.7], [2.5, 60.5], ":", color=INK, lw=1.4)
    _text(axes, 58.2, 33.4, "no wire", ha="left", bold=True)
    _text(axes, 58.2, 31.2, "crosses", ha="left", bold=True)
    _text(axes, 58.2, 29.0, "this line", ha="left", bold=True)


def main() -> None:
    """Write the picture beside this file."""
    import matplotlib

    with matplotlib.rc_context(
        {"svg.hashsalt": "wiring", "svg.fonttype": "none", "font.family": "sans-serif"}
    ):
        draw().savefig(Path(__file__).with_name("wiring.svg"), metadata={"Date": None})


if __name__ == "__main__":
    main()
