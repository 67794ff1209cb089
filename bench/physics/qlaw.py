"""Q against frequency: a smooth power law for each coil, with its covariance.

With a fixed coil tuned by a capacitor Q is close to a power of frequency (skin effect gives the square root, form and valve
pull it down towards the top); a slight bend in log-log is allowed where there are readings enough to show it. In a set whose
strays feed back already with the control at its stop, Q rises far above that towards the top of the dial.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bench.physics.uncertainty import Solution, solve

Floats = NDArray[np.float64]

# Exponent and bend before anything is measured: coils lie between a fall and the square root of frequency.
EXPONENT, EXPONENT_U = 0.1, 0.5
BEND_U = 0.4
# No reading of Q is believed closer than this: the set warms up, the loop is put back a little differently, and no coil
# follows a smooth law to the last half percent.
SHARE_U = 0.006
FAR = 4.0
# Feedback through strays grows with about this power of frequency, seen in networks of usual sets; it is looked for where the
# plain law leaves so much more unexplained, in squares of standard deviations, and found where it cancels such a share of the loss.
STRAY_POWER, STRAY_POWER_U = 4.5, 1.5
FEWEST_FED_BACK, UNEXPLAINED, LEAST_FED_BACK = 4, 7.0, 0.1
# Of a winding's own Q a coil has this much, and its law this exponent's spread, where none was read.
WINDING_SHARE, WINDING_SHARE_U = 0.75, 0.2
GUESSED_EXPONENT_U = 0.3


@dataclass(frozen=True)
class QLaw:
    """ln Q = c0 + c1 x + c2 x^2 with x = ln(f / centre); `cov` (3, 3) of c."""

    centre_hz: float
    c: Floats
    cov: Floats
    left_out: tuple[int, ...] = ()

    def basis(self, f_hz: ArrayLike) -> Floats:
        """Shape (..., 3)."""
        x = np.log(np.asarray(f_hz, float) / self.centre_hz)
        return np.stack([np.ones_like(x), x, x * x], axis=-1)

    def log_q(self, f_hz: ArrayLike) -> Floats:
        """ln Q at frequencies in Hz, in their shape."""
        return np.asarray(self.basis(f_hz) @ self.c, float)

    @property
    def errors(self) -> Floats:
        """What independent errors of unit variance do to c: a root of `cov`, three columns, the largest first."""
        value, vector = np.linalg.eigh(self.cov)
        order = np.argsort(value)[::-1][:3]
        return np.asarray(vector[:, order] * np.sqrt(np.clip(value[order], 0.0, None)), float)

    def at(self, f_hz: ArrayLike) -> tuple[Floats, Floats]:
        """Q and its standard uncertainty at frequencies in Hz, in their shape."""
        basis = self.basis(f_hz)
        q = np.exp(self.log_q(f_hz))
        variance = np.einsum("...i,ij,...j->...", basis, self.cov, basis)
        return np.asarray(q, float), np.asarray(q * np.sqrt(np.clip(variance, 0.0, None)), float)

    @property
    def exponent(self) -> float:
        """Power of frequency at the centre; of the coil's own Q, where feedback raises it."""
        return float(self.c[1])


