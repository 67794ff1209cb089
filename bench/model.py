"""The plan's coils as numbers: geometry, or the values given in its place, to L, M, k, C and Q.

An `inductance`, `k` or `q` written in the plan wins over what the geometry would give. Where the tickler's turns
are varied away from the plan's, the given values follow the geometry's own course if there is geometry, else
inductance goes with the square of the turns at constant k.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bench.errors import PlanError
from bench.physics import winding
from bench.physics.winding import Winding, WindingError

if TYPE_CHECKING:
    from bench.plan.schema import Coil, Plan, TicklerWinding
    from bench.plan.tapped import Tap

Array = NDArray[np.float64]

# A computed Q leaves out form, socket, leads, shield and the wire's surface; measured coils come out 10 to 40
# percent below it (common experience, no published table), so the middle of that is the better guess.
TYPICAL_Q_SHARE = 0.75


@dataclass(frozen=True)
class CoilModel:
    """A coil's two windings as circuit values.

    In a coil tapped for the cathode the part between tap and ground stands in the tickler's place, and couples to the
    whole coil, itself included.

    Parameters
    ----------
    l_h, tickler_l_h, mutual_h
        Inductances in henry.
    k
        Coupling coefficient, ``mutual_h/sqrt(l_h tickler_l_h)``.
    c_self_f
        Self-capacitance of the grid winding in farad; None where the plan gives no geometry.
    q_at
        Unloaded Q of the grid winding at frequencies in Hz, in their shape.
    """

    l_h: float
    tickler_l_h: float
    mutual_h: float
    k: float
    c_self_f: float | None
    q_at: Callable[[ArrayLike], Array]


def grid_winding(coil: Coil) -> Winding:
    """The grid winding's geometry.

    Raises
    ------
    PlanError
        A size is missing, or the winding cannot exist.
    """
    grid = coil.grid
    missing = [key for key in ("turns", "length", "wire") if getattr(grid, key) is None]
    if grid.diameter is None and grid.form_diameter is None:
        missing.append("diameter")
    if grid.turns is None or grid.length is None or grid.wire is None or "diameter" in missing:
        raise PlanError(
            f"coil {coil.name!r}: grid.{missing[0]} is missing; write it, or grid.inductance in place of the geometry."
        )
    diameter = grid.diameter
    if diameter is None:
        diameter = (grid.form_diameter or 0.0) + (grid.insulated or grid.wire)
    try:
        return Winding(grid.turns, diameter, grid.length, grid.wire, grid.insulated)
    except WindingError as problem:
        raise PlanError(f"coil {coil.name!r}, grid winding: {problem}") from problem


def tickler_winding(coil: Coil, turns: float | None = None) -> Winding:
    """The tickler's geometry, with the plan's turns or others.

    A diameter that is not given is the grid winding's mean diameter, or follows from its form where that is given.
    Close-wound unless the plan gives a length; other turns then keep the pitch.

    Raises
    ------
    PlanError
        A size is missing, or the winding cannot exist.
    """
    tickler, grid = _tickler(coil), coil.grid
    wire, insulated = tickler.wire, tickler.insulated
    if wire is None:
        raise PlanError(
            f"coil {coil.name!r}: tickler.wire is missing; write it, or tickler.inductance in place of the geometry."
        )
    diameter = tickler.diameter or grid.diameter
    if diameter is None and grid.form_diameter is not None:
        diameter = grid.form_diameter + (insulated or wire)
    if diameter is None:
        raise PlanError(
            f"coil {coil.name!r}: tickler.diameter is missing; write it, or tickler.inductance in place of the geometry."
        )
    count = tickler.turns if turns is None else turns
    try:
        if tickler.length is None:
            return winding.close_wound(count, diameter, wire, insulated)
        Winding(tickler.turns, diameter, tickler.length, wire, insulated)
        return Winding(count, diameter, tickler.length * count / tickler.turns, wire, insulated)
    except WindingError as problem:
        raise PlanError(f"coil {coil.name!r}, tickler: {problem}") from problem


def _tickler(coil: Coil) -> TicklerWinding:
    if coil.tickler is None:
        raise PlanError(f"coil {coil.name!r} has no tickler.")
    return coil.tickler


def _grid(coil: Coil) -> tuple[Winding | None, float]:
    """The grid winding's geometry, None where the plan gives none, and its inductance."""
    grid = grid_winding(coil) if coil.grid.has_geometry or coil.grid.inductance is None else None
    l_h = coil.grid.inductance
    if l_h is None:
        l_h = winding.inductance(grid or grid_winding(coil))
    return grid, l_h


