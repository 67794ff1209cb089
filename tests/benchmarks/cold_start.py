"""From a cold start to Q within one percent, and what earlier readings save after it, beside a fixed dense sweep.

    python tests/benchmarks/cold_start.py [READINGS] [SETS]

A tank behind a loop, by the definitions of Q and coupling (one circle), a metre of cable, noise of 1e-3 in each quadrature;
sweeps with even steps of at most 101 points, and beside them free lists of at most 101 frequencies. Cold: Q 30 to 300,
coupling 0.05 to 0.5, anywhere in a band of 3 to 1. Later: whole sets of two coils measured by the runner, dials set by hand;
plates between straight-line frequency and straight-line capacity, or cut for one of the trade's laws with a bowed rotor.
"""

from __future__ import annotations

import itertools
import math
import sys
import tempfile
import time
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np

from bench.measuring.bench import Bench
from bench.measuring.operator import Setup, Turn
from bench.measuring.prediction import DialLaw, Expected
from bench.measuring.progress import Reporter
from bench.measuring.runner import Runner
from bench.measuring.wanted import still_wanted
from bench.physics.resonance import fit_sweep
from bench.physics.resonance_result import FEWEST_SURE
from bench.readings.resonance_run import measure_resonance
from bench.session.folder import Session
from drivers.roles import AnalyzerLimits, Complexes, Floats, Sweep
from drivers.scpi import ScpiAnalyzer
from drivers.simulators.scpi import serve_scpi_analyzer

NOISE = 1e-3
LOW_HZ, HIGH_HZ = 3e6, 9e6
GOAL = 0.01
SECONDS_PER_POINT = 5e-3
LIMITS = AnalyzerLimits(1e5, 60e6, 101, SECONDS_PER_POINT)
LISTS = replace(LIMITS, list_points=101)
WAYS = {"even steps": LIMITS, "free lists": LISTS}
DENSE = 6001
MOST = 41
DIALS = (0.0, 20.0, 40.0, 60.0, 80.0, 100.0)


class Tank:
    """What an analyzer sees, and how much it was asked; also the world of a simulated one."""

    limits = LIMITS

    def __init__(self, f0_hz: float, q: float, beta: float, random: np.random.Generator) -> None:
        self.f0_hz, self.q, self.beta, self.random = f0_hz, q, beta, random
        self.sweeps: list[int] = []

    def identify(self) -> str:
        return "benchmark"

    def close(self) -> None:
        return None

    def reflection(self, f_hz: Floats) -> Complexes:
        circle = 2 * self.beta / (1 + self.beta + 1j * self.q * (f_hz / self.f0_hz - self.f0_hz / f_hz))
        noise = self.random.normal(size=(2, len(f_hz)))
        cable = np.exp(-4j * np.pi * f_hz / (0.66 * 299792458.0))
        return np.asarray((circle - 1) * cable + NOISE * (noise[0] + 1j * noise[1]))

    def sweep(self, start_hz: float, stop_hz: float, points: int) -> Sweep:
        assert points <= self.limits.most_points
        self.sweeps.append(points)
        f_hz = np.linspace(start_hz, stop_hz, points)
        return Sweep(f_hz, self.reflection(f_hz))

    def sweep_at(self, f_hz: Floats) -> Sweep:
        assert len(f_hz) <= self.limits.list_points
        self.sweeps.append(len(f_hz))
        return Sweep(f_hz, self.reflection(f_hz))


def drawn(seed: int) -> Tank:
    random = np.random.default_rng(seed)
    f0 = math.exp(random.uniform(math.log(1.05 * LOW_HZ), math.log(0.95 * HIGH_HZ)))
    q = math.exp(random.uniform(math.log(30), math.log(300)))
    return Tank(f0, q, math.exp(random.uniform(math.log(0.05), math.log(0.5))), random)


def dense_points(tank: Tank, q_u: float) -> float:
    """Points of one uniform sweep over the whole band that bring the same uncertainty of Q."""
    f_hz = np.linspace(LOW_HZ, HIGH_HZ, DENSE)
    near = np.abs(f_hz / tank.f0_hz - 1) < 10 / tank.q
    found = fit_sweep(f_hz[near], tank.reflection(f_hz[near]))
    assert found.q_u is not None
    return float(DENSE * (found.q_u / q_u) ** 2)


@dataclass
class Outcome:
    """What a number of readings took and how far off they were."""

    sweeps: list[int] = field(default_factory=list)
    points: list[int] = field(default_factory=list)
    errors: list[float] = field(default_factory=list)
    shares: list[float] = field(default_factory=list)
    fixed: list[float] = field(default_factory=list)
    failed: int = 0


