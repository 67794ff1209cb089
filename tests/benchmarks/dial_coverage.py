"""Does the dial fit's ±2u hold the truth in 95 of 100 cases: simulated sets whose truth the fit's model did not make.

    python tests/benchmarks/dial_coverage.py [SETS]

Half the sets have the virtual bench's tuning capacitor (a power law with a wave in it, which the fit does not know), half
plates of the trade cut for a law with some stray, whose rotor is bowed: C (1 + b sin(pi u + phase)), b up to 1.5 %. The
plan's end capacitances are off by 5 %/√3 and half a picofarad, the added capacitor by 1 %/√3: normal errors of the size the
fit states, since a rectangular one would always be inside. The hand sets the dial anew for each reading with 0.03 to 0.2
divisions of error (at the dial's ends it cannot go beyond the stop, or is held by it), the analyzer reads with 2 to 100
parts per million; every second set has readings at both ends and the middle with a capacitor added. Two coils are read at
six dials or eleven, the third at three: its curve is a prediction. Actual over claimed: root mean square of error over u;
it should be 1. Then, how far L is off by added capacitor once that capacitor's own error is taken out. Last, of every
tenth set, the forecast of each reading from the ones before it and from windings that are off by 5 % (normal), two coils in
turn: what the prediction of a next sweep rests on.
"""

from __future__ import annotations

import sys
from collections import defaultdict

import numpy as np

from bench.physics import dial
from bench.physics.dial import Ends, Reading, fit_dial
from bench.physics.dial_forecast import DialForecast
from bench.virtual.scenario import TuningLaw

PLAN_F = (160e-12, 12e-12)
LAWS = (1.0, 0.5, -0.5)


def capacitor(rng, kind, ends_f):
    """C of the dial's share of travel, in F."""
    if kind == "wave":
        law = TuningLaw((0.0, 1.0), *ends_f, rng.uniform(1.05, 1.7), rng.uniform(-0.02, 0.02))
        return law.capacitance
    p, stray = LAWS[rng.integers(3)], rng.uniform(5e-12, 25e-12)
    bow, phase = rng.uniform(0, 0.015), rng.uniform(0, 2 * np.pi)
    a, b = ((c + stray) ** p for c in ends_f)

    def c(share):
        u = np.asarray(share)
        plain = (a + (b - a) * u) ** (1 / p) - stray
        bent = 1 + bow * (np.sin(np.pi * u + phase) - np.sin(phase) * (1 - 2 * u))
        return plain * bent

    return c


