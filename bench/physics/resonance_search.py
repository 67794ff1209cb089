"""Where in a sweep is a resonance? A matched filter over place and width.

The shape 1/(1 + j(f - f0)/h) is laid over the sweep at every place and for widths from the point spacing to a third of
the sweep, each time in a stretch of a few bandwidths from which a straight background is taken out. What is left of the
data along the shape, squared and over the noise variance, is chi-squared with two degrees of freedom where there is only
noise.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import sparse

from bench.physics.resonance_fit import Axis, Complexes, Floats, shape

REACH = 6.0  # half-bandwidths each side that a template looks at
WIDTH_STEP = 1.9
FEWEST = 7  # points a template needs


@dataclass(frozen=True, eq=False)
class Templates:
    """m templates on n points: `filter` (m, n) sparse, of unit length; `x0` and `h` (m,) on the axis' scale.

    `size` (m,): length of each shape before it was made unit, so that |response|/size is about |b|.
    """

    filter: sparse.csr_array
    x0: Floats
    h: Floats
    size: Floats

    def response(self, s: Complexes) -> Complexes:
        """What of each sweep lies along each template: (m, k) of s (k, n)."""
        found: Complexes = np.asarray(self.filter @ s.T)
        return found


def templates(axis: Axis) -> Templates:
    """All templates that the points of an axis can carry."""
    x = axis.x
    spacing = np.diff(x)
    # The wider of a point's two gaps: a shape must not fall between points.
    gap = np.maximum(np.append(spacing, spacing[-1]), np.insert(spacing, 0, spacing[0]))
    h = 0.6 * float(spacing.min())
    places, widths = [np.empty(0)], [np.empty(0)]
    while h < 0.7:
        carried = gap < 2.0 * h
        if carried.any():
            places.append(_places(x, x[carried], h))
            widths.append(np.full(len(places[-1]), h))
        h *= WIDTH_STEP
    return _shapes(x, np.concatenate(places), np.concatenate(widths))


def _places(x: Floats, near: Floats, h: float) -> Floats:
    """Centres of templates of one width, on a grid of 0.9 h wherever points are near (m,)."""
    pitch = 0.9 * h
    cells = np.unique(np.concatenate([np.floor(near / pitch), np.floor(near / pitch + 0.5)]))
    places = (cells + 0.5) * pitch
    inside: Floats = places[(places >= x[0] - 0.2 * h) & (places <= x[-1] + 0.2 * h)]
    return inside


def _shapes(x: Floats, places: Floats, h: Floats) -> Templates:
    """Templates at `places` of widths `h` (m,), less those that too few points would carry."""
    start = np.searchsorted(x, places - REACH * h, side="left")
    stop = np.searchsorted(x, places + REACH * h, side="right")
    enough = stop - start >= FEWEST
    places, h, start, stop = places[enough], h[enough], start[enough], stop[enough]
    if not len(places):
        empty = np.empty(0)
        return Templates(sparse.csr_array((0, len(x)), dtype=complex), empty, empty, empty)
    count = stop - start
    first = np.concatenate([[0], np.cumsum(count)])
    row = np.repeat(np.arange(len(places)), count)
    column = np.arange(first[-1]) - first[row] + start[row]
    values = shape(x[column], places[row], h[row])
    values = _without_line(values, (x[column] - places[row]) / h[row], row, first, count)
    length = np.sqrt(np.add.reduceat(np.abs(values) ** 2, first[:-1]))
    values /= np.maximum(length, 1e-12)[row]
    matrix = sparse.csr_array((values.conj(), column, first), shape=(len(places), len(x)))
    return Templates(matrix, places, h, np.maximum(length, 1e-12))


def _without_line(
    values: Complexes, y: Floats, row: NDArray[np.int_], first: NDArray[np.int_], count: NDArray[np.int_]
) -> Complexes:
    """Each row's values less their best straight line in y."""
    starts = first[:-1]

    def mean(a: Complexes | Floats) -> Complexes | Floats:
        return np.add.reduceat(a, starts) / count

    y = y - np.asarray(mean(y)).real[row]
    values = values - mean(values)[row]
    slope = mean(y * values) / np.maximum(np.asarray(mean(y * y)).real, 1e-300)
    found: Complexes = values - slope[row] * y
    return found


def peaks(found: Templates, power: Floats, most: int) -> NDArray[np.int_]:
    """The templates with the largest `power` (m,) that are well apart, largest first: indices."""
    kept: list[int] = []
    for index in np.argsort(power)[::-1][: 40 * most]:
        apart = all(
            abs(found.x0[index] - found.x0[k]) > 2.0 * max(found.h[index], found.h[k])
            or not 0.3 < found.h[index] / found.h[k] < 3.4
            for k in kept
        )
        if apart:
            kept.append(int(index))
            if len(kept) == most:
                break
    return np.array(kept, dtype=int)


def prominence(found: Templates, power: Floats) -> Floats:
    """Power of each template over the median of its own width: (m,).

    A bent background fills all wide templates; a resonance narrower than its bends stands out among the narrow ones.
    """
    over = np.zeros(len(power))
    for h in np.unique(found.h):
        level = found.h == h
        over[level] = power[level] / max(float(np.median(power[level])), 1e-300)
    return over
