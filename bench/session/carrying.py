"""Readings of an earlier recipe, carried over to the plan's present one: for a plan that was wrong, not a set that was changed."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from bench.errors import SessionError
from bench.plan.schema import recipe
from bench.session.tables import TABLES

if TYPE_CHECKING:
    from bench.session.folder import Session


_MARK = re.compile(r"carried over from (\S+), recipe (\S+)$")


@dataclass(frozen=True)
class Carried:
    """What was carried: how many rows of each table, and whether angles of the control are among them."""

    coil: str
    recipe: str
    rows: dict[str, int]
    angles: bool


def carry(session: Session, coils: Sequence[str] = (), old: str | None = None) -> list[Carried]:
    """Append each row of an earlier recipe again under the present one, and withdraw the row it came from.

    A coil's rows of several earlier recipes may stem from several windings: `old` then says whose set this is still.

    Raises
    ------
    SessionError
        Nothing to carry, or several recipes to choose from; nothing was recorded.
    """
    named = [session.plan.coil_named(name).name for name in coils] or [
        coil.name for coil in session.plan.coil
    ]
    with session.lock():
        work = [(name, found) for name in named if (found := _chosen(session, name, old)) is not None]
        if not work:
            said = f" of recipe {old}" if old else " of an earlier recipe"
            raise SessionError(f"{session.name} has no readings{said} to carry over; nothing was recorded.")
        return [_carry(session, name, found) for name, found in work]


def _chosen(session: Session, coil: str, old: str | None) -> str | None:
    """The earlier recipe of a coil's rows, None where it has none."""
    present = recipe(session.plan, coil)
    first: dict[str, str] = {}
    count: Counter[str] = Counter()
    for table in TABLES:
        for row in session.rows(table):
            if row["coil"] == coil and row["recipe"] and row["recipe"] != present:
                count[row["recipe"]] += 1
                first[row["recipe"]] = min(str(row["time"]), first.get(row["recipe"], str(row["time"])))
    if old is not None:
        return old if old in count else None
    if len(count) > 1:
        listed = "; ".join(
            f"{key}, {count[key]} rows from {first[key][:10]}" for key in sorted(count, key=first.__getitem__)
        )
        raise SessionError(
            f"Coil {coil} has readings of {len(count)} earlier recipes ({listed}). Say with --recipe which of them were read on the "
            "set as it is now; nothing was recorded."
        )
    return next(iter(count), None)


def _carry(session: Session, coil: str, old: str) -> Carried:
    present, done, angles = recipe(session.plan, coil), Counter[str](), False
    for table in TABLES:
        rows = session.rows(table)
        standing = {(str(row["reading"]), str(row["recipe"])) for row in rows}
        copied = {_source(row) for row in rows}
        for row in rows:
            if row["coil"] != coil or row["recipe"] != old:
                continue
            # A run that was killed after the new row has left the old one standing; and the plan may have been written back since.
            source = _source(row)
            copy_of_present = source in standing and source is not None and source[1] == present
            if (row["reading"], old) not in copied and not copy_of_present:
                mark = f"carried over from {row['reading']}, recipe {old}"
                note = f"{row['note']}; {mark}" if row["note"] else mark
                session.append(table, {**row, "reading": None, "recipe": present, "note": note})
            session.withdraw(table, str(row["reading"]), "the plan was corrected")
            done[table] += 1
            angles = angles or row.get("angle_deg") is not None
    return Carried(coil, old, dict(done), angles)


def _source(row: dict[str, Any]) -> tuple[str, str] | None:
    """Reading and recipe that a row was carried over from, None where it was not."""
    found = _MARK.search(str(row["note"] or ""))
    return (found[1], found[2]) if found else None
