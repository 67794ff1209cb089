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
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bench.physics import resonance_circle as circle
from bench.physics.resonance_fit import (
    Axis,
    Complexes,
    Floats,
    odd_noise,
    shape,
)
from bench.physics.resonance_level import fit_level
from bench.physics.resonance_parts import MANY, parts
from bench.physics.resonance_result import (
    EDGE,
    FEWEST_ACROSS,
    FEWEST_POINTS,
    FEWEST_SURE,
    WARNINGS,
    Background,
    Other,
    Resonance,
    across,
    clipped,
    model,
)
from bench.physics.resonance_stack import Plain, plain_fits
from bench.physics.resonance_study import WIDEST_U, Study, Window, study, unturned

__all__ = ["WARNINGS", "Background", "Other", "Resonance", "fit_level", "fit_sweep", "fit_sweeps", "model"]

TIGHT = 0.5
LOOSE_U = 0.05
LEAST_HZ, MOST_HZ = 1e-3, 1e15
# No passive tank reflects more than it is sent; beyond twice that something else than noise or a calibration is wrong.
SCALE = (1e-6, 2.0)
WILD = 1e6  # times the usual size: such a point leaves no room for the others in a double
STRAY_SHARE = 0.05
LONE = 15.0  # times the usual bend between three points
UNSURE = 0.03  # of ln Q: more than noise alone mostly leaves, so lone points may be the cause


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
    if not np.all(np.isfinite(f)) or np.any(f < LEAST_HZ) or np.any(f > MOST_HZ):
        raise ValueError("the frequencies must be finite and above zero, in Hz")
    f, s = _in_order(f, s)
    results: list[Resonance | None] = [None] * len(s)
    whole = np.asarray(np.isfinite(s).all(axis=1))
    odd = np.array(~whole)
    if FEWEST_POINTS <= len(f) <= MANY and whole.any():
        with np.errstate(over="ignore", invalid="ignore"):
            size = np.abs(s)
            largest, usual = size.max(axis=1), size.mean(axis=1)
            varying = np.abs(s - s[:, :1]).max(axis=1) > 1e-12 * largest
        clean = whole & varying & (usual > SCALE[0]) & (usual < SCALE[1])
        clean[clean] = ~_perhaps_clipped(s[clean])
        odd |= ~clean
        rows = np.flatnonzero(clean)
        odd[rows] = True
        first = 0
        for fits in plain_fits(f, s[rows]) if len(rows) else ():
            if fits is None:
                break
            for i, sure in enumerate(fits.sure):
                if sure:
                    row = rows[first + i]
                    results[row], odd[row] = _plain(f, fits, i), False
            first += len(fits.sure)
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


def _plain(f: Floats, fits: Plain, i: int) -> Resonance:
    """Result of one sweep that needs no careful look."""
    f0, q_loaded = float(fits.found.f0_hz[i]), float(fits.found.q_loaded[i])
    return _result(
        fits.found,
        i,
        points=len(f),
        near=across(f, f0, q_loaded),
        edges=(float(f[0]), float(f[-1])),
        background=fits.background(i),
    )


def _perhaps_clipped(s: Complexes) -> NDArray[np.bool_]:
    """Sweeps of a stack (k, n) with points on a limit."""
    size = np.round(np.abs(s), 9)
    often = np.zeros(len(s), dtype=bool)
    for values in (s.real, s.imag, size):
        often |= (values == values.max(axis=1, keepdims=True)).sum(axis=1) >= 4
        often |= (values == values.min(axis=1, keepdims=True)).sum(axis=1) >= 4
    often[often] = [clipped(row).any() for row in s[often]]
    return often


# One sweep, with care


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
    )


def _careful(f: Floats, s: Complexes) -> Resonance:
    warnings: list[str] = []
    finite = np.isfinite(s)
    if not finite.all():
        warnings.append(WARNINGS["not finite"])
        f, s = f[finite], s[finite]
    if len(f) < FEWEST_POINTS:
        return Resonance(points_used=len(f), warnings=(*warnings, WARNINGS["too few points"]))
    usual = float(np.median(np.abs(s)))
    wild = np.abs(s) > WILD * max(usual, 1e-300)
    if 0 < wild.sum() <= STRAY_SHARE * len(f):
        warnings.append(WARNINGS["stray"])
        f, s = f[~wild], s[~wild]
    if usual > 0 and not SCALE[0] < usual < SCALE[1]:
        found = _unit_careful(f, s / usual, [*warnings, WARNINGS["scale"]])
        back = found.background
        return found if back is None else replace(found, background=back.times(usual))
    return _unit_careful(f, s, warnings)