def cold_readings(readings: int, limits: AnalyzerLimits) -> Outcome:
    out = Outcome()
    for seed in range(readings):
        tank = drawn(seed)
        tank.limits = limits
        try:
            found = measure_resonance(tank, LOW_HZ, HIGH_HZ, q_goal=GOAL).resonance
        except Exception as problem:
            print(f"  seed {seed}: Q {tank.q:.0f}, coupling {tank.beta:.2f}: {problem}")
            out.failed += 1
            continue
        assert found.q is not None
        assert found.q_u is not None
        out.sweeps.append(len(tank.sweeps))
        out.points.append(sum(tank.sweeps))
        out.errors.append(found.q / tank.q - 1)
        out.shares.append((found.q - tank.q) / found.q_u)
        out.fixed.append(dense_points(tank, found.q_u))
    return out


def cold(readings: int) -> None:
    ways = [cold_readings(readings, limits) for limits in WAYS.values()]
    fixed = ways[0].fixed
    print(f"Cold start, {readings} readings (3:1 band, Q 30 to 300, coupling 0.05 to 0.5, noise 1e-3)")
    print(f"  {'':34}" + "".join(f"{name:>12}" for name in WAYS) + "  to reach")
    for name, form, value, reach in (
        ("sweeps, median", ".0f", lambda one: np.median(one.sweeps), "2"),
        ("points, median", ".0f", lambda one: np.median(one.points), "at most 80"),
        ("points, 95th percentile", ".0f", lambda one: np.quantile(one.points, 0.95), "at most 160"),
        ("worst error of Q, percent", ".2f", lambda one: 100 * np.abs(one.errors).max(), "at most 5"),
        ("rms error of Q, percent", ".2f", lambda one: 100 * np.sqrt(np.mean(np.square(one.errors))), ""),
        ("within 2 u, percent", ".1f", lambda one: 100 * np.mean(np.abs(one.shares) < 2), ""),
        ("no reading", ".0f", lambda one: one.failed, "0"),
    ):
        print(f"  {name:34}" + "".join(f"{value(one):>12{form}}" for one in ways) + f"  {reach}")
    print(
        f"  Fixed plan for the same uncertainty, one dense sweep of the band: median {np.median(fixed):.0f} points "
        f"({np.quantile(fixed, 0.05):.0f} to {np.quantile(fixed, 0.95):.0f} in nine of ten)\n"
    )


def on_a_wire(cases: int) -> None:
    """Seconds through driver and socket, on a simulated analyzer that takes its time over every point."""
    rows = []
    # What is imported and opened for the first time is not the method's.
    with serve_scpi_analyzer(drawn(0)) as server:
        first = ScpiAnalyzer(server.address)
        measure_resonance(first, LOW_HZ, HIGH_HZ, q_goal=GOAL)
        first.close()
    for seed in range(1000, 1000 + cases):
        tank = drawn(seed)
        tank.limits = LISTS
        with serve_scpi_analyzer(tank) as server:
            taken = []
            for limits in WAYS.values():
                analyzer = ScpiAnalyzer(server.address, list_points=limits.list_points)
                begun = time.perf_counter()
                found = measure_resonance(analyzer, LOW_HZ, HIGH_HZ, q_goal=GOAL)
                taken.append((sum(len(one.f_hz) for one in found.sweeps), time.perf_counter() - begun))
                analyzer.close()
            assert found.resonance.q_u is not None
            points = math.ceil(dense_points(tank, found.resonance.q_u))
            analyzer = ScpiAnalyzer(server.address)
            edges = np.linspace(LOW_HZ, HIGH_HZ, math.ceil(points / 101) + 1)
            begun = time.perf_counter()
            for low, high in itertools.pairwise(edges):
                analyzer.sweep(float(low), float(high), 101)
            rows.append((tank.q, taken, points, time.perf_counter() - begun))
            analyzer.close()
    print(
        f"Points and seconds on a simulated SCPI analyzer, {1e3 * SECONDS_PER_POINT:g} ms a point, cold start"
    )
    print(
        f"  {'Q':>6}{'even steps':>18}{'free lists':>18}{'fixed':>18}{'fixed over even':>17}{'over lists':>12}"
    )
    for q, taken, points, fixed in rows:
        shown = "".join(f"{n:>10}{seconds:>6.2f} s" for n, seconds in (*taken, (points, fixed)))
        times = f"{fixed / taken[0][1]:>17.1f}{fixed / taken[1][1]:>12.1f}"
        print(f"  {q:>6.0f}{shown}{times}")
    print()


PLAN = """
[receiver]
supply = "45 V"
[receiver.tuning]
dial = [0, 100]
capacitance = ["150 pF", "15 pF"]
[receiver.control]
resistance = "5 kohm"
"""
COIL = """
[[coil]]
name = "{name}"
grid = {{ inductance = "{l_uh} uH", q = [[1e6, 100], [9e6, 100]] }}
tickler = {{ turns = 6, inductance = "1 uH", k = 0.3 }}
dials = [0, 20, 40, 60, 80, 100]
"""


