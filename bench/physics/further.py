"""Which further reading would tell gm.M better: each candidate's information, worked out before it is taken.

A reading whose expected value has slopes j to the parameters and covariance R turns the fit's covariance C into
C - C j' (j C j' + R)^-1 j C: the linear update by which information matrices add (Fisher; GUM F.2.4 with the fit as
prior). Nothing is read, nothing is fitted again.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from bench.physics import regeneration as net
from bench.physics.coupling import Change, CouplingFit, predict
from bench.physics.onset_model import (
    CURVE_ANGLE_U_DEG,
    LEAST_Q_SHARE_U,
    Curve,
    Model,
    extended_onset,
    without_antenna,
)

Floats = NDArray[np.float64]

# A Q read in one sweep; parts read with an ordinary meter; ends of travel found with care; what geometry says of the ratio of
# two ticklers on one form. Judgements (GUM, type B).
Q_SHARE_U = 0.01
METER = {
    "control": 0.01,
    "feedback": 0.01,
    "taper": 0.004,
    "stop_deg": 0.3,
    "tickler": 0.02,
    "inductance": 0.005,
}
RATIO_U = 0.02
CURVE_AT = (0.4, 0.65, 0.85)
USUAL_ANGLE_U_DEG = 1.5
STEP = 0.02


@dataclass(frozen=True)
class Further:
    """A reading that could be taken: `what` kind, where it is taken, and u(ln gm.M) with it.

    `f_hz` its frequency, `value` what else it needs (ohms of the damping resistor, ratio of turns); None where it needs none.
    """

    what: str
    u: float
    f_hz: float | None = None
    value: float | None = None


def updated(cov: Floats, slopes: Floats, reading_cov: Floats) -> Floats:
    """Covariance (n, n) after readings with slopes (r, n) and covariance (r, r)."""
    gain = cov @ slopes.T
    return np.asarray(cov - gain @ np.linalg.solve(slopes @ gain + reading_cov, gain.T), float)


def further(fit: CouplingFit, coil: int, *, turns: float | None = None) -> list[Further]:
    """Candidates for one coil, the most telling first; `turns` of its tickler, for one with a turn more or less."""
    model = fit.model
    mine = np.flatnonzero(model.coil == coil)
    fitted = fit.fitted_deg[mine]
    inside = (fitted > 0) & (fitted < model.circuit.control.travel_deg)
    found: list[Further | None] = [_meter(fit, coil, name) for name in METER if name in model.shared]
    found.append(_q_again(fit, coil))
    if inside.any():
        middle = int(mine[inside][len(mine[inside]) // 2])
        u_deg = _angle_u(model, mine)
        found.append(_curve(fit, coil, middle))
        found.append(_damped(fit, coil, middle, u_deg))
        if turns is not None:
            found.append(_other_tickler(fit, coil, inside, u_deg, turns))
    if len(mine) > 1:
        found.append(_between(fit, coil, mine))
    return sorted((one for one in found if one is not None), key=lambda one: one.u)


def _angle_u(model: Model, mine: NDArray[np.intp]) -> float:
    read = model.u[mine][np.isfinite(model.u[mine])]
    return float(np.median(read)) if len(read) else USUAL_ANGLE_U_DEG


def _with(fit: CouplingFit, coil: int, slopes: Floats, reading_cov: Floats) -> float:
    cov = updated(fit.cov, slopes, reading_cov)
    return float(np.sqrt(max(cov[coil, coil], 0.0)))


def _slopes(fit: CouplingFit, coil: int, value: Callable[[Floats], Floats]) -> tuple[Floats, Floats]:
    """Values (r,) of a function of parameters (k, size) -> (k, r) at the fit, and their slopes (r, size)."""
    places = _places(fit.model, coil)
    rows = np.repeat(fit.x[None], len(places) + 1, axis=0)
    rows[np.arange(1, len(places) + 1), places] += STEP
    values = value(rows)
    slope = np.zeros((values.shape[1], fit.model.size))
    slope[:, places] = (values[1:] - values[0]).T / STEP
    return values[0], slope


def _meter(fit: CouplingFit, coil: int, name: str) -> Further:
    """A shared value read by itself."""
    place = 4 * len(fit.model.coils) + fit.model.shared.index(name)
    row = np.zeros((1, fit.model.size))
    row[0, place] = getattr(fit.model.priors, name)
    return Further(name, _with(fit, coil, row, np.array([[METER[name] ** 2]])))


def _q_again(fit: CouplingFit, coil: int) -> Further:
    """Q in the middle of the coil's range, the loop further off: free of the error common to the others."""
    model = fit.model
    which = np.flatnonzero(model.coil == coil)
    middle = which[len(which) // 2 : len(which) // 2 + 1]
    _, slope = _slopes(fit, coil, lambda x: np.log(model.q(x, middle)))
    cov = np.array([[Q_SHARE_U**2]])
    return Further("q", _with(fit, coil, slope, cov), float(model.f_hz[middle[0]]))


def _places(model: Model, coil: int) -> list[int]:
    """Parameters that one coil's readings depend on, in the order of a model of that coil alone."""
    n = len(model.coils)
    return [coil, *range(n + 3 * coil, n + 3 * coil + 3), *range(4 * n, model.size)]


def _probe(fit: CouplingFit, coil: int, **changes: object) -> tuple[Model, Floats]:
    """A model of one coil with other readings, and the fit's parameters for it."""
    model = fit.model
    own = replace(model.coils[coil], **changes)  # type: ignore[arg-type]
    return Model(model.circuit, [own], model.priors), fit.x[_places(model, coil)]


def _whole(fit: CouplingFit, coil: int, slope: Floats) -> Floats:
    """Slopes to one coil's parameters as slopes to all."""
    every = np.zeros((len(slope), fit.model.size))
    every[:, _places(fit.model, coil)] = slope
    return every


def _curve(fit: CouplingFit, coil: int, at: int) -> Further:
    """Q at three angles below onset, at one frequency."""
    f_hz = float(fit.model.f_hz[at])
    angle = np.array(CURVE_AT) * float(fit.fitted_deg[at])
    ones = np.ones(len(CURVE_AT))
    antenna = fit.model.coils[coil].antenna
    none = np.empty(0)
    curve = Curve(angle, f_hz * ones, 100 * ones, ones, antenna)
    probe, x = _probe(fit, coil, f_hz=none, angle_deg=none, angle_u_deg=none, bound=None, curve=curve)
    here, there = (probe.losses(x[None], extra)[0] for extra in (0.0, 1.0))
    _, _, loss, slope = probe.slopes(x)
    sigma = np.hypot(np.hypot(Q_SHARE_U, LEAST_Q_SHARE_U) * loss, CURVE_ANGLE_U_DEG * (there - here))
    return Further("curve", _with(fit, coil, _whole(fit, coil, slope), np.diag(sigma**2)), f_hz)


def _between(fit: CouplingFit, coil: int, mine: NDArray[np.intp]) -> Further:
    """Onset at the frequencies between those that were read."""
    f_hz = np.sort(fit.model.f_hz[mine])
    middles = np.sqrt(f_hz[1:] * f_hz[:-1])
    blank = np.zeros(len(middles))
    probe, x = _probe(
        fit, coil, f_hz=middles, angle_deg=blank, angle_u_deg=blank + 1.0, bound=None, curve=None
    )
    angle, slope, _, _ = probe.slopes(x)
    here = (angle > 0) & (angle < fit.model.circuit.control.travel_deg)
    u = _angle_u(fit.model, mine)
    slope = _whole(fit, coil, slope[here])
    return Further("onset", _with(fit, coil, slope, np.eye(int(here.sum())) * u**2))


def _damped(fit: CouplingFit, coil: int, at: int, u_deg: float) -> Further | None:
    """Onset again with a known resistor across the tank: as much loss again as its own, or less where it would never start."""
    model, own = fit.model, fit.model.coils[coil]
    which = np.array([at])
    omega_l = 2 * np.pi * float(model.f_hz[at]) * float(model.l_h[coil])
    most = omega_l * float(model.q(fit.x[None], which)[0, 0])
    for times in (1.0, 2.0, 4.0, 8.0):
        ohms = _preferred(times * most)

        def angle(x: Floats, ohms: float = ohms) -> Floats:
            whole = model.changed(x, which)
            tank = net.tank(
                without_antenna(whole, own.q_antenna), model.f_hz[which], model.q(x, which), own.state
            )
            leak = 1.0 / (1.0 / ohms + 1.0 / np.asarray(whole.grid_ohm, float))
            return model.reading(
                extended_onset(replace(without_antenna(whole, own.antenna), grid_ohm=leak), tank), x
            )

        value, slope = _slopes(fit, coil, angle)
        if 0 < value[0] < model.circuit.control.travel_deg:
            u = _with(fit, coil, slope, np.array([[u_deg**2]]))
            return Further("damping", u, float(model.f_hz[at]), ohms)
    return None


def _preferred(ohms: float) -> float:
    """Nearest value of the E12 series (IEC 60063)."""
    steps = np.array([1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2, 10.0])
    decade = 10.0 ** np.floor(np.log10(ohms))
    return float(decade * steps[np.argmin(np.abs(np.log(steps * decade / ohms)))])


def _other_tickler(
    fit: CouplingFit, coil: int, inside: NDArray[np.bool_], u_deg: float, turns: float
) -> Further:
    """The same frequencies with a turn more, or where that would be too much already, a turn less.

    The ratio of the two M comes from geometry; its error is common to all the angles.
    """
    ratio = (turns + 1) / turns

    def angles(x: Floats) -> Floats:
        return predict(fit, coil, Change(mutual=ratio, tickler=ratio**2), x)[:, inside]

    value, slope = _slopes(fit, coil, angles)
    good = (value > 0) & (value < fit.model.circuit.control.travel_deg)
    common = slope[good][:, coil]
    cov = u_deg**2 * np.eye(int(good.sum())) + RATIO_U**2 * np.outer(common, common)
    return Further("tickler turns", _with(fit, coil, slope[good], cov), value=turns + 1)