@dataclass(frozen=True)
class FedBackLaw(QLaw):
    """Q of a tank part of whose loss is cancelled already at angle 0: ln Q = c0 + c1 x - ln(1 - t).

    t = exp(c2 + c3 (x - x_top)) is the share of the loss that is cancelled, exp(c2) at the highest frequency that was read.
    `basis` holds the slopes of ln Q by c, `at_read` those at the readings, (n, 4).
    """

    x_top: float = 0.0
    at_read: Floats = field(default_factory=lambda: np.empty((0, 4)))

    def _share(self, x: Floats) -> Floats:
        power = np.clip(self.c[2] + self.c[3] * (x - self.x_top), -50.0, 0.0)
        return np.asarray(np.minimum(np.exp(power), 0.999), float)

    def basis(self, f_hz: ArrayLike) -> Floats:
        """Shape (..., 4)."""
        x = np.log(np.asarray(f_hz, float) / self.centre_hz)
        share = self._share(x)
        rise = share / (1.0 - share)
        return np.stack([np.ones_like(x), x, rise, rise * (x - self.x_top)], axis=-1)

    def log_q(self, f_hz: ArrayLike) -> Floats:
        """ln Q at frequencies in Hz, in their shape."""
        x = np.log(np.asarray(f_hz, float) / self.centre_hz)
        return np.asarray(self.c[0] + self.c[1] * x - np.log1p(-self._share(x)), float)

    @property
    def errors(self) -> Floats:
        """Three columns: of the four errors those that move Q most where it was read, made to carry the fourth's part too."""
        root = np.linalg.cholesky(self.cov)
        _, size, turn = np.linalg.svd(self.at_read @ root, full_matrices=True)
        return np.asarray(root @ turn[:3].T * np.sqrt(np.sum(size**2) / np.sum(size[:3] ** 2)), float)

    @property
    def fed_back(self) -> float:
        """The share of the loss that is cancelled at the highest frequency that was read."""
        return float(np.exp(self.c[2]))


def fit_q(f_hz: ArrayLike, q: ArrayLike, q_u: ArrayLike) -> QLaw:
    """Weighted robust fit of a Q law.

    Parameters
    ----------
    f_hz, q, q_u
        Shape (n,), n >= 1, all above 0.

    Raises
    ------
    ValueError
        Nothing to fit, or values that are not above 0.
    """
    f, value, u = (np.atleast_1d(np.asarray(a, float)) for a in (f_hz, q, q_u))
    if len(f) == 0 or not all((np.isfinite(a) & (a > 0)).all() for a in (f, value, u)):
        raise ValueError("a Q law needs at least one frequency, Q and uncertainty, all above zero")
    law, unexplained = _power_law(f, value, u)
    if len(f) >= FEWEST_FED_BACK and unexplained > UNEXPLAINED:
        fed_back, more = _fed_back(f, value, u)
        if fed_back is not None and more < unexplained - UNEXPLAINED:
            return fed_back
    return law


def _power_law(f: Floats, value: Floats, u: Floats) -> tuple[QLaw, float]:
    """The law, and the squares that it leaves unexplained; a reading left out counts as one just let in."""
    centre = float(np.exp(np.mean(np.log(f))))
    law = QLaw(centre, np.zeros(3), np.zeros((3, 3)))
    basis, log_q = law.basis(f), np.log(value)
    sigma = np.hypot(u / value, SHARE_U)
    prior = np.array([EXPONENT, 0.0])
    prior_u = np.array([EXPONENT_U, BEND_U])

    def fit(weight: Floats, widen: float) -> tuple[Floats, Floats, Floats, Floats]:
        def residuals(c: Floats) -> Floats:
            own = (log_q - basis @ c) / (sigma * widen) * np.sqrt(weight)
            return np.concatenate([own, (c[1:] - prior) / prior_u])

        start = np.array([float(np.median(log_q)), EXPONENT, 0.0])
        found = solve(residuals, start, step=np.ones(3))
        return found.x, found.cov, found.residuals[: len(f)], found.leverage[: len(f)]

    weight = np.ones(len(f))
    for _ in range(12):
        _, _, r, _ = fit(weight, 1.0)
        raw = r / np.sqrt(weight)
        # Student's t with 3 degrees of freedom as weights: one wild reading does not steer the law
        scale = max(1.0, 1.4826 * float(np.median(np.abs(raw))))
        new = 4.0 / (3.0 + (raw / scale) ** 2)
        if np.max(np.abs(new - weight)) < 1e-3:
            break
        weight = new
    keep = np.ones(len(f), bool)
    if len(f) >= 4:
        _, _, r, _ = fit(weight, 1.0)
        raw = r / np.sqrt(weight)
        keep = np.abs(raw) < FAR * max(1.0, 1.4826 * float(np.median(np.abs(raw))))
    use = keep.astype(float) + 1e-12
    _, _, r, h = fit(use, 1.0)
    dof = float(np.sum(np.clip(1.0 - h, 0.0, 1.0)[keep]))
    widen = float(np.sqrt(max(1.0, (float(np.sum(r[keep] ** 2)) + 2.0) / (dof + 2.0))))
    c, cov, _, _ = fit(use, widen)
    unexplained = float(np.sum(r[keep] ** 2)) + FAR**2 * int(np.sum(~keep))
    return QLaw(centre, c, cov, tuple(int(i) for i in np.flatnonzero(~keep))), unexplained


