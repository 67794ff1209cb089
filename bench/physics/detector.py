"""A detector's law, from its readings at known steps of a generator's level.

Three laws of detectors: square (a diode or a grid leak at small signals: volts follow power), linear (the same at large
signals: volts follow amplitude), logarithmic (volts follow decibels). The first two may flatten towards a ceiling:

    v = v0 + z / (1 + z/reach),  z = a·x^p,  x the amplitude at the detector, p = 2 (square), 1 (linear) or free;
    v = v0 + w,  w + w²/(2·turn) = a·x²  (square at small signals that turns linear at large ones, as a diode does);
    v = v0 + s·10·lg(x² + floor)  (logarithmic).

Least squares, the law by Schwarz's criterion; covariance from the fit (JCGM 100). x is relative: 1 at 0 dBm.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Law = Literal["square", "linear", "log", "power"]

FEWEST_STEPS = 6
LEAST_RISE = 12.0  # of the readings' noise, over all steps
LEAST_SPAN_DB = 8.0  # of usable steps
# Of its slope, beyond which a detector that flattens is no longer used.
FLATTENED = 0.45
NEAR_CEILING = 0.95
# What a law between square and linear must do better by, in chi-square: most detectors are plainly one or the other.
UNNAMED = 9.0
WORST_CHI = 2.5  # of chi-square over its degrees of freedom
STEP_U_DB = 0.02  # of a generator's own steps of level
WIDEST_EXPONENT_U = 0.5

FLAT = (
    "the detector's reading hardly changes with the generator's level: check the lead from detector to sensor board, bring "
    "the loop nearer, and switch off any automatic volume control"
)
SATURATED = (
    "the detector is saturated at all but the lowest levels, or automatic volume control holds it: take the loop farther "
    "away or lower most_dbm, and switch off any automatic volume control"
)
LAWLESS = (
    "the detector's reading follows no law of detectors (square, linear, logarithmic) as the level is stepped: look for "
    "interference, oscillation, or automatic volume control"
)


class DetectorError(ValueError):
    """The readings are not those of a detector that can be used; says what to do."""


@dataclass(frozen=True, eq=False)
class Detector:
    """A detector's law. `offset_v` without signal; `top_v` the highest reading to be used.

    Of `square`, `linear`, `power`: `exponent` p with its uncertainty (of a fit that leaves it free), `scale_v` a, `reach_v`
    the ceiling above the offset and `turn_v` the volts above it where square law turns linear (None: not seen). Of `log`: `scale_v` volts per decade of power (10·s), `reach_v` None.
    `parameters`, `cov`: what was fitted, for `with_parameters`.
    """

    law: Law
    offset_v: float
    scale_v: float
    exponent: float
    exponent_u: float
    reach_v: float | None
    turn_v: float | None
    top_v: float
    parameters: tuple[float, ...] = field(repr=False)
    cov: Floats = field(repr=False)

    @property
    def follows(self) -> Literal["linear", "square"]:
        """What `undone` returns: something that follows amplitude, or power."""
        return "linear" if self.law != "log" and self.exponent < 2**0.5 else "square"

    @property
    def per_decade_db(self) -> float:
        """Decibels for ten times what `undone` returns."""
        return 20.0 if self.follows == "linear" else 10.0

    def undone(self, volts: ArrayLike) -> Floats:
        """Readings (n,) with the law undone: relative amplitude or power (see `follows`), 1 at 0 dBm.

        Below the offset, where noise has taken a reading, the law is carried on as an odd function.
        """
        v = np.asarray(volts, dtype=np.float64)
        if self.law == "log":
            decades = np.minimum((v - self.offset_v) / self.scale_v, 30.0)
            return np.asarray(10.0**decades)
        w = v - self.offset_v
        if self.reach_v is not None:
            w = np.minimum(w, NEAR_CEILING * self.reach_v)
            w = w / (1.0 - w / self.reach_v)
        if self.turn_v is not None:
            w = w + w * np.abs(w) / (2.0 * self.turn_v)
        power = (1.0 if self.follows == "linear" else 2.0) / self.exponent
        return np.asarray(np.sign(w) * (np.abs(w) / self.scale_v) ** power)

    def slope(self, volts: ArrayLike) -> Floats:
        """Change of `undone` for one volt, (n,): what a reading's noise is to be multiplied by."""
        v = np.asarray(volts, dtype=np.float64)
        step = 1e-4 * max(self.top_v - self.offset_v, 1e-9)
        return np.asarray((self.undone(v + step) - self.undone(v - step)) / (2.0 * step))

    def relative_slope(self, volts: ArrayLike) -> Floats:
        """Share of power for one volt, (n,)."""
        value = np.abs(self.undone(volts))
        power = self.per_decade_db / 10.0
        return np.asarray(power * np.abs(self.slope(volts)) / np.maximum(value, 1e-300))

    def others(self) -> list[Detector]:
        """The law moved by one standard deviation along each independent direction of what was fitted."""
        values, directions = np.linalg.eigh(self.cov)
        moved = [
            np.asarray(self.parameters) + np.sqrt(max(value, 0.0)) * direction
            for value, direction in zip(values, directions.T, strict=True)
        ]
        return [_made(self, one) for one in moved]