class Set(Tank):
    """A set of two coils with obedient hands; what the plan says of it is a few percent off."""

    def __init__(self, seed: int, trade: bool = False) -> None:
        random = np.random.default_rng(seed)
        self.trade = trade
        super().__init__(1e6, 100.0, 0.1, random)
        self.mix, self.ends = random.uniform(0, 1), (150e-12, 15e-12) * (1 + random.uniform(-0.05, 0.05, 2))
        self.l_h = {"P": 30e-6 * random.uniform(0.95, 1.05), "R": 8e-6 * random.uniform(0.95, 1.05)}
        self.stray_f = {name: random.uniform(8e-12, 22e-12) for name in "PR"}
        self.q0 = {name: math.exp(random.uniform(math.log(30), math.log(300))) for name in "PR"}
        self.beta0 = {name: math.exp(random.uniform(math.log(0.05), math.log(0.5))) for name in "PR"}
        self.slope = {name: random.uniform(-0.1, 0.3) for name in "PR"}
        self.power, self.cut_for = random.choice([1.0, 0.5, -0.5]), random.uniform(0, 25e-12)
        self.bow, self.phase = random.uniform(0, 0.015), random.uniform(0, 2 * math.pi)
        self.coil, self.taken = "P", dict[tuple[str, float], list[int]]()
        self.fewest: dict[tuple[str, float], float] = {}
        self.stood: dict[tuple[str, float], tuple[float, float, float]] = {}
        self.by_level = False

    def tuned(self, coil: str, dial: float) -> float:
        share, (most, least) = dial / 100, self.ends
        if self.trade:
            p, s = self.power, self.cut_for
            plain = ((most + s) ** p + share * ((least + s) ** p - (most + s) ** p)) ** (1 / p) - s
            wave, held = math.sin(math.pi * share + self.phase), math.sin(self.phase) * (1 - 2 * share)
            c = plain * (1 + self.bow * (wave - held)) + self.stray_f[coil]
            return float(1 / (2 * math.pi * math.sqrt(self.l_h[coil] * c)))
        capacity_like = most + share * (least - most)
        frequency_like = (most**-0.5 + share * (least**-0.5 - most**-0.5)) ** -2
        c = self.mix * capacity_like + (1 - self.mix) * frequency_like + self.stray_f[coil]
        return float(1 / (2 * math.pi * math.sqrt(self.l_h[coil] * c)))

    def has(self, role: str) -> bool:
        return role == "analyzer"

    def raw(self) -> bool:
        return False

    def analyzer(self) -> Set:
        return self

    def reopen(self) -> None:
        return None

    def caution(self, lines: list[str]) -> None:
        return None

    def prepare(self, setup: Setup) -> None:
        self.coil = setup.coil

    def set_dial(self, dial: float) -> float:
        self.f0_hz = self.tuned(self.coil, dial + self.random.normal(0, 0.1))
        relative = self.f0_hz / self.tuned(self.coil, 50.0)
        self.q = self.q0[self.coil] * relative ** self.slope[self.coil]
        self.beta = min(self.beta0[self.coil] * relative ** (1 + self.slope[self.coil]), 0.8)
        self.sweeps = self.taken[self.coil, dial] = []
        self.stood[self.coil, dial] = (self.f0_hz, self.q, self.beta)
        size = 2 * self.beta / (1 + self.beta)
        # Loaded Q to the goal takes at least (k sigma / (b u))^2 points, k = 4 with the best places (bound of Cramer and Rao).
        self.fewest[self.coil, dial] = (4.0 * NOISE / (size * GOAL)) ** 2
        return dial

    def rest_control(self, angle_deg: float) -> None:
        return None

    def begin_turn(self, turn: Turn) -> None:
        raise NotImplementedError

    def hears_oscillation(self) -> bool:
        return False

    def number(self, question: str, read: Any) -> float:
        raise NotImplementedError

    def retry(self, problem: str) -> bool:
        return False


class Silent(Reporter):
    def say(self, text: str) -> None:
        return None


def bound(f_hz: Floats, f0_hz: float, q: float, beta: float) -> float:
    """No fit of points at `f_hz` states ln Q closer than this (bound of Cramer and Rao): a, b, f0 and Q unknown, one circle."""

    def circle(x: Floats) -> Floats:
        d = math.hypot(x[2], x[3]) / math.hypot(x[0], x[1])
        s = x[0] + 1j * x[1] + (x[2] + 1j * x[3]) / (1 + 1j * math.exp(x[5]) * (2 - d) * (f_hz / x[4] - 1))
        return np.concatenate([s.real, s.imag])

    x = np.array([-1.0, 0.0, 2 * beta / (1 + beta), 0.0, f0_hz, math.log(q)])
    steps = np.diag([1e-6, 1e-6, 1e-6, 1e-6, 1e-6 * f0_hz / q, 1e-6])
    slopes = np.array([(circle(x + step) - circle(x - step)) / (2 * step.sum()) for step in steps])
    # In units of about one, or the inverse of the matrix would drown in rounding.
    slopes[4] *= f0_hz / q
    return float(NOISE * math.sqrt(np.linalg.inv(slopes @ slopes.T)[5, 5]))


