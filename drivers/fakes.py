"""The roles without a wire, given the same worlds as the simulators: for tests of whatever uses a role."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from drivers.errors import LinkLost, Misuse
from drivers.listed import checked_list
from drivers.roles import AnalyzerLimits, Floats, Sample, Sweep

if TYPE_CHECKING:
    from drivers.simulators.scpi import AnalyzerWorld, GeneratorWorld
    from drivers.simulators.sensor import SensorWorld


class FakeAnalyzer:
    """An analyzer that asks its world directly."""

    def __init__(self, world: AnalyzerWorld) -> None:
        self._world = world
        self._closed = False

    @property
    def limits(self) -> AnalyzerLimits:
        return self._world.limits

    def identify(self) -> str:
        return "fake analyzer"

    def sweep(self, start_hz: float, stop_hz: float, points: int) -> Sweep:
        if self._closed:
            raise LinkLost("the instrument has been closed.")
        limits = self.limits
        if not (limits.low_hz <= start_hz < stop_hz <= limits.high_hz and 2 <= points <= limits.most_points):
            raise Misuse("the sweep is outside the instrument's limits.")
        f_hz = np.linspace(start_hz, stop_hz, points)
        return Sweep(f_hz, np.asarray(self._world.reflection(f_hz), np.complex128))

    def sweep_at(self, f_hz: Floats) -> Sweep:
        if self._closed:
            raise LinkLost("the instrument has been closed.")
        wanted = checked_list(f_hz, self.limits)
        return Sweep(wanted, np.asarray(self._world.reflection(wanted), np.complex128))

    def close(self) -> None:
        self._closed = True


class FakeGenerator:
    """A generator that tells its world directly."""

    def __init__(self, world: GeneratorWorld, *, most_dbm: float = 13.0) -> None:
        self._world = world
        self._most_dbm = most_dbm
        self._f_hz, self._level_dbm, self._on = 1e6, -120.0, False
        self._closed = False
        self._apply()

    def identify(self) -> str:
        return "fake generator"

    def set(self, f_hz: float, level_dbm: float) -> None:
        self._check_open()
        if not (0 < f_hz < float("inf") and level_dbm <= self._most_dbm):
            raise Misuse("a generator cannot be set to that.")
        self._f_hz, self._level_dbm = f_hz, level_dbm
        self._apply()

    def output(self, on: bool) -> None:
        self._check_open()
        self._on = on
        self._apply()

    def close(self) -> None:
        if not self._closed:
            self._on = False
            self._apply()
            self._closed = True

    def _check_open(self) -> None:
        if self._closed:
            raise LinkLost("the instrument has been closed.")

    def _apply(self) -> None:
        self._world.apply(self._f_hz, self._level_dbm, self._on)


class FakeSensor:
    """A sensor that asks its world directly."""

    def __init__(self, world: SensorWorld, *, dial: bool = False) -> None:
        self._world = world
        self._dial = dial
        self._closed = False
        self._next = 0
        self.flush()

    @property
    def rate_hz(self) -> float:
        return self._world.rate_hz

    @property
    def has_dial(self) -> bool:
        return self._dial

    def identify(self) -> str:
        return "fake sensor"

    def read(self, seconds: float) -> Sequence[Sample]:
        if self._closed:
            raise LinkLost("the port is closed.")
        deadline = time.monotonic() + seconds
        while (count := self._world.newest() + 1 - self._next) <= 0:
            if time.monotonic() >= deadline:
                return []
            time.sleep(0.002)
        batch = self._world.frames(self._next, count)
        self._next += count
        dials = batch.dial if self._dial else None
        return [
            Sample(
                float(batch.t_s[i]),
                float(batch.angle[i]),
                float(batch.level[i]),
                bool(batch.mark[i]),
                None if dials is None else float(dials[i]),
            )
            for i in range(count)
        ]

    def flush(self) -> None:
        if self._closed:
            raise LinkLost("the port is closed.")
        self._next = self._world.newest() + 1

    def close(self) -> None:
        self._closed = True
