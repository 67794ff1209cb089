"""`regenbench take`: sweeps saved elsewhere."""

from __future__ import annotations

import re
from typing import Any

import click

from bench.commands.options import Quantity

_NUMBER = re.compile(r"[+-]?[0-9]+(\.[0-9]*)?")


class _SeveralDials(click.Command):
    """Lets ``--dial 0 20 40`` say what ``--dial 0 --dial 20 --dial 40`` says."""

    def parse_args(self, ctx: click.Context, args: list[str]) -> list[str]:
        spread: list[str] = []
        wants_value = follows_value = False
        for text in args:
            if wants_value:
                spread.append(text)
                wants_value, follows_value = False, True
            elif follows_value and _NUMBER.fullmatch(text):
                spread += ["--dial", text]
            else:
                spread.append(text)
                wants_value, follows_value = text == "--dial", text.startswith("--dial=")
        return super().parse_args(ctx, spread)


@click.command("take", cls=_SeveralDials)
@click.argument("session")
@click.argument("files", nargs=-1, required=True, metavar="FILE...")
@click.option("--coil", required=True, metavar="NAME", help="Which coil was plugged in.")
@click.option(
    "--dial",
    "dials",
    type=float,
    multiple=True,
    required=True,
    metavar="N...",
    help="Dial reading of each file, in order.",
)
@click.option("--valve", type=click.Choice(["working", "cold"]), default="working", show_default=True)
@click.option(
    "--antenna", type=click.Choice(["yes", "no"]), help="Connected or not (default: as in the plan)."
)
@click.option(
    "--added", type=Quantity("capacitance"), metavar="C", help="Known capacitor in parallel: 100pF."
)
@click.option("--sure", is_flag=True, help="Take a resonance out of all reason for coil and dial.")
def command(
    session: str,
    files: tuple[str, ...],
    coil: str,
    dials: tuple[float, ...],
    valve: str,
    antenna: str | None,
    added: float | None,
    sure: bool,
) -> None:
    """Add sweeps saved elsewhere (Touchstone, one-port or a two-port's S11) to SESSION as resonance readings.

    All of the files are taken, or none: one that cannot be read, or holds no resonance, is named.
    """
    from pathlib import Path

    from bench.commands.rows import coil_of, implausible, on_dial, state
    from bench.errors import ReadingError
    from bench.physics.resonance import Resonance, fit_sweep
    from bench.quantities import show, show_number
    from bench.session.folder import Session
    from bench.wrapping import wrapped
    from drivers.errors import SweepFileError
    from drivers.touchstone import read_sweep

    if len(dials) != len(files):
        raise click.UsageError(
            f"{len(files)} files and {len(dials)} dial readings: give one --dial for each file, in the same order."
        )
    opened = Session.open(session)
    chosen = coil_of(opened, coil)
    for dial in dials:
        on_dial(opened, dial)
    taken: list[tuple[Any, Any, Resonance]] = []
    faults: list[str] = []
    doubts: list[str] = []
    common = state(opened, chosen, valve, antenna)
    for file, dial in zip(files, dials, strict=True):
        try:
            f_hz, s11 = read_sweep(Path(file))
            result = fit_sweep(f_hz, s11)
        except SweepFileError as problem:
            faults.append(str(problem))
            continue
        except ValueError as problem:
            faults.append(f"{file}: {problem}.")
            continue
        if result.f0_hz is None:
            faults.append(f"{file}: {'; '.join(result.warnings) or 'no resonance in this sweep'}.")
            continue
        place = {**common, "dial": dial, "added_c_f": added}
        doubt = implausible(opened, place, result.f0_hz, f_u_hz=result.f0_u_hz, where=f"{file}: ")
        if doubt is not None and doubt[1] and not sure:
            faults.append(f"{doubt[0]} Look at the file, the coil and the dial; if it is so, add --sure.")
            continue
        if doubt is not None:
            doubts.append(doubt[0])
        taken.append((f_hz, s11, result))
    if faults:
        for fault in faults[:-1]:
            click.echo(fault, err=True)
        raise ReadingError(
            f"{faults[-1]} Nothing was taken; put these right, or leave them out, and run it again."
        )
    for told in doubts:
        click.echo(f"{told} Taken all the same; withdraw it if it was a slip.", err=True)
    unit = opened.plan.show.frequency
    with opened.lock():
        for file, dial, (f_hz, s11, result) in zip(files, dials, taken, strict=True):
            reading = opened.next_reading()
            source = Path(file).name
            sweep = opened.save_sweep(
                reading, f_hz, s11, [f"coil {chosen.name}, dial {dial:g}, taken from {source}"]
            )
            opened.append(
                "resonance",
                {
                    **common,
                    "reading": reading,
                    "dial": dial,
                    "f0_hz": result.f0_hz,
                    "f0_u_hz": result.f0_u_hz,
                    "q_loaded": result.q_loaded,
                    "q_loaded_u": result.q_loaded_u,
                    "q": result.q,
                    "q_u": result.q_u,
                    "beta": result.beta,
                    "added_c_f": added,
                    "method": "reflection",
                    "sweep": sweep,
                    "note": "; ".join([f"from {source}", *result.warnings]),
                },
            )
            opened.log("take", reading=reading, file=source)
            quality = f", Q {show_number(result.q, result.q_u)}"
            f0 = show(result.f0_hz, "frequency", unit, result.f0_u_hz)
            told = (
                f"Recorded {reading}: {source}: coil {chosen.name}, dial {dial:g}: resonance at {f0}{quality}"
            )
            click.echo(wrapped(told, "", "  "))
            for warning in result.warnings:
                click.echo(f"  {source}: {warning}", err=True)
