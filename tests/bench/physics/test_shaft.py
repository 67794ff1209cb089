"""Bow and play of the angle sensor, on sensors whose departure is a formula of another kind."""

from __future__ import annotations

import numpy as np
import pytest

from bench.physics.shaft import POINTER_U_DEG, corrected, straighten

TRAVEL = 300.0
POSITIONS = np.linspace(0, 1, 9)[1:-1]


def settings(
    rng: np.random.Generator, arch: float, play: float, noise: float = POINTER_U_DEG
) -> tuple[np.ndarray, ...]:
    """A sensor with a half-sine arch and a lag of half the play, set by an unsteady pointer: share, angle said, upward."""
    said = TRAVEL * np.concatenate([POSITIONS, POSITIONS[::-1]])
    upward = np.arange(len(said)) < len(POSITIONS)
    really = said + noise * rng.standard_normal(len(said))
    lagging = (really - np.where(upward, play / 2, -play / 2)) / TRAVEL
    return lagging - arch * np.sin(np.pi * lagging), said, upward


@pytest.mark.parametrize("arch", [-0.02, 0.03])
def test_an_arch_is_taken_out_and_the_play_is_found(arch: float) -> None:
    shaft = straighten(*settings(np.random.default_rng(1), arch, 6.0, 0.0), TRAVEL)
    x = np.linspace(0, 1, 201)
    seen = x - arch * np.sin(np.pi * x)
    # Half a sine and a parabola of one height differ by up to 6 % of it, and the arch by its own square.
    assert np.max(np.abs(corrected(seen, shaft.bow) - x)) < 0.1 * abs(arch)
    assert shaft.play_deg == pytest.approx(6.0, abs=0.5)


def test_no_bow_is_made_of_an_unsteady_pointer() -> None:
    found = [straighten(*settings(np.random.default_rng(seed), 0.0, 1.0), TRAVEL) for seed in range(300)]
    # 2.5 standard uncertainties: 1.2 % of a normal law for each of two terms.
    assert np.mean([any(one.bow) for one in found]) < 0.05
    inside = [abs(one.play_deg - 1.0) < 2 * one.play_u_deg for one in found]
    assert 0.92 < np.mean(inside) <= 1.0


def test_the_end_stops_stay_where_they_are() -> None:
    np.testing.assert_allclose(corrected([0.0, 1.0], (0.1, -0.07)), [0.0, 1.0])


def test_too_little_is_refused() -> None:
    with pytest.raises(ValueError, match="six pointer settings"):
        straighten([0.1, 0.5], [30.0, 150.0], [True, False], TRAVEL)
