"""Option types that several commands share."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import click

if TYPE_CHECKING:
    from bench.quantities import Kind

    Parameter = click.ParamType[float]
else:
    Parameter = click.ParamType


class Quantity(Parameter):
    """A value as the trade writes it, to SI; a bare number is a usage error with an example.

    Parameters
    ----------
    kind
        A kind of `bench.quantities`, or ``"wire"`` for a wire's bare diameter by gauge or size.
    zero
        Whether 0 is a value.
    """

    def __init__(self, kind: Kind | Literal["wire"], *, zero: bool = False) -> None:
        self.kind = kind
        self.zero = zero
        self.name = kind

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        from bench import quantities
        from bench.errors import QuantityError

        if isinstance(value, float):
            return value
        try:
            si = quantities.parse_wire(value) if self.kind == "wire" else quantities.parse(value, self.kind)
        except QuantityError as problem:
            self.fail(str(problem), param, ctx)
        if si == 0 and not self.zero:
            self.fail(f'"{value}" is nothing; it must be more than zero', param, ctx)
        return si


class Count(Parameter):
    """A number more than zero, fractions allowed."""

    name = "number"

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        import math

        try:
            number = float(value)
        except ValueError:
            self.fail(f'"{value}" is not a number', param, ctx)
        if not (math.isfinite(number) and number > 0):
            self.fail(f'"{value}" must be more than zero', param, ctx)
        return number
