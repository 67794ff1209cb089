"""Free lists against the bound of Cramer and Rao, worked out here from the reflection itself by numerical derivatives."""

from __future__ import annotations

import numpy as np
import pytest

from bench.physics import list_design, sweep_design
from bench.physics.resonance import fit_sweep
from bench.physics.resonance_fit import Complexes, Floats
from bench.physics.sweep_design import Belief, belief_of_guess

F0_HZ, Q, NOISE = 5e6, 100.0, 1e-3
WIDE = (1e5, 6e7)


def reflection(f_hz: Floats, numbers: Floats) -> Complexes:
    """A circle on a background with level and slope; numbers: ln f0, ln QL, and real and imaginary of b, a, slope."""
    f0, q = np.exp(numbers[:2])
    b, a, slope = (complex(*numbers[i : i + 2]) for i in (2, 4, 6))
    away = (f_hz - f0) / f0
    return np.asarray(a + slope * 2 * Q * (f_hz - F0_HZ) / F0_HZ + b / (1 + 2j * q * away))


def bound(f_hz: Floats, b: float, slope_u: float) -> float:
    """Least possible standard deviation of ln QL by points at `f_hz`; the slope known beforehand within `slope_u`."""
    at = np.array([np.log(F0_HZ), np.log(Q), b, 0.0, -1.0, 0.0, 0.0, 0.0])
    steps = np.array([1e-7, 1e-5, 1e-5, 1e-5, 1e-5, 1e-5, 1e-5, 1e-5])
    rows = [
        (reflection(f_hz, at + d) - reflection(f_hz, at - d)) / (2 * step)
        for d, step in zip(np.diag(steps), steps, strict=True)
    ]
    jacobian = np.concatenate([np.real(rows), np.imag(rows)], axis=1)
    information = jacobian @ jacobian.T / NOISE**2
    information[6:, 6:] += np.eye(2) / slope_u**2
    return float(np.sqrt(np.linalg.inv(information)[1, 1]))


def place_known(b: float) -> Belief:
    return Belief(np.array([F0_HZ]), np.array([F0_HZ / (2 * Q)]), np.array([b]), NOISE)


@pytest.mark.parametrize(("slope_u", "least"), [(1e-6, 0.03), (1e-2, 0.15)])
def test_a_list_needs_fewer_points_than_the_best_even_sweep(slope_u: float, least: float) -> None:
    """The bound with the slope known is 4.00 against 4.26 at best for even steps; a slope in question makes more of it."""
    n, half = 61, F0_HZ / (2 * Q)
    even = min(
        bound(np.linspace(F0_HZ - y * half, F0_HZ + y * half, n), 0.1, slope_u)
        for y in np.linspace(1.5, 8, 40)
    )
    cells, share = list_design.spread(place_known(0.1), np.empty(0), WIDE, n)
    listed = bound(list_design.drawn(cells, share, n), 0.1, slope_u)
    assert (even / listed) ** 2 - 1 > least


def test_the_fit_reaches_the_bound_on_a_list() -> None:
    """Shares of the bound with the slope free, which is what the fit can at most be asked for; 250 trials, 4.5 % (k = 1)."""
    b, random = 0.1, np.random.default_rng(5)
    cells, share = list_design.spread(place_known(b), np.empty(0), WIDE, 31)
    f_hz = list_design.drawn(cells, share, 31)
    clean = reflection(f_hz, np.array([np.log(F0_HZ), np.log(Q), b, 0.0, -1.0, 0.0, 0.0, 0.0]))
    errors = []
    for _ in range(250):
        noise = random.normal(0, NOISE, (2, len(f_hz)))
        found = fit_sweep(f_hz, clean + noise[0] + 1j * noise[1])
        assert found.q_loaded is not None
        assert found.warnings == ()
        errors.append(np.log(found.q_loaded / Q))
    rmse = float(np.sqrt(np.mean(np.square(errors))))
    assert 0.87 * bound(f_hz, b, 1e-6) < rmse < 1.14 * bound(f_hz, b, 1.0)


@pytest.mark.parametrize("doubt", [0.1, 1.0, 3.0, 10.0])
@pytest.mark.parametrize("b", [0.08, 0.3])
def test_a_list_is_never_expected_to_cost_more_than_even_steps(doubt: float, b: float) -> None:
    belief = belief_of_guess(F0_HZ * (1 + doubt * sweep_design.PLACES / (2 * Q)), Q, b=b, noise=NOISE)
    none = np.empty(0)
    even = sweep_design.next_sweep(belief, none, 0.01, WIDE, 41, 200.0)
    listed = list_design.next_list(belief, none, 0.01, WIDE, 41, 200.0)
    f_even = np.linspace(even.start_hz, even.stop_hz, even.points)
    costs = [sweep_design.Prospect(belief, none, 0.01, 200.0).cost(f_hz)[0] for f_hz in (f_even, listed.f_hz)]
    assert costs[1] <= costs[0]
    assert len(listed.f_hz) <= 41
    assert np.all(np.diff(listed.f_hz) > 0)
    assert listed.start_hz >= WIDE[0]


def test_a_list_stays_inside_the_instrument() -> None:
    belief = belief_of_guess(F0_HZ * (1 + 0.1 * sweep_design.PLACES / Q), Q)
    listed = list_design.next_list(belief, np.empty(0), 0.01, (F0_HZ, 6e6), 41)
    assert F0_HZ <= listed.start_hz < listed.stop_hz <= 6e6


def test_a_first_look_has_the_same_relative_step_everywhere_and_later_ones_go_between() -> None:
    first = list_design.coarse_list(3e6, 9e6, 101)
    steps = np.diff(np.log(first.f_hz))
    np.testing.assert_allclose(steps, first.step, rtol=1e-9)
    assert first.step <= list_design.COARSE_STEP
    second = list_design.between(first, 1, 101)
    np.testing.assert_allclose(second.f_hz, np.sqrt(first.f_hz[1:] * first.f_hz[:-1]), rtol=1e-9)
    for turn in (2, 3, 4):
        again = list_design.between(first, turn, 41)
        assert len(again.f_hz) == 41
        assert 3e6 < again.start_hz < again.stop_hz < 9e6
        new = [np.abs(np.log(f_hz / np.concatenate([first.f_hz, second.f_hz]))).min() for f_hz in again.f_hz]
        assert np.median(new) > 0.08 * first.step
    assert list_design.between(first, 0, 101) is first
