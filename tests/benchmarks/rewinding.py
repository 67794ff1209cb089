"""Do the advised turns come out right? Measure, fit, rewind to the advice, look again.

    python tests/benchmarks/rewinding.py [SETS] [WIRED] [--seed N]

SETS random sets of two coils: every kind of control, random valves, resistances, tapers, forms and ticklers. The set behind
each plan is another than the plan says: gm by a fifth, the taper, parts and windings by their tolerances, and every reading is
noisy. Onset after rewinding is that of the virtual bench's own network, which no fit has seen. A coil counts where some number
of turns, whole or half, would have put every frequency into the window; each miss is listed with what would have done it.

"once" is after one rewinding. "twice" is what a user has who measures the set again where a coil came out wrong, fits those
readings alone, and follows that advice for the coils that were wrong; one that is right is left alone.

WIRED of the sets (5 unless told) go the whole way instead: simulated instruments on real serial and socket links.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

import fit_cases as cases
import numpy as np

from bench.fit.fitting import fit_tables
from bench.physics import winding
from bench.physics.winding import Winding
from bench.plan.schema import Plan, parse_plan
from bench.virtual import network, scenario, truth

KINDS = ("divider", "shunt", "throttle", "supply", "swing", "measured")
# What the set differs by from its plan, beside what `bench.virtual.scenario` draws (one standard deviation).
GM_SHARE, BEND, SECOND_BEND, STOP_DEG, Q_SHARE = 0.15, 0.015, 0.006, 0.5, 0.01
E6 = (1.0, 1.5, 2.2, 3.3, 4.7, 6.8)
MOST_TURNS = 40


@dataclass(frozen=True)
class Case:
    """A random set: its plan for any numbers of turns, and what is wrong with it."""

    seed: int
    kind: str
    turns: tuple[int, int]
    text: str

    def plan(self, turns: tuple[float, ...]) -> Plan:
        """The plan with these tickler turns."""
        return parse_plan(self.text % turns)

    def hidden(self, plan: Plan) -> scenario.Hidden:
        """The set that really is behind a plan; the same for every number of turns."""
        hidden = scenario.draw(plan, self.seed)
        rng = np.random.default_rng([3, self.seed])
        gm, first, second = (
            share * float(np.clip(rng.normal(), -2.5, 2.5)) for share in (GM_SHARE, BEND, SECOND_BEND)
        )
        return replace(
            hidden,
            valve=replace(hidden.valve, gm_s=hidden.valve.gm_s * math.exp(gm)),
            knob=replace(hidden.knob, bend=(first, second)),
        )


def preferred(rng: np.random.Generator, low: float, high: float) -> float:
    """A preferred value (IEC 60063, six a decade) between two others, by its logarithm."""
    values = [s * 10.0**d for d in range(-1, 7) for s in E6]
    inside = [v for v in values if low * 0.999 <= v <= high * 1.001]
    return float(rng.choice(inside))


def random_case(seed: int) -> Case:
    """One set."""
    rng = np.random.default_rng([17, seed])
    kind = KINDS[seed % len(KINDS)]
    device = str(rng.choice(["triode", "pentode", "fet"]))
    gm = {"triode": (0.5, 1.4), "pentode": (0.6, 1.8), "fet": (1.5, 4.0)}[device]
    rp = {"triode": (9.0, 30.0), "pentode": (300.0, 900.0), "fet": (25.0, 60.0)}[device]
    control = {
        "divider": lambda: f'resistance = "{preferred(rng, 1e3, 47e3):g} ohm"',
        "shunt": lambda: f'resistance = "{preferred(rng, 220, 4700):g} ohm"',
        "throttle": lambda: f'capacitance = ["{rng.uniform(6, 15):.0f} pF", "{rng.uniform(90, 320):.0f} pF"]',
        "measured": lambda: (
            f"law = [[0, 0.03], [100, {rng.uniform(0.15, 0.4):.2f}], [200, {rng.uniform(0.5, 0.8):.2f}], [300, 1]]"
        ),
    }.get(kind, lambda: "")()
    taper = str(rng.choice(["linear", "linear", "log", "reverse-log"]))
    if kind not in ("swing", "measured"):
        control += f'\ntaper = "{taper}"'
    coils, turns = [], []
    for name, span in (("A", (24, 60)), ("B", (8, 24))):
        count = round(np.exp(rng.uniform(*np.log(span))))
        diameter, pitch = rng.uniform(25, 40), rng.uniform(0.6, 1.1)
        l_h = winding.inductance(Winding(count, 1e-3 * diameter, 1e-3 * count * pitch, 0.4e-3))
        low, high = (1 / (2 * math.pi * math.sqrt(l_h * c)) for c in (170e-12, rng.uniform(45e-12, 110e-12)))
        at = ", ".join(f'"{f / 1e3:.0f} kHz"' for f in np.geomspace(low, high, 5))
        turns.append(int(rng.integers(2, max(4, round(0.45 * count)))))
        coils.append(
            f"""
