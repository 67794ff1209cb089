"""Option types that several commands share."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Literal

import click

from bench.measuring.kinds import KINDS

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
    """A number more than zero, fractions allowed, of what `things` says."""

    name = "number"

    def __init__(self, things: str, example: str) -> None:
        self.things = things
        self.example = example

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        import math

        try:
            number = float(value)
        except ValueError:
            number = math.nan
        if not (math.isfinite(number) and number > 0):
            self.fail(
                f'"{str(value)[:40]}" is no number of {self.things}; write one more than zero, such as {self.example}',
                param,
                ctx,
            )
        return number


def _with(*options: Callable[[Callable[..., Any]], Callable[..., Any]]) -> Callable[..., Any]:
    def add(command: Callable[..., Any]) -> Callable[..., Any]:
        for option in reversed(options):
            command = option(command)
        return command

    return add


# Which readings a run takes.
reading_options = _with(
    click.option(
        "--coil", "coils", multiple=True, metavar="NAME", help="Only this coil (may be given again)."
    ),
    click.option(
        "--reading",
        "kinds",
        multiple=True,
        metavar="KIND",
        type=click.Choice(list(KINDS)),
        help=f"Only readings of this kind: {', '.join(KINDS)} (may be given again).",
    ),
    click.option(
        "--cold", is_flag=True, help="Resonance with the valve cold: for a set that oscillates at angle 0."
    ),
)

# How the live page is served.
page_options = _with(
    click.option(
        "--port",
        type=click.IntRange(0, 65535),
        default=0,
        metavar="N",
        help="The page's port; left out, a free one is taken.",
    ),
    click.option(
        "--closed",
        type=click.Choice(["go-on", "pause"]),
        default="go-on",
        show_default=True,
        help="What measuring does while no browser shows the page.",
    ),
    click.option("--open", "open_browser", is_flag=True, help="Open the page in the browser."),
)
