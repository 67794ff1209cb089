"""Values and sentences as the charts print them, in the units that the plan asks for."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

from bench import quantities
from bench.plan.schema import Coil, Control, Show

# Charts keep to Latin-1 wherever they can: every other character costs each PDF a second embedded font.
FIXED = "\u00a0"  # space that does not break: between thousands, and between number and unit

HZ_PER: dict[str, float] = {"kHz": 1e3, "kc": 1e3, "MHz": 1e6, "Mc": 1e6}
CAUTION = "An aid to judgement, not a safety assessment. Lethal voltages inside."
UNCERTAINTY = "±: standard uncertainty, k = 1"
_MONTHS = (
    "January",
    "February",
    "March",
    "April",
    "May",
    "June",
    "July",
    "August",
    "September",
    "October",
    "November",
    "December",
)
# Radio Regulations (ITU), No. 2.1: symbol and upper limit of the band, exclusive of its lower one.
_ITU_BANDS = (("VLF", 30e3), ("LF", 300e3), ("MF", 3e6), ("HF", 30e6), ("VHF", 300e6))


def known(value: Any) -> float | None:
    """The number, or None where it is missing or not a number."""
    if value is None or isinstance(value, bool):
        return None
    try:
        number = float(value)
    except (TypeError, ValueError):
        return None
    return number if math.isfinite(number) else None


def grouped(value: float, decimals: int = 0) -> str:
    """A number with spaces between thousands."""
    return f"{value:,.{decimals}f}".replace(",", FIXED)


def fixed(text: str) -> str:
    """The text with spaces inside values made unbreakable."""
    text = re.sub(r"(?<=\d) (?=\d{3}(?!\d))", FIXED, text)
    return re.sub(r"(?<=[\d½¼¾]) (?=[^\W\d]|±)|(?<=±) (?=\d)", FIXED, text)


def shown(value: float | None, kind: quantities.Kind, unit: str | None = None, u: float | None = None) -> str:
    """A value for a chart, unbreakable; see `quantities.show`."""
    return quantities.show(value, kind, unit, u).replace(" ", FIXED)


def frequency_decimals(u_hz: float | None, f_hz: float, unit: str) -> int:
    """Decimals that a frequency deserves by its uncertainty; by a part in two thousand where that is unknown."""
    grain = 2 * u_hz if u_hz else 5e-4 * f_hz
    return max(0, min(6, -math.floor(math.log10(max(grain, 1e-3) / HZ_PER[unit]))))


def frequency(f_hz: float, unit: str, decimals: int | None = None, digits: int = 5) -> str:
    """A frequency's number alone, in the plan's unit: so many decimals, else so many significant digits at most."""
    if decimals is None:
        value = float(f"{f_hz / HZ_PER[unit]:.{digits}g}")
        decimals = 0
        while decimals < 6 and abs(round(value, decimals) - value) > 1e-9 * abs(value):
            decimals += 1
        return grouped(value, decimals)
    return grouped(f_hz / HZ_PER[unit], decimals)


def thousands(unit: str) -> str:
    """The unit of a thousand that goes with a unit: kHz with MHz, kc with Mc."""
    return {"MHz": "kHz", "Mc": "kc"}.get(unit, unit)


def small_frequency(f_hz: float, unit: str) -> str:
    """An uncertainty of a frequency: always in thousands, two digits."""
    return f"{two_digits(f_hz / 1e3)}{FIXED}{thousands(unit)}"


def two_digits(value: float) -> str:
    """Two significant digits, plain."""
    if not math.isfinite(value) or value == 0:
        return "0"
    decimals = max(0, 1 - math.floor(math.log10(abs(value))))
    return grouped(value, decimals)


def frequency_range(low_hz: float, high_hz: float, unit: str, u_hz: float | None = None) -> str:
    """``2 212 to 5 031 kHz``."""
    d = frequency_decimals(max(u_hz or 0.0, 4e-4 * low_hz), low_hz, unit)
    return f"{frequency(low_hz, unit, d)} to {frequency(high_hz, unit, d)}{FIXED}{unit}"


def itu_bands(low_hz: float, high_hz: float) -> str:
    """The bands' symbols by the Radio Regulations: ``MF`` or ``MF / HF``."""
    names = []
    floor = 0.0
    for symbol, top in _ITU_BANDS:
        if high_hz > floor and low_hz <= top:
            names.append(symbol)
        floor = top
    return " / ".join(names)


