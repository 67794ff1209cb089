"""The calibration chart of one coil: a page that lives with the coil."""

from __future__ import annotations

from typing import Literal

import numpy as np
from matplotlib.figure import Figure

from bench.charts import words
from bench.charts.graphs import DROP_OUT_SIZE, draw_onset, draw_q, frequency_span, name_unit, nice_ticks
from bench.charts.page import CoilPage
from bench.charts.parts import DASHED, DOTTED, ArcDial, Knob, draw_dial, draw_knob, frequency_at
from bench.charts.style import (
    ACCENT,
    BODY,
    HAIR,
    MAIN,
    PAPERS,
    SHADE,
    SMALL,
    SOFT,
    TINY,
    Sheet,
    fit_size,
    settings,
    shorten,
    text_width_mm,
    wrap,
)

EDGE = 6.0  # the frame's distance from the paper's edge
PAD = 3.0  # text's distance from the frame


def draw_coil(page: CoilPage, paper: str = "a5") -> Figure:
    """Draw one coil's chart.

    Parameters
    ----------
    page : CoilPage
    paper : {"a5", "half-letter"}

    Returns
    -------
    matplotlib.figure.Figure
    """
    with settings():
        sheet = Sheet(*PAPERS[paper])
        return _Layout(sheet, page).draw()


