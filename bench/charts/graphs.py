"""The two graphs of a chart: onset and drop-out against frequency, and Q against frequency."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from matplotlib.axes import Axes

from bench.charts import words
from bench.charts.page import CoilPage, OnsetPoint, QPoint
from bench.charts.scale import curve, smooth
from bench.charts.style import ACCENT, BAND, HAIR, INK, SHADE, SMALL, SOFT, Sheet, text_width_mm

NICE = (1.0, 2.0, 2.5, 5.0)
# Large and open, so that it shows round the onset's dot where there is hardly any backlash.
DROP_OUT_SIZE = 5.6


def nice_ticks(low: float, high: float, most: int) -> list[float]:
    """Round values from `low` to `high`, at most `most` of them."""
    span = high - low
    if span <= 0:
        return [low]
    for step in (m * 10.0**e for e in range(math.floor(math.log10(span)) - 1, 9) for m in NICE):
        first = math.ceil(low / step - 1e-9)
        last = math.floor(high / step + 1e-9)
        if last - first + 1 <= most:
            return [i * step for i in range(first, last + 1)]
    return []


def log_ticks(low_hz: float, high_hz: float, width_mm: float, unit: str) -> list[float]:
    """Round frequencies for a logarithmic axis, as many as stand apart."""
    whole = math.log(high_hz / low_hz)
    for digits in (
        (1, 1.5, 2, 2.5, 3, 4, 5, 6, 7, 8, 9),
        (1, 1.5, 2, 3, 4, 5, 6, 8),
        (1, 2, 3, 5, 7),
        (1, 2, 5),
        (1,),
    ):
        first, last = math.floor(math.log10(low_hz)), math.ceil(math.log10(high_hz))
        ticks = [d * 10.0**e for e in range(first, last + 1) for d in digits]
        ticks = [t for t in ticks if low_hz <= t <= high_hz]
        widest = max((text_width_mm(words.frequency(t, unit), SMALL) for t in ticks), default=0.0) + 2.0
        if all(math.log(b / a) / whole * width_mm >= widest for a, b in pairwise(ticks)):
            return ticks
    return ticks


def frequency_span(page: CoilPage) -> tuple[float, float]:
    """The frequencies that a coil's graphs cover, with a little room."""
    f = [p.f_hz for p in page.onset] + [p.f_hz for p in page.q_law] + [p.f_hz for p in page.q_points]
    f += list(page.scale.range_hz or ())
    low, high = (min(f), max(f)) if f else (1e6, 2e6)
    if high < 1.2 * low:
        middle = math.sqrt(low * high)
        low, high = middle / 1.15, middle * 1.15
    room = 0.04 * (high - low)
    return low - room, high + room


def frequency_axis(
    axes: Axes, low_hz: float, high_hz: float, unit: str, most: int = 7, width_mm: float = math.inf
) -> None:
    """Frequencies along the bottom, in the shown unit; the axis itself stays in Hz.

    At most so many, and on an axis of a known width no more than stand apart.
    """
    per = words.HZ_PER[unit]
    axes.set_xlim(low_hz, high_hz)
    ticks: list[float] = []
    for count in range(most, 1, -1):
        ticks = [t * per for t in nice_ticks(low_hz / per, high_hz / per, count)]
        widest = max((text_width_mm(words.frequency(t, unit), SMALL) for t in ticks), default=0.0)
        if len(ticks) < 2 or (ticks[1] - ticks[0]) / (high_hz - low_hz) * width_mm >= widest + 2.5:
            break
    axes.set_xticks(ticks, [words.frequency(t, unit) for t in ticks])


def name_unit(sheet: Sheet, axes: Axes, unit: str, left: float, right: float, bottom: float) -> None:
    """The frequencies' unit beside their numbers, on the side that has more room; a number in its way is left out."""
    to_mm = axes.transData + sheet.axes.transData.inverted()
    ticks = list(axes.get_xticks())
    texts = [words.frequency(t, unit) for t in ticks]
    ends = []
    for tick, text in zip(ticks, texts, strict=True):
        at = float(to_mm.transform((tick, axes.get_ylim()[0]))[0])
        half = text_width_mm(text, SMALL) / 2
        ends += [at - half, at + half]
    at_left = not ends or min(ends) - left >= right - max(ends)
    if ends and at_left and min(ends) < left - 1.0:
        axes.set_xticks(ticks, ["", *texts[1:]])
    if ends and not at_left and max(ends) > right + 1.0:
        axes.set_xticks(ticks, [*texts[:-1], ""])
    x = left - 2.2 if at_left else right + 2.2
    sheet.text(x, bottom - 3.45, unit, SMALL, ha="right" if at_left else "left", color=SOFT)


