"""From onset angles back to gm.M: the regeneration network fitted to a whole set.

Priors are Gaussian and stand among the residuals (GUM F.2.4), so the covariance of gm.M has all of them in it, and the
share of each in its variance is known.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bench.physics import regeneration as net
from bench.physics.onset_model import (
    CLOSEST_COUPLING,
    CURVE_ANGLE_U_DEG,
    CoilOnsets,
    Curve,
    Model,
    Priors,
    extended,
    extended_onset,
    without_antenna,
)
from bench.physics.regeneration import Circuit
from bench.physics.uncertainty import Solution, solve

__all__ = [
    "Change",
    "CoilOnsets",
    "CouplingFit",
    "Curve",
    "Model",
    "Priors",
    "extended_onset",
    "fit_coupling",
    "predict",
    "predict_spread",
    "steepness",
    "without_antenna",
]

Floats = NDArray[np.float64]

USUAL = Priors()
# Left out beyond FAR of what is usual, taken back in below NEAR.
FAR, NEAR = 4.0, 3.0
UNUSED = 1e6
# A rung of the starting ladder is a few degrees from the next: nearer than this tells them not apart.
START_DEG, MOST_OFF_DEG = 8.0, 60.0
MOST_OTHERS = 2
DOUBTFUL_SCALE = 1.5
TRUST = 4.0


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
    curve_left_out: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, bool))

    def log_gm_m(self, coil: int) -> tuple[float, float]:
        """ln(gm.M) of a coil and its standard uncertainty."""
        return float(self.x[coil]), float(np.sqrt(self.cov[coil, coil]))


def fit_coupling(circuit: Circuit, coils: Sequence[CoilOnsets], priors: Priors = USUAL) -> CouplingFit:
    """gm.M of every coil of a set from its onset angles, and from its readings of Q below onset where there are any.

    Parameters
    ----------
    circuit
        The receiver (control, parts, gm, rp, antenna); its windings are replaced by each coil's.
    coils
        At least one, each with at least one frequency; an angle of infinite uncertainty is only worked out.
    """
    model = Model(circuit, coils, priors)
    start, others = _starts(model)
    fit, cost = _fit_from(model, start)
    # The angles of some controls turn back as gm.M grows, so that two values of it come near them: both are then followed.
    for coil, places in enumerate(others):
        if not _doubtful(fit, coil):
            continue
        for place in places:
            elsewhere = start.copy()
            elsewhere[coil] = place
            other, other_cost = _fit_from(model, elsewhere)
            if other_cost < cost:
                fit, cost = other, other_cost
    return fit


def _doubtful(fit: CouplingFit, coil: int) -> bool:
    """Whether some reading of a coil was left out, or lies far from what was fitted."""
    model = fit.model
    mine = (model.coil == coil) & np.isfinite(model.u)
    off = np.abs(model.off(fit.fitted_deg)[mine] / model.u[mine])
    return bool(fit.left_out[mine].any() or (off > FAR).any() or fit.scale > DOUBTFUL_SCALE)


def _fit_from(model: Model, x: Floats) -> tuple[CouplingFit, float]:
    """The fit that a start leads to, and how badly it does, the wild readings weighing little: small is good."""
    read = np.isfinite(np.concatenate([model.u, model.curve_u]))
    sigma = _sigma(model, x)
    # From the start the wild ones weigh little: a first fit with all alike would be bent towards them.
    weight = _weight(_raw(model, x, sigma), read)
    for _ in range(4):
        found = _solve(model, x, sigma / np.sqrt(weight), rounds=4)
        x, sigma = found.x, _sigma(model, found.x)
        raw = found.residuals[: len(weight)] / np.sqrt(weight)
        new = _weight(raw, read)
        if np.max(np.abs(new - weight)) < 0.05:
            break
        weight = new
    left_out = _left_out(model, found, weight, read)
    found = _solve(model, x, np.where(left_out, UNUSED, 1.0) * sigma)
    again = _readmitted(found, left_out)
    if again.any():
        left_out &= ~again
        found = _solve(model, found.x, np.where(left_out, UNUSED, 1.0) * sigma)
    n = len(left_out)
    # Student's t with 3 degrees of freedom, as the weights.
    off = found.residuals[:n] * np.where(left_out, UNUSED, 1.0)
    cost = float(4.0 * np.sum(np.log1p(off[read] ** 2 / 3.0)) + np.sum(found.residuals[n:] ** 2))
    sigma = np.where(left_out, UNUSED, 1.0) * sigma
    kept = ~left_out
    dof = float(np.sum(np.clip(1.0 - found.leverage[:n], 0.0, 1.0)[kept & read]))
    chi2 = float(np.sum(found.residuals[:n][kept] ** 2))
    scale = float(np.sqrt(max(1.0, (chi2 + TRUST) / (dof + TRUST))))
    if scale > 1.0:
        found = _solve(model, found.x, sigma * scale)
    fitted, slope = _as_fitted(model, found.x)
    count = len(model.f_hz)
    fit = CouplingFit(
        model,
        found.x,
        found.cov,
        fitted,
        slope,
        left_out[:count],
        scale,
        _shares(model, found),
        left_out[count:],
    )
    return fit, cost


def _raw(model: Model, x: Floats, sigma: Floats) -> Floats:
    """Read less fitted, in the readings' uncertainties."""
    angle, loss = model.off(model.angles(x[None]))[0], (model.losses(x[None]) - model.curve_loss)[0]
    return np.asarray(np.nan_to_num(np.concatenate([angle, loss]) / sigma, nan=1e3), float)


