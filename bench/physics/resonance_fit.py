"""Least squares for poles on a smooth background: the arithmetic under `resonance.py`.

Near a resonance S(f) = a(f) + b / (1 + j(f - f0)/h), with h half the bandwidth and a(f) a polynomial of low order. Given
f0 and h the rest is linear, so it is eliminated (variable projection: Golub and Pereyra, SIAM J. Numer. Anal. 10, 1973;
Kaufman's Jacobian). With r = 1/(1 + j(f - f0)/h) the two derivatives that remain are both multiples of r²:
dr/df0 = (j/h) r² and dr/d(ln h) = -r² (+ r), so one complex Gauss-Newton step moves the pole, and the errors of f0/h and
ln h are independent and equal.

A reference plane that is off, or a cable of any length, multiplies all of S by a smooth function. That leaves the pole
where it is: a smooth function times b/(1 + jy) is a multiple of 1/(1 + jy) plus something smooth.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
from numpy.polynomial.legendre import legvander
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

MOST_ORDER = 4
MOST_STEPS = 30
PLACES, WIDEST = (
    (-3.0, 3.0),
    float(np.log(6.0)),
)  # where poles are looked for on the axis, and ln of the widest
PEAKED = 20.0  # of fourth moments, times the root of n: normal noise comes there once in 50,000 sweeps
WELL_APART = 1e-3  # of a triangle's diagonal to its largest number: then nothing is lost by plain elimination
SMALLEST = 1e-13  # rounding of a double that went through a file, relative to the largest |S|


@dataclass(frozen=True, eq=False)
class Axis:
    """Frequencies on a scale of -1 to 1, with polynomials that are orthonormal on the points.

    `x` (n,): (f - centre_hz) / scale_hz; `basis` (n, m): column i is a polynomial of order i; `to_basis` (m, m): Legendre
    values at any x times this are the basis there.
    """

    centre_hz: float
    scale_hz: float
    x: Floats
    basis: Floats
    to_basis: Floats

    @classmethod
    def of(cls, f_hz: Floats, most_order: int = MOST_ORDER) -> Axis:
        """Axis of frequencies in Hz (n,), rising."""
        centre = 0.5 * (f_hz[0] + f_hz[-1])
        scale = 0.5 * (f_hz[-1] - f_hz[0])
        x = (f_hz - centre) / scale
        legendre = legvander(x, min(most_order, len(x) - 1))
        basis, triangle = np.linalg.qr(legendre)
        return cls(float(centre), float(scale), x, basis, np.linalg.inv(triangle))

    @cached_property
    def middle(self) -> tuple[Floats, Floats]:
        """Basis and its derivative at x = 0, all orders: (m,), (m,)."""
        order = self.basis.shape[1] - 1
        return self.basis_at(np.array(0.0), order), self.slope_at(np.array(0.0), order)

    @cached_property
    def curvature(self) -> float:
        """Second derivative by x of the basis' parabola."""
        at = self.basis_at(np.array([-1.0, 0.0, 1.0]), 2)[:, 2]
        return float(at[0] - 2 * at[1] + at[2])

    def basis_at(self, x: Floats, order: int) -> Floats:
        """Basis up to `order` at other places: (..., order + 1)."""
        values: Floats = _legendre(x, order)[0] @ self.to_basis[: order + 1, : order + 1]
        return values

    def slope_at(self, x: Floats, order: int) -> Floats:
        """Derivative of the basis by x: (..., order + 1)."""
        slopes: Floats = _legendre(x, order)[1] @ self.to_basis[: order + 1, : order + 1]
        return slopes


def _legendre(x: Floats, order: int) -> tuple[Floats, Floats]:
    """Legendre polynomials up to `order` at x, and their derivatives: (..., order + 1) each, by Bonnet's recursion."""
    places = np.asarray(x, dtype=float)
    values, slopes = np.empty((order + 1, *places.shape)), np.zeros((order + 1, *places.shape))
    values[0] = 1.0
    if order:
        values[1], slopes[1] = places, 1.0
    for i in range(2, order + 1):
        values[i] = (values[i - 1] * places * (2 * i - 1) - values[i - 2] * (i - 1)) / i
        slopes[i] = slopes[i - 2] + (2 * i - 1) * values[i - 1]
    last = (*range(1, values.ndim), 0)
    return values.transpose(last), slopes.transpose(last)


