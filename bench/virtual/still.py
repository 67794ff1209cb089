"""The simulated set standing still before a generator and a level meter, as fast as the computer goes.

For tests and benchmarks of level readings: response, hiss and converter are the world's own; what only a turning control or an
oscillating set would change is left out, and a look at the meter brings many samples at once.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bench.virtual import dynamics
from bench.virtual.scenario import Hidden
from bench.virtual.world import RATE_HZ, SetWorld
from drivers.roles import LevelSample

BATCH = 16
STEPS = 4095


class Still:
    """Generator and level meter in one, by their protocols, at a `world` whose hands the caller is."""

    def __init__(self, hidden: Hidden, seed: int = 0) -> None:
        self.now_s = 0.0
        self.hidden = hidden
        self.world = SetWorld(hidden, lambda: self.now_s)
        self._random = np.random.default_rng([hidden.seed, seed])
        self._drive = (1e6, -120.0)
        self._on = False
        self._share = 0.0
        self._ratio = np.zeros(BATCH)

    def identify(self) -> str:
        """What stands in the log."""
        return "still set"

    def set(self, f_hz: float, level_dbm: float) -> None:
        """The generator's frequency and level."""
        self._drive = (f_hz, level_dbm)
        self._apply()

    def output(self, on: bool) -> None:
        """The generator on or off."""
        self._on = on
        self._apply()

    def _apply(self) -> None:
        self._share, ratio = self.world.at_rest(*self._drive, self._on)
        self._ratio = np.full(BATCH, ratio)

    def flush(self) -> None:
        """Nothing waits here."""

    def read(self, seconds: float) -> Sequence[LevelSample]:
        """The next samples."""
        t_s = self.now_s + np.arange(1, BATCH + 1) / RATE_HZ
        self.now_s = float(t_s[-1])
        silent, still = np.zeros(BATCH), np.zeros(BATCH, dtype=bool)
        share = dynamics.level_share(self.hidden, silent, self._ratio, still, self._share, self._random)
        counts = np.round(np.clip(share, 0.0, 1.0) * STEPS) / STEPS
        return [LevelSample(float(t), float(v)) for t, v in zip(t_s, counts, strict=True)]

    def close(self) -> None:
        """Nothing to let go of."""
