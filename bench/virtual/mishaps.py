"""Faults as words: what the command line and the hands take."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import get_args

from drivers.simulators.faults import Fault, Kind

ROLES = ("analyzer", "generator", "sensor")
FAULT_OPTIONS: dict[str, Callable[[str], str | int | float]] = {
    "where": str,
    "after": int,
    "seconds": float,
    "amount": int,
}
FAULT_FORM = "ROLE:KIND[,where=TEXT][,after=N][,seconds=S][,amount=N]"


class NotAFault(ValueError):
    """The words do not say a fault; tells how they should."""


def parse_fault(text: str) -> tuple[str, Fault]:
    """`sensor:stall,after=200,seconds=2` to the role it happens to and the fault.

    Raises
    ------
    NotAFault
        It is not written like that.
    """
    head, *options = text.split(",")
    role, _, kind = head.partition(":")
    if role not in ROLES or kind not in get_args(Kind):
        raise NotAFault(
            f"{text!r} is not {FAULT_FORM}; roles are {', '.join(ROLES)}, kinds {', '.join(get_args(Kind))}"
        )
    changes: dict[str, str | int | float] = {}
    for option in options:
        key, _, value = option.partition("=")
        if key not in FAULT_OPTIONS:
            raise NotAFault(f"{key!r} in {text!r} is not one of {', '.join(FAULT_OPTIONS)}")
        try:
            changes[key] = FAULT_OPTIONS[key](value)
        except ValueError as problem:
            raise NotAFault(f"{value!r} in {text!r} is not a number") from problem
    return role, replace(Fault(kind), **changes)  # type: ignore[arg-type]
