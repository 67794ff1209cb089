"""Small worlds whose every value is known, for simulated instruments to stand in."""

from __future__ import annotations

import time
from dataclasses import dataclass, field

import numpy as np

from drivers.roles import AnalyzerLimits, Complexes, Floats
from drivers.simulators.sensor import SensorBatch


@dataclass
class TankWorld:
    """A loosely coupled tank: the reflection is a formula of the frequency, without noise."""

    limits: AnalyzerLimits = field(default_factory=lambda: AnalyzerLimits(1e5, 3e7, 1001, 1e-3, 201))
    f0_hz: float = 3.5e6
    q: float = 120.0

    def reflection(self, f_hz: Floats) -> Complexes:
        x = 2j * self.q * (f_hz - self.f0_hz) / self.f0_hz
        out: Complexes = np.asarray(0.96 - 0.08j - (0.11 + 0.05j) / (1 + x), np.complex128)
        return out


@dataclass
class OutputWorld:
    """Remembers what a generator did."""

    history: list[tuple[float, float, bool]] = field(default_factory=list)

    def apply(self, f_hz: float, level_dbm: float, on: bool) -> None:
        self.history.append((f_hz, level_dbm, on))

    @property
    def on(self) -> bool:
        return bool(self.history) and self.history[-1][2]


class KnobWorld:
    """A knob that turns steadily: angle, level and mark are formulas of the sampling slot."""

    def __init__(self, speed: float = 60.0, rate_hz: float = 100.0, start_slot: int = 0) -> None:
        self.began_s = time.monotonic()
        self._speed = speed
        self._rate_hz = rate_hz
        self._start = start_slot
        self.stopped_at: int | None = None

    @property
    def rate_hz(self) -> float:
        return self._rate_hz

    def newest(self) -> int:
        slot = self._start + int((time.monotonic() - self.began_s) * self._speed * self._rate_hz)
        return slot if self.stopped_at is None else min(slot, self.stopped_at)

    def frames(self, first: int, count: int) -> SensorBatch:
        slot = first + np.arange(count)
        return SensorBatch(
            slot / self._rate_hz,
            self.angle(slot),
            self.level(slot),
            np.asarray(slot % 50 < 25),
            self.level(slot + 7),
        )

    @staticmethod
    def angle(slot: Floats) -> Floats:
        return np.asarray(slot % 4001 / 4095.0)

    @staticmethod
    def level(slot: Floats) -> Floats:
        return np.asarray((slot * 17) % 4093 / 4095.0)