def grid_inductance(coil: Coil) -> float:
    """Inductance of the grid winding, in H, as the plan gives it or by geometry; raises as `coil_model`."""
    return _grid(coil)[1]


def coil_model(plan: Plan, coil: Coil, tickler_turns: float | None = None) -> CoilModel:
    """A coil of the plan as circuit values, with the plan's turns of the tickler (below the tap) or others.

    Raises
    ------
    PlanError
        Neither geometry nor the value in its place is there, or they cannot be; ``q_at`` raises it where the plan
        gives neither the grid winding's geometry nor its ``q``.
    """
    grid, l_h = _grid(coil)
    turns = coil.feedback_turns if tickler_turns is None else tickler_turns
    if not (math.isfinite(turns) and turns > 0):
        raise PlanError(f"coil {coil.name!r}: tickler turns must be more than zero, not {turns:g}.")
    if coil.tap is not None:
        tickler_l_h, k = _tapped(coil, coil.tap, grid, l_h, turns)
    else:
        tickler_l_h = _tickler_inductance(coil, turns)
        k = _coupling(coil, grid, turns)
    return CoilModel(
        l_h=l_h,
        tickler_l_h=tickler_l_h,
        mutual_h=k * math.sqrt(l_h * tickler_l_h),
        k=k,
        c_self_f=None if grid is None else winding.self_capacitance(grid),
        q_at=_q_law(coil, grid),
    )


def resonance_span(l_h: float, most_f: float, least_f: float) -> tuple[float, float]:
    """Resonance in Hz of an inductance, known to a tenth, with the most and the least capacitance."""
    low, high = (1 / (2 * math.pi * math.sqrt(l_h * c)) for c in (most_f, least_f))
    return 0.95 * low, 1.05 * high


def tuning_span(plan: Plan, coil: Coil, added_c_f: float = 0.0) -> tuple[float, float]:
    """Frequencies in Hz that a coil can have over the dial, whatever its strays, with a known capacitor added."""
    grid, l_h = _grid(coil)
    stray = (0.0 if grid is None else winding.self_capacitance(grid)) or 2e-12
    most = 1.15 * max(plan.receiver.tuning.capacitance) + stray + 40e-12 + added_c_f
    return resonance_span(l_h, most, stray + 3e-12 + added_c_f)


def _tapped(coil: Coil, tap: Tap, grid: Winding | None, l_h: float, turns: float) -> tuple[float, float]:
    """Inductance below the tap, and its coupling coefficient with the whole coil.

    One layer in two parts has L = La + Lb + 2 Mab (NBS Circular 74, 1918, on inductances in series), and what part a
    shares with the whole is La + Mab.
    """
    if coil.grid.turns is not None and turns >= coil.grid.turns:
        raise PlanError(
            f"coil {coil.name!r}: a tap at {turns:g} turns is beyond the coil's {coil.grid.turns:g} turns."
        )
    below, k = _tap_by_geometry(grid, turns) if grid is not None else (None, None)
    planned = coil.feedback_turns
    if below is not None and grid is not None:
        below *= l_h / winding.inductance(grid)
    if tap.inductance is not None:
        course = (turns / planned) ** 2
        if grid is not None:
            course = _tap_by_geometry(grid, turns)[0] / _tap_by_geometry(grid, planned)[0]
        below = tap.inductance * course
    if tap.k is not None:
        course = (
            1.0 if grid is None else _tap_by_geometry(grid, turns)[1] / _tap_by_geometry(grid, planned)[1]
        )
        k = min(tap.k * course, 0.999)
    if below is None or k is None:
        raise PlanError(f"coil {coil.name!r}: the tap is not known; write tap.inductance and tap.k.")
    return below, k