def itu_edges() -> list[tuple[str, float, float]]:
    """Symbol, lower and upper limit of each band."""
    floors = [0.0, *(top for _, top in _ITU_BANDS)]
    return [(symbol, floor, top) for (symbol, top), floor in zip(_ITU_BANDS, floors, strict=False)]


def onset_range(angles_deg: Sequence[float], never: int, control: Control) -> str:
    """``10:26 to 2:40, 1 of 6 never``: where it starts, and at how many of the frequencies tried it does not."""
    if not angles_deg:
        return "never" if never else "-"
    return angle_range(angles_deg, control) + (
        f", {never} of {never + len(angles_deg)} never" if never else ""
    )


def with_u(value: float | None, u: float | None, scale: float) -> str:
    """A value with its uncertainty in a given unit, the unit left out; a dash where it is unknown."""
    if value is None:
        return "-"
    if not u or u <= 0:
        return f"{value / scale:.4g}"
    decimals = max(0, 1 - math.floor(math.log10(u / scale)))
    return f"{grouped(value / scale, decimals)}{FIXED}±{FIXED}{grouped(u / scale, decimals)}"


def date(stamp: str | None) -> str:
    """``14 May 2031`` of an ISO 8601 time; empty where there is none."""
    match = re.match(r"(\d{4})-(\d{2})-(\d{2})", stamp or "")
    if match is None or not 1 <= int(match[2]) <= 12:
        return ""
    return f"{int(match[3])} {_MONTHS[int(match[2]) - 1]} {match[1]}"


def clock(angle_deg: float, control: Control) -> str:
    """Where the control's pointer stands at an angle of travel."""
    return control.clock(angle_deg)


def turns(count: float) -> str:
    """``5``, ``5½``, ``27.3``."""
    whole = math.floor(count)
    fraction = {0.0: "", 0.25: "¼", 0.5: "½", 0.75: "¾"}.get(round(count - whole, 3))
    if fraction is None:
        return f"{count:g}"
    return f"{whole or ''}{fraction}" if fraction else f"{whole}"


def turns_word(count: float) -> str:
    return "turn" if count <= 1 else "turns"


def length(value: float, show: Show) -> str:
    """A length in the plan's unit: to hundredths of a millimetre or thousandths of an inch."""
    decimals, scale = (3, 0.0254) if show.length == "in" else (2, 1e-3)
    text = grouped(value / scale, decimals).rstrip("0").rstrip(".")
    return f"{text}{FIXED}{show.length}"


def wire(diameter_m: float, show: Show) -> str:
    """A wire's bare thickness: by its gauge where it has exactly that of one, else as a length.

    Thousandths of an inch are gauges of SWG by chance too: that name is left to who counts in mm.
    """
    from bench.physics.wire import gauges

    named = gauges(diameter_m)
    for system in ("AWG",) if show.length == "in" else ("AWG", "SWG"):
        if system in named:
            return f"{named[system]}{FIXED}{system}"
    return length(diameter_m, show)


def recipe_lines(coil: Coil, show: Show) -> tuple[tuple[str, str], ...]:
    """The recipe as pairs of part and text."""

    grid = coil.grid
    rows: list[tuple[str, str]] = []
    first = [f"{turns(grid.turns)}{FIXED}{turns_word(grid.turns)}"] if grid.turns else []
    if grid.wire:
        first.append(f"wire {wire(grid.wire, show)}")
    rows.append(("Grid", ", ".join(first) or "winding not described in the plan"))
    second = []
    if grid.form_diameter:
        second.append(f"form {length(grid.form_diameter, show)} dia.")
    elif grid.diameter:
        second.append(f"{length(grid.diameter, show)} mean dia.")
    if grid.length:
        second.append(f"{length(grid.length, show)} long")
    if second:
        rows.append(("", ", ".join(second)))
    if coil.tap is not None:
        below = coil.feedback_turns
        return (*rows, ("Tap", f"{turns(below)}{FIXED}{turns_word(below)} above the grounded end"))
    tickler = coil.tickler
    if tickler is None:
        return tuple(rows)
    text = [f"{turns(tickler.turns)}{FIXED}{turns_word(tickler.turns)}"]
    if tickler.wire:
        text.append(f"wire {wire(tickler.wire, show)}")
    rows.append(("Tickler", ", ".join(text)))
    third = []
    if tickler.gap is not None:
        third.append(f"gap {length(tickler.gap, show)}")
    if tickler.diameter:
        third.append(f"{length(tickler.diameter, show)} mean dia.")
    if third:
        rows.append(("", ", ".join(third)))
    return tuple(rows)


