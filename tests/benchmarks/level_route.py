"""Resonance by generator and detector on the simulated set: how far off, how honest, and for how many samples.

`python tests/benchmarks/level_route.py [READINGS [SEED]]` (default 405) prints a table: readings over seeds, coils and dial
settings, each from cold, with the root mean square of error over claimed uncertainty, the share inside two of them, what a reading
costs from cold and where the resonance is expected, and the samples of the fitted sweep against the least that a uniform sweep at
one level could do with (Fisher information of the level-only model, offset unknown, the detector's noise as it is). f0 is
that of the tank's L and C, the modulus of the network's root.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass, replace

import numpy as np

from bench.demo import demo_plan
from bench.errors import ReadingError
from bench.physics.detector import Detector
from bench.plan.schema import parse_plan
from bench.readings.level import MOVES, LevelGuess, LevelReading, measure_level
from bench.readings.level_bench import LevelBench
from bench.readings.level_coupling import Coupling
from bench.virtual import network
from bench.virtual.scenario import Hidden, draw
from bench.virtual.still import Still
from bench.virtual.truth import Standing, circuit_of, q_of
from drivers.roles import Floats

GOAL = 0.01
SWEPT_S = 3.0  # from the middle of the fitted sweep to its end
# How far off a dial law's prediction is: as much as a bandwidth.
EXPECTED_U = 2e-3


def true_tank(hidden: Hidden, standing: Standing) -> tuple[float, float]:
    """f0 (of L and C) and Q of the network's root."""
    root = complex(network.tank_root(circuit_of(hidden, standing), np.array([0.0]))[0])
    q = q_of(root)
    assert q is not None
    return abs(root) / (2 * np.pi), q


def bound_samples(reading: LevelReading, noise_v: float) -> float:
    """Samples with which the best uniform sweep at one level would know Q as well, each with the detector's noise."""
    found, detector = reading.resonance, reading.detector
    assert found.q_loaded
    assert found.q_loaded_u
    # The height at which the sweep held the detector.
    peak = reading.power * 10.0 ** (reading.level_dbm / 10.0)
    best = np.inf
    for span in np.linspace(2.0, 8.0, 13):
        y = np.linspace(-span, span, 401)
        below = 1 + y * y
        power = peak / below
        columns = np.stack(
            [np.ones_like(y), 1 / below, y / below, 2 * y * power / below, 2 * y * y * power / below], axis=1
        )
        # What the detector's noise is in power at each height: undone by its law.
        sigma = noise_v * detector.slope(volts_of(detector, power))
        weighted = columns / sigma[:, None]
        u = np.sqrt(np.linalg.inv(weighted.T @ weighted)[4, 4] * len(y))
        best = min(best, float(u))
    return (best / (found.q_loaded_u / found.q_loaded)) ** 2


def volts_of(detector: Detector, power: Floats) -> Floats:
    """The reading at which the law, undone, gives this power."""
    grid = np.linspace(detector.offset_v, detector.top_v, 4001)
    undone = detector.undone(grid) ** (1 if detector.follows == "square" else 2)
    return np.asarray(np.interp(power, undone, grid))


@dataclass(frozen=True)
class One:
    """One reading against the truth; errors and uncertainties relative; `again`: points, samples and seconds with it expected."""

    f0: tuple[float, float]
    loaded: tuple[float, float]
    own: tuple[float, float]
    samples: int
    bound: float
    cold: tuple[int, int, float]
    again: tuple[int, int, float]
    moved: bool