def could_do(foretold: Expected, stood: tuple[float, float, float]) -> bool:
    """Whether an even sweep of `MOST` points that reaches two uncertainties each side of the foretold place can do it: enough
    points on the dip, and by the bound the goal, were the dip in its middle."""
    f0_hz, q, beta = stood
    width = (1 + beta) / q
    half = max(2 * foretold.f0_u_hz / foretold.f0_hz, 1.5 * width)
    on_it = 3 * width / (2 * half / (MOST - 1))
    f_hz = f0_hz * np.linspace(1 - half, 1 + half, MOST)
    return on_it >= FEWEST_SURE and bound(f_hz, f0_hz, q, beta) <= GOAL


def later(sets: int, way: str, trade: bool = False) -> None:
    counts: dict[tuple[str, float], list[list[int]]] = {}
    possible: dict[tuple[str, float], list[tuple[bool, bool]]] = {}
    errors: list[float] = []
    for seed in range(sets):
        world = Set(seed, trade)
        world.limits = WAYS[way]
        with tempfile.TemporaryDirectory() as folder:
            plan = PLAN + COIL.format(name="P", l_uh=30) + COIL.format(name="R", l_uh=8)
            session = Session.create(Path(folder) / "s", plan)
            hands: Any = world
            with session.lock():
                wanted = still_wanted(session, [], [], cold=False)
                Runner(Bench(session, hands, hands, Silent(0))).run(wanted)
            rows = session.rows("resonance")
            for i, row in enumerate(rows):
                place = row["coil"], row["dial"]
                f0_hz, q, beta = world.stood[place]
                errors.append(row["q"] / q - 1)
                foretold = DialLaw(session.plan, rows[:i]).expected(*place)
                counts.setdefault(place, []).append(world.taken[place])
                possible.setdefault(place, []).append(
                    (world.fewest[place] <= MOST, could_do(foretold, (f0_hz, q, beta)))
                )
    plates = (
        "the trade's laws, bowed rotors"
        if trade
        else "between straight-line frequency and straight-line capacity"
    )
    print(
        f"Later settings of the dial, {way}: {sets} sets of two coils measured one after the other by the runner; plates: {plates}"
    )
    print(f"  {'coil':>8}{'dial':>6}{'sweeps, median':>16}{'one sweep':>11}{'points: median':>16}{'95th':>6}")
    for (coil, dial), taken in counts.items():
        n, points = [len(one) for one in taken], [sum(one) for one in taken]
        print(
            f"  {'first' if coil == 'P' else 'second':>8}{dial:>6g}{np.median(n):>16.0f}{np.mean(np.array(n) == 1):>11.0%}"
            f"{np.median(points):>16.0f}{np.quantile(points, 0.95):>6.0f}"
        )
    for name, places in (
        ("first coil, from its third setting on", [("P", d) for d in DIALS[2:]]),
        ("second coil, from its second setting on", [("R", d) for d in DIALS[1:]]),
    ):
        taken = [one for place in places for one in counts.get(place, [])]
        noise, reach = np.array([one for place in places for one in possible.get(place, [])]).T
        good = np.array([len(one) == 1 and sum(one) <= MOST for one in taken])
        print(f"  {name}: one sweep of at most {MOST} points in {good.mean():.1%} (to reach: always)")
        print(
            f"    points, mean {np.mean([sum(one) for one in taken]):.1f}; more than two sweeps in "
            f"{np.mean([len(one) > 2 for one in taken]):.1%}"
        )
        print(f"    the noise allows it at all, dip known beforehand, in {noise.mean():.1%}")
        print(
            f"    an even sweep of {MOST} points that reaches 2 u each side of where the earlier readings and the plan put the "
            f"dip can do it in {reach.mean():.1%}; of these it was so in {good[reach].mean():.1%}, of the others in "
            f"{good[~reach].mean() if (~reach).any() else 1:.1%}"
        )
    print(f"  readings: {len(errors)} of {12 * sets}, worst error of Q {100 * max(map(abs, errors)):.2f} %")


if __name__ == "__main__":
    number = [int(text) for text in sys.argv[1:]]
    cold(number[0] if number else 300)
    on_a_wire(6)
    sets = number[1] if len(number) > 1 else 40
    for way in WAYS:
        later(sets, way)
    later(sets, "even steps", trade=True)
