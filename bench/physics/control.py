"""The regeneration control: its travel, its taper, and what each kind puts into the network.

A kind of control is one function, from the control's share to the parts it stands for, and one row of
`KINDS`. The nodes that a stamp may use are PLATE, COLD (the tickler's far end), WIPER and GROUND.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
Points = tuple[tuple[float, float], ...]
Kind = Literal["divider", "shunt", "throttle", "supply", "swing", "measured"]
Device = Literal["triode", "pentode", "fet", "bipolar"]

GROUND, GRID, PLATE, COLD, WIPER = -1, 0, 1, 2, 3

CONTACT_OHM = 1.0
# A log taper has 15 % of its resistance at half travel: 1 / (e^(c/2) + 1) = 0.15.
LOG_EXPONENT = 2.0 * math.log(0.85 / 0.15)
SPACE_CHARGE = ("triode", "pentode")


@dataclass(frozen=True)
class Control:
    """A regeneration control; angles grow with regeneration, from 0 to `travel_deg`.

    `taper` is a name or points of (share of electrical travel, share of value); `dead_deg` are the parts
    at both ends of the travel where nothing changes; `law` (measured only) is points of (angle in degrees,
    relative feedback).
    """

    kind: Kind
    resistance_ohm: ArrayLike | None = None
    capacitance_f: tuple[ArrayLike, ArrayLike] | None = None
    taper: str | Points = "linear"
    travel_deg: float = 300.0
    dead_deg: tuple[float, float] = (0.0, 0.0)
    law: Points | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise ValueError(f"control kind '{self.kind}' is not one of {', '.join(KINDS)}")
        missing = KINDS[self.kind].needs
        if missing and getattr(self, missing) is None:
            raise ValueError(f"a {self.kind} control needs {missing}")
        if isinstance(self.taper, str) and self.taper not in TAPERS:
            raise ValueError(f"taper '{self.taper}' is not one of {', '.join(TAPERS)}")
        if not self.electrical_deg > 0:
            raise ValueError("the control's dead ends leave no electrical travel")

    @property
    def electrical_deg(self) -> float:
        """Travel between the dead ends, in degrees."""
        return self.travel_deg - self.dead_deg[0] - self.dead_deg[1]


@dataclass(frozen=True)
class Feedback:
    """The parts round the control. What is not there is 0; no choke is an infinite one."""

    capacitor_f: ArrayLike = 0.0
    choke_h: ArrayLike = math.inf
    choke_capacitance_f: ArrayLike = 0.0
    plate_capacitance_f: ArrayLike = 0.0
    grid_plate_capacitance_f: ArrayLike = 0.0
    winding_capacitance_f: ArrayLike = 0.0


@dataclass(frozen=True)
class Part:
    """A two-terminal part: conductance, capacitance and 1/inductance in parallel."""

    a: int
    b: int
    conductance_s: Any = 0.0
    capacitance_f: Any = 0.0
    per_inductance: Any = 0.0


@dataclass(frozen=True)
class Stamp:
    """What a control at one share is to the network: parts, and factors on gm, 1/rp and M."""

    parts: tuple[Part, ...]
    gm: Any = 1.0
    plate_conductance: Any = 1.0
    mutual: Any = 1.0


def _log(u: Floats) -> Floats:
    share: Floats = np.expm1(LOG_EXPONENT * u) / math.expm1(LOG_EXPONENT)
    return share


TAPERS: dict[str, Callable[[Floats], Floats]] = {
    "linear": lambda u: u,
    "log": _log,
    "reverse-log": lambda u: 1.0 - _log(1.0 - u),
}


@lru_cache(maxsize=64)
def _monotone(points: Points) -> Callable[[Floats], Floats]:
    from scipy.interpolate import PchipInterpolator

    angle, value = np.array(sorted(points)).T
    inside = PchipInterpolator(angle, value)
    return lambda x: np.asarray(inside(np.clip(x, angle[0], angle[-1])), dtype=float)


def share(control: Control, angle_deg: ArrayLike) -> Floats:
    """Share of the control in use at an angle, after dead ends and taper: 0 to 1, shape of `angle_deg`.

    Log tapers are (e^cu - 1)/(e^c - 1) with 15 % at half travel, reverse-log is the mirror image. For a
    measured control it is the relative feedback, monotone between the points (Fritsch and Carlson, SIAM J.
    Numer. Anal. 17, 1980).
    """
    angle = np.asarray(angle_deg, dtype=float)
    if control.kind == "measured" and control.law is not None:
        return _monotone(control.law)(angle)
    u = np.clip((angle - control.dead_deg[0]) / control.electrical_deg, 0.0, 1.0)
    if isinstance(control.taper, str):
        return TAPERS[control.taper](u)
    travel, value = np.array(control.taper, dtype=float).T
    return np.asarray(np.interp(u, travel, value), dtype=float)


def turning_points(control: Control) -> Floats:
    """Angles in degrees at which the share turns back: none but in a taper of points that goes in and out."""
    if isinstance(control.taper, str) or control.kind == "measured":
        return np.empty(0)
    travel, value = np.array(control.taper, dtype=float).T
    turns = np.nonzero(np.diff(value)[:-1] * np.diff(value)[1:] < 0)[0] + 1
    angle: Floats = control.dead_deg[0] + control.electrical_deg * travel[turns]
    return angle


def _choke(feedback: Feedback, node: int) -> Part:
    return Part(
        node,
        GROUND,
        capacitance_f=feedback.choke_capacitance_f,
        per_inductance=1.0 / np.asarray(feedback.choke_h, dtype=float),
    )


def _cold_end(feedback: Feedback) -> tuple[Part, ...]:
    return Part(COLD, GROUND, capacitance_f=feedback.capacitor_f), _choke(feedback, COLD)


def _divider(theta: Floats, control: Control, feedback: Feedback, device: Device) -> Stamp:
    """Resistance across the tickler, its wiper by the feedback capacitor to ground."""
    r = np.asarray(control.resistance_ohm, dtype=float)
    return Stamp(
        (
            Part(PLATE, WIPER, conductance_s=1.0 / (theta * r + CONTACT_OHM)),
            Part(WIPER, COLD, conductance_s=1.0 / ((1.0 - theta) * r + CONTACT_OHM)),
            Part(WIPER, GROUND, capacitance_f=feedback.capacitor_f),
            _choke(feedback, COLD),
        )
    )


def _shunt(theta: Floats, control: Control, feedback: Feedback, device: Device) -> Stamp:
    """Variable resistance across the tickler."""
    r = np.asarray(control.resistance_ohm, dtype=float)
    return Stamp(
        (
            Part(PLATE, COLD, conductance_s=1.0 / (theta * r + CONTACT_OHM)),
            *_cold_end(feedback),
        )
    )


def _throttle(theta: Floats, control: Control, feedback: Feedback, device: Device) -> Stamp:
    """Variable capacitor from the tickler's cold end to ground; the supply comes by the choke at the plate."""
    least, most = (np.asarray(c, dtype=float) for c in control.capacitance_f or (0.0, 0.0))
    return Stamp((Part(COLD, GROUND, capacitance_f=least + theta * (most - least)), _choke(feedback, PLATE)))


