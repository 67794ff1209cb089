"""What the commands that record a row by hand have in common."""

from __future__ import annotations

import math
from typing import Any

import click

from bench.errors import PlanError
from bench.plan.schema import Coil
from bench.session.folder import Session

# Further from what the session and the plan foretell than so many uncertainties: told. Than so many, and by such a factor: a
# wrong unit or coil, refused.
TOLD_SIGMAS = 5.0
ABSURD_SIGMAS = 10.0
ABSURD_FACTOR = 1.5
TYPED_SHARE_U = 1e-3


def coil_of(session: Session, name: str) -> Coil:
    """The plan's coil of this name; another is wrong usage."""
    try:
        return session.plan.coil_named(name)
    except PlanError as problem:
        raise click.BadParameter(str(problem), param_hint="'--coil'") from None


def on_dial(session: Session, dial: float | None) -> float | None:
    """A reading of the dial, if it is on the dial; another is wrong usage."""
    if dial is None:
        return None
    low, high = sorted(session.plan.receiver.tuning.dial)
    if not low <= dial <= high:
        raise click.BadParameter(f"the dial goes from {low:g} to {high:g}.", param_hint="'--dial'")
    return dial


def state(session: Session, coil: Coil, valve: str, antenna: str | None) -> dict[str, Any]:
    """The cells that say what was on the bench; the antenna is as in the plan unless said."""
    connected = "yes" if session.plan.receiver.antenna is not None else "no"
    return {"coil": coil.name, "valve": valve, "antenna": antenna or connected}


def implausible(
    session: Session, row: dict[str, Any], f_hz: float, *, f_u_hz: float | None = None, where: str = ""
) -> tuple[str, bool] | None:
    """What to say of a frequency that is not what the session's own rows and the plan foretell, and whether it is absurd.

    Parameters
    ----------
    row : `coil`, `valve`, `antenna`, and where known `dial` and `added_c_f`; without a dial the coil's whole range counts.
    where : put before the words (a file's name).
    """
    from bench.measuring.prediction import DialLaw
    from bench.measuring.wanted import counts
    from bench.quantities import show

    plan = session.plan
    alike = [
        other
        for other in session.rows("resonance")
        if any(counts(other, plan, coil.name, row["antenna"]) for coil in plan.coil)
        and (other["valve"] or row["valve"]) == row["valve"]
    ]
    law = DialLaw(plan, alike)
    dial = row.get("dial")
    dials = plan.receiver.tuning.dial if dial is None else (dial,)
    expected = sorted(
        (law.expected(row["coil"], at, row.get("added_c_f") or 0.0) for at in dials),
        key=lambda one: one.f0_hz,
    )
    low, high = expected[0], expected[-1]
    near = low if f_hz < low.f0_hz else high
    if low.f0_hz < f_hz < high.f0_hz:
        return None
    off = math.log(f_hz / near.f0_hz)
    u = math.hypot(near.f0_u_hz / near.f0_hz, (f_u_hz or TYPED_SHARE_U * f_hz) / f_hz)
    if abs(off) <= TOLD_SIGMAS * u:
        return None
    unit = plan.show.frequency
    if dial is None:
        told = f"{show(low.f0_hz, 'frequency', unit)} to {show(high.f0_hz, 'frequency', unit)}"
        place = f"what coil {row['coil']} tunes"
    else:
        told = show(near.f0_hz, "frequency", unit, near.f0_u_hz)
        place = f"what coil {row['coil']} should have at dial {dial:g}"
    words = (
        f"{where}{show(f_hz, 'frequency', unit)} is {abs(off) / u:.0f} uncertainties {'above' if off > 0 else 'below'} {place}: "
        f"{told}, by {'the readings so far and the plan' if alike else 'the plan'}."
    )
    return words, abs(off) > ABSURD_SIGMAS * u and abs(off) > math.log(ABSURD_FACTOR)
