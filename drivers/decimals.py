"""A decimal number as instruments write it, strictly."""

from __future__ import annotations

import re

_NUMBER = re.compile(rb"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d{1,3})?")
_LONGEST = 64


def decimal(word: bytes) -> float | None:
    """The number, which may be infinite where its exponent is too large; None where the word is anything else."""
    return float(word) if len(word) <= _LONGEST and _NUMBER.fullmatch(word) else None
