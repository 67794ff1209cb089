"""Angle from one instrument and level from another, brought together on one clock."""

from __future__ import annotations

import time
from collections import deque
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from drivers.errors import TimedOut
from drivers.roles import LevelMeter, LevelSample, Sample, Sensor

# A level stream that keeps silent so long is dead.
SILENT_S = 3.0
# The board's clock is set against ours by its quickest frame within so many reads; crystals differ by far less in that time.
_RECENT_READS = 200


class PairedSensor:
    """A sensor's angles and marks with the level of a meter that streams by itself.

    Each level is put beside the angle of the same moment. The meter's own delay (a sound card's buffer) stays: it is a time,
    and goes out with the other delays when onset is brought back to speed zero.
    """

    def __init__(self, angle: Sensor, meter: LevelMeter) -> None:
        self._angle = angle
        self._meter = meter
        self._offsets: deque[float] = deque(maxlen=_RECENT_READS)
        self._pending: list[Sample] = []
        self._levels: list[LevelSample] = []

    @property
    def rate_hz(self) -> float:
        """Frames a second of the angle's board."""
        return self._angle.rate_hz

    def identify(self) -> str:
        """Both instruments."""
        return f"{self._angle.identify()}; {self._meter.identify()}"

    def read(self, seconds: float) -> Sequence[Sample]:
        """All frames whose level is known, waiting at most `seconds` for the first.

        Raises
        ------
        TimedOut
            The meter has gone silent while the board goes on.
        """
        deadline = time.monotonic() + seconds
        while True:
            left = deadline - time.monotonic()
            new = list(self._angle.read(max(0.0, min(left, 0.05))))
            if new:
                self._offsets.append(time.monotonic() - new[-1].t_s)
                self._pending += new
            self._levels += self._meter.read(0.0)
            ready = self._ready()
            if ready or left <= 0:
                return ready

    def flush(self) -> None:
        """Throw away what has come in so far from either."""
        self._angle.flush()
        self._meter.flush()
        self._pending.clear()
        self._levels.clear()
        self._offsets.clear()

    def close(self) -> None:
        """Let go of both; may be called twice."""
        try:
            self._meter.close()
        finally:
            self._angle.close()

    def _ready(self) -> list[Sample]:
        if not self._pending or not self._offsets:
            return []
        offset_s = min(self._offsets)
        times = np.array([one.t_s + offset_s for one in self._pending])
        newest = self._levels[-1].t_s if self._levels else -np.inf
        if time.monotonic() - max(newest, times[0]) > SILENT_S:
            raise TimedOut(
                "the level meter has gone silent.", hint="Look at its plug and its level, then try again."
            )
        count = int(np.searchsorted(times, newest, side="right"))
        if not count:
            return []
        level = np.interp(
            times[:count], [one.t_s for one in self._levels], [one.level for one in self._levels]
        )
        out = [replace(one, level=float(v)) for one, v in zip(self._pending[:count], level, strict=True)]
        del self._pending[:count]
        # One older level stays, so that the next frame can stand between two.
        keep = next(
            (at for at, one in enumerate(self._levels) if one.t_s >= times[count - 1]), len(self._levels)
        )
        del self._levels[: max(0, keep - 1)]
        return out
