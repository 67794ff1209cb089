"""The plates of a tuning capacitor: capacitance as a smooth function of the dial through values at knots.

The trade's plates are straight-line-capacity, straight-line-wavelength, straight-line-frequency or something between:
`(C + s)^p` is a straight line of the dial for p = 1, 1/2, -1/2, with s the stray they were cut for (or less the least C,
where they were cut for none). The curve is such a line, p and s unknown, with a small smooth departure that the readings fill in (a Gaussian process held at both ends, Rasmussen and Williams, Gaussian Processes for
Machine Learning, 2006, eq. 2.23 to 2.26; Matern 5/2, eq. 4.17), so it passes through what was read, and its uncertainty
grows between readings.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

DEPARTURE, DEPARTURE_REACH = 0.02, 0.45
# No plates are cut for a power beyond this; a search may stray there.
STEEPEST = 4.0


def from_steps(steps: Floats, rising: bool) -> Floats:
    """Capacitances at the knots from the logs of the least one and of each step up: never falling, never below 0."""
    c = np.cumsum(np.exp(np.clip(steps, -40.0, 3.0)))
    return np.asarray(c if rising else c[::-1], float)


def to_steps(c: Floats, rising: bool) -> Floats:
    """The inverse of `from_steps`."""
    up = c if rising else c[::-1]
    return np.asarray(np.log(np.concatenate([up[:1], np.diff(up)])), float)


def _matern(a: Floats, b: Floats) -> Floats:
    r = np.sqrt(5.0) * np.abs(a[:, None] - b[None, :]) / DEPARTURE_REACH
    return np.asarray((1.0 + r + r * r / 3.0) * np.exp(-r), float)


def bridge(a: Floats, b: Floats) -> Floats:
    """Covariance of the departure at dial shares a and b, held at 0 at both ends of the dial."""
    ends = np.array([0.0, 1.0])
    pin = np.linalg.solve(_matern(ends, ends), _matern(ends, b))
    return np.asarray(DEPARTURE**2 * (_matern(a, b) - _matern(a, ends) @ pin), float)


class Curve:
    """C(dial) from its values at the knots; knots[0] and knots[-1] are the dial's ends.

    `law` is (p, log of the least C + s); capacitances are shares of the most.
    """

    def __init__(self, knots: Floats) -> None:
        self.knots = knots
        inner = knots[1:-1]
        k = bridge(inner, inner) + 1e-9 * DEPARTURE**2 * np.eye(len(inner))
        self.chol = np.linalg.cholesky(k) if len(inner) else np.zeros((0, 0))
        self.k_inverse = np.linalg.inv(k) if len(inner) else np.zeros((0, 0))

    def departure(self, c: Floats, law: Floats) -> Floats:
        """How far the inner knots lie from the plate law's straight line, as a share of the whole."""
        return self._straight(c, law)[1:-1] - self.knots[1:-1]

    def whitened(self, c: Floats, law: Floats) -> Floats:
        from scipy.linalg import solve_triangular

        if len(self.knots) <= 2:
            return np.zeros(0)
        return np.asarray(solve_triangular(self.chol, self.departure(c, law), lower=True), float)

    def weights(self, share: Floats) -> Floats:
        inner = self.knots[1:-1]
        return np.asarray(bridge(share, inner) @ self.k_inverse if len(inner) else np.zeros((len(share), 0)))

    def at(self, share: Floats, weights: Floats, c: Floats, law: Floats) -> Floats:
        """Capacitance at dial shares (n,), with weights from `weights(share)`."""
        h = share + weights @ self.departure(c, law)
        p, shift = self._law(c, law)
        low, high = self._power(c[0] + shift, p), self._power(c[-1] + shift, p)
        return self._unpower(low + h * (high - low), p) - shift

    def spread(self, share: Floats, weights: Floats) -> Floats:
        """Standard uncertainty of h between the knots, beyond that of the knots' values."""
        return np.asarray(np.sqrt(np.clip(np.diag(self.spread_covariance(share, weights)), 0.0, None)), float)

    def spread_covariance(self, share: Floats, weights: Floats) -> Floats:
        """Covariance (n, n) of h between the knots, beyond that of the knots' values."""
        inner = self.knots[1:-1]
        own = bridge(share, share)
        return np.asarray(own - weights @ bridge(inner, share) if len(inner) else own, float)

    def _straight(self, c: Floats, law: Floats) -> Floats:
        p, shift = self._law(c, law)
        h = self._power(c + shift, p)
        # on the way to a solution both ends may meet
        whole = h[-1] - h[0]
        return np.asarray((h - h[0]) / (whole if abs(whole) > 1e-12 else 1e-12), float)

    def _law(self, c: Floats, law: Floats) -> tuple[float, float]:
        p = min(max(float(law[0]), -STEEPEST), STEEPEST)
        return p, float(np.exp(np.clip(law[1], -9.0, 2.0)) - min(c[0], c[-1]))

    def _power(self, c: ArrayLike, p: float) -> Floats:
        log = np.log(np.maximum(np.asarray(c, float), 1e-6))
        return np.asarray(log if abs(p) < 1e-6 else np.expm1(p * log) / p, float)

    def _unpower(self, h: Floats, p: float) -> Floats:
        if abs(p) < 1e-6:
            return np.asarray(np.exp(h), float)
        return np.asarray(np.exp(np.log1p(np.maximum(p * h, -1.0 + 1e-9)) / p), float)
