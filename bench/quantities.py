"""Values as the trade writes them, to SI and back."""

from __future__ import annotations

import math
import re
from decimal import ROUND_HALF_EVEN, Decimal
from typing import Any, Literal

from bench.errors import QuantityError
from bench.units import BASE, CaseTrapError, factor
from bench.units import KINDS as KINDS
from bench.units import Kind as Kind

EXAMPLES: dict[Kind, str] = {
    "frequency": "3.5MHz or 3500kc",
    "capacitance": "140pF or 140mmf",
    "inductance": "22uH",
    "resistance": "10kohm",
    "conductance": "0.65mS",
    "voltage": "60V",
    "length": "32mm or 1.25in",
    "angle": "130deg",
    "time": "0.2s",
}
WIRE_EXAMPLE = "24AWG, 28SWG or 0.4mm"
CLOCK_EXAMPLE = "11:20 or 10 o'clock"

# Nothing on such a bench lies outside these, and the models need not be able to carry it.
_RANGE: dict[Kind, tuple[float, float]] = {
    "frequency": (1.0, 1e11),
    "capacitance": (0.0, 1.0),
    "inductance": (0.0, 1e3),
    "resistance": (0.0, 1e12),
    "conductance": (0.0, 1e3),
    "voltage": (0.0, 1e6),
    "length": (0.0, 1e3),
    "angle": (0.0, 1e5),
    "time": (0.0, 1e6),
}
_NUMBER = re.compile(r"(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?")
_GROUPED = re.compile(r"[0-9]{1,3}(?: [0-9]{3})+(?![0-9])(?:\.[0-9]+)?")
_FRACTION = re.compile(r"(?:([0-9]{1,6})[ -])?([0-9]{1,6}) ?/ ?([0-9]{1,6})(?![0-9])")
_UNIT = re.compile(r"[A-Za-z]{1,24}(?:/[A-Za-z]{1,24})?")
_LOOKALIKES = str.maketrans(
    {
        "\u00b5": "u",  # micro sign
        "\u03bc": "u",  # Greek mu
        "\u03a9": "ohm",  # Greek omega
        "\u2126": "ohm",  # ohm sign
        "\u2127": "mho",
        "\u2212": "-",
        "\u00b0": "deg",
        "\u00a0": " ",
        "\u202f": " ",
        "\u2009": " ",
        "\u2033": "in",
        "\u201d": "in",
        '"': "in",
    }
)
_LONGEST = 64


def _quote(value: Any) -> str:
    text = repr(value) if not isinstance(value, str) else f'"{value}"'
    return text if len(text) <= 40 else text[:36] + '…"'


def _number(text: str, kind: Kind) -> tuple[Decimal, str] | None:
    """Leading number and what follows it."""
    if kind == "length" and (fraction := _FRACTION.match(text)):
        whole, upper, lower = fraction.groups()
        if int(lower) == 0:
            return None
        return Decimal(whole or 0) + Decimal(upper) / Decimal(lower), text[fraction.end() :]
    match = _GROUPED.match(text) or _NUMBER.match(text)
    if match is None:
        return None
    return Decimal(match.group().replace(" ", "")), text[match.end() :]


def parse(value: Any, kind: Kind) -> float:
    """A value as the trade writes it, in SI units (angles in degrees).

    Parameters
    ----------
    value : str
        Number and unit, space optional: ``3.5MHz``, ``3500 kc``, ``140mmf``, ``1.25in``, ``1 1/4 in``, ``0.65 mS``.
    kind : str
        What is wanted; one of `KINDS`.

    Returns
    -------
    float
        Hz, F, H, ohm, S, V, m, degrees or s; finite, not negative.

    Raises
    ------
    QuantityError
        Anything else, bare numbers included: the message says what to write, with an example.
    """
    example = EXAMPLES[kind]
    if isinstance(value, bool) or not isinstance(value, str):
        if isinstance(value, int | float):
            quoted = example.partition(" or ")[0]
            raise QuantityError(
                f'{_quote(value)} has no unit; write it in quotes with one, for example "{quoted}"'
            )
        raise QuantityError(f"{_quote(value)} is not a {kind}; write for example {example}")
    text = value.strip().translate(_LOOKALIKES).strip()
    if not text or len(text) > _LONGEST:
        raise QuantityError(f"{_quote(value)} is not a {kind}; write for example {example}")
    if text.startswith("-"):
        raise QuantityError(f"{_quote(value)} is negative; write for example {example}")
    number = _number(text.removeprefix("+").lstrip(), kind)
    if number is None:
        raise QuantityError(f"{_quote(value)} is not a number with a unit; write for example {example}")
    magnitude, rest = number
    unit = rest.strip()
    if not unit:
        raise QuantityError(f"{_quote(value)} has no unit; write it with one, for example {example}")
    if unit.startswith(","):
        raise QuantityError(f"{_quote(value)}: write the number without a comma, for example {example}")
    if unit in {"k", "K", "M", "G", "u", "n", "p"}:
        raise QuantityError(f"{_quote(value)} has a prefix but no unit; write for example {example}")
    if not _UNIT.fullmatch(unit):
        raise QuantityError(f"{_quote(value)} is not a number with a unit; write for example {example}")
    try:
        scale = factor(unit, kind)
    except CaseTrapError as trap:
        raise QuantityError(f"{_quote(value)}: {trap}") from None
    except QuantityError as problem:
        raise QuantityError(f"{_quote(value)}: {problem}; write for example {example}") from None
    si = float(magnitude * scale)
    low, high = _RANGE[kind]
    if not math.isfinite(si) or si > high or si < low:
        bound = f"more than {high:g}" if si > high else f"less than {low:g}"
        raise QuantityError(
            f"{_quote(value)} is {bound} {BASE[kind]}, which no such bench has; write for example {example}"
        )
    return si


