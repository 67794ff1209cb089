"""Resonance by generator and detector: the tank is a circuit worked out here or the simulated set; the output is off after all."""

from __future__ import annotations

import math
import os
import signal
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from scipy.special import ive

from bench.demo import demo_plan
from bench.errors import ReadingError
from bench.physics.detector import fit_detector
from bench.physics.resonance import Resonance
from bench.plan.schema import parse_plan
from bench.readings.level import LevelGuess, LevelReading, measure_level
from bench.readings.level_bench import LevelBench
from bench.readings.level_coupling import Coupling
from bench.readings.level_fit import LevelSweep, drawn
from bench.virtual import network
from bench.virtual.scenario import draw
from bench.virtual.still import Still
from bench.virtual.truth import Standing, circuit_of, q_of
from drivers.errors import LinkLost, TimedOut
from drivers.roles import LevelSample
from drivers.simulators.scpi import serve_scpi_generator


class Tank:
    """Generator and meter at once: a loop at a tank, and an exponential diode (nVt·ln I0) with a converter behind it.

    Only the definitions of Q and of the coupling: QL = Q/(1 + beta), beta in proportion to M².
    """

    def __init__(self, f0_hz: float, q: float, beta: float, *, invert: bool = False, seed: int = 1) -> None:
        self.f0_hz, self.q, self.beta, self.invert = f0_hz, q, beta, invert
        self.random = np.random.default_rng(seed)
        self.f_hz, self.level_dbm, self.on = 1e6, -120.0, False
        self.t_s = 0.0
        self.noise_v = 1.5e-3
        self.trouble: BaseException | None = None
        self.reads_left = 10**9

    def identify(self) -> str:
        return "tank"

    def set(self, f_hz: float, level_dbm: float) -> None:
        self.f_hz, self.level_dbm = f_hz, level_dbm

    def output(self, on: bool) -> None:
        self.on = on

    def close(self) -> None:
        self.on = False

    def flush(self) -> None:
        self.t_s += 0.01

    def volts(self) -> float:
        if not self.on:
            return 0.0
        loaded = self.q / (1 + self.beta)
        y = loaded * (self.f_hz / self.f0_hz - self.f0_hz / self.f_hz)
        emf_v = math.sqrt(0.1 * 10.0 ** (self.level_dbm / 10.0))
        x = emf_v * math.sqrt(self.beta / self.q) * loaded * 0.5 / math.hypot(1.0, y) / 0.05
        return 0.05 * (math.log(float(ive(0, x))) + x)

    def read(self, seconds: float) -> Sequence[LevelSample]:
        self.reads_left -= 1
        if self.reads_left < 0:
            if self.trouble is None:
                return []
            raise self.trouble
        times = self.t_s + 0.01 * np.arange(1, 13)
        self.t_s = float(times[-1])
        shown = 1.2 - self.volts() if self.invert else 0.4 + self.volts()
        volts = np.clip(shown + self.noise_v * self.random.normal(size=len(times)), 0.0, 3.3)
        counts = np.round(volts / 3.3 * 4095) / 4095
        return [LevelSample(float(t), float(c)) for t, c in zip(times, counts, strict=True)]


def read(tank: Tank, **more: Any) -> LevelReading:
    return measure_level(LevelBench(tank, tank), 3e6, 9e6, q_goal=0.01, **more)


@pytest.mark.parametrize("invert", [False, True])
@pytest.mark.parametrize(("q", "f0_hz"), [(35.0, 3.3e6), (110.0, 5.1e6), (280.0, 8.2e6)])
def test_from_cold_over_a_band_of_three_to_one(q: float, f0_hz: float, invert: bool) -> None:
    tank = Tank(f0_hz, q, 0.1, invert=invert)
    reading = read(tank)
    found = reading.resonance
    assert not tank.on
    assert found.q_loaded is not None
    assert found.q_loaded_u is not None
    assert found.f0_hz is not None
    assert found.f0_u_hz is not None
    assert found.q_loaded_u < 0.02 * q
    assert abs(found.q_loaded - q / 1.1) < 3.5 * found.q_loaded_u
    assert abs(found.f0_hz - f0_hz) < 3.5 * found.f0_u_hz
    assert found.q is None
    assert len(reading.points) <= 3 * 33
    # With the law known, no steps of level are needed again.
    again = read(tank, detector=reading.detector)
    assert again.detector is reading.detector
    assert len({p.level_dbm for p in again.search}) < len({p.level_dbm for p in reading.search})


