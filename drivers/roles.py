"""What an analyzer, a generator and the angle-and-level sensor promise.

A role is a small protocol; whoever keeps it can be measured with. Frequencies in Hz, levels in dBm or V, times in
seconds of the instrument's own clock.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

# Reflection beyond this is no reading of a tank through a loop: 20 dB of gain.
MOST_REFLECTION = 10.0


@dataclass(frozen=True)
class AnalyzerLimits:
    """What sweeps an analyzer can do; `list_points`: frequencies in a free list, 0 where it does uniform sweeps only."""

    low_hz: float
    high_hz: float
    most_points: int
    seconds_per_point: float
    list_points: int = 0


@dataclass(frozen=True)
class Sweep:
    """One sweep: frequencies (n,) in Hz and complex reflection S11 (n,), dimensionless."""

    f_hz: Floats
    s11: Complexes


@dataclass(frozen=True)
class Sample:
    """One frame of the angle-and-level sensor.

    `t_s` is the board's own clock; `angle` and `level` (and `dial`, if fitted) are shares of the converter's full scale,
    0 to 1; `mark` is the switch.
    """

    t_s: float
    angle: float
    level: float
    mark: bool
    dial: float | None = None


@dataclass(frozen=True)
class LevelSample:
    """The level over one short stretch: `t_s` on the clock of `time.monotonic`, `level` as a share of full scale, 0 to 1."""

    t_s: float
    level: float


@runtime_checkable
class Announces(Protocol):
    """An instrument that needs hands: it says through `tell` what is to be done next, one line at a time."""

    tell: Callable[[str], None]


@runtime_checkable
class LevelMeter(Protocol):
    """Streams a level by itself, apart from the angle."""

    def identify(self) -> str:
        """What the meter calls itself."""
        ...

    def read(self, seconds: float) -> Sequence[LevelSample]:
        """All stretches since the last call, waiting at most `seconds` for the first."""
        ...

    def flush(self) -> None:
        """Throw away what has come in so far."""
        ...

    def close(self) -> None:
        """Let go of it; may be called twice."""
        ...


@runtime_checkable
class Analyzer(Protocol):
    """Measures complex reflection."""

    @property
    def limits(self) -> AnalyzerLimits:
        """Range and size of sweeps."""
        ...

    def identify(self) -> str:
        """What the instrument calls itself."""
        ...

    def sweep(self, start_hz: float, stop_hz: float, points: int) -> Sweep:
        """One uniform sweep, both ends included."""
        ...

    def close(self) -> None:
        """Let go of the port; may be called twice."""
        ...


@runtime_checkable
class ListAnalyzer(Analyzer, Protocol):
    """An analyzer that may take a free list of frequencies; whether, and how many, `limits.list_points` says."""

    def sweep_at(self, f_hz: Floats) -> Sweep:
        """One sweep at these frequencies (n,), rising, in Hz."""
        ...


@runtime_checkable
class LevelledAnalyzer(Analyzer, Protocol):
    """An analyzer whose output level the program may be able to set."""

    @property
    def level_dbm(self) -> float | None:
        """The level it sweeps at; None: it cannot be set."""
        ...

    def set_level(self, level_dbm: float) -> None:
        """Sweep at this level from now on."""
        ...


@runtime_checkable
class Generator(Protocol):
    """Gives a sine of known frequency and level; off when closed."""

    def identify(self) -> str:
        """What the instrument calls itself."""
        ...

    def set(self, f_hz: float, level_dbm: float) -> None:
        """Frequency and level; does not switch the output on."""
        ...

    def output(self, on: bool) -> None:
        """Output on or off."""
        ...

    def close(self) -> None:
        """Output off, then let go of the port; may be called twice."""
        ...


@runtime_checkable
class Sensor(Protocol):
    """Streams angle, level and mark."""

    @property
    def rate_hz(self) -> float:
        """Frames a second."""
        ...

    def identify(self) -> str:
        """What the board calls itself."""
        ...

    def read(self, seconds: float) -> Sequence[Sample]:
        """All whole frames since the last call, waiting at most `seconds` of wall time for the first."""
        ...

    def flush(self) -> None:
        """Throw away what has come in so far."""
        ...

    def close(self) -> None:
        """Let go of the port; may be called twice."""
        ...
