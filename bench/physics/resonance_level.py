"""Resonance out of a level sweep: a generator, a loosely coupled detector, magnitude only.

With y = (f - f0)/h, h half the bandwidth, a detector whose reading follows the tank's voltage gives one of

- offset + A / sqrt(1 + y²): a reading at rest that adds to the resonance;
- sqrt(P0 + (P1 + P2 y)/(1 + y²)): the generator reaching the detector past the tank as well, in and out of phase;

and one whose reading follows power (a diode at small levels) gives P0 + (P1 + P2 y)/(1 + y²); where every point is known to
the same share of itself (the output held constant by the generator's level) that is fitted in its logarithm. Between the
first two the data decide, by weights (Schwarz's criterion, and odds against the second) where they do not tell clearly.
Without phase the same Q costs about seven times the points of a reflection sweep; and it is the loaded Q: how much the two
loops take cannot be told.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike

from bench.physics.resonance_fit import Floats
from bench.physics.resonance_parts import MANY, Part
from bench.physics.resonance_result import (
    EDGE,
    FEWEST_ACROSS,
    FEWEST_POINTS,
    WARNINGS,
    Resonance,
    across,
    clipped_values,
)
from bench.physics.resonance_study import SIGNIFICANT, WIDEST_U

# Of a generator that reaches the detector past the tank, against a reading at rest, where the data do not tell them apart:
# at even odds that doubt alone costs up to half as much again as noise.
LEAK_ODDS = 0.05
Law = Literal["linear", "square", "log"]
WIDTHS = 24
STEPS_IN_WIDTH = 1.25


@dataclass(frozen=True, eq=False)
class _Shape:
    """A model of the level: `value(y, linear parameters)`; the first parameters of a fit are x0 and ln h."""

    value: Callable[[Floats, Floats], Floats]
    start: Callable[[Floats, Floats], Floats]


def _offset_and_peak(y: Floats, p: Floats) -> Floats:
    level: Floats = p[0] + p[1] / np.sqrt(1 + y * y)
    return level


def _power(y: Floats, p: Floats) -> Floats:
    power: Floats = p[0] + (p[1] + p[2] * y) / (1 + y * y)
    return power


def _root_of_power(y: Floats, p: Floats) -> Floats:
    root: Floats = np.sqrt(np.maximum(_power(y, p), 1e-12))
    return root


def _log_of_power(y: Floats, p: Floats) -> Floats:
    log: Floats = np.log(np.maximum(_power(y, p), 1e-12))
    return log


def _start_log(y: Floats, v: Floats) -> Floats:
    # Of powers known to a share of themselves the least ones count most.
    power = np.exp(v)
    columns = np.stack([np.ones_like(y), 1 / (1 + y * y), y / (1 + y * y)], axis=1)
    return _line(columns / power[:, None], np.ones_like(v))


def _start_offset_and_peak(y: Floats, v: Floats) -> Floats:
    return _line(np.stack([np.ones_like(y), 1 / np.sqrt(1 + y * y)], axis=1), v)


def _start_power(y: Floats, v: Floats) -> Floats:
    return _line(np.stack([np.ones_like(y), 1 / (1 + y * y), y / (1 + y * y)], axis=1), v)


def _start_root(y: Floats, v: Floats) -> Floats:
    return _start_power(y, v * v)


def _line(columns: Floats, v: Floats) -> Floats:
    found: Any = np.linalg.lstsq(columns, v, rcond=None)[0]
    return np.asarray(found, dtype=np.float64)


SHAPES: dict[Law, tuple[_Shape, ...]] = {
    "linear": (
        _Shape(_offset_and_peak, _start_offset_and_peak),
        _Shape(_root_of_power, _start_root),
    ),
    "square": (_Shape(_power, _start_power),),
    "log": (_Shape(_log_of_power, _start_log),),
}


@dataclass(frozen=True, eq=False)
class _Fit:
    """x0 and ln h with covariance (2, 2), residual (n,), Schwarz's criterion."""

    x0: float
    log_h: float
    covariance: Floats
    residual: Floats
    score: float


