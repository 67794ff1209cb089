"""One sweep to f0 and Q, with uncertainty, or a plain word on why not.

Model, near one resonance: S(f) = a + b / (1 + 2j QL (f - f0)/f0), a with a slow slope where the data ask for it, the
whole turned by a cable of any length. `resonance_fit.py` has the arithmetic, `resonance_circle.py` the way from the
circle to unloaded Q (NPL report MAT 58, 2021), `resonance_study.py` the careful look at sweeps that are not plain.

Uncertainties are standard uncertainties from the sweep's own residuals (JCGM 100); that of the unloaded Q also counts
what a loop's own loss and reactance can do to it. Whether the background slopes is not decided but weighed (Bayes'
factor), and what the two answers differ by counts into the uncertainty.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bench.physics import resonance_circle as circle
from bench.physics.resonance_fit import (
    Axis,
    Complexes,
    Floats,
    StackFit,
    fit_stack,
    neighbour_correlation,
    polynomial_rss,
    shape,
)
from bench.physics.resonance_level import fit_level
from bench.physics.resonance_result import (
    ACROSS,
    EDGE,
    FEWEST_ACROSS,
    FEWEST_POINTS,
    WARNINGS,
    Background,
    Other,
    Resonance,
    across,
    clipped,
    model,
)
from bench.physics.resonance_search import Templates, templates
from bench.physics.resonance_study import SIGNIFICANT, WIDEST_U, Study, Window, study, unturned

__all__ = ["WARNINGS", "Background", "Other", "Resonance", "fit_level", "fit_sweep", "fit_sweeps", "model"]

CABLE_S = 10e-9  # there and back through a metre of cable
LOOP_TURN = 0.3  # radians that a loop's own reactance turns S for each e-fold of frequency
SLOPE_ODDS = 0.7  # of a slope against none, before the data are seen
TIGHT = 0.5
LOOSE_U = 0.05


def fit_sweep(f_hz: ArrayLike, s11: ArrayLike) -> Resonance:
    """Resonance in one sweep: f_hz (n,) in Hz, in any order and spacing, s11 (n,) complex.

    Raises
    ------
    ValueError
        The arrays do not match, or a frequency is not a positive number.
    """
    s = np.asarray(s11, dtype=np.complex128)
    if s.ndim != 1:
        raise ValueError("one sweep is a list of numbers; give a stack of sweeps to fit_sweeps")
    return fit_sweeps(f_hz, s[None])[0]


def fit_sweeps(f_hz: ArrayLike, s11: ArrayLike) -> list[Resonance]:
    """Resonance in each sweep of a stack on the same frequencies: f_hz (n,) in Hz, s11 (k, n) complex.

    Raises
    ------
    ValueError
        The arrays do not match, or a frequency is not a positive number.
    """
    f = np.asarray(f_hz, dtype=np.float64)
    s = np.asarray(s11, dtype=np.complex128)
    if f.ndim != 1 or s.ndim != 2 or s.shape[1] != len(f):
        raise ValueError("the sweeps (k, n) need as many points as there are frequencies (n,)")
    if not np.all(np.isfinite(f)) or np.any(f <= 0):
        raise ValueError("the frequencies must be finite and above zero")
    f, s = _in_order(f, s)
    results: list[Resonance | None] = [None] * len(s)
    whole = np.asarray(np.isfinite(s).all(axis=1))
    odd = np.array(~whole)
    if len(f) >= FEWEST_POINTS and whole.any():
        varying = np.abs(s - s[:, :1]).max(axis=1) > 1e-12 * np.abs(s).max(axis=1, initial=0.0)
        clean = whole & varying
        clean[clean] = [not clipped(row).any() for row in s[clean]]
        odd |= ~clean
        if clean.any():
            rows = np.flatnonzero(clean)
            for row, result in zip(rows, _plain(f, s[rows]), strict=True):
                results[row] = result
                odd[row] = result is None
    else:
        odd[:] = True
    for row in np.flatnonzero(odd):
        results[row] = _careful(f, s[row])
    return [result for result in results if result is not None]


def _in_order(f: Floats, s: Complexes) -> tuple[Floats, Complexes]:
    """Rising frequencies; points at the same frequency become their mean."""
    if len(f) < 2 or np.all(np.diff(f) > 0):
        return f, s
    order = np.argsort(f, kind="stable")
    places, first, count = np.unique(f[order], return_index=True, return_counts=True)
    mean: Any = np.add.reduceat(s[:, order], first, axis=1) / count
    return places.astype(np.float64), mean


# Plain sweeps, many at a time


def _plain(f: Floats, s: Complexes) -> list[Resonance | None]:
    """Results for those sweeps that one pole on a straight background explains; None for the others."""
    axis = Axis.of(f)
    shapes = templates(axis)
    if not len(shapes.x0):
        return [None] * len(s)
    best = (np.abs(shapes.response(s)) ** 2).argmax(axis=0)
    level = fit_stack(axis, s, shapes.x0[best], np.log(shapes.h[best]), 0)
    sloped, turn = _sloped(axis, s, level)
    flat, tilted = circle.of_stack(level), circle.of_stack(sloped)
    share, keep = _slope_odds(axis, level, sloped)
    circles = circle.blend(flat, tilted, share, keep)
    steeper = share * keep > 0.5
    residual = np.where(steeper[:, None], sloped.residual, level.residual)
    variance = np.where(steeper, sloped.variance, level.variance)
    plain = _is_plain(axis, shapes, s, circles, residual, variance, np.minimum(level.score, sloped.score))
    for fit, weight in ((level, 1 - share), (sloped, share)):
        plain &= (weight < 1e-6) | ((np.abs(fit.x0) < 1.5) & np.isfinite(fit.rss))
    found = circle.numbers(axis, circles)
    results: list[Resonance | None] = []
    for i in range(len(s)):
        if not plain[i]:
            results.append(None)
            continue
        fit, rate = (sloped, float(turn[i])) if steeper[i] else (level, 0.0)
        results.append(
            _result(
                found,
                i,
                points=len(f),
                near=across(f, float(found.f0_hz[i]), float(found.q_loaded[i])),
                edges=(float(f[0]), float(f[-1])),
                background=_background(fit, i, circles, rate, float(np.sqrt(variance[i]))),
            )
        )
    return results


def _sloped(axis: Axis, s: Complexes, level: StackFit) -> tuple[StackFit, Floats]:
    """One pole on a straight background; and the turn, radians per unit of x, taken out of each sweep beforehand.

    A long cable turns the background round so far that a straight line is not enough: where the bend would show above
    the noise, the turn is taken out and the fit repeated.
    """
    sloped = fit_stack(axis, s, level.x0, level.log_h, 1)
    middle = sloped.coefficients[:, 0] * axis.basis[0, 0]
    rate = (
        sloped.coefficients[:, 1] * axis.slope_at(np.array(0.0), 1)[1] / np.where(middle, middle, 1.0)
    ).imag
    bend = 0.5 * rate**2 * np.abs(middle) * 0.3 * np.sqrt(len(axis.x))
    rows = np.flatnonzero((bend > 0.3 * np.sqrt(sloped.variance)) & (np.abs(rate) < 3.0))
    turn = np.zeros(len(s))
    if len(rows):
        turn[rows] = rate[rows]
        unturned = s[rows] * np.exp(-1j * rate[rows, None] * axis.x)
        again = fit_stack(axis, unturned, sloped.x0[rows], sloped.log_h[rows], 1)
        sloped = sloped.replaced(rows, again)
    return sloped, turn


def _slope_odds(axis: Axis, level: StackFit, sloped: StackFit) -> tuple[Floats, Floats]:
    """How likely a slope is (k,), and which part of the fitted slope to keep if there is one (k,).

    Bayes' factor between no slope and one as the usual cable and loop make it; the sloped fit is drawn towards none
    as far as noise hides its slope.
    """
    middle_hz = axis.centre_hz + axis.scale_hz * level.x0
    usual = axis.scale_hz * (2 * np.pi * CABLE_S + LOOP_TURN / middle_hz)
    a = np.abs(sloped.background(sloped.x0))
    expected = (a * usual / np.abs(axis.slope_at(np.array(0.0), 1)[1])) ** 2
    known = sloped.variance * sloped.covariance()[:, 1, 1].real
    keep = expected / (expected + known)
    gain = len(axis.x) * np.log(np.maximum(level.rss / sloped.rss, 1.0)) * keep
    odds = np.log(SLOPE_ODDS) + gain + np.log(np.maximum(known, 1e-300) / (expected + known))
    share = 1.0 / (1.0 + np.exp(-np.clip(odds, -600.0, 600.0)))
    return share, keep


def _is_plain(
    axis: Axis,
    shapes: Templates,
    s: Complexes,
    circles: circle.Circles,
    residual: Complexes,
    variance: Floats,
    score: Floats,
) -> NDArray[np.bool_]:
    """Whether the one-pole fit is beyond doubt: everything else gets the careful look."""
    x0, log_h, _ = circles.values.T
    h = np.exp(np.clip(log_h, -50.0, 5.0))
    n = s.shape[1]
    left = (np.abs(shapes.response(residual)) ** 2).max(axis=0)
    rss = polynomial_rss(axis, s)
    without = (2 * n * np.log(rss) + 2 * np.arange(1, rss.shape[1] + 1) * np.log(2 * n)).min(axis=1)
    near = np.abs(axis.x - x0[:, None])
    found: NDArray[np.bool_] = (
        (np.abs(x0) + h < 1.0)
        & (h < 0.8)
        & (np.sqrt(circles.covariance[:, 1, 1]) < 0.5 * WIDEST_U)
        & ((near < ACROSS * h[:, None]).sum(axis=1) >= FEWEST_ACROSS)
        & ((near < h[:, None]).sum(axis=1) >= 2)
        & (neighbour_correlation(residual) < 3.5 / np.sqrt(2 * n))
        & (left < (SIGNIFICANT - 10.0) * variance)
        & (score + SIGNIFICANT < without)
    )
    return found


def _background(fit: StackFit, i: int, circles: circle.Circles, turn: float, noise: float) -> Background:
    axis = fit.axis
    x0, log_h, _ = circles.values[i]
    s = fit.residual[i] + axis.basis[:, : fit.order + 1] @ fit.coefficients[i]
    s = s + fit.b[i] * shape(axis.x, float(fit.x0[i]), float(fit.h[i]))
    r = shape(axis.x, float(x0), float(np.exp(log_h)))
    delay = -turn / (2 * np.pi * axis.scale_hz)
    return _line_under(axis, s, r, fit.order, float(x0), delay, noise)


def _line_under(
    axis: Axis, s: Complexes, r: Complexes, order: int, x0: float, delay_s: float, noise: float
) -> Background:
    """Background and circle for a pole that is settled."""
    powers = axis.x[:, None] ** np.arange(order + 1)
    solved = np.linalg.lstsq(np.column_stack([powers, r]).astype(complex), s, rcond=None)[0]
    a = complex(np.polynomial.polynomial.polyval(x0, solved[:-1]))
    return Background(
        centre_hz=axis.centre_hz,
        scale_hz=axis.scale_hz,
        coefficients=tuple(complex(c) for c in solved[:-1]),
        delay_s=delay_s,
        a=a,
        b=complex(solved[-1]),
        noise=noise,
        low_hz=float(axis.centre_hz - axis.scale_hz),
        high_hz=float(axis.centre_hz + axis.scale_hz),
    )


# One sweep, with care


def _careful(f: Floats, s: Complexes) -> Resonance:
    warnings: list[str] = []
    finite = np.isfinite(s)
    if not finite.all():
        warnings.append(WARNINGS["not finite"])
        f, s = f[finite], s[finite]
    if len(f) < FEWEST_POINTS:
        return Resonance(points_used=len(f), warnings=(*warnings, WARNINGS["too few points"]))
    if np.abs(s - s[0]).max() <= 1e-12 * np.abs(s).max():
        return Resonance(points_used=len(f), warnings=(*warnings, WARNINGS["not varying"]))
    cut = clipped(s)
    if cut.any():
        warnings.append(WARNINGS["clipped"])
        f, s = f[~cut], s[~cut]
        if len(f) < FEWEST_POINTS:
            return Resonance(points_used=len(f), warnings=tuple(warnings))
    seen = study(f, s)
    stray = _stray(f, seen)
    if stray.any():
        # A few wild points look like a resonance between two points of the sweep.
        warnings.append(WARNINGS["stray"])
        f, s = f[~stray], s[~stray]
        seen = study(f, s)
    if seen.main is None:
        return Resonance(points_used=len(f), warnings=(*warnings, _why_not(f, seen)))
    return _explained(f, s, seen, seen.main, warnings)


def _stray(f: Floats, seen: Study) -> NDArray[np.bool_]:
    """Points that only a further resonance, too narrow for the sweep to show, would explain."""
    stray = np.zeros(len(f), dtype=bool)
    for window, pole in seen.others:
        place = window.place(pole)
        if across(f, place.f0_hz, place.f0_hz / (2 * place.h_hz)) < FEWEST_ACROSS:
            stray |= np.abs(f - place.f0_hz) <= max(place.h_hz, 0.6 * float(np.diff(f).min()))
    return stray if stray.sum() <= 0.05 * len(f) else np.zeros(len(f), dtype=bool)


def _why_not(f: Floats, seen: Study) -> str:
    if seen.blurred is not None:
        place = seen.blurred.place()
        near_edge = min(place.f0_hz - f[0], f[-1] - place.f0_hz) < EDGE * place.h_hz
        near = across(f, place.f0_hz, place.f0_hz / (2 * place.h_hz))
        if near_edge:
            return WARNINGS["cut off"]
        return WARNINGS["too few points" if near < FEWEST_ACROSS else "noisy"]
    return WARNINGS["cut off" if seen.outside is not None else "no resonance"]


def _explained(f: Floats, s: Complexes, seen: Study, main: Window, warnings: list[str]) -> Resonance:
    pole, fit = seen.pole, main.best
    axis = fit.axis
    circles = circle.average(
        [circle.of_pole(one, pole) for one in main.fits], np.array(main.weights)[:, None]
    )
    for rival in main.rivals:
        other = circle.on_axis(circle.of_pole(rival, pole), rival.axis, axis)
        circles = circle.widened(circles, other, 1.0 / len(main.rivals))
    found = circle.numbers(axis, circles)
    f0, q_loaded = float(found.f0_hz[0]), float(found.q_loaded[0])
    if float(found.q_loaded_u[0]) > WIDEST_U * q_loaded:
        return Resonance(points_used=main.points, warnings=(*warnings, WARNINGS["noisy"]))
    near = across(f, f0, q_loaded)
    if near < FEWEST_ACROSS:
        return Resonance(points_used=main.points, warnings=(*warnings, WARNINGS["too few points"]))
    others = tuple(
        Other(place.f0_hz, place.f0_hz / (2 * place.h_hz)) for place in (w.place(i) for w, i in seen.others)
    )
    if others:
        warnings.append(WARNINGS["two resonances"])
    if main.rivals and float(found.q_loaded_u[0]) > 1e-3 * q_loaded:
        warnings.append(WARNINGS["uneven"])
    part = slice(main.low, main.high)
    turned = unturned(f, s, main.delay_s)[part]
    for i in range(len(fit.x0)):
        if i != pole:
            turned = turned - fit.b[i] * shape(axis.x, float(fit.x0[i]), float(fit.h[i]))
    turned = turned * np.exp(2j * np.pi * main.delay_s * (f.mean() - axis.centre_hz))
    x0, log_h, _ = circles.values[0]
    r = shape(axis.x, float(x0), float(np.exp(log_h)))
    background = _line_under(
        axis, turned, r, fit.order, float(x0), main.delay_s, float(np.sqrt(fit.variance))
    )
    return _result(
        found,
        0,
        points=main.points,
        near=near,
        edges=(float(f[0]), float(f[-1])),
        background=background,
        warnings=warnings,
        others=others,
    )


def _result(
    found: circle.Numbers,
    i: int,
    *,
    points: int,
    near: int,
    edges: tuple[float, float],
    background: Background,
    warnings: Sequence[str] = (),
    others: tuple[Other, ...] = (),
) -> Resonance:
    f0, q_loaded = float(found.f0_hz[i]), float(found.q_loaded[i])
    q, beta, cov = float(found.q[i]), float(found.beta[i]), found.cov[i]
    said = list(warnings)
    if min(f0 - edges[0], edges[1] - f0) < EDGE * f0 / (2 * q_loaded):
        said.append(WARNINGS["cut off"])
    if near < 2 * FEWEST_ACROSS:
        said.append(WARNINGS["too few points"])
    known = np.isfinite(q)
    if not known:
        said.append(WARNINGS["no circle"])
    elif beta > 1.0:
        said.append(WARNINGS["overcoupled"])
    elif beta > TIGHT:
        said.append(WARNINGS["tight"])
    elif beta < 0.02 and float(np.sqrt(cov[2, 2])) > LOOSE_U * q:
        said.append(WARNINGS["loose"])
    u = np.sqrt(np.diag(cov))
    return Resonance(
        f0_hz=f0,
        f0_u_hz=float(u[0]),
        q_loaded=q_loaded,
        q_loaded_u=float(u[1]),
        q=q if known else None,
        q_u=float(u[2]) if known else None,
        beta=beta if known else None,
        points_used=points,
        warnings=tuple(said),
        others=others,
        cov=cov,
        background=background,
    )
