"""Means, scatter and covariance, after JCGM 100:2008 (GUM) and JCGM 101 where it says so."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Mean:
    """A weighted mean, its standard uncertainty, and which values were too far away to enter (indices)."""

    value: float
    u: float
    left_out: tuple[int, ...] = ()


def combine(*parts: float) -> float:
    """Root of the sum of squares of independent standard uncertainties (GUM 5.1.2)."""
    return float(np.sqrt(sum(part * part for part in parts)))


def weighted_mean(values: Floats, u: Floats, *, far: float = 5.0) -> Mean:
    """Weighted mean of repeats that do not know of each other.

    The uncertainty is that of the weights, widened where the repeats scatter more than the weights allow: the chi-square
    per degree of freedom (Birge's ratio, Phys. Rev. 40, 207, 1932) with two degrees of freedom of trust in the stated
    uncertainties, never below 1.

    Parameters
    ----------
    values, u
        Shape (n,), same unit; u standard uncertainties, above 0.
    far
        With three values or more, those further from the median than this many uncertainties (of the value and of the
        others' scatter) are left out and named.
    """
    values = np.asarray(values, float)
    u = np.asarray(u, float)
    keep = np.ones(len(values), bool)
    if len(values) >= 3:
        middle = float(np.median(values))
        distance = np.abs(values - middle)
        scatter = 1.4826 * float(np.median(distance))
        keep = distance <= far * np.hypot(u, scatter)
    weights = 1.0 / u[keep] ** 2
    mean = float(np.sum(weights * values[keep]) / np.sum(weights))
    chi2 = float(np.sum(weights * (values[keep] - mean) ** 2))
    trust = 2.0
    ratio2 = max(1.0, (chi2 + trust) / (int(keep.sum()) - 1 + trust))
    return Mean(mean, float(np.sqrt(ratio2 / np.sum(weights))), tuple(int(i) for i in np.flatnonzero(~keep)))


@dataclass(frozen=True)
class Solution:
    """Where a sum of squares is least: parameters (n,), covariance (n, n), residuals (m,), Jacobian (m, n)."""

    x: Floats
    cov: Floats
    residuals: Floats
    jacobian: Floats
    converged: bool

    @property
    def u(self) -> Floats:
        """Standard uncertainties of the parameters."""
        return np.asarray(np.sqrt(np.clip(np.diag(self.cov), 0.0, None)), float)

    @property
    def leverage(self) -> Floats:
        """Share of each residual's own variance that the fit has followed (diagonal of the hat matrix)."""
        return np.asarray(np.einsum("ij,jk,ik->i", self.jacobian, self.cov, self.jacobian), float)


def slopes(function: Callable[[Floats], Floats], x: Floats, step: Floats) -> Floats:
    """Jacobian of a vector function by one-sided differences: shape (m, n)."""
    here = function(x)
    columns = []
    for i in range(len(x)):
        there = x.copy()
        there[i] += step[i]
        columns.append((function(there) - here) / step[i])
    return np.asarray(np.stack(columns, axis=1), float)


def solve(
    residuals: Callable[[Floats], Floats],
    start: Floats,
    *,
    step: Floats,
    jacobian: Callable[[Floats], Floats] | None = None,
    rounds: int = 60,
    tolerance: float = 1e-7,
) -> Solution:
    """Least squares of residuals that are already divided by their uncertainties, priors among them.

    Damped Gauss-Newton (Marquardt, J. SIAM 11, 431, 1963); the covariance is the inverse of J'J at the end, so priors
    that stand among the residuals are in it (GUM F.2.4; Bayes with Gaussian priors, linearised).

    Parameters
    ----------
    residuals
        From parameters (n,) to residuals (m,), m >= n, each of unit variance.
    start, step
        Shape (n,): where to start; a length over which each parameter acts almost straight.
    jacobian
        Analytic or batched slopes (m, n); one-sided differences where left out.
    """
    slope = jacobian or (lambda x: slopes(residuals, x, 1e-4 * step))
    x = np.asarray(start, float).copy()
    r = residuals(x)
    cost = float(r @ r)
    damping = 1e-3
    converged = False
    j = slope(x)
    for _ in range(rounds):
        normal = j.T @ j
        gradient = j.T @ r
        scale = np.diag(np.maximum(np.diag(normal), 1e-12))
        move = -_safe_solve(normal + damping * scale, gradient)
        if -float(move @ gradient) <= 0.1 * tolerance * (cost + 1e-6) and damping <= 1e-2:
            converged = True
            break
        trial = residuals(x + move)
        trial_cost = float(trial @ trial)
        if np.isfinite(trial_cost) and trial_cost <= cost:
            small = cost - trial_cost <= tolerance * (cost + 1e-6)
            x, r, cost = x + move, trial, trial_cost
            damping = max(damping * 0.2, 1e-12)
            j = slope(x)
            if small and damping <= 1e-4:
                converged = True
                break
        else:
            damping *= 6.0
            if damping > 1e12:
                converged = True
                break
    return Solution(x, _safe_inverse(j.T @ j), r, j, converged)


def _safe_solve(a: Floats, b: Floats) -> Floats:
    d = 1.0 / np.sqrt(np.maximum(np.diag(a), 1e-300))
    try:
        return np.asarray(d * np.linalg.solve(a * np.outer(d, d), d * b), float)
    except np.linalg.LinAlgError:
        return np.asarray(d * np.linalg.lstsq(a * np.outer(d, d), d * b, rcond=None)[0], float)


def _safe_inverse(a: Floats) -> Floats:
    # scaled to a unit diagonal first: parameters of very unlike size share one matrix
    d = 1.0 / np.sqrt(np.maximum(np.diag(a), 1e-300))
    return np.asarray(np.linalg.pinv(a * np.outer(d, d), rcond=1e-14, hermitian=True) * np.outer(d, d), float)