_GAUGE = re.compile(
    r"(?:no\.?|#)? ?([0-9]{1,3}|0{4}|[0-9]/0) ?-?(awg|swg|b ?& ?s|b\.&s\.|ga|gauge)\.?", re.IGNORECASE
)
_GAUGE_FIRST = re.compile(r"(awg|swg|b ?& ?s) ?(?:no\.?|#)? ?([0-9]{1,3}|0{4}|[0-9]/0)", re.IGNORECASE)


def _gauge_number(text: str) -> int:
    """Gauge as a number: 00 or 2/0 is -1, 000 or 3/0 is -2."""
    if text.endswith("/0"):
        return 1 - int(text[0])
    if len(text) > 1 and set(text) == {"0"}:
        return 1 - len(text)
    return int(text)


def parse_wire(value: Any) -> float:
    """Bare diameter in m of a wire: ``0.4 mm``, ``0.02 in``, ``24AWG``, ``28 SWG`` (B&S is AWG).

    Raises
    ------
    QuantityError
        No unit, no such gauge, or a thickness that is no wire.
    """
    from bench.physics.wire import awg_diameter, swg_diameter

    if not isinstance(value, str):
        raise QuantityError(f"{_quote(value)} is not a wire; write it as text, for example {WIRE_EXAMPLE}")
    text = value.strip()
    if match := _GAUGE.fullmatch(text):
        number, system = match.groups()
    elif match := _GAUGE_FIRST.fullmatch(text):
        system, number = match.groups()
    else:
        try:
            diameter_m = parse(text, "length")
        except QuantityError as problem:
            if "has no unit" in str(problem):
                raise QuantityError(
                    f"{_quote(value)} has no unit; write the wire with one, for example {WIRE_EXAMPLE}"
                ) from None
            reason = str(problem).rpartition("; write for example")[0]
            raise QuantityError(f"{reason}; write for example {WIRE_EXAMPLE}") from None
        if not 1e-6 <= diameter_m <= 0.05:
            raise QuantityError(
                f"{_quote(value)} is no thickness of a wire; write for example {WIRE_EXAMPLE}"
            )
        return diameter_m
    system = system.lower()
    if system.startswith("g"):
        raise QuantityError(f"{_quote(value)}: which gauge? Write AWG or SWG, for example {WIRE_EXAMPLE}")
    try:
        return swg_diameter(_gauge_number(number)) if system == "swg" else awg_diameter(_gauge_number(number))
    except ValueError as problem:
        raise QuantityError(f"{_quote(value)}: {problem}; write for example {WIRE_EXAMPLE}") from None


_CLOCK = re.compile(r"([0-9]{1,2})(?:[:h]([0-9]{2})| ?o ?['’`]? ?clock)", re.IGNORECASE)
_DEGREES_PER_MINUTE = 0.5

Direction = Literal["clockwise", "anticlockwise"]


def clock_to_angle(clock: str, travel_deg: float, direction: Direction = "clockwise") -> float:
    """Angle of the control from where its pointer stands on a clock face.

    Parameters
    ----------
    clock : str
        ``11:20``, ``10 o'clock``; mid-travel is 12:00.
    travel_deg : float
        The control's mechanical travel in degrees, at most 360.
    direction : str
        Which way the knob turns for more regeneration.

    Returns
    -------
    float
        Degrees from the end stop of least regeneration.

    Raises
    ------
    QuantityError
        Not a clock position, or one beyond the control's end stops.
    """
    match = _CLOCK.fullmatch(clock.strip()) if isinstance(clock, str) and len(clock) <= _LONGEST else None
    if match is None:
        raise QuantityError(f"{_quote(clock)} is not a clock position; write for example {CLOCK_EXAMPLE}")
    hour, minute = int(match.group(1)), int(match.group(2) or 0)
    if not 1 <= hour <= 12 or minute > 59:
        raise QuantityError(
            f"{_quote(clock)} is not on a clock of twelve hours; write for example {CLOCK_EXAMPLE}"
        )
    if travel_deg > 360:
        raise QuantityError(
            f"{_quote(clock)}: a control that turns {travel_deg:g} degrees passes each clock position more than once; "
            "give the angle in degrees"
        )
    minutes = (hour % 12) * 60 + minute
    if minutes == 360 and travel_deg >= 360:
        raise QuantityError(f"{_quote(clock)} is both end stops of this control; give the angle in degrees")
    offset = (minutes if minutes <= 360 else minutes - 720) * _DEGREES_PER_MINUTE
    half = travel_deg / 2
    # A clock position is read to the minute, so an end stop may lie up to half a minute inside its name.
    if abs(offset) > half + _DEGREES_PER_MINUTE / 2:
        low, high = angle_to_clock(0, travel_deg), angle_to_clock(travel_deg, travel_deg)
        raise QuantityError(
            f"{_quote(clock)} is beyond the end stops: this control goes from {low} to {high}"
        )
    offset = max(-half, min(half, offset))
    return half + (offset if direction == "clockwise" else -offset)


