"""The two instruments on a chart: the dial as an arc, and the regeneration control as a knob."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from bench.charts import words
from bench.charts.page import CoilPage, DialScale
from bench.charts.scale import Floats, Mark, round_marks, smooth
from bench.charts.style import (
    BODY,
    INK,
    LINE,
    SHADE,
    SMALL,
    SOFT,
    TINY,
    Sheet,
    arc,
    spot,
    text_width_mm,
)

DASHED = (0, (3.0, 2.0))
DOTTED = (0, (1.0, 0.9))
# Labels further down than this would run into what stands below the knob.
LABEL_LIMIT = 122.0
# Further from its stroke than this many degrees a label is not seen to belong to it.
LABEL_SHIFT = 16.0


@dataclass(frozen=True)
class ArcDial:
    """Where a dial's arc lies on the sheet; `half_deg` either side of straight up."""

    cx: float
    cy: float
    radius: float
    half_deg: float

    def angle(self, dial: float | Floats, scale: DialScale) -> Floats:
        """Degrees clockwise from straight up at a dial reading: the plan's first end at the left."""
        first, last = scale.ends
        return np.asarray((np.asarray(dial, dtype=float) - first) / (last - first) * 2 - 1) * self.half_deg

    @property
    def length(self) -> float:
        return float(np.radians(2 * self.half_deg) * self.radius)


def dial_of(scale: DialScale) -> Callable[[Floats], Floats]:
    """The dial reading at a frequency, by the fitted law."""
    dial = np.linspace(scale.dial[0], scale.dial[-1], 4001)
    f = np.exp(smooth(scale.dial, np.log(scale.f_hz), dial))
    if f[0] > f[-1]:
        dial, f = dial[::-1], f[::-1]
    return lambda f_hz: np.interp(f_hz, f, dial)


def frequency_at(scale: DialScale, dial: Sequence[float] | Floats) -> Floats:
    """The frequency at a dial reading, by the fitted law."""
    return np.exp(smooth(scale.dial, np.log(scale.f_hz), dial))


def dial_marks(
    scale: DialScale, length: float, stroke_gap: float = 0.85, number_gap: float = 11.0
) -> list[Mark]:
    """The dial's own divisions along an arc of a length in mm."""
    low, high = sorted(scale.ends)
    return round_marks(
        low,
        high,
        lambda v: (v - low) / (high - low) * length,
        stroke_gap=stroke_gap,
        number_gap=number_gap,
        whole=True,
    )


def frequency_marks(scale: DialScale, place: ArcDial, unit: str, size: float) -> list[Mark]:
    """Round frequencies along the arc, in the shown unit; `place` of a mark is its dial reading."""
    per = words.HZ_PER[unit]
    low, high = (f / per for f in scale.range_hz or (0.0, 0.0))
    inverse = dial_of(scale)
    division = place.length / abs(scale.ends[1] - scale.ends[0])
    width, marks = 6.0, []
    # How wide the numbers are depends on which are chosen, and which are chosen on how wide they are.
    for _ in range(3):
        marks = round_marks(
            low, high, lambda v: inverse(v * per) * division, stroke_gap=1.0, number_gap=width + 2.2
        )
        widest = max(
            (text_width_mm(words.frequency(m.value * per, unit), size, "bold") for m in marks if m.rank == 0),
            default=width,
        )
        if widest <= width:
            break
        width = widest
    return [Mark(m.value, m.place / division, m.rank) for m in marks]


def draw_dial(sheet: Sheet, page: CoilPage, place: ArcDial) -> None:
    """Draw the dial: frequencies outside, divisions inside, readings on the line between."""
    scale, unit = page.scale, page.show.frequency
    span = scale.measured_span

    def radial(dial: float, a: float, b: float) -> list[tuple[float, float]]:
        deg = float(place.angle(dial, scale))
        return [
            spot(place.cx, place.cy, place.radius + a, deg),
            spot(place.cx, place.cy, place.radius + b, deg),
        ]

    def stretch(a: float, b: float) -> Floats:
        lo, hi = sorted((float(place.angle(a, scale)), float(place.angle(b, scale))))
        return arc(place.cx, place.cy, place.radius, lo, hi)

    low, high = sorted(scale.ends)
    if scale.fitted and span is not None:
        sheet.lines([stretch(*span)], 1.3, gid="dial measured range")
        beyond = [stretch(a, b) for a, b in ((low, span[0]), (span[1], high)) if b - a > 1e-9]
        if beyond:
            sheet.lines(beyond, 1.3, style=DASHED, gid="dial beyond measured range")
    else:
        sheet.lines([stretch(low, high)], 0.8, gid="dial line")

    marks = dial_marks(scale, place.length)
    strokes = {0: 3.0, 1: 2.2, 2: 1.4}
    sheet.lines([radial(m.value, -0.5, -0.5 - strokes[m.rank]) for m in marks], 0.45, gid="dial divisions")
    for m in marks:
        if m.rank == 0:
            deg = float(place.angle(m.value, scale))
            x, y = spot(place.cx, place.cy, place.radius - 5.6, deg)
            sheet.text(
                x,
                y,
                f"{m.value:g}",
                BODY,
                ha="center",
                va="center",
                rotation=-deg,
                color=INK,
                gid="dial number",
            )
    if scale.fitted:
        _frequencies(sheet, page, place, radial)
    on_line = [
        spot(place.cx, place.cy, place.radius, float(place.angle(d, scale))) for d, _ in scale.measured
    ]
    if on_line:
        sheet.dots(on_line, "o", 3.4, face="#ffffff", width=0.9, gid="dial readings")
    if not scale.fitted:
        for d, f in _apart(scale.measured, 7.0 * abs(high - low) / 100):
            deg = float(place.angle(d, scale))
            x, y = spot(place.cx, place.cy, place.radius + 3.0, deg)
            sheet.text(
                x,
                y,
                words.frequency(f, unit, digits=4),
                BODY,
                weight="bold",
                ha="center",
                va="center",
                rotation=-deg,
                gid="frequency number",
            )