def shape(x: Floats, x0: Floats | float, h: Floats | float) -> Complexes:
    """1 / (1 + j(x - x0)/h), broadcast."""
    y = np.asarray((x - x0) / h)
    real = y * y
    real += 1.0
    np.reciprocal(real, out=real)
    r = np.empty(real.shape, dtype=np.complex128)
    r.real = real
    y *= real
    np.negative(y, out=r.imag)
    return r


@dataclass(frozen=True, eq=False)
class StackFit:
    """One pole in each of k sweeps on the same n frequencies.

    `x0`, `log_h`, `b`, `rss` (k,); `coefficients` (k, order + 1) of the background; `residual` (k, n).
    """

    axis: Axis
    order: int
    x0: Floats
    log_h: Floats
    b: Complexes
    coefficients: Complexes
    residual: Complexes
    rss: Floats

    @property
    def h(self) -> Floats:
        return np.exp(self.log_h)

    @cached_property
    def dof(self) -> int:
        """Real data less real unknowns."""
        return 2 * len(self.axis.x) - 2 * (self.order + 1) - 4

    @cached_property
    def variance(self) -> Floats:
        """Noise variance of one quadrature (k,)."""
        return self.rss / max(self.dof, 1)

    @cached_property
    def score(self) -> Floats:
        """Schwarz's criterion (k,): small is good."""
        n = 2 * len(self.axis.x)
        score: Floats = n * np.log(self.rss) + (2 * (self.order + 1) + 4) * np.log(n)
        return score

    def rows(self, rows: NDArray[np.int_]) -> StackFit:
        """Some of the sweeps."""
        return StackFit(
            self.axis,
            self.order,
            self.x0[rows],
            self.log_h[rows],
            self.b[rows],
            self.coefficients[rows],
            self.residual[rows],
            self.rss[rows],
        )

    def replaced(self, rows: NDArray[np.int_], other: StackFit) -> StackFit:
        """The same with some rows taken from another fit on the same axis."""
        changed: dict[str, Any] = {}
        for name in ("x0", "log_h", "b", "coefficients", "residual", "rss"):
            changed[name] = getattr(self, name).copy()
            changed[name][rows] = getattr(other, name)
        return StackFit(self.axis, self.order, **changed)

    def background(self, x: Floats) -> Complexes:
        """Background at one place of each sweep (k,)."""
        values: Complexes = (self.axis.basis_at(x, self.order) * self.coefficients).sum(-1)
        return values

    @cached_property
    def covariance(self) -> Complexes:
        """(G^H G)^-1 (k, m + 2, m + 2) of coefficients, b, and the relative step of the pole; times the variance."""
        m = self.order + 1
        basis = self.axis.basis[:, :m]
        r = shape(self.axis.x, self.x0[:, None], self.h[:, None])
        columns = (r, self.b[:, None] * r * r)
        gram = np.zeros((len(r), m + 2, m + 2), dtype=complex)
        gram[:, :m, :m] = np.eye(m)
        for i, column in enumerate(columns):
            gram[:, :m, m + i] = column @ basis
            gram[:, m + i, :m] = gram[:, :m, m + i].conj()
            gram[:, m + i, m + i] = _power(column)
        gram[:, m, m + 1] = _dot(*columns)
        gram[:, m + 1, m] = gram[:, m, m + 1].conj()
        return inverse(gram)


def inverse(gram: Complexes) -> Complexes:
    """Inverse of Gram matrices (..., p, p), scaled first; a singular one gives very large variances."""
    scale = np.sqrt(np.maximum(np.einsum("...ii->...i", gram).real, 1e-300))
    unit = gram / (scale[..., :, None] * scale[..., None, :])
    size = gram.shape[-1]
    found: Complexes = np.linalg.inv(unit + 1e-15 * np.eye(size))
    found /= scale[..., :, None] * scale[..., None, :]
    return found


