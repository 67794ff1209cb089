"""The chart of a comparison: onset before and after against frequency, with the window, one panel a coil."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from bench.charts import file_stems, words
from bench.charts.graphs import frequency_axis, nice_ticks
from bench.charts.style import (
    BODY,
    EDGE,
    HAIR,
    INK,
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
    save,
    settings,
    shorten,
    text_width_mm,
    wrap,
)
from bench.compare.parts import CoilComparison, Comparison, OnsetRow, StateOfOnset, onset_state
from bench.compare.words import onset_sentences
from bench.plan.changes import PlanChange
from bench.session.disk import cannot_write

HEADER = 17.0
FOOT = 13.0
PANEL = 66.0
TITLE = 6.5
WORDS = 4
# Before stands this far left of the frequency, after as far right of it; drop-out further out, clear of the arrow.
BESIDE_MM = 0.9
DROPOUT_MM = 2.3
MOST_COILS = 24
CHANGE_LINES = 2


@dataclass(frozen=True)
class Wording:
    """What the sheet calls its two sides. `sides` stand in the header; left out, they name the sessions and their dates."""

    title: str = "before and after"
    before: str = "before"
    after: str = "after"
    real: str = "real change"
    none: str = "no real change"
    foot: str = "real: more than twice that of the difference"
    sides: tuple[str, str] | None = None
    sentences: Callable[[CoilComparison, str], list[str]] = onset_sentences


@dataclass(frozen=True)
class _Mark:
    """One session's onset at one frequency: which it is of, where, and how sure."""

    after: bool
    f_hz: float
    state: StateOfOnset
    deg: float | None
    u_deg: float | None
    dropout_deg: float | None


def drawable(c: Comparison) -> bool:
    """Whether any coil that both sessions have has an onset in either."""
    return any(_marks(coil) for coil in c.coils)


def draw_into(c: Comparison, folder: Path) -> list[Path]:
    """Draw the comparison as ``compare-BEFORE`` into a folder, in every format.

    Raises
    ------
    SessionError
        The folder cannot be written.
    """
    stem = folder / f"compare-{file_stems([c.before.name])[c.before.name]}"
    try:
        return save(draw_comparison(c), stem)
    except OSError as problem:
        raise cannot_write(stem, problem) from problem


def draw_comparison(c: Comparison, paper: str = "a5", wording: Wording = Wording()) -> Figure:
    """Draw the comparison on the landscape sheet of twice the coil chart's size, taller where there are many coils.

    Parameters
    ----------
    c : Comparison
    paper : {"a5", "half-letter"}
        The coil charts' paper.
    wording : Wording
    """
    with settings():
        return _Sheet(c, paper, wording).draw()


def _marks(coil: CoilComparison) -> list[_Mark]:
    marks = []
    for row in coil.onset:
        for k in (0, 1):
            d = row.angle
            deg, u = ((d.before, d.before_u), (d.after, d.after_u))[k]
            dropout = (row.dropout.before, row.dropout.after)[k]
            marks.append(_Mark(k == 1, row.f_hz, row.states[k], deg, u, dropout))
    for k, singles in enumerate((coil.only_before, coil.only_after)):
        for one in singles:
            if (o := one.onset) is not None:
                marks.append(_Mark(k == 1, o.f_hz, onset_state(o), o.angle_deg, o.angle_u_deg, o.dropout_deg))
    return [mark for mark in marks if mark.state != "not read"]


