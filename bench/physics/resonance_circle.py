"""From fitted poles to f0, Q and coupling, with their covariance.

With d = |b|/|a| the circle's size against the loop far off resonance, Q = 2 QL/(2 - d) and beta = d/(2 - d): the method
of A. P. Gregory, "Q-factor measurement by using a vector network analyser", NPL report MAT 58 (2021), section 2.5, with
the loop's own loss taken from |a|.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench.physics.resonance_fit import Axis, Complexes, Floats, PoleFit, StackFit

# Above beta = 1 an error of the circle's size counts beta-fold in Q, and the size is known to 5 % at best.
SIZE_U = 0.05
# Loss seen in |a| may sit in the cable, where it shrinks a and b alike, or in the loop, where d comes out too large by up
# to half of it: evenly distributed between the two.
LOSS_U = 0.5 / 3**0.5
# A loop of reactance x times the line's resistance lends the tank some of it: Q comes out too small by about 1.1 beta x/QL
# (with noise of 1e-4 and more; 1.5 where the sweep is so quiet that the background's slope is seen). Nothing in the sweep tells x,
# but a loop is inductive, and taken to have hardly any reactance as often as a tenth to four tenths: a judgement (JCGM 100, 4.3),
# by which x is 0.125 on the average, with a standard deviation of 0.14. Q is corrected by the one (3.2.4), the other is uncertainty.
REACTANCE, REACTANCE_U = 1.1 * 0.125, 1.1 * 0.14


@dataclass(frozen=True, eq=False)
class Circles:
    """k resonances: `x0`, ln h, ln d as columns of `values` (k, 3), their covariance (k, 3, 3), and a, b (k,)."""

    values: Floats
    covariance: Floats
    a: Complexes
    b: Complexes


@dataclass(frozen=True, eq=False)
class Numbers:
    """k resonances in the user's terms; `q`, `q_u`, `beta` are NaN where the circle is as large as 2|a|.

    `cov` (k, 3, 3): of f0, loaded Q and unloaded Q.
    """

    f0_hz: Floats
    q_loaded: Floats
    q: Floats
    beta: Floats
    cov: Floats

    @property
    def f0_u_hz(self) -> Floats:
        return np.sqrt(self.cov[:, 0, 0])

    @property
    def q_loaded_u(self) -> Floats:
        return np.sqrt(self.cov[:, 1, 1])

    @property
    def q_u(self) -> Floats:
        return np.sqrt(self.cov[:, 2, 2])


def of_stack(fit: StackFit, keep: Floats | None = None) -> Circles:
    """Circles of a stack of one-pole fits.

    With `keep` (k,) between 0 and 1, as if the highest coefficient of the background were expected to be small: that
    part of it is kept, and the circle moves with it as their covariance says.
    """
    return _circles(
        fit.axis,
        fit.order,
        fit.x0,
        fit.h,
        fit.b,
        fit.coefficients,
        fit.covariance,
        fit.variance,
        None,
        keep,
    )


def on_axis(circles: Circles, own: Axis, other: Axis) -> Circles:
    """Circles of one axis as values on another."""
    values = circles.values.copy()
    values[:, 0] = (own.centre_hz + own.scale_hz * values[:, 0] - other.centre_hz) / other.scale_hz
    values[:, 1] += np.log(own.scale_hz / other.scale_hz)
    ratio = np.array([own.scale_hz / other.scale_hz, 1.0, 1.0])
    return Circles(values, circles.covariance * ratio[:, None] * ratio, circles.a, circles.b)


def of_pole(fit: PoleFit, pole: int = 0) -> Circles:
    """Circle of one pole of a fit; what other poles add at its place counts as background."""
    m = fit.order + 1
    at = [*range(m), m + pole, m + len(fit.x0) + pole]
    x = fit.x0[pole]
    others = sum(
        fit.b[i] / (1 + 1j * (x - fit.x0[i]) / fit.h[i]) for i in range(len(fit.x0)) if i != pole
    ) * np.ones(1)
    return _circles(
        fit.axis,
        fit.order,
        fit.x0[[pole]],
        fit.h[[pole]],
        fit.b[[pole]],
        fit.coefficients[None],
        fit.covariance[np.ix_(at, at)][None],
        np.array([fit.variance * fit.inflation]),
        others,
    )


def _circles(
    axis: Axis,
    order: int,
    x0: Floats,
    h: Floats,
    b: Complexes,
    coefficients: Complexes,
    inverse: Complexes,
    variance: Floats,
    others: Complexes | None,
    keep: Floats | None = None,
) -> Circles:
    at = axis.basis_at(x0, order)
    a = (at * coefficients).sum(-1)
    if others is not None:
        a = a + others
    a_safe = np.where(np.abs(a) > 1e-300, a, 1e-300)
    b_safe = np.where(np.abs(b) > 1e-300, b, 1e-300)
    turn = np.zeros_like(h)
    if order:
        # A rotating reference plane acts on b at the pole, which lies off the real axis: |b| grows by e^{2 pi tau h}.
        turn = ((axis.slope_at(x0, order) * coefficients).sum(-1) / a_safe).imag * h
        turn = np.clip(turn, -0.5, 0.5)
    values = np.stack([x0, np.log(h), np.log(np.abs(b_safe)) - np.log(np.abs(a_safe)) + turn], axis=-1)
    # Each quantity moves by Re(w . delta), delta the complex errors of coefficients, b and the pole's relative step.
    k, m = coefficients.shape
    w = np.zeros((k, 3, m + 2), dtype=complex)
    w[:, 0, m + 1] = -1j * h
    w[:, 1, m + 1] = -1.0
    w[:, 2, :m] = -at / a_safe[:, None]
    w[:, 2, m] = 1.0 / b_safe
    w[:, 2, m + 1] = 1.0
    spread = w @ inverse
    covariance = (spread @ w.conj().swapaxes(1, 2)).real
    if keep is not None:
        top = spread[:, :, m - 1]
        size = inverse[:, m - 1, m - 1].real
        values = values - ((1.0 - keep) / size)[:, None] * (top * coefficients[:, -1:]).real
        shared = (top[:, :, None] * top[:, None, :].conj()).real
        covariance = covariance - ((1.0 - keep) / size)[:, None, None] * shared
    return Circles(values, variance[:, None, None] * covariance, a, b)


def average(circles: list[Circles], weights: Floats) -> Circles:
    """Mean of several models' circles with weights (models, k); what they differ by goes into the covariance."""
    values = np.stack([c.values for c in circles])
    mean = np.einsum("mk,mki->ki", weights, values)
    off = values - mean
    covariance = np.einsum("mk,mkij->kij", weights, np.stack([c.covariance for c in circles]))
    covariance = covariance + np.einsum("mk,mki,mkj->kij", weights, off, off)
    best = weights.argmax(0)
    pick = np.arange(len(best))
    a = np.stack([c.a for c in circles])[best, pick]
    b = np.stack([c.b for c in circles])[best, pick]
    return Circles(mean, covariance, a, b)


