"""The tuning dial read by a second angle sensor: its two ends learned once, then read whenever the dial has been set."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from bench.errors import ReadingError
from bench.measuring.operator import Operator
from bench.readings.turning import heard
from drivers.errors import Misuse
from drivers.roles import Sensor

READ_FRAMES = 30
# The sensor is of no use where the whole dial turns it by less than this share of its range.
LEAST_SPAN = 0.05
MOST_TRIES = 40
# A dial counts as still when it moves by less than this share of its span over a reading.
STILL = 0.003


@dataclass(frozen=True)
class DialEnds:
    """The sensor's reading (share of full scale) at the dial's two ends, and what the dial says there."""

    shares: tuple[float, float]
    marks: tuple[float, float]

    def reading(self, share: float) -> float:
        """Sensor share to the dial's own divisions, to a thousandth of its span."""
        (low, high), (first, last) = self.shares, self.marks
        at = first + (last - first) * (share - low) / (high - low)
        step = abs(last - first) / 1000.0
        return float(round(at / step) * step)


def _shares(sensor: Sensor) -> np.ndarray:
    sensor.flush()
    shares: list[float] = []
    while len(shares) < READ_FRAMES:
        new = heard(sensor)
        if any(one.dial is None for one in new):
            raise Misuse(
                "this sensor board has no dial channel.",
                hint="Take the dial out of the plan's instruments and type the dial's readings.",
            )
        shares += [one.dial for one in new if one.dial is not None]
    return np.array(shares)


def learn_dial(sensor: Sensor, operator: Operator, marks: tuple[float, float]) -> DialEnds:
    """Have the dial set to both ends and learn the sensor's reading there.

    Raises
    ------
    ReadingError
        The sensor hardly moved.
    """
    found: list[float] = []
    for mark in marks:
        operator.set_dial(mark)
        found.append(float(np.median(_shares(sensor))))
    if abs(found[1] - found[0]) < LEAST_SPAN:
        raise ReadingError(
            "The dial's sensor hardly moved between the dial's ends. Check that it is coupled to the dial's shaft, then run "
            "measure again."
        )
    return DialEnds((found[0], found[1]), marks)


def read_dial(sensor: Sensor, ends: DialEnds) -> float:
    """The dial's reading once it stands still.

    Raises
    ------
    ReadingError
        It does not come to rest.
    """
    span = abs(ends.shares[1] - ends.shares[0])
    for _ in range(MOST_TRIES):
        shares = _shares(sensor)
        third = len(shares) // 3
        if abs(float(np.median(shares[:third]) - np.median(shares[-third:]))) < STILL * span:
            return ends.reading(float(np.median(shares)))
    raise ReadingError("The dial does not come to rest. Let go of it, then take the reading again.")
