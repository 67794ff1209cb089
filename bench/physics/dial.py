"""The tuning dial: one capacitance curve for the set, an inductance and a stray capacitance for each coil.

Each resonance says `1/(4 pi^2 f^2) = L_c (C(dial) + C_c)` (Thomson's formula), C(dial) the same for every coil. All coils
are fitted together. Two things no set of resonances can tell, the common scale of C against 1/L and the common offset of C
against the strays: they come from readings with a known capacitor added, else from the plan's end capacitances; a coil
whose inductance is still loose leans on its winding's computed L.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bench.physics.plates import Curve, from_steps, to_steps
from bench.physics.uncertainty import Solution, slopes, solve

Floats = NDArray[np.float64]

# What the plan's end capacitances are trusted to: a 5 % rectangular tolerance (GUM 4.3.7), and half a picofarad of leads.
ENDS_SHARE_U = 0.05 / 3**0.5
ENDS_U_F = 0.5e-12
# A "known" capacitor is a 1 % part.
ADDED_SHARE_U = 0.01 / 3**0.5
# Published measured coils agree with the winding formula within 2 to 6 %.
WINDING_SHARE_U = 0.05
# Coil, valve, socket and leads: what a stray capacitance may be before anything is known.
STRAY_F, STRAY_U_F = 18e-12, 15e-12
# A dial set by hand and eye, as a share of the whole dial: a tenth of a division of 100.
SETTING_U = 1e-3
SETTING_TRUST = 2.0
# Temperature, plugging the coil in again, a hand near: below this no reading is believed.
FREQUENCY_SHARE_U = 1e-4
# The plates' law: most lie between straight-line frequency (-1/2) and straight-line capacity (1).
SHAPE, SHAPE_U = 0.4, 0.6
OUTLIER = 4.0
MOST_KNOTS = 40
MANY = 100


class DialError(ValueError):
    """The dial cannot be fitted from what was given."""


@dataclass(frozen=True)
class Reading:
    """One resonance: which coil, at which dial reading, and the known capacitor put in parallel (0 without)."""

    coil: str
    dial: float
    f0_hz: float
    f0_u_hz: float
    added_c_f: float = 0.0
    name: str = ""


@dataclass(frozen=True)
class Ends:
    """The plan's tuning capacitor: the dial's two ends and the capacitance at each, in F."""

    dial: tuple[float, float]
    c_f: tuple[float, float]

    def __post_init__(self) -> None:
        if self.dial[0] == self.dial[1]:
            raise DialError(f"The dial's two ends are the same ({self.dial[0]:g}).")
        if self.c_f[0] == self.c_f[1] or min(self.c_f) < 0:
            raise DialError("The tuning capacitor must have two different capacitances at the dial's ends.")


@dataclass(frozen=True)
class Outlier:
    """A reading that does not fit the set: `off` is measured over fitted frequency less 1, `sigmas` in uncertainties."""

    reading: Reading
    off: float
    sigmas: float


@dataclass(frozen=True)
class DialFit:
    """The set's dial.

    Parameters: ln L (coil), stray (coil), logs of the steps of C over the knots (`plates.from_steps`), plate law p, relative
    errors of the added capacitors; capacitances in units of `unit_f`.
    """

    ends: Ends
    coils: tuple[str, ...]
    knots: Floats
    x: Floats
    cov: Floats
    unit_f: float
    setting_u: float
    departure: float
    gauge: str
    outliers: tuple[Outlier, ...] = ()
    leaning: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    residuals: Mapping[str, float] = field(default_factory=dict)

    @property
    def l_h(self) -> dict[str, tuple[float, float]]:
        """Inductance and its standard uncertainty, by coil, in H."""
        l_h = np.exp(self.x[: len(self.coils)])
        u = np.sqrt(np.diag(self.cov))[: len(self.coils)] * l_h
        return {name: (float(a), float(b)) for name, a, b in zip(self.coils, l_h, u, strict=True)}

    @property
    def stray_f(self) -> dict[str, tuple[float, float]]:
        """Stray capacitance (coil, valve, leads) and its standard uncertainty, by coil, in F."""
        n = len(self.coils)
        c, u = self.x[n : 2 * n] * self.unit_f, np.sqrt(np.diag(self.cov))[n : 2 * n] * self.unit_f
        return {name: (float(a), float(b)) for name, a, b in zip(self.coils, c, u, strict=True)}

    @property
    def plate_law(self) -> float:
        """The exponent p: 1 straight-line capacity, 1/2 straight-line wavelength, -1/2 straight-line frequency."""
        return float(self.x[2 * len(self.coils) + len(self.knots)])


class _Problem:
    """The joint least squares of one choice of readings and priors."""

    def __init__(
        self,
        readings: Sequence[Reading],
        ends: Ends,
        coils: tuple[str, ...],
        winding_l: Mapping[str, tuple[float, float]],
        added_scale: bool,
    ) -> None:
        self.ends, self.coils, self.added_scale = ends, coils, added_scale
        self.unit = max(ends.c_f)
        self.rising = ends.c_f[1] > ends.c_f[0]
        index = {name: i for i, name in enumerate(coils)}
        self.coil = np.array([index[r.coil] for r in readings])
        self.share = _share(ends, np.array([r.dial for r in readings]))
        self.log_f = np.log(np.array([r.f0_hz for r in readings]))
        self.u_f = np.hypot(np.array([r.f0_u_hz / r.f0_hz for r in readings]), FREQUENCY_SHARE_U)
        self.added = np.array([r.added_c_f for r in readings]) / self.unit
        self.kinds = sorted({r.added_c_f for r in readings if r.added_c_f > 0})
        self.kind = np.array([self.kinds.index(r.added_c_f) if r.added_c_f > 0 else -1 for r in readings])
        self.curve = Curve(_knots(self.share))
        self.weights = self.curve.weights(self.share)
        self.plan_c = np.array(ends.c_f) / self.unit
        self.plan_u = np.hypot(ENDS_SHARE_U * self.plan_c, ENDS_U_F / self.unit)
        self.winding = [(index[name], value, u) for name, (value, u) in winding_l.items() if name in index]
        self.setting_u = SETTING_U
        n, k = len(coils), len(self.curve.knots)
        self.parts = (slice(0, n), slice(n, 2 * n), slice(2 * n, 2 * n + k), 2 * n + k)
        self.step = np.concatenate(
            [np.full(n, 0.01), np.full(n, 0.01), np.full(k, 0.01), [0.1], np.full(len(self.kinds), 0.01)]
        )

    def c(self, x: Floats) -> Floats:
        """Tuning capacitance at the knots, in units of `unit`."""
        return from_steps(x[self.parts[2]], self.rising)

    def capacitance(self, x: Floats) -> Floats:
        """Whole capacitance of each reading, in units of `unit`."""
        stray, c, p = x[self.parts[1]], self.c(x), float(x[self.parts[3]])
        wrong = np.concatenate([x[self.parts[3] + 1 :], [0.0]])[self.kind]
        total = self.curve.at(self.share, self.weights, c, p) + stray[self.coil] + self.added * (1.0 + wrong)
        return np.asarray(np.maximum(total, 1e-4), float)

    def log_model(self, x: Floats) -> Floats:
        total = self.capacitance(x) * self.unit
        return np.asarray(-0.5 * (x[self.parts[0]][self.coil] + np.log(total)) - np.log(2 * np.pi), float)

    def sigma(self, x: Floats) -> Floats:
        """Standard uncertainty of ln f: the reading's own, and the hand that set the dial."""
        c, p = self.c(x), float(x[self.parts[3]])
        h = 0.01
        low, high = np.clip(self.share - h, 0, 1), np.clip(self.share + h, 0, 1)
        rise = self.curve.at(high, self.curve.weights(high), c, p) - self.curve.at(
            low, self.curve.weights(low), c, p
        )
        slope = 0.5 * np.abs(rise / np.maximum(high - low, h)) / self.capacitance(x)
        return np.asarray(np.hypot(self.u_f, slope * self.setting_u), float)

    def priors(self, x: Floats) -> Floats:
        stray, c, p = x[self.parts[1]], self.c(x), float(x[self.parts[3]])
        ends = (c[[0, -1]] - self.plan_c) / self.plan_u
        if self.added_scale:
            # the scale is told by the added capacitor: the plan's smaller end settles the offset alone
            ends = ends[[int(np.argmin(self.plan_c))]]
        return np.concatenate(
            [
                self.curve.whitened(c, p),
                [(p - SHAPE) / SHAPE_U],
                (stray - STRAY_F / self.unit) / (STRAY_U_F / self.unit),
                ends,
                x[self.parts[3] + 1 :] / ADDED_SHARE_U,
                [(x[i] - np.log(value)) / (u / value) for i, value, u in self.winding],
            ]
        )

    def start(self, use: Floats) -> Floats:
        """The best of a few plate laws with every coil's straight line of 1/f^2 against C."""
        best, start = np.inf, np.zeros(0)
        y = np.exp(-2 * self.log_f) / (4 * np.pi**2) / self.unit
        for p in (-0.5, 0.0, 0.5, 1.0):
            c = self._plain(self.curve.knots, p)
            at = self._plain(self.share, p) + self.added
            log_l, stray = np.zeros(len(self.coils)), np.full(len(self.coils), STRAY_F / self.unit)
            for i in range(len(self.coils)):
                mine = (self.coil == i) & (use > 0.5)
                mine = mine if mine.any() else self.coil == i
                if np.ptp(at[mine]) > 0.05:
                    slope, level = np.polyfit(at[mine], y[mine], 1, w=1.0 / y[mine])
                    if slope > 0:
                        stray[i] = np.clip(level / slope, 0.0, 0.6)
                log_l[i] = np.median(np.log(y[mine] / (at[mine] + stray[i])))
            x = np.concatenate([log_l, stray, to_steps(c, self.rising), [p], np.zeros(len(self.kinds))])
            off = np.abs(self.log_f - self.log_model(x))[use > 0.5]
            cost = float(np.median(off) + 1e-4 * abs(p - SHAPE))
            if cost < best:
                best, start = cost, x
        return start

    def _plain(self, share: Floats, p: float) -> Floats:
        ends = np.array([self.plan_c[0], self.plan_c[1]])
        line = Curve(np.array([0.0, 1.0]))
        return line.at(share, np.zeros((len(share), 0)), ends, p)

    def solve(self, start: Floats, use: Floats) -> Solution:
        """One fit with weights `use` (0 leaves a reading out), readings first among the residuals."""
        sigma = self.sigma(start) / np.sqrt(np.maximum(use, 1e-12))

        def residuals(x: Floats) -> Floats:
            return np.concatenate([(self.log_f - self.log_model(x)) / sigma, self.priors(x)])

        return solve(residuals, start, step=self.step)


