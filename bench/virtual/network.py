"""The simulated set's linear network, written for the virtual bench alone.

It deliberately shares nothing with `bench.physics.regeneration`: what a fit recovers on the virtual bench is then held
against a truth that the fit's own network did not make. It is also richer: loss in the tickler, a grid leak, a pick-up
loop with the analyzer's 50 ohm, a taper that bends.

Modified nodal analysis, `(G + sC) x = 0` (Ho, Ruehli, Brennan, IEEE Trans. CAS-22, 504, 1975). Unknowns are the voltages of
grid, plate, the tickler's cold end, the wiper and the antenna's inner node, then the currents of grid coil, tickler, choke
and loop.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
ControlKind = Literal["divider", "shunt", "throttle", "supply", "swing", "measured"]

GRID, PLATE, COLD, WIPER, AERIAL, I_GRID, I_TICKLER, I_CHOKE, I_LOOP = range(9)
SIZE = 9
CONTACT_OHM = 1.0
PORT_OHM = 50.0
NEWTON_STEPS = 40
NEWTON_ENOUGH = 1e-10


@dataclass(frozen=True)
class Valve:
    """Working valve: transconductance in S, plate resistance in ohm, grid leak in ohm; a cold one has gm 0."""

    gm_s: float
    rp_ohm: float
    leak_ohm: float
    grid_c_f: float


@dataclass(frozen=True)
class Knob:
    """The true control: `share_at` turns an angle into θ, growing with regeneration.

    `gm_power` is how gm follows the supply voltage (kind `supply`): 0.5 for valves, 1 for transistors.
    """

    kind: ControlKind
    travel_deg: float
    dead_deg: tuple[float, float]
    bend: tuple[float, float]
    taper: Literal["linear", "log", "reverse-log"] | tuple[tuple[float, float], ...]
    resistance_ohm: float
    capacitance_f: tuple[float, float]
    law: tuple[tuple[float, float], ...] | None
    gm_power: float = 0.5

    def share_at(self, angle_deg: Floats) -> Floats:
        """θ at each angle (n,), between 0 and 1."""
        low, high = self.dead_deg
        u = np.clip((np.asarray(angle_deg, float) - low) / (self.travel_deg - low - high), 0.0, 1.0)
        # 15 % of the element at half travel: the usual audio taper.
        c = 2.0 * np.log(0.85 / 0.15)
        if self.taper == "linear":
            share = u
        elif self.taper == "log":
            share = np.expm1(c * u) / np.expm1(c)
        elif self.taper == "reverse-log":
            share = 1.0 - np.expm1(c * (1.0 - u)) / np.expm1(c)
        else:
            points = np.asarray(self.taper, float)
            share = np.interp(u, points[:, 0], points[:, 1])
        # What the maker's tolerance leaves of the taper vanishes where the nominal taper is flat or at its ends.
        wave = self.bend[0] * np.sin(np.pi * share) + self.bend[1] * np.sin(2.0 * np.pi * share)
        return np.clip(share + wave, 0.0, 1.0)


@dataclass(frozen=True)
class Aerial:
    """Antenna: coupling capacitor from the grid, then resistance and capacitance in series to ground."""

    coupling_c_f: float
    resistance_ohm: float
    capacitance_f: float


@dataclass(frozen=True)
class Loop:
    """Pick-up loop: inductance, resistance, and its mutual inductances with grid coil and tickler."""

    l_h: float
    r_ohm: float
    grid_m_h: float
    tickler_m_h: float


@dataclass(frozen=True)
class Chassis:
    """The fixed parts around the valve; capacitances in F, choke in H (None: no choke)."""

    feedback_c_f: float
    choke_h: float | None
    choke_c_f: float
    plate_c_f: float
    grid_plate_c_f: float
    winding_c_f: float


@dataclass(frozen=True)
class Circuit:
    """One coil in the set at one dial setting.

    `tank_c_f` is all capacitance from grid to ground but the valve's. The grid coil's loss is a series resistance
    `2πf·L/Q(f)` with `Q(f) = coil_q·(f/q_at_hz)^q_slope`.
    """

    knob: Knob
    chassis: Chassis
    valve: Valve
    l_h: float
    tickler_l_h: float
    mutual_h: float
    tickler_q: float
    tank_c_f: float
    coil_q: float
    q_at_hz: float
    q_slope: float
    aerial: Aerial | None = None
    loop: Loop | None = None

    def loss_ohm(self, f_hz: Floats | float) -> Floats:
        """Series resistance of the grid coil at each frequency."""
        f = np.asarray(f_hz, float)
        q = self.coil_q * (f / self.q_at_hz) ** self.q_slope
        return np.asarray(2.0 * np.pi * f * self.l_h / q)


def _across(matrix: NDArray[np.float64], a: int, b: int | None, value: Floats | float) -> None:
    """Add an admittance (or capacitance) between node `a` and node `b` (None: ground) to every matrix of a stack."""
    matrix[:, a, a] += value
    if b is not None:
        matrix[:, b, b] += value
        matrix[:, a, b] -= value
        matrix[:, b, a] -= value


def _branch(g: NDArray[np.float64], row: int, a: int, b: int | None) -> None:
    g[:, a, row] += 1.0
    g[:, row, a] += 1.0
    if b is not None:
        g[:, b, row] -= 1.0
        g[:, row, b] -= 1.0


def matrices(
    circuit: Circuit, share: Floats, gm_ratio: Floats | float = 1.0, feedback: Floats | float = 1.0
) -> tuple[Floats, Floats]:
    """G and C of the network, one pair for each θ.

    Parameters
    ----------
    share : (n,) array
        θ of the control.
    gm_ratio : float or (n,) array
        Transconductance over its small-signal value: below 1 where the valve is driven hard.
    feedback : float or (n,) array
        Extra factor on the mutual inductance (kind `measured`).

    Returns
    -------
    g, c : (n, 9, 9) arrays
        S, F (and ohm, H in the branch rows). The grid coil's loss is not in `g`: add it at the frequency in hand.
    """
    theta = np.asarray(share, float)
    n = len(theta)
    g, c = np.zeros((n, SIZE, SIZE)), np.zeros((n, SIZE, SIZE))
    knob, chassis, valve = circuit.knob, circuit.chassis, circuit.valve
    gm, gp = valve.gm_s * np.asarray(gm_ratio) * np.ones(n), np.full(n, 1.0 / valve.rp_ohm)
    mutual = circuit.mutual_h * np.asarray(feedback) * np.ones(n)

    _across(c, GRID, None, circuit.tank_c_f + valve.grid_c_f)
    _across(g, GRID, None, 1.0 / valve.leak_ohm)
    _across(c, PLATE, None, chassis.plate_c_f)
    # Capacitance between the windings is spread along the tickler: half at either end.
    _across(c, PLATE, GRID, chassis.grid_plate_c_f + 0.5 * chassis.winding_c_f)
    _across(c, COLD, GRID, 0.5 * chassis.winding_c_f)

    choke_node = COLD
    if knob.kind == "divider":
        _across(g, PLATE, WIPER, 1.0 / (knob.resistance_ohm * theta + CONTACT_OHM))
        _across(g, WIPER, COLD, 1.0 / (knob.resistance_ohm * (1.0 - theta) + CONTACT_OHM))
        _across(c, WIPER, None, chassis.feedback_c_f)
    elif knob.kind == "shunt":
        _across(g, PLATE, COLD, 1.0 / (knob.resistance_ohm * theta + CONTACT_OHM))
        _across(c, COLD, None, chassis.feedback_c_f)
    elif knob.kind == "throttle":
        least, most = knob.capacitance_f
        _across(c, COLD, None, least + (most - least) * theta)
        choke_node = PLATE
    else:
        _across(c, COLD, None, chassis.feedback_c_f)
        if knob.kind == "supply":
            # Three-halves law: gm goes as the square root of the voltage, rp inversely (Child 1911, Langmuir 1913);
            # transistors' gm goes as the voltage itself.
            drive = np.maximum(theta, 1e-6) ** knob.gm_power
            gm = gm * drive
            gp = gp * drive if knob.gm_power < 1.0 else gp
        elif knob.kind == "swing":
            mutual = mutual * np.cos((1.0 - theta) * np.pi / 2.0)
    g[:, PLATE, GRID] += gm
    _across(g, PLATE, None, gp)

    _branch(g, I_GRID, GRID, None)
    c[:, I_GRID, I_GRID] -= circuit.l_h
    _branch(g, I_TICKLER, PLATE, COLD)
    c[:, I_TICKLER, I_TICKLER] -= circuit.tickler_l_h
    g[:, I_TICKLER, I_TICKLER] -= 2.0 * np.pi * circuit.q_at_hz * circuit.tickler_l_h / circuit.tickler_q
    # Wound so that feedback is regenerative: the plate's current aids the grid coil's.
    c[:, I_GRID, I_TICKLER] += mutual
    c[:, I_TICKLER, I_GRID] += mutual
    if chassis.choke_h is None:
        g[:, I_CHOKE, I_CHOKE] = 1.0
    else:
        _branch(g, I_CHOKE, choke_node, None)
        c[:, I_CHOKE, I_CHOKE] -= chassis.choke_h
        _across(c, choke_node, None, chassis.choke_c_f)
    _aerial(g, c, circuit.aerial)
    _loop(g, c, circuit.loop)
    for node in (WIPER, AERIAL):
        idle = (g[:, node, node] == 0.0) & (c[:, node, node] == 0.0)
        g[idle, node, node] = 1.0
    return g, c


def _aerial(g: Floats, c: Floats, aerial: Aerial | None) -> None:
    if aerial is None:
        return
    # The far capacitance carries no signal of its own: its series reactance is folded into one node by giving
    # the resistance that node and the capacitance the coupling side.
    series = aerial.coupling_c_f * aerial.capacitance_f / (aerial.coupling_c_f + aerial.capacitance_f)
    _across(c, GRID, AERIAL, series)
    _across(g, AERIAL, None, 1.0 / aerial.resistance_ohm)


def _loop(g: Floats, c: Floats, loop: Loop | None) -> None:
    if loop is None:
        g[:, I_LOOP, I_LOOP] = 1.0
        return
    g[:, I_LOOP, I_LOOP] = -(loop.r_ohm + PORT_OHM)
    c[:, I_LOOP, I_LOOP] = -loop.l_h
    for branch, mutual in ((I_GRID, loop.grid_m_h), (I_TICKLER, -loop.tickler_m_h)):
        c[:, I_LOOP, branch] -= mutual
        c[:, branch, I_LOOP] -= mutual


def with_loss(g: Floats, loss_ohm: Floats | float) -> Floats:
    """`g` with the grid coil's series resistance in its branch."""
    out = g.copy()
    out[:, I_GRID, I_GRID] -= loss_ohm
    return out


