"""Which free list of frequencies tells the most of a resonance for the fewest points.

What a list tells is its Fisher information on ln Q (the bound of Cramer and Rao), by the same model as in
`sweep_design.py`. With the place known it is most where points sit in three groups, at the middle and at 1.73
half-bandwidths on either side (k 4.00 against 4.26 of the best even sweep); with the place in doubt the groups spread. The
weights of a fine grid of candidates are found by the multiplicative algorithm for optimal designs (Titterington, 1978;
Silvey, Titterington and Torsney, 1978; from memory), the mean variance over the samples of a belief being what is made
small. A share of the points is spread evenly all the same: three groups alone could not show that there are two
resonances, or that the resonance is beside them.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.physics import sweep_design as design
from bench.physics.resonance_fit import Floats
from bench.physics.sweep_design import Belief

CANDIDATES = 120
SAMPLES = 24
STEPS = 30
EVEN = 0.3  # share of the points that is spread evenly
REACH = 3.0  # half-bandwidths beyond the doubt about the place that they are spread over
POINTS = (11, 12, 13, 14, 15, 16, 17, 18, 19, 20, 21, 23, 25, 27, 29, 31, 33, 35, 37, 39, 41, 45, 49, 53, 57)
MORE_POINTS = (61, 67, 73, 81, 91, 101, 121, 151, 201)
# Relative step of a first look over a band: a resonance of Q 300 still shows through its skirts.
COARSE_STEP = 0.04


@dataclass(frozen=True, eq=False)
class Listed:
    """A sweep at a free list of frequencies (n,), rising, in Hz."""

    f_hz: Floats

    @property
    def start_hz(self) -> float:
        return float(self.f_hz[0])

    @property
    def stop_hz(self) -> float:
        return float(self.f_hz[-1])

    @property
    def points(self) -> int:
        return len(self.f_hz)

    @property
    def step(self) -> float:
        """The largest step, as a part of the frequency."""
        return float(np.diff(np.log(self.f_hz)).max()) if len(self.f_hz) > 1 else np.inf


def next_list(
    belief: Belief,
    known_hz: Floats,
    goal: float,
    limits_hz: tuple[float, float],
    most_points: int,
    sweep_cost: float = design.SWEEP_COST,
    fewest: int = design.FEWEST_ACROSS,
) -> Listed:
    """The list that is expected to reach `goal` (relative u of Q) with the fewest points; as `sweep_design.next_sweep`."""
    choices = [n for n in (*POINTS, *MORE_POINTS) if n <= most_points] or [most_points]
    # Where the place is much in doubt even steps are best, and they are a list too.
    even = design.next_sweep(belief, known_hz, goal, limits_hz, most_points, sweep_cost, fewest)
    f_hz = even.f_hz
    prospect = design.Prospect(belief, known_hz, goal, sweep_cost, fewest)
    best = (prospect.cost(f_hz)[0], f_hz)
    cells, density = spread(belief, known_hz, limits_hz, choices[len(choices) // 3])
    for n in choices:
        if n >= best[0]:
            break
        f_hz = drawn(cells, density, n)
        cost, further = prospect.cost(f_hz)
        if cost < best[0]:
            best = (cost, f_hz)
        if further < design.SELDOM:
            break
    return Listed(best[1])


def spread(
    belief: Belief, known_hz: Floats, limits_hz: tuple[float, float], points: int
) -> tuple[Floats, Floats]:
    """Edges of cells (m + 1,) in Hz, and the share of the points (m,) that each should have, of a list of about `points`."""
    half = REACH * belief.half_hz + belief.spread_hz
    low, high = max(belief.centre_hz - half, limits_hz[0]), min(belief.centre_hz + half, limits_hz[1])
    if not low < high:
        low, high = limits_hz
    cells = np.linspace(low, high, CANDIDATES + 1)
    f_hz = 0.5 * (cells[:-1] + cells[1:])
    few = slice(None, None, max(1, len(belief.f0_hz) // SAMPLES))
    samples = Belief(belief.f0_hz[few], belief.h_hz[few], belief.b[few], belief.noise)
    gain, columns = design.gain_of(samples), design.shown_at(samples, f_hz)
    known = design.known_information(samples, known_hz)
    across = columns.conj().swapaxes(1, 2).copy()
    share = np.full(CANDIDATES, 1.0 / CANDIDATES)
    for _ in range(STEPS):
        mixed = (1 - EVEN) * share + EVEN / CANDIDATES
        toward = np.linalg.solve(known + (across * (points * mixed)) @ columns, gain[..., None])
        falls = np.abs((columns @ toward)[..., 0]) ** 2
        share = share * np.sqrt(falls.mean(axis=0))
        share /= share.sum()
    return cells, (1 - EVEN) * share + EVEN / CANDIDATES


def drawn(cells: Floats, share: Floats, points: int) -> Floats:
    """`points` frequencies (n,) that fill cells (edges (m + 1,)) by their shares (m,)."""
    filled = np.concatenate([[0.0], np.cumsum(share)]) / share.sum()
    at = (np.arange(points) + 0.5) / points
    f_hz: Floats = np.interp(at, filled, cells)
    return f_hz


def coarse_list(low_hz: float, high_hz: float, most_points: int) -> Listed:
    """A first look at a band, every step the same part of the frequency: a given Q shows equally well everywhere."""
    wanted = int(np.ceil(np.log(high_hz / low_hz) / COARSE_STEP)) + 1
    return Listed(np.geomspace(low_hz, high_hz, min(max(wanted, 15), most_points)))


def between(coarse: Listed, turn: int, most_points: int) -> Listed:
    """The coarse look again, its points between those of the looks before."""
    if turn == 0:
        return coarse
    logs = np.log(coarse.f_hz)
    step = logs[1] - logs[0]
    if turn == 1:
        return Listed(np.exp(logs[:-1] + 0.5 * step))
    shift = step * (0.25 if turn == 2 else 0.11 * turn)
    points = min(most_points, 2 * len(logs))
    return Listed(np.exp(np.linspace(logs[0] + shift, logs[-1] - 0.1 * step, points)))
