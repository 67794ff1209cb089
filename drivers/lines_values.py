"""Reply lines of a described instrument to values, strictly. Pure: lines in, numbers out, no ports."""

from __future__ import annotations

import itertools
import re
from collections.abc import Mapping, Sequence

import numpy as np

from drivers.boundary import quote
from drivers.decimals import decimal
from drivers.description import FREQUENCY_UNITS, Column, Reply
from drivers.errors import Misuse, ProtocolError
from drivers.roles import Complexes, Floats, Sweep

LONGEST_LINE = 65536
# No frequency, size or angle is larger, in any unit.
_LARGEST = 1e15

# Beyond these a column holds something else than what is described.
_SENSIBLE: Mapping[Column, tuple[float, float]] = {
    "magnitude": (0.0, 10.0),
    "db": (-200.0, 20.0),
    "return_loss_db": (-20.0, 200.0),
    # Angles may have been unwrapped along the sweep.
    "angle": (-200.0 * np.pi, 200.0 * np.pi),
}
# Two sweeps may differ by so many times their median difference; Rayleigh noise passes 5 times it once in 3·10^7 points.
_NOISE_FACTOR = 20.0
# But not by this in the middle: noise of 0.012 in each quadrature, far above any analyzer's.
_MOST_NOISE = 0.02
# And by a last digit or two of a coarse instrument (0.1 degrees is 0.0017).
_ROUNDING = 5e-3


def is_comment(line: bytes, reply: Reply) -> bool:
    """Whether a line carries no values by the description."""
    return bool(reply.comment) and line.lstrip().startswith(reply.comment.encode("ascii"))


def split_line(line: bytes, separator: str) -> list[bytes]:
    """The values of a line; a blank as separator stands for any run of blanks."""
    if separator == " ":
        return line.split()
    return [word.strip() for word in line.split(separator.encode("ascii"))]


def parse_line(line: bytes, reply: Reply, before: int, wanted: int) -> list[float]:
    """The values of one line; ignored columns count as 0.

    Parameters
    ----------
    before, wanted : int
        How many values came before, and how many there will be in all.

    Raises
    ------
    ProtocolError
        The line has too few or too many values, or one of them is not a finite number; it is quoted.
    """
    words = split_line(line, reply.separator)
    due = min(reply.per_line, wanted - before)
    number = before // reply.per_line + 1
    if len(words) != due:
        parted = {" ": "blanks part", "\t": "a tab parts"}.get(reply.separator, f"{reply.separator!r} parts")
        hint = f" The description says that {parted} them." if due > 1 else ""
        raise ProtocolError(f"line {number} should have {due} values: {quote(line)}.{hint}")
    out: list[float] = []
    for at, word in enumerate(words, before):
        if reply.columns[at % len(reply.columns)] == "-":
            out.append(0.0)
            continue
        value = decimal(word)
        if value is None or abs(value) > _LARGEST:
            raise ProtocolError(f"value {at - before + 1} of line {number} is not a number: {quote(line)}.")
        out.append(value)
    return out


def to_columns(values: Sequence[float], reply: Reply) -> dict[Column, Floats]:
    """Columns (n,) out of all values of a reply in the order they came, in SI (Hz, radians)."""
    table = np.array(values, np.float64).reshape(-1, len(reply.columns))
    out: dict[Column, Floats] = {}
    for at, column in enumerate(reply.columns):
        if column == "-":
            continue
        data = table[:, at].copy()
        if column == "frequency":
            data *= FREQUENCY_UNITS[reply.frequency_unit]
        elif column == "angle" and reply.angle_unit == "degrees":
            data = np.deg2rad(data)
        out[column] = data
    return out


def reflection(columns: Mapping[Column, Floats]) -> Complexes:
    """Complex reflection (n,) out of whichever columns came."""
    for name, (low, high) in _SENSIBLE.items():
        data = columns.get(name)
        if data is not None and np.any((data < low) | (data > high)):
            worst = data[int(np.argmax(np.maximum(low - data, data - high)))]
            raise ProtocolError(
                f"a value of {worst:.6g} for {name} cannot be.",
                hint="Check columns and units in the description.",
            )
    if "real" in columns:
        out: Complexes = columns["real"] + 1j * columns["imaginary"]
        return out
    if "magnitude" in columns:
        size = columns["magnitude"]
    elif "db" in columns:
        size = 10.0 ** (columns["db"] / 20.0)
    else:
        size = 10.0 ** (-columns["return_loss_db"] / 20.0)
    return np.asarray(size * np.exp(1j * columns["angle"]), np.complex128)


