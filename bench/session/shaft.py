"""`shaft.json`: what a session knows of its angle sensor. Newer takes the place of older; the log keeps all."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING

from bench.errors import SessionError
from bench.session import disk, shapes

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
    try:
        return read(session.path / FILE)
    except FileNotFoundError:
        return 0.0, 0.0


def read(path: Path) -> tuple[float, float]:
    """The bow that a file holds; raises as `bow`, and FileNotFoundError where there is none."""
    try:
        first, second = shapes.read(path, "shaft")["shaft"]["bow"]
    except shapes.ShapeError as problem:
        raise SessionError(
            f"{path} cannot be used ({problem}). Delete it, or run regenbench shaft again."
        ) from problem
    if not max(abs(first), abs(second)) < 0.5:
        raise SessionError(
            f"{path} cannot be used: a bow of ({first:g}, {second:g}) cannot be. Delete it, or run regenbench shaft again."
        )
    return float(first), float(second)
