"""From onset angles back to gm.M: the regeneration network fitted to a whole set.

Unknown for each coil: ln(gm.M), and its Q law within what was measured. Shared by the set, each held by a prior: the end
stop, the taper, plate resistance, gm by itself, a common error of Q, the inductances, the control's and the parts' values.
Priors are Gaussian and stand among the residuals (GUM F.2.4), so the covariance of gm.M has all of them in it, and the
share of each in its variance is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bench.physics import regeneration as net
from bench.physics.qlaw import QLaw
from bench.physics.regeneration import Circuit, State
from bench.physics.uncertainty import Solution, solve

Floats = NDArray[np.float64]

CLOSEST_COUPLING = 0.995
FAR = 4.0
TRUST = 4.0


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
class CoilOnsets:
    """One coil's onset angles (n,) and what is known of its tank.

    `mutual_h` is a first guess, to `mutual_share_u` (infinite: it is only where the search starts). `q_antenna` and `antenna`
    say whether the antenna was on when Q, and when onset, was read. `bound` (n,) is 0 for an angle that was read; 1 where
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


@dataclass(frozen=True)
class CouplingFit:
    """The fitted set. `x`, `cov` over all parameters; see `Model` for their order.

    Over the data points (n,): `fitted_deg` goes on beyond the stops as `extended_onset`, `slope_per_deg` is the share of
    the tank's loss that one degree cancels at onset (NaN where it never starts), `left_out` what did not fit.
    """

    model: Model
    x: Floats
    cov: Floats
    fitted_deg: Floats
    slope_per_deg: Floats
    left_out: NDArray[np.bool_]
    scale: float
    shares: dict[str, dict[str, float]] = field(default_factory=dict)

    def log_gm_m(self, coil: int) -> tuple[float, float]:
        """ln(gm.M) of a coil and its standard uncertainty."""
        return float(self.x[coil]), float(np.sqrt(self.cov[coil, coil]))


