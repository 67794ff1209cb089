"""The worlds of tests/shared/worlds.py as fixtures."""

from __future__ import annotations

import pytest
from worlds import KnobWorld, OutputWorld, TankWorld


@pytest.fixture
def tank() -> TankWorld:
    return TankWorld()


@pytest.fixture
def output_world() -> OutputWorld:
    return OutputWorld()


@pytest.fixture
def knob() -> KnobWorld:
    return KnobWorld()


@pytest.fixture
def slow_knob() -> KnobWorld:
    """At the pace of life."""
    return KnobWorld(speed=1.0)
