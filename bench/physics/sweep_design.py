"""Where to sweep next: what a sweep has told so far, and which further sweep tells the most for the fewest points.

A coarse sweep is often far coarser than the resonance is wide, so that it tells where the resonance is but hardly how
wide. That knowledge is kept as weighted samples of (f0, half-bandwidth, circle); a next sweep is judged by the Fisher
information that it would add for each of them (the same model as in `resonance_fit.py`).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.polynomial.legendre import legvander
from numpy.typing import NDArray
from scipy.special import ndtr

from bench.physics.resonance import Resonance
from bench.physics.resonance_fit import Complexes, Floats, shape

MOST_BACKGROUND = 6
NODES_IN_GAP = 8
WIDTHS = 14
CIRCLE = 0.3  # usual size of b: what is expected before anything is known
SIGNIFICANT = 18.0  # of the logarithm of the likelihood, for a resonance among the nodes
SAMPLES = 60
SPANS = (2.9, 3.6, 4.5, 5.8, 7.5, 10.0, 14.0, 20.0)  # in whole bandwidths of the median sample
POINTS = (15, 17, 19, 21, 25, 29, 33, 37, 41, 47, 53, 61, 71, 81, 91, 101, 121, 151, 201)
SWEEP_COST = 15.0  # what a further sweep costs beside its own points, in points
FEWEST_ACROSS = 11  # points within three half-bandwidths each side
# Equally likely places of a normal distribution, in standard uncertainties.
PLACES = np.array([-1.8, -1.2, -0.7, -0.2, 0.2, 0.7, 1.2, 1.8])
BESIDE, BESIDE_NODES = 1.0, 240  # how far beside a sweep, in its own width, and how finely
SEEN = 1.3  # half-bandwidths that a sweep must reach beyond a resonance
UNKNOWNS = 8  # of a fit: background, slope and circle (complex), f0, width
SELDOM = 0.01  # a chance not worth more points
MARGIN = 0.9  # aim at this part of the goal, since the uncertainty itself is uncertain


@dataclass(frozen=True, eq=False)
class Belief:
    """What is known of the resonance: m samples of equal weight.

    `f0_hz`, `h_hz` (half-bandwidth), `b` (size of the circle) (m,); `noise` of one quadrature of S.
    """

    f0_hz: Floats
    h_hz: Floats
    b: Floats
    noise: float

    @property
    def centre_hz(self) -> float:
        return float(np.median(self.f0_hz))

    @property
    def spread_hz(self) -> float:
        """Reach of f0 each side of the centre that holds nearly all samples."""
        return float(np.quantile(np.abs(self.f0_hz - self.centre_hz), 0.95))

    @property
    def half_hz(self) -> float:
        return float(np.exp(np.median(np.log(self.h_hz))))


@dataclass(frozen=True)
class Plan:
    """A uniform sweep, both ends included."""

    start_hz: float
    stop_hz: float
    points: int

    @property
    def f_hz(self) -> Floats:
        """Its frequencies (n,), rising."""
        return np.linspace(self.start_hz, self.stop_hz, self.points)


def belief_of_guess(
    places_hz: Floats, q_loaded: float, q_share_u: float = 0.2, *, b: float = 0.15, noise: float = 1e-3
) -> Belief:
    """Belief from earlier readings: f0 at equally likely places (n,), loaded Q within `q_share_u` (relative, k = 1)."""
    place, width = np.meshgrid(places_hz, [-1.2, 0.0, 1.2])
    h = np.median(places_hz) / (2 * q_loaded) * np.exp(q_share_u * width.ravel())
    return Belief(place.ravel(), h, np.full(h.shape, b), noise)


def belief_of_fit(found: Resonance) -> Belief:
    """Belief from a fit that is good but not good enough."""
    f0, f0_u, q, q_u, back = found.f0_hz, found.f0_u_hz, found.q_loaded, found.q_loaded_u, found.background
    if f0 is None or f0_u is None or q is None or q_u is None or back is None:
        raise ValueError("there is no resonance in this fit")
    z = np.array([-1.2, 0.0, 1.2])
    place, width = np.meshgrid(z, z)
    samples = f0 + f0_u * place.ravel()
    h = f0 / (2 * q) * np.exp(min(q_u / q, 0.3) * width.ravel())
    return Belief(samples, h, np.full(samples.shape, abs(back.b)), max(back.noise, 1e-9))


def belief_of_sweep(
    f_hz: Floats, s: Complexes, q_range: tuple[float, float] = (12.0, 600.0)
) -> Belief | None:
    """What a sweep (n,), however coarse, tells of a resonance in it; None where it shows none.

    Likelihood on a grid of places and widths with a smooth complex background (a polynomial, after the sweep's mean
    rotation is taken out) and the circle integrated out.
    """
    gaps = np.diff(f_hz)
    x, s = _unturned(f_hz, s)
    places = (f_hz[:-1, None] + gaps[:, None] * (np.arange(NODES_IN_GAP) + 0.5) / NODES_IN_GAP).ravel()
    widths = 0.5 / np.geomspace(q_range[0], q_range[1], WIDTHS)
    basis, noise, poles = _background(x, f_hz, s, places, widths)
    rough = _likelihood(poles, noise)
    if rough.max() < SIGNIFICANT:
        return None
    near = places[rough.max(axis=1) > rough.max() - 12.0]
    gap_at = np.interp(near, f_hz[:-1], gaps)
    fine = np.unique((near[:, None] + gap_at[:, None] * np.linspace(-0.06, 0.06, 7)).ravel())
    poles = _poles(f_hz, s, basis, fine, widths)
    likelihood = _likelihood(poles, noise)
    weight = np.exp(likelihood - likelihood.max())
    # Nodes are not evenly spaced where gaps differ: each counts for the stretch that it stands for.
    weight *= np.gradient(fine)[:, None] if len(fine) > 1 else 1.0
    return _sampled(poles, noise, fine, widths, weight)


def belief_beside(f_hz: Floats, s: Complexes, before: Belief) -> Belief | None:
    """What the skirts in a sweep (n,) tell of a resonance that was expected in it and is beside it; None for nothing.

    As `belief_of_sweep`, over places outside and with the width that is expected.
    """
    x, s = _unturned(f_hz, s)
    span = float(f_hz[-1] - f_hz[0])
    places = np.linspace(f_hz[0] - BESIDE * span, f_hz[-1] + BESIDE * span, BESIDE_NODES)
    widths = before.half_hz / before.centre_hz * np.exp(np.linspace(-0.3, 0.3, 5))
    _, noise, poles = _background(x, f_hz, s, places, widths)
    likelihood = _likelihood(poles, noise)
    if likelihood.max() < SIGNIFICANT:
        return None
    return _sampled(poles, noise, places, widths, np.exp(likelihood - likelihood.max()))


def _unturned(f_hz: Floats, s: Complexes) -> tuple[Floats, Complexes]:
    """Place in the sweep from -1 to 1, and the sweep with its mean rotation taken out."""
    turn = np.median(np.angle(s[1:] * s[:-1].conj()) / np.diff(f_hz))
    x: Floats = (2 * f_hz - f_hz[0] - f_hz[-1]) / (f_hz[-1] - f_hz[0])
    return x, s * np.exp(-1j * turn * (f_hz - f_hz[0]))


@dataclass(frozen=True, eq=False)
class _Poles:
    """Poles at places and widths against a sweep, for backgrounds of several orders (orders, places, widths).

    `power` of the shape off the background; `along`: the sweep's part along it, not normalised.
    """

    power: Floats
    along: Complexes

    @property
    def explained(self) -> Floats:
        """Squared residual that the pole takes away."""
        taken: Floats = np.abs(self.along) ** 2 / self.power
        return taken


def _poles(
    f_hz: Floats, s: Complexes, basis: Floats, places: Floats, widths: Floats, orders: Sequence[int] = (-1,)
) -> _Poles:
    """Poles at all places and widths, for the backgrounds made of the first columns of `basis`, up to each of `orders`."""
    r = shape(f_hz, places[:, None, None], widths[None, :, None] * places[:, None, None])
    flat = r.reshape(-1, len(f_hz))
    parts = flat @ basis.astype(complex)
    total = (np.abs(flat) ** 2).sum(-1)
    whole = flat.conj() @ s
    taken = np.cumsum(np.abs(parts) ** 2, axis=1)[:, list(orders)]
    shared = np.cumsum(parts.conj() * (basis.T @ s), axis=1)[:, list(orders)]
    form = (len(orders), len(places), len(widths))
    # Where the background takes nearly all of a shape, rounding must not make a resonance of the rest.
    power = np.maximum(total[:, None] - taken, 1e-9 * total[:, None]).T.reshape(form)
    return _Poles(power, (whole[:, None] - shared).T.reshape(form))


def _background(
    x: Floats, f_hz: Floats, s: Complexes, places: Floats, widths: Floats
) -> tuple[Floats, float, _Poles]:
    """Orthonormal polynomials of the order that Schwarz's criterion picks with the best single pole; the noise; and the poles."""
    n = 2 * len(x)
    full = np.linalg.qr(legvander(x, min(MOST_BACKGROUND, len(x) // 4)))[0]
    orders = np.arange(full.shape[1])
    poles = _poles(f_hz, s, full, places, widths, list(orders))
    most = poles.explained.max(axis=(1, 2))
    total = float((np.abs(s) ** 2).sum())
    left = total - np.cumsum(np.abs(full.T @ s) ** 2)
    rss = np.maximum(left - most, 1e-26 * total + 1e-300)
    scores = n * np.log(rss) + 2 * (orders + 1) * np.log(n)
    best = int(scores.argmin())
    noise = float(np.sqrt(rss[best] / (n - 2 * (best + 1) - 4)))
    return full[:, : best + 1], noise, _Poles(poles.power[[best]], poles.along[[best]])


def _likelihood(poles: _Poles, noise: float) -> Floats:
    """Logarithm of the likelihood against no resonance (places, widths), the circle integrated out."""
    room = CIRCLE**2 * poles.power[0] / noise**2
    value: Floats = 0.5 * poles.explained[0] / noise**2 * room / (1 + room) - np.log1p(room)
    return value


def _sampled(poles: _Poles, noise: float, places: Floats, widths: Floats, weight: Floats) -> Belief:
    power = poles.power[0]
    room = CIRCLE**2 * power / noise**2
    size = np.abs(poles.along[0]) / power * room / (1 + room)
    total = np.cumsum(weight.ravel())
    at = np.searchsorted(total, total[-1] * (np.arange(SAMPLES) + 0.5) / SAMPLES)
    place, width = np.unravel_index(np.minimum(at, weight.size - 1), weight.shape)
    f0 = places[place]
    return Belief(f0, widths[width] * f0, np.clip(size[place, width], 3 * noise, 1.5), noise)


def gain_of(belief: Belief) -> Complexes:
    """How ln Q depends on what is fitted (m, 4): level and slope of the background, the circle, and the pole."""
    beta = belief.b / np.maximum(2.0 - belief.b, 0.2)
    gain = np.zeros((len(beta), 4), dtype=np.complex128)
    gain[:, 0], gain[:, 2], gain[:, 3] = -beta, beta / belief.b, 1 + beta
    return gain


def shown_at(belief: Belief, f_hz: Floats) -> Complexes:
    """How what is fitted shows at each point (m, n, 4), for each sample."""
    h = belief.h_hz[:, None]
    y = (f_hz - belief.f0_hz[:, None]) / h
    # Far points pin the background no better than its own bends allow.
    usable = np.abs(y) < 25.0
    r = shape(f_hz, belief.f0_hz[:, None], h)
    columns = np.empty((*y.shape, 4), dtype=np.complex128)
    columns[..., 0] = usable
    columns[..., 1] = y * usable
    columns[..., 2] = r * usable
    columns[..., 3] = belief.b[:, None] * r * columns[..., 2]
    return columns


def information(belief: Belief, f_hz: Floats) -> Complexes:
    """Information (m, 4, 4) of points at `f_hz` on what is fitted, times the noise variance."""
    columns = shown_at(belief, f_hz)
    gram: Complexes = columns.conj().swapaxes(1, 2) @ columns
    return gram


def known_information(belief: Belief, known_hz: Floats) -> Complexes:
    """Information (m, 4, 4) on what is fitted, times the noise variance: of points that are there, and beforehand."""
    gram = information(belief, known_hz)
    # A slope is expected to be small: about that of a metre of cable.
    slope = 2 * np.pi * 10e-9 * belief.h_hz
    gram[:, 1, 1] += (belief.noise / slope) ** 2
    gram += 1e-9 * np.eye(4)
    return gram


@dataclass(eq=False)
class Prospect:
    """What further sweeps would bring, reckoned against points at `known_hz` (n,) that are there already.

    `goal`: relative u of Q to be reached. `sweep_cost`: what a sweep after the next costs beside its points, in points.
    `fewest`: points that shall lie on the resonance.
    """

    belief: Belief
    known_hz: Floats
    goal: float
    sweep_cost: float = SWEEP_COST
    fewest: int = FEWEST_ACROSS

    @cached_property
    def _known(self) -> tuple[Complexes, Complexes, Coverage]:
        return (
            gain_of(self.belief),
            known_information(self.belief, self.known_hz),
            coverage(self.belief, self.known_hz),
        )

    def u(self, new_hz: Floats) -> Floats:
        """Standard uncertainty of ln Q for each sample (m,) after points at `new_hz` too."""
        gain, known, _ = self._known
        toward = np.linalg.solve(known + information(self.belief, new_hz), gain.conj()[..., None])
        variance = (gain * toward[..., 0]).sum(axis=1).real
        return np.asarray(self.belief.noise * np.sqrt(np.maximum(variance, 0.0)))

    def cost(self, new_hz: Floats) -> tuple[float, float]:
        """Points that a sweep at `new_hz` costs, further sweeps included, and the largest chance among samples of one more."""
        # Information on ln Q that a point brings at best, in a sweep of about three bandwidths.
        worth = 1.0 / (4.6 * self.belief.noise / self.belief.b) ** 2
        u = self.u(new_hz)
        missing = np.maximum(1.0 / (MARGIN * self.goal) ** 2 - 1.0 / np.maximum(u, 1e-9) ** 2, 0.0)
        across = self._known[2].and_also(coverage(self.belief, new_hz)).enough(self.fewest)
        further = np.maximum(falls_short(u, self.goal, len(self.known_hz) + len(new_hz)), ~across)
        more = np.minimum(missing / worth, 400.0)
        return len(new_hz) + float(np.mean(1.1 * more + self.sweep_cost * further)), float(further.max())


def next_sweep(
    belief: Belief,
    known_hz: Floats,
    goal: float,
    limits_hz: tuple[float, float],
    most_points: int,
    sweep_cost: float = SWEEP_COST,
    fewest: int = FEWEST_ACROSS,
) -> Plan:
    """The uniform sweep that is expected to reach `goal` (relative u of Q) with the fewest points, further sweeps
    included; each of those costs `sweep_cost` points more than it has. `fewest`: points that shall lie on the resonance."""
    choices = [n for n in POINTS if n <= most_points] or [most_points]
    prospect = Prospect(belief, known_hz, goal, sweep_cost, fewest)
    best: tuple[float, Plan] | None = None
    for half in _halves(belief, most_points, fewest):
        low, high = max(belief.centre_hz - half, limits_hz[0]), min(belief.centre_hz + half, limits_hz[1])
        if high <= low:
            continue
        # Fewer points across the resonance than this would leave its shape to be guessed.
        dense = fewest * (high - low) / (6.0 * belief.half_hz)
        for n in [n for n in choices if n >= dense] or choices[-1:]:
            if best is not None and n >= best[0]:
                break
            new_hz = np.linspace(low, high, n)
            cost, further = prospect.cost(new_hz)
            if best is None or cost < best[0]:
                best = (cost, Plan(low, high, n))
            if further < SELDOM:
                break
    assert best is not None
    return best[1]


def falls_short(u: Floats, goal: float, points: int) -> Floats:
    """Probability that a fit of so many points states more than `goal` where `u` is expected: it takes the noise from its own
    residuals, whose root mean square scatters by 1/sqrt(2 degrees of freedom)."""
    freedom = max(2 * points - UNKNOWNS, 2)
    return np.asarray(ndtr((u / goal - 1.0) * math.sqrt(2.0 * freedom)))


def _halves(belief: Belief, most_points: int, fewest: int) -> list[float]:
    """Half-widths of sweeps to choose from, in Hz: one resonance wide and more, with room for where it may be.

    Among them the widest whose points still lie close enough together: where f0 is unsure it catches most.
    """
    h, spread = belief.half_hz, belief.spread_hz
    halves = [SPANS[0] * h + share * spread for share in (0.25, 0.5, 0.75)]
    halves += [span * h + spread for span in SPANS]
    halves.append(3.0 * h * (most_points - 1) / fewest)
    return sorted(halves)


@dataclass(frozen=True, eq=False)
class Coverage:
    """Where points lie about each sample of a belief, in half-bandwidths: how many on it, the lowest and the highest (m,)."""

    on_it: NDArray[np.int_]
    lowest: Floats
    highest: Floats

    def and_also(self, other: Coverage) -> Coverage:
        """Of both together."""
        return Coverage(
            self.on_it + other.on_it,
            np.minimum(self.lowest, other.lowest),
            np.maximum(self.highest, other.highest),
        )

    def enough(self, fewest: int) -> NDArray[np.bool_]:
        """Whether they lie on both sides of it, and enough of them on it."""
        return np.asarray((self.on_it >= fewest - 1) & (self.lowest < -SEEN) & (self.highest > SEEN))


def coverage(belief: Belief, f_hz: Floats) -> Coverage:
    """Of points at `f_hz` (n,)."""
    y = (f_hz - belief.f0_hz[:, None]) / belief.h_hz[:, None]
    return Coverage(
        (np.abs(y) < 3.0).sum(axis=1), y.min(axis=1, initial=np.inf), y.max(axis=1, initial=-np.inf)
    )


def reaches_across(belief: Belief, f_hz: Floats, fewest: int = FEWEST_ACROSS) -> NDArray[np.bool_]:
    """For each sample (m,) whether points at `f_hz` lie on both sides of it, and enough of them on it."""
    return coverage(belief, f_hz).enough(fewest)


def coarse_sweep(low_hz: float, high_hz: float, most_points: int) -> Plan:
    """A first look at a band: as coarse as a resonance of Q 300 can still be seen through its skirts."""
    wanted = int(np.ceil(np.log(high_hz / low_hz) / 0.022)) + 1
    return Plan(low_hz, high_hz, int(np.clip(wanted, 21, min(51, most_points))))