@dataclass(frozen=True)
class _Model:
    """`values(parameters, level_dbm)`; parameters: offset, ln scale, then what is free of exponent and ln reach (or floor)."""

    law: Law
    exponent: float | None
    bend: Literal["", "ceiling", "turn", "floor"] = ""

    @property
    def count(self) -> int:
        if self.law == "log":
            return 2 + bool(self.bend)
        return 2 + (self.exponent is None) + bool(self.bend)

    def split(self, p: Sequence[float] | Floats) -> tuple[float, float, float, float | None, float | None]:
        """Offset, scale, exponent, reach, turn."""
        free = list(p[2:])
        exponent = self.exponent if self.exponent is not None else float(free.pop(0))
        bend = float(np.exp(free.pop(0))) if self.bend else None
        ceiling, turn = (bend, None) if self.bend == "ceiling" else (None, bend)
        return float(p[0]), float(np.exp(p[1])), exponent, ceiling, turn

    def values(self, p: Floats, level_dbm: Floats) -> Floats:
        if self.law == "log":
            floor = np.exp(p[2]) if self.bend else 0.0
            decades = np.log10(10.0 ** (level_dbm / 10.0) + floor)
            return np.asarray(p[0] + np.exp(p[1]) * decades)
        offset, scale, exponent, reach, turn = self.split(p)
        z = scale * 10.0 ** (exponent * level_dbm / 20.0)
        if turn is not None:
            return np.asarray(offset + turn * (np.sqrt(1.0 + 2.0 * z / turn) - 1.0))
        return np.asarray(offset + (z if reach is None else z / (1.0 + z / reach)))

    def start(self, level_dbm: Floats, v: Floats) -> Floats:
        low, high = float(v.min()), float(v.max())
        if self.law == "log":
            slope = (high - low) / max(float(np.ptp(level_dbm)) / 10.0, 0.1)
            top = float(level_dbm.max()) / 10.0
            floor = [np.log(10.0) * float(level_dbm.min()) / 10.0] if self.bend else []
            return np.array([high - slope * top, np.log(slope), *floor])
        exponent = self.exponent or 1.7
        rise = high - low
        # Where half of the rise is reached, the level that gives the scale.
        half = float(np.interp(low + 0.5 * rise, np.maximum.accumulate(v), level_dbm))
        start = [low, np.log(0.5 * rise) - exponent * half / 20.0 * np.log(10.0)]
        start += [exponent] if self.exponent is None else []
        start += [np.log(1.5 * rise if self.bend == "ceiling" else 0.5 * rise)] if self.bend else []
        return np.array(start)


_MODELS = (
    _Model("square", 2.0),
    _Model("linear", 1.0),
    _Model("square", 2.0, "ceiling"),
    _Model("square", 2.0, "turn"),
    _Model("linear", 1.0, "ceiling"),
    _Model("log", None),
    _Model("log", None, "floor"),
    _Model("power", None),
    _Model("power", None, "ceiling"),
)


@dataclass(frozen=True, eq=False)
class _Fitted:
    model: _Model
    p: Floats
    cov: Floats
    chi2: float
    dof: int
    score: float


def fit_detector(level_dbm: ArrayLike, volts: ArrayLike, volts_u: ArrayLike) -> Detector:
    """The law of a detector.

    Parameters
    ----------
    level_dbm : (n,) levels of the generator in dBm, at one frequency.
    volts : (n,) readings of the detector.
    volts_u : (n,) or one number, their standard uncertainties.

    Raises
    ------
    DetectorError
        Too few steps; flat; saturated; no law of detectors.
    """
    level = np.asarray(level_dbm, dtype=np.float64)
    v = np.asarray(volts, dtype=np.float64)
    u = np.broadcast_to(np.asarray(volts_u, dtype=np.float64), v.shape)
    if level.ndim != 1 or level.shape != v.shape or not (np.isfinite(level) & np.isfinite(v) & (u > 0)).all():
        raise DetectorError(
            "levels, readings and their uncertainties must be lists of numbers that belong together"
        )
    order = np.argsort(level, kind="stable")
    level, v, u = level[order], v[order], u[order]
    if len(np.unique(level)) < FEWEST_STEPS:
        raise DetectorError(
            f"{len(np.unique(level))} steps of level are too few; at least {FEWEST_STEPS} are needed"
        )
    weight = 1.0 / u**2
    mean = float(np.sum(weight * v) / np.sum(weight))
    if float(np.sum(weight * (v - mean) ** 2)) < LEAST_RISE**2 or v[-1] <= v[0]:
        raise DetectorError(FLAT)
    u = np.hypot(u, STEP_U_DB * _rise_per_db(level, v))
    # What clips does so at the top: the highest steps are given up until the rest follows a law.
    for count in range(len(level), FEWEST_STEPS - 1, -1):
        part = slice(0, count)
        if float(np.ptp(v[part])) < LEAST_RISE * float(u[part].max()):
            raise DetectorError(SATURATED)
        fits = [
            fit
            for fit in (_fit(model, level[part], v[part], u[part]) for model in _MODELS)
            if fit is not None
        ]
        best = min(fits, key=lambda fit: fit.score, default=None)
        if best is not None and best.chi2 <= WORST_CHI * best.dof:
            return _detector(best, [fit for fit in fits if fit.model.law == "power"], level[part], v[part])
    raise DetectorError(LAWLESS)