def _apart(points: Sequence[tuple[float, float]], gap: float) -> list[tuple[float, float]]:
    kept: list[tuple[float, float]] = []
    for p in points:
        if not kept or p[0] - kept[-1][0] >= gap:
            kept.append(p)
    return kept


def _frequencies(
    sheet: Sheet,
    page: CoilPage,
    place: ArcDial,
    radial: Callable[[float, float, float], list[tuple[float, float]]],
) -> None:
    scale, unit = page.scale, page.show.frequency
    size = BODY + 0.5
    marks = frequency_marks(scale, place, unit, size)
    strokes = {0: 4.2, 1: 3.0, 2: 1.9}
    for rank, width in ((0, 0.8), (1, 0.55), (2, 0.4)):
        group = [radial(m.place, 0.5, 0.5 + strokes[rank]) for m in marks if m.rank == rank]
        if group:
            sheet.lines(group, width, gid=f"frequency marks {rank}")
    for m in marks:
        if m.rank == 0:
            deg = float(place.angle(m.place, scale))
            x, y = spot(place.cx, place.cy, place.radius + 6.4, deg)
            sheet.text(
                x,
                y,
                words.frequency(m.value * words.HZ_PER[unit], unit),
                size,
                weight="bold",
                ha="center",
                va="center",
                rotation=-deg,
                gid="frequency number",
            )


@dataclass(frozen=True)
class Knob:
    """Where the knob stands on the sheet; `radius` is that of its scale, `room` the half width for its labels."""

    cx: float
    cy: float
    radius: float
    room: float

    def degrees(self, angle_deg: float, page: CoilPage) -> float:
        """Degrees clockwise from straight up at an angle of travel."""
        off = angle_deg - page.control.travel_deg / 2
        return -off if page.control.direction == "anticlockwise" else off


def draw_knob(sheet: Sheet, page: CoilPage, knob: Knob) -> None:
    """Draw the regeneration control with its clock positions, the window, and onset at each frequency."""
    travel = page.control.travel_deg
    half = travel / 2
    cx, cy, r = knob.cx, knob.cy, knob.radius

    def ray(deg: float, a: float, b: float) -> list[tuple[float, float]]:
        return [spot(cx, cy, a, deg), spot(cx, cy, b, deg)]

    low, high = sorted(knob.degrees(a, page) for a in page.window_deg)
    ring = np.vstack([arc(cx, cy, r, low, high), arc(cx, cy, r + 3.4, high, low)])
    sheet.area(ring, SHADE, gid="knob window")
    sheet.lines([ray(low, r, r + 3.4), ray(high, r, r + 3.4)], 0.8, color=SOFT, gid="knob window ends")
    sheet.lines([arc(cx, cy, r, -half, half)], 0.9, gid="knob travel")
    sheet.lines([ray(-half, r - 0.4, r + 2.0), ray(half, r - 0.4, r + 2.0)], 2.0, gid="knob end stops")

    hours = [h for h in range(-6, 7) if abs(h * 30) <= half + 1e-6 and not (h == 6 and half >= 180)]
    halves = [h + 0.5 for h in range(-6, 6) if abs((h + 0.5) * 30) <= half]
    sheet.lines([ray(h * 30, r, r - 1.6) for h in hours], 0.7, gid="knob hours")
    sheet.lines([ray(h * 30, r, r - 0.9) for h in halves], 0.5, gid="knob half hours")
    for h in hours:
        x, y = spot(cx, cy, r - 3.6, h * 30)
        sheet.text(x, y, str((h - 1) % 12 + 1), SMALL, ha="center", va="center", color=SOFT, gid="knob hour")

    body = r - 6.3
    sheet.area(arc(cx, cy, body, 0, 360), "#f4f4f4", edge=INK, width=0.9, gid="knob body")
    grip = [ray(d, body - 0.9, body) for d in range(0, 360, 12)]
    sheet.lines(grip, 0.5, color=LINE)
    _turning(sheet, page, knob, body)

    started = [p for p in page.onset if p.onset.value is not None]
    for p in started:
        assert p.onset.value is not None
        deg = knob.degrees(p.onset.value, page)
        sheet.lines([ray(deg, r, r + 4.2)], 1.2, gid="knob onset")
        if p.dropout.value is not None:
            off = knob.degrees(p.dropout.value, page)
            sheet.lines([ray(off, r + 0.2, r + 3.4)], 1.0, style=DOTTED, gid="knob drop-out")
    _labels(sheet, page, knob, [(knob.degrees(p.onset.value or 0.0, page), p.f_hz) for p in started])


