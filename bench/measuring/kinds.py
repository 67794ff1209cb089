"""The kinds of reading: one line for each, and what a kind says of itself.

A kind lives in one file of `bench/readings/`, which holds its `KIND`: what the plan still lacks of it, and how one is taken
and recorded in the table of the same name. Order here is the order at the bench.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from bench.measuring.bench import Bench
    from bench.plan.schema import Coil, Plan

KINDS: dict[str, str] = {
    "resonance": "bench.readings.resonance",
    "onset": "bench.readings.onset",
    "curve": "bench.readings.curve",
    "body": "bench.readings.body",
    "wiper": "bench.readings.wiper",
}

Row = dict[str, Any]


@dataclass(frozen=True)
class Wanted:
    """A reading that the plan asks for and the tables lack; `what` says it to the person at the bench.

    `rows`: how many rows it will bring; `valve` as the row will say it. A kind that needs more fields makes its own class.
    """

    kind: str
    coil: str
    what: str
    dial: float | None = None
    added_c_f: float | None = None
    f_hz: float | None = None
    position: str | None = None
    rows: int = 1
    valve: str = "working"

    def words(self) -> str:
        """What it is, for the person at the bench."""
        return f"coil {self.coil}: {self.what}"


@dataclass(frozen=True)
class Sought:
    """Where a kind looks for what is lacking: one coil, and its rows that count.

    `rows`: by table, withdrawn ones left out, of the coil's present recipe and the plan's antenna state, whatever the valve's;
    `valve`: state in which the tank is read in this run; `asked`: the user named the kind.
    """

    plan: Plan
    coil: Coil
    rows: Mapping[str, Sequence[Row]]
    valve: str
    asked: bool = False

    def wants(self, kind: str) -> bool:
        """Whether a kind that is not taken as a matter of course was asked for: by name, or under `also` in the plan."""
        return self.asked or kind in self.plan.readings.also

    def of(self, table: str) -> list[Row]:
        """The coil's rows of a table."""
        return list(self.rows.get(table, ()))

    def resonances(self) -> list[Row]:
        """The coil's resonance rows in this run's state of the valve."""
        return [row for row in self.of("resonance") if (row["valve"] or self.valve) == self.valve]


@dataclass(frozen=True)
class Kind:
    """One kind of reading.

    `lacking` lists what the plan asks for and the rows do not hold; `take` takes one and records it (`Bench.record`), and
    returns how many rows that made. It raises `ReadingError` with the next move, or lets a `WireError` through: either has
    the reading taken again.
    """

    lacking: Callable[[Sought], Iterable[Wanted]]
    take: Callable[[Bench, Wanted], int]


def kind(name: str) -> Kind:
    """The kind of this name; imports its file."""
    found: Kind = import_module(KINDS[name]).KIND
    return found
