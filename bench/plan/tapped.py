"""The tap of a tank coil that feeds the cathode, as the plan has it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated

from pydantic import Field

from bench.plan.parts import Henry, Part, Problem, Turns

EXAMPLE = "tap = { turns = 4 } or tap = { share = 0.15 }, counted from the grounded end"


class Tap(Part):
    """Where the tank coil is tapped, counted from its grounded end: turns, or share of its turns.

    `inductance` is that of the part between tap and ground, `k` its coupling coefficient with the whole coil; both
    follow from the grid winding's measures where those are given.
    """

    turns: Turns | None = None
    share: Annotated[float, Field(gt=0, lt=1)] | None = None
    inductance: Henry | None = None
    k: Annotated[float, Field(gt=0, lt=1)] | None = None

    def problems(self) -> Iterator[Problem]:
        if (self.turns is None) == (self.share is None):
            yield "turns", f"either turns or share, for example {EXAMPLE}"
        yield from self.positive("inductance")

    def turns_of(self, grid_turns: float | None) -> float | None:
        """Turns between ground and tap; None for a share of an unknown number."""
        if self.share is None:
            return self.turns
        return None if grid_turns is None else self.share * grid_turns

    def unfit(self, grid_turns: float | None, *, measured: bool) -> Iterator[Problem]:
        """What does not go with the coil's grid winding; `measured`: whether its measures are known."""
        if self.share is not None and grid_turns is None:
            yield "tap.share", "a share of how many turns? write the tap's turns, or grid.turns"
        if self.turns is not None and grid_turns is not None and self.turns >= grid_turns:
            yield "tap.turns", f"the whole coil has {grid_turns:g} turns; the tap lies below its top"
        if not measured and (self.inductance is None or self.k is None):
            yield (
                "tap.inductance" if self.inductance is None else "tap.k",
                "a grid winding without its measures needs the tap's inductance and k, "
                'for example tap = { turns = 4, inductance = "0.6 uH", k = 0.5 }',
            )


def feedback_problems(topology: str, tickler: Part | None, tap: Tap | None) -> Iterator[Problem]:
    """Whether the coil has the feedback winding that the receiver's topology asks for, and no other."""
    if topology == "cathode-tap":
        if tap is None:
            yield "tap", f'needed with topology = "cathode-tap", for example {EXAMPLE}'
        if tickler is not None:
            yield "tickler", 'with topology = "cathode-tap" a coil has a tap and no tickler; leave it out'
        return
    if tickler is None:
        yield (
            "tickler",
            'needed, for example tickler = { turns = 5, gap = "2.5 mm", wire = "0.25 mm" }',
        )
    if tap is not None:
        yield (
            "tap",
            'a tap feeds the cathode: write topology = "cathode-tap" under [receiver], or leave it out',
        )
