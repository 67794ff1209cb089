"""Recipes for the coils that cover a band with a given tuning capacitor.

Every recipe considered can be wound: whole turns, a length in steps that a rule shows (or close-wound), wire that
fits, room left for the tickler. From these a chain is picked, coil by coil from the band's low end.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench.physics.winding import (
    MAX_TURNS,
    solenoid_capacitance,
    solenoid_inductance,
    solenoid_resistance,
)
from bench.physics.wire import enamelled_diameter

Array = NDArray[np.float64]

LEAST_TURNS = 2
MOST_COILS = 26
# Winding length, and mean diameter, are known to a percent or two on the bench.
EDGE = 0.01
_FIT = 0.03
_STEP_M = 0.5e-3


class CoilSetError(ValueError):
    """No set of coils can do what is asked."""


@dataclass(frozen=True)
class Bench:
    """What the coils are wound on and tuned with.

    Parameters
    ----------
    capacitance_f
        The tuning capacitor's two ends, in either order.
    diameter_m
        Mean diameter of the grid windings.
    wire_m, insulated_m
        Bare wire; over its insulation (None: usual enamel).
    form_length_m
        Room on the form for grid winding, gap and tickler (None: one and a half diameters).
    stray_f
        Capacitance of valve, socket and wiring beside the tuning capacitor.
    gap_m
        Bare distance left between grid winding and tickler.
    """

    capacitance_f: tuple[float, float]
    diameter_m: float
    wire_m: float
    insulated_m: float | None = None
    form_length_m: float | None = None
    stray_f: float = 0.0
    gap_m: float = 2.5e-3

    @property
    def outer_wire_m(self) -> float:
        """The wire over its insulation."""
        return enamelled_diameter(self.wire_m) if self.insulated_m is None else self.insulated_m

    @property
    def room_m(self) -> float:
        """Length of form for both windings."""
        return 1.5 * self.diameter_m if self.form_length_m is None else self.form_length_m


@dataclass(frozen=True)
class Recipe:
    """One coil: its grid winding, the band it tunes, a first tickler."""

    turns: int
    length_m: float
    l_h: float
    c_self_f: float
    f_low_hz: float
    f_high_hz: float
    tickler_turns: int
    close_wound: bool


@dataclass(frozen=True)
class NotCovered:
    """A part of the band that no coil of this form, wire and capacitor reaches, and what would reach it."""

    low_hz: float
    high_hz: float
    reason: str


@dataclass(frozen=True)
class CoilSet:
    """Recipes from the lowest band to the highest, and what they leave out."""

    coils: tuple[Recipe, ...]
    not_covered: tuple[NotCovered, ...]


def first_tickler(turns: int) -> int:
    """First guess of the tickler's whole turns for a grid winding's turns.

    Five turns, kept within 10 to 25 percent of the grid winding's, at least one. The share is Hoag's (Basic Radio,
    1942, Fig. 17 I). Five whatever the band: the mutual inductance that a valve needs, RC/gm = 1/(2 pi f Q gm), falls as
    the grid winding's square root of inductance does, which leaves the tickler as it is.
    """
    least, most = math.ceil(0.10 * turns), max(1, math.floor(0.25 * turns))
    return min(max(5, least), most)


def design(band_hz: tuple[float, float], bench: Bench, overlap: float = 0.05) -> CoilSet:
    """Recipes for the fewest coils that cover a band, their overlaps shared out evenly.

    Parameters
    ----------
    band_hz
        The band's two ends, in either order.
    overlap
        Least overlap of neighbours, as a share of frequency.

    Raises
    ------
    CoilSetError
        Nothing of the band can be covered, the capacitor's span is too small to chain coils, or the wire does not
        fit the form.
    """
    low, high = sorted(band_hz)
    c_low, c_high = sorted(bench.capacitance_f)
    span = math.sqrt((c_high + bench.stray_f) / (c_low + bench.stray_f))
    if span < (1 + overlap) * 1.02:
        raise CoilSetError(
            f"the tuning capacitor spans only {span:.3g} to 1 in frequency, too little for coils that overlap by "
            f"{overlap * 100:g} percent: use a larger one, or one with a lower least capacitance."
        )
    shelf = _shelf(bench)
    chain, covers = _chain(shelf, low, high, overlap)
    if not chain:
        reach = f"from {_mhz(shelf.f_low.min())} to {_mhz(shelf.f_high.max())} MHz"
        raise CoilSetError(
            f"no coil on this form, with this wire and this capacitor, tunes any of the band; they reach {reach}: "
            "change the wire, the form's diameter or length, or the capacitor."
        )
    # Whatever the last coil reaches beyond the band is given to the overlaps.
    if covers and len(chain) > 1:
        for wider in np.linspace(span - 1, overlap, 60)[1:]:
            trial, still = _chain(shelf, low, high, float(wider))
            if still and len(trial) == len(chain):
                chain = trial
                break
    coils = tuple(shelf.recipe(index) for index in chain)
    return CoilSet(coils, _not_covered(low, high, coils, shelf))


@dataclass(frozen=True)
class _Shelf:
    """Every recipe that can be wound, one element each."""

    bench: Bench
    turns: NDArray[np.intp]
    length_m: Array
    l_h: Array
    c_self_f: Array
    f_low: Array
    f_high: Array
    q: Array

    def recipe(self, index: int) -> Recipe:
        turns = int(self.turns[index])
        length = float(self.length_m[index])
        return Recipe(
            turns=turns,
            length_m=length,
            l_h=float(self.l_h[index]),
            c_self_f=float(self.c_self_f[index]),
            f_low_hz=float(self.f_low[index]),
            f_high_hz=float(self.f_high[index]),
            tickler_turns=first_tickler(turns),
            close_wound=length < turns * self.bench.outer_wire_m * 1.0001,
        )


def _shelf(bench: Bench) -> _Shelf:
    outer = bench.outer_wire_m
    if not bench.wire_m <= outer < bench.diameter_m:
        raise CoilSetError("the wire, its insulation and the form do not go together: check their diameters.")
    step = max(_STEP_M, bench.room_m / 120)
    turns: list[int] = []
    lengths: list[float] = []
    for n in range(LEAST_TURNS, MAX_TURNS + 1):
        close = n * outer
        most = bench.room_m - bench.gap_m - first_tickler(n) * outer
        if close > most:
            break
        steps = np.arange(math.ceil(close / step + 1e-6), math.floor(most / step + 1e-6) + 1) * step
        turns += [n] * (1 + len(steps))
        lengths += [close, *steps.tolist()]
    if not turns:
        raise CoilSetError(
            f"{LEAST_TURNS} turns of {outer * 1e3:.3g} mm wire and a tickler do not fit {bench.room_m * 1e3:.3g} mm of form: "
            "take thinner wire or a longer form."
        )
    n_array = np.array(turns, dtype=np.intp)
    length = np.array(lengths)
    l_h = solenoid_inductance(n_array, bench.diameter_m, length, bench.wire_m)
    c_self = solenoid_capacitance(bench.diameter_m, length)
    c_low, c_high = (c + bench.stray_f + c_self for c in sorted(bench.capacitance_f))
    f_low, f_high = (1 / (2 * np.pi * np.sqrt(l_h * c)) for c in (c_high, c_low))
    middle = np.sqrt(f_low * f_high)
    resistance = solenoid_resistance(n_array, bench.diameter_m, length, bench.wire_m, middle)
    q = 2 * np.pi * middle * l_h / resistance
    return _Shelf(bench, n_array, length, l_h, c_self, f_low, f_high, q)


def _chain(shelf: _Shelf, low: float, high: float, overlap: float) -> tuple[list[int], bool]:
    """Recipes from the low end up, and whether they reach the high end.

    Each begins where the one below still overlaps it; of those that begin near there the one of the best Q.
    """
    chain: list[int] = []
    wanted = low / (1 + EDGE)
    reached = 0.0
    while reached < high * (1 + EDGE) and len(chain) < MOST_COILS:
        index = _pick(shelf, wanted, reached)
        if index is None:
            break
        if shelf.f_low[index] >= high:
            break
        chain.append(index)
        reached = float(shelf.f_high[index])
        wanted = reached / (1 + overlap)
    return [i for i in chain if shelf.f_high[i] > low], reached >= high


def _pick(shelf: _Shelf, wanted: float, reached: float) -> int | None:
    higher = shelf.f_high > reached * 1.001
    near = higher & (shelf.f_low <= wanted) & (shelf.f_low >= wanted * (1 - _FIT))
    if near.any():
        return int(np.argmax(np.where(near, shelf.q, -1.0)))
    below = higher & (shelf.f_low <= wanted)
    if below.any():
        return int(np.argmax(np.where(below, shelf.f_low, -1.0)))
    if reached == 0.0:
        return int(np.argmin(shelf.f_low))
    return None


def _not_covered(low: float, high: float, coils: tuple[Recipe, ...], shelf: _Shelf) -> tuple[NotCovered, ...]:
    left: list[NotCovered] = []
    if coils[0].f_low_hz > low:
        left.append(
            NotCovered(
                low,
                coils[0].f_low_hz,
                f"the most turns that fit this form ({int(shelf.turns.max())}) reach no lower: take thinner wire, "
                "a longer or wider form, or a larger tuning capacitor",
            )
        )
    if coils[-1].f_high_hz < high:
        if len(coils) >= MOST_COILS:
            reason = (
                f"more than {MOST_COILS} coils would be needed: use a tuning capacitor with a larger span"
            )
        else:
            reason = f"{LEAST_TURNS} turns on this form reach no higher: take a narrower form, or a lower least capacitance"
        left.append(NotCovered(coils[-1].f_high_hz, high, reason))
    return tuple(left)


def _mhz(f_hz: float) -> str:
    return f"{f_hz / 1e6:.3g}"