def _rise_per_db(level: Floats, v: Floats) -> Floats:
    """Volts per decibel at each step, from its neighbours."""
    places, where = np.unique(level, return_inverse=True)
    mean = np.bincount(where, v) / np.bincount(where)
    return np.asarray(np.abs(np.gradient(mean, places))[where])


def _fit(model: _Model, level: Floats, v: Floats, u: Floats) -> _Fitted | None:
    # Half a second of import that only level sweeps need.
    from scipy.optimize import least_squares

    dof = len(v) - model.count
    if dof < 1:
        return None

    def off(p: Floats) -> Floats:
        with np.errstate(all="ignore"):
            return np.asarray(
                np.nan_to_num((model.values(p, level) - v) / u, nan=1e9, posinf=1e9, neginf=-1e9)
            )

    found: Any = least_squares(off, model.start(level, v), method="lm", x_scale="jac", max_nfev=120)
    chi2 = float(found.fun @ found.fun)
    size = np.maximum(np.linalg.norm(found.jac, axis=0), 1e-150)
    gram = (found.jac / size).T @ (found.jac / size)
    if not np.isfinite(chi2) or np.linalg.cond(gram) > 1e12:
        return None
    cov = np.linalg.inv(gram) / np.outer(size, size) * max(chi2 / dof, 1.0)
    if model.law == "log" and model.bend and level[-1] - 10.0 / np.log(10.0) * found.x[2] < LEAST_SPAN_DB:
        # Hardly above its floor, a logarithm is a straight line by another name.
        return None
    if model.law == "power" and not 0.3 < found.x[2] < 4.0:
        return None
    score = chi2 + model.count * np.log(len(v)) + (UNNAMED if model.law == "power" else 0.0)
    return _Fitted(model, np.asarray(found.x, dtype=np.float64), cov, chi2, dof, float(score))


def _detector(best: _Fitted, free: list[_Fitted], level: Floats, v: Floats) -> Detector:
    if best.model.law == "log":
        if float(np.ptp(level)) < LEAST_SPAN_DB:
            raise DetectorError(FLAT)
        scale = float(np.exp(best.p[1]))
        return Detector(
            "log",
            float(best.p[0]),
            scale,
            0.0,
            0.0,
            None,
            None,
            float(v[-1]),
            tuple(best.p.tolist()),
            best.cov,
        )
    offset, scale, exponent, reach, turn = best.model.split(best.p)
    # dv/dz = (1 - w/reach)²: where it has fallen to FLATTENED, w is this share of the reach.
    top = float("inf") if reach is None else offset + reach * (1.0 - FLATTENED**0.5)
    usable = v <= top
    noise = float(np.sqrt(best.cov[0, 0]))
    span = float(np.ptp(level[usable & (v > offset + 3.0 * noise)])) if usable.any() else 0.0
    if reach is not None and (usable.sum() < FEWEST_STEPS // 2 or span < LEAST_SPAN_DB):
        raise DetectorError(SATURATED)
    alike = [fit for fit in free if fit.model.bend == best.model.bend]
    nearest = (alike or free)[:1]
    exponent_u = float(np.sqrt(nearest[0].cov[2, 2])) if nearest else WIDEST_EXPONENT_U
    return Detector(
        best.model.law, offset, scale, exponent, exponent_u, reach, turn, min(top, float(v[-1])),
        tuple(best.p.tolist()), best.cov,
    )  # fmt: skip


def _made(detector: Detector, p: Floats) -> Detector:
    """The same kind of detector with other values of what was fitted."""
    if detector.law == "log":
        return replace(detector, offset_v=float(p[0]), scale_v=float(np.exp(p[1])))
    bend: Literal["", "ceiling", "turn"] = (
        "ceiling" if detector.reach_v is not None else "turn" if detector.turn_v is not None else ""
    )
    model = _Model(detector.law, None if detector.law == "power" else detector.exponent, bend)
    offset, scale, exponent, reach, turn = model.split(p)
    return replace(detector, offset_v=offset, scale_v=scale, exponent=exponent, reach_v=reach, turn_v=turn)
