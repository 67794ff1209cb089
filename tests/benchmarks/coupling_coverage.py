"""Is the truth inside ±2u?

    python tests/benchmarks/coupling_coverage.py [SETS]

The dial: SETS sets of three coils whose plan, hand and analyzer are wrong as stated. The coupling: SETS sets of two coils
whose valve, control, parts, end stop and Q are all wrong as `Priors` states, every reading noisy; the truth is the virtual
bench's own network; once as it is, once with readings of Q below onset, once with one angle of ten replaced by a gross error.
Its table so far is printed after every hundred sets. M and k rest on the plan's gm, one for both coils of a set, so they
cannot do better than the draw of gm itself, which stands below. And a tenth as many sets in which Q, rp, taper, end stop and
parts are as the plan says and the fit is told so: there gm·M is to be known to 1 %.
"""

from __future__ import annotations

import sys
import time
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any

import fit_cases as cases
import numpy as np
import pandas as pd

from bench.fit.coupling import mutual
from bench.fit.fitting import fit_parts
from bench.physics import dial
from bench.physics.coupling import Priors
from bench.plan.schema import Plan, parse_plan
from bench.virtual import network, scenario, truth

SET = """
[receiver]
device = "triode"
gm = "0.9 mS"
rp = "16 kohm"
[receiver.tuning]
capacitance = ["160 pF", "12 pF"]
[receiver.control]
kind = "divider"
resistance = "4 kohm"
[receiver.feedback]
capacitor = "270 pF"
choke = "2.5 mH"
choke_capacitance = "2 pF"
plate_capacitance = "5 pF"
grid_plate_capacitance = "1.3 pF"
[[coil]]
name = "A"
grid = {{ turns = 52, diameter = "32 mm", length = "34 mm", wire = "0.4 mm" }}
tickler = {{ turns = {a}, gap = "2.5 mm", wire = "0.25 mm" }}
dials = [0, 20, 40, 60, 80, 100]
onset_at = ["1.8 MHz", "2.1 MHz", "2.5 MHz", "3.0 MHz", "3.5 MHz"]
[[coil]]
name = "B"
grid = {{ turns = 25, diameter = "32 mm", length = "28 mm", wire = "0.4 mm" }}
tickler = {{ turns = {b}, gap = "2.5 mm", wire = "0.25 mm" }}
dials = [0, 20, 40, 60, 80, 100]
onset_at = ["3.5 MHz", "4.2 MHz", "5.0 MHz", "6.0 MHz", "7.1 MHz"]
[readings]
added_capacitor = "100 pF"
"""


SHOWN_EVERY = 100


class Table:
    """Errors in standard uncertainties, by quantity."""

    def __init__(self) -> None:
        self.z: dict[str, list[float]] = defaultdict(list)
        self.relative: dict[str, list[float]] = defaultdict(list)

    def add(self, what: str, found: float, true: float, u: float) -> None:
        """One value beside its truth."""
        self.z[what].append((found - true) / u)
        self.relative[what].append(found / true - 1)

    def show(self) -> None:
        """Print it."""
        print(f"  {'':22}{'cases':>7}{'rms error %':>13}{'actual/claimed':>16}{'inside ±2u':>12}")
        for what, z in self.z.items():
            v = np.array(z)
            rms = 100 * float(np.sqrt(np.mean(np.square(self.relative[what]))))
            ratio = float(np.sqrt(np.mean(v**2)))
            print(f"  {what:22}{len(v):>7}{rms:>13.2f}{ratio:>16.2f}{np.mean(np.abs(v) < 2):>12.1%}")


def dials(sets: int) -> None:
    """Coverage of the joint dial fit."""
    ends = dial.Ends((0.0, 100.0), (160e-12, 12e-12))
    table = Table()
    at = np.array([0.0, 20, 40, 60, 80, 100])
    for seed in range(sets):
        rng = np.random.default_rng(seed)
        p = rng.choice([1.0, 0.5, -0.5])
        low, high = (
            (c * (1 + dial.ENDS_SHARE_U * rng.normal()) + dial.ENDS_U_F * rng.normal() + 12e-12) ** p
            for c in ends.c_f
        )

        def tuning(d: Any, low: float = low, high: float = high, p: float = p) -> Any:
            return (low + (high - low) * np.asarray(d) / 100) ** (1 / p) - 12e-12

        sizes = {"A": 90e-6, "B": 22e-6, "C": 6e-6}
        coils = {name: (l_h, rng.uniform(10e-12, 22e-12)) for name, l_h in sizes.items()}
        readings = []
        for name, (l_h, stray) in coils.items():
            for d in at:
                f = 1 / (2 * np.pi * np.sqrt(l_h * (tuning(d + 0.1 * rng.normal()) + stray)))
                readings.append(
                    dial.Reading(name, float(d), float(f * (1 + 2e-5 * rng.normal())), float(2e-5 * f))
                )
        fit = dial.fit_dial(readings, ends)
        for name, (l_h, stray) in coils.items():
            table.add("L", fit.l_h[name][0], l_h, fit.l_h[name][1])
            table.add("stray", fit.stray_f[name][0], stray, fit.stray_f[name][1])
            for where, d in (("f at a read dial", at), ("f between", at[:-1] + 10)):
                found, u = dial.frequency(fit, name, d)
                for a, b, c in zip(
                    found, 1 / (2 * np.pi * np.sqrt(l_h * (tuning(d) + stray))), u, strict=True
                ):
                    table.add(where, float(a), float(b), float(c))
    print(f"Dial, {sets} sets of three coils at six dials, no known capacitor")
    table.show()


