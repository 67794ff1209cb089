"""The table of a set's overview: one row a coil."""

from __future__ import annotations

from collections.abc import Sequence

from bench.charts import words
from bench.charts.page import CoilPage, SetPage


def heads(page: SetPage) -> list[str]:
    """What stands above each column."""
    return [
        "coil",
        page.show.frequency,
        "grid turns",
        "wire",
        "tickler turns",
        "L, µH",
        f"stray C, {page.show.capacitance}",
        "Q",
        "onset",
        "gm·M, mS·µH",
        "advice",
    ]


def row(c: CoilPage, page: SetPage) -> list[str]:
    """One coil's cells, its name left out."""
    unit = page.show.frequency
    span = c.scale.range_hz if c.scale.fitted else None
    angles = [q.onset.value for q in c.onset if q.onset.value is not None]
    qs = [q.q for q in c.q_law] or [q.q for q in c.q_points]
    return [
        words.frequency_range(*span, unit, 1e-3 * span[0]).removesuffix(f"{words.FIXED}{unit}")
        if span
        else "-",
        words.turns(c.grid_turns) if c.grid_turns else "-",
        words.wire(c.wire_m, page.show) if c.wire_m else "-",
        words.turns(c.tickler_turns),
        words.with_u(c.l_h.value, c.l_h.u, 1e-6),
        words.with_u(c.c_stray_f.value, c.c_stray_f.u, 1e-12),
        _span_text(qs),
        words.onset_range(angles, sum(q.silent for q in c.onset), page.control),
        words.with_u(c.gm_m_sh.value, c.gm_m_sh.u, 1e-9),
        c.advice_short,
    ]


def _span_text(values: Sequence[float]) -> str:
    if not values:
        return "-"
    low, high = f"{min(values):.0f}", f"{max(values):.0f}"
    return low if low == high else f"{low} to {high}"
