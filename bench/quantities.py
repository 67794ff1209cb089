"""Values as the trade writes them, to SI and back."""

from __future__ import annotations

from typing import Any, Literal

Kind = Literal[
    "frequency", "capacitance", "inductance", "resistance", "conductance", "voltage", "length", "angle", "time"
]


def parse(value: Any, kind: Kind) -> float:
    raise NotImplementedError


def parse_wire(value: Any) -> float:
    raise NotImplementedError


def clock_to_angle(clock: str, travel_deg: float) -> float:
    raise NotImplementedError


def angle_to_clock(angle_deg: float, travel_deg: float) -> str:
    raise NotImplementedError