USUAL = Priors()
NOTHING = Priors(**dict.fromkeys(Priors.__dataclass_fields__, 0.0))


def wrong_set(plan: Plan, seed: int, priors: Priors) -> tuple[scenario.Hidden, dict[str, float]]:
    """A hidden set that differs from the plan as `priors` say, and errors common to the angles and Q."""
    rng = np.random.default_rng([7, seed])
    off = {f.name: getattr(priors, f.name) * rng.normal() for f in fields(Priors)}
    hidden, planned = scenario.draw(plan, seed), plan.receiver

    def scaled(value: float | None, name: str) -> float:
        return float((value or 0.0) * np.exp(off[name]))

    feedback = planned.feedback
    hidden = replace(
        hidden,
        knob=replace(
            hidden.knob,
            dead_deg=planned.control.dead_deg,
            bend=(off["taper"], 0.0),
            resistance_ohm=scaled(planned.control.resistance, "control"),
        ),
        chassis=network.Chassis(
            feedback_c_f=scaled(feedback.capacitor, "feedback"),
            choke_h=feedback.choke,
            choke_c_f=feedback.choke_capacitance,
            plate_c_f=scaled(feedback.plate_capacitance, "strays"),
            grid_plate_c_f=scaled(feedback.grid_plate_capacitance, "strays"),
            winding_c_f=0.0,
        ),
        valve=replace(hidden.valve, gm_s=scaled(planned.gm, "gm"), rp_ohm=scaled(planned.rp, "rp")),
        coils={
            name: replace(
                coil,
                tickler_l_h=coil.tickler_l_h * np.exp(off["tickler"]),
                k=coil.k * np.exp(0.1 * rng.normal()),
            )
            for name, coil in hidden.coils.items()
        },
    )
    return hidden, {"stop_deg": off["stop_deg"], "q_factor": float(np.exp(off["q"]))}


@dataclass(frozen=True)
class Wrong:
    """A session read on a hidden set that differs from the plan in all that `Priors` names."""

    plan: Plan
    frames: dict[str, pd.DataFrame]
    truth: dict[str, Any]
    hidden: scenario.Hidden
    common: dict[str, float]

    @property
    def curve(self) -> pd.DataFrame:
        """Q at three angles below onset, at the second and the fourth frequency of each coil."""
        parts = [
            curve_rows(self, coil["name"], coil["onset"][i]["f_hz"], (0.4, 0.65, 0.85))
            for coil in self.truth["coils"]
            for i in (1, 3)
            if coil["onset"][i]["onset_deg"]
        ]
        rows = pd.concat(parts, ignore_index=True)
        rows["reading"] = [f"c{i + 1:05d}" for i in range(len(rows))]
        return rows


def made_set(seed: int, priors: Priors = USUAL, q_share_u: float = 0.01) -> Wrong:
    """Two coils, one approach of ±1.5° at each of five frequencies."""
    plan = parse_plan(SET.format(a=8, b=6))
    hidden, common = wrong_set(plan, seed, priors)
    made = cases.virtual_session(
        plan, seed, angle_u=1.5, q_share_u=q_share_u, hidden=hidden, repeats=1, **common
    )
    return Wrong(plan, made.frames, made.truth, hidden, common)


def curve_rows(made: Wrong, coil: str, f_hz: float, shares: Sequence[float]) -> pd.DataFrame:
    """Q to 1 % at shares of the onset's angle, set by hand to 0.4 degrees."""
    rng = np.random.default_rng([13, round(f_hz)])
    entry = next(one for one in made.truth["coils"] if one["name"] == coil)
    at = min(entry["onset"], key=lambda one: abs(one["f_hz"] - f_hz))
    standing = truth.Standing(coil, at["dial"], antenna=bool(made.plan.receiver.antenna))
    angle = np.array([0.0, *(np.array(shares) * at["onset_deg"])])
    root = network.tank_root(truth.circuit_of(made.hidden, standing), angle)[1:]
    n = len(root)
    q = np.abs(root) / (-2 * root.real) * made.common["q_factor"] * (1 + 0.01 * rng.normal(size=n))
    return pd.DataFrame(
        {
            "reading": [f"c{i + 1:05d}" for i in range(n)],
            "coil": coil,
            "recipe": "",
            "dial": at["dial"],
            "valve": "working",
            "antenna": "no",
            "angle_deg": angle[1:] + made.common["stop_deg"] + 0.4 * rng.normal(size=n),
            "f_hz": np.abs(root) / (2 * np.pi),
            "q": q,
            "q_u": 0.01 * q,
        }
    )