def _tap_by_geometry(grid: Winding, turns: float) -> tuple[float, float]:
    whole = winding.inductance(grid)
    below, above = (
        winding.inductance(Winding(n, grid.diameter_m, n * grid.pitch_m, grid.wire_m, grid.insulated_m))
        for n in (turns, grid.turns - turns)
    )
    shared = below + 0.5 * (whole - below - above)
    return below, winding.coupling(shared, whole, below)


def _has_tickler_geometry(coil: Coil) -> bool:
    tickler = _tickler(coil)
    diameter = tickler.diameter or coil.grid.diameter or coil.grid.form_diameter
    return tickler.wire is not None and diameter is not None


def _tickler_inductance(coil: Coil, turns: float) -> float:
    tickler = _tickler(coil)
    planned, given = tickler.turns, tickler.inductance
    if given is None:
        return winding.inductance(tickler_winding(coil, turns))
    if turns == planned:
        return given
    if _has_tickler_geometry(coil):
        course = winding.inductance(tickler_winding(coil, turns)) / winding.inductance(tickler_winding(coil))
        return given * course
    return given * (turns / planned) ** 2


def _coupling(coil: Coil, grid: Winding | None, turns: float) -> float:
    tickler = _tickler(coil)
    given = tickler.k
    geometry = grid is not None and tickler.gap is not None and _has_tickler_geometry(coil)
    if given is not None and (turns == tickler.turns or not geometry):
        return given
    if grid is None or not geometry:
        need = "tickler.gap" if tickler.gap is None else "the geometry of both windings"
        raise PlanError(f"coil {coil.name!r}: the coupling is not known; write tickler.k, or {need}.")
    if given is None:
        return _geometric_k(coil, grid, turns)
    course = _geometric_k(coil, grid, turns) / _geometric_k(coil, grid, tickler.turns)
    return min(given * course, 0.999)


def _geometric_k(coil: Coil, grid: Winding, turns: float) -> float:
    tickler = tickler_winding(coil, turns)
    try:
        mutual_h = winding.mutual(grid, tickler, _tickler(coil).gap or 0.0)
    except WindingError as problem:
        raise PlanError(f"coil {coil.name!r}, tickler: {problem}") from problem
    return winding.coupling(mutual_h, winding.inductance(grid), winding.inductance(tickler))


def _q_law(coil: Coil, grid: Winding | None) -> Callable[[ArrayLike], Array]:
    table = coil.grid.q
    if table is not None:
        return _q_table(table)

    def guess(f_hz: ArrayLike) -> Array:
        if grid is None:
            raise PlanError(
                f"coil {coil.name!r}: its Q is not known; write grid.q = [[frequency in Hz, Q], …], "
                "or the grid winding's geometry."
            )
        return np.asarray(TYPICAL_Q_SHARE * winding.q(grid, f_hz), dtype=np.float64)

    return guess


def _q_table(table: tuple[tuple[float, float], ...]) -> Callable[[ArrayLike], Array]:
    """Straight lines through the points on log-log paper; the end lines are carried on."""
    log_f, log_q = np.log(np.array(table, dtype=np.float64)).T

    def interpolate(f_hz: ArrayLike) -> Array:
        x = np.log(np.asarray(f_hz, dtype=np.float64))
        if log_f.size == 1:
            return np.full_like(x, math.exp(log_q[0]))
        left = np.clip(np.searchsorted(log_f, x) - 1, 0, log_f.size - 2)
        slope = np.diff(log_q)[left] / np.diff(log_f)[left]
        return np.asarray(np.exp(log_q[left] + slope * (x - log_f[left])), dtype=np.float64)

    return interpolate
