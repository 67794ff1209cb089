"""`regenbench coilset`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from bench.commands.options import Quantity

if TYPE_CHECKING:
    from bench.physics.coilset import Bench, CoilSet

USUAL_STRAY_F = 12e-12
_FREQUENCY = Quantity("frequency")
_CAPACITANCE = Quantity("capacitance")


@click.command("coilset")
@click.option("--band", nargs=2, type=_FREQUENCY, required=True, metavar="F1 F2", help="The band to cover.")
@click.option(
    "--tuning", nargs=2, type=_CAPACITANCE, required=True, metavar="C1 C2", help="The capacitor's two ends."
)
@click.option(
    "--diameter", type=Quantity("length"), required=True, metavar="D", help="Mean diameter of the windings."
)
@click.option(
    "--wire", type=Quantity("wire"), required=True, metavar="W", help="Bare wire: 0.4mm, 26AWG, 28SWG."
)
@click.option(
    "--insulated", type=Quantity("wire"), metavar="W", help="Over its insulation (default: usual enamel)."
)
@click.option(
    "--form-length",
    type=Quantity("length"),
    metavar="L",
    help="Room for both windings (default: one and a half diameters).",
)
@click.option(
    "--stray",
    type=Quantity("capacitance", zero=True),
    default=0.0,
    metavar="C",
    help="Valve, socket and wiring (default: none).",
)
@click.option(
    "--overlap",
    type=click.FloatRange(0, 100, max_open=True),
    default=5.0,
    show_default=True,
    metavar="PERCENT",
    help="Least overlap of neighbours in frequency.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON document in SI units.")
def command(
    band: tuple[float, float],
    tuning: tuple[float, float],
    diameter: float,
    wire: float,
    insulated: float | None,
    form_length: float | None,
    stray: float,
    overlap: float,
    as_json: bool,
) -> None:
    """Recipes for the coils that cover a band with a tuning capacitor.

    Whole turns that fit the form, overlapping, each with a first guess of its tickler.
    """
    if band[0] == band[1]:
        raise click.UsageError("--band needs two different frequencies, for example --band 1.5MHz 15MHz.")
    if tuning[0] == tuning[1]:
        raise click.UsageError("--tuning needs two different capacitances, for example --tuning 12pF 160pF.")
    from bench.errors import BenchError
    from bench.physics.coilset import Bench, CoilSetError, design
    from bench.quantities import show
    from bench.streams import tell

    bench = Bench(tuning, diameter, wire, insulated, form_length, stray)
    try:
        found = design(band, bench, overlap / 100)
    except CoilSetError as problem:
        raise BenchError(f"No set of coils: {problem}") from problem
    if as_json:
        import json

        click.echo(json.dumps(_document(found), indent=2))
    else:
        _print(found, bench)
    for part in found.not_covered:
        low, high = show(part.low_hz, "frequency"), show(part.high_hz, "frequency")
        tell(f"Not covered: {low} to {high}: {part.reason}.")
    if stray == 0:
        tell(_stray_note(found, bench))


def _overlaps(found: CoilSet) -> list[float | None]:
    above = [coil.f_low_hz for coil in found.coils[1:]]
    return [coil.f_high_hz - low for coil, low in zip(found.coils, above, strict=False)] + [None]


def _document(found: CoilSet) -> dict[str, Any]:
    return {
        "coils": [
            {
                "name": _name(index),
                "turns": coil.turns,
                "length_m": coil.length_m,
                "l_h": coil.l_h,
                "f_low_hz": coil.f_low_hz,
                "f_high_hz": coil.f_high_hz,
                "tickler_turns": coil.tickler_turns,
                "overlap_hz": overlap,
            }
            for index, (coil, overlap) in enumerate(zip(found.coils, _overlaps(found), strict=True))
        ],
        "not_covered": [
            {"low_hz": part.low_hz, "high_hz": part.high_hz, "reason": part.reason}
            for part in found.not_covered
        ],
    }


def _name(index: int) -> str:
    return chr(ord("A") + index)


def _print(found: CoilSet, bench: Bench) -> None:
    from bench.quantities import show
    from bench.wrapping import wrapped

    click.echo("Coil Turns  Length     Inductance  Tunes                      Overlap    Tickler")
    for index, (coil, overlap) in enumerate(zip(found.coils, _overlaps(found), strict=True)):
        length = f"{coil.length_m * 1e3:.1f} mm{' *' if coil.close_wound else ''}"
        tunes = f"{show(_rounded(coil.f_low_hz, 4), 'frequency')} to {show(_rounded(coil.f_high_hz, 4), 'frequency')}"
        shared = "" if overlap is None else show(_rounded(overlap, 2), "frequency")
        inductance = show(_rounded(coil.l_h, 3), "inductance")
        click.echo(
            f"{_name(index):<4} {coil.turns:>5}  {length:<9}  {inductance:<10}  {tunes:<25}  {shared:<9}  {coil.tickler_turns:>7}"
        )
    star = "; * close-wound" if any(coil.close_wound for coil in found.coils) else ""
    click.echo(
        f"Mean diameter {bench.diameter_m * 1e3:.4g} mm; wire {bench.wire_m * 1e3:.3g} mm, {bench.outer_wire_m * 1e3:.3g} mm "
        f"over its insulation{star}.\n"
        f"{bench.room_m * 1e3:.3g} mm of form for both windings, {bench.gap_m * 1e3:.3g} mm between them.\n"
        + wrapped(
            "Ticklers are a first guess: five close-wound turns, within 10 to 25 percent of the grid winding's (Hoag, Basic "
            "Radio, 1942). Where that leaves one or two, have wire for two more.",
            "",
        )
    )


def _stray_note(found: CoilSet, bench: Bench) -> str:
    """What the capacitance that was not counted would do, computed."""
    import math

    from bench.quantities import show

    def moved(f_hz: float, c_f: float, c_self_f: float) -> float:
        return f_hz * math.sqrt((c_f + c_self_f) / (c_f + c_self_f + USUAL_STRAY_F))

    c_low, c_high = sorted(bench.capacitance_f)
    highs = [moved(coil.f_high_hz, c_low, coil.c_self_f) for coil in found.coils]
    lows = [moved(coil.f_low_hz, c_high, coil.c_self_f) for coil in found.coils[1:]]
    gaps = [_name(index) for index, (high, low) in enumerate(zip(highs, lows, strict=False)) if high < low]
    stray = show(USUAL_STRAY_F, "capacitance")
    text = f"Not counted: valve, socket and wiring. {stray} of them would take coil {_name(len(highs) - 1)} down to "
    text += show(_rounded(highs[-1], 3), "frequency") + " at its high end"
    if len(gaps) > 4:
        text += " and leave gaps between most coils"
    elif gaps:
        text += f" and leave gaps above {'coil' if len(gaps) == 1 else 'coils'} {', '.join(gaps)}"
    return text + f": run again with --stray {stray.replace(' ', '')}."


def _rounded(value: float, digits: int) -> float:
    return float(f"{value:.{digits}g}")
