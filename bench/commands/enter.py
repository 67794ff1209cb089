"""`regenbench enter`: a reading made by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from bench.commands.options import Quantity

if TYPE_CHECKING:
    from bench.session.folder import Session

_STATES = (
    click.option("--coil", required=True, metavar="NAME", help="Which coil is plugged in."),
    click.option("--valve", type=click.Choice(["working", "cold"]), default="working", show_default=True),
    click.option(
        "--antenna", type=click.Choice(["yes", "no"]), help="Connected or not (default: as in the plan)."
    ),
    click.option("--note", metavar="TEXT", default="", help="Anything worth keeping."),
    click.option("--sure", is_flag=True, help="Record a frequency out of all reason for coil and dial."),
)


def _common(function: Any) -> Any:
    for option in reversed(_STATES):
        function = option(function)
    return function


@click.group("enter")
@click.argument("session")
@click.pass_context
def command(context: click.Context, session: str) -> None:
    """Type a reading made by hand into SESSION: a resonance or an onset."""
    context.obj = session


def _check(
    session: Session, row: dict[str, Any], f_hz: float, option: str, sure: bool, u_hz: float | None = None
) -> None:
    """Tell of a frequency that is not what was to be expected; refuse one that is out of all reason."""
    from bench.commands.rows import implausible

    found = implausible(session, row, f_hz, f_u_hz=u_hz)
    if found is None:
        return
    words, absurd = found
    if absurd and not sure:
        raise click.BadParameter(
            f"{words} Look at the unit, the coil and the dial; if it is so, add --sure.",
            param_hint=f"'{option}'",
        )
    click.echo(f"{words} Recorded all the same; withdraw it if it was a slip.", err=True)


@command.command("resonance")
@_common
@click.option("--dial", type=float, required=True, metavar="N", help="Reading of the tuning dial.")
@click.option(
    "--f0", type=Quantity("frequency"), required=True, metavar="F", help="Where it resonates: 3.5MHz, 3500kc."
)
@click.option(
    "--u", "f0_u", type=Quantity("frequency"), metavar="F", help="Standard uncertainty of --f0: 2kHz."
)
@click.option("--q", type=float, metavar="Q", help="Q of the tank, the loop's loading taken out.")
@click.option("--q-u", type=float, metavar="Q", help="Standard uncertainty of --q.")
@click.option(
    "--added", type=Quantity("capacitance"), metavar="C", help="Known capacitor in parallel: 100pF."
)
@click.pass_obj
def resonance(
    name: str,
    coil: str,
    valve: str,
    antenna: str | None,
    note: str,
    sure: bool,
    dial: float,
    f0: float,
    f0_u: float | None,
    q: float | None,
    q_u: float | None,
    added: float | None,
) -> None:
    """Where the tank resonates at one setting of the dial."""
    from bench.commands.rows import coil_of, on_dial, state
    from bench.quantities import show
    from bench.session.folder import Session

    for value, option in ((q, "--q"), (q_u, "--q-u")):
        if value is not None and not 0 < value <= 1e5:
            raise click.BadParameter("a Q is a number above 0, for example 120.", param_hint=f"'{option}'")
    session = Session.open(name)
    chosen = coil_of(session, coil)
    at = on_dial(session, dial)
    row = state(session, chosen, valve, antenna)
    row |= {
        "method": "typed",
        "note": note,
        "dial": at,
        "f0_hz": f0,
        "f0_u_hz": f0_u,
        "q": q,
        "q_u": q_u,
        "added_c_f": added,
    }
    _check(session, row, f0, "--f0", sure, f0_u)
    with session.lock():
        reading = session.append("resonance", row)
        session.log("enter", table="resonance", reading=reading)
    words = f", Q {q:g}" if q is not None else ""
    with_added = f" with {show(added, 'capacitance', session.plan.show.capacitance)} added" if added else ""
    f0_text = show(f0, "frequency", session.plan.show.frequency, f0_u)
    click.echo(
        f"Recorded {reading}: coil {chosen.name}, dial {dial:g}{with_added}: resonance at {f0_text}{words}"
    )


@command.command("onset")
@_common
@click.option("--dial", type=float, metavar="N", help="Reading of the tuning dial.")
@click.option(
    "--at", "f_hz", type=Quantity("frequency"), required=True, metavar="F", help="Frequency: 3.5MHz, 3500kc."
)
@click.option(
    "--direction",
    type=click.Choice(["onset", "drop-out"]),
    required=True,
    help="Where oscillation starts, or where it stops.",
)
@click.option(
    "--clock", metavar="H:MM", help='Where the pointer stands: 11:20 or "10 o\'clock"; mid-travel is 12:00.'
)
@click.option("--angle", metavar="DEG", help="The same in degrees from the end stop of least regeneration.")
@click.option("--never", is_flag=True, help="It does not start up to full travel.")
@click.option("--u", "u_deg", metavar="DEG", help="Standard uncertainty in degrees (default: 5).")
@click.pass_obj
def onset(
    name: str,
    coil: str,
    valve: str,
    antenna: str | None,
    note: str,
    sure: bool,
    dial: float | None,
    f_hz: float,
    direction: str,
    clock: str | None,
    angle: str | None,
    u_deg: str | None,
    never: bool,
) -> None:
    """Where oscillation starts (onset) or stops (drop-out)."""
    from bench.commands.rows import coil_of, on_dial, state
    from bench.conventions import TYPED_U_DEG
    from bench.errors import QuantityError
    from bench.quantities import show
    from bench.session.folder import Session

    if (clock, angle, never or None).count(None) != 2:
        raise click.UsageError("Say where the control stands, once: --clock 11:20, --angle 130 or --never.")
    if never and direction != "onset":
        raise click.UsageError(
            "--never says that oscillation never starts; where it never stops, enter --direction onset --angle 0."
        )
    session = Session.open(name)
    chosen = coil_of(session, coil)
    at = on_dial(session, dial)
    control = session.plan.receiver.control
    angle_deg: float | None = None
    if clock is not None:
        try:
            angle_deg = control.angle(clock)
        except QuantityError as problem:
            raise click.BadParameter(str(problem), param_hint="'--clock'") from None
    elif not never:
        angle_deg = _degrees(str(angle), "--angle", "130")
        if angle_deg > control.travel_deg:
            raise click.BadParameter(
                f"the control turns {control.travel_deg:g} degrees.", param_hint="'--angle'"
            )
    spread = TYPED_U_DEG if u_deg is None else _degrees(u_deg, "--u", "5")
    if not 0 < spread <= control.travel_deg:
        raise click.BadParameter("write a few degrees, for example 5.", param_hint="'--u'")
    row = state(session, chosen, valve, antenna)
    if never:
        note = f"no oscillation up to full travel; {note}" if note else "no oscillation up to full travel"
    row |= {
        "method": "typed",
        "note": note,
        "dial": at,
        "f_hz": f_hz,
        "direction": direction,
        "angle_deg": angle_deg,
        "angle_u_deg": None if never else spread,
    }
    _check(session, row, f_hz, "--at", sure)
    with session.lock():
        reading = session.append("onset", row)
        session.log("enter", table="onset", reading=reading)
    where = (
        "no oscillation up to full travel"
        if angle_deg is None
        else f"{direction} at {show(angle_deg, 'angle', uncertainty=spread)} ({control.clock(angle_deg)})"
    )
    at_f = show(f_hz, "frequency", session.plan.show.frequency)
    click.echo(f"Recorded {reading}: coil {chosen.name}, {at_f}: {where}")


def _degrees(text: str, option: str, example: str) -> float:
    """Degrees, the unit written or not: the option itself says degrees."""
    from bench.errors import QuantityError
    from bench.quantities import parse

    written = text.strip()
    try:
        return parse(
            written if written[-1:].isalpha() or written.endswith("°") else f"{written} deg", "angle"
        )
    except QuantityError:
        raise click.BadParameter(
            f"{text[:40]!r} is not an angle in degrees; write for example {example}.",
            param_hint=f"'{option}'",
        ) from None