def newton(g: Floats, c: Floats, start: Complexes) -> Complexes:
    """The root of det(G + sC) nearest to each start, by Newton's method on the determinant.

    Parameters
    ----------
    g, c : (n, 9, 9) arrays
    start : (n,) complex array

    Returns
    -------
    (n,) complex array
        NaN where it did not settle.
    """
    s = np.array(start, complex)
    busy = np.arange(len(s))
    for _ in range(NEWTON_STEPS):
        try:
            inverse_c = np.linalg.solve(g[busy] + s[busy, None, None] * c[busy], c[busy])
        except np.linalg.LinAlgError:
            # A start that is a root to the last bit makes the matrix singular; step off it a little.
            s[busy] *= 1.0 + 1e-8
            continue
        step = 1.0 / np.trace(inverse_c, axis1=1, axis2=2)
        s[busy] -= step
        busy = busy[np.abs(step) > NEWTON_ENOUGH * np.abs(s[busy])]
        if len(busy) == 0:
            return s
    s[busy] = np.nan
    return s


def tank_root(circuit: Circuit, angle_deg: Floats, gm_ratio: float = 1.0) -> Complexes:
    """The tank's root at each angle, followed from angle 0 upwards.

    Parameters
    ----------
    angle_deg : (n,) array
        Increasing; the first should be 0 or near it.
    gm_ratio : float
        Transconductance over its small-signal value.

    Returns
    -------
    (n,) complex array
        s = growth + j·2πf, 1/s.
    """
    angle = np.asarray(angle_deg, float)
    g, c = at_angles(circuit, angle, gm_ratio)
    first = start_root(circuit, g[:1], c[:1])
    g = with_loss(g, float(circuit.loss_ohm(abs(first.imag) / (2.0 * np.pi))))
    # All at once from the first root; one by one, each from the last, where that does not give a continuous track.
    roots = newton(g, c, np.full(len(angle), first))
    if all(_continues(complex(b), complex(a)) for a, b in pairwise([first, *roots])):
        return roots
    last = first
    for i in range(len(angle)):
        roots[i] = newton(g[i : i + 1], c[i : i + 1], np.array([last]))[0]
        if not _continues(roots[i], last):
            roots[i] = _nearest(g[i], c[i], last)
        last = complex(roots[i])
    return roots


