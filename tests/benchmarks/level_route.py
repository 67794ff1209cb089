"""Resonance by generator and detector on the simulated set: how far off, how honest, and for how many samples.

`python tests/benchmarks/level_route.py [READINGS]` (default 210) prints a table: readings over seeds, coils and dial settings,
each from cold; with the root mean square of error over claimed uncertainty, the share inside two of them, and the samples of
the fitted sweep against the least that any uniform sweep of the best span could do with (Fisher information of the level-only
model, offset unknown, the detector's noise as it is).
"""

from __future__ import annotations

import sys
from dataclasses import replace

import numpy as np

from bench.demo import demo_plan
from bench.errors import ReadingError
from bench.plan.schema import parse_plan
from bench.readings.level import LevelReading, measure_level
from bench.readings.level_bench import LevelBench
from bench.readings.level_coupling import Coupling
from bench.virtual import network
from bench.virtual.scenario import Hidden, draw
from bench.virtual.stepped import Stepped
from bench.virtual.truth import Standing, circuit_of, q_of
from drivers.fakes import FakeGenerator
from drivers.roles import Floats

GOAL = 0.01


def true_tank(hidden: Hidden, standing: Standing) -> tuple[float, float]:
    """f0 and Q of the network's root."""
    root = complex(network.tank_root(circuit_of(hidden, standing), np.array([0.0]))[0])
    q = q_of(root)
    assert q is not None
    return root.imag / (2 * np.pi), q


def bound_samples(reading: LevelReading, noise_v: float) -> float:
    """Samples at which the best uniform sweep would know Q as well as this one, each sample with the detector's noise."""
    found, detector = reading.resonance, reading.detector
    assert found.q_loaded
    assert found.q_loaded_u
    scale = 10.0 ** (reading.points[0].level_dbm / 10.0)
    best = np.inf
    for span in np.linspace(2.0, 8.0, 13):
        y = np.linspace(-span, span, 401)
        peak = reading.power * scale
        power = peak / (1 + y * y)
        columns = np.stack(
            [
                np.ones_like(y),
                1 / (1 + y * y),
                y / (1 + y * y),
                2 * y * power / (1 + y * y),
                2 * y * y * power / (1 + y * y),
            ],
            axis=1,
        )
        # What the detector's noise is in power at each height: undone by its law.
        volts = volts_of(detector, power)
        sigma = noise_v * detector.slope(volts)
        weighted = columns / sigma[:, None]
        u = np.sqrt(np.linalg.inv(weighted.T @ weighted)[4, 4] * len(y))
        best = min(best, float(u))
    return (best / (found.q_loaded_u / found.q_loaded)) ** 2


def volts_of(detector: object, power: Floats) -> Floats:
    """The reading at which the law, undone, gives this power."""
    from bench.physics.detector import Detector

    assert isinstance(detector, Detector)
    grid = np.linspace(detector.offset_v, detector.top_v, 4001)
    return np.asarray(np.interp(power, detector.undone(grid), grid))


def main() -> None:
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 210
    plan = parse_plan(demo_plan(4))
    f0, loaded, own = [], [], []
    relative, samples, ratio, points, seconds = [], [], [], [], []
    failed, moved = 0, 0
    seed = 100
    while len(loaded) + failed < wanted:
        seed += 1
        hidden = draw(plan, seed)
        bench = Stepped(hidden)
        world = bench.world
        for coil in hidden.coils:
            world.plug(coil)
            for dial in (0.0, 50.0, 100.0):
                world.set_loop(True)
                world._standing = standing = replace(world._standing, dial=dial)
                f_true, q_true = true_tank(hidden, replace(standing, drift=world._warmth(bench.now_s)))
                _, q_alone = true_tank(hidden, replace(standing, loop=0.0))
                begun = bench.now_s
                level = LevelBench(FakeGenerator(world), bench)
                try:
                    near = measure_level(level, f_true / 1.6, 1.9 * f_true, q_goal=GOAL)
                    seconds.append(bench.now_s - begun)
                    world.move_loop(looser=True)
                    far = measure_level(
                        LevelBench(FakeGenerator(world), bench), 0.95 * f_true, 1.05 * f_true, q_goal=GOAL,
                        detector=near.detector,
                    )  # fmt: skip
                    q, q_u, _ = Coupling.of_two(near, far).unloaded(near)
                except ReadingError as problem:
                    failed += 1
                    print(f"seed {seed}, coil {coil}, dial {dial:g}: {problem}", file=sys.stderr)
                    continue
                found = near.resonance
                assert found.f0_hz
                assert found.f0_u_hz
                assert found.q_loaded
                assert found.q_loaded_u
                f0.append((found.f0_hz - f_true) / found.f0_u_hz)
                loaded.append((found.q_loaded - q_true) / found.q_loaded_u)
                own.append((q - q_alone) / q_u)
                relative.append(
                    (found.q_loaded / q_true - 1, q / q_alone - 1, found.q_loaded_u / q_true, q_u / q_alone)
                )
                used = sum(point.samples for point in near.points)
                samples.append(used)
                points.append((len(near.points), len(near.search)))
                ratio.append(used / bound_samples(near, level.noise_v))
                moved += any("generator's level" in text for text in found.warnings)
    errors = np.array(relative)
    print(
        f"{len(loaded)} readings from cold over a 3:1 band, goal {GOAL:.0%} of loaded Q; {failed} failed, {moved} warned of moving Q"
    )
    print(f"{'':24}{'rms error':>12}{'median u':>12}{'rms of error/u':>16}{'inside 2u':>12}")
    rows = (("f0", f0, None, None), ("loaded Q", loaded, 0, 2), ("Q, two distances", own, 1, 3))
    for name, pulls, at, u in rows:
        p = np.array(pulls)
        rms = f"{np.sqrt(np.mean(errors[:, at] ** 2)):.2%}" if at is not None else ""
        median = f"{np.median(errors[:, u]):.2%}" if u is not None else ""
        print(f"{name:24}{rms:>12}{median:>12}{np.sqrt(np.mean(p**2)):>16.2f}{np.mean(np.abs(p) < 2):>12.1%}")
    fitted, searched = np.array(points).T
    print(
        f"points: {np.median(fitted):.0f} fitted, {np.median(searched):.0f} to find it and to learn the law (medians)"
    )
    print(
        f"samples of the fitted sweep: median {np.median(samples):.0f}; over the level-only bound: {np.median(ratio):.2f} times"
    )
    print(f"time on the simulated set: median {np.median(seconds):.0f} s")


if __name__ == "__main__":
    main()
