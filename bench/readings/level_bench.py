"""Generator and detector as one instrument: a frequency and a level set, a wait, and the mean of what the detector shows.

The generator's output is off before and after; on every way out, errors and interrupts included.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from types import TracebackType
from typing import Self

import numpy as np

from bench.readings.turning import LEVEL_FULL_SCALE_V, SILENCE_S
from drivers.errors import TimedOut, WireError
from drivers.roles import Floats, Generator, LevelMeter, Sensor

FULL_SCALE_V = LEVEL_FULL_SCALE_V
SETTLE_S = 0.05
QUIET_SAMPLES = 40


@dataclass(frozen=True)
class LevelPoint:
    """The detector's mean at one frequency and generator level; `u_v` its standard uncertainty, of `samples`."""

    f_hz: float
    level_dbm: float
    level_v: float
    u_v: float
    samples: int


def columns(points: Sequence[LevelPoint]) -> tuple[Floats, Floats]:
    """Frequencies and volts, (n,) each."""
    return np.array([p.f_hz for p in points]), np.array([p.level_v for p in points])


class LevelBench:
    """A generator and a level meter at the same tank.

    Parameters
    ----------
    most_dbm : no higher level is asked for.
    settle_s : how long the detector takes to follow, on the meter's own clock.
    """

    def __init__(
        self,
        generator: Generator,
        meter: Sensor | LevelMeter,
        *,
        most_dbm: float = 13.0,
        settle_s: float = SETTLE_S,
    ) -> None:
        self._generator = generator
        self._meter = meter
        self.most_dbm = most_dbm
        self._settle_s = settle_s
        self._on = False
        self._squares = 0.0
        self._freedom = 0
        self.samples = 0
        self.settings = 0

    def __enter__(self) -> Self:
        self.off()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        try:
            self.off()
        except WireError:
            # The first problem is the one to be told; the driver itself goes on trying until it is closed.
            if problem is None:
                raise

    def off(self) -> None:
        """Output off."""
        self._generator.output(False)
        self._on = False

    @property
    def noise_v(self) -> float:
        """Standard deviation of one sample, from all readings so far."""
        if not self._freedom:
            return 0.01 * FULL_SCALE_V
        # A converter that does not even show its last digit moving is not free of noise.
        return max(math.sqrt(self._squares / self._freedom), 1e-5 * FULL_SCALE_V)

    def quiet(self, samples: int = QUIET_SAMPLES) -> LevelPoint:
        """The reading with the output off."""
        self.off()
        return self._mean(0.0, -math.inf, lambda v, n: n >= samples)

    def read(
        self,
        f_hz: float,
        level_dbm: float,
        samples: int,
        *,
        most: int = 0,
        enough: Callable[[float], float] | None = None,
    ) -> LevelPoint:
        """One point: at least `samples`, and up to `most` until the mean is as certain as `enough` of its volts asks for."""
        self._generator.set(f_hz, level_dbm)
        self.settings += 1
        if not self._on:
            self._generator.output(True)
            self._on = True

        def done(v: float, n: int) -> bool:
            if n < samples:
                return False
            return enough is None or n >= most or self.noise_v / math.sqrt(n) <= enough(v)

        return self._mean(f_hz, level_dbm, done)

    def _mean(self, f_hz: float, level_dbm: float, done: Callable[[float, int], bool]) -> LevelPoint:
        meter = self._meter
        meter.flush()
        from_s: float | None = None
        values: list[float] = []
        while True:
            new = meter.read(SILENCE_S)
            if not new:
                raise TimedOut("the level meter has gone silent.", hint="Look at its cable and power.")
            for sample in new:
                from_s = sample.t_s if from_s is None else from_s
                if sample.t_s < from_s + self._settle_s:
                    continue
                values.append(FULL_SCALE_V * sample.level)
                if len(values) % 4 == 0 and done(float(np.mean(values)), len(values)):
                    return self._point(f_hz, level_dbm, np.array(values))

    def _point(self, f_hz: float, level_dbm: float, values: Floats) -> LevelPoint:
        mean = float(values.mean())
        self._squares += float(((values - mean) ** 2).sum())
        self._freedom += len(values) - 1
        self.samples += len(values)
        return LevelPoint(f_hz, level_dbm, mean, self.noise_v / math.sqrt(len(values)), len(values))