def _share(ends: Ends, dial: Floats) -> Floats:
    return np.asarray((dial - ends.dial[0]) / (ends.dial[1] - ends.dial[0]), float)


def _knots(share: Floats) -> Floats:
    """Both ends and every dial share read; evenly spaced where too many were read."""
    inner = np.unique(np.round(share[(share > 0.004) & (share < 0.996)], 3))
    if len(inner) > 1:
        inner = inner[np.concatenate([[True], np.diff(inner) > 0.004])]
    if len(inner) > MOST_KNOTS:
        inner = np.linspace(0, 1, MOST_KNOTS + 2)[1:-1]
    return np.concatenate([[0.0], inner, [1.0]])


def _setting(problem: _Problem, fit: Solution, use: Floats) -> float:
    """The hand's own error from the scatter of the readings, leaning on `SETTING_U` where there are few."""
    n = len(use)
    kept = use > 0.5
    dof = float(np.sum(np.clip(1.0 - fit.leverage[:n], 0.0, 1.0)[kept]))
    # few readings tell their own scatter badly, and rather too small: Student's t has the wider tails (GUM G.3)
    chi2 = float(np.sum(fit.residuals[:n][kept] ** 2)) * (dof + 2.0) / (dof + 1.0)
    trusted = SETTING_TRUST * (SETTING_U / problem.setting_u) ** 2
    scale2 = (chi2 + trusted) / (dof + SETTING_TRUST)
    return float(np.clip(problem.setting_u * np.sqrt(scale2), 0.02 * SETTING_U, 30 * SETTING_U))


