"""What a fitted dial says: capacitance, frequency and kHz per division at any dial reading, with their uncertainty."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from bench.physics.plates import Curve, from_steps
from bench.physics.uncertainty import slopes

Floats = NDArray[np.float64]


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

    `l_share`, by coil, is the inductance that the set shows over the coil's own (a coupled tickler changes it), with its
    standard uncertainty.
    Parameters: ln L (coil), stray (coil), logs of the steps of C over the knots (`plates.from_steps`), plate law (`plates.Curve`), relative
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
    l_share: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    readings: tuple[Reading, ...] = ()

    @property
    def l_h(self) -> dict[str, tuple[float, float]]:
        """Inductance and its standard uncertainty, by coil, in H."""
        log_u = np.sqrt(np.diag(self.cov))[: len(self.coils)]
        found = {}
        for name, seen, u in zip(self.coils, np.exp(self.x[: len(self.coils)]), log_u, strict=True):
            share, share_u = self.l_share.get(name, (1.0, 0.0))
            own = float(seen) / share
            found[name] = (own, own * float(np.hypot(u, share_u / share)))
        return found

    def correlation(self, coil: str) -> float:
        """Correlation of a coil's inductance with its stray capacitance, as the resonances leave it."""
        i = self.coils.index(coil)
        j = len(self.coils) + i
        size = float(np.sqrt(self.cov[i, i] * self.cov[j, j]))
        return float(self.cov[i, j]) / size if size > 0 else 0.0

    def tank(self, coil: str) -> tuple[float, float]:
        """Inductance (H) and stray capacitance (F) with which the set as it stands resonates."""
        i = self.coils.index(coil)
        return float(np.exp(self.x[i])), float(self.x[len(self.coils) + i]) * self.unit_f

    def read_at(self, coil: str) -> tuple[float, ...]:
        """Dial readings of a coil that entered the fit, in order."""
        out = {id(o.reading) for o in self.outliers}
        return tuple(sorted({r.dial for r in self.readings if r.coil == coil and id(r) not in out}))

    @property
    def stray_f(self) -> dict[str, tuple[float, float]]:
        """Stray capacitance (coil, valve, leads) and its standard uncertainty, by coil, in F."""
        n = len(self.coils)
        c, u = self.x[n : 2 * n] * self.unit_f, np.sqrt(np.diag(self.cov))[n : 2 * n] * self.unit_f
        return {name: (float(a), float(b)) for name, a, b in zip(self.coils, c, u, strict=True)}


def share_of(ends: Ends, dial: Floats) -> Floats:
    """Dial readings as shares of the dial's travel from its first end."""
    return np.asarray((dial - ends.dial[0]) / (ends.dial[1] - ends.dial[0]), float)


def capacitance(fit: DialFit, dial: ArrayLike) -> tuple[Floats, Floats]:
    """Tuning capacitance at dial readings (n,) and its standard uncertainty, in F."""
    at = _At(fit, dial)
    return _propagate(fit, at.tuning, at.between())


def frequency(
    fit: DialFit, coil: str, dial: ArrayLike, series_f: float = np.inf, parallel_f: float = 0.0
) -> tuple[Floats, Floats]:
    """Resonance of a coil at dial readings (n,) and its standard uncertainty, in Hz.

    The uncertainty is of the fitted curve: setting the dial again adds `setting_u` of the whole dial. `series_f` stands in
    series with the tuning capacitor, `parallel_f` across the tank: a bandspread.
    """
    at = _At(fit, dial)
    i, n = fit.coils.index(coil), len(fit.coils)

    def whole(x: Floats) -> Floats:
        tuned = at.tuning(x) / (1.0 + at.tuning(x) / series_f)
        return np.asarray(np.maximum(tuned + parallel_f + x[n + i] * fit.unit_f, 1e-4 * fit.unit_f), float)

    def f(x: Floats) -> Floats:
        return np.asarray(np.exp(-0.5 * x[i]) / (2 * np.pi * np.sqrt(whole(x))), float)

    seen = at.between() / (1.0 + at.tuning(fit.x) / series_f) ** 2
    return _propagate(fit, f, 0.5 * f(fit.x) * seen / whole(fit.x))


