"""Onset out of Q below onset: 1/Q falls as feedback grows, and where it would be nothing oscillation starts.

In the network of `regeneration.py` the tank's root s gives 1/Q = -2·Re(s)/|s|, a smooth function of the control's angle
that crosses zero at the onset. A few readings of Q below it are enough to find the crossing without ever oscillating.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

FEWEST = 3
# Readings in which feedback has taken away less of the loss than this say more about the control's far end than the near.
WORKING_SHARE = 0.8
# How far the run may bend, third and fourth power likewise: shares of its own fall. From the network's curves for dividers,
# throttles, supply and swing controls, whose last four fifths bend by up to a third.
BEND_U = (0.3, 0.12, 0.05)
# Odds at which a bend is told; the fit allows for one in any case.
BENT_SIGMAS = 3.0


@dataclass(frozen=True)
class CurveOnset:
    """Where 1/Q would reach zero.

    `slope_per_deg` is the share of the loss at the first reading that one degree cancels at onset; `bend` the departure
    of the run's middle from the straight line through its ends, as a share of its fall; `lift` the last Q over the first;
    `used` how many readings the fit took.
    """

    angle_deg: float
    angle_u_deg: float
    slope_per_deg: float
    slope_u_per_deg: float
    bend: float
    bend_u: float
    straight_deg: float
    lift: float
    used: int

    @property
    def bent(self) -> bool:
        """Whether the run is clearly not a straight line."""
        return abs(self.bend) > BENT_SIGMAS * self.bend_u


def onset_of_curve(
    angle_deg: ArrayLike, q: ArrayLike, q_u: ArrayLike, angle_u_deg: ArrayLike = 0.0
) -> CurveOnset | None:
    """Extrapolate 1/Q to zero.

    A polynomial of fourth order, its bends held small by a normal prior (Bayesian linear least squares), so that the
    uncertainty counts what the readings cannot tell about the bend between the last of them and the onset.

    Parameters
    ----------
    angle_deg, q, q_u : (n,) arrays
        Control angles and Q there with standard uncertainties, in any order; the loop's loading taken out.
    angle_u_deg : float or (n,) array
        Standard uncertainty of each angle.

    Returns
    -------
    CurveOnset or None
        None where the readings are fewer than three, 1/Q does not fall, or the way left to go is less certain than long.
    """
    x, y, u = np.asarray(angle_deg, float), 1.0 / np.asarray(q, float), np.asarray(q_u, float)
    u = u * y**2
    x_u = np.broadcast_to(np.asarray(angle_u_deg, float), x.shape)
    order = np.argsort(x, kind="stable")
    x, y, u, x_u = x[order], y[order], u[order], x_u[order]
    if len(x) < FEWEST or not x[-1] > x[0] or not y[-1] < y[0]:
        return None
    first, lift = float(y[0]), float(y[0] / y[-1])
    working = y <= WORKING_SHARE * first
    if working.sum() >= FEWEST:
        x, y, u, x_u = x[working], y[working], u[working], x_u[working]
    span, fall = float(x[-1] - x[0]), float(y[0] - y[-1])
    if span <= 0.0 or fall <= 0.0:
        return None
    v, z = (x - x[-1]) / span, y / fall
    slope = np.full(len(x), 1.0 / span)
    found = _fit(v, z, np.hypot(u / fall, x_u * slope))
    # Errors of angle weigh by the local slope, which the first fit has told.
    slope = np.abs(_derivative(found[0], v)) / span
    found = _fit(v, z, np.hypot(u / fall, x_u * slope))
    root = _root(found[0])
    if root is None:
        return None
    powers = root ** np.arange(len(found[0]))
    steep = float(-_derivative(found[0], np.array([root]))[0])
    if steep <= 0.0:
        return None
    root_u = float(np.sqrt(powers @ found[1] @ powers)) / steep
    if root_u > root:
        return None
    # The steepness at the root as the coefficients move, the root moving with them.
    n = np.arange(len(found[0]))
    direct = n * root ** np.maximum(n - 1, 0)
    second = float(sum(k * (k - 1) * c * root ** (k - 2) for k, c in enumerate(found[0]) if k >= 2))
    gradient = direct + second * powers / steep
    slope_u = float(np.sqrt(gradient @ found[1] @ gradient))
    # y at the middle less the mean of the ends, in falls.
    middle = (-0.5) ** n - 0.5 * ((-1.0) ** n + (n == 0))
    straight = _straight(v, z, np.hypot(u / fall, x_u * slope))
    return CurveOnset(
        angle_deg=float(x[-1] + span * root),
        angle_u_deg=span * root_u,
        slope_per_deg=steep * fall / span / first,
        slope_u_per_deg=slope_u * fall / span / first,
        bend=float(middle @ found[0]),
        bend_u=float(np.sqrt(middle @ found[1] @ middle)),
        straight_deg=float(x[-1] + span * straight),
        lift=lift,
        used=len(x),
    )


def _fit(v: Floats, z: Floats, u: Floats) -> tuple[Floats, Floats]:
    """Coefficients of the polynomial in v and their covariance."""
    prior_u = np.array([10.0, 10.0, *BEND_U])
    design = v[:, None] ** np.arange(len(prior_u)) / u[:, None]
    rows = np.vstack([design, np.diag(1.0 / prior_u)])
    right = np.concatenate([z / u, np.zeros(len(prior_u))])
    solution = np.linalg.lstsq(rows, right, rcond=None)[0]
    covariance = np.linalg.inv(rows.T @ rows)
    residual = z / u - design @ solution
    # Where the readings scatter more than they say, they are believed less.
    scale = max(1.0, float(residual @ residual) / max(len(v) - 2, 1))
    return np.asarray(solution, np.float64), np.asarray(scale * covariance, np.float64)


def _derivative(coefficients: Floats, v: Floats) -> Floats:
    return np.asarray(sum(k * c * v ** (k - 1) for k, c in enumerate(coefficients) if k >= 1))


def _root(coefficients: Floats) -> float | None:
    """The first zero beyond the last reading."""
    roots = np.roots(coefficients[::-1])
    real = roots.real[(np.abs(roots.imag) < 1e-9) & (roots.real > 0.0)]
    return float(real.min()) if len(real) else None


def _straight(v: Floats, z: Floats, u: Floats) -> float:
    design = np.column_stack([np.ones_like(v), v]) / u[:, None]
    level, slope = np.linalg.lstsq(design, z / u, rcond=None)[0]
    return float(-level / slope) if slope < 0.0 else float("inf")