def blend(first: Circles, second: Circles, share: Floats) -> Circles:
    """Mean of a model and another that holds with probability `share` (k,)."""
    off = second.values - first.values
    spread = (share * (1.0 - share))[:, None, None] * off[:, :, None] * off[:, None, :]
    part = share[:, None, None]
    pick = share > 0.5
    return Circles(
        first.values + share[:, None] * off,
        (1.0 - part) * first.covariance + part * second.covariance + spread,
        np.where(pick, second.a, first.a),
        np.where(pick, second.b, first.b),
    )


def blended_in(all_of: Circles, second: Circles, rows: NDArray[np.int_], share: Floats) -> Circles:
    """`all_of` with another model of some rows blended in."""
    first = Circles(all_of.values[rows], all_of.covariance[rows], all_of.a[rows], all_of.b[rows])
    mixed = blend(first, second, share)
    values, covariance = all_of.values.copy(), all_of.covariance.copy()
    values[rows], covariance[rows] = mixed.values, mixed.covariance
    return Circles(values, covariance, all_of.a, all_of.b)


def widened(circles: Circles, rival: Circles, share: float) -> Circles:
    """The same circles with a rival model's deviation, times `share`, added to the covariance."""
    off = rival.values - circles.values
    covariance = circles.covariance + share * off[:, :, None] * off[:, None, :]
    return Circles(circles.values, covariance, circles.a, circles.b)


def numbers(axis: Axis, circles: Circles) -> Numbers:
    """f0, loaded and unloaded Q, beta and covariance."""
    x0, log_h, log_d = circles.values.T
    f0 = axis.centre_hz + axis.scale_hz * x0
    q_loaded = f0 / (2 * axis.scale_hz * np.exp(log_h))
    d = np.exp(np.clip(log_d, -50.0, 50.0))
    room = np.where(d < 2.0, 2.0 - d, np.nan)
    beta = d / room
    q = 2 * q_loaded / room * (1 + REACTANCE * beta / q_loaded)
    k = len(f0)
    step = np.zeros((k, 3, 3))
    step[:, 0, 0] = axis.scale_hz
    step[:, 1, 0] = q_loaded * axis.scale_hz / f0
    step[:, 1, 1] = -q_loaded
    step[:, 2] = step[:, 1] * (q / q_loaded)[:, None]
    step[:, 2, 2] = q * beta
    cov = step @ circles.covariance @ step.swapaxes(1, 2)
    loss = np.clip(1.0 - np.abs(circles.a), 0.0, 1.0)
    for share in (SIZE_U * np.maximum(beta - 1.0, 0.0), LOSS_U * loss * beta, REACTANCE_U * beta / q_loaded):
        cov[:, 2, 2] += (share * q) ** 2
    return Numbers(f0, q_loaded, q, beta, cov)