def angle_to_clock(angle_deg: float, travel_deg: float, direction: Direction = "clockwise") -> str:
    """Clock position, to the minute (half a degree), of an angle of the control; mid-travel is 12:00."""
    offset = angle_deg - travel_deg / 2
    if direction == "anticlockwise":
        offset = -offset
    minutes = round(offset / _DEGREES_PER_MINUTE) % 720
    return f"{minutes // 60 or 12}:{minutes % 60:02d}"


_DISPLAY: dict[Kind, tuple[tuple[str, float], ...]] = {
    "frequency": (("kHz", 1e3),),
    "capacitance": (("pF", 1e-12), ("nF", 1e-9), ("µF", 1e-6)),
    "inductance": (("nH", 1e-9), ("µH", 1e-6), ("mH", 1e-3), ("H", 1.0)),
    "resistance": (("ohm", 1.0), ("kohm", 1e3), ("Mohm", 1e6)),
    "conductance": (("mS", 1e-3),),
    "voltage": (("µV", 1e-6), ("mV", 1e-3), ("V", 1.0)),
    "length": (("mm", 1e-3),),
    "angle": (("deg", 1.0),),
    "time": (("ms", 1e-3), ("s", 1.0)),
}


def _scale(si: float, kind: Kind, unit: str | None) -> tuple[str, float]:
    if unit is not None:
        written = unit.translate(_LOOKALIKES)
        return unit, float(factor(written, kind))
    choices = _DISPLAY[kind]
    best = choices[0]
    for name, scale in choices[1:]:
        # Picofarads stay picofarads up to 10 000: the trade says "2 500 pF".
        if abs(si) >= scale * (10 if kind == "capacitance" else 1) * (1 - 1e-12):
            best = name, scale
    return best


def _group(number: str) -> str:
    sign, digits = ("-", number[1:]) if number.startswith("-") else ("", number)
    whole, dot, decimals = digits.partition(".")
    head = len(whole) % 3
    parts = ([whole[:head]] if head else []) + [whole[i : i + 3] for i in range(head, len(whole), 3)]
    return sign + " ".join(parts) + dot + decimals


def _rounded(value: float, exponent: int) -> str:
    """Plain digits of a value rounded at ten to the exponent."""
    place = Decimal(1).scaleb(exponent)
    digits = Decimal(repr(value)).quantize(place, rounding=ROUND_HALF_EVEN)
    return f"{digits:f}" if exponent < 0 else f"{digits.to_integral_value():f}"


def _exponent(value: float, digits: int) -> int:
    """Decimal place of the last of so many significant digits, after rounding."""
    return int(f"{abs(value):.{digits - 1}e}".partition("e")[2]) - digits + 1


def show(value: float | None, kind: Kind, unit: str | None = None, uncertainty: float | None = None) -> str:
    """A value for people: ``3 512.4 kHz``, ``22.31 ± 0.12 µH``.

    Parameters
    ----------
    value, uncertainty : float or None
        SI (degrees for angles); None or NaN is unknown. The uncertainty is rounded to two significant digits and the
        value to the same place; without one a frequency has five significant digits and anything else four.
    unit : str, optional
        The unit the user likes; else one that suits the size.
    """
    if value is None or not math.isfinite(value):
        return "unknown"
    name, scale = _scale(value, kind, unit)
    digits = 5 if kind == "frequency" else 4
    return f"{_digits(value / scale, None if uncertainty is None else uncertainty / scale, digits)} {name}"


def show_number(value: float | None, uncertainty: float | None = None) -> str:
    """A pure number, such as a Q, rounded as `show` rounds."""
    if value is None or not math.isfinite(value):
        return "unknown"
    return _digits(value, uncertainty, 4)


def _digits(value: float, uncertainty: float | None, digits: int) -> str:
    if uncertainty is not None and math.isfinite(uncertainty) and uncertainty > 0:
        place = _exponent(uncertainty, 2)
        return f"{_group(_rounded(value, place))} ± {_group(_rounded(uncertainty, place))}"
    if value == 0:
        return "0"
    text = _rounded(value, min(_exponent(value, digits), 0))
    return _group(text.rstrip("0").rstrip(".") if "." in text else text)
