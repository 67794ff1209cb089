"""Numbers that are numbers but cannot be readings: beyond the dial, beyond the control's travel, a Q of nothing."""

from __future__ import annotations

from collections.abc import Container, Iterator

from bench.plan.schema import Plan
from bench.session.files import Content, Damage, withdrawn_rows
from bench.session.tables import Table

# What a tank and a pick-up loop can show at all; anything else is a slip of the pen or a cell in the wrong column.
F_HZ = (1e3, 3e9)
Q_SPAN = (0.5, 1e5)
MOST_ADDED_F = 1e-6
LIMITS: dict[str, tuple[float, float, str]] = {
    "f0_hz": (*F_HZ, "Hz"),
    "f_hz": (*F_HZ, "Hz"),
    "q": (*Q_SPAN, ""),
    "q_loaded": (*Q_SPAN, ""),
    "added_c_f": (0.0, MOST_ADDED_F, "F"),
    # A hand detunes a set by thousandths of its frequency; a detector that is overdriven has 100 dB over its noise.
    "shift_hz": (-1e8, 1e8, "Hz"),
    "ratio_db": (-200.0, 200.0, "dB"),
}
# The end stops give a little, and the sensor's zero may sit a little off them.
BEYOND_STOP_DEG = 10.0


def unlikely(
    content: Content, table: Table, plan: Plan | None, skip: Container[int] = ()
) -> Iterator[Damage]:
    """Cells that no reading of this plan can have; withdrawn readings and lines of `skip` (unsound already) left out."""
    limits = {name: limit for name, limit in LIMITS.items() if name in table.header}
    if plan is not None:
        low, high = sorted(plan.receiver.tuning.dial)
        limits["dial"] = (low, high, "")
        if "angle_deg" in table.header:
            travel = plan.receiver.control.travel_deg
            limits["angle_deg"] = (-BEYOND_STOP_DEG, travel + BEYOND_STOP_DEG, "degrees")
    gone = withdrawn_rows(content)
    for name, (least, most, unit) in limits.items():
        for line, text, out in zip(content.lines, content.column(name), gone, strict=True):
            if text and not out and line not in skip and not least <= float(text) <= most:
                yield Damage(
                    table.file, line, f"{name}: {text} cannot be; it goes {_span(least, most, unit)}"
                )


def _span(least: float, most: float, unit: str) -> str:
    return f"from {least:g} to {most:g} {unit}".strip()
