"""Onset angles and readings of Q below onset as a function of what a set does not know of itself.

Unknown for each coil: ln(gm.M), and its Q law within what was measured. Shared by the set, each in units of its prior: the
end stop, the taper, plate resistance, gm by itself, a common error of Q, the inductances, the control's and the parts' values.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, replace

import numpy as np
from numpy.typing import NDArray

from bench.physics import regeneration as net
from bench.physics.qlaw import QLaw
from bench.physics.regeneration import Circuit, State

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

CLOSEST_COUPLING = 0.995
# As `qlaw.SHARE_U`: no reading of Q is believed closer. An angle set by hand and read by the sensor: a judgement (GUM, type B).
LEAST_Q_SHARE_U = 0.006
CURVE_ANGLE_U_DEG = 0.4


@dataclass(frozen=True)
class Priors:
    """Standard uncertainties of what the set shares; 0 takes a thing as known exactly.

    `stop_deg` degrees of the end stop; `taper` departure of the taper at mid-travel as a share of the electrical travel;
    all others relative.
    """

    stop_deg: float = 1.0
    taper: float = 0.02
    rp: float = 0.2
    gm: float = 0.15
    q: float = 0.02
    inductance: float = 0.03
    tickler: float = 0.1
    control: float = 0.05
    feedback: float = 0.05
    strays: float = 0.15


@dataclass(frozen=True)
class Curve:
    """Readings of a coil's Q below onset, each array (m,): control angle, frequency, Q with its standard uncertainty.

    `antenna` says whether it was on.
    """

    angle_deg: Floats
    f_hz: Floats
    q: Floats
    q_u: Floats
    antenna: bool = False


NO_CURVE = Curve(*np.empty((4, 0)))


@dataclass(frozen=True)
class CoilOnsets:
    """One coil's onset angles (n,) and what is known of its tank.

    `mutual_h` is M by the windings, to `mutual_share_u` with gm apart (infinite: it is only where the search starts). `q_antenna` and `antenna`
    say whether the antenna was on when Q, and when onset, was read. An angle with an infinite uncertainty was not read.
    `bound` (n,) is 0 for an angle that was read; 1 where
    oscillation never started, the angle then being the travel's end; -1 where it was there already at angle 0.
    """

    name: str
    f_hz: Floats
    angle_deg: Floats
    angle_u_deg: Floats
    q_law: QLaw
    state: State
    l_h: float
    tickler_l_h: float
    mutual_h: float
    q_antenna: bool = False
    antenna: bool = False
    bound: NDArray[np.int_] | None = None
    mutual_share_u: float = np.inf
    curve: Curve | None = None


class Model:
    """Onset angles of all coils, and 1/Q below onset where it was read, as a function of the parameters.

    Parameters, in order: ln(gm.M) of each coil; three whitened errors of its Q law for each coil; then those of `shared`,
    each in units of its prior.
    """

    def __init__(self, circuit: Circuit, coils: Sequence[CoilOnsets], priors: Priors) -> None:
        self.circuit, self.coils, self.priors = circuit, tuple(coils), priors
        self.coil = np.concatenate([np.full(len(c.f_hz), i) for i, c in enumerate(coils)])
        self.f_hz = np.concatenate([c.f_hz for c in coils])
        self.angle = np.concatenate([c.angle_deg for c in coils])
        self.u = np.concatenate([c.angle_u_deg for c in coils])
        none = [np.zeros(len(c.f_hz), int) if c.bound is None else c.bound for c in coils]
        self.bound = np.concatenate(none)
        self.l_h = np.array([c.l_h for c in coils])
        self.tickler_l_h = np.array([c.tickler_l_h for c in coils])
        curves = [c.curve or NO_CURVE for c in coils]
        self.curve_coil = np.concatenate([np.full(len(c.f_hz), i) for i, c in enumerate(curves)])
        self.curve_angle = np.concatenate([c.angle_deg for c in curves])
        self.curve_f_hz = np.concatenate([c.f_hz for c in curves])
        self.curve_loss = np.concatenate([1.0 / c.q for c in curves])
        self.curve_u = np.concatenate([np.hypot(c.q_u / c.q, LEAST_Q_SHARE_U) / c.q for c in curves])
        self.q_parts = _q_parts(self.coils, self.coil, self.f_hz)
        self.shared = tuple(
            f.name for f in fields(priors) if getattr(priors, f.name) > 0 and self._matters(f.name)
        )
        n = len(coils)
        self.size = 4 * n + len(self.shared)
        self.groups = _groups([(c.state, c.q_antenna, c.antenna) for c in coils], self.coil)
        self.curve_groups = _groups(
            [(c.state, c.q_antenna, v.antenna) for c, v in zip(coils, curves, strict=True)], self.curve_coil
        )
        # one column serves all coils at once: a coil's own parameters move its own angles only
        self.columns = [np.arange(n), *(n + 3 * np.arange(n) + k for k in range(3))]
        self.columns += [np.array([4 * n + k]) for k in range(len(self.shared))]
        self.curve_rest_hz = self.curve_f_hz
        self.curve_q_parts = _q_parts(self.coils, self.curve_coil, self.curve_f_hz)
        if len(self.curve_coil):
            start = np.concatenate([self.by_windings(), np.zeros(self.size - n)])
            self.curve_rest_hz = self._curve_roots(start[None])[1][0]
            self.curve_q_parts = _q_parts(self.coils, self.curve_coil, self.curve_rest_hz)

    def _matters(self, name: str) -> bool:
        parts = self.circuit.feedback
        control = self.circuit.control
        if name == "control":
            return control.resistance_ohm is not None or control.capacitance_f is not None
        if name == "feedback":
            return bool(np.any(np.asarray(parts.capacitor_f) > 0)) and control.kind != "throttle"
        if name == "strays":
            return bool(
                np.any(
                    np.asarray(parts.plate_capacitance_f)
                    + np.asarray(parts.grid_plate_capacitance_f)
                    + np.asarray(parts.winding_capacitance_f)
                )
            )
        if name == "taper":
            return control.kind not in ("swing",)
        return True

    def shift(self, x: Floats, name: str) -> Floats:
        """A shared parameter in its own unit, shape (..., 1)."""
        if name not in self.shared:
            return np.zeros((*x.shape[:-1], 1))
        place = 4 * len(self.coils) + self.shared.index(name)
        return np.asarray(getattr(self.priors, name) * x[..., place : place + 1], float)

    def reading(self, angle_deg: Floats, x: Floats) -> Floats:
        """What the sensor reads where the network says `angle_deg`: the stop's offset and the taper's departure."""
        control = self.circuit.control
        u = np.clip((angle_deg - control.dead_deg[0]) / control.electrical_deg, 0.0, 1.0)
        bow = 4.0 * u * (1.0 - u) * control.electrical_deg
        return np.asarray(angle_deg + self.shift(x, "stop_deg") + self.shift(x, "taper") * bow, float)

    def settable(self, angle_deg: Floats, x: Floats) -> Floats:
        """`reading`, but the stop's offset never turns "never" or "always" into an angle that can be set, nor back."""
        travel = self.circuit.control.travel_deg
        read = self.reading(angle_deg, x)
        read = np.where(angle_deg > travel, np.maximum(read, angle_deg), np.clip(read, 0.0, travel))
        return np.asarray(np.where(angle_deg <= 0, angle_deg, read), float)

    def changed(self, x: Floats, which: NDArray[np.intp]) -> Circuit:
        """The circuit of some onset points for parameters x (k, size): members (k, len(which))."""
        return self.with_coils(x, self.coil[which])

    def with_coils(self, x: Floats, coil: NDArray[np.intp]) -> Circuit:
        """The circuit with some coils (n,) for parameters x (k, size): members (k, n)."""
        l_h = self.l_h[coil] * np.exp(self.shift(x, "inductance"))
        tickler = self.tickler_l_h[coil] * np.exp(self.shift(x, "tickler"))
        gm = np.asarray(self.circuit.gm_s) * np.exp(self.shift(x, "gm"))
        mutual = np.minimum(
            np.exp(np.clip(x[:, coil], -80.0, 0.0)) / gm, CLOSEST_COUPLING * np.sqrt(l_h * tickler)
        )
        control, parts = self.circuit.control, self.circuit.feedback
        value = np.exp(self.shift(x, "control"))
        if control.resistance_ohm is not None:
            control = replace(control, resistance_ohm=np.asarray(control.resistance_ohm) * value)
        if control.capacitance_f is not None:
            least, most = (np.asarray(c) * value for c in control.capacitance_f)
            control = replace(control, capacitance_f=(least, most))
        strays = np.exp(self.shift(x, "strays"))
        parts = replace(
            parts,
            capacitor_f=np.asarray(parts.capacitor_f) * np.exp(self.shift(x, "feedback")),
            plate_capacitance_f=np.asarray(parts.plate_capacitance_f) * strays,
            grid_plate_capacitance_f=np.asarray(parts.grid_plate_capacitance_f) * strays,
            winding_capacitance_f=np.asarray(parts.winding_capacitance_f) * strays,
        )
        return replace(
            self.circuit,
            control=control,
            feedback=parts,
            gm_s=gm,
            rp_ohm=np.asarray(self.circuit.rp_ohm) * np.exp(self.shift(x, "rp")),
            l_h=l_h,
            tickler_l_h=tickler,
            mutual_h=mutual,
        )

    def q(self, x: Floats, which: NDArray[np.intp]) -> Floats:
        """Q of some onset points for parameters x (k, size)."""
        return self._q(x, self.coil, self.q_parts, which)

    def _q(
        self, x: Floats, coil: NDArray[np.intp], parts: tuple[Floats, Floats], which: NDArray[np.intp]
    ) -> Floats:
        log_q, basis = (part[which] for part in parts)
        own = x[:, len(self.coils) :][:, : 3 * len(self.coils)].reshape(len(x), -1, 3)[:, coil[which]]
        return np.asarray(np.exp(log_q + np.einsum("kni,ni->kn", own, basis) + self.shift(x, "q")), float)

    def off(self, fitted_deg: Floats) -> Floats:
        """Read less fitted, in degrees; 0 where a bound is kept. Shape (..., n)."""
        off = self.angle - fitted_deg
        keeps = ((self.bound > 0) & (off < 0)) | ((self.bound < 0) & (off > 0))
        return np.asarray(np.where(keeps, 0.0, off), float)

    def angles(self, x: Floats) -> Floats:
        """Sensor readings at onset (k, n) for parameters (k, size); beyond the stops where it never or always oscillates."""
        out = np.empty((len(x), len(self.f_hz)))
        for (state, q_antenna, antenna), which in self.groups.items():
            whole = self.changed(x, which)
            out[:, which] = extended_onset(
                without_antenna(whole, antenna),
                net.tank(without_antenna(whole, q_antenna), self.f_hz[which], self.q(x, which), state),
            )
        return self.reading(out, x)

    def losses(self, x: Floats, extra_deg: float = 0.0) -> Floats:
        """1/Q (k, m) as the curve's readings should be for parameters (k, size), `extra_deg` further on.

        The error common to all Q is in the readings, so it stands in what they should be. Below 0 it oscillates.
        """
        found = self._curve_roots(x, extra_deg)[0]
        return np.asarray(-2.0 * found.real / np.abs(found) * np.exp(self.shift(x, "q")), float)

    def _curve_roots(self, x: Floats, extra_deg: float = 0.0) -> tuple[Complexes, Floats]:
        """Roots (k, m) at the curve's readings, and what the tanks resonate at with the control at angle 0.

        The control pulls the tank as it turns, by one to three per cent, and a reading tells the frequency at its own
        angle: the tank is the one that comes there.
        """
        roots = np.empty((len(x), len(self.curve_f_hz)), complex)
        rest_hz = np.broadcast_to(self.curve_rest_hz, roots.shape).copy()
        for (state, q_antenna, antenna), which in self.curve_groups.items():
            whole = self.with_coils(x, self.curve_coil[which])
            q = self._q(x, self.curve_coil, self.curve_q_parts, which)
            at = self.turned(self.curve_angle[which] + extra_deg, x)
            for again in (True, False):
                tank = net.tank(without_antenna(whole, q_antenna), rest_hz[:, which], q, state)
                found = net.root(without_antenna(whole, antenna), tank, at)
                if again:
                    pull = np.abs(found) / (2.0 * math.pi * self.curve_f_hz[which])
                    rest_hz[:, which] /= np.where(np.isfinite(pull), np.clip(pull, 0.8, 1.25), 1.0)
            roots[:, which] = found
        return roots, rest_hz

    def by_windings(self) -> Floats:
        """ln(gm.M) of each coil as the plan's windings have it."""
        gm_s = float(np.asarray(self.circuit.gm_s))
        return np.array([np.log(gm_s * c.mutual_h) for c in self.coils])

    def turned(self, read_deg: Floats, x: Floats) -> Floats:
        """The network's angle where the sensor reads `read_deg`: `reading` the other way round."""
        angle = np.broadcast_to(read_deg, (*x.shape[:-1], len(read_deg)))
        for _ in range(4):
            angle = angle + (read_deg - self.reading(angle, x))
        return np.clip(angle, 0.0, self.circuit.control.travel_deg)

    def slopes(self, x: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        """Angles (n,) and their slopes (n, size), 1/Q (m,) and theirs (m, size), at x (size,)."""
        h = 0.01
        rows = np.repeat(x[None], len(self.columns) + 1, axis=0)
        for k, places in enumerate(self.columns):
            rows[k + 1, places] += h
        found = []
        for values, coil in ((self.angles(rows), self.coil), (self.losses(rows), self.curve_coil)):
            slope = np.zeros((len(coil), self.size))
            at = np.arange(len(coil))
            for k, places in enumerate(self.columns):
                column = places[coil] if k < 4 else np.full(len(at), places[0])
                slope[at, column] = (values[k + 1] - values[0]) / h
            found += [values[0], slope]
        return found[0], found[1], found[2], found[3]


def _q_parts(coils: Sequence[CoilOnsets], coil: NDArray[np.intp], f_hz: Floats) -> tuple[Floats, Floats]:
    """ln Q by each coil's law at frequencies (n,), and what its three whitened errors make of it (n, 3)."""
    log_q, basis = np.empty(len(coil)), np.empty((len(coil), 3))
    for i, one in enumerate(coils):
        mine = coil == i
        log_q[mine] = one.q_law.log_q(f_hz[mine])
        basis[mine] = one.q_law.basis(f_hz[mine]) @ one.q_law.errors
    return log_q, basis


def _groups(
    kinds: Sequence[tuple[State, bool, bool]], coil: NDArray[np.intp]
) -> dict[tuple[State, bool, bool], NDArray[np.intp]]:
    """Places of the readings of coils of one kind: state of the Q readings, antenna on in them, on in these."""
    return {
        key: np.flatnonzero(np.array([kinds[i] == key for i in coil], bool))
        for key in dict.fromkeys(kinds[i] for i in coil)
    }


def without_antenna(circuit: Circuit, antenna: bool) -> Circuit:
    """The circuit, its antenna taken off unless `antenna`."""
    return circuit if antenna else replace(circuit, antenna=None)


def extended_onset(circuit: Circuit, tank: net.Tank) -> Floats:
    """Onset angles that go on smoothly beyond the stops.

    Where the tank never oscillates, the travel is lengthened by the share of its loss that full travel leaves; where it
    oscillates at angle 0, the angle is negative by the share that is overpaid there.
    """
    found = net.onset(circuit, tank.f0_hz, tank.q, given_tank=tank, modes=False)
    return extended(circuit, tank, found)


def extended(circuit: Circuit, tank: net.Tank, found: net.Onset) -> Floats:
    """`extended_onset` of what was found already."""
    travel = circuit.control.travel_deg
    angle = np.array(found.angle_deg)
    never = np.isnan(angle)
    loss = np.broadcast_to(tank.loss_per_s, angle.shape)
    left = np.nan_to_num(-found.growth_per_s[never] / loss[never], nan=1.0, posinf=1.0, neginf=0.0)
    angle[never] = travel * (1.0 + np.clip(left, 0.0, 10.0))
    if (angle == 0).any():
        at_rest = np.broadcast_to(net.root(circuit, tank, 0.0).real, angle.shape)
        angle = np.where(angle == 0, -travel * np.clip(np.nan_to_num(at_rest / loss), 0.0, 10.0), angle)
    return angle
