"""Numbers of tickler turns and what they do, and the window that onset should fall into."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from bench.errors import PlanError
from bench.model import coil_model
from bench.physics.coupling import Change

if TYPE_CHECKING:
    from bench.plan.schema import Coil, Plan

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class Ladder:
    """Numbers of tickler turns and what they make of M and of the tickler's inductance, as ratios to now."""

    turns: tuple[float, ...]
    mutual: Floats
    tickler: Floats

    def change(self) -> Change:
        """All of them, for `predict`."""
        return Change(mutual=self.mutual[:, None], tickler=self.tickler[:, None])

    def one(self, turns: float) -> Change:
        """One of them."""
        i = self.turns.index(turns)
        return Change(mutual=float(self.mutual[i]), tickler=float(self.tickler[i]))


def ladder(plan: Plan, coil: Coil, turns: Sequence[float]) -> Ladder:
    """What numbers of turns do, by the windings' geometry; M as the turns and L as their square where there is none."""
    now = coil.feedback_turns
    mutual, tickler, kept = [], [], []
    try:
        present = coil_model(plan, coil)
    except PlanError:
        present = None
    for n in turns:
        try:
            if present is None:
                mutual.append(n / now)
                tickler.append((n / now) ** 2)
            else:
                then = coil_model(plan, coil, tickler_turns=n)
                mutual.append(then.mutual_h / present.mutual_h)
                tickler.append(then.tickler_l_h / present.tickler_l_h)
        except PlanError:
            # so many turns do not fit the form
            continue
        kept.append(n)
    return Ladder(tuple(kept), np.array(mutual), np.array(tickler))


@dataclass(frozen=True)
class Window:
    """The plan's window and travel, in degrees, with the words for an angle."""

    plan: Plan
    low_deg: float
    high_deg: float
    travel_deg: float

    def margin(self, angles: Floats) -> Floats:
        """Least distance to the window's edges over frequencies (last axis); negative outside."""
        return np.asarray(np.minimum(angles - self.low_deg, self.high_deg - angles).min(axis=-1), float)

    def inside(self, angles: Floats) -> NDArray[np.bool_]:
        """Whether every frequency starts inside the window."""
        real = ((angles > 0) & (angles <= self.travel_deg)).all(axis=-1)
        return np.asarray((self.margin(angles) >= 0) & real, bool)

    def settable(self, angle: float) -> float | None:
        """As `fit.json` has an angle: None where it never starts, 0 where it oscillates already at the end stop."""
        if angle > self.travel_deg or not math.isfinite(angle):
            return None
        return max(angle, 0.0)

    def words(self, angle: float) -> str:
        """An angle with its clock position."""
        if angle > self.travel_deg:
            return "never"
        if angle <= 0:
            return "already at the end stop"
        clock = self.plan.receiver.control.clock(angle)
        return f"{angle:.0f}° ({clock})"

    def run(self, angles: Floats) -> str:
        """The run of several angles."""
        low, high = float(np.min(angles)), float(np.max(angles))
        if low > self.travel_deg:
            return "nowhere"
        if high <= 0:
            return "already at the end stop"
        if high > self.travel_deg:
            return f"{self.words(low)} and later, at some frequencies never"
        return self.words(low) if high - low < 0.5 else f"{self.words(low)} to {self.words(high)}"

    def where(self, angles: Floats) -> str:
        """The same as it follows "onset lies": at angles, or nowhere."""
        low, high = float(np.min(angles)), float(np.max(angles))
        return self.run(angles) if low > self.travel_deg or high <= 0 else f"at {self.run(angles)}"


def window_of(plan: Plan) -> Window:
    """The plan's window."""
    control = plan.receiver.control
    return Window(plan, *control.window_deg, control.travel_deg)


def percent(share: float) -> str:
    """A chance, never as a certainty."""
    return "more than 99 %" if share > 0.99 else "less than 1 %" if share < 0.01 else f"{100 * share:.0f} %"


def turns_words(n: float) -> str:
    """``4½ turns``."""
    whole = math.floor(n)
    if n - whole == 0.5:
        return "half a turn" if whole == 0 else f"{whole}½ turns"
    return f"{n:g} turn" if n == 1 else f"{n:g} turns"