def polynomial_rss(axis: Axis, s: Complexes) -> Floats:
    """Squared residual of polynomials without a pole (k, orders), order 0 first."""
    total = (np.abs(s) ** 2).sum(-1)
    explained = np.cumsum(np.abs(s @ axis.basis) ** 2, axis=-1)
    left: Floats = np.maximum(total[..., None] - explained, smallest_rss(s)[..., None])
    return left


def smallest_rss(s: Complexes) -> Floats:
    """The squared residual that rounding alone leaves (k,)."""
    largest = np.abs(s).max(-1)
    least: Floats = np.maximum(s.shape[-1] * (SMALLEST * largest) ** 2, 1e-290)
    return least


def _real_project(a: Complexes, basis: Floats) -> Complexes:
    """a less its part in the span of a real orthonormal basis; a is (k, n)."""
    if basis.shape[1] == 1:
        level: Complexes = a - (a.sum(-1) * (basis[0, 0] ** 2))[:, None]
        return level
    rest: Complexes = a - (a @ basis) @ basis.T
    return rest


def _dot(a: Complexes, b: Complexes) -> Complexes:
    """Sum of conj(a) b over the last axis."""
    if len(a) == 1:
        return np.array([np.vdot(a[0], b[0])])
    found: Complexes = np.einsum("kn,kn->k", a.conj(), b)
    return found


def _power(a: Complexes) -> Floats:
    if len(a) == 1:
        return np.array([np.vdot(a[0], a[0]).real])
    flat = np.ascontiguousarray(a).view(np.float64)
    found: Floats = np.einsum("kn,kn->k", flat, flat)
    return found


def fit_stack(axis: Axis, s: Complexes, x0: Floats, log_h: Floats, order: int) -> StackFit:
    """One pole and a background of `order` in each sweep of a stack, by damped Gauss-Newton.

    Parameters
    ----------
    s : (k, n) complex.
    x0, log_h : (k,) start, on the axis' scale.
    """
    basis = axis.basis[:, : order + 1]
    s_rest = _real_project(s, basis)
    floor = smallest_rss(s)
    k = len(s)
    x0, log_h = x0.astype(float).copy(), log_h.astype(float).copy()
    b = np.zeros(k, dtype=complex)
    residual = s_rest.copy()
    rss = np.full(k, np.inf)
    step = np.zeros(k, dtype=complex)
    share = np.ones(k)
    narrowest = np.log(0.02 * np.diff(axis.x).min())
    active = np.arange(k)
    trial_x, trial_log = x0.copy(), log_h.copy()
    for _ in range(MOST_STEPS):
        h = np.exp(trial_log[active])
        r = shape(axis.x, trial_x[active, None], h[:, None])
        r_rest = _real_project(r, basis)
        size = np.maximum(_power(r_rest), 1e-300)
        rows = s_rest[active] if len(active) < k else s_rest
        b_new = _dot(r_rest, rows) / size
        rest = rows - b_new[:, None] * r_rest
        cost = np.maximum(_power(rest), floor[active])
        better = cost <= rss[active] * (1 + 1e-12)
        good, bad = active[better], active[~better]
        if len(good):
            x0[good], log_h[good] = trial_x[good], trial_log[good]
            b[good], rss[good] = b_new[better], cost[better]
            residual[good] = rest[better]
            r, r_rest, size = r[better], r_rest[better], size[better]
            v = _real_project(r * r, basis)
            v -= (_dot(r_rest, v) / size)[:, None] * r_rest
            length = np.maximum(_power(v), 1e-300)
            step[good] = _dot(v, residual[good]) / (b[good] * length)
            # Steps far below what noise can tell are not worth taking.
            noise = np.sqrt(rss[good] / (2 * len(axis.x) * length)) / np.maximum(np.abs(b[good]), 1e-300)
            share[good] = np.minimum(1.0, 0.9 / np.maximum(np.abs(step[good]), 1e-300))
            good = good[np.abs(step[good]) > 3e-4 * noise + 1e-11]
        share[bad] *= 0.3
        bad = bad[share[bad] > 1e-4]
        active = np.sort(np.concatenate([good, bad]))
        if not len(active):
            break
        move = share[active] * step[active]
        trial_x[active] = _within(x0[active] + np.exp(log_h[active]) * move.imag, *PLACES)
        trial_log[active] = _within(log_h[active] - move.real, narrowest, WIDEST)
    r = shape(axis.x, x0[:, None], np.exp(log_h)[:, None])
    coefficients = (s - b[:, None] * r) @ basis
    return StackFit(axis, order, x0, log_h, b, coefficients, residual, rss)


