"""What every table of the plan is made of: quantities as fields, and the way a table says what is wrong with it."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import pairwise
from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, model_validator

from bench import quantities

Points = tuple[tuple[float, float], ...]
Problem = tuple[str, str]

MOST_TURNS = 10_000
MOST_ENTRIES = 1_000


def _quantity(kind: quantities.Kind) -> Callable[[Any], Any]:
    def check(value: Any) -> Any:
        return quantities.parse(value, kind)

    return check


def taper_points(value: Any) -> Any:
    """A taper's name, or its points as numbers; ValueError for anything else."""
    if value in ("linear", "log", "reverse-log"):
        return value
    # Settled here whole, so that a union of two forms never has to explain itself.
    if not isinstance(value, tuple) or not all(
        isinstance(pair, tuple)
        and len(pair) == 2
        and all(isinstance(x, int | float) and not isinstance(x, bool) for x in pair)
        for pair in value
    ):
        shown = f'"{value[:40]}" is no taper; ' if isinstance(value, str) else ""
        raise ValueError(f"{shown}write linear, log, reverse-log or points, {TAPER_EXAMPLE}")
    return tuple((float(a), float(b)) for a, b in value)


TAPER_EXAMPLE = "for example [[0, 0], [0.5, 0.15], [1, 1]]"

Hertz = Annotated[float, BeforeValidator(_quantity("frequency"))]
Farad = Annotated[float, BeforeValidator(_quantity("capacitance"))]
Henry = Annotated[float, BeforeValidator(_quantity("inductance"))]
Ohm = Annotated[float, BeforeValidator(_quantity("resistance"))]
Siemens = Annotated[float, BeforeValidator(_quantity("conductance"))]
Volt = Annotated[float, BeforeValidator(_quantity("voltage"))]
Metre = Annotated[float, BeforeValidator(_quantity("length"))]
Wire = Annotated[float, BeforeValidator(quantities.parse_wire)]
Turns = Annotated[float, Field(gt=0, le=MOST_TURNS)]


class PartError(ValueError):
    """What is wrong with one table of the plan: pairs of key and message."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        self.problems = tuple(problems)
        super().__init__("; ".join(f"{key}: {message}" for key, message in problems))


class Part(BaseModel):
    """A table of the plan: unknown keys are refused, values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, allow_inf_nan=False)

    def problems(self) -> Iterator[Problem]:
        """What the table says that cannot be: the key and why."""
        return iter(())

    @model_validator(mode="after")
    def _check(self) -> Part:
        found = list(self.problems())
        if found:
            raise PartError(found)
        return self

    def positive(self, *names: str) -> Iterator[Problem]:
        for name in names:
            if getattr(self, name) == 0:
                yield name, "must be more than 0"


def rising(points: Points) -> bool:
    """Whether the first numbers rise and the second ones never fall."""
    return all(a[0] < b[0] and a[1] <= b[1] for a, b in pairwise(points))


def fits(
    turns: float | None, length: float | None, wire: float | None, insulated: float | None
) -> Iterator[Problem]:
    """What is wrong with a winding whose turns do not fit its length, or whose insulation is thinner than its wire."""
    if insulated is not None and wire is not None and insulated < wire:
        yield "insulated", "thinner than the bare wire"
    thickness = insulated or wire
    if turns is not None and length and thickness and turns * thickness > length * (1 + 1e-9):
        yield (
            "length",
            (
                f"{turns:g} turns of {thickness * 1e3:.3g} mm wire need {turns * thickness * 1e3:.4g} mm, "
                f"and the length is {length * 1e3:.4g} mm"
            ),
        )