def one_set(seed):
    """A set's readings, and its truth: L and stray by coil, C(share)."""
    rng = np.random.default_rng(seed)
    kind = ("wave", "bow")[seed % 2]
    real = [c * (1 + dial.ENDS_SHARE_U * rng.normal()) + dial.ENDS_U_F * rng.normal() for c in PLAN_F]
    c = capacitor(rng, kind, (real[0], real[1]))
    ratio = rng.uniform(2.5, 4.5)
    first_h = 90e-6 * rng.uniform(0.7, 1.4)
    coils = {name: (first_h / ratio**i, rng.uniform(7e-12, 25e-12)) for i, name in enumerate("ABC")}
    setting, u = rng.uniform(0.03, 0.2), 10 ** rng.uniform(-5.7, -4)
    extra = bool(seed // 2 % 2)
    wrong = 1 + dial.ADDED_SHARE_U * rng.normal()
    many = np.linspace(0, 100, 11 if seed // 4 % 2 else 6)
    readings = []
    for name, (l_h, stray) in coils.items():
        dials = [(at, 0.0) for at in (many if name != "C" else (0.0, 50.0, 100.0))]
        if extra and name != "C":
            dials += [(at, 100e-12) for at in (0.0, many[len(many) // 2], 100.0)]
        for at, added in dials:
            # the dial is set anew for every reading; at its ends the stops hold the hand back
            off = setting * rng.normal() * (kind == "wave" or 0 < at < 100)
            there = float(np.clip(at + off, 0, 100)) / 100
            whole = float(c(there)) + stray + added * wrong
            # plugged in again, warmed up: what no reading says of itself
            f = (1 + np.hypot(u, 5e-5) * rng.normal()) / (2 * np.pi * np.sqrt(l_h * whole))
            readings.append(Reading(name, float(at), float(f), float(u * f), added, f"R{len(readings)}"))
    return kind, extra, wrong, readings, coils, c, many


def measure(seed, sums):
    """One set's errors over their uncertainties, by quantity."""
    kind, added, wrong, readings, coils, c, many = one_set(seed)
    fit = fit_dial(readings, Ends((0.0, 100.0), PLAN_F))
    between = (many[:-1] + many[1:]) / 2
    for name, (l_h, stray) in coils.items():

        def put(what, error, u, kind=kind, added=added):
            z = np.atleast_1d(np.asarray(error) / np.asarray(u))
            for group in ("all", kind, "added" if added else "plan", f"{len(many)} dials"):
                sums[what, group].extend(z.tolist())

        def f(at, l_h=l_h, stray=stray):
            return 1 / (2 * np.pi * np.sqrt(l_h * (c(np.asarray(at) / 100) + stray)))

        put("L", fit.l_h[name][0] - l_h, fit.l_h[name][1])
        if added and name != "C":
            sums["added", "off"].append(fit.l_h[name][0] / (l_h * wrong) - 1)
        put("stray C", fit.stray_f[name][0] - stray, fit.stray_f[name][1])
        third = name == "C"
        if not third:
            value, u = dial.frequency(fit, name, many)
            put("f at readings", value - f(many), u)
        at = np.setdiff1d(np.linspace(5, 95, 19), (50.0,)) if third else between
        value, u = dial.frequency(fit, name, at)
        put("f, predicted coil" if third else "f between", value - f(at), u)
        slope, slope_u = dial.khz_per_division(fit, name, at)
        true = np.abs(f(at + 0.05) - f(at - 0.05)) / 0.1 / 1e3
        put("kHz/div, predicted" if third else "kHz/div", slope - true, slope_u)
    return fit


def foretold(sets):
    """Each reading without added capacitor from those before it: off over claimed, and claimed, by place in the order."""
    z, u = defaultdict(list), defaultdict(list)
    for seed in range(sets):
        kind, _, _, readings, coils, _, _ = one_set(seed)
        rng = np.random.default_rng(10_000 + seed)
        windings = {name: (l_h * (1 + 0.05 * rng.normal()), 0.05 * l_h) for name, (l_h, _) in coils.items()}
        plain = [r for r in readings if not r.added_c_f and r.coil != "C"]
        places = defaultdict(int)
        for i, r in enumerate(plain):
            told = DialForecast(plain[:i], Ends((0.0, 100.0), PLAN_F), windings).foretell(r.coil, r.dial)
            places[r.coil] += 1
            where = "first" if r.coil == "A" else "second"
            number = min(places[r.coil], 5)
            for group in ("all", kind):
                z[where, number, group].append(np.log(r.f0_hz / told.f0_hz) * told.f0_hz / told.f0_u_hz)
            u[where, number].append(told.f0_u_hz / told.f0_hz)
    print(
        f"{sets} sets; a reading foretold from those before it: inside ±2u, actual over claimed, median u, percent"
    )
    print(f"{'coil, reading':<20}{'all':>16}{'wave':>16}{'bow':>16}{'u':>8}")
    for (where, number), claimed in u.items():
        row = f"{where + ', ' + str(number) + ('' if number < 5 else ' on'):<20}"
        for group in ("all", "wave", "bow"):
            off = np.array(z[where, number, group])
            row += f"{100 * np.mean(np.abs(off) < 2):>9.1f} {np.sqrt(np.mean(off**2)):>6.2f}"
        print(row + f"{100 * np.median(claimed):>8.2f}")
    every = np.concatenate([z[where, number, "all"] for where, number in u])
    print(f"{'all':<20}{100 * np.mean(np.abs(every) < 2):>9.1f} {np.sqrt(np.mean(every**2)):>6.2f}")


def main() -> None:
    sets = int(sys.argv[1]) if len(sys.argv) > 1 else 1000
    sums = defaultdict(list)
    for seed in range(sets):
        measure(seed, sums)
    groups = ("all", "wave", "bow", "added", "plan", "6 dials", "11 dials")
    print(f"{sets} sets; percent of cases inside ±2u, and actual over claimed error")
    print(f"{'':<20}" + "".join(f"{group:>16}" for group in groups))
    off = 100 * np.abs(sums.pop(("added", "off")))
    for what in dict.fromkeys(what for what, _ in sums):
        row = f"{what:<20}"
        for group in groups:
            z = np.array(sums[what, group])
            row += (
                f"{100 * np.mean(np.abs(z) < 2):>9.1f} {np.sqrt(np.mean(z**2)):>6.2f}"
                if len(z)
                else f"{'':>16}"
            )
        print(row)
    inside = 100 * np.mean(off < 0.5)
    print(
        f"L by added capacitor: off by {np.median(off):.2f} % (median), {inside:.0f} of 100 coils within 0.5 %"
    )
    foretold(max(1, sets // 10))


if __name__ == "__main__":
    main()