def _continues(root: complex, last: complex) -> bool:
    return bool(np.isfinite(root) and root.imag > 0.0 and abs(root - last) < 0.05 * abs(last))


def _nearest(g: Floats, c: Floats, near: complex) -> complex:
    """Of all roots, the one nearest to `near`, by the generalised eigenvalue problem."""
    from scipy.linalg import eigvals

    values = eigvals(-g, c)
    values = values[np.isfinite(values)]
    return complex(values[np.argmin(np.abs(values - near))])


def at_angles(circuit: Circuit, angle_deg: Floats, gm_ratio: Floats | float = 1.0) -> tuple[Floats, Floats]:
    """`matrices` at control angles instead of shares."""
    knob = circuit.knob
    feedback: Floats | float = 1.0
    if knob.kind == "measured":
        points = np.asarray(knob.law or ((0.0, 0.0), (knob.travel_deg, 1.0)), float)
        feedback = np.interp(angle_deg, points[:, 0], points[:, 1])
    return matrices(circuit, knob.share_at(angle_deg), gm_ratio, feedback)


def start_root(circuit: Circuit, g: Floats, c: Floats) -> complex:
    """The tank's root with the control at angle 0, the coil's loss taken at the root's own frequency."""
    bare = circuit.tank_c_f + circuit.valve.grid_c_f
    guess = 1j / np.sqrt(circuit.l_h * bare)
    root = complex(guess)
    for _ in range(3):
        lossy = with_loss(g, float(circuit.loss_ohm(root.imag / (2.0 * np.pi))))
        root = complex(newton(lossy, c, np.array([root]))[0])
        if not np.isfinite(root) or root.imag <= 0.0:
            root = _nearest(lossy[0], c[0], complex(guess))
    return root