def _settle(problem: _Problem, use: Floats, start: Floats) -> Solution:
    """Fit and the hand's error by turns until neither moves."""
    fit = problem.solve(start, use)
    for _ in range(8):
        before = problem.setting_u
        problem.setting_u = _setting(problem, fit, use)
        fit = problem.solve(fit.x, use)
        if abs(problem.setting_u / before - 1.0) < 0.02:
            break
    return fit


def fit_dial(
    readings: Sequence[Reading],
    ends: Ends,
    winding_l: Mapping[str, tuple[float, float]] | None = None,
) -> DialFit:
    """All coils of a set together: inductances, strays and the dial's capacitance curve.

    Parameters
    ----------
    readings
        One for each coil, dial reading and added capacitor (repeats already averaged); frequencies in Hz.
    ends
        The plan's tuning capacitor.
    winding_l
        Inductance of the windings in H, computed or as the plan gives it, with standard uncertainty.

    Raises
    ------
    DialError
        If there is no reading, or a frequency or capacitance is not above 0.
    """
    if not readings:
        raise DialError("There is no resonance reading to fit a dial from.")
    for r in readings:
        if not (
            r.f0_hz > 0
            and np.isfinite(r.f0_hz)
            and r.f0_u_hz >= 0
            and r.added_c_f >= 0
            and np.isfinite(r.dial)
        ):
            raise DialError(f"Reading {r.name or '?'} of coil {r.coil} cannot be used: {r}")
    coils = tuple(dict.fromkeys(r.coil for r in readings))
    added = _tells_scale(readings)
    problem = _Problem(readings, ends, coils, {}, added)
    use, fit, unsure = _leave_out(problem)
    fit = _settle(problem, use, fit.x)
    leaning = tuple(
        name
        for i, name in enumerate(coils)
        if winding_l and name in winding_l and fit.u[i] > winding_l[name][1] / winding_l[name][0]
    )
    if leaning and winding_l:
        held = {name: winding_l[name] for name in leaning}
        with_windings = _Problem(readings, ends, coils, held, added)
        with_windings.setting_u = problem.setting_u
        problem, fit = with_windings, with_windings.solve(fit.x, use)
    off = problem.log_f - problem.log_model(fit.x)
    sigma = problem.sigma(fit.x)
    outliers = tuple(
        Outlier(readings[i], float(np.expm1(off[i])), float(off[i] / sigma[i]))
        for i in map(int, np.flatnonzero(use < 0.5))
    )
    return DialFit(
        ends=ends,
        coils=coils,
        knots=problem.curve.knots,
        x=fit.x,
        cov=fit.cov,
        unit_f=problem.unit,
        setting_u=problem.setting_u,
        departure=_departure(problem, fit),
        gauge="added capacitor" if added else "plan's end capacitances",
        outliers=outliers,
        leaning=leaning,
        notes=_notes(problem, fit, readings, added, leaning)
        + tuple(
            f"Reading {readings[a].name or '?'} was left out; reading {readings[b].name or '?'} "
            f"(coil {readings[b].coil}, dial {readings[b].dial:g}) could be the wrong one as well: take both again."
            for a, b in unsure
        ),
        residuals={r.name: float(np.expm1(o)) for r, o in zip(readings, off, strict=True) if r.name},
    )


