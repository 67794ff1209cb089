"""What the commands that record a row by hand have in common."""

from __future__ import annotations

from typing import Any

import click

from bench.errors import PlanError
from bench.plan.schema import Coil
from bench.session.folder import Session


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
