"""What the plan asks for and the tables lack."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from bench.measuring.kinds import KINDS, Row, Sought, Wanted, kind
from bench.plan.schema import Coil, Plan, recipe
from bench.quantities import show
from bench.session.folder import Session

SAME_DIAL = 0.006
# What the end of the dial may fall short of a wanted frequency and still stand for it.
REACH = 0.004


def same_dial(a: float, b: float, plan: Plan) -> bool:
    """Whether two readings of the dial are of one setting."""
    first, last = plan.receiver.tuning.dial
    return abs(a - b) <= SAME_DIAL * abs(last - first)


def counts(row: Mapping[str, Any], plan: Plan, coil: str, antenna: str) -> bool:
    """Whether a row is of this coil, as it is now wound, with the antenna as it is now."""
    present = recipe(plan, coil)
    return (
        row["coil"] == coil
        and (row["recipe"] or present) == present
        and (row["antenna"] or antenna) == antenna
    )


def _sought(
    plan: Plan, coil: Coil, rows: Mapping[str, Sequence[Row]], valve: str, antenna: str, asked: bool = False
) -> Sought:
    own = {
        name: [row for row in table if counts(row, plan, coil.name, antenna)] for name, table in rows.items()
    }
    return Sought(plan, coil, own, valve, asked)


def lacking(
    plan: Plan,
    rows: Mapping[str, Sequence[Row]],
    *,
    valve: str,
    antenna: str,
    kinds: Sequence[str] = (),
    coils: Sequence[str] = (),
) -> list[Wanted]:
    """What the plan asks for and the rows (withdrawn ones left out) do not hold, coil by coil, in bench order.

    A row counts if it is of the coil's present recipe and of the state the readings would be taken in. No `kinds` or
    `coils`: all of them.
    """
    wanted: list[Wanted] = []
    for coil in plan.coil:
        if coils and coil.name not in coils:
            continue
        for name in KINDS:
            if not kinds or name in kinds:
                wanted += kind(name).lacking(_sought(plan, coil, rows, valve, antenna, name in kinds))
    return wanted


def out_of_reach(plan: Plan, resonance: Sequence[Mapping[str, Any]], f_hz: float) -> float | None:
    """The frequency at the end of the dial that is nearest, where both ends were read and `f_hz` lies beyond them."""
    ends = [
        [float(r["f0_hz"]) for r in resonance if _plain_at(r, end, plan)] for end in plan.receiver.tuning.dial
    ]
    if not all(ends):
        return None
    low, high = sorted((ends[0][-1], ends[1][-1]))
    if f_hz < low * (1 - REACH):
        return low
    return high if f_hz > high * (1 + REACH) else None


def _plain_at(row: Mapping[str, Any], dial: float, plan: Plan) -> bool:
    return (
        bool(row["f0_hz"])
        and not row["added_c_f"]
        and row["dial"] is not None
        and same_dial(row["dial"], dial, plan)
    )


def antenna_state(plan: Plan) -> str:
    """Whether the plan's set has its antenna on, as the tables write it."""
    return "yes" if plan.receiver.antenna is not None else "no"


def beyond_the_dial(session: Session, coils: Sequence[str], *, cold: bool) -> list[str]:
    """For each onset frequency of the plan that its coil cannot be tuned to: a sentence that says so."""
    plan = session.plan
    rows = {"resonance": session.rows("resonance")}
    told = []
    for coil in plan.coil:
        if coils and coil.name not in coils:
            continue
        mine = _sought(plan, coil, rows, "cold" if cold else "working", antenna_state(plan)).resonances()
        for f_hz in coil.onset_at:
            end = out_of_reach(plan, mine, f_hz)
            if end is not None:
                far, near = (show(f, "frequency", plan.show.frequency) for f in (f_hz, end))
                told.append(f"coil {coil.name}: onset at {far} is left out: the dial ends at {near}")
    return told


def still_wanted(session: Session, kinds: Sequence[str], coils: Sequence[str], *, cold: bool) -> list[Wanted]:
    """The readings a session still lacks, of these kinds and coils (empty: all)."""
    rows: dict[str, list[Row]] = {name: session.rows(name) for name in KINDS}
    return lacking(
        session.plan,
        rows,
        valve="cold" if cold else "working",
        antenna=antenna_state(session.plan),
        kinds=kinds,
        coils=coils,
    )
