"""The onset network against an independent circuit simulator: growth rates of many circuits.

Run: python tests/benchmarks/onset_against_simulator.py [circuits] [seed]

Needs Debian's ngspice. Each circuit is written down twice from the same values: as a plan.toml, which the program reads as
a user's, and as a netlist that knows nothing of the program. For each random circuit the root of the network is compared with the simulator's transient
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

from bench.circuits import circuit
from bench.physics.regeneration import Circuit, onset, root, tank
from bench.plan.schema import parse_plan

KINDS = ("divider", "shunt", "throttle", "supply", "swing", "measured", "cathode-tap")


def plan_text(values: Values) -> str:
    """The same parts as a user would write them into plan.toml."""
    receiver = {
        "topology": f'"{values.topology}"',
        "device": f'"{values.device}"',
        "gm": f'"{values.gm_s!r} S"',
        "rp": f'"{values.rp_ohm!r} ohm"',
    }
    if values.grid_leak_ohm is not None:
        receiver["grid_leak"] = f'"{values.grid_leak_ohm!r} ohm"'
    if values.current_gain is not None:
        receiver["current_gain"] = repr(values.current_gain)
        receiver["transition_frequency"] = f'"{values.transition_hz!r} Hz"'
    control = {
        "kind": f'"{values.kind}"',
        "taper": f'"{values.taper}"'
        if isinstance(values.taper, str)
        else repr([list(point) for point in values.taper]),
        "travel_deg": repr(values.travel_deg),
        "dead_deg": f"[{values.dead_deg[0]}, {values.dead_deg[1]}]",
        "window": f'["{values.travel_deg * 0.3} deg", "{values.travel_deg * 0.7} deg"]',
    }
    if values.resistance_ohm is not None:
        control["resistance"] = f'"{values.resistance_ohm!r} ohm"'
    if values.capacitance_f is not None:
        control["capacitance"] = "[{}]".format(", ".join(f'"{c!r} F"' for c in values.capacitance_f))
    if values.law is not None:
        control["law"] = repr([list(point) for point in values.law])
    feedback = {
        "capacitor": values.feedback_f,
        "choke_capacitance": values.choke_f,
        "plate_capacitance": values.plate_f,
        "grid_plate_capacitance": values.grid_plate_f,
        "winding_capacitance": values.winding_f,
    }
    parts = {name: f'"{value!r} F"' for name, value in feedback.items()}
    if values.choke_h is not None:
        parts["choke"] = f'"{values.choke_h!r} H"'
    winding = f'{{ turns = 5, inductance = "{values.tickler_l_h!r} H", k = {values.k!r} }}'
    tables = {
        "receiver": receiver,
        "receiver.tuning": {"capacitance": '["160 pF", "12 pF"]'},
        "receiver.control": control,
        "receiver.feedback": parts,
    }
    if values.antenna is not None:
        names = (("coupling_capacitor", "F"), ("resistance", "ohm"), ("capacitance", "F"))
        tables["receiver.antenna"] = {
            name: f'"{value!r} {unit}"' for (name, unit), value in zip(names, values.antenna, strict=True)
        }
    lines = []
    for table, keys in tables.items():
        lines += [f"[{table}]", *(f"{key} = {value}" for key, value in keys.items())]
    lines += [
        "[[coil]]",
        'name = "B"',
        f'grid = {{ turns = 20, inductance = "{values.l_h!r} H", q = [[1e6, {values.q!r}]] }}',
        f"{'tap' if values.topology == 'cathode-tap' else 'tickler'} = {winding}",
    ]
    return "\n".join(lines) + "\n"


def circuit_of(values: Values) -> Circuit:
    """The project's circuit, by way of a plan."""
    plan = parse_plan(plan_text(values))
    return circuit(plan, plan.coil[0])


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
    device = str(random.choice(["triode", "pentode", "fet", "bipolar"]))
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
        device=device,
        topology="cathode-tap" if tapped else "tickler",
        grid_leak_ohm=between(0.2e6, 5e6) if random.random() < 0.3 else None,
        current_gain=between(50, 400) if device == "bipolar" else None,
        transition_hz=between(50e6, 800e6) if device == "bipolar" else None,
        dead_deg=(random.uniform(0, 20), random.uniform(0, 20))
        if kind != "measured" and random.random() < 0.3
        else (0.0, 0.0),
    )


def angles(made: Circuit, values: Values) -> tuple[float, tuple[float, float, float]]:
    at = float(onset(made, values.f0_hz, values.q, modes=False).angle_deg)
    travel = values.travel_deg
    if not 0 < at < travel:
        return at, (0.2 * travel, 0.5 * travel, travel)
    return at, (0.5 * at, at, 0.5 * (at + travel))


def draw_starting(random: np.random.Generator, name: str, tries: int = 6) -> tuple[Values, Circuit]:
    """A circuit, of several the first with an onset within the travel; now and then one that has none."""
    for _ in range(tries):
        values = draw(random, name)
        while values.k > 0.95:  # no two windings are so close
            values = draw(random, name)
        made = circuit_of(values)
        if 0 < angles(made, values)[0] < values.travel_deg:
            break
    return values, made


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
            values, made = draw_starting(random, kind)
            own = tank(made, values.f0_hz, values.q)
            at, where = angles(made, values)
            started += 0 < at < values.travel_deg
            errors = []
            for angle in where:
                expected = complex(root(made, own, angle))
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
