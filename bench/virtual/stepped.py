"""The simulated set without wires or a process: time passes when somebody acts, and only then.

For tests and benchmarks of readings: the same world, analyzer, sensor and hands, at the speed of the computer.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from bench.measuring.operator import Setup, Skipped, Turn
from bench.virtual.scenario import Hidden
from bench.virtual.world import SetWorld
from drivers.errors import InstrumentError
from drivers.roles import AnalyzerLimits, Floats, Sample, Sweep

READ_S = 0.07


class Stepped:
    """A world with its clock in hand; analyzer, sensor and operator in one, by their protocols."""

    def __init__(self, hidden: Hidden) -> None:
        self.now_s = 0.0
        self.world = SetWorld(hidden, lambda: self.now_s)
        self.sweeps = 0
        self.points = 0
        self.moves = 0
        self._told = 0
        self._setup: Setup | None = None

    def take(self, seconds: float) -> None:
        """Let an action take its time."""
        self.now_s += seconds

    # Analyzer

    @property
    def limits(self) -> AnalyzerLimits:
        """Of the world's analyzer."""
        return self.world.limits

    @property
    def level_dbm(self) -> float | None:
        """The analyzer's level."""
        return self.world.level_dbm

    def set_level(self, level_dbm: float) -> None:
        """Sweep at this level from now on."""
        low, high = self.world.level_range_dbm
        if not low <= level_dbm <= high:
            raise InstrumentError(f"{level_dbm:g} dBm is out of range.")
        self.world.set_level(level_dbm)

    def sweep(self, start_hz: float, stop_hz: float, points: int) -> Sweep:
        """One uniform sweep."""
        return self.sweep_at(np.linspace(start_hz, stop_hz, points))

    def sweep_at(self, f_hz: Floats) -> Sweep:
        """One sweep over a list of frequencies."""
        self.sweeps += 1
        self.points += len(f_hz)
        self.take(0.2 + len(f_hz) * self.limits.seconds_per_point)
        return Sweep(f_hz, self.world.reflection(f_hz))

    # Sensor

    @property
    def rate_hz(self) -> float:
        """Frames a second."""
        return self.world.rate_hz

    def identify(self) -> str:
        """What stands in the log."""
        return "stepped bench"

    def flush(self) -> None:
        """Throw away what has come in so far."""
        self._told = self.world.newest() + 1

    def read(self, seconds: float) -> Sequence[Sample]:
        """Frames since the last call, at least one."""
        self.take(READ_S)
        newest = self.world.newest()
        batch = self.world.frames(self._told, newest + 1 - self._told)
        self._told = newest + 1
        return [
            Sample(float(t), round(float(a) * 4095) / 4095, round(float(v) * 4095) / 4095, bool(m))
            for t, a, v, m in zip(batch.t_s, batch.angle, batch.level, batch.mark, strict=True)
        ]

    def close(self) -> None:
        """Nothing to let go of."""

    # Operator

    def caution(self, lines: list[str]) -> None:
        """Nobody can be hurt here."""

    def prepare(self, setup: Setup) -> None:
        """Bring the set into this state."""
        last, world = self._setup, self.world
        if last is None or last.coil != setup.coil:
            self.take(world.plug(setup.coil))
        if last is None or last.valve != setup.valve:
            self.take(world.set_valve(setup.valve))
        if last is None or last.antenna != setup.antenna:
            self.take(world.set_antenna(setup.antenna))
        if last is None or last.loop != setup.loop:
            self.take(world.set_loop(setup.loop))
        if last is None or last.added_c_f != setup.added_c_f:
            self.take(world.set_added(setup.added_c_f))
        self._setup = setup

    def set_dial(self, dial: float) -> float:
        """Set the dial; returns it as read."""
        self.take(self.world.set_dial(dial))
        return self.world.dial_reading()

    def rest_control(self, angle_deg: float) -> None:
        """Turn the control and leave it."""
        self.moves += 1
        self.take(self.world.turn(angle_deg, 90.0))

    def begin_turn(self, turn: Turn) -> None:
        """Start a slow turn."""
        self.moves += 1
        self.world.set_listening(turn.listen)
        self.world.turn(turn.to_deg, turn.speed_deg_s)

    def noticed(self, turn: Turn) -> None:
        """Nobody looks on."""

    def move_loop(self, looser: bool) -> None:
        """Move the pick-up loop a little."""
        self.take(self.world.move_loop(looser))

    def hold_hand(self, position: str | None) -> None:
        """Hold a hand near the set, or take it away."""
        self.take(self.world.set_hand(position))

    def hears_oscillation(self) -> bool:
        """By ear."""
        return bool(self.world.seen()["oscillating"])

    def number(self, question: str, read: Callable[[str], float]) -> float:
        """Nothing is typed here."""
        raise Skipped(f"nobody is there to answer “{question}”")

    def retry(self, problem: str) -> bool:
        """No second try by itself."""
        return False