def _unit_careful(f: Floats, s: Complexes, warnings: list[str]) -> Resonance:
    """The careful look at a sweep of finite values of the size of a reflection."""
    if np.abs(s - s[0]).max() <= 1e-12 * np.abs(s).max():
        return Resonance(points_used=len(f), warnings=(*warnings, WARNINGS["not varying"]))
    cut = clipped(s)
    if cut.any():
        warnings.append(WARNINGS["clipped"])
        f, s = f[~cut], s[~cut]
        if len(f) < FEWEST_POINTS:
            return Resonance(points_used=len(f), warnings=tuple(warnings))
    if len(f) > MANY:
        return _of_parts(f, s, warnings)
    seen = study(f, s)
    lone = _lone(s)
    if lone.any() and (seen.main is None or seen.main.error > UNSURE):
        without = study(f[~lone], s[~lone])
        if without.main is not None and (seen.main is None or without.main.error < 0.3 * seen.main.error):
            if WARNINGS["stray"] not in warnings:
                warnings.append(WARNINGS["stray"])
            f, s, seen = f[~lone], s[~lone], without
    stray = _stray(f, seen)
    if stray.any():
        # A few wild points look like a resonance between two points of the sweep.
        if WARNINGS["stray"] not in warnings:
            warnings.append(WARNINGS["stray"])
        f, s = f[~stray], s[~stray]
        seen = study(f, s)
    if seen.main is None:
        return Resonance(points_used=len(f), warnings=(*warnings, _why_not(f, seen)))
    return _explained(f, s, seen, seen.main, warnings)


def _of_parts(f: Floats, s: Complexes, warnings: list[str]) -> Resonance:
    """The best determined resonance of a sweep of more points than need be looked at, and the others."""
    seen: list[Resonance] = []
    one = Resonance()
    for part in parts(s):
        one = fit_sweep(*part.of(f, s))
        if one.f0_hz and one.q_loaded:
            again = part.finer(f, one.f0_hz, one.f0_hz / (2 * one.q_loaded))
            if again is not None and not any(_near(one, other) for other in seen):
                part, one = again, fit_sweep(*again.of(f, s))
        if one.found and not any(_near(one, other) for other in seen):
            seen.append(replace(one, points_used=one.points_used * part.by))
    if not seen:
        return replace(one, points_used=len(f), warnings=(*warnings, *one.warnings))
    main = min(seen, key=lambda one: (one.q_loaded_u or 0.0) / (one.q_loaded or 1.0))
    more = [Other(one.f0_hz or 0.0, one.q_loaded or 0.0) for one in seen if one is not main]
    if more and not main.says("two resonances"):
        warnings.append(WARNINGS["two resonances"])
    return replace(main, others=(*main.others, *more), warnings=(*warnings, *main.warnings))


def _near(one: Resonance, other: Resonance) -> bool:
    """Whether two results are of the same resonance."""
    if not (one.f0_hz and other.f0_hz and one.q_loaded and other.q_loaded):
        return False
    width = one.f0_hz / one.q_loaded + other.f0_hz / other.q_loaded
    return abs(one.f0_hz - other.f0_hz) < 0.5 * width


def _stray(f: Floats, seen: Study) -> NDArray[np.bool_]:
    """Points that only a further resonance, too narrow for the sweep to show, would explain."""
    stray = np.zeros(len(f), dtype=bool)
    for window, pole in seen.others:
        place = window.place(pole)
        if across(f, place.f0_hz, place.f0_hz / (2 * place.h_hz)) < FEWEST_ACROSS:
            stray |= np.abs(f - place.f0_hz) <= max(place.h_hz, 0.6 * float(np.diff(f).min()))
    return stray if stray.sum() <= STRAY_SHARE * len(f) else np.zeros(len(f), dtype=bool)


def _lone(s: Complexes) -> NDArray[np.bool_]:
    """Points (n,) that alone are far off a straight line between their neighbours: without them the sweep is smooth there."""
    lone = np.zeros(len(s), dtype=bool)
    for _ in range(int(STRAY_SHARE * len(s)) + 1):
        at = np.flatnonzero(~lone)
        kept = s[at]
        bend = np.abs(kept[1:-1] - 0.5 * (kept[:-2] + kept[2:]))
        i = int(bend.argmax())
        if bend[i] < LONE * float(np.median(bend)):
            return lone
        lone[at[i + 1]] = True
    return np.zeros(len(s), dtype=bool)


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
    if (main.rivals or odd_noise(fit.residual[None])[0]) and float(found.q_loaded_u[0]) > 1e-3 * q_loaded:
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
    if near < FEWEST_SURE:
        said.append(WARNINGS["too few points"])
    known = np.isfinite(q)
    if not known:
        said.append(WARNINGS["no circle"])
    elif beta > 1.0:
        said.append(WARNINGS["overcoupled"])
    elif beta > TIGHT:
        said.append(WARNINGS["tight"])
    elif float(np.sqrt(cov[2, 2])) > LOOSE_U * q and (beta < 0.02 or not said):
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