class Model:
    """Onset angles of all coils as a function of the parameters.

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
        self.log_q = np.concatenate([np.log(c.q_law.at(c.f_hz)[0]) for c in coils])
        self.q_basis = np.concatenate([c.q_law.basis(c.f_hz) @ _root(c.q_law.cov) for c in coils])
        self.shared = tuple(
            f.name for f in fields(priors) if getattr(priors, f.name) > 0 and self._matters(f.name)
        )
        n = len(coils)
        self.size = 4 * n + len(self.shared)
        self.groups: dict[tuple[State, bool, bool], NDArray[np.intp]] = {}
        kind = [(c.state, c.q_antenna, c.antenna) for c in coils]
        for key in dict.fromkeys(kind):
            self.groups[key] = np.flatnonzero([kind[i] == key for i in self.coil])
        # one column serves all coils at once: a coil's own parameters move its own angles only
        self.columns = [np.arange(n), *(n + 3 * np.arange(n) + k for k in range(3))]
        self.columns += [np.array([4 * n + k]) for k in range(len(self.shared))]

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
        """The circuit of some data points for parameters x (k, size): members (k, len(which))."""
        coil = self.coil[which]
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
        """Q of some data points for parameters x (k, size)."""
        own = x[:, len(self.coils) :][:, : 3 * len(self.coils)].reshape(len(x), -1, 3)[:, self.coil[which]]
        log_q = self.log_q[which] + np.einsum("kni,ni->kn", own, self.q_basis[which]) + self.shift(x, "q")
        return np.asarray(np.exp(log_q), float)

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

    def slopes(self, x: Floats) -> tuple[Floats, Floats]:
        """Angles (n,) and their slopes (n, size) at x (size,)."""
        h = 0.01
        rows = np.repeat(x[None], len(self.columns) + 1, axis=0)
        for k, places in enumerate(self.columns):
            rows[k + 1, places] += h
        angles = self.angles(rows)
        slope = np.zeros((len(self.f_hz), self.size))
        at = np.arange(len(self.f_hz))
        for k, places in enumerate(self.columns):
            column = places[self.coil] if k < 4 else np.full(len(at), places[0])
            slope[at, column] = (angles[k + 1] - angles[0]) / h
        return angles[0], slope


def without_antenna(circuit: Circuit, antenna: bool) -> Circuit:
    """The circuit, its antenna taken off unless `antenna`."""
    return circuit if antenna else replace(circuit, antenna=None)


def extended_onset(circuit: Circuit, tank: net.Tank) -> Floats:
    """Onset angles that go on smoothly beyond the stops.

    Where the tank never oscillates, the travel is lengthened by the share of its loss that full travel leaves; where it
    oscillates at angle 0, the angle is negative by the share that is overpaid there.
    """
    found = net.onset(circuit, tank.f0_hz, tank.q, given_tank=tank, modes=False)
    return _extended(circuit, tank, found)


def _extended(circuit: Circuit, tank: net.Tank, found: net.Onset) -> Floats:
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


def _root(cov: Floats) -> Floats:
    """A square root of a covariance, columns by falling size."""
    value, vector = np.linalg.eigh(cov)
    order = np.argsort(value)[::-1]
    return np.asarray(vector[:, order] * np.sqrt(np.clip(value[order], 0.0, None)), float)


def fit_coupling(circuit: Circuit, coils: Sequence[CoilOnsets], priors: Priors = Priors()) -> CouplingFit:
    """gm.M of every coil of a set from its onset angles.

    Parameters
    ----------
    circuit
        The receiver (control, parts, gm, rp, antenna); its windings are replaced by each coil's.
    coils
        At least one, each with at least one onset angle.
    """
    model = Model(circuit, coils, priors)
    x = _start(model)
    weight = np.ones(len(model.f_hz))
    for _ in range(4):
        found = _solve(model, x, model.u / np.sqrt(weight), rounds=4)
        x = found.x
        raw = found.residuals[: len(weight)] / np.sqrt(weight)
        scale = max(1.0, 1.4826 * float(np.median(np.abs(raw))))
        new = 4.0 / (3.0 + (raw / scale) ** 2)
        if np.max(np.abs(new - weight)) < 0.05:
            break
        weight = new
    left_out = _left_out(model, found, weight)
    sigma = np.where(left_out, 1e6, model.u)
    found = _solve(model, x, sigma)
    kept = ~left_out
    n = len(kept)
    dof = float(np.sum(np.clip(1.0 - found.leverage[:n], 0.0, 1.0)[kept]))
    chi2 = float(np.sum(found.residuals[:n][kept] ** 2))
    scale = float(np.sqrt(max(1.0, (chi2 + TRUST) / (dof + TRUST))))
    if scale > 1.0:
        found = _solve(model, found.x, sigma * scale)
    fitted, slope = _as_fitted(model, found.x)
    return CouplingFit(model, found.x, found.cov, fitted, slope, left_out, scale, _shares(model, found))


def _at(model: Model, x: Floats) -> Floats:
    return np.asarray(model.angles(x[None])[0], float)


def _as_fitted(model: Model, x: Floats) -> tuple[Floats, Floats]:
    """Sensor readings and slopes at onset for one set of parameters, (n,) each."""
    at = x[None]
    angle, slope = np.empty(len(model.f_hz)), np.empty(len(model.f_hz))
    for (state, q_antenna, antenna), which in model.groups.items():
        whole = model.changed(at, which)
        tank = net.tank(without_antenna(whole, q_antenna), model.f_hz[which], model.q(at, which), state)
        found = net.onset(without_antenna(whole, antenna), tank.f0_hz, tank.q, given_tank=tank, modes=False)
        angle[which] = _extended(without_antenna(whole, antenna), tank, found)[0]
        slope[which] = found.slope_per_deg[0]
    return model.settable(angle[None], at)[0], slope


def _guess(model: Model) -> Floats:
    gm = float(np.asarray(model.circuit.gm_s))
    return np.array([np.log(gm * c.mutual_h) for c in model.coils])


def _start(model: Model) -> Floats:
    """The guess of gm.M for each coil, scaled to its angles over a coarse ladder."""
    x = np.zeros(model.size)
    x[: len(model.coils)] = _guess(model)
    ladder = np.log(np.geomspace(0.1, 6.0, 22))
    rows = np.repeat(x[None], len(ladder), axis=0)
    rows[:, : len(model.coils)] += ladder[:, None]
    off = np.abs(model.off(model.angles(rows)))
    for i in range(len(model.coils)):
        x[i] += ladder[int(np.argmin(np.mean(np.minimum(off[:, model.coil == i], 60.0), axis=1)))]
    return x


def _solve(model: Model, x: Floats, sigma: Floats, rounds: int = 25) -> Solution:
    """Least squares with the angles first, then each Q law's errors, then the shared ones."""
    n = len(model.coils)
    held = np.array([c.mutual_share_u for c in model.coils])
    guess = _guess(model)
    priors = np.eye(model.size)
    priors[np.arange(n), np.arange(n)] = 1.0 / held
    cache: dict[bytes, tuple[Floats, Floats]] = {}

    def both(at: Floats) -> tuple[Floats, Floats]:
        key = at.tobytes()
        if key not in cache:
            cache.clear()
            cache[key] = model.slopes(at)
        return cache[key]

    def residuals(at: Floats) -> Floats:
        return np.concatenate([-model.off(both(at)[0]) / sigma, (at[:n] - guess) / held, at[n:]])

    def jacobian(at: Floats) -> Floats:
        angle, slope = both(at)
        kept = (model.bound != 0) & (model.off(angle) == 0.0)
        return np.concatenate([np.where(kept[:, None], 0.0, slope) / sigma[:, None], priors])

    return solve(
        residuals, x, step=np.full(model.size, 0.01), jacobian=jacobian, rounds=rounds, tolerance=1e-4
    )


