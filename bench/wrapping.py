"""Sentences broken to the width of an eighty-column terminal."""

from __future__ import annotations

import re
import textwrap

COLUMNS = 80
# A letter of no alphabet, in place of a space that must not become a line's end.
_HELD = "\ue000"
_OPTION = re.compile(r"(--[a-z][\w-]*) (?=[\w.])")
_VALUE = re.compile(
    r"(?<=[\d)]) (?=\d{3}(?!\d)|±|%|[kMmµnp]?(?:Hz|c|F|H|ohm|m|S|V)\b|mmf\b|deg\b)|(?<=±) (?=\d)"
)


def wrapped(text: str, indent: str = "  ", hang: str = "") -> str:
    """`text` within 80 columns, `indent` before each line and `hang` more before all but the first.

    An option and its value stay together, and so do a number, its uncertainty and its unit.
    """
    filled = textwrap.fill(
        _VALUE.sub(_HELD, _OPTION.sub(rf"\1{_HELD}", text)),
        COLUMNS - 1,
        initial_indent=indent,
        subsequent_indent=indent + hang,
        break_long_words=False,
        break_on_hyphens=False,
    )
    return filled.replace(_HELD, " ")
