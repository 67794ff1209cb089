"""The joint least squares of a set's dial: residuals, priors, and where to start."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from bench.physics.dial_law import Ends, Reading, share_of
from bench.physics.plates import Curve, from_steps, to_steps
from bench.physics.uncertainty import Solution, solve

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
# Temperature, plugging the coil in again, a hand near: below this no reading is believed.
FREQUENCY_SHARE_U = 1e-4
# The plates' law: most lie between straight-line frequency (-1/2) and straight-line capacity (1).
SHAPE, SHAPE_U = 0.5, 0.5
# The stray they were cut for, with the least C, over the most: the logarithm (from next to nothing to a half).
CUT_FOR, CUT_FOR_U = -4.0, 2.0
# Where a search begins.
BEGIN = tuple((p, cut) for p in (-0.5, 0.0, 0.5, 0.75, 1.0) for cut in (-2.0, -4.0, -7.0))
MOST_KNOTS = 40


class Problem:
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
        self.share = share_of(ends, np.array([r.dial for r in readings]))
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
        self.parts = (slice(0, n), slice(n, 2 * n), slice(2 * n, 2 * n + k), slice(2 * n + k, 2 * n + k + 2))
        self.step = np.concatenate(
            [np.full(n, 0.01), np.full(n, 0.01), np.full(k, 0.01), [0.1, 0.1], np.full(len(self.kinds), 0.01)]
        )

    def c(self, x: Floats) -> Floats:
        """Tuning capacitance at the knots, in units of `unit`."""
        return from_steps(x[self.parts[2]], self.rising)

    def capacitance(self, x: Floats) -> Floats:
        """Whole capacitance of each reading, in units of `unit`."""
        stray, c, p = x[self.parts[1]], self.c(x), x[self.parts[3]]
        wrong = np.concatenate([x[self.parts[3].stop :], [0.0]])[self.kind]
        total = self.curve.at(self.share, self.weights, c, p) + stray[self.coil] + self.added * (1.0 + wrong)
        return np.asarray(np.maximum(total, 1e-4), float)

    def log_model(self, x: Floats) -> Floats:
        total = self.capacitance(x) * self.unit
        return np.asarray(-0.5 * (x[self.parts[0]][self.coil] + np.log(total)) - np.log(2 * np.pi), float)

    def sigma(self, x: Floats) -> Floats:
        """Standard uncertainty of ln f: the reading's own, and the hand that set the dial."""
        c, p = self.c(x), x[self.parts[3]]
        h = 0.01
        low, high = np.clip(self.share - h, 0, 1), np.clip(self.share + h, 0, 1)
        rise = self.curve.at(high, self.curve.weights(high), c, p) - self.curve.at(
            low, self.curve.weights(low), c, p
        )
        slope = 0.5 * np.abs(rise / np.maximum(high - low, h)) / self.capacitance(x)
        return np.asarray(np.hypot(self.u_f, slope * self.setting_u), float)

    def priors(self, x: Floats) -> Floats:
        stray, c, p = x[self.parts[1]], self.c(x), x[self.parts[3]]
        ends = (c[[0, -1]] - self.plan_c) / self.plan_u
        if self.added_scale:
            # the scale is told by the added capacitor: the plan's smaller end settles the offset alone
            ends = ends[[int(np.argmin(self.plan_c))]]
        return np.concatenate(
            [
                self.curve.whitened(c, p),
                [(p[0] - SHAPE) / SHAPE_U, (p[1] - CUT_FOR) / CUT_FOR_U],
                (stray - STRAY_F / self.unit) / (STRAY_U_F / self.unit),
                ends,
                x[self.parts[3].stop :] / ADDED_SHARE_U,
                [(x[i] - np.log(value)) / (u / value) for i, value, u in self.winding],
            ]
        )

    def start(self, use: Floats) -> Floats:
        """The best of a few plate laws with every coil's straight line of 1/f^2 against C."""
        best, start = np.inf, np.zeros(0)
        y = np.exp(-2 * self.log_f) / (4 * np.pi**2) / self.unit
        for p, cut in BEGIN:
            c = self._plain(self.curve.knots, p, cut)
            at = self._plain(self.share, p, cut) + self.added
            log_l, stray = np.zeros(len(self.coils)), np.full(len(self.coils), STRAY_F / self.unit)
            for i in range(len(self.coils)):
                mine = (self.coil == i) & (use > 0.5)
                mine = mine if mine.any() else self.coil == i
                if np.ptp(at[mine]) > 0.05:
                    slope, level = np.polyfit(at[mine], y[mine], 1, w=1.0 / y[mine])
                    if slope > 0:
                        stray[i] = np.clip(level / slope, 0.0, 0.6)
                log_l[i] = np.median(np.log(y[mine] / (at[mine] + stray[i])))
            x = np.concatenate([log_l, stray, to_steps(c, self.rising), [p, cut], np.zeros(len(self.kinds))])
            off = np.abs(self.log_f - self.log_model(x))[use > 0.5]
            cost = float(np.median(off) + 1e-4 * abs(p - SHAPE))
            if cost < best:
                best, start = cost, x
        return start

    def _plain(self, share: Floats, p: float, cut: float) -> Floats:
        ends = np.array([self.plan_c[0], self.plan_c[1]])
        line = Curve(np.array([0.0, 1.0]))
        return line.at(share, np.zeros((len(share), 0)), ends, np.array([p, cut]))

    def solve(self, start: Floats, use: Floats) -> Solution:
        """One fit with weights `use` (0 leaves a reading out), readings first among the residuals."""
        sigma = self.sigma(start) / np.sqrt(np.maximum(use, 1e-12))

        def residuals(x: Floats) -> Floats:
            return np.concatenate([(self.log_f - self.log_model(x)) / sigma, self.priors(x)])

        return solve(residuals, start, step=self.step)


def _knots(share: Floats) -> Floats:
    """Both ends and every dial share read; evenly spaced where too many were read."""
    inner = np.unique(np.round(share[(share > 0.004) & (share < 0.996)], 3))
    if len(inner) > 1:
        inner = inner[np.concatenate([[True], np.diff(inner) > 0.004])]
    if len(inner) > MOST_KNOTS:
        inner = np.linspace(0, 1, MOST_KNOTS + 2)[1:-1]
    return np.concatenate([[0.0], inner, [1.0]])
