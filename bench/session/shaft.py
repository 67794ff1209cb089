"""`shaft.json`: what a session knows of its angle sensor. Newer takes the place of older; the log keeps all."""

from __future__ import annotations

import json
import math
from dataclasses import asdict
from typing import TYPE_CHECKING

from bench.errors import SessionError
from bench.session import disk

if TYPE_CHECKING:
    from bench.readings.shaft import ShaftReading
    from bench.session.folder import Session

FILE = "shaft.json"


def keep(session: Session, reading: ShaftReading) -> None:
    """Write what was found; `measure` uses it from then on."""
    facts = asdict(reading)
    disk.write_whole(session.path / FILE, json.dumps(facts, indent=2, allow_nan=False) + "\n")
    session.log("shaft", **facts)


def bow(session: Session) -> tuple[float, float]:
    """The bow to take out of the sensor's angles; none where the sensor was never held against the pointer.

    Raises
    ------
    SessionError
        The file is damaged.
    """
    path = session.path / FILE
    try:
        first, second = json.loads(path.read_text(encoding="utf-8"))["shaft"]["bow"]
        found = (float(first), float(second))
    except FileNotFoundError:
        return 0.0, 0.0
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as problem:
        raise SessionError(f"{path} cannot be used. Delete it, or run regenbench shaft again.") from problem
    if not all(math.isfinite(one) and abs(one) < 0.5 for one in found):
        raise SessionError(
            f"{path} cannot be used: a bow of {found} cannot be. Delete it, or run regenbench shaft again."
        )
    return found