def _left_out(model: Model, found: Solution, weight: Floats) -> NDArray[np.bool_]:
    """Angles too far from a robust fit: at most one in four, and never all but one of a coil."""
    n = len(model.f_hz)
    raw = found.residuals[:n] / np.sqrt(weight)
    room = np.sqrt(np.clip(1.0 - found.leverage[:n], 0.05, 1.0))
    typical = max(1.0, 1.4826 * float(np.median(np.abs(raw))))
    far = (np.abs(raw) / room > FAR * typical) & (model.bound == 0)
    most = max(n // 4, 1) if n >= 4 else 0
    if far.sum() > most:
        order = np.argsort(-np.abs(raw))
        far = far & np.isin(np.arange(n), order[:most])
    for i in range(len(model.coils)):
        mine = model.coil == i
        if (mine & ~far).sum() < min(2, mine.sum()):
            far &= ~mine
    return np.asarray(far, bool)


def _shares(model: Model, found: Solution) -> dict[str, dict[str, float]]:
    """For each coil, what part of the variance of ln(gm.M) comes from what (they add to 1)."""
    n, m = len(model.coils), len(model.f_hz)
    gain = found.cov @ found.jacobian.T
    names = ["angles"] * m + ["windings"] * n + ["Q readings"] * (3 * n) + list(model.shared)
    shares: dict[str, dict[str, float]] = {}
    for i, coil in enumerate(model.coils):
        total: dict[str, float] = {}
        for name, part in zip(names, gain[i] ** 2, strict=True):
            total[name] = total.get(name, 0.0) + float(part)
        whole = sum(total.values()) or 1.0
        shares[coil.name] = {name: part / whole for name, part in sorted(total.items(), key=lambda p: -p[1])}
    return shares


@dataclass(frozen=True)
class Change:
    """Another tickler and other parts on a fitted coil; values broadcast to (k, 1) against the coil's frequencies.

    Ratios to what was fitted (1: as it is); `taper` in place of the control's own.
    """

    mutual: ArrayLike = 1.0
    tickler: ArrayLike = 1.0
    antenna: ArrayLike = 1.0
    feedback: ArrayLike = 1.0
    control: ArrayLike = 1.0
    gm: ArrayLike = 1.0
    rp: ArrayLike = 1.0
    taper: str | None = None

    def applied(self, circuit: Circuit) -> Circuit:
        """The circuit, changed."""
        control = circuit.control
        if control.resistance_ohm is not None:
            control = replace(
                control, resistance_ohm=np.asarray(control.resistance_ohm) * np.asarray(self.control)
            )
        if control.capacitance_f is not None:
            least, most = control.capacitance_f
            control = replace(control, capacitance_f=(least, np.asarray(most) * np.asarray(self.control)))
        if self.taper is not None:
            control = replace(control, taper=self.taper)
        antenna = circuit.antenna
        if antenna is not None:
            antenna = replace(antenna, coupling_f=np.asarray(antenna.coupling_f) * np.asarray(self.antenna))
        parts = circuit.feedback
        parts = replace(parts, capacitor_f=np.asarray(parts.capacitor_f) * np.asarray(self.feedback))
        tickler = np.asarray(circuit.tickler_l_h) * np.asarray(self.tickler)
        mutual = np.asarray(circuit.mutual_h) * np.asarray(self.mutual)
        return replace(
            circuit,
            control=control,
            feedback=parts,
            antenna=antenna,
            gm_s=np.asarray(circuit.gm_s) * np.asarray(self.gm),
            rp_ohm=np.asarray(circuit.rp_ohm) * np.asarray(self.rp),
            tickler_l_h=tickler,
            mutual_h=np.minimum(mutual, CLOSEST_COUPLING * np.sqrt(np.asarray(circuit.l_h) * tickler)),
        )


def predict(fit: CouplingFit, coil: int, change: Change = Change(), x: Floats | None = None) -> Floats:
    """Sensor readings at onset of one coil after a change, at its onset frequencies: (k, n).

    The tank stays what it was with the present tickler and parts. Beyond the stops the angles go on as `extended_onset`
    says: above the travel never, at or below 0 always.

    Parameters
    ----------
    x
        Parameters (k, size) in place of the fitted ones, to carry their uncertainty.
    """
    model = fit.model
    which = np.flatnonzero(model.coil == coil)
    at = fit.x[None] if x is None else x
    now = model.changed(at, which)
    own = model.coils[coil]
    tank = net.tank(without_antenna(now, own.q_antenna), model.f_hz[which], model.q(at, which), own.state)
    then = change.applied(without_antenna(now, own.antenna))
    return model.settable(extended_onset(then, tank), at)


def steepness(fit: CouplingFit, coil: int, change: Change = Change()) -> Floats:
    """Share of the tank's loss that one degree cancels at onset after a change: (k, n), NaN where it never starts."""
    model, own = fit.model, fit.model.coils[coil]
    which = np.flatnonzero(model.coil == coil)
    at = fit.x[None]
    now = model.changed(at, which)
    tank = net.tank(without_antenna(now, own.q_antenna), model.f_hz[which], model.q(at, which), own.state)
    then = change.applied(without_antenna(now, own.antenna))
    found = net.onset(then, tank.f0_hz, tank.q, given_tank=tank, modes=False)
    return np.asarray(found.slope_per_deg, float)


def predict_spread(fit: CouplingFit, coil: int, changes: Sequence[Change]) -> list[tuple[Floats, Floats]]:
    """For each change (of single values) the angles (n,) and their covariance (n, n), from that of the fit."""
    model, n, h = fit.model, len(fit.model.coils), 0.02
    places = [coil, *range(n + 3 * coil, n + 3 * coil + 3), *range(4 * n, model.size)]
    rows = np.repeat(fit.x[None], len(places) + 1, axis=0)
    rows[np.arange(1, len(places) + 1), places] += h

    def column(name: str) -> Floats:
        return np.repeat([float(np.asarray(getattr(c, name))) for c in changes], len(rows))[:, None]

    names = ("mutual", "tickler", "antenna", "feedback", "control", "gm", "rp")
    every = Change(taper=None, **{name: column(name) for name in names})
    angles = predict(fit, coil, every, np.tile(rows, (len(changes), 1))).reshape(len(changes), len(rows), -1)
    cov = fit.cov[np.ix_(places, places)]
    slopes = [(one[1:] - one[0]).T / h for one in angles]
    return [(one[0], slope @ cov @ slope.T) for one, slope in zip(angles, slopes, strict=True)]
