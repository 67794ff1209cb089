"""The onset network against an independent circuit simulator: growth rates of many circuits.

Run: python tests/benchmarks/onset_against_simulator.py [circuits] [seed]

Needs Debian's ngspice. For each random circuit the root of the network is compared with the simulator's transient
below, at and above the onset that the network gives (at a fifth, a half and all of the travel where it never
starts). To reach: within 1 % of the tank's own loss rate, ω/2Q. The last lines show the simulator's own step error.
"""

from __future__ import annotations

import math
import sys
import tempfile
from pathlib import Path

import numpy as np
from spice import Values, growth, have_ngspice

from bench.physics.regeneration import Antenna, Circuit, Control, Feedback, onset, root, tank

KINDS = ("divider", "shunt", "throttle", "supply", "swing", "measured", "cathode-tap")


def circuit_of(values: Values) -> Circuit:
    """The project's circuit with the same parts."""
    return Circuit(
        control=Control(
            values.kind,
            values.resistance_ohm,
            values.capacitance_f,
            values.taper,
            values.travel_deg,
            law=values.law,
        ),
        gm_s=values.gm_s,
        rp_ohm=values.rp_ohm,
        l_h=values.l_h,
        tickler_l_h=values.tickler_l_h,
        mutual_h=values.k * math.sqrt(values.l_h * values.tickler_l_h),
        feedback=Feedback(
            values.feedback_f,
            math.inf if values.choke_h is None else values.choke_h,
            values.choke_f,
            values.plate_f,
            values.grid_plate_f,
            values.winding_f,
        ),
        antenna=None if values.antenna is None else Antenna(*values.antenna),
        device=values.device,
        topology=values.topology,
    )


def draw(random: np.random.Generator, name: str) -> Values:
    """A circuit such as people build, 0.5 to 20 MHz."""

    def between(low: float, high: float) -> float:
        return float(np.exp(random.uniform(np.log(low), np.log(high))))

    f0 = between(0.5e6, 20e6)
    tuning = between(40e-12, 300e-12)
    l_h = 1 / ((2 * math.pi * f0) ** 2 * tuning)
    q = between(50, 250)
    tapped = name == "cathode-tap"
    k = between(0.15, 0.6)
    gm = between(0.3e-3, 3e-3)
    # Feedback from just too little to several times enough: gm M against RC.
    enough = 2 * math.pi * f0 * l_h / q * tuning / gm
    mutual = enough * between(0.8, 5)
    tickler = (mutual / k) ** 2 / l_h
    if tapped:
        tickler = mutual * random.uniform(0.4, 0.8)
        k = mutual / math.sqrt(l_h * tickler)
    start = random.uniform(0.0, 0.2)
    kind = "supply" if tapped else name
    return Values(
        kind=kind,
        f0_hz=f0,
        q=q,
        l_h=l_h,
        tickler_l_h=tickler,
        k=k,
        gm_s=gm,
        rp_ohm=between(8e3, 500e3),
        resistance_ohm=between(500, 300e3) if kind in ("divider", "shunt") else None,
        capacitance_f=(between(3e-12, 15e-12), between(60e-12, 300e-12)) if kind == "throttle" else None,
        law=((0.0, start), (150.0, (1 + start) / 2), (300.0, 1.0)) if kind == "measured" else None,
        taper=str(random.choice(["linear", "log", "reverse-log"])),
        feedback_f=between(100e-12, 3e-9),
        choke_h=between(0.5e-3, 5e-3) if random.random() < 0.8 else None,
        choke_f=between(0.5e-12, 5e-12),
        plate_f=between(2e-12, 15e-12),
        grid_plate_f=between(0.01e-12, 3e-12) if random.random() < 0.5 else 0.0,
        winding_f=between(0.5e-12, 4e-12) if random.random() < 0.5 else 0.0,
        antenna=(between(2e-12, 20e-12), between(30, 300), between(50e-12, 300e-12))
        if random.random() < 0.4
        else None,
        device=str(random.choice(["triode", "pentode", "fet", "bipolar"])),
        topology="cathode-tap" if tapped else "tickler",
    )


def angles(circuit: Circuit, values: Values) -> tuple[float, tuple[float, float, float]]:
    at = float(onset(circuit, values.f0_hz, values.q, modes=False).angle_deg)
    travel = values.travel_deg
    if not 0 < at < travel:
        return at, (0.2 * travel, 0.5 * travel, travel)
    return at, (0.5 * at, at, 0.5 * (at + travel))


def draw_starting(random: np.random.Generator, name: str, tries: int = 6) -> tuple[Values, Circuit]:
    """A circuit, of several the first with an onset within the travel; now and then one that has none."""
    for _ in range(tries):
        values = draw(random, name)
        circuit = circuit_of(values)
        if 0 < angles(circuit, values)[0] < values.travel_deg:
            break
    return values, circuit


def main(count: int = 70, seed: int = 1) -> int:
    if not have_ngspice():
        print("needs Debian's ngspice (apt-get install ngspice)", file=sys.stderr)
        return 1
    random = np.random.default_rng(seed)
    worst, started, over = 0.0, 0, 0
    print("kind          f0 kHz    Q  onset deg   error of growth, % of w/2Q: below, at, above")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for i in range(count):
            kind = KINDS[i % len(KINDS)]
            values, circuit = draw_starting(random, kind)
            own = tank(circuit, values.f0_hz, values.q)
            at, where = angles(circuit, values)
            started += 0 < at < values.travel_deg
            errors = []
            for angle in where:
                expected = complex(root(circuit, own, angle))
                seen = growth(values, angle, folder, steps=400, near_hz=expected.imag / (2 * math.pi))
                errors.append(100 * (expected.real - seen.real) / values.loss_rate)
            size = max(abs(error) for error in errors)
            worst, over = max(worst, size), over + (not size <= 1)
            print(
                f"{kind:12} {values.f0_hz / 1e3:8.0f} {values.q:4.0f} {at:9.1f}    "
                + "  ".join(f"{error:+8.4f}" for error in errors),
                flush=True,
            )
        print(
            f"{count} circuits, {started} with an onset within the travel; worst {worst:.3f} %, {over} over 1 %"
        )
        finer = [growth(values, where[2], folder, steps=steps).real for steps in (400, 800)]
        print(
            f"last circuit, simulator's step halved: {100 * (finer[1] - finer[0]) / values.loss_rate:+.4f} % of w/2Q"
        )
    return int(over > 0)


if __name__ == "__main__":
    sys.exit(main(*(int(argument) for argument in sys.argv[1:])))
