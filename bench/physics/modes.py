"""All natural frequencies of the network at once, to find unstable modes beside the tank's."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from bench.physics import network as net
from bench.physics.control import GRID, GROUND, PLATE, Floats
from bench.physics.network import Circuit, Complexes, Network, Tank, assemble

_ANGLES = 9  # over the travel, both ends included
_SAME = 1e-5  # an eigenvalue this near (share of ω) to the followed root is the tank's own
_REAL = 1e-9  # an imaginary part this small (share of the root) is rounding


@dataclass(frozen=True)
class Mode:
    """An unstable mode that is not the tank's: whose, at which angles, and how fast it grows at its fastest.

    `angle_deg` to `until_deg` is where it grows. `part` is the inductance that holds most of its energy: "tank",
    "tickler" (the feedback loop on its own) or "choke"; "none" for a frequency of 0, a latch and no oscillation.
    """

    index: tuple[int, ...]
    angle_deg: float
    frequency_hz: float
    growth_per_s: float
    until_deg: float
    part: str


def pencil(network: Network, size: int) -> tuple[Floats, Floats]:
    """Matrices G and C of (G + sC) x = 0, shapes (size, n, n): node voltages first, then currents."""
    used = {GRID}
    for a, b, *_ in network.branches:
        used |= {a, b}
    used |= {*network.topology.winding, PLATE, network.topology.source}
    place = {node: at for at, node in enumerate(sorted(used - {GROUND}))}
    chokes = [(a, b, inverse) for a, b, _, _, inverse in network.branches if inverse is not None]
    order = len(place) + 2 + len(chokes) + (2 if network.antenna is not None else 0)
    g, c = np.zeros((2, size, order, order))

    def across(matrix: Floats, a: int, b: int, value: object) -> None:
        for i, j, sign in ((a, a, 1.0), (b, b, 1.0), (a, b, -1.0), (b, a, -1.0)):
            if i != GROUND and j != GROUND:
                matrix[:, place[i], place[j]] += sign * np.asarray(value)

    def current(row: int, a: int, b: int) -> None:
        for node, sign in ((a, 1.0), (b, -1.0)):
            if node != GROUND:
                g[:, place[node], row] += sign
                g[:, row, place[node]] += sign

    for a, b, conductance, capacitance, _ in network.branches:
        across(g, a, b, 0.0 if conductance is None else conductance)
        across(c, a, b, 0.0 if capacitance is None else capacitance)
    tank_row, winding_row = len(place), len(place) + 1
    current(tank_row, GRID, GROUND)
    current(winding_row, *network.topology.winding)
    g[:, tank_row, tank_row] -= network.loss_ohm
    c[:, tank_row, tank_row] -= network.l_h
    c[:, winding_row, winding_row] -= network.winding_l_h
    c[:, tank_row, winding_row] -= network.mutual_h
    c[:, winding_row, tank_row] -= network.mutual_h
    for row, (a, b, inverse) in enumerate(chokes, winding_row + 1):
        current(row, a, b)
        # Divided by L, so that a member without a choke (1/L = 0) has no current there.
        g[:, row, :] *= np.reshape(inverse, (-1, 1)) if np.ndim(inverse) else inverse
        c[:, row, row] -= 1.0
    for row, sign in ((PLATE, 1.0), (network.topology.source, -1.0)):
        for column, way in ((GRID, 1.0), (network.topology.source, -1.0)):
            if row != GROUND and column != GROUND:
                g[:, place[row], place[column]] += sign * way * network.gm_s
    if network.antenna is not None:
        resistance, elastance = network.antenna
        end, row = order - 2, order - 1  # voltage over the resistance, current through all
        g[:, place[GRID], row] += 1.0
        g[:, end, end] += 1.0
        g[:, end, row] -= resistance
        c[:, row, place[GRID]] += 1.0 / elastance
        c[:, row, end] -= 1.0 / elastance
        g[:, row, row] -= 1.0
    return g, c


def natural_frequencies(network: Network, near: Floats, size: int) -> Complexes:
    """Roots of the network, (size, n), infinite ones as NaN; `near` is an angular frequency to turn about."""
    g, c = pencil(network, size)
    turn = (0.5 + 0.3j) * near
    with np.errstate(all="ignore"):
        shifted = g + turn[:, None, None] * c
        sound = np.isfinite(shifted).all(axis=(1, 2)) & (np.abs(np.linalg.det(shifted)) > 0)
        turned = np.linalg.solve(shifted[sound], c[sound].astype(complex))
        turned[~np.isfinite(turned).all(axis=(1, 2))] = 0.0
        inverse = np.zeros((size, g.shape[1]), dtype=complex)
        inverse[sound] = np.linalg.eigvals(turned)
        roots: Complexes = np.where(
            np.abs(inverse) * near[:, None] > 1e-9, turn[:, None] - 1.0 / inverse, np.nan + 0j
        )
    return roots


def other_modes(
    circuit: Circuit,
    tank: Tank,
    tank_root: Callable[[NDArray[np.intp], Floats], Complexes],
    shape: tuple[int, ...],
) -> tuple[Mode, ...]:
    """Unstable modes beside the tank's, of a flat circuit; `tank_root` gives members' own root at angles.

    Looked for at nine angles over the travel; where a mode first shows, its start is closed in upon between
    two of them. A mode is reported once for each member, at its largest growth.
    """
    size = tank.f0_hz.size
    omega = 2 * math.pi * tank.f0_hz

    def unstable(member: NDArray[np.intp], angle: Floats) -> list[list[complex]]:
        few, own = net.take(circuit, member), net.take_tank(tank, member)
        roots = natural_frequencies(
            assemble(few, own.loss_ohm, own.capacitance_f, angle), omega[member], len(member)
        )
        found = []
        for row, who, own_root in zip(roots, member, tank_root(member, angle), strict=True):
            upper = [s if abs(s.imag) > _REAL * abs(s) else complex(s.real) for s in row.tolist()]
            growing = [s for s in upper if s.real > 1e-9 * omega[who] and s.imag >= 0]
            if growing:
                nearest = min(growing, key=lambda s: abs(s - own_root))
                if abs(nearest - own_root) <= _SAME * omega[who]:
                    growing.remove(nearest)
            found.append(growing)
        return found

    everyone = np.arange(size)
    grid = np.linspace(0.0, circuit.control.travel_deg, _ANGLES)
    table = [unstable(everyone, np.full(size, angle)) for angle in grid]

    def edge(member: int, s: complex, shown: float, hidden: float) -> float:
        """Where a mode that shows at one angle and not at another comes or goes; the side where it shows."""
        for _ in range(8 if shown != hidden else 0):
            middle = 0.5 * (shown + hidden)
            if any(_alike(r, s) for r in unstable(np.array([member]), np.array([middle]))[0]):
                shown = middle
            else:
                hidden = middle
        return shown

    modes = []
    for member in range(size):
        tracks: list[_Track] = []
        for k in range(_ANGLES):
            for s in table[k][member]:
                same = next((track for track in tracks if _alike(s, track.root)), None)
                if same is None:
                    tracks.append(_Track(k, k, k, s))
                    continue
                same.last = k
                if s.real > same.root.real:
                    same.fastest, same.root = k, s
        for track in tracks:
            s = track.root
            index = tuple(int(i) for i in np.unravel_index(member, shape)) if shape else ()
            low = edge(member, s, float(grid[track.first]), float(grid[max(track.first - 1, 0)]))
            high = edge(member, s, float(grid[track.last]), float(grid[min(track.last + 1, _ANGLES - 1)]))
            part = _part(circuit, tank, member, float(grid[track.fastest]), s)
            modes.append(Mode(index, low, s.imag / (2 * math.pi), s.real, high, part))
    return tuple(modes)


@dataclass
class _Track:
    """One mode over the grid of angles: where it first and last grows, where fastest, and its root there."""

    first: int
    last: int
    fastest: int
    root: complex


def _part(circuit: Circuit, tank: Tank, member: int, angle_deg: float, s: complex) -> str:
    """The inductance that a mode's frequency follows most: an inductance that held all its energy would move it by a half."""
    if s.imag == 0:
        return "none"
    who = np.array([member])
    own = net.take_tank(tank, who)

    def moved(changed: Circuit) -> float:
        network = assemble(changed, own.loss_ohm, own.capacitance_f, np.array([angle_deg]))
        roots = natural_frequencies(network, np.array([abs(s)]), 1)[0]
        roots = roots[np.isfinite(roots)]
        return float(abs(roots[np.argmin(np.abs(roots - s))] - s))

    few, more = net.take(circuit, who), 1.0 + 1e-4

    def times(value: Any) -> Any:
        return np.asarray(value, dtype=float) * more

    # M kept, so that tank and tickler are told apart.
    shifts = {
        "tank": moved(replace(few, l_h=times(few.l_h))),
        "tickler": moved(replace(few, tickler_l_h=times(few.tickler_l_h))),
        "choke": moved(replace(few, feedback=replace(few.feedback, choke_h=times(few.feedback.choke_h)))),
    }
    return max(shifts, key=lambda name: shifts[name])


def _alike(a: complex, b: complex) -> bool:
    """Modes at neighbouring angles are one where their frequencies are within a third."""
    return abs(a.imag - b.imag) <= 0.33 * max(abs(a.imag), abs(b.imag))
