"""`regenbench winding`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from bench.commands.options import Count, Quantity

if TYPE_CHECKING:
    from bench.physics.winding import Winding


@click.command("winding")
@click.option(
    "--turns", type=Count("turns", "27 or 5.5"), required=True, metavar="N", help="Turns, fractions allowed."
)
@click.option(
    "--diameter", type=Quantity("length"), metavar="D", help="Mean diameter, wire centre to wire centre."
)
@click.option(
    "--form-diameter", type=Quantity("length"), metavar="D", help="The form's diameter, in place of it."
)
@click.option("--length", type=Quantity("length"), required=True, metavar="L", help="Turns times pitch.")
@click.option(
    "--wire", type=Quantity("wire"), required=True, metavar="W", help="Bare wire: 0.4mm, 26AWG, 28SWG."
)
@click.option(
    "--insulated", type=Quantity("wire"), metavar="W", help="The wire over its insulation (default: bare)."
)
@click.option(
    "--form-capacitance",
    type=Quantity("capacitance", zero=True),
    metavar="C",
    help="What form and leads add.",
)
@click.option(
    "--at", "at", type=Quantity("frequency"), multiple=True, metavar="F", help="Resistance and Q here."
)
@click.option(
    "--temperature", type=float, default=20.0, show_default=True, metavar="C", help="Copper, in Celsius."
)
@click.option(
    "--tickler-turns",
    type=Count("turns", "27 or 5.5"),
    metavar="N",
    help="A tickler on the same axis; needs its gap.",
)
@click.option(
    "--tickler-gap",
    type=Quantity("length", zero=True),
    metavar="G",
    help="Bare distance between the windings.",
)
@click.option("--tickler-wire", type=Quantity("wire"), metavar="W", help="Default: the grid winding's.")
@click.option(
    "--tickler-insulated", type=Quantity("wire"), metavar="W", help="Default: bare, or the grid winding's."
)
@click.option(
    "--tickler-diameter",
    type=Quantity("length"),
    metavar="D",
    help="Mean diameter (default: the grid winding's).",
)
@click.option("--tickler-length", type=Quantity("length"), metavar="L", help="Default: close-wound.")
@click.option("--json", "as_json", is_flag=True, help="One JSON document in SI units.")
def command(
    turns: float,
    diameter: float | None,
    form_diameter: float | None,
    length: float,
    wire: float,
    insulated: float | None,
    form_capacitance: float | None,
    at: tuple[float, ...],
    temperature: float,
    tickler_turns: float | None,
    tickler_gap: float | None,
    tickler_wire: float | None,
    tickler_insulated: float | None,
    tickler_diameter: float | None,
    tickler_length: float | None,
    as_json: bool,
) -> None:
    """One single-layer winding's inductance, self-capacitance, resistance and Q.

    With --tickler-turns and --tickler-gap also the tickler's inductance, the mutual inductance and the coupling.
    """
    if (diameter is None) == (form_diameter is None):
        raise click.UsageError("Give the winding's --diameter (mean), or its --form-diameter.")
    if (tickler_turns is None) != (tickler_gap is None):
        raise click.UsageError("A tickler needs both --tickler-turns and --tickler-gap.")
    if tickler_turns is None and (tickler_wire or tickler_insulated or tickler_diameter or tickler_length):
        raise click.UsageError("Give --tickler-turns and --tickler-gap too.")
    if not -200 <= temperature <= 1000:
        raise click.UsageError("--temperature is in degrees Celsius, -200 to 1000.")
    from bench.errors import BenchError
    from bench.physics.winding import Winding, WindingError, close_wound

    if diameter is None:
        diameter = (form_diameter or 0.0) + (insulated or wire)
    try:
        grid = Winding(turns, diameter, length, wire, insulated)
    except WindingError as problem:
        raise BenchError(f"This winding cannot be made: {problem}") from problem
    results = _grid_values(grid, form_capacitance or 0.0, at, temperature)
    if tickler_turns is not None and tickler_gap is not None:
        if tickler_wire is None:
            tickler_wire, tickler_insulated = wire, tickler_insulated or insulated
        if tickler_diameter is None:
            form_wire = tickler_insulated or tickler_wire
            tickler_diameter = diameter if form_diameter is None else form_diameter + form_wire
        try:
            if tickler_length is None:
                tickler = close_wound(tickler_turns, tickler_diameter, tickler_wire, tickler_insulated)
            else:
                tickler = Winding(
                    tickler_turns, tickler_diameter, tickler_length, tickler_wire, tickler_insulated
                )
            results |= _tickler_values(grid, tickler, tickler_gap)
        except WindingError as problem:
            raise BenchError(f"This tickler cannot be made: {problem}") from problem

    for f_hz in at:
        if f_hz > results["self_resonance_hz"] / 2:
            from bench.quantities import show
            from bench.streams import tell

            tell(
                f"{show(f_hz, 'frequency')} is too near the self-resonance or above it: resistance and Q do not hold there."
            )
    if as_json:
        import json

        click.echo(json.dumps(results, indent=2))
    else:
        _print(grid, results)


def _grid_values(
    grid: Winding, extra_f: float, at: tuple[float, ...], temperature_c: float
) -> dict[str, Any]:
    import math

    from bench.physics import winding

    l_h = winding.inductance(grid)
    c_self_f = winding.self_capacitance(grid) + extra_f
    return {
        "l_h": l_h,
        "c_self_f": c_self_f,
        "self_resonance_hz": 1 / (2 * math.pi * math.sqrt(l_h * c_self_f)),
        "wire_length_m": winding.wire_length(grid),
        "r_dc_ohm": winding.r_dc(grid, temperature_c),
        "at": [
            {
                "f_hz": f_hz,
                "r_ohm": float(winding.resistance(grid, f_hz, temperature_c)),
                "q": float(winding.q(grid, f_hz, temperature_c)),
            }
            for f_hz in at
        ],
    }


def _tickler_values(grid: Winding, tickler: Winding, gap_m: float) -> dict[str, float]:
    from bench.physics import winding

    tickler_l_h = winding.inductance(tickler)
    mutual_h = winding.mutual(grid, tickler, gap_m)
    return {
        "tickler_l_h": tickler_l_h,
        "mutual_h": mutual_h,
        "k": winding.coupling(mutual_h, winding.inductance(grid), tickler_l_h),
    }


def _print(grid: Winding, results: dict[str, Any]) -> None:
    from bench.quantities import show
    from bench.wrapping import wrapped

    def line(name: str, text: str) -> None:
        click.echo(f"{name:<18}{text}")

    touching = grid.pitch_m < grid.outer_wire_m * 1.0001
    pitch = "close-wound" if touching else f"pitch {_digits(grid.pitch_m * 1e3)} mm"
    told = (
        f"{grid.turns:g} turns of {_digits(grid.wire_m * 1e3)} mm wire, mean diameter {_digits(grid.diameter_m * 1e3)} mm, "
        f"{_digits(grid.length_m * 1e3)} mm long, {pitch}"
    )
    click.echo(wrapped(told, "", "  "))
    line("inductance", show(_sensible(results["l_h"]), "inductance"))
    line("self-capacitance", show(_sensible(results["c_self_f"], 2), "capacitance"))
    line("self-resonance", show(_sensible(results["self_resonance_hz"], 2), "frequency", "MHz"))
    line(
        "wire", f"{_digits(results['wire_length_m'])} m, {_digits(results['r_dc_ohm'])} ohm at direct current"
    )
    for row in results["at"]:
        line(f"at {show(row['f_hz'], 'frequency')}", f"{_digits(row['r_ohm'])} ohm, Q {row['q']:.0f}")
    if results["at"]:
        click.echo("Q of bare copper in free air: real coils come out 10 to 40 percent below.")
    if "k" in results:
        line("tickler", show(_sensible(results["tickler_l_h"]), "inductance"))
        line("mutual", show(_sensible(results["mutual_h"]), "inductance"))
        line("coupling k", _digits(results["k"]))


def _digits(value: float) -> str:
    return f"{value:.3g}" if value < 1000 else f"{value:.0f}"


def _sensible(value: float, digits: int = 3) -> float:
    return float(f"{value:.{digits}g}")
