"""Motion, play, growth, hysteresis and reaction, each against what it must be by itself."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from bench.virtual.dynamics import Ears, Linkage, Motion, Oscillation
from bench.virtual.truth import GrowthTable


def table(threshold_deg: float = 150.0, per_deg: float = 0.02, loss: float = 6e4) -> GrowthTable:
    """A set whose gm ratio at the axis falls straight through 1 at the threshold."""
    angle = np.linspace(0.0, 300.0, 3001)
    ratio = np.clip(1.0 - per_deg * (angle - threshold_deg), 0.2, 4.9)
    slope = np.full_like(angle, loss)
    return GrowthTable(angle, slope * (1.0 - ratio), slope, ratio, np.full_like(angle, 3e6))


def test_large_oscillation_follows_the_amplitude_equation() -> None:
    """Against scipy's integrator of d ln A/dt = κ(1 + h(2A² − A⁴) − ratio), so slow that a step is short beside it."""
    h, ratio, kappa = 0.08, 0.95, 40.0
    slow = GrowthTable(
        np.array([0.0, 300.0]),
        np.full(2, kappa * (1.0 - ratio)),
        np.full(2, kappa),
        np.full(2, ratio),
        np.full(2, 3e6),
    )
    wave = Oscillation(h, math.log(0.15))
    steps = wave.run(slow, np.full(300, 10.0), 1e-3, np.random.default_rng(1))

    def rate(_: float, x: np.ndarray) -> np.ndarray:
        square = np.exp(2 * x)
        return np.asarray(kappa * (1.0 + h * square * (2.0 - square) - ratio))

    exact = solve_ivp(rate, (0.0, 0.3), [math.log(0.15)], t_eval=np.arange(1, 301) * 1e-3, rtol=1e-9)
    assert np.allclose(np.log(steps), exact.y[0], atol=0.01)


def test_drops_out_below_where_it_starts() -> None:
    h, rng = 0.08, np.random.default_rng(2)
    wave = Oscillation(h)
    up = np.arange(120.0, 180.0, 0.02)
    rising = wave.run(table(), up, 0.01, rng)
    falling = wave.run(table(), up[::-1], 0.01, rng)
    starts = up[np.argmax(rising > 0.5)]
    stops = up[::-1][np.argmax(falling < 0.5)]
    assert starts == pytest.approx(150.0, abs=0.3)
    # gm at its greatest is 1 + h, reached where the ratio is that: h/0.02 degrees lower.
    assert stops == pytest.approx(150.0 - h / 0.02, abs=0.3)
    assert rising[-1] > 1.4
    assert rising[0] < 1e-4


def test_without_feedback_nothing_holds_on() -> None:
    wave = Oscillation(0.08, 0.0)
    assert wave.run(table(), np.full(5, 20.0), 0.01, np.random.default_rng(3))[-1] < 1e-3


def test_play_is_lost_motion_and_stops_stop() -> None:
    linkage = Linkage(300.0, knob_play_deg=1.0, coupling_play_deg=0.4)
    shaft, sensor = linkage.follow(np.linspace(0.0, 100.0, 201))
    assert shaft[-1] == pytest.approx(99.5)
    assert sensor[-1] == pytest.approx(99.3)
    shaft, sensor = linkage.follow(np.linspace(100.0, 99.2, 9))
    assert np.all(shaft == 99.5)
    shaft, sensor = linkage.follow(np.linspace(99.2, 50.0, 99))
    assert shaft[-1] == pytest.approx(50.5)
    assert sensor[-1] == pytest.approx(50.7)
    shaft, _ = linkage.follow(np.linspace(50.0, -2.0, 53))
    assert shaft[-1] == 0.0
    shaft, _ = linkage.follow(np.linspace(-2.0, 305.0, 300))
    assert shaft[-1] == 300.0


def test_hand_arrives_without_turning_back() -> None:
    motion = Motion(10.0, 40.0, 90.0, 5.0)
    angle = motion.at(np.linspace(9.0, motion.ends_s + 1.0, 2000))
    assert angle[0] == 40.0
    assert angle[-1] == 90.0
    assert np.all(np.diff(angle) >= 0.0)
    assert motion.ends_s == pytest.approx(20.0, abs=0.1)
    back = Motion(0.0, 90.0, 40.0, 5.0)
    assert np.all(np.diff(back.at(np.linspace(0.0, 12.0, 500))) <= 0.0)


def test_mark_comes_a_reaction_time_late() -> None:
    rng = np.random.default_rng(4)
    delays = []
    for _ in range(200):
        ears = Ears(0.25, 0.06, listening=True)
        t_s = np.arange(200) / 100.0
        mark = ears.hear(t_s, np.where(t_s >= 1.0, 1.5, 0.0), rng)
        delays.append(t_s[np.argmax(mark)] - 1.0)
        assert mark.sum() in (14, 15, 16)
    # Frames are 10 ms apart: the press is seen half of that late, on average.
    assert np.mean(delays) == pytest.approx(0.255, abs=4 * 0.06 / math.sqrt(200))
    # A standard deviation of n draws has a relative uncertainty of 1/sqrt(2 (n - 1)); the frames' grid adds 0.1 %.
    assert np.std(delays) == pytest.approx(0.06, rel=4 / math.sqrt(2 * 199))


def test_nobody_presses_unasked() -> None:
    ears = Ears(0.25, 0.06)
    t_s = np.arange(200) / 100.0
    assert not ears.hear(t_s, np.where(t_s >= 1.0, 1.5, 0.0), np.random.default_rng(5)).any()


def test_mark_spans_two_batches() -> None:
    ears, rng = Ears(0.25, 0.0, listening=True), np.random.default_rng(6)
    first = ears.hear(np.arange(100) / 100.0, np.where(np.arange(100) >= 80, 1.5, 0.0), rng)
    second = ears.hear(np.arange(100, 200) / 100.0, np.full(100, 1.5), rng)
    assert not first.any()
    assert np.flatnonzero(second).tolist() == list(range(5, 20))
