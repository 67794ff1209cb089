"""Scales that one can read off: a smooth law between given points, and round marks along it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Mark:
    """One graduation: `rank` 0 carries a number, 1 is a long stroke, 2 a short one."""

    value: float
    place: float
    rank: int


def smooth(x: Sequence[float] | Floats, y: Sequence[float] | Floats, at: Any) -> Floats:
    """Monotone piecewise cubic through points, straight beyond them.

    Parameters
    ----------
    x : array, shape (n,)
        Strictly increasing, n at least 1.
    y : array, shape (n,)
    at : array

    Returns
    -------
    array
        Where the points only rise or only fall, so does the curve: no swing between them
        (Fritsch and Carlson, SIAM J. Numer. Anal. 17 (1980) 238; slopes by the weighted harmonic mean of
        Fritsch and Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300).
    """
    xs = np.asarray(x, dtype=float)
    ys = np.asarray(y, dtype=float)
    q = np.asarray(at, dtype=float)
    if len(xs) == 1:
        return np.full(q.shape, ys[0])
    h = np.diff(xs)
    s = np.diff(ys) / h
    slope = np.empty_like(xs)
    if len(xs) == 2:
        slope[:] = s[0]
    else:
        w1 = 2 * h[1:] + h[:-1]
        w2 = h[1:] + 2 * h[:-1]
        same = s[:-1] * s[1:] > 0
        safe_a = np.where(same, s[:-1], 1.0)
        safe_b = np.where(same, s[1:], 1.0)
        slope[1:-1] = np.where(same, (w1 + w2) / (w1 / safe_a + w2 / safe_b), 0.0)
        slope[0] = _end_slope(h[0], h[1], s[0], s[1])
        slope[-1] = _end_slope(h[-1], h[-2], s[-1], s[-2])
    i = np.clip(np.searchsorted(xs, q, side="right") - 1, 0, len(h) - 1)
    t = (q - xs[i]) / h[i]
    inside = (
        ys[i] * (1 + 2 * t) * (1 - t) ** 2
        + slope[i] * h[i] * t * (1 - t) ** 2
        + ys[i + 1] * t**2 * (3 - 2 * t)
        + slope[i + 1] * h[i] * t**2 * (t - 1)
    )
    below = ys[0] + slope[0] * (q - xs[0])
    above = ys[-1] + slope[-1] * (q - xs[-1])
    return np.asarray(np.where(q < xs[0], below, np.where(q > xs[-1], above, inside)), dtype=float)


def curve(points: Iterable[tuple[float, float | None]]) -> tuple[Floats, Floats]:
    """Known points in order, one for each x, as `smooth` needs them."""
    known = {x: y for x, y in points if y is not None}
    xs = sorted(known)
    return np.array(xs, dtype=float), np.array([known[x] for x in xs], dtype=float)


def _end_slope(h0: float, h1: float, s0: float, s1: float) -> float:
    slope = ((2 * h0 + h1) * s0 - h0 * s1) / (h0 + h1)
    if slope * s0 <= 0:
        return 0.0
    if s0 * s1 <= 0 and abs(slope) > 3 * abs(s0):
        return 3 * s0
    return float(slope)


# How a step may be divided further: (parts, mantissa of the new step), finest first.
_DIVISIONS: dict[int, tuple[tuple[int, int], ...]] = {
    1: ((10, 1), (5, 2), (2, 5)),
    2: ((20, 1), (10, 2), (4, 5), (2, 1)),
    5: ((50, 1), (25, 2), (10, 5), (5, 1)),
}
# The next coarser step whose multiples get a longer stroke, in units of the step's own power of ten.
_LONGER = {1: 5, 2: 10, 5: 10}


def round_marks(
    low: float,
    high: float,
    place: Callable[[Floats], Floats],
    *,
    stroke_gap: float,
    number_gap: float,
    whole: bool = False,
) -> list[Mark]:
    """Round values along a scale that need not be even, graduated like a slide rule.

    Parameters
    ----------
    low, high : float
        Ends of the scale, in the unit in which values are to be round; both positive or zero.
    place : callable
        Position along the scale, monotone; any unit of length.
    stroke_gap, number_gap : float
        Least distance of neighbouring strokes and of neighbouring numbers.
    whole : bool
        Only whole values, as on a dial of numbered divisions.

    Returns
    -------
    list of Mark
        In order of value. Within a section between two numbered values the step is the same.
    """
    if not (math.isfinite(low) and math.isfinite(high)) or high <= low:
        return []
    top = math.floor(math.log10(high)) + 1
    numbered = _divide(low, high, place, top, number_gap, whole)
    if len(numbered) < 2:
        numbered = _divide(low, high, place, top, number_gap / 2, whole)
    stroked = _divide(low, high, place, top, stroke_gap, whole)
    values = sorted(set(numbered) | set(stroked), key=_value)
    if not values:
        return []
    places = dict(zip(values, map(float, place(np.array([_value(v) for v in values]))), strict=True))
    ranks = {}
    for key in values:
        if key in numbered:
            ranks[key] = 0
        else:
            exponent, mantissa = stroked[key]
            ranks[key] = 1 if _is_multiple(key, _LONGER[mantissa], exponent) else 2
    _fill(ranks, places, number_gap)
    return [Mark(_value(key), places[key], rank) for key, rank in ranks.items()]


def _fill(ranks: dict[Key, int], places: dict[Key, float], gap: float) -> None:
    """Number the roundest long stroke wherever there is room for one between two numbers."""
    keys = list(ranks)
    done = False
    while not done:
        done = True
        numbered = [i for i, key in enumerate(keys) if ranks[key] == 0]
        for a, b in pairwise(numbered):
            first, last = places[keys[a]], places[keys[b]]
            fits = [
                key
                for key in keys[a + 1 : b]
                if ranks[key] == 1 and min(abs(places[key] - first), abs(places[key] - last)) >= gap
            ]
            if fits:
                off = [(-key[1], abs(places[key] - (first + last) / 2), key) for key in fits]
                ranks[min(off)[2]] = 0
                done = False


Key = tuple[int, int]  # integer and power of ten: values are compared exactly, not as floats


def _value(key: Key) -> float:
    n, e = key
    return n * 10.0**e if e >= 0 else n / 10.0**-e


def _normal(n: int, e: int) -> Key:
    while n and n % 10 == 0:
        n, e = n // 10, e + 1
    return (n, e) if n else (0, 0)


def _is_multiple(key: Key, of: int, exponent: int) -> bool:
    n, e = key
    return e >= exponent and (n * 10 ** (e - exponent)) % of == 0


def _divide(
    low: float,
    high: float,
    place: Callable[[Floats], Floats],
    top: int,
    gap: float,
    whole: bool,
) -> dict[Key, tuple[int, int]]:
    """Marks at least `gap` apart, each with the finest step (exponent, mantissa) beside it."""
    found: dict[Key, tuple[int, int]] = {}
    slack = 1e-9 * (high - low)

    def inside(keys: list[Key]) -> list[Key]:
        return [k for k in keys if low - slack <= _value(k) <= high + slack]

    def descend(start: int, exponent: int, mantissa: int) -> None:
        # the section runs from start to start + mantissa, in units of 10**exponent
        for parts, new_mantissa in _DIVISIONS[mantissa]:
            shift = 0 if mantissa * 1.0 / parts == new_mantissa else 1
            new_exponent = exponent - shift
            if whole and new_exponent < 0:
                continue
            first = start * 10**shift
            keys = [_normal(first + i * new_mantissa, new_exponent) for i in range(parts + 1)]
            shown = inside(keys)
            if len(shown) > 1:
                places = place(np.array([_value(k) for k in shown]))
                if np.min(np.abs(np.diff(places))) < gap:
                    continue
            elif not shown and not (_value(keys[0]) <= low and high <= _value(keys[-1])):
                return
            step = (new_exponent, new_mantissa)
            for k in shown:
                found[k] = min(found.get(k, step), step)
            if exponent > top - 9:
                for i in range(parts):
                    a, b = _value(keys[i]), _value(keys[i + 1])
                    if b > low and a < high:
                        descend(first + i * new_mantissa, new_exponent, new_mantissa)
            return

    descend(0, top, 1)
    return found
