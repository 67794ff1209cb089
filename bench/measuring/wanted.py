"""What the plan asks for and the tables lack."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from bench.plan.schema import Coil, Plan, recipe
from bench.quantities import show
from bench.session.folder import Session

Kind = Literal["resonance", "onset"]
KINDS: tuple[Kind, ...] = ("resonance", "onset")

SAME_FREQUENCY = 0.01
SAME_DIAL = 0.006
# What the end of the dial may fall short of a wanted frequency and still stand for it.
REACH = 0.004


@dataclass(frozen=True)
class Wanted:
    """A reading that the plan asks for and the tables lack."""

    kind: Kind
    coil: str
    dial: float | None = None
    added_c_f: float | None = None
    f_hz: float | None = None
    rows: int = 1

    def words(self, plan: Plan) -> str:
        """What it is, for the person at the bench."""
        if self.kind == "resonance":
            added = (
                f" with {show(self.added_c_f, 'capacitance', plan.show.capacitance)} added"
                if self.added_c_f
                else ""
            )
            return f"coil {self.coil}: resonance at dial {self.dial:g}{added}"
        assert self.f_hz is not None
        return f"coil {self.coil}: onset at {show(self.f_hz, 'frequency', plan.show.frequency)}"


def added_dials(coil: Coil) -> tuple[float, ...]:
    """Dial readings at which the known capacitor is added: the two ends and the middle of the coil's own list."""
    dials = coil.dials
    if len(dials) <= 2:
        return dials
    return dials[0], dials[len(dials) // 2], dials[-1]


def same_dial(a: float, b: float, plan: Plan) -> bool:
    first, last = plan.receiver.tuning.dial
    return abs(a - b) <= SAME_DIAL * abs(last - first)


def lacking(plan: Plan, rows: dict[str, list[dict[str, Any]]], *, valve: str, antenna: str) -> list[Wanted]:
    """What the plan asks for and the rows (withdrawn ones left out) do not hold, coil by coil, in bench order.

    A row counts if it is of the coil's present recipe and of the state the readings would be taken in.
    """
    wanted: list[Wanted] = []
    for coil in plan.coil:
        present = recipe(plan, coil.name)

        def counts(row: dict[str, Any], name: str = coil.name, present: str = present) -> bool:
            return (
                row["coil"] == name
                and (row["recipe"] or present) == present
                and (row["antenna"] or antenna) == antenna
            )

        resonance = [r for r in rows["resonance"] if counts(r) and (r["valve"] or valve) == valve]
        onset = [r for r in rows["onset"] if counts(r)]
        points: list[tuple[float, float | None]] = [(dial, None) for dial in coil.dials]
        if plan.readings.added_capacitor is not None:
            points += [(dial, plan.readings.added_capacitor) for dial in added_dials(coil)]
        for dial, added in points:
            if not any(
                r["dial"] is not None
                and same_dial(r["dial"], dial, plan)
                and bool(r["added_c_f"]) == bool(added)
                for r in resonance
            ):
                wanted.append(Wanted("resonance", coil.name, dial=dial, added_c_f=added))
        for f_hz in coil.onset_at:
            if out_of_reach(plan, resonance, f_hz) is not None:
                continue
            here = [r for r in onset if r["f_hz"] and abs(r["f_hz"] / f_hz - 1) < SAME_FREQUENCY]
            if any(r["angle_deg"] is None or r["angle_deg"] == 0.0 for r in here):
                continue
            ups = sum(r["direction"] == "onset" for r in here)
            downs = sum(r["direction"] == "drop-out" for r in here)
            missing = max(plan.readings.repeats - min(ups, downs), 0)
            if missing:
                wanted.append(Wanted("onset", coil.name, f_hz=f_hz, rows=2 * missing))
    return wanted


def out_of_reach(plan: Plan, resonance: Sequence[dict[str, Any]], f_hz: float) -> float | None:
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


def _plain_at(row: dict[str, Any], dial: float, plan: Plan) -> bool:
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
    rows = session.rows("resonance")
    valve = "cold" if cold else "working"
    told = []
    for coil in plan.coil:
        if coils and coil.name not in coils:
            continue
        present = recipe(plan, coil.name)
        mine = [
            r
            for r in rows
            if r["coil"] == coil.name
            and (r["recipe"] or present) == present
            and (r["valve"] or valve) == valve
        ]
        for f_hz in coil.onset_at:
            end = out_of_reach(plan, mine, f_hz)
            if end is not None:
                far, near = (show(f, "frequency", plan.show.frequency) for f in (f_hz, end))
                told.append(f"coil {coil.name}: onset at {far} is left out: the dial ends at {near}")
    return told


def still_wanted(session: Session, kinds: Sequence[str], coils: Sequence[str], *, cold: bool) -> list[Wanted]:
    """The readings a session still lacks, of these kinds and coils (empty: all)."""
    rows: dict[str, list[dict[str, Any]]] = {name: session.rows(name) for name in KINDS}
    valve = "cold" if cold else "working"
    every = lacking(session.plan, rows, valve=valve, antenna=antenna_state(session.plan))
    return [w for w in every if (not kinds or w.kind in kinds) and (not coils or w.coil in coils)]
