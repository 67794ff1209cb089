"""Sweeps that tempt a fit into a wrong answer: what must be said of each, and that no confident wrong Q comes.

Made of scikit-rf's elements (T of inductances for a coupled pair) and of measured and invented faults, never of the fit's
own model. The truth is the circuit's: loaded Q by the natural frequency of the same elements with 50 ohm on the loop,
found by Newton's method. Each row: the warnings of which one must come (empty: none may come; None: either).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cached_property

import numpy as np
import pytest
import skrf
from numpy.typing import NDArray
from skrf.media import DefinedGammaZ0

from bench.physics.resonance import WARNINGS, fit_sweep

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Spoil = Callable[[Floats, Complexes, np.random.Generator], tuple[Floats, Complexes]]

LOOP_H, TANK_H = 0.5e-6, 15e-6
SPEED = 0.66 * 299792458.0


@dataclass(frozen=True)
class Tank:
    """A series tank of 15 uH: own f0 and Q, coupling k to the loop of 0.5 uH."""

    f0_hz: float = 3.5e6
    q: float = 120.0
    k: float = 0.06

    @property
    def capacitance_f(self) -> float:
        return float(1 / ((2 * np.pi * self.f0_hz) ** 2 * TANK_H))

    @property
    def ohm(self) -> float:
        return float(2 * np.pi * self.f0_hz * TANK_H / self.q)

    @property
    def mutual_h(self) -> float:
        return float(self.k * np.sqrt(LOOP_H * TANK_H))


def loaded_q(tanks: tuple[Tank, ...], which: int, cable_m: float, line_ohm: float) -> float:
    """Of one natural frequency of the whole: tanks, their loops in series, and 50 ohm seen through the cable."""

    def value(s: complex) -> complex:
        far = np.tanh(s * cable_m / SPEED)
        total = line_ohm * (50 + line_ohm * far) / (line_ohm + 50 * far)
        own = 1.0 + 0j
        for i, tank in enumerate(tanks):
            series = tank.ohm + s * TANK_H + 1 / (s * tank.capacitance_f)
            total += s * LOOP_H - s**2 * tank.mutual_h**2 / series
            # Times the tank's own impedance, so that the root is no pole beside a zero.
            own = series if i == which else own
        return complex(total * own)

    tank = tanks[which]
    omega0 = 2 * np.pi * tank.f0_hz
    s = complex(-omega0 / (2 * tank.q), omega0)
    for _ in range(80):
        step = 1e-6 * abs(s)
        s -= value(s) * 2 * step / (value(s + step) - value(s - step))
    assert abs(value(s)) < 1e-6 * abs(value(s * (1 + 1e-3)))
    return -s.imag / (2 * s.real)


def reflection(
    tanks: tuple[Tank, ...], f_hz: Floats, cable_m: float = 0.0, mismatch_ohm: float = 50.0
) -> Complexes:
    """S11 of tanks, each with a loop of its own in series, through a cable."""
    medium = DefinedGammaZ0(skrf.Frequency.from_f(f_hz, unit="hz"), gamma=2j * np.pi * f_hz / SPEED, z0=50)
    z = np.zeros(len(f_hz), dtype=complex)
    for tank in tanks:
        part = (
            medium.inductor(LOOP_H - tank.mutual_h)
            ** medium.shunt_inductor(tank.mutual_h)
            ** medium.inductor(TANK_H - tank.mutual_h)
            ** medium.resistor(tank.ohm)
            ** medium.capacitor(tank.capacitance_f)
            ** medium.short()
        )
        z = z + part.z[:, 0, 0]
    if not tanks:
        z = 2j * np.pi * f_hz * LOOP_H
    end = skrf.Network(frequency=medium.frequency, s=((z - 50) / (z + 50))[:, None, None], z0=50)
    end.renormalize(mismatch_ohm)
    end.s = end.s * np.exp(-4j * np.pi * f_hz * cable_m / SPEED)[:, None, None]
    end.renormalize(50)
    return np.asarray(end.s[:, 0, 0])


def nothing(f: Floats, s: Complexes, random: np.random.Generator) -> tuple[Floats, Complexes]:
    return f, s


def changed(by: Callable[[Floats, Complexes, np.random.Generator], Complexes]) -> Spoil:
    """A fault that leaves the frequencies alone."""
    return lambda f, s, random: (f, by(f, s, random))


def quantised(step: float) -> Spoil:
    return changed(lambda f, s, random: np.round(s.real / step) * step + 1j * np.round(s.imag / step) * step)


def at_points(count: int, size: complex) -> Spoil:
    """Interference: some points carry something else as well."""

    def spoil(f: Floats, s: Complexes, random: np.random.Generator) -> Complexes:
        s = s.copy()
        s[random.choice(len(s), count, replace=False)] += size
        return s

    return changed(spoil)


def replaced(count: int, value: complex) -> Spoil:
    def spoil(f: Floats, s: Complexes, random: np.random.Generator) -> Complexes:
        s = s.copy()
        s[random.choice(len(s), count, replace=False)] = value
        return s

    return changed(spoil)


def stepped(place: float, gain: complex) -> Spoil:
    """A range switch: from one point on, everything is larger or turned."""
    return changed(lambda f, s, random: np.where(np.arange(len(f)) < place * len(f), s, gain * s))


def clipped_at(share: float, part: str) -> Spoil:
    """An overdriven converter: one quadrature does not pass a share of its range."""

    def spoil(f: Floats, s: Complexes, random: np.random.Generator) -> Complexes:
        values = s.real if part == "real" else s.imag
        limit = values.min() + share * (values.max() - values.min())
        values = np.minimum(values, limit)
        return values + 1j * s.imag if part == "real" else s.real + 1j * values

    return changed(spoil)


def twice(shift: float, tank: Tank) -> Spoil:
    """Two sweeps merged that disagree: between them the tank moved by so many bandwidths."""

    def spoil(f: Floats, s: Complexes, random: np.random.Generator) -> Complexes:
        moved = reflection((tank,), f - shift * tank.f0_hz / tank.q) + (s - reflection((tank,), f))
        return np.where(np.arange(len(f)) % 2, s, moved)

    return changed(spoil)


@dataclass(frozen=True)
class Nasty:
    """One row: tanks, sweep (bandwidths wide, its middle so many bandwidths above the first tank), fault, what is told."""

    name: str
    told: tuple[str, ...] | None = ()
    tanks: tuple[Tank, ...] = (Tank(),)
    widths: float = 5.0
    off: float = 0.0
    points: int = 101
    noise: float = 3e-4
    spoil: Spoil = nothing
    cable_m: float = 0.0
    line_ohm: float = 50.0
    null: bool | None = None  # Q must be null, must not be null, or either
    f_hz: Floats | None = field(default=None, repr=False)
    others: int = 0

    @cached_property
    def truths(self) -> list[float]:
        return [loaded_q(self.tanks, i, self.cable_m, self.line_ohm) for i in range(len(self.tanks))]

    def sweep(self, seed: int) -> tuple[Floats, Complexes]:
        f = self.f_hz
        if f is None:
            tank = self.tanks[0] if self.tanks else Tank()
            width = tank.f0_hz / tank.q
            middle = tank.f0_hz + self.off * width
            f = np.linspace(
                middle - 0.5 * self.widths * width, middle + 0.5 * self.widths * width, self.points
            )
        random = np.random.default_rng(seed)
        parts = random.normal(0, self.noise, (2, len(f)))
        s = reflection(self.tanks, f, self.cable_m, self.line_ohm) + parts[0] + 1j * parts[1]
        return self.spoil(f, s, random)


PLAIN = Tank()
NEAR = Tank(f0_hz=3.5e6 * (1 + 3 / 120), q=90.0, k=0.05)
OVERLAPPING = Tank(f0_hz=3.5e6 * (1 + 1.2 / 120), q=90.0, k=0.05)
FAR = Tank(f0_hz=3.5e6 * (1 + 12 / 120), q=100.0, k=0.06)
TIGHT = Tank(k=0.35)
SHARP = Tank(q=5000.0, k=0.006)
BROAD = Tank(q=3.0, k=0.3)

ROWS = [
    Nasty("plain", null=False),
    Nasty("sweep from high to low", null=False, spoil=lambda f, s, r: (f[::-1], s[::-1])),
    Nasty("points shuffled", null=False, spoil=lambda f, s, r: (f[(p := r.permutation(len(f)))], s[p])),
    Nasty("every frequency twice", null=False, spoil=lambda f, s, r: (np.repeat(f, 2), np.repeat(s, 2))),
    Nasty("sign of S reversed", null=False, spoil=changed(lambda f, s, r: -s)),
    Nasty("phase counted the other way", ("no resonance", "noisy"), spoil=changed(lambda f, s, r: s.conj()), null=True),
    Nasty("sharp, Q 5000", null=False, tanks=(SHARP,), points=201),
    Nasty("broad, Q 3", None, tanks=(BROAD,), widths=1.2, points=201),
    Nasty("no resonance", ("no resonance",), tanks=(), null=True),
    Nasty("no resonance, wide", ("no resonance",), tanks=(), widths=100, null=True),
    Nasty("noise only", ("no resonance", "scale"), tanks=(), spoil=changed(lambda f, s, r: 1e-3 * (r.normal(size=len(f)) + 1j * r.normal(size=len(f)))), null=True),
    Nasty("two resonances", ("two resonances",), tanks=(PLAIN, NEAR), widths=12, points=201, off=1.5, others=1),
    Nasty("two far apart", ("two resonances",), tanks=(PLAIN, FAR), widths=30, points=401, off=6, others=1),
    Nasty("two overlapping", ("two resonances", "uneven", "noisy"), tanks=(PLAIN, OVERLAPPING), widths=8, off=0.6),
    Nasty("cut at f0", ("cut off",), widths=4, off=2.0),
    Nasty("cut above f0", ("cut off",), widths=4, off=-2.2),
    Nasty("beyond the sweep", ("cut off", "no resonance", "noisy"), widths=4, off=3.2, null=True),
    Nasty("overcoupled", ("overcoupled", "no circle"), tanks=(TIGHT,), widths=40, points=201),
    Nasty("tightly coupled", ("tight", "overcoupled"), tanks=(Tank(k=0.2),), widths=10),
    Nasty("hardly coupled", ("loose", "noisy", "no resonance"), tanks=(Tank(k=0.006),), noise=3e-4),
    Nasty("one point on the resonance", ("too few points", "no resonance"), widths=150, points=101),
    Nasty("few points across", ("too few points",), widths=40, points=41),
    Nasty("two points", ("too few points",), points=2, null=True),
    Nasty("seven points", ("too few points",), points=7, null=True),
    Nasty("one point", ("too few points",), f_hz=np.array([3.5e6]), null=True),
    Nasty("clipped in phase", ("clipped",), spoil=clipped_at(0.6, "real")),
    Nasty("clipped out of phase", ("clipped",), spoil=clipped_at(0.7, "imag")),
    Nasty("quantised to 6 bits", ("uneven", "loose", "noisy", "clipped"), spoil=quantised(1 / 32)),
    Nasty("quantised to 10 bits", (), spoil=quantised(1 / 512), null=False),
    Nasty("quantised to nothing", ("not varying", "no resonance", "noisy", "too few points"), spoil=quantised(2.0), null=True),
    Nasty("constant", ("not varying",), spoil=changed(lambda f, s, r: np.full(len(f), 0.3 - 0.4j)), null=True),
    Nasty("zeros", ("not varying",), spoil=changed(lambda f, s, r: np.zeros(len(f), complex)), null=True),
    Nasty("some NaN", ("not finite",), spoil=replaced(9, complex(np.nan, 0))),
    Nasty("some infinite", ("not finite",), spoil=replaced(9, complex(0, np.inf))),
    Nasty("all NaN", ("not finite",), spoil=changed(lambda f, s, r: np.full(len(f), np.nan + 0j)), null=True),
    Nasty("dropped points read as zero", ("stray",), spoil=replaced(3, 0j)),
    Nasty("one spike", ("stray",), spoil=at_points(1, 0.3 + 0.2j)),
    Nasty("three spikes", ("stray",), spoil=at_points(3, 0.2 - 0.3j)),
    Nasty("interference on ten points", ("stray", "uneven", "loose", "two resonances", "noisy"), spoil=at_points(10, 0.05j)),
    Nasty("a huge point", ("stray",), spoil=at_points(1, 1e200 + 0j)),
    Nasty("gain step", ("uneven", "noisy", "two resonances", "no resonance", "stray", "cut off"), spoil=stepped(0.7, 1.05)),
    Nasty("gain step at f0", ("uneven", "noisy", "two resonances", "no resonance", "stray", "cut off"), spoil=stepped(0.5, 1.03)),
    Nasty("phase step", ("uneven", "noisy", "two resonances", "no resonance", "stray", "cut off"), spoil=stepped(0.6, np.exp(0.05j))),
    Nasty("1 m of cable", null=False, cable_m=1.0),
    Nasty("300 m of cable", cable_m=300.0),
    Nasty("ripple of a 75 ohm cable, 20 m", cable_m=20.0, line_ohm=75.0),
    Nasty("ripple of a 75 ohm cable, 400 m, no tank", ("no resonance", "noisy", "uneven", "two resonances"), tanks=(), cable_m=400.0, line_ohm=75.0, widths=60, points=201, null=True),
    Nasty("mains hum on the level", ("uneven", "loose"), spoil=changed(lambda f, s, r: s * (1 + 0.01 * np.sin(np.arange(len(f)) * 0.9)))),
    Nasty("two merged sweeps that disagree", ("uneven", "noisy", "two resonances"), spoil=twice(0.3, PLAIN)),
    Nasty("values of 1e-120", ("scale",), spoil=changed(lambda f, s, r: 1e-120 * s)),
    Nasty("values of 1e200", ("scale",), spoil=changed(lambda f, s, r: 1e200 * s)),
    Nasty("decibels taken for values", ("scale",), spoil=changed(lambda f, s, r: 20 * np.log10(np.abs(s)) - 20 + 1j * np.degrees(np.angle(s)))),
    Nasty("noise as large as the circle", ("noisy", "no resonance", "loose", "too few points", "uneven"), noise=0.1),
]  # fmt: skip


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.name)
def test_no_confident_wrong_q_and_the_right_word(row: Nasty) -> None:
    for seed in range(2):
        found = fit_sweep(*row.sweep(seed))
        names = {name for name in WARNINGS if found.says(name)}
        if row.null is not None:
            assert (found.q_loaded is None) == row.null, names
        if row.told is not None:
            assert names & set(row.told) if row.told else not names, names
        assert len(found.others) >= row.others
        if found.q_loaded is None:
            assert names, "no number and no word why"
            continue
        assert found.q_loaded_u is not None
        off = min((abs(found.q_loaded - q) for q in row.truths), default=np.inf)
        assert off <= 3 * found.q_loaded_u, (found.q_loaded, found.q_loaded_u, row.truths, names)


def test_zero_frequency_is_refused() -> None:
    with pytest.raises(ValueError, match="frequencies"):
        fit_sweep([0.0, 1e6, 2e6], [1.0, 1.0, 1.0])