def loop_impedance(
    circuit: Circuit, angle_deg: float, f_hz: Floats, gm_ratio: Floats | float = 1.0
) -> Complexes:
    """Impedance at the loop's own terminals, (n,) ohm, looking into the set with the port's 50 ohm taken off.

    The tank seen through the loop: solved from the whole network at every frequency at once.
    """
    return through_loop(circuit, angle_deg, f_hz, gm_ratio)[0]


def through_loop(
    circuit: Circuit, angle_deg: float, f_hz: Floats, gm_ratio: Floats | float = 1.0
) -> tuple[Complexes, Complexes]:
    """`loop_impedance`, and the grid's voltage for one volt behind the port's 50 ohm; (n,) each.

    `gm_ratio` may differ from frequency to frequency, as it does where the signal itself moves the working point.
    """
    if circuit.loop is None:
        raise ValueError("the circuit has no loop")
    f = np.asarray(f_hz, float)
    ratio = np.asarray(gm_ratio, float)
    places = np.full(1 if ratio.ndim == 0 else len(f), angle_deg)
    g, c = at_angles(circuit, places, ratio)
    s = 2j * np.pi * f
    a = g + s[:, None, None] * c
    a[:, I_GRID, I_GRID] -= circuit.loss_ohm(f)
    drive = np.zeros((SIZE, 1))
    drive[I_LOOP, 0] = -1.0
    answer = np.linalg.solve(a, np.broadcast_to(drive, (len(f), SIZE, 1)))[:, :, 0]
    return np.asarray(1.0 / answer[:, I_LOOP] - PORT_OHM), np.asarray(answer[:, GRID])


def sensitivity(circuit: Circuit, angle_deg: Floats, root: Complexes, gm_ratio: Floats) -> Complexes:
    """How the root moves with gm: ds/d(gm_ratio), (n,), 1/s, for roots (n,) found at `gm_ratio` (n,).

    From the determinant's two derivatives, taken a hair beside the root where both are finite.
    """
    g, c = at_angles(circuit, angle_deg, gm_ratio)
    one, _ = at_angles(circuit, angle_deg, 1.0)
    none, _ = at_angles(circuit, angle_deg, 0.0)
    g = with_loss(g, float(circuit.loss_ohm(abs(root[0].imag) / (2.0 * np.pi))))
    s = root * (1.0 + 1e-6)
    inverse = np.linalg.inv(g + s[:, None, None] * c)
    gm = one[:, PLATE, GRID] - none[:, PLATE, GRID]
    return np.asarray(-gm * inverse[:, GRID, PLATE] / np.trace(inverse @ c, axis1=1, axis2=2))
