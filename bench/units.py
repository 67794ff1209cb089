"""The units that the trade writes, as pint knows them: text of a unit to its factor to SI."""

from __future__ import annotations

import re
from decimal import Decimal
from functools import cache, lru_cache
from typing import Any, Literal, get_args

from bench.errors import QuantityError

Kind = Literal[
    "frequency",
    "capacitance",
    "inductance",
    "resistance",
    "conductance",
    "voltage",
    "length",
    "angle",
    "time",
]
KINDS: tuple[Kind, ...] = get_args(Kind)

# Only what the trade writes: the registry that pint ships takes half a second to load, this one milliseconds.
_DEFINITIONS = """
pico- = 1e-12 = p-
nano- = 1e-9 = n-
micro- = 1e-6 = u-
milli- = 1e-3 = m-
centi- = 1e-2 = c-
kilo- = 1e3 = k- = K-
mega- = 1e6 = M- = meg-
giga- = 1e9 = G-
micromicro- = 1e-12 = uu-
second = [time] = s = sec
meter = [length] = m = metre = metres
volt = [voltage] = V = volts
ampere = [current] = A = amp
degree = [angle] = deg = degrees
hertz = 1 / second = Hz = cycle = cycles = c
ohm = volt / ampere = ohm = ohms
siemens = ampere / volt = S = mho = mhos
farad = second / ohm = F = farads = fd
henry = ohm * second = H = henries = henrys = hy
inch = 0.0254 * meter = in = inches
foot = 0.3048 * meter = ft = feet
mil = 0.0000254 * meter = mil = mils = thou
megohm = 1e6 * ohm = megohm = meg = megs = megohms
mmf = 1e-12 * farad = mmf = mmfd = mmF = mmfds
mfd = 1e-6 * farad = mfd = mfds
"""
BASE: dict[Kind, str] = {
    "frequency": "hertz",
    "capacitance": "farad",
    "inductance": "henry",
    "resistance": "ohm",
    "conductance": "siemens",
    "voltage": "volt",
    "length": "meter",
    "angle": "degree",
    "time": "second",
}
# What may be written in another case than it should be, as "KHZ" or "MMFD".
_NAMES: dict[Kind, tuple[str, ...]] = {
    "frequency": ("hertz", "Hz", "cycles", "c"),
    "capacitance": ("farad", "farads", "F", "fd"),
    "inductance": ("henry", "henries", "H", "hy"),
    "resistance": ("ohm", "ohms"),
    "conductance": ("siemens", "S", "mho", "mhos"),
    "voltage": ("volt", "volts", "V"),
    "length": ("m", "meter", "metre", "in", "inch", "inches", "ft", "feet", "thou"),
    "angle": ("deg", "degree", "degrees"),
    "time": ("s", "sec", "second"),
}
_PREFIXES = (
    "",
    "p",
    "n",
    "u",
    "m",
    "c",
    "k",
    "M",
    "G",
    "uu",
    "pico",
    "nano",
    "micro",
    "milli",
    "kilo",
    "mega",
)

# A prefix in the wrong case is a factor of a thousand million: these are asked about, never guessed.
_CASE_TRAPS: dict[tuple[Kind, str], str] = {
    ("frequency", "m"): "m is milli; write M for mega, as in 3.5MHz or 3.5Mc",
    ("capacitance", "m"): "m is milli; write uF or mfd for microfarads, pF or mmf for picofarads",
    ("capacitance", "M"): "M is mega; write uF or mfd for microfarads, pF or mmf for picofarads",
    ("inductance", "M"): "M is mega; write m for milli, as in 2.5mH",
    ("resistance", "m"): "m is milli; write M for mega, as in 2Mohm or 2megohm",
    ("conductance", "M"): "M is mega; write m for milli, as in 0.65mS",
    ("voltage", "M"): "M is mega; write m for milli, as in 20mV",
    ("length", "M"): "M is mega; write m for metre or milli, as in 32mm",
    ("time", "M"): "M is mega; write m for milli, as in 20ms",
}
_SPELLED = re.compile(r"mega|milli|micro", re.IGNORECASE)
# The trade's own abbreviations mean one thing in any case: MMF on an old diagram is not mega-anything.
_TRADE = frozenset({"mmf", "mmfd", "mmfds", "mfd", "mfds", "meg", "megs", "megohm", "megohms", "mil", "mils"})


class CaseTrapError(QuantityError):
    """The prefix may be in the wrong case; the message says what to write."""


@cache
def _registry() -> Any:
    import pint

    # None keeps pint from reading the definitions it ships.
    registry: Any = pint.UnitRegistry(None, cache_folder=None)
    registry.load_definitions(_DEFINITIONS.strip().splitlines())
    return registry


@cache
def _kind_of(dimensionality: str) -> Kind | None:
    for kind in KINDS:
        if str(_registry().Unit(BASE[kind]).dimensionality) == dimensionality:
            return kind
    return None


@cache
def _any_case(kind: Kind) -> dict[str, tuple[str, ...]]:
    spellings: dict[str, tuple[str, ...]] = {}
    for name in _NAMES[kind]:
        for prefix in _PREFIXES:
            text = prefix + name
            spellings[text.lower()] = (*spellings.get(text.lower(), ()), text)
    return spellings


def _lookup(unit: str) -> tuple[Kind | None, Decimal] | None:
    """Kind and factor to SI of a unit; None where there is no such unit."""
    import pint

    registry = _registry()
    try:
        quantity = registry.Quantity(1.0, registry.parse_units(unit))
        kind = _kind_of(str(quantity.dimensionality))
        if kind is None:
            return None, Decimal(1)
        return kind, Decimal(f"{quantity.to(BASE[kind]).magnitude:.12g}")
    except (pint.errors.PintError, AttributeError, ValueError, TypeError, OverflowError):
        return None


@lru_cache(maxsize=1024)
def factor(unit: str, kind: Kind) -> Decimal:
    """Factor from a written unit to SI.

    Raises
    ------
    QuantityError
        Unknown unit, a unit of something else, or a prefix whose case makes it doubtful. The message starts with the
        unit, so the caller puts the whole text before it.
    """
    unit = unit.lower() if unit.lower() in _TRADE else unit
    found = _lookup(unit)
    if found is None:
        same = _any_case(kind).get(unit.lower(), ())
        same = tuple(text for text in same if text[0] == unit[0]) or same
        if not same:
            raise QuantityError(f"{unit!r} is no unit of {kind} here")
        found = _lookup(same[0])
    if found is None or found[0] is None:
        raise QuantityError(f"{unit!r} is no unit of {kind} here")
    if found[0] != kind:
        article = "an" if found[0][0] in "aeiou" else "a"
        wanted = "an" if kind[0] in "aeiou" else "a"
        raise QuantityError(f"that is {article} {found[0]}, and {wanted} {kind} is wanted")
    trap = _CASE_TRAPS.get((kind, unit[0]))
    if trap is not None and unit not in _TRADE and not _SPELLED.match(unit):
        raise CaseTrapError(trap)
    return found[1]