def one_wrong(made: Wrong, seed: int) -> tuple[pd.DataFrame, str]:
    """The onset table with one angle replaced by another at least 25 degrees away, and that reading's name."""
    rng, onset = np.random.default_rng([3, seed]), made.frames["onset"].copy()
    read = onset.index[(onset["direction"] == "onset") & (onset["angle_deg"] > 0)]
    i = rng.choice(read)
    old = float(onset.loc[i, "angle_deg"])
    onset.loc[i, "angle_deg"] = next(a for a in iter(lambda: rng.uniform(2, 298), None) if abs(a - old) > 25)
    return onset, str(onset.loc[i, "reading"])


class Counts:
    """What is counted beside the table of errors."""

    def __init__(self) -> None:
        self.silent = self.named = self.alone = self.tried = 0
        self.gm: list[float] = []

    def show(self) -> None:
        """Print it."""
        print(f"  coils that never started: {self.silent}")
        print(
            f"  one wrong reading of ten: named in {self.named} of {self.tried} ({self.named / max(self.tried, 1):.1%}), "
            f"it alone in {self.alone}"
        )
        gm = np.array(self.gm)
        print(
            f"  the true gm of these sets lies inside ±2u of the plan's in {np.mean(np.abs(gm) < 2):.1%}: M and k cannot be surer"
        )


def coupling(sets: int) -> None:
    """Coverage of gm·M with everything wrong as stated: plain, with curve rows, with one reading in ten wrong."""
    table, counts, began = Table(), Counts(), time.monotonic()
    for seed in range(sets):
        made = made_set(seed)
        gm_s = float(made.plan.receiver.gm or 0.0)
        counts.gm.append(float(np.log(made.hidden.valve.gm_s / gm_s)) / USUAL.gm)
        onset, wrong = one_wrong(made, seed)
        for what, frames in (
            ("", made.frames),
            (", curves too", {**made.frames, "curve": made.curve}),
            (", one wrong", {**made.frames, "onset": onset}),
        ):
            found = fit_parts(made.plan, frames)
            if found.coupling is None:
                continue
            for one, true in zip(found.coils, made.truth["coils"], strict=True):
                if one.place is None:
                    counts.silent += not what
                    continue
                log_gm_m, u = found.coupling.log_gm_m(one.place)
                value = float(np.exp(log_gm_m))
                table.add(f"gm·M{what}", value, true["gm_m_sh"], value * u)
                if not what:
                    more = mutual(found.coupling, one.place, gm_s)
                    table.add("M", more["mutual_h"], true["mutual_h"], more["mutual_u_h"])
                    table.add("k", more["k"], true["k"], more["k_u"])
            if what.endswith("wrong"):
                told = [w for one in found.coils for w in one.warnings if "all the others say; left out" in w]
                counts.tried += 1
                counts.named += any(wrong in w for w in told)
                counts.alone += len(told) == 1 and wrong in told[0]
        if (seed + 1) % SHOWN_EVERY == 0 or seed + 1 == sets:
            print(
                f"Coupling, {seed + 1} sets of two coils, one approach of ±1.5° at five frequencies, all of `Priors` wrong "
                f"({time.monotonic() - began:.0f} s)"
            )
            table.show()
            counts.show()
            sys.stdout.flush()


def known(sets: int) -> None:
    """How well gm·M is known where all else is as the plan says, and whether it is."""
    table, told = Table(), []
    for seed in range(sets):
        made = made_set(seed, NOTHING, q_share_u=1e-3)
        found = fit_parts(made.plan, made.frames, NOTHING)
        if found.coupling is None:
            continue
        for one, true in zip(found.coils, made.truth["coils"], strict=True):
            if one.place is not None:
                log_gm_m, u = found.coupling.log_gm_m(one.place)
                told.append(u)
                table.add("gm·M", float(np.exp(log_gm_m)), true["gm_m_sh"], float(np.exp(log_gm_m)) * u)
    print(
        f"Coupling, {sets} sets, Q, rp, taper, end stop and parts known: the fit is told that the plan is right"
    )
    table.show()
    print(
        f"  u(gm·M): median {100 * float(np.median(told)):.2f} %, at most 1 % in {np.mean(np.array(told) <= 0.01):.0%}"
    )


if __name__ == "__main__":
    number = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    dials(number)
    known(max(number // 10, 20))
    coupling(number)