def angle_range(angles: Sequence[float], control: Control) -> str:
    """``9:40 to 1:58`` in the order of travel; degrees where the control turns more than once."""
    low, high = min(angles), max(angles)
    if control.travel_deg > 360:
        return f"{low:.0f}°{FIXED}to{FIXED}{high:.0f}°"
    a, b = clock(low, control), clock(high, control)
    return a if a == b else f"{a}{FIXED}to{FIXED}{b}"


def advice_sentence(
    advice: Mapping[str, Any] | None, f_hz: Sequence[float], control: Control, unit: str
) -> str | None:
    """The advice of fit.json in one sentence; None where there is none."""
    if not advice or not advice.get("verdict"):
        return None
    verdict = advice["verdict"]
    now, best = known(advice.get("tickler_turns_now")), known(advice.get("tickler_turns_best"))
    # Told is what the advised number of turns does: where it is to stay, the present one's angles, not the best one's.
    chosen = _predicted(advice, now if verdict == "keep" or best is None else best)
    where = _where(chosen, f_hz, control, unit)
    if verdict == "keep":
        count = f"the {turns(now)} tickler {turns_word(now)}" if now is not None else "the tickler as it is"
        return f"Keep {count}: {where}." if where else f"Keep {count}."
    if verdict in ("fewer turns", "more turns") and now is not None and best is not None:
        change = abs(best - now)
        size = f"{turns(change)} tickler {turns_word(change)}"
        verb = f"Take off {size}" if best < now else f"Add {size}"
        sentence = f"{verb} ({turns(now)} to {turns(best)})"
        return f"{sentence}: {where}." if where else f"{sentence}."
    lever = _lever(advice)
    if lever:
        return f"Turns alone will not do: {lever}."
    reasons = advice.get("reasons")
    return str(reasons[0]) if reasons else "Neither turns nor any single part will do."


def advice_short(advice: Mapping[str, Any] | None) -> str:
    """The advice in three words, for a table."""
    verdict = (advice or {}).get("verdict")
    now, best = (
        known((advice or {}).get("tickler_turns_now")),
        known((advice or {}).get("tickler_turns_best")),
    )
    if verdict == "keep":
        return "keep"
    if verdict in ("fewer turns", "more turns") and now is not None and best is not None and now != best:
        change = abs(best - now)
        return f"{'take off' if best < now else 'add'} {turns(change)} t"
    return str(verdict or "-")


def _predicted(advice: Mapping[str, Any], count: float | None) -> Mapping[str, Any] | None:
    for entry in advice.get("predicted") or ():
        turns_here = known(entry.get("turns"))
        if count is not None and turns_here is not None and abs(turns_here - count) < 1e-6:
            return dict(entry)
    return None


def _where(entry: Mapping[str, Any] | None, f_hz: Sequence[float], control: Control, unit: str) -> str | None:
    if entry is None:
        return None
    angles = [known(a) for a in entry.get("angles_deg") or ()]
    there = [a for a in angles if a is not None]
    if not there:
        return "oscillation would not start at any frequency"
    text = (
        f"onset from {angle_range(there, control)}"
        if len(there) > 1
        else f"onset at {angle_range(there, control)}"
    )
    low, high = control.window_deg
    outside = [f for a, f in zip(angles, f_hz, strict=False) if a is None or not low <= a <= high]
    if entry.get("in_window"):
        return f"{text}, inside the window at every frequency"
    if not outside:
        return text
    listed = ", ".join(frequency(f, unit) for f in outside[:3]) + (" ..." if len(outside) > 3 else "")
    return f"{text}, outside the window at {listed}{FIXED}{unit}"


def _lever(advice: Mapping[str, Any]) -> str | None:
    for lever in advice.get("levers") or ():
        what, change, effect = (
            str(lever.get(k) or "").strip().rstrip(".") for k in ("what", "change", "effect")
        )
        if what or change:
            text = f"{what} {change}".strip()
            return fixed(f"{text}; {effect}" if effect else text)
    return None