def _turning(sheet: Sheet, page: CoilPage, knob: Knob, body: float) -> None:
    sign = -1.0 if page.control.direction == "anticlockwise" else 1.0
    radius = body - 2.2
    path = arc(knob.cx, knob.cy, radius, -62 * sign, 56 * sign)
    sheet.lines([path], 0.9, gid="knob direction")
    tip = np.array(spot(knob.cx, knob.cy, radius, 66 * sign))
    base = 50 * sign
    wings = [spot(knob.cx, knob.cy, radius + d, base) for d in (-0.85, 0.85)]
    sheet.area([tip, *wings], INK, gid="knob arrow")
    sheet.text(knob.cx, knob.cy + 0.5, "more", SMALL, ha="center", va="center", color=SOFT)
    sheet.text(knob.cx, knob.cy - 2.1, "regen.", SMALL, ha="center", va="center", color=SOFT)


def _labels(sheet: Sheet, page: CoilPage, knob: Knob, ticks: Sequence[tuple[float, float]]) -> None:
    """Frequencies round the knob: moved apart where crowded, thinned where too many."""
    unit, size = page.show.frequency, BODY
    r_text = knob.radius + 5.6
    widest = max(
        (text_width_mm(words.frequency(f, unit, digits=4), size, "bold") for _, f in ticks), default=0.0
    )
    if r_text + widest + 0.4 > knob.room:
        size = TINY
    ticks = sorted(ticks)
    while True:
        texts = [words.frequency(f, unit, digits=4) for _, f in ticks]
        spread = _spread([t for t, _ in ticks], [text_width_mm(t, size, "bold") for t in texts], r_text)
        moved = max((abs(a - t) for a, (t, _) in zip(spread, ticks, strict=True)), default=0.0)
        if moved <= LABEL_SHIFT or len(ticks) <= 2:
            break
        # The most crowded label between the first and the last goes.
        room = [ticks[i + 1][0] - ticks[i - 1][0] for i in range(1, len(ticks) - 1)]
        del ticks[1 + room.index(min(room))]
    for deg, (tick, _), text in zip(spread, ticks, texts, strict=True):
        a = spot(knob.cx, knob.cy, knob.radius + 4.2, tick)
        b = spot(knob.cx, knob.cy, r_text - 0.3, deg)
        sheet.lines([[a, b]], 0.5, color=SOFT, gid="knob leader")
        s, c = np.sin(np.radians(deg)), np.cos(np.radians(deg))
        half_w, half_h = text_width_mm(text, size, "bold") / 2 + 0.4, 1.3
        x, y = spot(knob.cx, knob.cy, r_text, deg)
        reach = knob.room - half_w + 0.4
        sheet.text(
            min(max(x + s * half_w, knob.cx - reach), knob.cx + reach),
            y + c * half_h,
            text,
            size,
            weight="bold",
            ha="center",
            va="center",
            gid="knob frequency",
        )


def _spread(at: Sequence[float], widths: Sequence[float], radius: float) -> list[float]:
    """Angles for labels so that neighbours do not touch, each as near its own as can be."""
    if not at:
        return []
    need = []
    for i in range(len(at) - 1):
        mid = np.radians((at[i] + at[i + 1]) / 2)
        across = (widths[i] + widths[i + 1]) / 2 + 1.6
        # horizontal text needs its width where the circle runs level and its height where it runs upright
        room = min(across / max(abs(np.cos(mid)), 0.05), 3.6 / max(abs(np.sin(mid)), 0.05))
        need.append(float(np.degrees(room / (radius + 2.0))))
    offset = np.concatenate([[0.0], np.cumsum(need)])
    target = np.asarray(at) - offset
    # pool adjacent violators: the nearest non-decreasing sequence
    blocks: list[list[float]] = []
    for t in target:
        blocks.append([float(t)])
        while len(blocks) > 1 and np.mean(blocks[-2]) > np.mean(blocks[-1]):
            last = blocks.pop()
            blocks[-1] += last
    flat = np.clip([float(np.mean(b)) for b in blocks for _ in b], -LABEL_LIMIT, LABEL_LIMIT - offset[-1])
    return [a + float(o) for a, o in zip(flat, offset, strict=True)]
