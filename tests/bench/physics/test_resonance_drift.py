"""A tank that moves between the sweeps of a reading, made of the elements of a circuit, never of the fit's own model."""

from __future__ import annotations

import numpy as np
import pytest

from bench.physics.resonance import Resonance, fit_sweep
from bench.physics.resonance_drift import after_drift, drift

Q, F0_HZ = 100.0, 3.5e6


def reflection(f_hz: np.ndarray, f0_hz: float) -> np.ndarray:
    """A series tank of 15 uH, 3 % of whose loss a loop without reactance takes, beside 50 ohm."""
    omega, omega0 = 2 * np.pi * f_hz, 2 * np.pi * f0_hz
    own = omega0 * 15e-6 / Q
    z = 0.06 * own * 50 / (own + 1j * (omega * 15e-6 - omega0**2 * 15e-6 / omega))
    return np.asarray((z - 50) / (z + 50))


def reading(shift: float, seed: int, noise: float = 2e-4) -> tuple[Resonance, list[Resonance]]:
    """A sweep of eight bandwidths and one of three between whose start the tank moves so many bandwidths: all, and each."""
    random = np.random.default_rng(seed)
    width = F0_HZ / Q
    parts = []
    for i, half in enumerate((4.0, 1.5)):
        off = random.uniform(-0.8, 0.8)
        f_hz = F0_HZ + width * (off + np.linspace(-half, half, 61))
        noisy = random.normal(0, noise, (2, 61))
        parts.append((f_hz, reflection(f_hz, F0_HZ + i * shift * width) + noisy[0] + 1j * noisy[1]))
    f_all, s_all = np.concatenate([p[0] for p in parts]), np.concatenate([p[1] for p in parts])
    return fit_sweep(f_all, s_all), [fit_sweep(*part) for part in parts]


@pytest.mark.parametrize("shift", [0.03, 0.1, 0.2])
def test_a_shift_is_told_and_its_doubt_covers_the_error(shift: float) -> None:
    """Loss 0.06 coupled out: loaded Q is Q/1.06; any f0 between the two is right."""
    for seed in range(6):
        found, alone = reading(shift, seed)
        told = after_drift(found, alone)
        assert told.says("drift")
        if told.q_loaded is None:
            continue
        assert told.f0_hz is not None
        assert told.f0_u_hz is not None
        assert told.q_loaded_u is not None
        assert abs(told.q_loaded - Q / 1.06) < 2 * told.q_loaded_u
        middle = F0_HZ * (1 + 0.5 * shift / Q)
        assert abs(told.f0_hz - middle) < 2 * told.f0_u_hz
        assert told.q is not None
        assert told.q_u is not None
        assert told.q_u / told.q > 0.5 * shift


def test_a_large_shift_leaves_no_number() -> None:
    for seed in range(6):
        found, alone = reading(0.6, seed)
        told = after_drift(found, alone)
        assert told.q_loaded is None
        assert told.f0_hz is None
        assert told.says("drift") or found.q_loaded is None


def test_a_steady_tank_is_left_alone() -> None:
    for seed in range(15):
        found, alone = reading(0.0, seed)
        assert not drift(alone).seen
        assert after_drift(found, alone) is found