class _Sheet:
    def __init__(self, c: Comparison, paper: str, wording: Wording) -> None:
        self.c, self.wording = c, wording
        with_onset = [coil for coil in c.coils if _marks(coil)]
        self.coils = with_onset[:MOST_COILS]
        self.left_out = len(with_onset) - len(self.coils)
        width, height = WALL_PAPERS[paper]
        self.columns = 1 if len(self.coils) == 1 else 2 if len(self.coils) in (2, 4) else 3
        rows = max(1, math.ceil(len(self.coils) / self.columns))
        self.changes = self._change_lines(width - 2 * EDGE - 2 * PAD)
        fixed = 2 * EDGE + HEADER + FOOT + 3.6 * len(self.changes) + (3.0 if self.changes else 0.0)
        below = 3.6 * WORDS + 11.0
        panel = max(PANEL, (height - fixed) / rows - TITLE - below)
        self.panel = panel
        self.pitch = panel + TITLE + below
        self.sheet = Sheet(width, max(height, fixed + rows * self.pitch))
        self.x0, self.x1 = EDGE, width - EDGE
        self.y0, self.y1 = EDGE, self.sheet.height_mm - EDGE
        self.limits = self._limits()

    def _change_lines(self, width: float) -> list[str]:
        shared = [_change_text(ch) for ch in self.c.plan_changes if ch.physical and ch.coil is None]
        if not shared:
            return []
        return wrap(f"Changed in the set: {words.fixed('; '.join(shared))}", width, BODY, lines=CHANGE_LINES)

    def _limits(self) -> tuple[float, float]:
        sides = (self.c.before, self.c.after)
        angles = [a for side in sides for a in side.window_deg]
        travel = max(side.travel_deg for side in sides)
        for coil in self.coils:
            for m in _marks(coil):
                if m.deg is not None:
                    angles += [m.deg - (m.u_deg or 0.0), m.deg + (m.u_deg or 0.0)]
                if m.dropout_deg is not None:
                    angles.append(m.dropout_deg)
                if m.state != "starts":
                    angles.append(travel if m.state == "never" else 0.0)
        room = 0.06 * (max(angles) - min(angles)) + 4.0
        return max(min(angles) - room, -9.0), max(angles) + room

    def draw(self) -> Figure:
        s = self.sheet
        x0, x1, y0, y1 = self.x0, self.x1, self.y0, self.y1
        s.lines([[(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]], 1.0, gid="frame")
        self._header()
        y = y1 - HEADER
        s.lines([[(x0, y), (x1, y)]], 0.6)
        for line in self.changes:
            y -= 3.6
            s.text(x0 + PAD, y - 0.8, line, BODY, gid="plan change")
        y -= 3.0 if self.changes else 0.0
        cell = (x1 - x0 - 2 * PAD) / self.columns
        for i, coil in enumerate(self.coils):
            column, row = i % self.columns, i // self.columns
            self._panel(coil, x0 + PAD + column * cell, y - row * self.pitch, cell)
        if not self.coils:
            s.text((x0 + x1) / 2, (y0 + y1) / 2, "No onset to compare.", MAIN, ha="center", gid="placeholder")
        self._foot()
        return s.figure

    def _header(self) -> None:
        c, s = self.c, self.sheet
        x, y = self.x0 + PAD, self.y1 - HEADER
        rights = []
        for k, (side, when) in enumerate(((c.before, self.wording.before), (c.after, self.wording.after))):
            date = words.date(side.last_time)
            said = f"{when}: session {side.name}{f', {date}' if date else ''}"
            rights.append(
                shorten(printable(self.wording.sides[k]) if self.wording.sides else said, 110.0, BODY)
            )
        for line, up in zip(rights, (9.4, 4.6), strict=True):
            s.text(self.x1 - PAD, y + up, line, BODY, ha="right", color=SOFT, gid="session")
        width = self.x1 - self.x0 - 2 * PAD - 6.0 - max(text_width_mm(line, BODY) for line in rights)
        title = f"{c.after.plan.receiver.name or 'The set'}: {self.wording.title}"
        size = fit_size(title, width, 20.0, 11.0, "bold")
        s.text(x, y + 6.0, shorten(title, width, size, "bold"), size, weight="bold", gid="title")

    def _panel(self, coil: CoilComparison, x: float, top: float, width: float) -> None:
        s = self.sheet
        inner = width - 22.0
        bottom = top - TITLE - self.panel
        axes = s.graph(x + 10.0, bottom, inner, self.panel, f"onset {coil.name}")
        unit = self.c.after.plan.show.frequency
        s.text(x + 9.0, bottom - 3.45, unit, SMALL, ha="right", color=SOFT, gid="unit")
        changes = "; ".join(
            _change_text(ch, short=True) for ch in self.c.plan_changes if ch.physical and ch.coil == coil.name
        )
        text = shorten(changes or f"coil as {self.wording.before}", 0.5 * inner, SMALL)
        s.text(x + 10.0 + inner, top - TITLE + 1.6, text, SMALL, ha="right", color=SOFT, gid="coil change")
        title, room = f"Coil {coil.name}", inner - text_width_mm(text, SMALL) - 4.0
        size = fit_size(title, room, 12.0, SMALL, "bold")
        s.text(
            x + 10.0,
            top - TITLE + 1.6,
            shorten(title, room, size, "bold"),
            size,
            weight="bold",
            gid="coil name",
        )
        self._axes(axes, coil, inner)
        y = bottom - 8.6
        sentence = words.fixed(" ".join(self.wording.sentences(coil, unit)))
        for line in wrap(sentence, width - 6.0, SMALL, lines=WORDS) if sentence else ():
            s.text(x + 2.0, y, line, SMALL, gid="sentence")
            y -= 3.6

    def _axes(self, axes: Axes, coil: CoilComparison, width: float) -> None:
        c = self.c
        marks = _marks(coil)
        f = [mark.f_hz for mark in marks]
        low, high = min(f), max(f)
        if high < 1.2 * low:
            middle = math.sqrt(low * high)
            low, high = middle / 1.15, middle * 1.15
        room = 0.07 * (high - low)
        low, high = low - room, high + room
        frequency_axis(axes, low, high, c.after.plan.show.frequency, 5 if self.columns > 1 else 9)
        axes.set_ylim(*self.limits)
        self._window(axes)
        self._angle_axes(axes)
        hz_per_mm = (high - low) / width
        for row in coil.onset:
            self._link(axes, row, BESIDE_MM * hz_per_mm, coil.name)
        for after in (False, True):
            self._draw_marks(axes, [m for m in marks if m.after == after], hz_per_mm, coil.name)

    def _window(self, axes: Axes) -> None:
        before, after = self.c.before.window_deg, self.c.after.window_deg
        axes.axhspan(*after, facecolor=SHADE, edgecolor="none", zorder=0).set_gid("window")
        for edge in after:
            axes.axhline(edge, color=SOFT, lw=0.6, zorder=1)
        if not np.allclose(before, after):
            for edge in before:
                axes.axhline(edge, color=SOFT, lw=0.8, ls=(0, (4, 3)), zorder=1).set_gid("window before")

    def _angle_axes(self, axes: Axes) -> None:
        low, high = self.limits
        control = self.c.after.plan.receiver.control
        travel = control.travel_deg
        step = next((t for t in (15.0, 30.0, 45.0, 60.0, 90.0) if (high - low) / t <= 12.0), None)
        ends = max(low, 0.0), min(high, travel)
        ticks = (
            nice_ticks(*ends, 7)
            if step is None
            else [i * step for i in range(math.ceil(ends[0] / step), math.floor(ends[1] / step) + 1)]
        )
        axes.set_yticks(ticks, [f"{t:g}°" for t in ticks])
        right = axes.secondary_yaxis("right")
        right.tick_params(labelsize=SMALL, length=2.2, width=0.6, pad=1.8)
        right.spines["right"].set_linewidth(0.7)
        clocks: list[float] = []
        if travel <= 360:
            for step in (15.0, 30.0, 60.0):
                count = math.floor(travel / 2 / step)
                clocks = [travel / 2 + i * step for i in range(-count, count + 1)]
                clocks = [t for t in clocks if low <= t <= high]
                if len(clocks) <= 10:
                    break
        right.set_yticks(clocks, [words.clock(t, control) for t in clocks])
        for t in clocks or ticks:
            axes.axhline(t, color=HAIR, lw=0.4, zorder=0.5)

    def _at(self, mark_after: bool, state: StateOfOnset, deg: float | None) -> float:
        """Height of a mark: where it never starts beyond the travel's end, where it always oscillates below 0."""
        side = self.c.after if mark_after else self.c.before
        return {"never": side.travel_deg, "always": 0.0}.get(state, deg or 0.0)

    def _link(self, axes: Axes, row: OnsetRow, step: float, coil: str) -> None:
        if "not read" in row.states:
            return
        ends = [
            (row.f_hz - step, self._at(False, row.states[0], row.angle.before)),
            (row.f_hz + step, self._at(True, row.states[1], row.angle.after)),
        ]
        if row.real:
            arrow = axes.annotate(
                "",
                xy=ends[1],
                xytext=ends[0],
                arrowprops={
                    "arrowstyle": "-|>,head_width=0.16,head_length=0.32",
                    "lw": 0.9,
                    "color": INK,
                    "shrinkA": 2.6,
                    "shrinkB": 2.8,
                },
                zorder=3,
                annotation_clip=False,
            )
            arrow.set_gid(f"real {coil}")
        else:
            (line,) = axes.plot(*zip(*ends, strict=True), color=INK, lw=0.8, ls=(0, (1, 1.5)), zorder=3)
            line.set_gid(f"none seen {coil}")

    def _draw_marks(self, axes: Axes, marks: Sequence[_Mark], hz_per_mm: float, coil: str) -> None:
        if not marks:
            return
        after = marks[0].after
        name = "after" if after else "before"
        side = hz_per_mm if after else -hz_per_mm
        shift = BESIDE_MM * side
        face = INK if after else "#ffffff"
        starts = [m for m in marks if m.state == "starts" and m.deg is not None]
        if starts:
            bars = axes.errorbar(
                [m.f_hz + shift for m in starts],
                [m.deg for m in starts if m.deg is not None],
                yerr=[m.u_deg or 0.0 for m in starts],
                fmt="o",
                ms=4.6,
                mfc=face,
                mec=INK,
                mew=0.9,
                ecolor=INK,
                elinewidth=0.8,
                capsize=1.6,
                capthick=0.8,
                zorder=6,
            )
            bars.lines[0].set_gid(f"onset {name} {coil}")
        drops = [m for m in marks if m.dropout_deg is not None]
        if drops:
            (made,) = axes.plot(
                [m.f_hz + DROPOUT_MM * side for m in drops],
                [m.dropout_deg for m in drops if m.dropout_deg is not None],
                "v",
                ms=3.0,
                mfc=face,
                mec=INK,
                mew=0.6,
                zorder=5,
            )
            made.set_gid(f"drop-out {name} {coil}")
        for state, marker in (("never", "x"), ("always", "+")):
            there = [m for m in marks if m.state == state]
            if there:
                (made,) = axes.plot(
                    [m.f_hz + shift for m in there],
                    [self._at(after, m.state, None) for m in there],
                    marker,
                    ms=5.0,
                    mew=1.6 if after else 0.8,
                    color=INK,
                    zorder=6,
                    clip_on=False,
                )
                made.set_gid(f"{state} {name} {coil}")

    def _foot(self) -> None:
        s = self.sheet
        x, y = self.x0 + PAD, self.y0 + 2.2
        s.text(x, y, words.CAUTION, TINY, color=SOFT, gid="caution")
        text = f"{words.UNCERTAINTY}; {self.wording.foot}"
        s.text(self.x1 - PAD, y, text, TINY, color=SOFT, ha="right", gid="uncertainty")
        y += 4.6
        if self.left_out:
            more = f"{self.left_out} more coils: see regenbench compare"
            s.text(self.x1 - PAD, y, more, SMALL, color=SOFT, ha="right", gid="left out")
        self._key(x, y)

    def _key(self, x: float, y: float) -> None:
        """What the marks mean, drawn in the marks themselves."""
        s = self.sheet
        marks = [mark for coil in self.coils for mark in _marks(coil)]
        s.area([(x, y - 0.6), (x + 5, y - 0.6), (x + 5, y + 2.4), (x, y + 2.4)], SHADE, edge=SOFT, width=0.5)
        x = self._entry(x + 6.5, y, "window")
        if not np.allclose(self.c.before.window_deg, self.c.after.window_deg):
            s.lines([[(x, y + 0.9), (x + 6, y + 0.9)]], 0.8, SOFT, (0, (4, 3)))
            x = self._entry(x + 7.5, y, f"window {self.wording.before}")
        for face, text in (
            ("#ffffff", f"onset {self.wording.before}"),
            (INK, f"onset {self.wording.after}"),
        ):
            s.dots([(x + 1, y + 0.9)], "o", 4.6, face=face, width=0.9)
            x = self._entry(x + 3.0, y, text)
        if any(mark.dropout_deg is not None for mark in marks):
            s.dots([(x + 1, y + 0.9)], "v", 3.0, face="#ffffff", width=0.6)
            s.dots([(x + 2.8, y + 0.9)], "v", 3.0, face=INK, width=0.6)
            x = self._entry(x + 4.8, y, "drop-out")
        for state, marker, text in (
            ("never", "x", "never starts"),
            ("always", "+", "oscillates already at 0"),
        ):
            if any(mark.state == state for mark in marks):
                s.dots([(x + 1, y + 0.9)], marker, 5.0, width=1.2)
                x = self._entry(x + 3.0, y, text)
        s.axes.annotate(
            "",
            xy=(x + 6, y + 0.9),
            xytext=(x, y + 0.9),
            arrowprops={"arrowstyle": "-|>,head_width=0.16,head_length=0.32", "lw": 0.9, "color": INK},
        )
        x = self._entry(x + 7.5, y, self.wording.real)
        s.lines([[(x, y + 0.9), (x + 6, y + 0.9)]], 0.8, INK, (0, (1, 1.5)))
        self._entry(x + 7.5, y, self.wording.none)

    def _entry(self, x: float, y: float, text: str) -> float:
        self.sheet.text(x, y, text, SMALL, gid="key")
        return x + text_width_mm(text, SMALL) + 4.5


def _change_text(change: PlanChange, short: bool = False) -> str:
    """``tickler turns 6 to 5``."""
    key = change.key
    if change.coil is not None and short:
        key = key.removeprefix(f"coil.{change.coil}.")
    key = key.removeprefix("receiver.").replace(".", " ").replace("_", " ")
    return printable(f"{key} {_value(change.old)} to {_value(change.new)}")


def _value(value: object) -> str:
    if value is None:
        return "none"
    if isinstance(value, list | tuple):
        return f"[{', '.join(_value(item) for item in value)}]"
    return f"{value:g}" if isinstance(value, float) else str(value)