[[coil]]
name = "{name}"
grid = {{ turns = {count}, diameter = "{diameter:.1f} mm", length = "{count * pitch:.2f} mm", wire = "0.4 mm" }}
tickler = {{ turns = %g, gap = "{rng.uniform(1.5, 4):.1f} mm", wire = "0.25 mm" }}
dials = [0, 20, 40, 60, 80, 100]
onset_at = [{at}]"""
        )
    text = f"""
[receiver]
device = "{device}"
gm = "{rng.uniform(*gm):.2f} mS"
rp = "{rng.uniform(*rp):.0f} kohm"
supply = "45 V"
[receiver.tuning]
capacitance = ["160 pF", "12 pF"]
[receiver.control]
kind = "{kind}"
{control}
[receiver.feedback]
capacitor = "{0 if kind == "throttle" else preferred(rng, 100, 1000):.0f} pF"
choke = "2.5 mH"
choke_capacitance = "2 pF"
plate_capacitance = "{rng.uniform(3, 8):.1f} pF"
grid_plate_capacitance = "{rng.uniform(0.1, 2):.1f} pF"
winding_capacitance = "{rng.uniform(0.5, 2):.1f} pF"
{"".join(coils)}
[readings]
repeats = 2
added_capacitor = "100 pF"
[instruments.analyzer]
driver = "scpi-analyzer"
address = "TCPIP::127.0.0.1::5025::SOCKET"
[instruments.angle]
driver = "sensor"
port = "angle"
[instruments.level]
driver = "sensor"
port = "angle"
[virtual]
seed = {seed}
speed = 60
"""
    return Case(seed, kind, (turns[0], turns[1]), text)


def onset_deg(plan: Plan, hidden: scenario.Hidden, name: str) -> list[float | None]:
    """True onset at a coil's frequencies (None never)."""
    found = []
    for f_hz in plan.coil_named(name).onset_at:
        standing = truth.tuned_to(hidden, truth.Standing(name, 0.0), f_hz)
        found.append(truth.true_onset(hidden, standing).onset_deg)
    return found


def starts_inside(plan: Plan, hidden: scenario.Hidden, name: str, window: tuple[float, float]) -> bool:
    """Whether every frequency starts in the window, by the signs of the true growth rate: quicker than the angles."""
    low, high = window
    standing = truth.tuned_to(hidden, truth.Standing(name, 0.0), plan.coil_named(name).onset_at[0])
    if network.tank_root(truth.circuit_of(hidden, standing), np.linspace(0.0, low, 7)).real[-1] >= 0:
        return False
    angles = np.array([*np.linspace(0.0, low, 25), *np.linspace(low, high, 25)[1:]])
    f_hz = plan.coil_named(name).onset_at
    for f in (f_hz[0], f_hz[-1], *f_hz[1:-1]):
        standing = truth.tuned_to(hidden, truth.Standing(name, 0.0), f)
        growth = network.tank_root(truth.circuit_of(hidden, standing), angles).real
        if not (np.all(growth[:25] < 0) and np.any(growth[25:] >= 0)):
            return False
    return True


def inside(angles: list[float | None], window: tuple[float, float]) -> bool:
    """Whether every frequency starts in the window."""
    return all(a is not None and a > 0 and window[0] <= a <= window[1] for a in angles)


