"""An invented set of two coils, and sessions of it made of rows that a test writes down."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import pytest

from bench.session.folder import Session

Row = tuple[str, dict[str, Any]]
MakeSession = Callable[..., Session]

RECEIVER = """
[receiver]
name = "Lighthouse keepers' set"
gm = "0.7 mS"
rp = "20 kohm"
supply = "45 V"
[receiver.tuning]
dial = [0, 100]
capacitance = ["150 pF", "15 pF"]
[receiver.control]
kind = "divider"
resistance = "5 kohm"
window = ["10:00", "2:00"]
[receiver.feedback]
capacitor = "250 pF"
choke = "2 mH"
"""
COIL = """
[[coil]]
name = "{name}"
grid = {{ turns = {grid}, diameter = "30 mm", length = "20 mm", wire = "0.5 mm" }}
tickler = {{ turns = {tickler}, gap = "2 mm", wire = "0.2 mm" }}
"""


@pytest.fixture
def plan_of() -> Callable[..., str]:
    """A plan's text from its coils: name=(grid turns, tickler turns); `more` stands before the coils."""

    def text(more: str = "", receiver: str = RECEIVER, **coils: tuple[float, float]) -> str:
        listed = coils or {"K": (20, 6)}
        return (
            receiver
            + more
            + "".join(COIL.format(name=name, grid=g, tickler=t) for name, (g, t) in listed.items())
        )

    return text


@pytest.fixture
def make_session(tmp_path: Path, plan_of: Callable[..., str]) -> MakeSession:
    """A session of this name, plan (text) and rows; its fit says nothing unless `unfitted`, and then there is none."""

    def make(name: str, rows: Sequence[Row] = (), plan: str | None = None, unfitted: bool = False) -> Session:
        session = Session.create(tmp_path / name, plan or plan_of())
        with session.lock():
            for table, cells in rows:
                session.append(table, {"coil": "K", "valve": "working", "antenna": "no", **cells})
        if not unfitted:
            session.write_fit({"coils": []})
        return session

    return make


def _tank(dial: float, f0_hz: float, f0_u_hz: float = 100.0, **cells: Any) -> Row:
    return "resonance", {"dial": dial, "f0_hz": f0_hz, "f0_u_hz": f0_u_hz, "method": "reflection", **cells}


def _onset(f_hz: float, angle_deg: float | None, u: float = 1.0, **cells: Any) -> Row:
    row = {"f_hz": f_hz, "direction": "onset", "angle_deg": angle_deg, "angle_u_deg": u, "method": "typed"}
    return "onset", {**row, **cells}


@pytest.fixture
def tank() -> Callable[..., Row]:
    """A resonance row: dial, f0, its uncertainty."""
    return _tank


@pytest.fixture
def onset() -> Callable[..., Row]:
    """An onset row: frequency, angle, its uncertainty."""
    return _onset
