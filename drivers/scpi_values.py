"""SCPI answers to values, strictly. Pure: bytes in, numbers out, no ports.

IEEE 488.2 chapter 8 (response messages): NR1, NR2 and NR3 numbers, definite-length arbitrary blocks; SCPI-1999 volume 1,
7.2.1.4 and 7.2.1.5: 9.9E37 stands for infinity, 9.91E37 for not a number. Whatever is not exactly the expected
answer raises `ProtocolError` that quotes it.
"""

from __future__ import annotations

import re
from typing import Literal

import numpy as np

from drivers.boundary import quote
from drivers.decimals import decimal
from drivers.errors import Misuse, ProtocolError
from drivers.roles import Floats

ByteOrder = Literal["normal", "swapped"]

_NUMBERS = re.compile(rb"[0-9eE+\-., \t]*")
_ERROR = re.compile(rb'\s*([+-]?\d{1,6})\s*,\s*"((?:[^"]|"")*)"\s*')
# Anything as large as SCPI's infinity is no measured value.
_INFINITY = 9.0e37


def format_number(value: float) -> str:
    """A decimal number as every SCPI device must take it (NRf)."""
    return f"{value:.15g}".upper()


def parse_number(answer: bytes) -> float:
    """One finite decimal number."""
    value = decimal(answer.strip())
    if value is None:
        raise ProtocolError(f"a number was expected, {quote(answer)} came.")
    if abs(value) >= _INFINITY:
        raise ProtocolError(f"a number was expected, the instrument sent its sign for none: {quote(answer)}.")
    return value


def parse_bool(answer: bytes) -> bool:
    """0 or 1 (OFF and ON are let pass)."""
    word = answer.strip().upper()
    if word not in (b"0", b"1", b"OFF", b"ON"):
        raise ProtocolError(f"0 or 1 was expected, {quote(answer)} came.")
    return word in (b"1", b"ON")


def parse_error(answer: bytes) -> tuple[int, str]:
    """An entry of the error queue: code and text; code 0 is none (SCPI-1999 volume 2, 21.8)."""
    hit = _ERROR.fullmatch(answer)
    if hit is None:
        raise ProtocolError(f"an error-queue entry was expected, {quote(answer)} came.")
    return int(hit[1]), hit[2].decode("ascii", "replace").replace('""', '"')


def parse_identity(answer: bytes) -> str:
    """What an instrument answers to *IDN? (IEEE 488.2, 10.14: four fields separated by commas)."""
    text = answer.strip()
    if not 3 <= len(text) <= 200 or any(byte < 32 or byte > 126 for byte in text) or text.count(b",") < 1:
        raise ProtocolError(
            f"the answer to *IDN? was {quote(answer)}.",
            hint="Check that this address belongs to an instrument that speaks SCPI.",
        )
    return text.decode("ascii")


def parse_numbers(answer: bytes, count: int) -> Floats:
    """Exactly `count` finite numbers separated by commas."""
    if _NUMBERS.fullmatch(answer) is None:
        bad = _NUMBERS.match(answer)
        at = bad.end() if bad else 0
        raise ProtocolError(
            f"numbers were expected, {quote(answer[max(0, at - 8) : at + 24])} is among them."
        )
    words = answer.split(b",")
    if len(words) != count:
        raise ProtocolError(f"{count} numbers were expected, {len(words)} came.")
    try:
        values = np.array([float(word) for word in words], np.float64)
    except ValueError as problem:
        raise ProtocolError(f"numbers were expected ({problem}).") from problem
    return _finite(values)


def parse_block(answer: bytes, count: int, order: ByteOrder = "normal") -> Floats:
    """Exactly `count` finite REAL,64 numbers in a definite-length block without its message end."""
    start = block_start(answer, count)
    if start is None or len(answer) != start + 8 * count:
        raise ProtocolError(
            f"a block of {8 * count} bytes was expected, {len(answer)} bytes came: {quote(answer[:16])}."
        )
    return _finite(
        np.frombuffer(answer, ">f8" if order == "normal" else "<f8", count, start).astype(np.float64)
    )


def block_start(answer: bytes, count: int) -> int | None:
    """Where the data begin in a block of `count` REAL,64 numbers; None while the head has not come whole.

    The announced length is checked before anything is read for it, so that a damaged head cannot ask for gigabytes.
    """
    head = b"#%d%d" % (len(str(8 * count)), 8 * count)
    if not head.startswith(answer[: len(head)]):
        # A length with leading zeros is also allowed.
        other = re.match(rb"#([1-9])(\d*)", answer)
        if other is None and answer not in (b"", b"#"):
            raise ProtocolError(f"a block was expected, {quote(answer[:16])} came.")
        if other is not None:
            digits = int(other[1])
            if len(other[2]) >= digits:
                length = int(other[2][:digits])
                if length != 8 * count:
                    raise ProtocolError(
                        f"a block of {8 * count} bytes was expected, one of {length} was announced."
                    )
                return 2 + digits
            if len(answer) >= 2 + digits:
                raise ProtocolError(f"a block was expected, {quote(answer[:16])} came.")
        return None
    return len(head) if len(answer) >= len(head) else None


def _finite(values: Floats) -> Floats:
    if not np.all(np.isfinite(values)) or np.any(np.abs(values) >= _INFINITY):
        at = int(np.flatnonzero(~np.isfinite(values) | (np.abs(values) >= _INFINITY))[0])
        raise ProtocolError(f"value {at + 1} of {len(values)} is not a number.")
    return values


def check_header(name: str, header: object) -> str:
    """A header given in a plan: printable, one line, no parameters smuggled in.

    Raises
    ------
    Misuse
        It is anything else.
    """
    if (
        not isinstance(header, str)
        or len(header) > 120
        or not re.fullmatch(r"[*:A-Za-z0-9\[\]_ ,\"'?@().-]*", header)
    ):
        raise Misuse(f"header {name} must be one short line of SCPI, not {header!r}.")
    return header