def read_one(set_: Still, dial: float) -> One:
    """Near and drawn back from cold, and near once more where it is expected."""
    world = set_.world
    world.set_loop(True)
    world._standing = standing = replace(world._standing, dial=dial)
    f_near, _ = true_tank(set_.hidden, standing)
    level = LevelBench(set_, set_)
    begun = set_.now_s
    near = measure_level(level, f_near / 1.6, 1.9 * f_near, q_goal=GOAL)
    cold = (len(near.points) + len(near.search), level.samples, set_.now_s - begun)
    f_true, q_true = true_tank(set_.hidden, replace(standing, drift=world._warmth(set_.now_s - SWEPT_S)))
    _, q_alone = true_tank(set_.hidden, replace(standing, loop=0.0))
    level, begun = LevelBench(set_, set_), set_.now_s
    guess = LevelGuess(f_true * (1.0 + EXPECTED_U), 1.5 * EXPECTED_U * f_true, q_true, near.level_dbm)
    warm = measure_level(level, f_near / 1.6, 1.9 * f_near, q_goal=GOAL, detector=near.detector, guess=guess)
    again = (len(warm.points) + len(warm.search), level.samples, set_.now_s - begun)
    world.move_loop(looser=True)
    far = measure_level(
        LevelBench(set_, set_), 0.95 * f_near, 1.05 * f_near, q_goal=GOAL, detector=near.detector
    )
    q, q_u, _ = Coupling.of_two(near, far).unloaded(near)
    found = near.resonance
    assert found.f0_hz
    assert found.f0_u_hz
    assert found.q_loaded
    assert found.q_loaded_u
    used = sum(point.samples for point in near.points)
    return One(
        (found.f0_hz / f_true - 1, found.f0_u_hz / f_true),
        (found.q_loaded / q_true - 1, found.q_loaded_u / q_true),
        (q / q_alone - 1, q_u / q_alone),
        used,
        used / bound_samples(near, level.noise_v),
        cold,
        again,
        MOVES in found.warnings,
    )


def main() -> None:
    wanted = int(sys.argv[1]) if len(sys.argv) > 1 else 405
    plan = parse_plan(demo_plan(4))
    taken: list[One] = []
    failed, seed = 0, int(sys.argv[2]) if len(sys.argv) > 2 else 100
    first = seed + 1
    while len(taken) + failed < wanted:
        seed += 1
        hidden = draw(plan, seed)
        for at, coil in enumerate(hidden.coils):
            set_ = Still(hidden, at)
            set_.world.plug(coil)
            for dial in (0.0, 50.0, 100.0):
                try:
                    taken.append(read_one(set_, dial))
                except ReadingError as problem:
                    failed += 1
                    print(f"seed {seed}, coil {coil}, dial {dial:g}: {problem}", file=sys.stderr)
    print(
        f"{len(taken)} readings of {seed - first + 1} sets from cold over a 3:1 band, goal {GOAL:.0%} of loaded Q; "
        f"{failed} failed, {sum(one.moved for one in taken)} warned of moving Q"
    )
    print(
        f"{'':24}{'rms error':>12}{'median u':>12}{'rms of error/u':>16}{'inside 2u':>12}{'mean error/u':>14}"
    )
    rows = (
        ("f0", [one.f0 for one in taken]),
        ("loaded Q", [one.loaded for one in taken]),
        ("Q, two distances", [one.own for one in taken]),
    )
    for name, pairs in rows:
        error, u = np.array(pairs).T
        p = error / u
        rms, median = f"{np.sqrt(np.mean(error**2)):.3%}", f"{np.median(u):.3%}"
        print(
            f"{name:24}{rms:>12}{median:>12}{np.sqrt(np.mean(p**2)):>16.2f}{np.mean(np.abs(p) < 2):>12.1%}{np.mean(p):>14.2f}"
        )
    for name, costs in (
        ("from cold", [one.cold for one in taken]),
        ("where it is expected", [one.again for one in taken]),
    ):
        points, samples, seconds = np.median(np.array(costs), axis=0)
        print(
            f"{name:24}{points:.0f} points, {samples:.0f} samples, {seconds:.0f} s of the set's time (medians)"
        )
    print(
        f"samples of the fitted sweep: median {np.median([one.samples for one in taken]):.0f}; over the bound of sweeps at one "
        f"level: {np.median([one.bound for one in taken]):.2f} times"
    )


if __name__ == "__main__":
    main()
