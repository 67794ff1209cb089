"""Where a coil will resonate at a reading of the dial that was not taken yet, from the few that were, and how surely.

A dial fit (`dial.py`) states the one curve that explains all readings; with two or three readings very many curves do.
Here those are kept, each with its probability. What is asked of the plates is only that they are cut smoothly: the
logarithm of -dC/d(dial), for semicircular rotors the logarithm of the plates' radius squared, is a quadratic or cubic of
the dial. It is constant for straight-line-capacity plates, nearly straight for straight-line-wavelength ones and their like,
convex for straight-line-frequency ones, and no less smooth for plates in between.

The posterior is a sum of Gaussians (Sorenson and Alspach, Automatica 7, 465, 1971): the prior of the law is broken into
narrow parts, each is fitted by Gauss-Newton and weighted by its evidence (Laplace's approximation). A small departure from
the law, the same for all coils, is a Gaussian process beside it (`plates.py`; universal kriging, Rasmussen and Williams,
Gaussian Processes for Machine Learning, 2006, eq. 2.41 and 2.42).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.polynomial.legendre import legvander
from numpy.typing import NDArray
from scipy.special import ndtr

from bench.physics.dial_law import Ends, Reading, share_of
from bench.physics.dial_problem import (
    ADDED_SHARE_U,
    ENDS_SHARE_U,
    ENDS_U_F,
    FREQUENCY_SHARE_U,
    SETTING_U,
    STRAY_F,
)
from bench.physics.plates import bridge

Floats = NDArray[np.float64]

# Legendre coefficients 1 to 3 of ln(-dC/d(dial)) over the dial from most to least capacitance, and how unlike plates are.
# With 10 to 25 times as much C at one end as at the other: straight-line capacity 0, 0, 0; wavelength -0.4 to -0.7, -0.1 to
# -0.2, 0; frequency -1.3 to -2.2, 0.2 to 0.6, -0.05 to -0.2 (worked out from the laws, see the test).
LAW, LAW_U = (-0.8, 0.05, -0.05), (0.7, 0.3, 0.12)
# Where the parameters of the ends and those after them begin.
N, M = len(LAW), len(LAW) + 2
# Nodes in units of `LAW_U`, into which the prior is broken along its first two directions.
NODES = ((-1.6, -0.8, 0.0, 0.8, 1.6), (-1.1, 0.0, 1.1))
# Width of such a part, in distances of the nodes.
PART = 0.7
# What such a law leaves out of real plates, as a share of the dial, against `plates.DEPARTURE` of the textbook's laws.
DEPARTURE_SHARE = 0.5
# The stray as a ratio to `STRAY_F`: it cannot be less than nothing.
STRAY_LOG_U = 0.6
# The hand's error and the plan's figures, in what they are usually thought good to; and how likely: as told, a careless hand,
# a plan that is far off.
WAYS = ((1.0, 1.0, 0.8), (5.0, 1.0, 0.15), (1.0, 3.0, 0.05))
# So far off, in standard uncertainties and told from all the others, a reading is left out of account.
FAR, MOST_FAR = 6.0, 4
LEAST_F = 1e-14
# In ln f: so unsure is unsure enough.
MOST_U = 3.0
GRID = 401
ROUNDS = 12
LONGEST_STEP = (0.5, 0.3, 0.2, 0.1, 0.2)
# A part of the posterior less likely than this, beside the likeliest, is dropped.
UNLIKELY = 1e-4


@dataclass(frozen=True, eq=False)
class Foretold:
    """A resonance not yet read.

    `places_hz`: equally likely places (m,), rising; `f0_hz`, `f0_u_hz`: their mean and standard uncertainty; `slope`: change
    of ln f over the whole dial.
    """

    places_hz: Floats
    f0_hz: float
    f0_u_hz: float
    slope: float


@dataclass(frozen=True, eq=False)
class _Prior:
    """Parts of the prior (k,): their weights, means and standard uncertainties (k, n), and the hand's error."""

    log_weight: Floats
    mean: Floats
    u: Floats
    setting_u: Floats


@dataclass(frozen=True, eq=False)
class _Spots:
    """Readings taken or to come (m,): share of the dial from the end with most capacitance, coil, added capacitor and its kind."""

    share: Floats
    coil: NDArray[np.intp]
    added_f: Floats
    kind: NDArray[np.intp]

    def only(self, keep: NDArray[np.bool_]) -> _Spots:
        return _Spots(self.share[keep], self.coil[keep], self.added_f[keep], self.kind[keep])