@dataclass
class Count:
    """Coils of one kind of control."""

    sets: int = 0
    coils: int = 0
    could: int = 0
    before: int = 0
    after: int = 0
    twice: int = 0

    def row(self, name: str) -> str:
        """One line of the table."""
        share = [
            f"{100 * n / self.could:.1f} %" if self.could else ""
            for n in (self.before, self.after, self.twice)
        ]
        told = "".join(f"{one:>10}" for one in share)
        return f"{name:10}{self.sets:>6}{self.coils:>7}{self.could:>7}{told}{self.could - self.after:>8}{self.could - self.twice:>8}"


@dataclass
class Tally:
    """All kinds, and how sure the advice was of itself."""

    kinds: dict[str, Count] = field(default_factory=dict)
    sure: list[tuple[float, bool]] = field(default_factory=list)
    misses: list[str] = field(default_factory=list)

    def count(self, kind: str) -> Count:
        """The kind's own count."""
        return self.kinds.setdefault(kind, Count())

    def show(self) -> None:
        """Print it."""
        print(
            f"{'control':10}{'sets':>6}{'coils':>7}{'could':>7}{'before':>10}{'once':>10}{'twice':>10}{'missed':>8}{'still':>8}"
        )
        for name in [kind for kind in KINDS if kind in self.kinds]:
            print(self.kinds[name].row(name))
        total = Count(
            *(
                sum(getattr(c, k) for c in self.kinds.values())
                for k in ("sets", "coils", "could", "before", "after", "twice")
            )
        )
        print(total.row("all"))
        print("Stated confidence against what came out:")
        for low, high in ((0, 0.25), (0.25, 0.5), (0.5, 0.75), (0.75, 0.9), (0.9, 0.99), (0.99, 1.001)):
            mine = [hit for sure, hit in self.sure if low <= sure < high]
            if mine:
                stated = np.mean([sure for sure, _ in self.sure if low <= sure < high])
                print(f"  {100 * stated:>5.1f} % stated: {100 * np.mean(mine):>5.1f} % of {len(mine)} coils")
        for line in self.misses:
            print(line)


def turns_after(advice: dict[str, Any], now: int) -> float:
    """What the advice says to wind."""
    if advice["verdict"] in (None, "keep"):
        return now
    return float(advice["tickler_turns_best"])


def advised_turns(case: Case, fit: dict[str, Any], now: tuple[float, ...]) -> tuple[float, ...]:
    """What each coil's advice says to wind."""
    advised = {coil["name"]: coil["advice"] for coil in fit["coils"]}
    return tuple(
        turns_after(advised[coil.name], n) if coil.name in advised else n
        for coil, n in zip(case.plan(case.turns).coil, now, strict=True)
    )


def judge(
    case: Case,
    fit: dict[str, Any],
    tally: Tally,
    hidden_of: Callable[[Plan], scenario.Hidden],
    again: Callable[[Plan], dict[str, Any]] | None = None,
) -> None:
    """Rewind to the advice and look again; where a coil came out wrong, measure `again`, and rewind once more."""
    plan = case.plan(case.turns)
    window = plan.receiver.control.window_deg
    count = tally.count(case.kind)
    count.sets += 1
    advised = {coil["name"]: coil["advice"] for coil in fit["coils"]}
    chosen = advised_turns(case, fit, case.turns)
    first, then = hidden_of(plan), case.plan(chosen)
    after = hidden_of(then)
    once = [onset_deg(then, after, coil.name) for coil in plan.coil]
    hits = [inside(angles, window) for angles in once]
    would = [
        [] if hit else _would(case, coil.name, i, window, hidden_of)
        for i, (coil, hit) in enumerate(zip(plan.coil, hits, strict=True))
    ]
    second, twice = chosen, list(hits)
    if again is not None and any(would):
        after_more = advised_turns(case, again(then), chosen)
        second = tuple(n if hit else m for n, m, hit in zip(chosen, after_more, hits, strict=True))
        last = case.plan(second)
        for i, coil in enumerate(plan.coil):
            if would[i]:
                twice[i] = inside(onset_deg(last, hidden_of(last), coil.name), window)
    for i, coil in enumerate(plan.coil):
        count.coils += 1
        hit, advice = hits[i], advised.get(coil.name)
        if advice is not None and advice["verdict"] is not None:
            tally.sure.append(
                (advice["confidence_now" if advice["verdict"] == "keep" else "confidence_best"], hit)
            )
        if not hit and not would[i]:
            continue
        count.could += 1
        count.before += starts_inside(plan, first, coil.name, window)
        count.after += hit
        count.twice += twice[i]
        if not hit:
            words = "never" if advice is None else advice["verdict"] or advice["reasons"][0]
            sure = (
                ""
                if advice is None or advice["confidence_best"] is None
                else f"{100 * advice['confidence_best']:.0f} % sure"
            )
            told = " ".join("never" if a is None else f"{a:.1f}" for a in once[i])
            tally.misses.append(
                f"  seed {case.seed} {case.kind}, coil {coil.name}: {case.turns[i]} to {chosen[i]:g} turns ({words}, {sure}): {told}; "
                f"would do: {', '.join(f'{n:g}' for n in would[i])}; then {second[i]:g}: {'right' if twice[i] else 'wrong'}"
            )


