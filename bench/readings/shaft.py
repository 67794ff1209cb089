"""The angle sensor held against the control's own pointer, once up and once down the travel."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from bench.measuring.operator import Operator
from bench.physics.shaft import Shaft, straighten
from bench.readings.turning import learn_stops, settled
from drivers.roles import Sensor

POSITIONS = 7


@dataclass(frozen=True)
class ShaftReading:
    """The sensor's shares at the end stops, the pointer settings (degrees, share, upward), and what they say."""

    low: float
    high: float
    settings: tuple[tuple[float, float, bool], ...]
    shaft: Shaft


def measure_shaft(
    sensor: Sensor, operator: Operator, travel_deg: float, say: Callable[[str], None] = lambda text: None
) -> ShaftReading:
    """Learn the end stops, then have the pointer set to seven positions going up and the same going down.

    Raises
    ------
    ReadingError
        The sensor hardly moved.
    drivers.errors.TimedOut
        The sensor went silent.
    """
    stops = learn_stops(sensor, operator, travel_deg)
    angles = np.linspace(0.0, travel_deg, POSITIONS + 2)[1:-1]
    settings: list[tuple[float, float, bool]] = []
    for upward in (True, False):
        if upward:
            say(
                "Now UP: come to each position from below, by the pointer on the knob, and do not go past it."
            )
        else:
            operator.rest_control(travel_deg)
            say("Now DOWN: come to each position from above, and do not go past it.")
        for angle in angles if upward else angles[::-1]:
            operator.rest_control(float(angle))
            settings.append((float(angle), settled(sensor), upward))
    operator.rest_control(0.0)
    share = np.array([one[1] for one in settings])
    return ShaftReading(
        stops.low,
        stops.high,
        tuple(settings),
        straighten(
            (share - stops.low) / (stops.high - stops.low),
            [one[0] for one in settings],
            [one[2] for one in settings],
            travel_deg,
        ),
    )
