"""`regenbench enter`: a reading made by hand."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

from bench.commands.options import Quantity

if TYPE_CHECKING:
    from bench.plan.schema import Coil
    from bench.session.folder import Session

_STATES = (
    click.option("--coil", required=True, metavar="NAME", help="Which coil is plugged in."),
    click.option("--valve", type=click.Choice(["working", "cold"]), default="working", show_default=True),
    click.option(
        "--antenna", type=click.Choice(["yes", "no"]), help="Connected or not (default: as in the plan)."
    ),
    click.option("--note", metavar="TEXT", default="", help="Anything worth keeping."),
    click.option("--anyway", is_flag=True, help="Record a frequency far from what the coil should tune."),
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


def _plausible(session: Session, coil: Coil, f_hz: float, option: str, *, added_f: float = 0.0) -> None:
    """Refuse a frequency that this coil cannot have, as one in the wrong unit is."""
    from bench.model import coil_model
    from bench.quantities import show

    l_h = coil_model(session.plan, coil).l_h
    most = max(session.plan.receiver.tuning.capacitance) + added_f
    least = min(session.plan.receiver.tuning.capacitance)
    low, high = (0.159154943 / (l_h * c) ** 0.5 for c in (most, least))
    if not low / 3 <= f_hz <= high * 3:
        unit = session.plan.show.frequency
        raise click.BadParameter(
            f"{show(f_hz, 'frequency', unit)} is far from what coil {coil.name} should tune, about "
            f"{show(low, 'frequency', unit)} to {show(high, 'frequency', unit)} by the plan. Look at the unit and the coil; "
            "if it is so, add --anyway.",
            param_hint=f"'{option}'",
        )


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
    anyway: bool,
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
    if not anyway:
        _plausible(session, chosen, f0, "--f0", added_f=added or 0.0)
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
@click.option("--u", "u_deg", metavar="DEG", help="Standard uncertainty in degrees (default: 5).")
@click.pass_obj
def onset(
    name: str,
    coil: str,
    valve: str,
    antenna: str | None,
    note: str,
    anyway: bool,
    dial: float | None,
    f_hz: float,
    direction: str,
    clock: str | None,
    angle: str | None,
    u_deg: str | None,
) -> None:
    """Where oscillation starts (onset) or stops (drop-out)."""
    from bench.commands.rows import coil_of, on_dial, state
    from bench.conventions import TYPED_U_DEG
    from bench.errors import QuantityError
    from bench.quantities import show
    from bench.session.folder import Session

    if (clock is None) == (angle is None):
        raise click.UsageError("Say where the control stands, once: --clock 11:20 or --angle 130.")
    session = Session.open(name)
    chosen = coil_of(session, coil)
    at = on_dial(session, dial)
    control = session.plan.receiver.control
    if clock is not None:
        try:
            angle_deg = control.angle(clock)
        except QuantityError as problem:
            raise click.BadParameter(str(problem), param_hint="'--clock'") from None
    else:
        angle_deg = _degrees(str(angle), "--angle", "130")
        if angle_deg > control.travel_deg:
            raise click.BadParameter(
                f"the control turns {control.travel_deg:g} degrees.", param_hint="'--angle'"
            )
    spread = TYPED_U_DEG if u_deg is None else _degrees(u_deg, "--u", "5")
    if not 0 < spread <= control.travel_deg:
        raise click.BadParameter("write a few degrees, for example 5.", param_hint="'--u'")
    if not anyway:
        _plausible(session, chosen, f_hz, "--at")
    row = state(session, chosen, valve, antenna)
    row |= {
        "method": "typed",
        "note": note,
        "dial": at,
        "f_hz": f_hz,
        "direction": direction,
        "angle_deg": angle_deg,
        "angle_u_deg": spread,
    }
    with session.lock():
        reading = session.append("onset", row)
        session.log("enter", table="onset", reading=reading)
    click.echo(
        f"Recorded {reading}: coil {chosen.name}, {show(f_hz, 'frequency', session.plan.show.frequency)}: {direction} at "
        f"{show(angle_deg, 'angle', uncertainty=spread)} ({control.clock(angle_deg)})"
    )


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