def _fed_back(f: Floats, value: Floats, u: Floats) -> tuple[FedBackLaw | None, float]:
    """The law with feedback at angle 0, and the squares that it leaves; None where it shows none or does not hold."""
    centre = float(np.exp(np.mean(np.log(f))))
    x_top = float(np.log(f.max() / centre))
    sigma = np.hypot(u / value, SHARE_U)
    prior, prior_u = np.array([EXPONENT, STRAY_POWER]), np.array([EXPONENT_U, STRAY_POWER_U])

    def law(c: Floats) -> FedBackLaw:
        return FedBackLaw(centre, c, np.zeros((4, 4)), x_top=x_top)

    def fit(start: Floats, widen: float) -> Solution:
        def residuals(c: Floats) -> Floats:
            own = (np.log(value) - law(c).log_q(f)) / (sigma * widen)
            return np.concatenate([own, (c[[1, 3]] - prior) / prior_u])

        def slope(c: Floats) -> Floats:
            own = -law(c).basis(f) / (sigma * widen)[:, None]
            return np.vstack([own, np.eye(4)[[1, 3]] / prior_u[:, None]])

        return solve(residuals, start, step=np.ones(4), jacobian=slope)

    log_q = float(np.log(value[np.argmin(f)]))
    found = min(
        (fit(np.array([log_q, EXPONENT, np.log(share), STRAY_POWER]), 1.0) for share in (0.3, 0.6, 0.9)),
        key=lambda one: float(one.residuals @ one.residuals),
    )
    off = found.residuals[: len(f)]
    squares = float(off @ off)
    shown = LEAST_FED_BACK < np.exp(found.x[2]) < 1.0
    if not shown or np.max(np.abs(off)) > FAR:
        return None, np.inf
    last = fit(found.x, float(np.sqrt(max(1.0, (squares + 2.0) / (len(f) - 4 + 2.0)))))
    return FedBackLaw(centre, last.x, last.cov, (), x_top, law(last.x).basis(f)), squares


def assumed(f_hz: ArrayLike, q: ArrayLike, share_u: float, exponent_u: float = 0.0) -> QLaw:
    """A law that was not measured: through given points, with one common relative uncertainty and one of its exponent."""
    law = fit_q(f_hz, q, np.full_like(np.asarray(q, float), 1e-3) * np.asarray(q, float))
    cov = law.cov.copy()
    cov[0, 0] += share_u**2
    cov[1, 1] += exponent_u**2
    return QLaw(law.centre_hz, law.c, cov)


def guessed(f_hz: ArrayLike, winding_q: ArrayLike) -> QLaw:
    """A law out of nothing but what the bare copper of a winding would have.

    Coils stay 10 to 40 % below it (common practice, no source). Its square root of frequency is that of copper alone:
    form and valve pull Q down towards the top, so the everyday exponent stands in its place, with the spread of coils in sets.
    """
    f, bare = np.atleast_1d(np.asarray(f_hz, float)), np.atleast_1d(np.asarray(winding_q, float))
    centre, middle = (float(np.exp(np.mean(np.log(value)))) for value in (f, bare))
    return assumed(f, WINDING_SHARE * middle * (f / centre) ** EXPONENT, WINDING_SHARE_U, GUESSED_EXPONENT_U)
