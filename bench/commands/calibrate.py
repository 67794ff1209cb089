"""`regenbench calibrate`: open, short and load at the end of the cable."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

import click

from bench.commands.options import Quantity

if TYPE_CHECKING:
    from bench.session.folder import Session
    from drivers.roles import Complexes, Floats

AT_THE_END = {
    "open": "nothing at all, or the open standard",
    "short": "the short standard",
    "load": "the load standard",
}


@click.command("calibrate")
@click.argument("session")
@click.option(
    "--open", "open_file", metavar="FILE", help="Saved sweep of the open (with --short and --load)."
)
@click.option("--short", "short_file", metavar="FILE", help="Saved sweep of the short.")
@click.option("--load", "load_file", metavar="FILE", help="Saved sweep of the 50 ohm load.")
@click.option("--from", "low_hz", type=Quantity("frequency"), metavar="F", help="Lowest frequency: 1MHz.")
@click.option("--to", "high_hz", type=Quantity("frequency"), metavar="F", help="Highest frequency: 15MHz.")
@click.option(
    "--open-capacitance", type=Quantity("capacitance", zero=True), default=0.0, metavar="C",
    help="Fringing capacitance of the open: 0.05pF (default: none, an ideal open).",
)  # fmt: skip
@click.option(
    "--short-inductance", type=Quantity("inductance", zero=True), default=0.0, metavar="L",
    help="Inductance of the short: 0.001uH (default: none, an ideal short).",
)  # fmt: skip
@click.option(
    "--load-resistance", type=Quantity("resistance"), default=50.0, metavar="R",
    help="Resistance of the load: 49.8ohm (default: 50ohm).",
)  # fmt: skip
@click.option(
    "--cable-changed", is_flag=True, help="The cable was changed: earlier calibrations count no more."
)
@click.option("--virtual", is_flag=True, help="On the virtual bench.")
def command(
    session: str,
    open_file: str | None,
    short_file: str | None,
    load_file: str | None,
    low_hz: float | None,
    high_hz: float | None,
    open_capacitance: float,
    short_inductance: float,
    load_resistance: float,
    cable_changed: bool,
    virtual: bool,
) -> None:
    """Take cable and analyzer out of SESSION's sweeps: open, short and load where the loop joins the cable.

    Each is asked for in turn and swept over what the plan's coils cover, or taken from saved sweeps (all three files).
    From then on measure corrects what the analyzer returns, and keeps the raw sweeps beside the corrected ones.
    """
    from bench.measuring.open_short_load import Standards, solve
    from bench.quantities import show
    from bench.session import calibrations
    from bench.session.folder import Session
    from bench.wrapping import wrapped

    opened = Session.open(session)
    if cable_changed:
        calibrations.cable_changed(opened)
        click.echo(f"Noted: earlier calibrations count no more. Next: regenbench calibrate {session}")
        return
    files = {"open": open_file, "short": short_file, "load": load_file}
    given = {name: file for name, file in files.items() if file is not None}
    if given and len(given) < len(files):
        missing = ", ".join(f"--{name}" for name in files if name not in given)
        raise click.UsageError(f"All three saved sweeps are needed; {missing} is missing.")
    if given and (virtual or low_hz is not None or high_hz is not None):
        raise click.UsageError(
            "Saved sweeps have a range of their own: leave out --from, --to and --virtual."
        )
    standards = Standards(open_capacitance, short_inductance, load_resistance)
    with opened.lock():
        if given:
            f_hz, measured = _read(given)
            analyzer = ""
            notes = {name: f"from {file}" for name, file in given.items()}
        else:
            f_hz, measured, analyzer = _swept(opened, low_hz, high_hz, virtual)
            notes = dict.fromkeys(files, f"swept by {analyzer}")
        solve(f_hz, measured, standards)
        kept = calibrations.keep(
            opened, f_hz, measured, analyzer=analyzer, open_c_f=standards.open_c_f,
            short_l_h=standards.short_l_h, load_ohm=standards.load_ohm, notes=notes,
        )  # fmt: skip
    unit = opened.plan.show.frequency
    taken_as = (
        "The standards are taken as ideal: no capacitance at the open, no inductance at the short, a load of 50 ohm."
        if standards.ideal
        else "The standards are taken as stated."
    )
    covered = f"{show(kept.low_hz, 'frequency', unit)} to {show(kept.high_hz, 'frequency', unit)}"
    for told in (
        f"Calibration {kept.name} kept in {kept.path}: {covered}.",
        taken_as,
        "It counts until the cable is changed: then run it again, or say --cable-changed.",
        f"Next: join the loop to the cable again, and regenbench measure {session}",
    ):
        click.echo(wrapped(told, "", "  "))


def _read(files: dict[str, str]) -> tuple[Floats, dict[str, Complexes]]:
    """Frequencies and sweeps of three saved files, which must be on the same frequencies."""
    from pathlib import Path

    import numpy as np

    from bench.errors import ReadingError
    from drivers.touchstone import read_sweep

    read = {name: read_sweep(Path(file)) for name, file in files.items()}
    f_hz = read["open"][0]
    for name, (f, _) in read.items():
        if f.shape != f_hz.shape or not np.allclose(f, f_hz, rtol=1e-6):
            raise ReadingError(
                f"{files[name]} is not on the frequencies of {files['open']}. Save all three with the same start, stop and points."
            )
    if len(f_hz) < 8:
        raise ReadingError(
            f"{files['open']}: {len(f_hz)} points are too few. Save at least 101 points over the range."
        )
    return f_hz, {name: s for name, (_, s) in read.items()}


def _swept(
    opened: Session, low_hz: float | None, high_hz: float | None, virtual: bool
) -> tuple[Floats, dict[str, Complexes], str]:
    """Frequencies, sweeps of the three standards, and what the analyzer calls itself."""
    from contextlib import ExitStack

    from bench.errors import ReadingError
    from bench.measuring.instruments import Instruments
    from bench.measuring.open_short_load import sweep_standard
    from bench.model import tuning_span
    from bench.quantities import show
    from bench.session.place import PLAN
    from bench.virtual.hands import VirtualBench

    plan = opened.plan
    connect: Callable[[str | None], None]
    with ExitStack() as stack:
        bench = None
        if virtual:
            bench = stack.enter_context(VirtualBench(opened.path / PLAN))
            connect = bench.hands.standard
        else:
            connect = _ask
        instruments = Instruments(plan, bench.addresses if bench else None, opened.path)
        stack.callback(instruments.close)
        if not instruments.has("analyzer"):
            raise ReadingError(
                "The plan has no [instruments.analyzer] to calibrate. Write one, or give saved sweeps: --open, --short, --load."
            )
        analyzer = instruments.analyzer()
        limits = analyzer.limits
        added = plan.readings.added_capacitor or 0.0
        spans = [tuning_span(plan, coil, at) for coil in plan.coil for at in {0.0, added}]
        low = max(low_hz or min(span[0] for span in spans), limits.low_hz)
        high = min(high_hz or max(span[1] for span in spans), limits.high_hz)
        if not low < high:
            raise ReadingError(
                f"Nothing is left between {show(low, 'frequency')} and {show(high, 'frequency')}: the analyzer covers "
                f"{show(limits.low_hz, 'frequency')} to {show(limits.high_hz, 'frequency')}."
            )
        measured = {}
        for name in AT_THE_END:
            connect(name)
            sweep = sweep_standard(analyzer, low, high)
            measured[name] = sweep.s11
        connect(None)
        return sweep.f_hz, measured, analyzer.identify()


def _ask(name: str | None) -> None:
    if name is not None:
        from bench.measuring.progress import Reporter

        Reporter(0).ask(
            f"At the end of the cable, in the loop's place: {AT_THE_END[name]}. Enter when it is on "
        )