def _supply(theta: Floats, control: Control, feedback: Feedback, device: Device) -> Stamp:
    """Plate or screen voltage: three-halves law for space-charge devices, else gm with the voltage."""
    if device in SPACE_CHARGE:
        root = np.sqrt(theta)
        return Stamp(_cold_end(feedback), gm=root, plate_conductance=root)
    return Stamp(_cold_end(feedback), gm=theta)


def _swing(theta: Floats, control: Control, feedback: Feedback, device: Device) -> Stamp:
    """The tickler turns on an axis across the grid winding's."""
    return Stamp(_cold_end(feedback), mutual=np.cos((1.0 - theta) * (math.pi / 2)))


def _measured(theta: Floats, control: Control, feedback: Feedback, device: Device) -> Stamp:
    """A law found by readings below onset scales the coupling."""
    return Stamp(_cold_end(feedback), mutual=theta)


@dataclass(frozen=True)
class _Kind:
    stamp: Callable[[Floats, Control, Feedback, Device], Stamp]
    needs: str | None = None


KINDS: dict[str, _Kind] = {
    "divider": _Kind(_divider, "resistance_ohm"),
    "shunt": _Kind(_shunt, "resistance_ohm"),
    "throttle": _Kind(_throttle, "capacitance_f"),
    "supply": _Kind(_supply),
    "swing": _Kind(_swing),
    "measured": _Kind(_measured, "law"),
}


def stamp(theta: Floats, control: Control, feedback: Feedback, device: Device) -> Stamp:
    """The control at share `theta` as parts of the network."""
    return KINDS[control.kind].stamp(theta, control, feedback, device)
