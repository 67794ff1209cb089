"""Sweeps of more points than a fit needs: which stretches of them to look at, and how finely.

Of a hundred thousand points the careful look wants a few thousand, near the resonance. Where that is, is told by blocks of
neighbours: over a stretch much shorter or much longer than the resonance is wide S is a straight line and noise, or the
resonance is lost in the noise; in between a block's misfit of a straight line stands out. So blocks of the sweep itself, of
means of two neighbours, of four and so on are compared with the usual block of their kind.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from bench.physics.resonance_fit import Complexes, Floats

MANY = 2048  # points up to which a sweep is looked at as it is
BLOCK = 16
# Misfit over the usual one. White noise reaches 1 + 6.5 standard deviations of chi-squared with about 26 degrees, less than
# once in a hundred sweeps of 100,000 points.
STANDS_OUT = 2.8
GROUP = (
    64  # blocks among which one is compared: noise and a cable's turns are not the same all over a wide sweep
)
FINER = 16  # times finer than where a block stands out: such a block is 4 to 8 half-bandwidths wide
# Means of half-bandwidths over this differ from S in the middle of their points by (1/50)²/12 of the circle at the most.
IN_HALF_WIDTH = 50
MOST_PARTS = 3

Values = TypeVar("Values", Floats, Complexes)


@dataclass(frozen=True)
class Part:
    """Points `low` to `high` of a sweep, to be looked at as means of `by` neighbours."""

    low: int
    high: int
    by: int

    def of(self, f_hz: Floats, s: Values) -> tuple[Floats, Values]:
        """Means of a sweep (n,), (n,) in this part."""
        return means(f_hz[self.low : self.high], self.by), means(s[self.low : self.high], self.by)

    def finer(self, f_hz: Floats, f0_hz: float, h_hz: float) -> Part | None:
        """Where and how finely to look again at a resonance seen in this part; None where it was fine enough."""
        low, at, high = np.searchsorted(f_hz, [f0_hz - h_hz, f0_hz, f0_hz + h_hz])
        by = max(1, int(high - low) // (2 * IN_HALF_WIDTH))
        return _around(int(at), by, len(f_hz)) if 2 * by <= self.by else None


def _around(middle: int, by: int, points: int) -> Part:
    half = min(MANY * by, points) // 2
    low = int(np.clip(middle - half, 0, points - 2 * half))
    return Part(low, low + 2 * half, by)


def means(values: Values, by: int) -> Values:
    """Means of `by` neighbours (n // by,); up to by - 1 values at the end are left out."""
    if by == 1:
        return values
    n = len(values) // by
    mean: Values = values[: n * by].reshape(n, by).mean(axis=1)
    return mean


def parts(s: Complexes) -> list[Part]:
    """Stretches of a sweep (n,) to look at, each of at most `MANY` means: those where a block stands out, then the whole."""
    n = len(s)
    coarsest = -(-n // MANY)
    whole = Part(0, n, coarsest)
    found: list[Part] = []
    seen: list[tuple[float, int, int]] = []
    by = 1
    while n // by >= 8 * BLOCK:
        misfit = _misfit(means(s, by))
        over = misfit / np.maximum(_usual(misfit), 1e-300)
        for i in np.argsort(over)[::-1][: 8 * MOST_PARTS]:
            if over[i] > STANDS_OUT:
                # Blocks overlap by half.
                seen.append((float(over[i]), (int(i) + 1) * BLOCK * by // 2, by))
        by *= 2
    for _, middle, by in sorted(seen, reverse=True):
        finer = max(1, by // FINER)
        if 2 * finer > coarsest or len(found) == MOST_PARTS or any(p.low <= middle < p.high for p in found):
            continue
        found.append(_around(middle, finer, n))
    return [*found, whole]


def _misfit(s: Complexes) -> Floats:
    """What a straight line leaves of each block, blocks overlapping by half (m,); the worst point of each does not count."""
    half = BLOCK // 2
    pieces = s[: len(s) // half * half].reshape(-1, half)
    blocks = np.concatenate([pieces[:-1], pieces[1:]], axis=1)
    t = np.arange(BLOCK) - 0.5 * (BLOCK - 1)
    blocks = blocks - blocks.mean(axis=1, keepdims=True)
    blocks = blocks - (blocks @ t / (t @ t))[:, None] * t
    power = blocks.real**2 + blocks.imag**2
    left: Floats = power.sum(axis=1) - power.max(axis=1)
    return left


def _usual(misfit: Floats) -> Floats:
    """The usual misfit around each block (m,): the largest median of its own and the next groups."""
    m = len(misfit)
    starts = range(0, max(m - GROUP // 2, 1), GROUP)
    medians = np.array([np.median(misfit[first : first + GROUP + GROUP // 2]) for first in starts])
    around = np.maximum(medians, np.maximum(np.roll(medians, 1), np.roll(medians, -1)))
    group: Floats = around[np.minimum(np.arange(m) // GROUP, len(medians) - 1)]
    return group