def angle_limits(page: CoilPage) -> tuple[float, float]:
    """Angles shown: the window and all readings, with room, within the travel."""
    angles = list(page.window_deg)
    for p in page.onset:
        for value, u in ((p.onset.value, p.onset.u), (p.dropout.value, p.dropout.u), (p.fitted_deg, 0.0)):
            if value is not None:
                angles += [value - (u or 0.0), value + (u or 0.0)]
    travel = page.control.travel_deg
    if any(p.silent for p in page.onset):
        angles.append(travel)
    room = 0.07 * (max(angles) - min(angles)) + 4
    top = max([min(travel + 10.0, max(angles) + room), *(a + 8.0 for a in angles)])
    return max(-4.0, min(angles) - room), top


def draw_onset(axes: Axes, page: CoilPage, span_hz: tuple[float, float], width_mm: float) -> None:
    """Onset and drop-out with error bars, the fitted curve, the window; clock positions at the right."""
    unit = page.show.frequency
    low, high = angle_limits(page)
    axes.set_ylim(low, high)
    frequency_axis(axes, *span_hz, unit, width_mm=width_mm)
    axes.tick_params(labelbottom=False)
    window = axes.axhspan(*page.window_deg, facecolor=SHADE, edgecolor="none", zorder=0)
    window.set_gid("window")
    for edge in page.window_deg:
        axes.axhline(edge, color=SOFT, lw=0.6, zorder=1)

    travel = page.control.travel_deg
    ticks = nice_ticks(max(low, 0.0), min(high, travel), 7)
    steps = [t for t in (15.0, 30.0, 45.0, 60.0, 90.0) if (high - low) / t <= 6.5]
    if steps and high - low > 40:
        first, last = math.ceil(max(low, 0.0) / steps[0]), math.floor(min(high, travel) / steps[0])
        ticks = [i * steps[0] for i in range(first, last + 1)]
    axes.set_yticks(ticks, [f"{t:g}°" for t in ticks])
    clock_axis(axes, page, low, high)

    f, angles = curve((p.f_hz, p.fitted_deg) for p in page.onset)
    if len(f) > 1:
        at = np.geomspace(f[0], f[-1], 200)
        (line,) = axes.plot(at, smooth(np.log(f), angles, np.log(at)), color=ACCENT, lw=1.3, zorder=3)
        line.set_gid("fitted onset")
    _points(axes, [p for p in page.onset if p.dropout], "dropout", "v", DROP_OUT_SIZE, "none")
    _points(axes, [p for p in page.onset if p.onset.value], "onset", "o", 4.4, INK)
    _stops(axes, [p.f_hz for p in page.onset if p.silent], travel, "never starts", span_hz)
    early = [p.f_hz for p in page.onset if p.onset.value == 0.0]
    _stops(axes, early, 0.0, "already at the stop", span_hz)


def _stops(
    axes: Axes, f_hz: Sequence[float], angle_deg: float, text: str, span_hz: tuple[float, float]
) -> None:
    """Crosses at an end stop, with one text beside them."""
    if not f_hz:
        return
    (crosses,) = axes.plot(f_hz, [angle_deg] * len(f_hz), "x", ms=5, mew=1.3, color=INK, zorder=6)
    crosses.set_gid(text)
    low, high = span_hz
    room = {"right": f_hz[0] - low, "left": high - f_hz[-1]}
    # Left of the first cross or right of the last; where neither has room, on the side away from the stop.
    side = max(room, key=lambda key: room[key])
    beside = room[side] > 0.4 * (high - low)
    away = -7 if angle_deg > 0 else 7
    axes.annotate(
        text,
        (f_hz[0] if side == "right" else f_hz[-1], angle_deg),
        ((-5 if side == "right" else 5), 0) if beside else (0, away),
        textcoords="offset points",
        ha=side if beside else ("left" if side == "right" else "right"),
        va="center" if beside else ("top" if angle_deg > 0 else "bottom"),
        fontsize=SMALL,
        color=INK,
    )