@pytest.mark.parametrize("invert", [False, True])
def test_a_sweep_is_shown_as_it_comes_and_is_the_tank_s_curve(invert: bool) -> None:
    """Power under the peak by the definition of loaded Q: 10 lg(1 + y²), y = QL (f/f0 - f0/f)."""
    seen: list[LevelSweep] = []
    tank = Tank(5e6, 120.0, 0.1, invert=invert)
    read(tank, on_sweep=lambda points, law, found: seen.append(drawn(points, law, found)))
    for sweep in seen:
        assert sweep.f_hz.shape == sweep.y.shape
        assert np.all(np.diff(sweep.f_hz) >= 0)
    assert seen[0].axis == "detector, V"
    assert np.all((seen[0].y >= 0) & (seen[0].y <= 3.3))
    growing = [len(sweep.f_hz) for sweep in seen if sweep.axis != "detector, V"]
    assert growing[0] < growing[-1]
    last = seen[-1]
    assert last.found is not None
    for f, y in ((last.f_hz, last.y), (last.fit_f_hz, last.fit_y)):
        loaded = 120.0 / 1.1
        detuning = loaded * (f / 5e6 - 5e6 / f)
        assert len(f) > 15
        assert np.allclose(y, -10.0 * np.log10(1.0 + detuning**2), atol=0.35)
    # Nobody looks on: the same reading all the same.
    alone = read(Tank(5e6, 120.0, 0.1, invert=invert))
    assert alone.resonance.f0_hz == last.found.f0_hz


def test_two_distances_of_the_loop_tell_what_it_takes() -> None:
    pulls = []
    for seed in range(6):
        tank = Tank(5.1e6, 120.0, 0.16, seed=seed)
        near = read(tank)
        tank.beta = 0.04
        far = read(tank, detector=near.detector)
        q, q_u, beta = Coupling.of_two(near, far).unloaded(near)
        assert q_u < 0.05 * q
        assert abs(beta - 0.16) < 0.1
        pulls.append((q - 120.0) / q_u)
    assert float(np.sqrt(np.mean(np.square(pulls)))) < 2.0


def test_a_loop_that_was_not_moved_is_noticed() -> None:
    tank = Tank(5.1e6, 120.0, 0.1)
    near = read(tank)
    with pytest.raises(ReadingError, match="hardly drawn back"):
        Coupling.of_two(near, read(tank, detector=near.detector))


def test_nothing_there_and_a_detector_that_is_held_are_told() -> None:
    with pytest.raises(ReadingError, match="loop nearer"):
        read(Tank(40e6, 100.0, 0.1))
    held = Tank(5e6, 100.0, 0.1)
    by_itself = held.volts
    # Automatic volume control: whatever comes, the same goes out, but for a hair.
    held.volts = lambda: 0.5 + 0.002 * math.log10(by_itself() + 1e-30)  # type: ignore[method-assign]
    with pytest.raises(ReadingError, match=r"volume control|stand still"):
        read(held)
    assert not held.on


@pytest.mark.parametrize(
    "trouble",
    [None, LinkLost("the port is gone."), KeyboardInterrupt(), SystemExit(143), RuntimeError("boom")],
)
@pytest.mark.parametrize("after", [0, 5, 60, 400])
def test_the_output_is_off_after_any_trouble(trouble: BaseException | None, after: int) -> None:
    tank = Tank(5e6, 100.0, 0.1)
    tank.trouble, tank.reads_left = trouble, after
    with pytest.raises(TimedOut if trouble is None else type(trouble)):
        read(tank)
    assert not tank.on


PROGRAM = """
import sys
sys.path.insert(0, sys.argv[2])
from test_level import Tank
from bench.readings.level import measure_level
from bench.readings.level_bench import LevelBench
from drivers.scpi import ScpiGenerator

class Both(Tank):
    def read(self, seconds):
        self.f_hz, self.level_dbm, self.on = 5e6, -30.0, True
        print("reading", flush=True)
        return super().read(seconds)

measure_level(LevelBench(ScpiGenerator(sys.argv[1]), Both(5e6, 100.0, 0.1)), 3e6, 9e6, q_goal=1e-4)
"""


class OutputWorld:
    """Remembers whether the generator is on."""

    def __init__(self) -> None:
        self.on = False

    def apply(self, f_hz: float, level_dbm: float, on: bool) -> None:
        self.on = on


@pytest.mark.skipif(os.name == "nt", reason="needs a system with SIGTERM")
@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_the_output_is_off_after_the_reading_is_ended_from_outside(number: signal.Signals) -> None:
    output_world = OutputWorld()
    with serve_scpi_generator(output_world) as server:
        program = subprocess.Popen(
            [sys.executable, "-c", PROGRAM, server.address, str(Path(__file__).parent)],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            text=True,
        )
        assert program.stdout is not None
        with program.stdout as stdout:
            while not output_world.on:
                assert stdout.readline() == "reading\n"
            program.send_signal(number)
            stdout.read()
            assert program.wait(timeout=30) != 0
        assert not output_world.on


