"""What all side checks share: their form, the rows that count, numbers as they are said."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any

from bench.plan.schema import Plan, recipe
from bench.quantities import show
from bench.session.plausible import LIMITS

Row = Mapping[str, Any]

# Where a row does not say how sure it is.
UNSURE_SHARE = 0.05


@dataclass(frozen=True)
class Check:
    """One side check of one coil: rows of numbers (SI, `None` where unknown), what they mean, and what is still to be read."""

    name: str
    coil: str
    rows: tuple[dict[str, Any], ...]
    sentence: str
    missing: str = ""

    def document(self) -> dict[str, Any]:
        """As JSON has it."""
        return {
            "check": self.name,
            "coil": self.coil,
            "rows": list(self.rows),
            "sentence": self.sentence,
            "missing": self.missing or None,
        }


def present_rows(plan: Plan, coil: str, rows: Iterable[Row]) -> list[Row]:
    """The rows of a coil as it is now wound, in the set as it is now."""
    present = recipe(plan, coil)
    return [row for row in rows if row["coil"] == coil and (row["recipe"] or present) == present]


def credible(row: Row, *columns: str) -> bool:
    """Whether these cells hold numbers that a reading can have; `check` names the others."""
    return all(row[name] is not None and LIMITS[name][0] <= row[name] <= LIMITS[name][1] for name in columns)


def hz(plan: Plan, f_hz: float) -> str:
    return show(f_hz, "frequency", plan.show.frequency)


def near(f_hz: float) -> str:
    """A frequency or shift to three figures."""
    near = float(f"{abs(f_hz):.3g}")
    return f"{near:g} Hz" if near < 10e3 else f"{near / 1e3:g} kHz"
