"""What else changes: a hand near the set, the wiper, the control's pull on the dial, the antenna; and do ways of reading agree.

From a session's tables to small tables of numbers and one plain sentence each. What was not read is said, with the command
that reads it.
"""

from __future__ import annotations

from collections.abc import Sequence

from bench.session.folder import Session
from bench.sidechecks.antenna import antenna
from bench.sidechecks.curves import onset_of_run as onset_of_run
from bench.sidechecks.curves import pull, steepness
from bench.sidechecks.curves import runs as runs
from bench.sidechecks.hand import body
from bench.sidechecks.parts import Check as Check
from bench.sidechecks.parts import present_rows as present_rows
from bench.sidechecks.ways import agreement
from bench.sidechecks.wiper import wiper

TITLES = {
    "body": "Hand near the set",
    "wiper": "Wiper noise",
    "pull": "Pull of the control on the dial",
    "steepness": "Steepness at onset",
    "antenna": "Antenna on and off",
    "agreement": "One onset, read in several ways",
}


def side_checks(session: Session, coils: Sequence[str] = ()) -> list[Check]:
    """All side checks of a session's coils (none named: all), in order of the coils."""
    plan = session.plan
    tables = {name: session.rows(name) for name in ("resonance", "onset", "curve", "body", "wiper")}
    found: list[Check] = []
    for coil in plan.coil:
        if coils and coil.name not in coils:
            continue
        mine = {name: [r for r in rows if r["coil"] == coil.name] for name, rows in tables.items()}
        now = {name: present_rows(plan, coil.name, rows) for name, rows in mine.items()}
        measure = f"regenbench measure {session.path} --coil '{coil.name}'"
        found += [
            body(plan, coil.name, now["body"], measure),
            wiper(coil.name, now["wiper"], measure),
            pull(plan, coil.name, now["curve"], measure),
            steepness(plan, coil.name, now["curve"], measure),
            antenna(plan, coil.name, mine, f"regenbench measure {session.path}"),
            agreement(plan, coil.name, now["onset"], measure),
        ]
    return found