@pytest.mark.parametrize(("seed", "coil"), [(1, "A"), (2, "B"), (3, "C")])
def test_the_simulated_set(seed: int, coil: str) -> None:
    hidden = draw(parse_plan(demo_plan(4)), seed)
    bench = Still(hidden)
    world = bench.world
    world.plug(coil)
    world.set_loop(True)
    readings: list[tuple[LevelReading, Standing]] = []
    detector = None
    for dial in (0.0, 50.0):
        world._standing = replace(world._standing, dial=dial)
        root = complex(network.tank_root(circuit_of(hidden, world._standing), np.array([0.0]))[0])
        f0_hz, loaded = abs(root) / (2 * np.pi), q_of(root)
        assert loaded is not None
        reading = measure_level(
            LevelBench(bench, bench), f0_hz / 1.6, 1.9 * f0_hz, q_goal=0.01, detector=detector
        )
        detector = reading.detector
        found = reading.resonance
        assert detector.law == "square"
        assert found.f0_hz is not None
        assert found.f0_u_hz is not None
        assert found.q_loaded is not None
        assert found.q_loaded_u is not None
        assert abs(found.q_loaded - loaded) < 3.5 * found.q_loaded_u
        assert found.q_loaded_u < 0.015 * loaded
        # The room's warmth moves the tank by up to 30 ppm of its capacitance.
        assert abs(found.f0_hz - f0_hz) < 3.5 * math.hypot(found.f0_u_hz, 15e-6 * f0_hz)
        # Held by the generator's level, the detector never leaves a tenth of its reach.
        volts = np.array([point.level_v for point in reading.points])
        assert np.ptp(volts) < 0.4 * (volts.mean() - detector.offset_v)
        readings.append((reading, world._standing))
    # Where the resonance is expected, nothing is searched.
    guess = LevelGuess(1.001 * f0_hz, 1e-3 * f0_hz, float(loaded or 0.0), reading.level_dbm + 4.0)
    again = measure_level(
        LevelBench(bench, bench), f0_hz / 1.6, 1.9 * f0_hz, q_goal=0.01, detector=detector, guess=guess
    )
    assert len(again.search) < len(reading.search)
    assert again.resonance.f0_hz == pytest.approx(f0_hz, rel=2e-4)
    # What is not where it was expected is searched for.
    astray = measure_level(
        LevelBench(bench, bench), f0_hz / 1.6, 1.9 * f0_hz, q_goal=0.01, detector=detector,
        guess=replace(guess, f0_hz=1.15 * f0_hz),
    )  # fmt: skip
    assert astray.resonance.f0_hz == pytest.approx(f0_hz, rel=2e-4)
    world.move_loop(looser=True)
    far = measure_level(LevelBench(bench, bench), 0.95 * f0_hz, 1.05 * f0_hz, q_goal=0.01, detector=detector)
    coupling = Coupling.of_two(readings[1][0], far)
    for reading, standing in readings:
        root = complex(network.tank_root(circuit_of(hidden, replace(standing, loop=0.0)), np.array([0.0]))[0])
        own = q_of(root)
        assert own is not None
        q, q_u, _ = coupling.unloaded(reading)
        assert abs(q - own) < 3.5 * q_u
        assert q_u < 0.04 * q


DETECTOR = fit_detector(np.arange(-20.0, 0.0, 2.0), 10.0 ** np.arange(-2.0, 0.0, 0.2), 1e-4)


def made(q: float, beta: float, q_error: float, power_error: float, q_u: float) -> LevelReading:
    """A reading of a tank of Q 100 at 1 MHz, with errors put in; power and Q correlated as in a sweep."""
    loaded = q / (1 + beta)
    found = Resonance(
        f0_hz=1e6, f0_u_hz=1.0, q_loaded=loaded * (1 + q_error), q_loaded_u=loaded * q_u, points_used=27
    )
    power = beta * loaded**2 * (1 + power_error)
    return LevelReading(found, (), (), DETECTOR, power, 2.0 * q_u * power, 1.6 * q_u**2, -20.0)


def test_the_two_distances_share_what_is_wrong_with_them() -> None:
    """Q without the loop scatters as its uncertainty says: the near reading's own error is counted once, and power's with it."""
    random = np.random.default_rng(5)
    u = 0.008
    cov = u**2 * np.array([[1.0, 1.6], [1.6, 4.0]])
    pulls, others = [], []
    for _ in range(1500):
        (q1, p1), (q2, p2), (q3, p3) = random.multivariate_normal([0.0, 0.0], cov, 3)
        near, far = made(100.0, 0.12, q1, p1, u), made(100.0, 0.03, q2, p2, u)
        coupling = Coupling.of_two(near, far)
        q, q_u, _ = coupling.unloaded(near)
        pulls.append((q - 100.0) / q_u)
        q, q_u, _ = coupling.unloaded(made(100.0, 0.1, q3, p3, u))
        others.append((q - 100.0) / q_u)
    for those in (np.array(pulls), np.array(others)):
        assert 0.92 < np.sqrt(np.mean(those**2)) < 1.08
        assert 0.93 < np.mean(np.abs(those) < 2) < 0.975