@dataclass(frozen=True, eq=False)
class _Posterior:
    """Parts (k,) fitted to readings (m,): weights, parameters (k, n) and covariance, and what kriging needs of the readings."""

    weight: Floats
    x: Floats
    cov: Floats
    setting_u: Floats
    residual: Floats
    jacobian: Floats
    slope: Floats
    precision: Floats


class _Linear(NamedTuple):
    """The model as a straight line about some parameters (k, n), for readings (m,): `weighted` is Jacobian' times precision
    (k, n, m), `normal` the matrix of the normal equations (k, n, n)."""

    residual: Floats
    slope: Floats
    jacobian: Floats
    precision: Floats
    weighted: Floats
    normal: Floats


class DialForecast:
    """What is believed of a set's dial after some readings of it.

    Parameters: the law's three coefficients, ln C at the end with most and at the end with least, the added capacitors'
    relative errors, then ln L and ln stray of each coil.

    Parameters
    ----------
    readings
        Resonances read so far, none to many; frequencies in Hz.
    ends
        The plan's tuning capacitor.
    winding_l
        Inductance in H with standard uncertainty, as wound or planned, of each coil that will be asked for.
    """

    def __init__(
        self, readings: Sequence[Reading], ends: Ends, winding_l: Mapping[str, tuple[float, float]]
    ) -> None:
        self._ends = ends
        self._coils = tuple(winding_l)
        self._kinds = sorted({r.added_c_f for r in readings if r.added_c_f > 0})
        self._spots = self._at([(r.coil, r.dial, r.added_c_f) for r in readings])
        self._log_f = np.log(np.array([r.f0_hz for r in readings], float))
        self._u = np.hypot(np.array([r.f0_u_hz / r.f0_hz for r in readings], float), FREQUENCY_SHARE_U)
        prior = _prior(ends, winding_l, len(self._kinds))
        self._posterior = self._fitted(prior)
        for _ in range(min(max(0, (len(readings) - 2) // 4), MOST_FAR)):
            far = self._far()
            if not far.any():
                break
            keep = ~far
            self._spots, self._log_f, self._u = self._spots.only(keep), self._log_f[keep], self._u[keep]
            self._posterior = self._fitted(prior)

    def foretell(self, coil: str, dial: float, added_c_f: float = 0.0, places: int = 24) -> Foretold:
        """A coil's resonance at a reading of the dial, set by the same hand; with a known capacitor in parallel or without (0)."""
        post, spot = self._posterior, self._at([(coil, dial, added_c_f)])
        model, slope, jacobian = self._slopes(post.x, spot)
        slope, jacobian = slope[:, 0], jacobian[:, 0]
        shared = slope[:, None] * _departure(spot.share, self._spots.share) * post.slope
        carried = np.einsum("km,kmj->kj", shared, post.precision)
        mean = model[:, 0] + np.einsum("km,km->k", carried, post.residual)
        left = jacobian - np.einsum("km,kmn->kn", carried, post.jacobian)
        own = _departure(spot.share, spot.share)[0, 0] + post.setting_u**2
        variance = slope**2 * own - np.einsum("km,km->k", carried, shared)
        variance = variance + np.einsum("kn,knj,kj->k", left, post.cov, left)
        if added_c_f and not spot.kind[0]:
            # A capacitor that no reading has told anything about yet.
            part = added_c_f * np.exp(2 * mean + post.x[:, self._coil(coil)]) * 2 * math.pi**2
            variance = variance + (part * ADDED_SHARE_U) ** 2
        u = np.sqrt(np.clip(variance, FREQUENCY_SHARE_U**2, MOST_U**2))
        centre = float(post.weight @ mean)
        spread = math.sqrt(float(post.weight @ (u**2 + (mean - centre) ** 2)))
        f0_hz = math.exp(centre)
        turned = float(post.weight @ slope) * (1.0 if self._ends.c_f[0] > self._ends.c_f[1] else -1.0)
        at = _quantiles(post.weight, mean, u, (np.arange(places) + 0.5) / places)
        return Foretold(np.exp(at), f0_hz, spread * f0_hz, turned)

    def _coil(self, coil: str) -> int:
        """Where a coil's ln L stands among the parameters."""
        return M + len(self._kinds) + 2 * self._coils.index(coil)

    def _at(self, places: Sequence[tuple[str, float, float]]) -> _Spots:
        share = share_of(self._ends, np.array([dial for _, dial, _ in places], float))
        if self._ends.c_f[0] < self._ends.c_f[1]:
            share = 1.0 - share
        added = np.array([c for _, _, c in places], float)
        # 0: none, or one that no reading was taken with.
        kind = [self._kinds.index(c) + 1 if c in self._kinds else 0 for c in added]
        coil = [self._coils.index(name) for name, _, _ in places]
        return _Spots(share, np.array(coil, np.intp), added, np.array(kind, np.intp))

    def _slopes(self, x: Floats, spots: _Spots) -> tuple[Floats, Floats, Floats]:
        """ln f (k, m), its change over the whole dial (k, m), and its Jacobian by the parameters (k, m, n)."""
        kinds, rows = len(self._kinds), np.arange(len(spots.share))
        most, least = np.exp(x[:, N : N + 1]), np.exp(x[:, N + 1 : N + 2])
        wrong = np.concatenate([np.zeros((len(x), 1)), x[:, M : M + kinds]], axis=1)[:, spots.kind]
        log_l, stray = x[:, M + kinds :: 2][:, spots.coil], np.exp(x[:, M + 1 + kinds :: 2][:, spots.coil])
        added = spots.added_f * (1.0 + wrong)

        def total(law: Floats) -> tuple[Floats, Floats, Floats]:
            g, steep = _law(law, spots.share)
            # Beyond the dial's ends the line goes on, below nothing if it is let.
            c = np.maximum(least + (most - least) * g + stray + added, LEAST_F)
            return c, g, steep

        c, g, steep = total(x[:, :N])
        jacobian = np.zeros((*c.shape, x.shape[1]))
        for i in range(N):
            moved = x[:, :N].copy()
            moved[:, i] += 1e-4
            jacobian[:, :, i] = -0.5 * (total(moved)[0] - c) / (1e-4 * c)
        jacobian[:, :, N] = -0.5 * most * g / c
        jacobian[:, :, N + 1] = -0.5 * least * (1.0 - g) / c
        with_one = np.flatnonzero(spots.kind)
        jacobian[:, with_one, M - 1 + spots.kind[with_one]] = -0.5 * (spots.added_f / c)[:, with_one]
        jacobian[:, rows, M + kinds + 2 * spots.coil] = -0.5
        jacobian[:, rows, M + 1 + kinds + 2 * spots.coil] = -0.5 * stray / c
        model = -0.5 * (log_l + np.log(c)) - math.log(2 * math.pi)
        return model, 0.5 * (most - least) * steep / c, jacobian

    def _fitted(self, prior: _Prior) -> _Posterior:
        """Each part of the prior fitted to the readings, and weighted by how well it explains them."""
        spots, x = self._spots, prior.mean.copy()
        departs = _departure(spots.share, spots.share)
        longest = np.full(x.shape[1], 0.1)
        longest[:M] = LONGEST_STEP
        longest[M + 1 + len(self._kinds) :: 2] = 0.5
        diagonal = np.arange(x.shape[1])

        def linear() -> _Linear:
            model, slope, jacobian = self._slopes(x, spots)
            hand = prior.setting_u[:, None, None] ** 2 * np.eye(len(spots.share))
            noise = slope[:, :, None] * (departs + hand) * slope[:, None, :] + np.diag(self._u**2)
            precision = np.asarray(np.linalg.inv(noise), float)
            weighted = jacobian.swapaxes(1, 2) @ precision
            normal = np.asarray(weighted @ jacobian, float)
            normal[:, diagonal, diagonal] += 1.0 / prior.u**2
            return _Linear(self._log_f - model, slope, jacobian, precision, weighted, normal)

        for _ in range(ROUNDS):
            now = linear()
            gradient = np.einsum("knm,km->kn", now.weighted, now.residual) - (x - prior.mean) / prior.u**2
            step = np.linalg.solve(now.normal, gradient[:, :, None])[:, :, 0]
            step /= np.maximum((np.abs(step) / longest).max(axis=1), 1.0)[:, None]
            x += step
            if float((np.abs(step) / prior.u).max()) < 1e-3:
                break
        now = linear()
        off = (x - prior.mean) / prior.u
        evidence = (
            prior.log_weight
            - 0.5 * np.einsum("km,kmj,kj->k", now.residual, now.precision, now.residual)
            + 0.5 * np.linalg.slogdet(now.precision)[1]
            - 0.5 * (off**2).sum(axis=1)
            - np.log(prior.u).sum(axis=1)
            - 0.5 * np.linalg.slogdet(now.normal)[1]
        )
        weight = np.exp(evidence - evidence.max())
        keep = weight > UNLIKELY
        return _Posterior(
            weight[keep] / weight[keep].sum(),
            x[keep],
            np.linalg.inv(now.normal[keep]),
            prior.setting_u[keep],
            now.residual[keep],
            now.jacobian[keep],
            now.slope[keep],
            now.precision[keep],
        )

    def _far(self) -> NDArray[np.bool_]:
        """The reading that all others contradict most, if it is `FAR` from where they put it, as they lie with the usual hand."""
        post = self._posterior
        best = int(np.argmax(post.weight))
        precision, jacobian = post.precision[best], post.jacobian[best]
        alone = precision - precision @ jacobian @ post.cov[best] @ jacobian.T @ precision
        # Left out one by one (Rasmussen and Williams, eq. 5.12).
        off = np.abs(precision @ post.residual[best]) / np.sqrt(np.maximum(np.diag(alone), 1e-12))
        return np.asarray((off > FAR) & (off == off.max()))


def _law(law: Floats, share: Floats) -> tuple[Floats, Floats]:
    """Plates of laws (k, N) at shares (m,) of the dial: (C - least) / (most - least) (k, m), and how fast it falls."""
    at = np.linspace(0.0, 1.0, GRID)
    density = np.exp(law @ legvander(2 * at - 1, N)[:, 1:].T)
    area = np.cumsum(0.5 * (density[:, 1:] + density[:, :-1]), axis=1)
    fallen = np.concatenate([np.zeros((len(law), 1)), area], axis=1) / area[:, -1:]
    steep = density * (GRID - 1) / area[:, -1:]
    low = np.clip((share * (GRID - 1)).astype(int), 0, GRID - 2)
    part = share * (GRID - 1) - low
    return (
        1.0 - (fallen[:, low] * (1.0 - part) + fallen[:, low + 1] * part),
        steep[:, low] * (1.0 - part) + steep[:, low + 1] * part,
    )


def _departure(a: Floats, b: Floats) -> Floats:
    return DEPARTURE_SHARE**2 * bridge(a, b)


def _prior(ends: Ends, winding_l: Mapping[str, tuple[float, float]], kinds: int) -> _Prior:
    n = M + kinds + 2 * len(winding_l)
    mean, u = np.zeros(n), np.ones(n)
    mean[:N], u[:N] = LAW, LAW_U
    c = np.maximum(np.sort(ends.c_f)[::-1], ENDS_U_F)
    mean[N:M], u[N:M] = np.log(c), np.hypot(ENDS_SHARE_U, ENDS_U_F / c)
    u[M : M + kinds] = ADDED_SHARE_U
    l_h = np.array(list(winding_l.values()), float)
    mean[M + kinds :: 2], u[M + kinds :: 2] = np.log(l_h[:, 0]), l_h[:, 1] / l_h[:, 0]
    mean[M + 1 + kinds :: 2], u[M + 1 + kinds :: 2] = math.log(STRAY_F), STRAY_LOG_U
    parts = []
    for (hand, plan, likely), first, second in itertools.product(WAYS, *NODES):
        here, here_u, weight = mean.copy(), u.copy(), likely
        here_u[N:] *= plan
        for i, node in enumerate((first, second)):
            part_u = PART * (NODES[i][1] - NODES[i][0])
            here[i] += node * u[i]
            here_u[i] *= part_u
            # What is left of the unit variance once the part's own is taken out.
            weight *= math.exp(-0.5 * node**2 / (1.0 - part_u**2))
        parts.append((here, here_u, weight, hand * SETTING_U))
    weights = np.array([part[2] for part in parts])
    return _Prior(
        np.log(weights / weights.sum()),
        np.array([part[0] for part in parts]),
        np.array([part[1] for part in parts]),
        np.array([part[3] for part in parts]),
    )


def _quantiles(weight: Floats, mean: Floats, u: Floats, level: Floats) -> Floats:
    """Where a sum of Gaussians (k,) reaches levels (m,) of its distribution."""
    at = np.linspace((mean - 5 * u).min(), (mean + 5 * u).max(), 2000)
    total = weight @ ndtr((at - mean[:, None]) / u[:, None])
    return np.asarray(np.interp(level, total, at), float)
