"""Plain sweeps, many at a time: one pole on a straight background, and whether that is beyond doubt."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench.physics import resonance_circle as circle
from bench.physics.resonance_fit import (
    Axis,
    Complexes,
    Floats,
    StackFit,
    fit_stack,
    neighbour_correlation,
    odd_noise,
    polynomial_rss,
)
from bench.physics.resonance_result import ACROSS, FEWEST_ACROSS, Background
from bench.physics.resonance_search import Templates, templates
from bench.physics.resonance_study import SIGNIFICANT, WIDEST_U

# A slope as it is usual: half a metre of cable there and back, and the radians that a loop's own reactance turns S for each
# e-fold of frequency. Twice that loses a tenth more where a real slope hides in the noise, and saves nothing elsewhere.
CABLE_S = 5e-9
LOOP_TURN = 0.15
# Of a slope against none, before the data are seen. Where there is none, a twentieth is lost at most; where noise hides one,
# a tenth: more to either side costs more on the other (tests/benchmarks/resonance.py, tables bound and sloped).
SLOPE_ODDS = 0.25
BEND = 0.1  # what a loop bends S, after its turn is taken out, at an e-fold of frequency from the middle
BEND_ODDS = 0.7
MISMATCH = 0.3  # reflection at the joint of cable and loop or analyzer
BLOCK = 32_000  # numbers that stay in a processor's cache while a block of sweeps is fitted


@dataclass(frozen=True, eq=False)
class Plain:
    """Fits of k sweeps; only those that are `sure` (k,) may be believed."""

    axis: Axis
    sure: NDArray[np.bool_]
    found: circle.Numbers
    level: StackFit
    sloped: StackFit
    steeper: NDArray[np.bool_]
    turn: Floats

    def background(self, i: int) -> Background:
        """Background and circle of one sweep."""
        fit = self.sloped if self.steeper[i] else self.level
        axis = self.axis
        here, slope = axis.middle
        line = [complex(fit.coefficients[i] @ here[: fit.order + 1])]
        if fit.order:
            line.append(complex(fit.coefficients[i, 1] * slope[1]))
        x0 = float(fit.x0[i])
        return Background(
            centre_hz=axis.centre_hz,
            scale_hz=axis.scale_hz,
            coefficients=tuple(line),
            delay_s=-float(self.turn[i]) / (2 * np.pi * axis.scale_hz) if self.steeper[i] else 0.0,
            a=line[0] + (line[1] * x0 if fit.order else 0.0),
            b=complex(fit.b[i]),
            noise=float(np.sqrt(fit.variance[i])),
        )


def plain_fits(f: Floats, s: Complexes) -> Iterator[Plain | None]:
    """Fits of a stack (k, n), block by block; None for sweeps too short to look for anything."""
    axis = Axis.of(f)
    shapes = templates(axis)
    if not len(shapes.x0):
        yield None
        return
    rows = max(8, BLOCK // len(f))
    for first in range(0, len(s), rows):
        # Where there is no resonance, the fit runs away; such a sweep is never sure.
        with np.errstate(all="ignore"):
            block = _block(axis, shapes, s[first : first + rows])
        yield block


def _block(axis: Axis, shapes: Templates, s: Complexes) -> Plain:
    best = power(shapes.response(s)).argmax(axis=0)
    level = fit_stack(axis, s, shapes.x0[best], np.log(shapes.h[best]), 0)
    sloped, turn = _sloped(axis, s, level)
    share, keep = _slope_odds(axis, level, sloped)
    circles = circle.blend(circle.of_stack(level), circle.of_stack(sloped, keep), share)
    circles = _bent(axis, s, sloped, turn, share, circles)
    steeper = share > 0.5
    residual = np.where(steeper[:, None], sloped.residual, level.residual)
    variance = np.where(steeper, sloped.variance, level.variance)
    sure = _is_plain(axis, shapes, s, circles, residual, variance, np.minimum(level.score, sloped.score))
    sure &= np.isfinite(circles.covariance).all(axis=(1, 2))
    for fit, weight in ((level, 1 - share), (sloped, share)):
        sure &= (weight < 1e-6) | ((np.abs(fit.x0) < 1.5) & np.isfinite(fit.rss))
    return Plain(axis, sure, circle.numbers(axis, circles), level, sloped, steeper, turn)


def power(a: Complexes) -> Floats:
    """Squared size."""
    squared: Floats = a.real**2 + a.imag**2
    return squared


def _sloped(axis: Axis, s: Complexes, level: StackFit) -> tuple[StackFit, Floats]:
    """One pole on a straight background; and the turn, radians per unit of x, taken out of each sweep beforehand.

    A long cable turns the background round so far that a straight line is not enough: where the bend would show above
    the noise, the turn is taken out and the fit repeated.
    """
    sloped = fit_stack(axis, s, level.x0, level.log_h, 1)
    middle = sloped.coefficients[:, 0] * axis.basis[0, 0]
    rate = (sloped.coefficients[:, 1] * axis.middle[1][1] / np.where(middle, middle, 1.0)).imag
    bend = 0.5 * rate**2 * np.abs(middle) * 0.3 * np.sqrt(len(axis.x))
    rows = np.flatnonzero((bend > 0.3 * np.sqrt(sloped.variance)) & (np.abs(rate) < 3.0))
    turn = np.zeros(len(s))
    if len(rows):
        turn[rows] = rate[rows]
        unturned = s[rows] * np.exp(-1j * rate[rows, None] * axis.x)
        again = fit_stack(axis, unturned, sloped.x0[rows], sloped.log_h[rows], 1)
        sloped = sloped.replaced(rows, again)
    return sloped, turn


def _bent(
    axis: Axis, s: Complexes, sloped: StackFit, turn: Floats, share: Floats, circles: circle.Circles
) -> circle.Circles:
    """The circles with a bent background weighed in, for those sweeps wide enough that a bend could matter."""
    expected = (_bend(axis, sloped, turn) / (0.5 * abs(axis.curvature))) ** 2
    rows = np.flatnonzero(expected > 0.1 * sloped.variance)
    if not len(rows) or axis.basis.shape[1] < 3:
        return circles
    start = sloped.rows(rows)
    bent = fit_stack(axis, s[rows] * np.exp(-1j * turn[rows, None] * axis.x), start.x0, start.log_h, 2)
    more, keep = _odds(BEND_ODDS, start, bent, expected[rows], bent.variance * bent.covariance[:, 2, 2].real)
    return circle.blended_in(circles, circle.of_stack(bent, keep), rows, share[rows] * more)


def _bend(axis: Axis, sloped: StackFit, turn: Floats) -> Floats:
    """What the background of each sweep may bend by at its ends (k,): a loop's bend, and that of a mismatched cable.

    A cable's turn has been taken out, but not the ripple that a mismatch at its end makes.
    """
    middle_hz = axis.centre_hz + axis.scale_hz * sloped.x0
    share = BEND * (axis.scale_hz / middle_hz) ** 2 + 0.5 * MISMATCH * turn**2
    bend: Floats = share * np.abs(sloped.background(sloped.x0))
    return bend


def _slope_odds(axis: Axis, level: StackFit, sloped: StackFit) -> tuple[Floats, Floats]:
    """How likely a slope is (k,), and which part of the fitted slope to keep if there is one (k,).

    Bayes' factor between no slope and one as the usual cable and loop make it; the sloped fit is drawn towards none
    as far as noise hides its slope.
    """
    middle_hz = axis.centre_hz + axis.scale_hz * level.x0
    usual = axis.scale_hz * (2 * np.pi * CABLE_S + LOOP_TURN / middle_hz)
    a = np.abs(sloped.background(sloped.x0))
    expected = (a * usual / np.abs(axis.middle[1][1])) ** 2
    return _odds(SLOPE_ODDS, level, sloped, expected, sloped.variance * sloped.covariance[:, 1, 1].real)


def _odds(
    prior: float, without: StackFit, more: StackFit, expected: Floats, known: Floats
) -> tuple[Floats, Floats]:
    """Probability of one more term in the background and the part of it to keep, each (k,).

    `expected` and `known` are the variances of its coefficient before the data and from them.
    """
    keep = expected / (expected + known)
    gain = len(more.axis.x) * np.log(np.maximum(without.rss / more.rss, 1.0)) * keep
    odds = np.log(prior) + gain + np.log(np.maximum(known, 1e-300) / (expected + known))
    share: Floats = 1.0 / (1.0 + np.exp(-np.clip(odds, -600.0, 600.0)))
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
    left = power(shapes.response(residual)).max(axis=0)
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
        & ~odd_noise(residual)
        & (left < (SIGNIFICANT - 10.0) * variance)
        & (score + SIGNIFICANT < without)
    )
    return found