def mean_of_two(first: Sweep, second: Sweep) -> Complexes:
    """The mean of two sweeps (n,) of the same thing, if they agree up to their own noise.

    Points that stand out from what the two otherwise differ by are a fault of the wire.
    """
    if not np.array_equal(first.f_hz, second.f_hz):
        raise ProtocolError("two sweeps of the same range had different frequencies.")
    apart = np.abs(first.s11 - second.s11)
    usual = float(np.median(apart))
    if usual > _MOST_NOISE:
        raise ProtocolError(
            f"two sweeps of the same range differ by {usual:.2g} on the way.",
            hint="Keep the set still while it is read; shield the instrument from a strong station.",
        )
    allowed = max(_NOISE_FACTOR * usual, _ROUNDING)
    if np.any(apart > allowed):
        at = int(np.argmax(apart))
        raise ProtocolError(
            f"two sweeps differ by {apart[at]:.3g} at {first.f_hz[at]:.9g} Hz, elsewhere by {usual:.2g}."
        )
    out: Complexes = 0.5 * (first.s11 + second.s11)
    return out


def pieces(points: int, most: int) -> list[tuple[int, int]]:
    """First and one past the last point of each sweep when `points` must be cut into sweeps of at most `most`.

    A sweep has two points at least, so the last may begin on a point that is there already.
    """
    count = -(-points // most)
    edges = [round(k * points / count) for k in range(count + 1)]
    return [(max(0, min(a, b - 2)), b) for a, b in itertools.pairwise(edges)]


def sweep_numbers(start_hz: float, stop_hz: float, points: int) -> dict[str, float]:
    """Every number that a sweep command may name."""
    ends = {
        "start": start_hz,
        "stop": stop_hz,
        "center": (start_hz + stop_hz) / 2.0,
        "span": stop_hz - start_hz,
        "step": (stop_hz - start_hz) / (points - 1),
    }
    numbers = {
        f"{name}_{unit}": value / factor
        for name, value in ends.items()
        for unit, factor in (("hz", 1.0), ("khz", 1e3), ("mhz", 1e6))
    }
    return {**numbers, "points": float(points), "steps": float(points - 1)}


def sent_grid(commands: Sequence[str], filled: Mapping[str, float], points: int) -> Floats | None:
    """The frequencies that the numbers in the commands mean, as they were rounded; None when they do not tell.

    Parameters
    ----------
    commands : sequence of str
        Templates.
    filled : mapping
        The numbers as written, by name.
    """
    used = set(re.findall(r"\{([a-z_]+)\}", " ".join(commands)))

    def end(name: str) -> float | None:
        for unit, factor in (("hz", 1.0), ("khz", 1e3), ("mhz", 1e6)):
            if f"{name}_{unit}" in used:
                return filled[f"{name}_{unit}"] * factor
        return None

    start, stop, center, span, step = (end(name) for name in ("start", "stop", "center", "span", "step"))
    if start is not None and stop is not None:
        return np.linspace(start, stop, points)
    if center is not None and span is not None:
        return np.linspace(center - span / 2.0, center + span / 2.0, points)
    if start is not None and step is not None:
        return np.asarray(start + step * np.arange(points), np.float64)
    if start is not None and span is not None:
        return np.linspace(start, start + span, points)
    return None


def checked_grid(asked: Floats, told: Floats) -> Floats:
    """The frequencies that the instrument told, if they are those of the sweep."""
    gap = np.min(np.diff(asked))
    if np.any(np.abs(told - asked) >= 0.5 * gap) or np.any(np.diff(told) <= 0):
        at = int(np.argmax(np.abs(told - asked)))
        raise ProtocolError(
            f"the frequencies are not those of the sweep: {told[at]:.9g} Hz came for {asked[at]:.9g} Hz."
        )
    return told


def require_grid(grid: Floats | None, told: Floats | None, asked: Floats) -> Floats:
    """The frequencies of a sweep: told by the instrument, or implied by what it was asked for."""
    if told is not None:
        return checked_grid(asked, told)
    if grid is None:
        raise Misuse(
            "neither the commands nor the reply tell the frequencies.",
            hint="Fill in start and stop, or describe the column that holds the frequency.",
        )
    return grid