def _points(
    axes: Axes, points: Sequence[OnsetPoint], which: str, marker: str, size: float, face: str
) -> None:
    if not points:
        return
    readings = [getattr(p, which) for p in points]
    bars = axes.errorbar(
        [p.f_hz for p in points],
        [r.value for r in readings],
        yerr=[r.u or 0.0 for r in readings],
        fmt=marker,
        ms=size,
        mfc=face,
        mec=INK,
        mew=0.8,
        ecolor=INK,
        elinewidth=0.8,
        # Caps would fill the open sign of the drop-out.
        capsize=1.6 if which == "onset" else 0.0,
        capthick=0.8,
        zorder=4 if which == "onset" else 5,
    )
    bars.lines[0].set_gid("drop-out readings" if which == "dropout" else "onset readings")


def clock_axis(axes: Axes, page: CoilPage, low: float, high: float) -> None:
    """Clock positions along the right side."""
    travel = page.control.travel_deg
    right = axes.secondary_yaxis("right")
    right.set_ylim(low, high)
    right.tick_params(labelsize=SMALL, length=2.2, width=0.6, pad=1.8)
    right.spines["right"].set_linewidth(0.7)
    if travel > 360:
        right.set_yticks([])
        return
    for step in (10.0, 15.0, 30.0, 60.0):
        steps = math.floor(travel / 2 / step)
        ticks = [travel / 2 + i * step for i in range(-steps, steps + 1)]
        ticks = [t for t in ticks if low <= t <= high]
        if len(ticks) <= 7:
            break
    right.set_yticks(ticks, [words.clock(t, page.control) for t in ticks])
    for t in ticks:
        axes.axhline(t, color=HAIR, lw=0.4, zorder=0.5)


def q_limits(points: Sequence[QPoint]) -> tuple[float, float]:
    """Q shown: all values with their uncertainty, and room so that a flat Q looks flat."""
    low = min(p.q - (p.q_u or 0.0) for p in points)
    high = max(p.q + (p.q_u or 0.0) for p in points)
    middle = (low + high) / 2
    half = max(0.6 * (high - low), 0.18 * abs(middle))
    return max(0.0, middle - half), middle + half


def draw_q(axes: Axes, page: CoilPage, span_hz: tuple[float, float], width_mm: float) -> None:
    """Q against frequency: the law with its uncertainty as a band, and the readings."""
    everything = [*page.q_law, *page.q_points]
    frequency_axis(axes, *span_hz, page.show.frequency, width_mm=width_mm)
    low, high = q_limits(everything)
    axes.set_ylim(low, high)
    axes.set_yticks(nice_ticks(low, high, 5))
    axes.grid(axis="y", color=HAIR, lw=0.4, zorder=0)
    axes.set_axisbelow(True)
    f, q = curve((p.f_hz, p.q) for p in page.q_law)
    if len(f) > 1:
        _, u = curve((p.f_hz, p.q_u or 0.0) for p in page.q_law)
        at = np.geomspace(f[0], f[-1], 200)
        middle, wide = (smooth(np.log(f), y, np.log(at)) for y in (q, u))
        band = axes.fill_between(at, middle - wide, middle + wide, facecolor=BAND, edgecolor="none", zorder=1)
        band.set_gid("Q uncertainty")
        (line,) = axes.plot(at, middle, color=ACCENT, lw=1.3, zorder=3)
        line.set_gid("Q law")
    if page.q_points:
        bars = axes.errorbar(
            [p.f_hz for p in page.q_points],
            [p.q for p in page.q_points],
            yerr=[p.q_u or 0.0 for p in page.q_points],
            fmt="s",
            ms=3.4,
            mfc="#ffffff",
            mec=INK,
            mew=0.8,
            ecolor=INK,
            elinewidth=0.7,
            capsize=1.4,
            capthick=0.7,
            zorder=4,
        )
        bars.lines[0].set_gid("Q readings")
