"""The overview of a set: all coils on one frequency scale, and a table for the workshop wall."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle
from matplotlib.ticker import NullLocator

from bench.charts import set_table, words
from bench.charts.graphs import log_ticks, name_unit, nice_ticks
from bench.charts.page import CoilPage, SetPage
from bench.charts.scale import curve, smooth
from bench.charts.style import (
    ACCENT,
    BODY,
    EDGE,
    HAIR,
    INK,
    LINE,
    MAIN,
    PAD,
    SHADE,
    SMALL,
    SOFT,
    TINY,
    WALL_PAPERS,
    Sheet,
    fit_size,
    printable,
    settings,
    shorten,
    text_width_mm,
    wrap,
)

HEADER = 17.0
FOOT = 7.0
MARKERS = ("o", "s", "^", "D", "v", "P", "X", "p", "<", ">", "h", "*")
LINES = ("-", "--", "-.", (0, (1, 1)), (0, (5, 1, 1, 1, 1, 1)))


def draw_set(page: SetPage, paper: str = "a5") -> Figure:
    """Draw the overview, on the landscape sheet of twice the coil chart's size.

    Parameters
    ----------
    page : SetPage
    paper : {"a5", "half-letter"}
        The coil charts' paper; the overview is twice as large (A4, Letter), and taller where the set has many coils.
    """
    with settings():
        return _Overview(page, paper).draw()


class _Overview:
    def __init__(self, page: SetPage, paper: str) -> None:
        self.page = page
        n = len(page.coils)
        self.row = 5.2 if n <= 7 else 4.6
        self.bar = 6.4 if n <= 7 else 5.0
        self.warnings = self._warning_lines(WALL_PAPERS[paper][0])
        fixed = 2 * EDGE + HEADER + FOOT + 3.4 * len(self.warnings) + self.row * (n + 1) + self.bar * n + 29.0
        width, height = WALL_PAPERS[paper]
        height = max(height, fixed + 62.0)
        self.graphs = height - fixed
        self.sheet = Sheet(width, height)
        self.x0, self.x1 = EDGE, width - EDGE
        self.y1, self.y0 = height - EDGE, EDGE
        self.left, self.right = self.x0 + PAD + 12.0, self.x1 - PAD - 12.0
        self.span = self._span()
        names = [c.coil for c in page.coils]
        short = all(text_width_mm(name, BODY, "bold") <= 9.0 for name in names)
        # Long names would cover the curves: those coils go by their number in the table.
        self.keys = names if short else [str(i + 1) for i in range(n)]
        self.titles = names if short else [f"{i + 1}  {name}" for i, name in enumerate(names)]

    def _warning_lines(self, width: float) -> list[str]:
        lines: list[str] = []
        for warning in self.page.warnings[:2]:
            lines += wrap(f"! {words.fixed(warning)}", width - 2 * EDGE - 2 * PAD, SMALL, lines=1)
        if len(self.page.warnings) > 2:
            lines.append(f"... and {len(self.page.warnings) - 2} more: see regenbench fit")
        return lines

    def _span(self) -> tuple[float, float]:
        f = [x for c in self.page.coils for x in c.scale.range_hz or ()]
        f += [p.f_hz for c in self.page.coils for p in c.onset]
        low, high = (min(f), max(f)) if f else (1e6, 1e7)
        if high < 1.5 * low:
            low, high = low / 1.3, high * 1.3
        room = (high / low) ** 0.05
        return low / room, high * room

    def draw(self) -> Figure:
        s = self.sheet
        x0, x1, y0, y1 = self.x0, self.x1, self.y0, self.y1
        s.lines([[(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]], 1.0, gid="frame")
        self._header()
        y = y1 - HEADER
        n = len(self.page.coils)
        bars_top = y - 9.0
        bars_height = self.bar * n
        onset_top = bars_top - bars_height - 5.0
        onset_height = self.graphs * 0.57
        q_top = onset_top - onset_height - 5.0
        q_height = self.graphs - onset_height
        s.lines([[(x0, y), (x1, y)]], 0.6)
        self._bars(s.graph(self.left, bars_top - bars_height, self.right - self.left, bars_height, "coils"))
        self._onset((self.left, onset_top - onset_height, self.right - self.left, onset_height))
        self._q((self.left, q_top - q_height, self.right - self.left, q_height))
        table_top = q_top - q_height - 9.0
        s.lines([[(x0, table_top), (x1, table_top)]], 0.6)
        self._table(table_top)
        self._foot()
        return s.figure

    def _header(self) -> None:
        p, s = self.page, self.sheet
        x, y = self.x0 + PAD, self.y1 - HEADER
        title = p.set_name or "The set"
        f = [v for c in p.coils for v in c.scale.range_hz or ()]
        text = words.frequency_range(min(f), max(f), p.show.frequency, 2e-3 * min(f)) if len(f) > 1 else ""
        count = f"{len(p.coils)} coil{'s' if len(p.coils) != 1 else ''}"
        right = [t for t in (p.date, f"session {p.session}" if p.session else "") if t]
        s.text(self.x1 - PAD, y + 9.4, text, 13.0, weight="bold", ha="right", gid="range")
        line = shorten("  ·  ".join([count, *right]), 120.0, BODY)
        s.text(self.x1 - PAD, y + 4.0, line, BODY, ha="right", color=SOFT, gid="date")
        width = (
            self.x1
            - self.x0
            - 2 * PAD
            - 6.0
            - max(text_width_mm(text, 13.0, "bold"), text_width_mm(line, BODY))
        )
        size = fit_size(title, width, 20.0, 11.0, "bold")
        s.text(x, y + 6.0, shorten(title, width, size, "bold"), size, weight="bold", gid="set name")

    def _frequency_axis(self, axes: Axes, labels: bool) -> None:
        unit = self.page.show.frequency
        axes.set_xscale("log")
        axes.set_xlim(*self.span)
        axes.xaxis.set_minor_locator(NullLocator())
        ticks = log_ticks(*self.span, self.right - self.left, unit)
        axes.set_xticks(ticks, [words.frequency(t, unit) for t in ticks] if labels else [""] * len(ticks))
        for t in ticks:
            axes.axvline(t, color=HAIR, lw=0.4, zorder=0)
        for edge in (30e3, 300e3, 3e6, 30e6):
            if self.span[0] < edge < self.span[1]:
                axes.axvline(edge, color=LINE, lw=0.8, ls=(0, (4, 2)), zorder=0.4).set_gid("ITU band edge")

    def _bars(self, axes: Axes) -> None:
        p, s, n = self.page, self.sheet, len(self.page.coils)
        self._frequency_axis(axes, False)
        axes.tick_params(length=0)
        axes.set_ylim(n - 0.5, -0.5)
        axes.set_yticks([])
        for name in ("top", "right", "left", "bottom"):
            axes.spines[name].set_visible(False)
        s.heading(self.x0 + PAD, self.y1 - HEADER - 5.0, "Coverage")
        self._band_names(axes)
        rows = {c.coil: i for i, c in enumerate(p.coils) if c.scale.fitted}
        for i, c in enumerate(p.coils):
            span = c.scale.range_hz if c.scale.fitted else None
            if span is None:
                text = f"{self.titles[i]}: frequency not calibrated yet"
                axes.text(
                    math.sqrt(self.span[0] * self.span[1]),
                    i,
                    text,
                    ha="center",
                    va="center",
                    fontsize=BODY,
                    color=SOFT,
                    parse_math=False,
                )
                continue
            self._bar(axes, i, c, span)
        for o in p.overlaps:
            if o.coils[0] in rows and o.coils[1] in rows:
                self._overlap(axes, rows[o.coils[0]], rows[o.coils[1]], o.low_hz, o.high_hz, o.gap)

    def _bar(self, axes: Axes, row: int, c: CoilPage, span: tuple[float, float]) -> None:
        unit = self.page.show.frequency
        low, high = span
        box = Rectangle((low, row - 0.34), high - low, 0.68, fc=SHADE, ec=INK, lw=0.9, zorder=2)
        box.set_gid(f"range {c.coil}")
        axes.add_patch(box)
        digits = words.frequency_decimals(5e-4 * low, low, unit)
        width = math.log(high / low) / math.log(self.span[1] / self.span[0]) * (self.right - self.left)
        title = self.titles[row]
        size = fit_size(title, width - 2.0, MAIN, SMALL, "bold")
        axes.text(
            math.sqrt(low * high),
            row,
            printable(shorten(title, max(width - 2.0, 4.0), size, "bold")),
            ha="center",
            va="center",
            fontsize=size,
            fontweight="bold",
            zorder=5,
            parse_math=False,
            bbox={"facecolor": SHADE, "edgecolor": "none", "pad": 1.0},
        )
        for f, side, shift in ((low, "right", -3), (high, "left", 3)):
            axes.annotate(
                words.frequency(f, unit, digits),
                (f, row),
                (shift, 0),
                textcoords="offset points",
                ha=side,
                va="center",
                fontsize=BODY,
                zorder=5,
            )

    def _overlap(self, axes: Axes, a: int, b: int, low: float, high: float, gap: bool) -> None:
        unit = self.page.show.frequency
        top, bottom = min(a, b), max(a, b)
        if gap:
            mark = Rectangle((low, top + 0.4), high - low, bottom - top - 0.8, fc=INK, ec="none", lw=0.0)
        else:
            mark = Rectangle(
                (low, top - 0.34), high - low, bottom - top + 0.68, fc="none", ec=LINE, lw=0.0, hatch="//////"
            )
        mark.set_gid("gap" if gap else "overlap")
        mark.set_zorder(3)
        axes.add_patch(mark)
        text = f"{'gap' if gap else 'overlap'} {words.frequency(high - low, unit, digits=2)} {unit}"
        # The text stands left of the lower bar's first number.
        at, row = (high if gap else low), bottom
        width = text_width_mm("00 000", BODY) + text_width_mm(text, SMALL) + 6.0
        room = math.log(at / self.span[0]) / math.log(self.span[1] / self.span[0]) * (self.right - self.left)
        if room < width:
            return
        offset = -(text_width_mm("00 000", BODY) + 3.5) / 25.4 * 72
        axes.annotate(
            text,
            (at, row),
            (offset, 0),
            textcoords="offset points",
            ha="right",
            va="center",
            fontsize=SMALL,
            color=SOFT,
            zorder=5,
        )

    def _band_names(self, axes: Axes) -> None:
        f = [v for c in self.page.coils for v in c.scale.range_hz or ()]
        edges = [(s, low, high) for s, low, high in words.itu_edges() if f and high > min(f) and low < max(f)]
        whole = math.log(self.span[1] / self.span[0])
        for symbol, low, high in edges:
            a, b = max(low, self.span[0]), min(high, self.span[1])
            if math.log(b / a) / whole * (self.right - self.left) < 10.0:
                continue
            share = math.log(math.sqrt(a * b) / self.span[0]) / whole
            x = self.left + share * (self.right - self.left)
            self.sheet.text(x, self.y1 - HEADER - 5.0, symbol, SMALL, ha="center", color=SOFT, gid="ITU band")

    def _onset(self, box: tuple[float, float, float, float]) -> None:
        p, s = self.page, self.sheet
        axes = s.graph(*box, "onset")
        self._frequency_axis(axes, False)
        travel = p.control.travel_deg
        angles = [*p.window_deg]
        angles += [
            a for c in p.coils for q in c.onset for a in (q.onset.value, q.fitted_deg) if a is not None
        ]
        never = [(self.keys[i], [q.f_hz for q in c.onset if q.silent]) for i, c in enumerate(p.coils)]
        angles += [travel for _, f_hz in never if f_hz]
        room = 0.07 * (max(angles) - min(angles)) + 4
        low, high = max(-4.0, min(angles) - room), max(min(travel + 8.0, max(angles) + room), max(angles))
        if any(f_hz for _, f_hz in never):
            high = travel + 0.14 * (travel - low)
        axes.set_ylim(low, high)
        axes.axhspan(*p.window_deg, facecolor=SHADE, edgecolor="none", zorder=0).set_gid("window")
        for edge in p.window_deg:
            axes.axhline(edge, color=SOFT, lw=0.6, zorder=1)
        self._clock(axes, low, high)
        right = axes.secondary_yaxis("right")
        ticks = nice_ticks(max(low, 0.0), min(high, travel), 6)
        right.set_yticks(ticks, [f"{t:g}°" for t in ticks])
        right.tick_params(labelsize=SMALL, length=2.2, width=0.6, pad=1.8)
        s.heading(self.x0 + PAD, box[1] + box[3] + 1.2, "Onset and the window")
        series = []
        for i, c in enumerate(p.coils):
            points = [(q.f_hz, q.onset.value) for q in c.onset if q.onset.value is not None]
            fitted = [(q.f_hz, q.fitted_deg) for q in c.onset if q.fitted_deg is not None]
            _series(axes, i, c.coil, points, fitted, "onset")
            series.append((self.keys[i], fitted if len(fitted) > 1 else points))
        self._labels(axes, series, above=False)
        self._never(axes, never)
        if not any(points for _, points in series) and not any(f_hz for _, f_hz in never):
            self._empty(
                axes, "No onset read yet. Onset at two frequencies or more of a coil draws its curve."
            )

    def _never(self, axes: Axes, never: Sequence[tuple[str, Sequence[float]]]) -> None:
        """Crosses at full travel where it never starts, each coil's named above its first."""
        travel = self.page.control.travel_deg
        for key, f_hz in never:
            if not f_hz:
                continue
            (crosses,) = axes.plot(f_hz, [travel] * len(f_hz), "x", ms=5, mew=1.3, color=INK, zorder=6)
            crosses.set_gid("never starts")
            first = min(f_hz)
            left_half = math.log(first / self.span[0]) < 0.5 * math.log(self.span[1] / self.span[0])
            axes.annotate(
                f"{key} never starts",
                (first, travel),
                (-3 if left_half else 3, 9),
                textcoords="offset points",
                ha="left" if left_half else "right",
                va="center",
                fontsize=SMALL,
                color=INK,
                zorder=6,
            )

    def _clock(self, axes: Axes, low: float, high: float) -> None:
        p = self.page
        travel = p.control.travel_deg
        if travel > 360:
            axes.set_yticks([])
            return
        step = 30.0 if (high - low) / 30 <= 8 else 60.0
        count = math.floor(travel / 2 / step)
        ticks = [travel / 2 + i * step for i in range(-count, count + 1)]
        ticks = [t for t in ticks if low <= t <= high]
        axes.set_yticks(ticks, [words.clock(t, p.control) for t in ticks])
        for t in ticks:
            axes.axhline(t, color=HAIR, lw=0.4, zorder=0.5)

    def _q(self, box: tuple[float, float, float, float]) -> None:
        p, s = self.page, self.sheet
        axes = s.graph(*box, "Q")
        self._frequency_axis(axes, True)
        name_unit(s, axes, p.show.frequency, self.left, self.right, box[1])
        s.heading(self.x0 + PAD, box[1] + box[3] + 1.2, "Q of the tanks")
        values = [q.q for c in p.coils for q in (*c.q_law, *c.q_points)]
        if not values:
            axes.set_yticks([])
            self._empty(axes, "No Q read yet. Resonance readings with their Q draw the curves.")
            return
        low, high = min(values), max(values)
        room = max(0.12 * (high - low), 0.06 * high)
        axes.set_ylim(max(0.0, low - room), high + room)
        ticks = nice_ticks(max(0.0, low - room), high + room, 5)
        axes.set_yticks(ticks, [f"{t:g}" for t in ticks])
        for t in ticks:
            axes.axhline(t, color=HAIR, lw=0.4, zorder=0)
        series = []
        for i, c in enumerate(p.coils):
            points = [(q.f_hz, q.q) for q in c.q_points]
            law = [(q.f_hz, q.q) for q in c.q_law]
            _series(axes, i, c.coil, points, law, "Q")
            series.append((self.keys[i], law if len(law) > 1 else points))
        self._labels(axes, series, above=True)

    def _empty(self, axes: Axes, text: str) -> None:
        made = axes.text(
            0.5,
            0.5,
            text,
            transform=axes.transAxes,
            ha="center",
            va="center",
            fontsize=BODY,
            color=SOFT,
            bbox={"facecolor": "#ffffff", "edgecolor": "none", "pad": 2.0},
        )
        made.set_gid("placeholder")

    def _labels(
        self, axes: Axes, series: Sequence[tuple[str, Sequence[tuple[float, float | None]]]], above: bool
    ) -> None:
        """A coil's name: left of its curve's first point, or above its middle one; clear of the names before it."""
        to_points = axes.transData + axes.figure.dpi_scale_trans.inverted()
        taken: list[tuple[float, float]] = []
        for name, points in series:
            ordered = sorted((f, v) for f, v in points if v is not None)
            if not ordered:
                continue
            at = ordered[len(ordered) // 2] if above else ordered[0]
            shift = (0.0, 5.0) if above else (-4.0, 0.0)
            x, y = (float(v) * 72 + d for v, d in zip(to_points.transform(at), shift, strict=True))
            while any(abs(x - a) < 25 and abs(y - b) < 9 for a, b in taken):
                y, shift = y + 3, (shift[0], shift[1] + 3)
            taken.append((x, y))
            axes.annotate(
                printable(name),
                at,
                shift,
                textcoords="offset points",
                ha="center" if above else "right",
                va="bottom" if above else "center",
                fontsize=BODY,
                fontweight="bold",
                zorder=6,
                parse_math=False,
                annotation_clip=False,
            )

    def _table(self, top: float) -> None:
        p, s = self.page, self.sheet
        heads = set_table.heads(p)
        rows = [[title, *set_table.row(c, p)] for title, c in zip(self.titles, p.coils, strict=True)]
        room = self.x1 - self.x0 - 2 * PAD
        for size in (BODY, 7.5, SMALL, TINY):
            widths = [
                max(
                    text_width_mm(h, TINY, "bold"),
                    *(text_width_mm(r[i], size, "bold" if i == 0 else "normal") for r in rows),
                )
                for i, h in enumerate(heads)
            ]
            if sum(widths) + 3.0 * (len(heads) - 1) <= room:
                break
        spare = max(0.0, room - sum(widths)) / max(len(heads) - 1, 1)
        shrink = min(1.0, (room - 2.0 * (len(heads) - 1)) / sum(widths))
        if shrink < 1.0:
            widths, spare = [w * shrink for w in widths], 2.0
        y = top - self.row + 1.4
        x = self.x0 + PAD
        lefts = [x + sum(widths[:i]) + spare * i for i in range(len(heads))]
        for at, head in zip(lefts, heads, strict=True):
            s.text(at, y, head, TINY, weight="bold", color=SOFT)
        for row in rows:
            s.lines([[(self.x0, y - 1.4), (self.x1, y - 1.4)]], 0.3, HAIR)
            y -= self.row
            for i, (at, text) in enumerate(zip(lefts, row, strict=True)):
                weight: Literal["normal", "bold"] = "bold" if i == 0 else "normal"
                s.text(
                    at, y, shorten(text, widths[i] + 0.5, size, weight), size, weight=weight, gid="table cell"
                )

    def _foot(self) -> None:
        s = self.sheet
        x, y = self.x0 + PAD, self.y0 + 2.2
        s.text(x, y, words.CAUTION, TINY, color=SOFT, gid="caution")
        s.text(self.x1 - PAD, y, words.UNCERTAINTY, TINY, color=SOFT, ha="right", gid="uncertainty")
        for line in reversed(self.warnings):
            y += 3.4
            s.text(x, y, line, SMALL, gid="warning")


def _series(
    axes: Axes,
    index: int,
    name: str,
    points: Sequence[tuple[float, float | None]],
    law: Sequence[tuple[float, float | None]],
    what: str,
) -> None:
    f, values = curve(law)
    if len(f) > 1:
        at = np.geomspace(f[0], f[-1], 120)
        (line,) = axes.plot(
            at,
            smooth(np.log(f), values, np.log(at)),
            color=ACCENT,
            lw=1.2,
            ls=LINES[index % len(LINES)],
            zorder=3,
        )
        line.set_gid(f"{what} law {name}")
    if points:
        (dots,) = axes.plot(
            [p[0] for p in points],
            [p[1] if p[1] is not None else math.nan for p in points],
            MARKERS[index % len(MARKERS)],
            ms=4.2,
            mfc=INK if (index // len(MARKERS)) % 2 == 0 and index % 2 == 0 else "#ffffff",
            mec=INK,
            mew=0.8,
            zorder=4,
        )
        dots.set_gid(f"{what} readings {name}")