def _weight(raw: Floats, read: NDArray[np.bool_]) -> Floats:
    """Weights of Student's t with 3 degrees of freedom."""
    return np.asarray(4.0 / (3.0 + (raw / _typical(raw[read])) ** 2), float)


def _readmitted(found: Solution, left_out: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Readings left out that the fit without them has no quarrel with, all its own uncertainty counted."""
    n = len(left_out)
    off = found.residuals[:n] * UNUSED
    spread = np.sqrt(1.0 + found.leverage[:n] * UNUSED**2)
    scale = _typical(found.residuals[:n][~left_out])
    return np.asarray(left_out & (np.abs(off) < NEAR * scale * spread), bool)


def _typical(raw: Floats) -> float:
    """Size of a usual residual, by the median; never below what the readings' own uncertainties say."""
    return max(1.0, 1.4826 * float(np.median(np.abs(raw)))) if len(raw) else 1.0


def _sigma(model: Model, x: Floats) -> Floats:
    """Standard uncertainties of the angles, and of 1/Q with that of the angle it was read at: (n + m,)."""
    if not len(model.curve_u):
        return model.u
    here, there = (model.losses(x[None], extra)[0] for extra in (-0.5, 0.5))
    return np.concatenate([model.u, np.hypot(model.curve_u, (there - here) * CURVE_ANGLE_U_DEG)])


def _as_fitted(model: Model, x: Floats) -> tuple[Floats, Floats]:
    """Sensor readings and slopes at onset for one set of parameters, (n,) each."""
    at = x[None]
    angle, slope = np.empty(len(model.f_hz)), np.empty(len(model.f_hz))
    for (state, q_antenna, antenna), which in model.groups.items():
        whole = model.changed(at, which)
        tank = net.tank(without_antenna(whole, q_antenna), model.f_hz[which], model.q(at, which), state)
        found = net.onset(without_antenna(whole, antenna), tank.f0_hz, tank.q, given_tank=tank, modes=False)
        angle[which] = extended(without_antenna(whole, antenna), tank, found)[0]
        slope[which] = found.slope_per_deg[0]
    return model.settable(angle[None], at)[0], slope


def _starts(model: Model) -> tuple[Floats, list[list[float]]]:
    """The guess of gm.M for each coil, scaled to its angles over a coarse ladder; and for each coil where else it may be."""
    x = np.zeros(model.size)
    x[: len(model.coils)] = model.by_windings()
    ladder = np.log(np.geomspace(0.1, 6.0, 22))
    rows = np.repeat(x[None], len(ladder), axis=0)
    rows[:, : len(model.coils)] += ladder[:, None]
    read = np.isfinite(model.u)
    # Sixty degrees, or all of the loss, is as wrong as a reading can make a rung.
    off = np.minimum(np.abs(model.off(model.angles(rows))), MOST_OFF_DEG)
    curve = np.minimum(MOST_OFF_DEG * np.abs(model.losses(rows) / model.curve_loss - 1.0), MOST_OFF_DEG)
    others: list[list[float]] = []
    for i in range(len(model.coils)):
        cost = np.concatenate([off[:, (model.coil == i) & read], curve[:, model.curve_coil == i]], axis=1)
        others.append([])
        if cost.shape[1]:
            near = np.mean(np.log1p((np.nan_to_num(cost, nan=MOST_OFF_DEG) / START_DEG) ** 2), axis=1)
            beside = np.concatenate([[np.inf], near, [np.inf]])
            least = (near < beside[:-2]) & (near < beside[2:])
            order = [int(k) for k in np.argsort(near) if least[k] or k == np.argmin(near)]
            others[i] = [float(x[i] + ladder[k]) for k in order[1 : 1 + MOST_OTHERS]]
            x[i] += ladder[order[0]]
    return x, others


def _solve(model: Model, x: Floats, sigma: Floats, rounds: int = 25) -> Solution:
    """Least squares with the angles first, then each Q law's errors, then the shared ones."""
    n = len(model.coils)
    held = np.array([c.mutual_share_u for c in model.coils])
    guess = model.by_windings()
    priors = np.eye(model.size)
    priors[np.arange(n), np.arange(n)] = 1.0 / held
    if "gm" in model.shared:
        priors[:n, 4 * n + model.shared.index("gm")] = -model.priors.gm / held
    cache: dict[bytes, tuple[Floats, Floats, Floats, Floats]] = {}

    def both(at: Floats) -> tuple[Floats, Floats, Floats, Floats]:
        key = at.tobytes()
        if key not in cache:
            cache.clear()
            cache[key] = model.slopes(at)
        return cache[key]

    def residuals(at: Floats) -> Floats:
        angle, _, loss, _ = both(at)
        data = np.concatenate([-model.off(angle), loss - model.curve_loss])
        return np.concatenate([data / sigma, (at[:n] - guess - model.shift(at, "gm")) / held, at[n:]])

    def jacobian(at: Floats) -> Floats:
        angle, slope, _, curve_slope = both(at)
        kept = (model.bound != 0) & (model.off(angle) == 0.0)
        data = np.concatenate([np.where(kept[:, None], 0.0, slope), curve_slope])
        return np.concatenate([data / sigma[:, None], priors])

    return solve(
        residuals, x, step=np.full(model.size, 0.01), jacobian=jacobian, rounds=rounds, tolerance=1e-4
    )


def _left_out(model: Model, found: Solution, weight: Floats, read: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Readings too far from a robust fit: at most one in four, and never all but one of a coil."""
    n, m = len(read), int(read.sum())
    coil = np.concatenate([model.coil, model.curve_coil])
    bound = np.concatenate([model.bound, np.zeros(len(model.curve_coil))])
    raw = found.residuals[:n] / np.sqrt(weight)
    room = np.sqrt(np.clip(1.0 - found.leverage[:n], 0.05, 1.0))
    far = (np.abs(raw) / room > FAR * _typical(raw[read])) & (bound == 0) & read
    most = max(m // 4, 1) if m >= 4 else 0
    if far.sum() > most:
        order = np.argsort(-np.abs(raw))
        far = far & np.isin(np.arange(n), order[:most])
    for i in range(len(model.coils)):
        mine = (coil == i) & read
        if (mine & ~far).sum() < min(2, mine.sum()):
            far &= ~mine
    return np.asarray(far, bool)


def _shares(model: Model, found: Solution) -> dict[str, dict[str, float]]:
    """For each coil, what part of the variance of ln(gm.M) comes from what (they add to 1)."""
    n, m = len(model.coils), len(model.f_hz)
    gain = found.cov @ found.jacobian.T
    names = (
        ["angles"] * m
        + ["curves"] * len(model.curve_coil)
        + ["windings"] * n
        + ["Q readings"] * (3 * n)
        + list(model.shared)
    )
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
