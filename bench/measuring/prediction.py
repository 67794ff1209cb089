"""Where the next resonance should be, how wide and how deep: the set's dial law and the coil's Q law from rows on record.

The dial law is that of `physics/dial.py`, from the readings of the session so far and the plan's capacitances and windings;
no fit.json is looked at. Before a coil's first reading its winding and the plan's capacitor give a band to search.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.conventions import PLAN_L_SHARE_U, TYPED_F0_SHARE_U
from bench.measuring.kinds import Row
from bench.model import coil_model
from bench.physics import dial as dial_law
from bench.physics.qlaw import fit_q
from bench.plan.schema import Coil, Plan

Q_SHARE_U = 0.05
MOST_ROWS = 120
# Away from the dial settings read so far the law is believed to this share of the way in ln f from the nearest of them: the
# plates are those of no textbook.
ASTRAY = 0.1


@dataclass(frozen=True)
class Expected:
    """A resonance not yet read: f0 with standard uncertainty; loaded Q and depth of the dip, None before the coil's first.

    `slope`: change of ln f over the whole dial, at this setting; None where no law tells it.
    """

    f0_hz: float
    f0_u_hz: float
    q_loaded: float | None = None
    depth: float | None = None
    slope: float | None = None

    def band(self, sigmas: float = 3.0) -> tuple[float, float]:
        """Where to search."""
        half = sigmas * self.f0_u_hz / self.f0_hz + 0.02
        return self.f0_hz * math.exp(-half), self.f0_hz * math.exp(half)


class DialLaw:
    """The set's dial law from resonance rows of one state of the set (all coils; withdrawn rows left out)."""

    def __init__(self, plan: Plan, rows: Sequence[Row]) -> None:
        self._rows = [row for row in rows if row["f0_hz"] and row["dial"] is not None][-MOST_ROWS:]
        tuning = plan.receiver.tuning
        self._ends = dial_law.Ends(tuning.dial, tuning.capacitance)
        self._windings = {coil.name: _winding_l(plan, coil) for coil in plan.coil}
        readings = [
            dial_law.Reading(
                row["coil"],
                float(row["dial"]),
                float(row["f0_hz"]),
                float(row["f0_u_hz"] or TYPED_F0_SHARE_U * row["f0_hz"]),
                float(row["added_c_f"] or 0.0),
            )
            for row in self._rows
        ]
        self._fit: dial_law.DialFit | None = None
        if readings:
            try:
                self._fit = dial_law.fit_dial(readings, self._ends, self._windings)
            except dial_law.DialError:
                # Rows that no dial explains predict nothing; the plan still does.
                self._fit = None

    def expected(self, coil: str, dial: float, added_c_f: float = 0.0) -> Expected:
        """The coil's resonance at a reading of the dial, with a known capacitor in parallel or without (0)."""
        fit = self._fit
        if fit is None or coil not in fit.coils:
            return self._by_the_plan(coil, dial, added_c_f)
        f, u = dial_law.frequency(fit, coil, [dial])
        f0_hz = float(f[0])
        # Setting the dial again: the hand's own error, through the law's slope.
        step = 0.005 * (self._ends.dial[1] - self._ends.dial[0])
        near, _ = dial_law.frequency(fit, coil, [dial - step, dial + step])
        slope = float(np.log(near[1] / near[0])) / 0.01
        nearest = min((float(row["dial"]) for row in self._rows), key=lambda at: abs(at - dial))
        from_it, _ = dial_law.frequency(fit, coil, [nearest])
        away = ASTRAY * abs(math.log(f0_hz / float(from_it[0])))
        share_u = math.hypot(float(u[0]) / f0_hz, slope * fit.setting_u, away)
        if added_c_f:
            slope /= 1.0 + added_c_f * (2.0 * math.pi * f0_hz) ** 2 * fit.l_h[coil][0]
            f0_hz, share_u = _with_added(f0_hz, share_u, added_c_f, *fit.l_h[coil])
        q, depth = self._width(coil, f0_hz)
        return Expected(f0_hz, share_u * f0_hz, q, depth, slope)

    def _by_the_plan(self, coil: str, dial: float, added_c_f: float) -> Expected:
        l_h, l_u_h = self._windings[coil]
        ends, fit = self._ends, self._fit
        if fit is not None:
            c, c_u = (float(v[0]) for v in dial_law.capacitance(fit, [dial]))
        else:
            # Between the ends a plate's law is unknown: half way in between on a scale of ratios, and as unsure.
            share = (dial - ends.dial[0]) / (ends.dial[1] - ends.dial[0])
            share = min(max(share, 0.0), 1.0)
            log = [math.log(max(v, 1e-12)) for v in ends.c_f]
            c = math.exp(log[0] + share * (log[1] - log[0]))
            unsure = 2.0 * share * (1.0 - share) * 0.35 * abs(log[1] - log[0])
            c_u = c * math.hypot(dial_law.ENDS_SHARE_U, unsure)
        whole = c + dial_law.STRAY_F + added_c_f
        u = 0.5 * math.hypot(l_u_h / l_h, math.hypot(c_u, dial_law.STRAY_U_F) / whole)
        f0_hz = 1.0 / (2.0 * math.pi * math.sqrt(l_h * whole))
        return Expected(f0_hz, u * f0_hz)

    def _width(self, coil: str, f0_hz: float) -> tuple[float | None, float | None]:
        own = [row for row in self._rows if row["coil"] == coil and row["q_loaded"]]
        if not own:
            return None, None
        f = np.array([row["f0_hz"] for row in own], float)
        q = np.array([row["q_loaded"] for row in own], float)
        q_u = np.array([row["q_loaded_u"] or Q_SHARE_U * row["q_loaded"] for row in own], float)
        law, _ = fit_q(f, q, q_u).at([f0_hz])
        here = float(law[0])
        coupled = [i for i, row in enumerate(own) if row["beta"]]
        if not coupled:
            return here, None
        # A loop couples out more in proportion to frequency and Q.
        near = min(coupled, key=lambda i: abs(math.log(f[i] / f0_hz)))
        beta = float(own[near]["beta"]) * (f0_hz * here) / (f[near] * q[near])
        return here, float(2.0 * beta / (1.0 + beta))


def _winding_l(plan: Plan, coil: Coil) -> tuple[float, float]:
    l_h = coil_model(plan, coil).l_h
    share = PLAN_L_SHARE_U if coil.grid.inductance is not None else dial_law.WINDING_SHARE_U
    return l_h, share * l_h


def _with_added(
    f0_hz: float, share_u: float, added_c_f: float, l_h: float, l_u_h: float
) -> tuple[float, float]:
    """Frequency and relative uncertainty with a known capacitor in parallel, from those without and L."""
    ratio = added_c_f * (2.0 * math.pi * f0_hz) ** 2 * l_h
    part = ratio / (1.0 + ratio)
    u = math.hypot(share_u / (1.0 + ratio), 0.5 * part * math.hypot(l_u_h / l_h, dial_law.ADDED_SHARE_U))
    return f0_hz / math.sqrt(1.0 + ratio), u