def khz_per_division(fit: DialFit, coil: str, dial: ArrayLike) -> tuple[Floats, Floats]:
    """How fast the frequency runs with the dial, in kHz for one division, always positive, and its uncertainty: (n,) each."""
    at = np.atleast_1d(np.asarray(dial, float))
    h = 1e-3 * abs(fit.ends.dial[1] - fit.ends.dial[0])
    both = _At(fit, np.concatenate([at + h, at - h]))
    i, n = fit.coils.index(coil), len(fit.coils)

    def whole(x: Floats) -> Floats:
        return np.asarray(np.maximum(both.tuning(x) + x[n + i] * fit.unit_f, 1e-4 * fit.unit_f), float)

    def slope(x: Floats) -> Floats:
        f = np.exp(-0.5 * x[i]) / (2 * np.pi * np.sqrt(whole(x)))
        return np.asarray((f[: len(at)] - f[len(at) :]) / (2 * h) / 1e3, float)

    # what was not read between the knots bends the curve: its slope is off by more than the curve itself
    f, c = np.exp(-0.5 * fit.x[i]) / (2 * np.pi * np.sqrt(whole(fit.x))), whole(fit.x)
    per_f = (0.5 * f / c)[: len(at)]
    more = per_f * both.between_slope(h) / 1e3
    value, u = _propagate(fit, slope, more)
    return np.abs(value), u


def band(fit: DialFit, coil: str) -> tuple[float, float]:
    """Lowest and highest frequency of a coil on the whole dial, in Hz."""
    f = frequency(fit, coil, np.linspace(*fit.ends.dial, 101))[0]
    return float(f.min()), float(f.max())


class _At:
    """The fitted curve at some dial readings, as a function of the parameters."""

    def __init__(self, fit: DialFit, dial: ArrayLike) -> None:
        self.fit = fit
        self.share = share_of(fit.ends, np.atleast_1d(np.asarray(dial, float)))
        self.curve = Curve(fit.knots)
        self.weights = self.curve.weights(self.share)
        n, k = len(fit.coils), len(fit.knots)
        self.c, self.p = slice(2 * n, 2 * n + k), slice(2 * n + k, 2 * n + k + 2)

    def tuning(self, x: Floats) -> Floats:
        return self.curve.at(self.share, self.weights, self.values(x), x[self.p]) * self.fit.unit_f

    def values(self, x: Floats) -> Floats:
        """Tuning capacitance at the knots, in units of `unit_f`."""
        return from_steps(x[self.c], self.fit.ends.c_f[1] > self.fit.ends.c_f[0])

    def between(self) -> Floats:
        """Uncertainty of the capacitance that comes from not having read here, in F."""
        c, p, h = self.values(self.fit.x), self.fit.x[self.p], 1e-3
        low, high = (self.curve.at(self.share + d, self.weights, c, p) for d in (-h, h))
        spread = self.curve.spread(self.share, self.weights)
        return np.asarray(np.abs(high - low) / (2 * h) * spread * self.fit.departure * self.fit.unit_f, float)

    def between_slope(self, h_dial: float) -> Floats:
        """The same for the slope of the capacitance between pairs (first and second half of the dials), in F a division."""
        c, p, h = self.values(self.fit.x), self.fit.x[self.p], 1e-3
        n = len(self.share) // 2
        low, high = (self.curve.at(self.share + d, self.weights, c, p) for d in (-h, h))
        k = self.curve.spread_covariance(self.share, self.weights)
        there, back = np.arange(n), np.arange(n, 2 * n)
        variance = k[there, there] + k[back, back] - 2.0 * k[there, back]
        steep = (np.abs(high - low) / (2 * h))[:n]
        u = steep * np.sqrt(np.clip(variance, 0.0, None)) / (2.0 * h_dial)
        return np.asarray(u * self.fit.departure * self.fit.unit_f, float)


def _propagate(fit: DialFit, f: Callable[[Floats], Floats], more_u: Floats) -> tuple[Floats, Floats]:
    """Value and standard uncertainty of f(parameters) (GUM 5.2.2), `more_u` beside the parameters' own."""
    j = slopes(f, fit.x, np.full(len(fit.x), 1e-6))
    variance = np.einsum("ij,jk,ik->i", j, fit.cov, j)
    return f(fit.x), np.asarray(np.sqrt(np.clip(variance, 0.0, None) + more_u**2), float)
