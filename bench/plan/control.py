"""The regeneration control as the plan has it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from bench import quantities
from bench.errors import QuantityError
from bench.plan.parts import (
    MOST_ENTRIES,
    Farad,
    Ohm,
    Part,
    Points,
    Problem,
    rising,
    taper_points,
)

ControlKind = Literal["divider", "shunt", "throttle", "supply", "swing", "measured"]
TaperName = Literal["linear", "log", "reverse-log"]


class Control(Part):
    kind: ControlKind = "divider"
    resistance: Ohm | None = None
    capacitance: tuple[Farad, Farad] | None = None
    taper: Annotated[TaperName | Points, BeforeValidator(taper_points)] = "linear"
    travel_deg: Annotated[float, Field(gt=0, le=36_000)] = 300.0
    window: tuple[str, str] = ("10:00", "2:00")
    dead_deg: tuple[Annotated[float, Field(ge=0)], Annotated[float, Field(ge=0)]] = (0.0, 0.0)
    direction: quantities.Direction = "clockwise"
    law: Annotated[Points, Field(max_length=MOST_ENTRIES)] | None = None

    def angle(self, text: str) -> float:
        """Angle in degrees from a clock position as the pointer shows it, or from ``130 deg``.

        Raises
        ------
        QuantityError
            Neither, or beyond the end stops.
        """
        if "deg" in text or "°" in text:
            angle_deg = quantities.parse(text, "angle")
            if angle_deg > self.travel_deg:
                raise QuantityError(f'"{text}" is beyond the end stop at {self.travel_deg:g} degrees')
            return angle_deg
        return quantities.clock_to_angle(text, self.travel_deg, self.direction)

    def clock(self, angle_deg: float) -> str:
        """Where the pointer stands at an angle, as on a clock face."""
        return quantities.angle_to_clock(angle_deg, self.travel_deg, self.direction)

    @property
    def window_deg(self) -> tuple[float, float]:
        """The window as travel in degrees, low end first."""
        a, b = (self.angle(text) for text in self.window)
        return min(a, b), max(a, b)

    def problems(self) -> Iterator[Problem]:
        if self.kind in ("divider", "shunt") and not self.resistance:
            yield "resistance", f'a {self.kind} needs the control\'s resistance, for example "10 kohm"'
        if self.kind == "throttle" and self.capacitance is None:
            yield "capacitance", 'a throttle needs its least and most, for example ["10 pF", "100 pF"]'
        if self.capacitance is not None and not 0 < self.capacitance[0] < self.capacitance[1]:
            yield "capacitance", 'the least first, then the most, for example ["10 pF", "100 pF"]'
        if self.kind == "measured" and self.law is None:
            yield "law", "a measured control needs its law, for example [[0, 0.1], [150, 0.4], [300, 1]]"
        if self.law is not None and (
            len(self.law) < 2
            or not rising(self.law)
            or self.law[0][0] < 0
            or self.law[-1][0] > self.travel_deg
            or self.law[0][1] < 0
            or self.law[-1][1] <= 0
        ):
            yield (
                "law",
                (
                    "pairs of [angle_deg, relative feedback], angles rising from 0 to travel_deg, feedback never falling, "
                    "for example [[0, 0.1], [150, 0.4], [300, 1]]"
                ),
            )
        if not isinstance(self.taper, str) and (
            not 2 <= len(self.taper) <= MOST_ENTRIES
            or not rising(self.taper)
            or self.taper[0] != (0.0, 0.0)
            or self.taper[-1] != (1.0, 1.0)
        ):
            yield (
                "taper",
                (
                    "pairs of [travel share, value share] from [0, 0] to [1, 1], rising, "
                    "for example [[0, 0], [0.5, 0.15], [1, 1]]"
                ),
            )
        if sum(self.dead_deg) >= self.travel_deg:
            yield "dead_deg", "the dead ends leave nothing of travel_deg"
        try:
            low, high = self.window_deg
            if low == high:
                yield "window", 'the two ends are the same; write for example ["10:00", "2:00"]'
        except QuantityError as problem:
            yield "window", str(problem)