@dataclass(frozen=True, eq=False)
class PoleFit:
    """Any number p of poles in one sweep of n points.

    `x0`, `log_h`, `b` (p,); `coefficients` (order + 1,); `residual` (n,); `covariance` (order + 1 + 2p)²: of
    coefficients, all b, and all relative steps of poles; times the variance.
    """

    axis: Axis
    order: int
    x0: Floats
    log_h: Floats
    b: Complexes
    coefficients: Complexes
    residual: Complexes
    rss: float
    covariance: Complexes

    @property
    def h(self) -> Floats:
        return np.exp(self.log_h)

    @property
    def dof(self) -> int:
        return 2 * len(self.axis.x) - 2 * (self.order + 1) - 4 * len(self.x0)

    @property
    def variance(self) -> float:
        return self.rss / max(self.dof, 1)

    @property
    def score(self) -> float:
        n = 2 * len(self.axis.x)
        return float(n * np.log(self.rss) + (2 * (self.order + 1) + 4 * len(self.x0)) * np.log(n))

    def background(self, x: float) -> complex:
        return complex(self.axis.basis_at(np.array(x), self.order) @ self.coefficients)

    def background_and_poles(self) -> Complexes:
        """The fitted S on the points (n,)."""
        poles = shape(self.axis.x[:, None], self.x0, self.h) @ self.b
        fitted: Complexes = self.axis.basis[:, : self.order + 1] @ self.coefficients + poles
        return fitted

    def u_log_h(self, pole: int = 0) -> float:
        """Standard uncertainty of ln h."""
        at = self.order + 1 + len(self.x0) + pole
        return float(np.sqrt(self.variance * max(self.covariance[at, at].real, 0.0)))

    @cached_property
    def inflation(self) -> float:
        """What structure left in the residual adds to the variance: (1 + r)/(1 - r) of its neighbour correlation r.

        White noise gives 1: a correlation that chance can make does not count.
        """
        rho = neighbour_correlation(self.residual[None])[0]
        if rho < 3.5 / np.sqrt(2 * len(self.residual)):
            return 1.0
        return float((1 + rho) / max(1 - rho, 1e-3))


def neighbour_correlation(residual: Complexes) -> Floats:
    """Correlation of each residual with the next (k,), of (k, n)."""
    power = np.maximum(_power(residual), 1e-300)
    shared: Floats = _dot(residual[:, :-1], residual[:, 1:]).real
    return shared / power


def odd_noise(residual: Complexes) -> NDArray[np.bool_]:
    """Whether residuals (k, n) are no white noise of normal distribution, though without structure from point to point.

    Neighbours that miss by turns: two sweeps that disagree, each between the other's points. Fourth moment over the
    square of the second, 2 for normal noise: some points carry something else as well.
    """
    n = residual.shape[-1]
    squared = residual.real**2 + residual.imag**2
    peaked = (squared**2).mean(-1) / np.maximum(squared.mean(-1) ** 2, 1e-300)
    odd: NDArray[np.bool_] = (neighbour_correlation(residual) < -4.5 / np.sqrt(2 * n)) | (
        peaked > 2 + PEAKED / np.sqrt(n)
    )
    return odd


