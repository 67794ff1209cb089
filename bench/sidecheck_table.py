"""A side check's rows as cells, for a terminal or a page."""

from __future__ import annotations

from bench.sidechecks import Check

# Column: (heading, how a number is written: a format, or how many figures to keep).
COLUMNS = {
    "position": ("hand at", "{}"),
    "what": ("what", "{}"),
    "method": ("read by", "{}"),
    "dial": ("dial", "{:g}"),
    "f_hz": ("f, Hz", "{:.0f}"),
    "f0_hz": ("f0, Hz", "{:.0f}"),
    "shift_hz": ("shift, Hz", "{:+.0f}"),
    "shift_u_hz": ("± Hz", "{:.0f}"),
    "shift_ppm": ("ppm", "{:+.0f}"),
    "from_deg": ("from °", "{:.1f}"),
    "to_deg": ("to °", "{:.1f}"),
    "near_onset_hz_per_deg": ("Hz a ° near onset", "{:+.0f}"),
    "onset_deg": ("onset °", "{:.1f}"),
    "onset_u_deg": ("± °", "{:.1f}"),
    "angle_deg": ("onset °", "{:.1f}"),
    "angle_u_deg": ("± °", "{:.1f}"),
    "slope_per_deg": ("loss cancelled a °", "{:.2%}"),
    "slope_u_per_deg": ("±", "{:.2%}"),
    "rest_v": ("at rest, V", "{:.5f}"),
    "moving_v": ("moving, V", "{:.5f}"),
    "ratio_db": ("ratio, dB", "{:+.1f}"),
    "speed_deg_s": ("° a second", "{:.0f}"),
    "with": ("with", "7"),
    "with_u": ("±", "2"),
    "without": ("without", "7"),
    "without_u": ("±", "2"),
    "change": ("change", "4"),
    "change_u": ("±", "2"),
    "real": ("real", "{}"),
}


def as_table(check: Check) -> tuple[tuple[str, ...], list[tuple[str, ...]]]:
    """Heads and rows of a check, columns that say nothing left out."""
    names = [name for name in COLUMNS if any(row.get(name) is not None for row in check.rows)]
    heads = tuple(COLUMNS[name][0] for name in names)
    return heads, [tuple(_cell(name, row.get(name)) for name in names) for row in check.rows]


def _cell(name: str, value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    how = COLUMNS[name][1]
    if how.isdigit() and isinstance(value, int | float):
        return f"{float(f'{value:.{how}g}'):.10g}"
    return how.format(value)