def _would(
    case: Case, name: str, i: int, window: tuple[float, float], hidden_of: Callable[[Plan], scenario.Hidden]
) -> list[float]:
    """Numbers of turns that would do, whole and half."""
    found = []
    for n in np.arange(0.5, MOST_TURNS + 0.5, 0.5):
        turns = tuple(float(n) if k == i else t for k, t in enumerate(case.turns))
        plan = case.plan(turns)
        if starts_inside(plan, hidden_of(plan), name, window):
            found.append(float(n))
        elif found and n > found[-1] + 2:
            break
    return found


def measured(case: Case, plan: Plan, draw: int) -> dict[str, Any]:
    """The fit of one session on the bench, with its own noise, end stop and error of Q."""
    rng = np.random.default_rng([draw, case.seed])
    made = cases.virtual_session(
        plan,
        case.seed if draw == 5 else 100_000 + case.seed,
        repeats=2,
        hidden=case.hidden(plan),
        stop_deg=STOP_DEG * rng.normal(),
        q_factor=math.exp(Q_SHARE * rng.normal()),
    )
    return fit_tables(plan, made.frames, session="s", made_at="", program_version="0")


def main() -> None:
    """Run it."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("sets", type=int, nargs="?", default=200)
    parser.add_argument("wired", type=int, nargs="?", default=5)
    parser.add_argument("--seed", type=int, default=1, help="number of the first set")
    wanted = parser.parse_args()
    tally, begun = Tally(), time.monotonic()
    for seed in range(wanted.seed, wanted.seed + wanted.sets):
        if sys.stderr.isatty():
            print(f"set {seed}", end="\r", file=sys.stderr)
        case = random_case(seed)
        judge(
            case,
            measured(case, case.plan(case.turns), 5),
            tally,
            case.hidden,
            partial(measured, case, draw=6),
        )
    print(f"{wanted.sets} sets without wires ({time.monotonic() - begun:.0f} s)")
    tally.show()
    if wanted.wired:
        wired(wanted.seed, wanted.wired)


def wired(first: int, sets: int) -> None:
    """The whole way: instruments, wires, session, fit."""
    from bench.fit.fitting import fit_session
    from bench.measuring.run import measure
    from bench.session.folder import Session
    from bench.virtual.hands import VirtualBench

    tally, begun = Tally(), time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(first, first + sets):
            case = random_case(seed)
            session = Session.create(Path(folder) / f"set-{seed}", case.text % case.turns)
            speed = session.plan.virtual.speed
            with VirtualBench(
                session.path / "plan.toml", seed=seed, speed=speed, truth=Path(folder) / "truth.json"
            ) as bench:
                measure(session, bench=bench)
            fit = json.loads(json.dumps(fit_session(session)))
            judge(case, fit, tally, lambda plan, seed=seed: scenario.draw(plan, seed))
    print(f"{sets} sets over real wires ({time.monotonic() - begun:.0f} s)")
    tally.show()


if __name__ == "__main__":
    main()
