"""Level sweeps: current of a series tank worked out by hand, with a reading at rest and a generator that leaks past it.

Truth: f0 and Q of the tank by its elements; the current's size is 1/|Z|, its natural frequency that of R, L and C.
"""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from bench.physics.resonance import fit_level

F0_HZ, Q = 3.5e6, 100.0


def current(f_hz: np.ndarray) -> np.ndarray:
    """Complex, 1 at resonance: R/(R + j(omega L - 1/(omega C)))."""
    return np.asarray(1 / (1 + 1j * Q * (f_hz / F0_HZ - F0_HZ / f_hz)))


def around(widths: float, points: int = 101) -> np.ndarray:
    half = 0.5 * widths * F0_HZ / Q
    return np.linspace(F0_HZ - half, F0_HZ + half, points)


@pytest.mark.parametrize(("rest", "leak"), [(0.0, 0j), (0.1, 0j), (0.0, 0.2 + 0j), (0.0, 0.15 - 0.2j)])
@pytest.mark.parametrize("widths", [3.0, 6.0])
def test_loaded_q_comes_out_with_its_doubt(rest: float, leak: complex, widths: float) -> None:
    f_hz = around(widths)
    z = []
    for seed in range(16):
        noise = np.random.default_rng([seed, 1]).normal(0, 2e-3, len(f_hz))
        found = fit_level(f_hz, rest + np.abs(current(f_hz) + leak) + noise)
        assert found.q_loaded is not None
        assert found.q_loaded_u is not None
        assert found.q is None
        assert found.says("loaded only")
        z.append((found.q_loaded - Q) / found.q_loaded_u)
    # Sixteen draws: beyond 4 comes once in a thousand such rows; a mean square over 2.3 likewise (chi-squared).
    assert np.abs(z).max() < 4
    assert np.mean(np.square(z)) < 2.6


def test_a_detector_that_follows_power() -> None:
    f_hz = around(5.0)
    for seed in range(10):
        noise = np.random.default_rng([seed, 2]).normal(0, 2e-3, len(f_hz))
        found = fit_level(f_hz, 0.05 + np.abs(current(f_hz)) ** 2 + noise, law="square")
        assert found.q_loaded is not None
        assert found.q_loaded_u is not None
        assert abs(found.q_loaded - Q) < 4 * found.q_loaded_u
        assert found.q_loaded_u < 0.03 * Q


def test_where_nothing_resonates_there_is_no_number() -> None:
    f_hz = around(5.0)
    for seed in range(5):
        noise = np.random.default_rng([seed, 3]).normal(0, 2e-3, len(f_hz))
        found = fit_level(f_hz, 0.5 + 0.1 * (f_hz - F0_HZ) / F0_HZ + noise)
        assert found.q_loaded is None
        assert found.says("no resonance")
    assert fit_level(f_hz, np.full(101, 0.3)).says("not varying")
    assert fit_level(f_hz[:5], np.arange(5.0)).says("too few points")


def test_a_detector_at_its_limit_is_told() -> None:
    f_hz = around(5.0)
    level = np.abs(current(f_hz)) + np.random.default_rng(4).normal(0, 1e-3, 101)
    found = fit_level(f_hz, np.minimum(level, 0.7))
    assert found.says("clipped")
    if found.q_loaded is not None:
        assert found.q_loaded_u is not None
        assert abs(found.q_loaded - Q) < 3 * found.q_loaded_u


def test_a_dense_sweep_takes_no_more_than_means_of_it() -> None:
    f_hz = np.linspace(3e6, 4e6, 100_001)
    level = np.abs(current(f_hz)) + np.random.default_rng(5).normal(0, 2e-2, len(f_hz))
    tracemalloc.start()
    try:
        found = fit_level(f_hz, level)
        peak = tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()
    assert peak < 300e6
    assert found.q_loaded is not None
    assert found.q_loaded_u is not None
    assert abs(found.q_loaded - Q) < 4 * found.q_loaded_u
    assert found.q_loaded_u < 0.005 * Q