def fit_level(f_hz: ArrayLike, level_v: ArrayLike, law: Law = "linear") -> Resonance:
    """Resonance in one sweep of level against frequency.

    Parameters
    ----------
    f_hz : (n,) Hz, in any order.
    level_v : (n,) the detector's reading, volts or any other unit.
    law : `linear` if the reading follows voltage, `square` if it follows power, `log` if it is the natural logarithm of power.

    Raises
    ------
    ValueError
        The arrays do not match, or a frequency is not a positive number.
    """
    f, v = np.asarray(f_hz, dtype=np.float64), np.asarray(level_v, dtype=np.float64)
    if f.ndim != 1 or f.shape != v.shape:
        raise ValueError("a level sweep needs as many levels as frequencies")
    if not np.all(np.isfinite(f)) or np.any(f <= 0):
        raise ValueError("the frequencies must be finite and above zero")
    order = np.argsort(f, kind="stable")
    f, v = f[order], v[order]
    warnings: list[str] = []
    whole = np.isfinite(v)
    if not whole.all():
        warnings.append(WARNINGS["not finite"])
        f, v = f[whole], v[whole]
    cut = clipped_values(v) | clipped_values(-v) if len(v) else whole
    if cut.any():
        warnings.append(WARNINGS["clipped"])
        f, v = f[~cut], v[~cut]
    if len(f) < FEWEST_POINTS:
        return Resonance(points_used=len(f), warnings=(*warnings, WARNINGS["too few points"]))
    if np.ptp(v) <= 1e-12 * np.abs(v).max():
        return Resonance(points_used=len(f), warnings=(*warnings, WARNINGS["not varying"]))
    if len(f) <= MANY:
        return _fitted(f, v, law, warnings)
    # The search lays every shape over all points: of a dense sweep it gets means, finer ones where those are too coarse.
    part = Part(0, len(f), -(-len(f) // MANY))
    found = _fitted(*part.of(f, v), law, list(warnings))
    if found.f0_hz and found.q_loaded:
        again = part.finer(f, found.f0_hz, found.f0_hz / (2 * found.q_loaded))
        if again is not None:
            part, found = again, _fitted(*again.of(f, v), law, list(warnings))
    return replace(found, points_used=found.points_used * part.by)


def _fitted(f: Floats, v: Floats, law: Law, warnings: list[str]) -> Resonance:
    # A tank's f/f0 - f0/f is odd in ln(f/f0): on a scale of f the two flanks would not be alike.
    g = np.log(f)
    centre, scale = 0.5 * (g[0] + g[-1]), 0.5 * (g[-1] - g[0])
    x = (g - centre) / scale
    if law == "log":
        v, unit = v - float(v.max()), 1.0
    else:
        unit = float(np.abs(v).max())
    start = _search(x, v / unit)
    nothing = Resonance(points_used=len(f), warnings=(*warnings, WARNINGS["no resonance"]))
    if start is None:
        return nothing
    fits = [fit for fit in (_solve(x, v / unit, shape, start) for shape in SHAPES[law]) if fit is not None]
    if not fits or not _beats_polynomial(x, v / unit, min(fit.score for fit in fits)):
        return nothing
    x0, log_h, covariance, uneven = _together(fits)
    f0 = float(np.exp(centre + scale * x0))
    h = f0 * scale * np.exp(log_h)
    on_it = across(f, f0, f0 / (2 * h))
    edge = min(f0 - f[0], f[-1] - f0) / h
    if edge < 0 or on_it < FEWEST_ACROSS or covariance[1, 1] > WIDEST_U**2:
        why = "cut off" if edge < EDGE else "too few points" if on_it < FEWEST_ACROSS else "noisy"
        return replace(nothing, warnings=(*warnings, WARNINGS[why]))
    if edge < EDGE:
        warnings.append(WARNINGS["cut off"])
    if on_it < 2 * FEWEST_ACROSS:
        warnings.append(WARNINGS["too few points"])
    if uneven:
        warnings.append(WARNINGS["uneven"])
    q = f0 / (2 * h)
    step = np.array([[f0 * scale, 0.0], [0.0, -q]])
    small = step @ covariance @ step.T
    cov = np.full((3, 3), np.nan)
    cov[:2, :2] = small
    return Resonance(
        f0_hz=float(f0),
        f0_u_hz=float(np.sqrt(small[0, 0])),
        q_loaded=float(q),
        q_loaded_u=float(np.sqrt(small[1, 1])),
        points_used=len(f),
        warnings=(*warnings, WARNINGS["loaded only"]),
        cov=cov,
    )


def _search(x: Floats, v: Floats) -> tuple[float, float] | None:
    """Place and width on the axis where a peak or dip on a straight line explains most; None where nothing sticks out."""
    spacing = float(np.diff(x).max())
    columns = np.stack([np.ones_like(x), x], axis=1)
    basis = np.linalg.qr(columns)[0]
    rest = v - basis @ (basis.T @ v)
    best: tuple[float, float, float] | None = None
    for h in np.geomspace(min(0.7 * spacing, 0.3), 0.8, WIDTHS):
        places = np.arange(-1.0, 1.0 + 1e-9, max(h / STEPS_IN_WIDTH, 0.25 * spacing))
        y = (x - places[:, None]) / h
        bump = 1 / (1 + y * y)
        bump -= (bump @ basis) @ basis.T
        power = np.maximum((bump**2).sum(1), 1e-12)
        explained = (bump @ rest) ** 2 / power
        at = int(explained.argmax())
        if best is None or explained[at] > best[0]:
            best = (float(explained[at]), float(places[at]), float(h))
    assert best is not None
    left = max(float(rest @ rest) - best[0], 1e-26)
    return best[1:] if (len(x) - 5) * np.log1p(best[0] / left) > 0.5 * SIGNIFICANT else None


def _solve(x: Floats, v: Floats, shape: _Shape, start: tuple[float, float]) -> _Fit | None:
    # Half a second of import that only level sweeps need.
    from scipy.optimize import least_squares

    x0, h = start
    first = np.concatenate([[x0, np.log(h)], shape.start((x - x0) / h, v)])

    def off(p: Floats) -> Floats:
        residual: Floats = shape.value((x - p[0]) * np.exp(-np.clip(p[1], -30.0, 10.0)), p[2:]) - v
        return residual

    found: Any = least_squares(off, first, method="lm", x_scale="jac", xtol=1e-11, ftol=1e-13, max_nfev=400)
    residual = np.asarray(found.fun, dtype=np.float64)
    dof = len(x) - len(first)
    if dof < 1 or not np.all(np.isfinite(found.x)):
        return None
    rss = max(float(residual @ residual), 1e-26)
    size = np.maximum(np.linalg.norm(found.jac, axis=0), 1e-150)
    scaled = found.jac / size
    gram = scaled.T @ scaled
    if np.linalg.cond(gram) > 1e13:
        return None
    covariance = np.linalg.inv(gram) / np.outer(size, size) * rss / dof
    score = len(x) * np.log(rss) + len(first) * np.log(len(x))
    return _Fit(float(found.x[0]), float(found.x[1]), covariance[:2, :2], residual, float(score))


def _beats_polynomial(x: Floats, v: Floats, score: float) -> bool:
    """Whether no polynomial with about as many unknowns explains the sweep as well."""
    n = len(x)
    for order in range(1, min(8, n - 3)):
        columns = np.polynomial.legendre.legvander(x, order)
        rest = v - columns @ np.linalg.lstsq(columns, v, rcond=None)[0]
        if n * np.log(max(float(rest @ rest), 1e-26)) + (order + 1) * np.log(n) < score:
            return False
    return True


def _together(fits: list[_Fit]) -> tuple[float, float, Floats, bool]:
    """Mean of the models by their weights, with what they differ by; structure in the residual widens it."""
    scores = np.array([fit.score for fit in fits])
    scores[1:] -= 2 * np.log(LEAK_ODDS)
    weights = np.exp(-0.5 * (scores - scores.min()))
    weights /= weights.sum()
    values = np.array([[fit.x0, fit.log_h] for fit in fits])
    mean = weights @ values
    off = values - mean
    covariance = np.einsum("m,mij->ij", weights, np.stack([fit.covariance for fit in fits]))
    covariance = covariance + np.einsum("m,mi,mj->ij", weights, off, off)
    residual = fits[int(weights.argmax())].residual
    rho = float(residual[1:] @ residual[:-1] / max(float(residual @ residual), 1e-300))
    uneven = rho > 3.5 / np.sqrt(len(residual))
    if uneven:
        covariance = covariance * (1 + rho) / max(1 - rho, 1e-3)
    return float(mean[0]), float(mean[1]), covariance, uneven
