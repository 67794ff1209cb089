"""What a comparison of two sessions is made of: values before and after, with their uncertainties."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

from bench.conventions import REAL
from bench.physics.uncertainty import combine

if TYPE_CHECKING:
    import pandas as pd

    from bench.fit.selection import OnsetPoint
    from bench.plan.changes import PlanChange
    from bench.plan.schema import Plan

StateOfOnset = Literal["starts", "never", "always", "not read"]


@dataclass(frozen=True)
class Difference:
    """One value before and after, standard uncertainties beside them; None where unknown.

    `again_u` is the standard uncertainty of the comparison itself: the dial set again, the coil plugged in again.
    `joint_u` is that of the difference where before and after share causes and it is known.
    """

    before: float | None
    before_u: float | None
    after: float | None
    after_u: float | None
    again_u: float = 0.0
    joint_u: float | None = None

    @property
    def value(self) -> float | None:
        """After less before."""
        return None if self.before is None or self.after is None else self.after - self.before

    @property
    def u(self) -> float | None:
        """Standard uncertainty of the difference (GUM 5.1.2)."""
        if self.value is None or self.before_u is None or self.after_u is None:
            return None
        if self.joint_u is not None:
            return self.joint_u
        return combine(self.before_u, self.after_u, self.again_u)

    @property
    def real(self) -> bool | None:
        """Whether the difference is larger than twice its uncertainty; None where that cannot be told."""
        return None if self.value is None or self.u is None else abs(self.value) > REAL * self.u


@dataclass(frozen=True)
class State:
    """What was on the bench."""

    valve: str
    antenna: str

    def words(self, *, valve: bool = True) -> str:
        """``valve working, antenna off``."""
        antenna = f"antenna {'on' if self.antenna == 'yes' else 'off'}"
        return f"valve {self.valve}, {antenna}" if valve else antenna


@dataclass(frozen=True)
class TankPoint:
    """A coil's resonance at one dial setting of one session, repeats made one.

    `again_u_hz`: of setting it once more. `slope` is d ln f / d dial here, per division.
    """

    dial: float
    f0_hz: float
    f0_u_hz: float
    q: float | None
    q_u: float | None
    readings: tuple[str, ...]
    again_u_hz: float = 0.0
    slope: float = 0.0
    slope_u: float = 0.0


@dataclass(frozen=True)
class TankRow:
    """One dial setting in both sessions.

    Where the dial was set a little otherwise after (`dial_after`), `f0` has the frequency after brought to `dial`, and
    `f0_after_read_hz` is what was read.
    """

    dial: float
    dial_after: float
    f0_after_read_hz: float
    before: State
    after: State
    f0: Difference
    q: Difference
    readings: tuple[tuple[str, ...], tuple[str, ...]]


@dataclass(frozen=True)
class OnsetRow:
    """One frequency in both sessions; angles in degrees, drop-out and backlash with them.

    `at_edge`: so near an edge of the window that its uncertainty could carry it over. `predicted_deg` is what the fit before foresaw for the turns wound since.
    """

    f_hz: float
    antenna: tuple[str, str]
    states: tuple[StateOfOnset, StateOfOnset]
    angle: Difference
    dropout: Difference
    backlash: Difference
    in_window: tuple[bool | None, bool | None]
    at_edge: tuple[bool, bool]
    travel_deg: tuple[float, float]
    readings: tuple[tuple[str, ...], tuple[str, ...]]
    predicted_deg: float | None = None

    @property
    def real(self) -> bool | None:
        """As `Difference.real`.

        Where it never starts, onset is known to lie beyond the end stop: a start that is twice its uncertainty inside
        the travel is then a real difference. The same at the other stop, where it oscillates at every angle.
        """
        first, second = self.states
        if "not read" in self.states:
            return None
        if first == second:
            return self.angle.real if first == "starts" else False
        if "starts" not in self.states:
            return True
        if second == "starts":
            angle, u, travel, other = self.angle.after, self.angle.after_u, self.travel_deg[0], first
        else:
            angle, u, travel, other = self.angle.before, self.angle.before_u, self.travel_deg[1], second
        if angle is None or u is None:
            return None
        return (travel - angle if other == "never" else angle) > REAL * u

    @property
    def later(self) -> bool:
        """Whether onset comes later on the control than before, be it real or not."""
        place = {"always": -math.inf, "never": math.inf}
        before = place.get(self.states[0], self.angle.before or 0.0)
        after = place.get(self.states[1], self.angle.after or 0.0)
        return after > before


@dataclass(frozen=True)
class Single:
    """A reading that only one session has."""

    state: State
    tank: TankPoint | None = None
    onset: OnsetPoint | None = None


@dataclass(frozen=True)
class Ratio:
    """Inductance after over inductance before, from so many paired dial settings alone."""

    value: float
    u: float
    settings: int

    @property
    def real(self) -> bool:
        """Whether it differs from 1 by more than twice its uncertainty."""
        return abs(self.value - 1.0) > REAL * self.u


@dataclass(frozen=True)
class CoilComparison:
    """One coil in both sessions."""

    name: str
    tank: tuple[TankRow, ...]
    onset: tuple[OnsetRow, ...]
    inductance: Difference
    ratio: Ratio | None
    gm_m: Difference
    only_before: tuple[Single, ...]
    only_after: tuple[Single, ...]
    notes: tuple[str, ...]

    @property
    def inductance_real(self) -> bool | None:
        """By the ratio where there is one: the fits' own uncertainties hold what both sessions share."""
        return self.inductance.real if self.ratio is None else self.ratio.real


@dataclass(frozen=True)
class Side:
    """One session as far as a comparison needs it: `plan_data` is its plan's TOML, `frames` are its tables."""

    name: str
    plan: Plan
    plan_data: Mapping[str, Any]
    frames: Mapping[str, pd.DataFrame]
    fit: Mapping[str, Any] | None
    notes: tuple[str, ...] = ()

    @property
    def window_deg(self) -> tuple[float, float]:
        """The plan's window in degrees of travel."""
        return self.plan.receiver.control.window_deg

    @property
    def travel_deg(self) -> float:
        """The control's travel."""
        return self.plan.receiver.control.travel_deg

    @property
    def last_time(self) -> str | None:
        """When the last reading was made, ISO 8601."""
        times = [f["time"].max() for f in self.frames.values() if "time" in f and f["time"].notna().any()]
        return str(max(times).isoformat()) if times else None


@dataclass(frozen=True)
class Comparison:
    """Two sessions side by side; `only_before` and `only_after` name coils."""

    before: Side
    after: Side
    plan_changes: tuple[PlanChange, ...]
    coils: tuple[CoilComparison, ...]
    only_before: tuple[str, ...]
    only_after: tuple[str, ...]
    notes: tuple[str, ...]


def onset_state(point: OnsetPoint) -> StateOfOnset:
    """Whether it starts, never starts, or oscillates already at the end stop."""
    if point.angle_deg is not None:
        return "starts"
    return "never" if point.never else "always" if point.always else "not read"


def in_window(point: OnsetPoint, window_deg: tuple[float, float]) -> bool | None:
    """Whether onset lies in the window; None where it was not read."""
    if point.angle_deg is not None:
        return window_deg[0] <= point.angle_deg <= window_deg[1]
    return None if onset_state(point) == "not read" else False


def at_edge(point: OnsetPoint, window_deg: tuple[float, float]) -> bool:
    """Whether onset lies within twice its uncertainty of an edge of the window."""
    if point.angle_deg is None or point.angle_u_deg is None:
        return False
    return min(abs(point.angle_deg - edge) for edge in window_deg) <= REAL * point.angle_u_deg
