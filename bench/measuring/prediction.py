"""Where the next resonance should be, how wide and how deep: the set's dial law and the coil's Q law from rows on record.

The dial is that of `physics/dial_forecast.py`, from the readings of the session so far and the plan's capacitances and
windings; no fit.json is looked at. Before a coil's first reading its winding and the plan's capacitor give a band to search.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from bench.conventions import PLAN_L_SHARE_U, TYPED_F0_SHARE_U
from bench.measuring.kinds import Row
from bench.model import grid_inductance
from bench.physics.dial_forecast import DialForecast
from bench.physics.dial_law import Ends, Reading
from bench.physics.dial_problem import WINDING_SHARE_U
from bench.physics.qlaw import fit_q
from bench.plan.schema import Coil, Plan

Q_SHARE_U = 0.05
LEAST_Q_SHARE_U, MOST_Q_SHARE_U = 0.03, 0.2
MOST_ROWS = 60


@dataclass(frozen=True)
class Expected:
    """A resonance not yet read: f0 with standard uncertainty; loaded Q and depth of the dip, None before the coil's first.

    `slope`: change of ln f over the whole dial, at this setting. `places_hz`: equally likely places of f0, rising. `q_share_u`:
    standard uncertainty of the loaded Q over it.
    """

    f0_hz: float
    f0_u_hz: float
    q_loaded: float | None = None
    depth: float | None = None
    slope: float = 0.0
    places_hz: tuple[float, ...] = ()
    q_share_u: float = MOST_Q_SHARE_U

    def band(self, sigmas: float = 3.0) -> tuple[float, float]:
        """Where to search."""
        half = sigmas * self.f0_u_hz / self.f0_hz + 0.02
        return self.f0_hz * math.exp(-half), self.f0_hz * math.exp(half)


class DialLaw:
    """The set's dial law from resonance rows of one state of the set (all coils; withdrawn rows left out)."""

    def __init__(self, plan: Plan, rows: Sequence[Row]) -> None:
        self._rows = [
            row for row in rows if 0.0 < (row["f0_hz"] or 0.0) < math.inf and row["dial"] is not None
        ]
        tuning = plan.receiver.tuning
        readings = [
            Reading(
                row["coil"],
                float(row["dial"]),
                float(row["f0_hz"]),
                float(row["f0_u_hz"] or TYPED_F0_SHARE_U * row["f0_hz"]),
                float(row["added_c_f"] or 0.0),
            )
            for row in self._rows[-MOST_ROWS:]
        ]
        windings = {coil.name: _winding_l(coil) for coil in plan.coil}
        self._forecast = DialForecast(readings, Ends(tuning.dial, tuning.capacitance), windings)

    def expected(self, coil: str, dial: float, added_c_f: float = 0.0) -> Expected:
        """The coil's resonance at a reading of the dial, with a known capacitor in parallel or without (0)."""
        told = self._forecast.foretell(coil, dial, added_c_f)
        q, q_share_u, depth = self._width(coil, told.f0_hz)
        places = tuple(float(place) for place in told.places_hz)
        return Expected(told.f0_hz, told.f0_u_hz, q, depth, told.slope, places, q_share_u)

    def _width(self, coil: str, f0_hz: float) -> tuple[float | None, float, float | None]:
        own = [row for row in self._rows if row["coil"] == coil and row["q_loaded"]]
        if not own:
            return None, MOST_Q_SHARE_U, None
        f = np.array([row["f0_hz"] for row in own], float)
        q = np.array([row["q_loaded"] for row in own], float)
        q_u = np.array([row["q_loaded_u"] or Q_SHARE_U * row["q_loaded"] for row in own], float)
        law, law_u = fit_q(f, q, q_u).at([f0_hz])
        here = float(law[0])
        share_u = min(max(float(law_u[0]) / here, LEAST_Q_SHARE_U), MOST_Q_SHARE_U)
        coupled = [i for i, row in enumerate(own) if row["beta"]]
        if not coupled:
            return here, share_u, None
        # A loop couples out more in proportion to frequency and Q.
        near = min(coupled, key=lambda i: abs(math.log(f[i] / f0_hz)))
        beta = float(own[near]["beta"]) * (f0_hz * here) / (f[near] * q[near])
        return here, share_u, float(2.0 * beta / (1.0 + beta))


def _winding_l(coil: Coil) -> tuple[float, float]:
    l_h = grid_inductance(coil)
    share = PLAN_L_SHARE_U if coil.grid.inductance is not None else WINDING_SHARE_U
    return l_h, share * l_h