def _tells_scale(readings: Sequence[Reading]) -> bool:
    """Is there a coil read with and without a known capacitor (or with two), large enough to move it?"""
    by_coil: dict[str, set[float]] = {}
    for r in readings:
        by_coil.setdefault(r.coil, set()).add(r.added_c_f)
    return any(max(kinds) - min(kinds) >= 5e-12 for kinds in by_coil.values())


def _leave_out(problem: _Problem) -> tuple[Floats, Solution, list[tuple[int, int]]]:
    """Leave out, one by one, the reading whose going lowers the sum of squares most, while that is beyond chance.

    The measure is the externally studentised residual (Cook and Weisberg, Residuals and Influence in Regression, 1982,
    eq. 2.2.10), the scatter of the others never taken from the largest half alone. Returns use (n,), the fit, and pairs of
    readings between which the data could hardly choose.
    """
    n = len(problem.share)
    use, unsure = np.ones(n), []
    fit = problem.solve(problem.start(use), use)
    for _ in range(max(0, (n - 2) // 4)):
        room = np.clip(1.0 - fit.leverage[:n], 0.0, 1.0)
        tell = (use > 0.5) & (room > 0.02)
        if not tell.any():
            break
        square = np.where(use > 0.5, fit.residuals[:n] ** 2, 0.0)
        drop = np.where(tell, square / np.maximum(room, 0.02), 0.0)
        worst = int(np.argmax(drop))
        dof = float(np.sum(room[use > 0.5]))
        trust = dof - 1.0 + SETTING_TRUST
        rest = (float(square.sum()) - drop[worst] + SETTING_TRUST) / trust
        usual = (dof * float(np.median(drop[tell])) / 0.455 + SETTING_TRUST) / (dof + SETTING_TRUST)
        if drop[worst] < OUTLIER**2 * (1.0 + 6.0 / trust) * max(min(rest, usual), 0.25):
            break
        order = np.argsort(drop)[::-1]
        if n >= MANY:
            # a large table would take long one by one
            together = order[: n // 50]
            use[together[drop[together] > 0.25 * drop[worst]]] = 0.0
        elif n > 1 and drop[order[1]] > 0.8 * drop[worst]:
            unsure.append((worst, int(order[1])))
        use[worst] = 0.0
        # afresh: a gross error may have bent the curve beyond return
        fit = problem.solve(problem.start(use), use)
    return use, fit, unsure


def _departure(problem: _Problem, fit: Solution) -> float:
    """How smooth the plates turned out, as a factor on `plates.DEPARTURE`: for the uncertainty between readings."""
    w = problem.curve.whitened(problem.c(fit.x), float(fit.x[problem.parts[3]]))
    return float(np.sqrt((w @ w + 1.0) / (len(w) + 1.0)))


def _notes(
    problem: _Problem, fit: Solution, readings: Sequence[Reading], added: bool, leaning: tuple[str, ...]
) -> tuple[str, ...]:
    notes = []
    n = len(problem.coils)
    c = problem.c(fit.x)[[0, -1]]
    if added:
        far = int(np.argmax(problem.plan_c))
        j = slopes(problem.c, fit.x, np.full(len(fit.x), 1e-6))[[0, -1]][far]
        u = np.hypot(np.sqrt(max(float(j @ fit.cov @ j), 0.0)), problem.plan_u[far])
        notes.append(
            "Inductances rest on the readings with a known capacitor (taken as a 1 % part); "
            "the plan's smaller end capacitance divides stray from tuning capacitance."
        )
        if abs(c[far] - problem.plan_c[far]) > 2.5 * u:
            notes.append(
                f"The tuning capacitor comes out at {c[far] * problem.unit * 1e12:.1f} pF at dial "
                f"{problem.ends.dial[far]:g}, where the plan says {problem.ends.c_f[far] * 1e12:.1f} pF."
            )
    else:
        notes.append(
            "Inductances rest on the plan's end capacitances (taken as good to 5 %); "
            "readings with a known capacitor added would make them surer."
        )
    notes.extend(f"Coil {name}: its inductance leans on its winding's computed value." for name in leaning)
    notes.extend(
        f"Coil {name}: its readings alone do not tell its inductance well (u {100 * fit.u[i]:.0f} %); "
        "read it at both ends of the dial."
        for i, name in enumerate(problem.coils)
        if fit.u[i] > 0.08
    )
    grid = np.linspace(0, 1, 101)
    p = float(fit.x[2 * n + len(problem.curve.knots)])
    run = np.diff(problem.curve.at(grid, problem.curve.weights(grid), problem.c(fit.x), p))
    if (run > 0).any() and (run < 0).any():
        notes.append("The dial's capacitance does not run one way throughout; check the dial readings.")
    beyond = np.flatnonzero(np.abs(problem.share - 0.5) > 0.5 + 1e-9)
    if len(beyond):
        first = readings[int(beyond[0])].dial
        notes.append(
            f"{len(beyond)} reading(s) lie beyond the plan's dial ends, the first at dial {first:g}."
        )
    return tuple(notes)


def capacitance(fit: DialFit, dial: ArrayLike) -> tuple[Floats, Floats]:
    """Tuning capacitance at dial readings (n,) and its standard uncertainty, in F."""
    at = _At(fit, dial)
    return _propagate(fit, at.tuning, at.between())


def frequency(fit: DialFit, coil: str, dial: ArrayLike) -> tuple[Floats, Floats]:
    """Resonance of a coil at dial readings (n,) and its standard uncertainty, in Hz.

    The uncertainty is of the fitted curve: setting the dial again adds `setting_u` of the whole dial.
    """
    at = _At(fit, dial)
    i, n = fit.coils.index(coil), len(fit.coils)

    def whole(x: Floats) -> Floats:
        return np.asarray(np.maximum(at.tuning(x) + x[n + i] * fit.unit_f, 1e-4 * fit.unit_f), float)

    def f(x: Floats) -> Floats:
        return np.asarray(np.exp(-0.5 * x[i]) / (2 * np.pi * np.sqrt(whole(x))), float)

    return _propagate(fit, f, 0.5 * f(fit.x) * at.between() / whole(fit.x))


def khz_per_division(fit: DialFit, coil: str, dial: ArrayLike) -> Floats:
    """How fast the frequency runs with the dial, in kHz for one division, always positive: (n,)."""
    at = np.atleast_1d(np.asarray(dial, float))
    h = 1e-3 * abs(fit.ends.dial[1] - fit.ends.dial[0])
    rise = frequency(fit, coil, at + h)[0] - frequency(fit, coil, at - h)[0]
    return np.asarray(np.abs(rise) / (2 * h) / 1e3, float)


def band(fit: DialFit, coil: str) -> tuple[float, float]:
    """Lowest and highest frequency of a coil on the whole dial, in Hz."""
    f = frequency(fit, coil, np.linspace(*fit.ends.dial, 101))[0]
    return float(f.min()), float(f.max())


class _At:
    """The fitted curve at some dial readings, as a function of the parameters."""

    def __init__(self, fit: DialFit, dial: ArrayLike) -> None:
        self.fit = fit
        self.share = _share(fit.ends, np.atleast_1d(np.asarray(dial, float)))
        self.curve = Curve(fit.knots)
        self.weights = self.curve.weights(self.share)
        n, k = len(fit.coils), len(fit.knots)
        self.c, self.p = slice(2 * n, 2 * n + k), 2 * n + k

    def tuning(self, x: Floats) -> Floats:
        return self.curve.at(self.share, self.weights, self.values(x), float(x[self.p])) * self.fit.unit_f

    def values(self, x: Floats) -> Floats:
        """Tuning capacitance at the knots, in units of `unit_f`."""
        return from_steps(x[self.c], self.fit.ends.c_f[1] > self.fit.ends.c_f[0])

    def between(self) -> Floats:
        """Uncertainty of the capacitance that comes from not having read here, in F."""
        c, p, h = self.values(self.fit.x), float(self.fit.x[self.p]), 1e-3
        low, high = (self.curve.at(self.share + d, self.weights, c, p) for d in (-h, h))
        spread = self.curve.spread(self.share, self.weights)
        return np.asarray(np.abs(high - low) / (2 * h) * spread * self.fit.departure * self.fit.unit_f, float)


def _propagate(fit: DialFit, f: Callable[[Floats], Floats], more_u: Floats) -> tuple[Floats, Floats]:
    """Value and standard uncertainty of f(parameters) (GUM 5.2.2), `more_u` beside the parameters' own."""
    j = slopes(f, fit.x, np.full(len(fit.x), 1e-6))
    variance = np.einsum("ij,jk,ik->i", j, fit.cov, j)
    return f(fit.x), np.asarray(np.sqrt(np.clip(variance, 0.0, None) + more_u**2), float)