def fit_poles(axis: Axis, s: Complexes, x0: Floats, log_h: Floats, order: int) -> PoleFit:
    """Poles on a background of `order` in one sweep (n,), started at `x0`, `log_h` (p,)."""
    basis = axis.basis[:, : order + 1].astype(complex)
    s_rest = s - basis @ (basis.T @ s)
    floor = float(smallest_rss(s[None])[0])
    narrowest = np.log(0.02 * np.diff(axis.x).min())
    step: Complexes = np.zeros(len(x0), dtype=complex)
    share = 1.0
    trial_x, trial_log = np.array(x0, dtype=float), np.array(log_h, dtype=float)
    cost, x_found, log_found = np.inf, trial_x, trial_log
    residual: Complexes = s_rest
    b: Complexes = step
    for _ in range(MOST_STEPS):
        r = shape(axis.x[:, None], trial_x, np.exp(trial_log))
        unit, triangle = _orthonormal(r - basis @ (basis.T @ r))
        along = unit.conj().T @ s_rest
        rest = s_rest - unit @ along
        new = max(float(np.vdot(rest, rest).real), floor)
        if new <= cost * (1 + 1e-12):
            cost, x_found, log_found, residual = new, trial_x, trial_log, rest
            b = _solve(triangle, along)
            v = b * r * r
            v = v - basis @ (basis.T @ v)
            v = v - unit @ (unit.conj().T @ v)
            v_unit, v_triangle = _orthonormal(v)
            step = _solve(v_triangle, v_unit.conj().T @ residual)
            # Steps far below what noise can tell are not worth taking.
            noise = np.sqrt(cost / (2 * len(s))) / np.maximum(_lengths(v), 1e-150)
            if np.all(np.abs(step) < 3e-4 * noise + 1e-11):
                break
            share = min(1.0, 0.9 / max(float(np.abs(step).max()), 1e-300))
        else:
            share *= 0.3
            if share < 1e-4:
                break
        trial_x = _within(x_found + np.exp(log_found) * (share * step).imag, *PLACES)
        trial_log = _within(log_found - (share * step).real, narrowest, WIDEST)
    r = shape(axis.x[:, None], x_found, np.exp(log_found))
    coefficients = basis.T @ (s - r @ b)
    columns = np.concatenate([basis, r, b * r * r], axis=1)
    covariance = inverse(columns.conj().T @ columns)
    return PoleFit(axis, order, x_found, log_found, b, coefficients, residual, cost, covariance)


def _orthonormal(columns: Complexes) -> tuple[Complexes, Complexes]:
    """Orthonormal columns (n, p) and the triangle (p, p) that makes the given ones of them.

    Gram and Schmidt, twice (Parlett, The Symmetric Eigenvalue Problem, 1980, from memory: twice is enough): for one or two columns that
    takes a third of what numpy's `qr` does.
    """
    unit, triangle = columns.copy(), np.zeros((columns.shape[1],) * 2, dtype=np.complex128)
    for i in range(columns.shape[1]):
        rest, before = columns[:, i], unit[:, :i]
        for _ in range(2 if i else 0):
            along = before.conj().T @ rest
            triangle[:i, i] += along
            rest = rest - before @ along
        length = max(float(np.vdot(rest, rest).real) ** 0.5, 1e-150)
        triangle[i, i] = length
        unit[:, i] = rest / length
    return unit, triangle


def _lengths(columns: Complexes) -> Floats:
    """Lengths (p,) of columns (n, p)."""
    lengths: Floats = np.sqrt((columns.real**2 + columns.imag**2).sum(axis=0))
    return lengths


def _within(a: Floats, low: float, high: float) -> Floats:
    """a (n,), no less than `low` and no more than `high`: as numpy's `clip`, which takes longer than all else of a step."""
    within: Floats = np.minimum(np.maximum(a, low), high)
    return within


def _solve(triangle: Complexes, values: Complexes) -> Complexes:
    if len(triangle) == 1:
        only: Complexes = values / triangle[0]
        return only
    across = np.abs(np.diag(triangle))
    if across.min() > WELL_APART * np.abs(triangle).max():
        plain: Complexes = np.asarray(np.linalg.solve(triangle, values), dtype=np.complex128)
        return plain
    found: Any = np.linalg.lstsq(triangle, values, rcond=1e-9)[0]
    solved: Complexes = found
    return solved