class _Layout:
    """The page's cells, from the top down; heights in mm."""

    HEADER = 17.0
    TABLE = 13.5
    KNOB = 50.5
    LEFT = 60.0

    def __init__(self, sheet: Sheet, page: CoilPage) -> None:
        self.sheet = sheet
        self.page = page
        self.x0, self.x1 = EDGE, sheet.width_mm - EDGE
        self.y1, self.y0 = sheet.height_mm - EDGE, EDGE
        self.y_header = self.y1 - self.HEADER
        self.place = self._arc()
        self.y_dial = self.place.cy + self.place.radius * float(np.cos(np.radians(self.place.half_deg))) - 5.0
        self.y_table = self.y_dial - self.TABLE
        self.advice_size, self.advice, self.warnings = self._foot_text()
        self.y_foot = self.y0 + 10.2 + 4.2 * len(self.advice) + 3.1 * len(self.warnings)
        self.y_knob = self.y_table - self.KNOB

    def _arc(self) -> ArcDial:
        half = 74.0
        radius = ((self.x1 - self.x0) / 2 - 9.8) / float(np.sin(np.radians(half)))
        top = self.y_header - 10.0
        return ArcDial((self.x0 + self.x1) / 2, top - radius, radius, half)

    def draw(self) -> Figure:
        self._frame()
        self._header()
        self._dial()
        self._table()
        self._knob()
        self._recipe()
        self._graphs()
        self._foot()
        return self.sheet.figure

    def _frame(self) -> None:
        x0, x1, y0, y1 = self.x0, self.x1, self.y0, self.y1
        self.sheet.lines([[(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]], 1.0, gid="frame")
        rules = [[(x0, y), (x1, y)] for y in (self.y_header, self.y_table, self.y_foot)]
        self.sheet.lines(rules, 0.6)
        self.sheet.lines([[(x0, self.y_dial), (x1, self.y_dial)]], 0.4, HAIR)

    def _header(self) -> None:
        p, s = self.page, self.sheet
        x, y = self.x1 - PAD, self.y_header
        span = p.scale.range_hz
        text = ""
        if span is not None:
            text = words.frequency_range(*span, p.show.frequency)
            if not p.scale.fitted:
                text = f"read at {words.frequency(span[0], p.show.frequency, digits=4)}{words.FIXED}{p.show.frequency}"
            s.text(x, y + 10.6, text, 12.0, weight="bold", ha="right", gid="range")
        second = "  ·  ".join(t for t in (words.itu_bands(*span) if span else "", p.date) if t)
        s.text(x, y + 6.4, second, SMALL, ha="right", color=SOFT, gid="date")
        session = shorten(f"session {p.session}", 52.0, SMALL) if p.session else ""
        s.text(x, y + 2.6, session, SMALL, ha="right", color=SOFT, gid="session")

        whole = self.x1 - self.x0 - 2 * PAD - 3.0
        width = whole - max(text_width_mm(text, 12.0, "bold"), text_width_mm(second, SMALL))
        self._title(f"Coil {p.coil}", width)
        width = whole - text_width_mm(session, SMALL)
        size = fit_size(p.set_name, width, MAIN, SMALL)
        s.text(self.x0 + PAD, y + 2.6, shorten(p.set_name, width, size), size, color=SOFT, gid="set name")

    def _title(self, title: str, width: float) -> None:
        x, y = self.x0 + PAD, self.y_header
        size = fit_size(title, width, 24.0, 14.0, "bold")
        if text_width_mm(title, size, "bold") <= width:
            self.sheet.text(x, y + 7.2, title, size, weight="bold", gid="coil name")
            return
        size = next((z for z in (12.0, 11.0, 10.0, 9.0) if len(wrap(title, width, z, "bold")) <= 2), 8.0)
        for i, line in enumerate(wrap(title, width, size, "bold", 2)):
            self.sheet.text(x, y + 12.0 - 4.7 * i, line, size, weight="bold", gid="coil name")

    def _dial(self) -> None:
        p, s, place = self.page, self.sheet, self.place
        draw_dial(s, p, place)
        unit = p.show.frequency
        cx = place.cx
        y = self.y_dial + 6.0
        if not p.scale.fitted:
            for i, line in enumerate(wrap(self._dial_gap(), 64.0, BODY)):
                s.text(cx, y + 16 - 4.2 * i, line, BODY, ha="center", color=SOFT, gid="placeholder")
            return
        s.text(cx, y + 22.0, unit, 13.0, weight="bold", ha="center", gid="dial unit")
        s.text(cx, y + 17.8, "outside the arc; divisions of the dial inside", SMALL, ha="center", color=SOFT)
        told = self._dial_uncertainty()
        for i, line in enumerate(told):
            s.text(cx, y + 12.0 - 4.0 * i, line, BODY, ha="center", gid="dial uncertainty")
        self._dial_key(cx, y + 12.0 - 4.0 * len(told) - 0.8)

    def _dial_uncertainty(self) -> list[str]:
        scale, unit = self.page.scale, self.page.show.frequency

        def amount(u_hz: float, divisions: float) -> str:
            return f"± {words.small_frequency(u_hz, unit)}, {words.two_digits(divisions)} of a division"

        if scale.f_u_hz is None or scale.f_u_divisions is None:
            return []
        if scale.at_u_hz is None or scale.at_u_divisions is None or scale.f_u_hz < 1.5 * scale.at_u_hz:
            return [f"frequency good to {amount(scale.f_u_hz, scale.f_u_divisions)}"]
        return [
            f"at the readings {amount(scale.at_u_hz, scale.at_u_divisions)}",
            f"between them at most {amount(scale.f_u_hz, scale.f_u_divisions)}",
        ]

    def _dial_key(self, cx: float, y: float) -> None:
        n = len(self.page.scale.measured)
        if not n:
            return
        first = f"read on the set ({n})"
        second = "beyond the readings" if self._beyond() else ""
        beyond, between = self.page.scale.beyond_u_hz, self.page.scale.f_u_hz
        if second and beyond is not None and between is not None and beyond > 1.3 * between:
            second += f", ± {words.small_frequency(beyond, self.page.show.frequency)}"
        width = 3.5 + text_width_mm(first, SMALL) + (10.5 + text_width_mm(second, SMALL) if second else 0.0)
        x = cx - width / 2
        self.sheet.dots([(x + 1.0, y + 0.9)], "o", 3.4, face="#ffffff", width=0.9)
        self.sheet.text(x + 3.5, y, first, SMALL, gid="key")
        if second:
            x += 3.5 + text_width_mm(first, SMALL) + 3.5
            self.sheet.lines([[(x, y + 0.9), (x + 5.6, y + 0.9)]], 1.3, style=DASHED)
            self.sheet.text(x + 7.0, y, second, SMALL, gid="key")

    def _beyond(self) -> bool:
        span = self.page.scale.measured_span
        return span is not None and span != tuple(sorted(self.page.scale.ends))

    def _dial_gap(self) -> str:
        n = len({d for d, _ in self.page.scale.measured})
        if n == 0:
            return "No resonance read yet. Resonance at three dial settings or more draws this scale."
        if n > 2:
            return f"Read at {n} dial settings, but no dial law was fitted to them."
        so_far, more = ("one dial setting", "two more") if n == 1 else ("two dial settings", "one more")
        return f"Read at {so_far} so far. Resonance at {more} draws this scale."

    def _table(self) -> None:
        p, s = self.page, self.sheet
        unit = p.show.frequency
        x_label = self.x0 + PAD
        rows = [self.y_dial - 4.1, self.y_dial - 8.1, self.y_dial - 11.9]
        for y, label in zip(rows, ("dial", unit, f"{words.thousands(unit)}/div"), strict=True):
            s.text(x_label, y, label, SMALL, color=SOFT)
        if not p.scale.fitted:
            s.text(
                (self.x0 + self.x1) / 2, rows[1], "follows with the dial law", SMALL, ha="center", color=SOFT
            )
            return
        first, last = p.scale.ends
        dials = [d for d in _even(first, last) if min(p.scale.dial) - 1e-9 <= d <= max(p.scale.dial) + 1e-9]
        f = frequency_at(p.scale, dials)
        per_division = np.interp(dials, p.scale.dial, p.scale.hz_per_division)
        # More places than a seventh of a division are no help in setting the dial.
        grain = max(p.scale.f_u_hz or 0.0, 0.07 * float(np.min(per_division)))
        digits = words.frequency_decimals(grain, float(np.min(f)), unit)
        texts = [words.frequency(float(v), unit, digits) for v in f]
        left, right = self.x0 + PAD + 17.0, self.x1 - PAD - 4.5
        size, weight, every = _row_type(texts, right - left)
        for i in range(0, len(dials), every):
            x = left + (right - left) * i / max(len(dials) - 1, 1)
            s.text(x, rows[0], f"{dials[i]:g}", SMALL, ha="center", color=SOFT)
            s.text(x, rows[1], texts[i], size, weight=weight, ha="center", gid="table frequency")
            s.text(x, rows[2], words.two_digits(per_division[i] / 1e3), SMALL, ha="center")

    def _knob(self) -> None:
        p, s = self.page, self.sheet
        left, right, y = self.x0 + PAD, self.x0 + self.LEFT - PAD, self.y_table - 4.8
        angles = [q.onset.value for q in p.onset if q.onset.value is not None]
        never = sum(q.silent for q in p.onset)
        if angles or never:
            # Beside the frequencies where it never starts there is no room for the small word.
            word = "" if never else " from" if len(angles) > 1 else " at"
            head = s.heading(left, y, f"Onset{word}")
            text = words.onset_range(angles, never, p.control)
            room = right - left - text_width_mm(head.get_text(), TINY, "bold") - 2.0
            size = fit_size(text, room, MAIN, SMALL, "bold")
            s.text(right, y - 0.2, text, size, weight="bold", ha="right", gid="onset range")
        else:
            s.heading(left, y, "Regeneration")
            s.text(right, y, "onset not read yet", SMALL, ha="right", color=SOFT, gid="placeholder")
        if p.control.travel_deg > 360:
            text = "A control of more than one turn has no clock positions: see the graph."
            _note(s, left, self.y_table - 20, self.LEFT - 6, text)
            return
        knob = Knob(self.x0 + self.LEFT / 2, self.y_knob + 19.8, 15.6, self.LEFT / 2 - 0.6)
        draw_knob(s, p, knob)
        self._knob_key(self.y_knob + 1.6)

    def _knob_key(self, y: float) -> None:
        p, s = self.page, self.sheet
        left, right = self.x0 + PAD, self.x0 + self.LEFT - PAD
        if any(q.onset for q in p.onset):
            s.lines([[(left, y + 0.8), (left + 3.2, y + 0.8)]], 1.2)
            s.text(left + 4.2, y, f"onset, {p.show.frequency}", TINY, gid="key")
        if any(q.dropout for q in p.onset):
            width = text_width_mm("drop-out", TINY)
            s.lines([[(right - width - 5.0, y + 0.8), (right - width - 1.8, y + 0.8)]], 1.0, style=DOTTED)
            s.text(right, y, "drop-out", TINY, ha="right", gid="key")

    def _recipe(self) -> None:
        p, s = self.page, self.sheet
        x, y = self.x0 + PAD, self.y_knob - 3.0
        s.heading(x, y, "Recipe")
        y -= 4.0
        column = x + 13.0
        width = self.LEFT - 13.0 - PAD - 1.5
        rows = [*p.recipe, *self._electrical()]
        step = min(4.0, (y - self.y_foot - 2.2) / max(len(rows) - 1, 1))
        size = min(fit_size(text, width, BODY, TINY) for _, text in rows)
        for label, text in rows:
            s.text(x, y, label, SMALL, color=SOFT)
            s.text(column, y, shorten(text, width, size), size, gid="recipe")
            y -= step

    def _electrical(self) -> list[tuple[str, str]]:
        p = self.page
        rows = []
        if p.l_h:
            rows.append(("L", words.shown(p.l_h.value, "inductance", None, p.l_h.u)))
        if p.c_stray_f:
            text = words.shown(p.c_stray_f.value, "capacitance", p.show.capacitance, p.c_stray_f.u)
            rows.append(("Stray C", text))
        if p.gm_m_sh.value is not None:
            rows.append(("gm·M", words.with_u(p.gm_m_sh.value, p.gm_m_sh.u, 1e-9) + f"{words.FIXED}mS·µH"))
        if p.mutual_h.value is not None:
            text = words.shown(p.mutual_h.value, "inductance", None, p.mutual_h.u)
            if p.k.value is not None:
                text += f",  k {p.k.value:.2f}"
            rows.append(("M", text))
        return rows

    def _graphs(self) -> None:
        p, s = self.page, self.sheet
        left = self.x0 + self.LEFT + 9.0
        right = self.x1 - PAD - 8.5
        top = self.y_table - 8.0
        bottom = self.y_foot + 8.0
        room = top - bottom
        with_q = bool(p.q_law or p.q_points)
        q_height = room * (0.36 if with_q else 0.2)
        # Without a graph of Q below it the onset graph carries the frequencies itself.
        onset_height = room - q_height - (7.5 if with_q else 11.0)
        span = frequency_span(p)
        s.lines([[(self.x0 + self.LEFT, self.y_table), (self.x0 + self.LEFT, self.y_foot)]], 0.4, HAIR)

        y = self.y_table - 4.6
        key = self._onset_key()
        box = (left, top - onset_height, right - left, onset_height)
        if any(q.onset or q.dropout or q.silent or q.fitted_deg is not None for q in p.onset):
            axes = s.graph(*box, "onset")
            draw_onset(axes, p, span, right - left)
            if not with_q:
                axes.tick_params(labelbottom=True)
                name_unit(s, axes, p.show.frequency, left, right, top - onset_height)
            _key(s, y, left - 6.5, key)
        else:
            s.heading(left - 6.5, y, "Onset")
            _empty(s, box, "No onset read yet. Onset at two frequencies or more draws this graph.")

        y = bottom + q_height + 2.4
        s.heading(left - 6.5, y, "Q of the tank")
        if p.state:
            s.text(right, y, p.state, TINY, ha="right", color=SOFT)
        box = (left, bottom, right - left, q_height)
        if with_q:
            axes = s.graph(*box, "Q")
            draw_q(axes, p, span, right - left)
            name_unit(s, axes, p.show.frequency, left, right, bottom)
        else:
            _empty(s, box, "No Q read yet. A resonance reading with its Q draws this graph.")

    def _onset_key(self) -> list[str]:
        keys = []
        if any(q.onset for q in self.page.onset):
            keys.append("onset")
        if any(q.dropout for q in self.page.onset):
            keys.append("drop-out")
        if sum(q.fitted_deg is not None for q in self.page.onset) > 1:
            keys.append("fit")
        keys.append("window")
        return keys

    def _foot_text(self) -> tuple[float, list[str], list[str]]:
        width = self.x1 - self.x0 - 2 * PAD - 15.0
        size = MAIN
        advice = wrap(words.fixed(self.page.advice), width, size, "bold")
        if len(advice) > 2:
            size = BODY
            advice = wrap(words.fixed(self.page.advice), width, size, "bold", 3)
        return size, advice, _warning_lines(self.page.warnings, width, 3)

    def _foot(self) -> None:
        s = self.sheet
        x = self.x0 + PAD
        y = self.y_foot - 4.8
        s.heading(x, y, "Advice")
        for line in self.advice:
            s.text(x + 15.0, y, line, self.advice_size, weight="bold", gid="advice")
            y -= 4.2
        for line in self.warnings:
            s.text(x + 15.0, y, line, TINY, gid="warning")
            y -= 3.1
        s.text(x, self.y0 + 1.8, words.CAUTION, TINY, color=SOFT, gid="caution")
        s.text(
            self.x1 - PAD, self.y0 + 1.8, words.UNCERTAINTY, TINY, color=SOFT, ha="right", gid="uncertainty"
        )


def _row_type(texts: list[str], width: float) -> tuple[float, Literal["normal", "bold"], int]:
    """Size, weight and stride at which a row of numbers stands apart."""
    choices: list[tuple[float, Literal["normal", "bold"]]] = [(BODY, "bold"), (7.5, "bold"), (SMALL, "bold")]
    choices += [(SMALL, "normal"), (TINY, "normal")]
    for every in (1, 2, 5):
        for size, weight in choices:
            widest = max(text_width_mm(t, size, weight) for t in texts)
            if widest + 1.2 <= width / max(len(texts) - 1, 1) * every:
                return size, weight, every
    return TINY, "normal", 5


def _even(first: float, last: float) -> list[float]:
    """Ten or so round dial readings from one end to the other, in the order of the dial."""
    dials = nice_ticks(min(first, last), max(first, last), 11)
    return dials if last > first else dials[::-1]


def _note(sheet: Sheet, x: float, y: float, width: float, text: str) -> None:
    for i, line in enumerate(wrap(text, width, BODY)):
        sheet.text(x, y - 4.0 * i, line, BODY, color=SOFT, gid="placeholder")


def _empty(sheet: Sheet, box: tuple[float, float, float, float], text: str) -> None:
    x, y, w, h = box
    sheet.lines([[(x, y), (x + w, y), (x + w, y + h), (x, y + h), (x, y)]], 0.5, HAIR)
    lines = wrap(text, w - 6.0, BODY)
    for i, line in enumerate(lines):
        sheet.text(
            x + w / 2,
            y + h / 2 + 2.0 * (len(lines) - 1) - 4.2 * i,
            line,
            BODY,
            ha="center",
            color=SOFT,
            gid="placeholder",
        )


def _key(sheet: Sheet, y: float, x: float, names: list[str]) -> None:
    """Keys to a graph's signs, on one line."""
    middle = y + 0.8
    for name in names:
        sign = 4.4
        if name == "onset":
            sheet.dots([(x + 0.8, middle)], "o", 4.4)
            sign = 2.8
        elif name == "drop-out":
            sheet.dots([(x + 1.2, middle)], "v", DROP_OUT_SIZE, face="none")
            sign = 3.4
        elif name == "fit":
            sheet.lines([[(x, middle), (x + 3.4, middle)]], 1.3, ACCENT)
        else:
            box = [(x, middle - 1), (x + 3.4, middle - 1), (x + 3.4, middle + 1), (x, middle + 1)]
            sheet.area(box, SHADE, edge=SOFT, width=0.5)
        sheet.text(x + sign, y, name, SMALL, gid="key")
        x += sign + text_width_mm(name, SMALL) + 4.5


def _warning_lines(warnings: tuple[str, ...], width: float, most: int) -> list[str]:
    lines: list[str] = []
    for i, warning in enumerate(warnings):
        wrapped = wrap(f"! {words.fixed(warning)}", width, TINY)
        left = len(warnings) - i
        if len(lines) + len(wrapped) + (1 if left > 1 else 0) > most:
            if not lines:
                lines = wrap(f"! {words.fixed(warning)}", width, TINY, lines=max(1, most - (left > 1)))
                left -= 1
            if left:
                lines.append(f"... and {left} more: see regenbench fit")
            return lines
        lines += wrapped
    return lines
