"""A reading while the tank moves from sweep to sweep: its doubt covers that, or there is no reading."""

from __future__ import annotations

import numpy as np
import pytest

from bench.errors import ReadingError
from bench.physics.resonance import Resonance
from bench.readings.resonance_run import measure_resonance
from drivers.roles import AnalyzerLimits, Sweep

Q, BETA = 100.0, 0.1


class Warming:
    """A series tank of 15 uH seen through a loop without reactance, by its elements; it moves after every sweep."""

    limits = AnalyzerLimits(1e5, 60e6, 101, 1e-3)

    def __init__(self, f0_hz: float, bandwidths: float, seed: int) -> None:
        self.f0_hz, self.step = f0_hz, 1 + bandwidths / Q
        self.random = np.random.default_rng(seed)
        self.swept_at: list[float] = []

    def identify(self) -> str:
        return "test analyzer"

    def close(self) -> None:
        return None

    def sweep(self, start_hz: float, stop_hz: float, points: int) -> Sweep:
        f_hz = np.linspace(start_hz, stop_hz, points)
        omega, omega0 = 2 * np.pi * f_hz, 2 * np.pi * self.f0_hz
        own_ohm = omega0 * 15e-6 / Q
        z = BETA * own_ohm * 50 / (own_ohm + 1j * (omega * 15e-6 - omega0**2 * 15e-6 / omega))
        noise = self.random.normal(0, 2e-3, (2, points))
        self.swept_at.append(self.f0_hz)
        self.f0_hz *= self.step
        return Sweep(f_hz, (z - 50) / (z + 50) + noise[0] + 1j * noise[1])


def read(bandwidths: float, seed: int) -> tuple[Resonance | None, Warming, str]:
    tank = Warming(3.3e6 + 5e5 * seed, bandwidths, seed)
    try:
        found = measure_resonance(tank, 3e6, 9e6, q_goal=0.005).resonance
    except ReadingError as error:
        return None, tank, str(error)
    return found, tank, ""


@pytest.mark.parametrize("bandwidths", [-0.03, 0.06, 0.15, -0.4])
def test_truth_lies_within_two_u_or_there_is_no_reading(bandwidths: float) -> None:
    told = 0
    for seed in range(6):
        found, tank, why = read(bandwidths, seed)
        if found is None:
            assert "keep hands away" in why
            told += 1
            continue
        assert found.q is not None
        assert found.q_u is not None
        assert found.f0_hz is not None
        assert found.f0_u_hz is not None
        # White noise alone leaves one in twenty beyond 2 u: hence 2.5 for six readings.
        assert abs(found.q - Q) < 2.5 * found.q_u
        lowest, highest = min(tank.swept_at), max(tank.swept_at)
        assert lowest - 2.5 * found.f0_u_hz < found.f0_hz < highest + 2.5 * found.f0_u_hz
        told += found.says("drift")
    assert told >= (5 if abs(bandwidths) > 0.3 else 0)


def test_a_steady_tank_is_not_accused() -> None:
    for seed in range(6):
        found, _, why = read(0.0, seed)
        assert found is not None, why
        assert not found.says("drift")
