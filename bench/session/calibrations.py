"""Calibrations of a session: `calibrations/c001/` holds the raw sweeps of open, short and load, and what they were.

The newest one counts, unless the cable has been changed since. Nothing is ever overwritten.
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.errors import SessionError
from bench.session import disk, shapes
from bench.session.files import time_text

if TYPE_CHECKING:
    from bench.session.folder import Session
    from drivers.roles import Complexes, Floats

FOLDER = "calibrations"
FACTS = "calibration.json"
CHANGED = "cable-changed.json"
NAMES = ("open", "short", "load")
_NAME = re.compile(r"c(\d{3,6})")


@dataclass(frozen=True)
class Kept:
    """A calibration on the disk. `analyzer` as it identified itself; empty: from saved sweeps."""

    path: Path
    made_at: datetime
    analyzer: str
    low_hz: float
    high_hz: float
    open_c_f: float
    short_l_h: float
    load_ohm: float

    @property
    def name(self) -> str:
        """Its folder, c001 and on."""
        return self.path.name

    def sweeps(self) -> tuple[Floats, dict[str, Complexes]]:
        """Frequencies (n,) in Hz and the raw sweep (n,) of each standard.

        Raises
        ------
        SessionError
            A file is missing or damaged.
        """
        from drivers.errors import SweepFileError
        from drivers.touchstone import read_sweep

        try:
            read = {name: read_sweep(self.path / f"{name}.s1p") for name in NAMES}
        except SweepFileError as problem:
            raise SessionError(f"{problem} Or calibrate again: `regenbench calibrate`.") from problem
        f_hz = read["open"][0]
        if any(f.shape != f_hz.shape or not np.allclose(f, f_hz, rtol=1e-9) for f, _ in read.values()):
            raise SessionError(
                f"{self.path}: the three sweeps are not on the same frequencies. Calibrate again: `regenbench calibrate`."
            )
        return f_hz, {name: s for name, (_, s) in read.items()}


def keep(
    session: Session,
    f_hz: Floats,
    measured: Mapping[str, Complexes],
    *,
    analyzer: str,
    open_c_f: float,
    short_l_h: float,
    load_ohm: float,
    notes: Mapping[str, str],
) -> Kept:
    """Keep a new calibration; it counts once its facts are on the disk, after the sweeps.

    Parameters
    ----------
    measured : raw sweep (n,) of open, short and load.
    notes : where each sweep came from, for the head of its file.
    """
    from drivers.touchstone import sweep_text

    with session.lock():
        root = session.path / FOLDER
        numbers = [int(m.group(1)) for path in _entries(root) if (m := _NAME.fullmatch(path.name))]
        path = root / f"c{max(numbers, default=0) + 1:03d}"
        try:
            path.mkdir(parents=True)
        except OSError as problem:
            raise disk.cannot_write(path, problem) from problem
        for name in NAMES:
            head = [f"calibration standard: {name}, as the analyzer measured it", notes[name]]
            disk.write_whole(path / f"{name}.s1p", sweep_text(f_hz, measured[name], head))
        facts = {
            "made_at": time_text(session.now()),
            "analyzer": analyzer,
            "low_hz": float(f_hz[0]),
            "high_hz": float(f_hz[-1]),
            "open_c_f": open_c_f,
            "short_l_h": short_l_h,
            "load_ohm": load_ohm,
        }
        disk.write_whole(path / FACTS, json.dumps(facts, indent=2) + "\n")
        session.log("calibrate", calibration=path.name, **facts)
    return read(path)


def cable_changed(session: Session) -> None:
    """From now on earlier calibrations count no more."""
    with session.lock():
        root = session.path / FOLDER
        try:
            root.mkdir(exist_ok=True)
        except OSError as problem:
            raise disk.cannot_write(root, problem) from problem
        disk.write_whole(root / CHANGED, json.dumps({"time": time_text(session.now())}) + "\n")
        session.log("cable-changed")


def newest(session: Session) -> Kept | None:
    """The newest calibration that is whole; None where there is none.

    Raises
    ------
    SessionError
        Its facts are damaged.
    """
    numbered = [
        (int(m.group(1)), path)
        for path in _entries(session.path / FOLDER)
        if (m := _NAME.fullmatch(path.name)) and (path / FACTS).is_file()
    ]
    return read(max(numbered)[1]) if numbered else None


def changed_at(session: Session) -> datetime | None:
    """When the cable was last changed, if ever it was."""
    return changed_at_in(session.path / FOLDER)


def changed_at_in(root: Path) -> datetime | None:
    """The same, of a folder of calibrations.

    Raises
    ------
    SessionError
        Its file is damaged.
    """
    path = root / CHANGED
    if not path.exists():
        return None
    return datetime.fromisoformat(_json(path, "cable-changed")["time"])


def _entries(root: Path) -> list[Path]:
    return sorted(root.iterdir()) if root.is_dir() else []


def _json(path: Path, what: shapes.FileName) -> dict[str, Any]:
    try:
        return shapes.read(path, what)
    except (FileNotFoundError, shapes.ShapeError) as problem:
        raise SessionError(
            f"{path} is damaged ({problem}). Calibrate again: `regenbench calibrate`."
        ) from problem


def read(path: Path) -> Kept:
    """The calibration in a folder.

    Raises
    ------
    SessionError
        Its facts are damaged.
    """
    facts = _json(path / FACTS, "calibration")
    numbers = {key: float(facts[key]) for key in ("low_hz", "high_hz", "open_c_f", "short_l_h", "load_ohm")}
    return Kept(path, datetime.fromisoformat(facts["made_at"]), facts["analyzer"], **numbers)
