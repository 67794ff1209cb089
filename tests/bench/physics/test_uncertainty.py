"""Least squares against certified answers; means and scatter against plain statistics."""

from __future__ import annotations

import numpy as np
import pytest

from bench.physics.uncertainty import combine, solve, weighted_mean

# NIST StRD, nonlinear regression, Misra1a (y = b1 (1 - exp(-b2 x))): data and certified values, from memory;
# confirmed here by agreement to nine digits.
MISRA1A = np.array(
    [
        (10.07, 77.6),
        (14.73, 114.9),
        (17.94, 141.1),
        (23.93, 190.8),
        (29.61, 239.9),
        (35.18, 289.0),
        (40.02, 332.8),
        (44.82, 378.4),
        (50.76, 434.8),
        (55.05, 477.3),
        (61.01, 536.8),
        (66.40, 593.1),
        (75.47, 689.1),
        (81.78, 760.0),
    ]
)
CERTIFIED = (2.3894212918e02, 5.5015643181e-04)
CERTIFIED_U = (2.7070075241e00, 7.2668688436e-06)
RESIDUAL_SD = 1.0187876330e-01


@pytest.mark.parametrize("start", [(500.0, 1e-4), (250.0, 5e-4)])
def test_certified_values_and_standard_errors(start):
    y, x = MISRA1A.T
    found = solve(
        lambda b: (y - b[0] * -np.expm1(-b[1] * x)) / RESIDUAL_SD,
        np.array(start),
        step=np.array([1.0, 1e-5]),
        rounds=200,
        tolerance=1e-10,
    )
    assert found.converged
    assert found.x == pytest.approx(CERTIFIED, rel=1e-6)
    assert found.u == pytest.approx(CERTIFIED_U, rel=1e-3)


def test_priors_among_the_residuals_give_the_bayesian_answer():
    """Two measurements of one value and a prior: precision-weighted mean."""
    found = solve(
        lambda x: np.array([(x[0] - 3.0) / 0.5, (x[0] - 4.0) / 1.0, (x[0] - 0.0) / 2.0]),
        np.array([0.0]),
        step=np.array([1.0]),
    )
    weights = np.array([4.0, 1.0, 0.25])
    assert found.x[0] == pytest.approx((12 + 4) / weights.sum())
    assert found.u[0] == pytest.approx(weights.sum() ** -0.5)


def test_mean_of_repeats_that_agree_has_the_uncertainty_of_its_weights():
    found = weighted_mean(np.array([10.0, 10.2, 9.9]), np.array([0.5, 0.5, 1.0]))
    assert found.value == pytest.approx(np.average([10, 10.2, 9.9], weights=[4, 4, 1]))
    assert found.u == pytest.approx(9**-0.5)


def test_mean_of_repeats_that_scatter_is_widened():
    values = np.array([100.0, 104.0, 97.0, 103.0, 95.0, 101.0])
    found = weighted_mean(values, np.full(6, 0.5))
    assert found.u > 2 * 0.5 / 6**0.5
    assert found.u == pytest.approx(values.std(ddof=1) / 6**0.5, rel=0.2)


def test_a_repeat_far_away_is_left_out_and_named():
    found = weighted_mean(np.array([150.0, 151.0, 92.0]), np.array([1.0, 1.0, 1.0]))
    assert found.left_out == (2,)
    assert found.value == pytest.approx(150.5)


def test_combine():
    assert combine(3.0, 4.0) == pytest.approx(5.0)
