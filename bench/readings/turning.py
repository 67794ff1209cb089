"""Slow turns of the control, watched by the sensor: end stops learned, a turn followed until it has shown all it can."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from statistics import median

import numpy as np
from numpy.typing import NDArray

from bench.errors import ReadingError
from bench.measuring.operator import Operator, Turn
from bench.physics import onset as analysis
from bench.physics.shaft import corrected
from drivers.errors import TimedOut
from drivers.roles import Sample, Sensor

Floats = NDArray[np.float64]

PAST_DEG = 5.0
SILENCE_S = 5.0
STILL_S = 1.0
MOST_TURN_S = 240.0
LEVEL_FULL_SCALE_V = 3.3  # of the board's converter
# A converter's last digit must not pass for an onset, however quiet the level was.
LEAST_JUMP_V = 0.01
AT_STOP_DEG = 4.0
# Play in the sensor's coupling where every angle is approached from the same side: a judgement, no published value.
RESTING_U_DEG = 0.1


@dataclass(frozen=True)
class Stops:
    """The sensor's reading (share of full scale) at the control's two end stops."""

    low: float
    high: float
    travel_deg: float
    bow: tuple[float, float] = (0.0, 0.0)

    def angle(self, share: Floats) -> Floats:
        """Sensor share to degrees of travel."""
        return self.travel_deg * corrected((share - self.low) / (self.high - self.low), self.bow)


@dataclass(frozen=True)
class Trace:
    """One turn: (n,) arrays of seconds, degrees, volts and the mark switch."""

    t_s: Floats
    angle_deg: Floats
    level_v: Floats
    mark: NDArray[np.bool_]


@dataclass(frozen=True)
class Quiet:
    """The level with no oscillation: its middle and its noise, volts."""

    level_v: float
    noise_v: float

    def loud(self, level_v: Sequence[float]) -> bool:
        """Whether a short stretch of level is clearly above the quiet."""
        return median(level_v) > self.level_v + max(10.0 * self.noise_v, LEAST_JUMP_V)


def heard(sensor: Sensor) -> Sequence[Sample]:
    """What the sensor has sent since it was last asked, at least one frame.

    Raises
    ------
    drivers.errors.TimedOut
        It went silent.
    """
    new = sensor.read(SILENCE_S)
    if not new:
        raise TimedOut("the sensor has gone silent.", hint="Look at its cable and power.")
    return new


def _at_rest(sensor: Sensor) -> Floats:
    """The sensor's angle (share of full scale) over a third of a second from now on."""
    sensor.flush()
    samples: list[Sample] = []
    while len(samples) < 30:
        samples.extend(heard(sensor))
    return np.array([sample.angle for sample in samples])


def settled(sensor: Sensor) -> float:
    """The sensor's angle share as the control stands."""
    return float(np.median(_at_rest(sensor)))


def resting_angle(sensor: Sensor, stops: Stops) -> tuple[float, float]:
    """Angle of the control at rest, degrees, and its standard uncertainty against other angles of the same session.

    Raises
    ------
    drivers.errors.TimedOut
        The sensor went silent.
    """
    angle = stops.angle(_at_rest(sensor))
    noise = float(np.std(angle)) / np.sqrt(len(angle))
    return float(np.median(angle)), float(np.hypot(noise, RESTING_U_DEG))


def learn_stops(
    sensor: Sensor, operator: Operator, travel_deg: float, bow: tuple[float, float] = (0.0, 0.0)
) -> Stops:
    """Turn the control through once and learn the sensor's reading at both end stops.

    Raises
    ------
    ReadingError
        The sensor hardly moved.
    """
    operator.rest_control(0.0)
    low = settled(sensor)
    operator.rest_control(travel_deg)
    high = settled(sensor)
    operator.rest_control(0.0)
    if abs(high - low) < 0.05:
        raise ReadingError(
            "The angle sensor hardly moved between the end stops. Check that it is coupled to the control's shaft, then run "
            "measure again."
        )
    return Stops(low, high, travel_deg, bow)


def trace_of(samples: list[Sample], stops: Stops) -> Trace:
    """What the sensor saw, in degrees and volts."""
    share = np.array([sample.angle for sample in samples])
    return Trace(
        t_s=np.array([sample.t_s for sample in samples]),
        angle_deg=stops.angle(share),
        level_v=LEVEL_FULL_SCALE_V * np.array([sample.level for sample in samples]),
        mark=np.array([sample.mark for sample in samples], dtype=bool),
    )


class _Watch:
    """Follows one turn as it happens and knows when it is over."""

    def __init__(
        self, turn: Turn, stops: Stops, quiet: Quiet | None, noticed: Callable[[Turn], None]
    ) -> None:
        self._turn = turn
        self._stops = stops
        self._noticed = noticed
        self.quiet = quiet
        self._event_deg: float | None = None
        self._event_t_s = 0.0

    def _angles(self, samples: list[Sample]) -> Floats:
        return self._stops.angle(np.array([sample.angle for sample in samples]))

    def _happened(self, samples: list[Sample]) -> bool:
        if self._turn.listen:
            # A press, not a switch still held from the turn before.
            mark = [sample.mark for sample in samples[-200:]]
            return any(now and not before for before, now in pairwise(mark))
        level_v = [LEVEL_FULL_SCALE_V * sample.level for sample in samples[-6:]]
        return self.quiet is not None and self.quiet.loud(level_v) is self._turn.starts

    def over(self, samples: list[Sample]) -> bool:
        """Whether the turn has shown all it can."""
        if len(samples) < 40:
            return False
        if self.quiet is None:
            level = LEVEL_FULL_SCALE_V * np.array([sample.level for sample in samples[:30]])
            self.quiet = Quiet(float(np.median(level)), analysis.quiet_spread(level))
        now = samples[-1]
        # Of so few numbers numpy's median takes many times as long, and this is asked with every frame.
        angle = float(self._stops.angle(np.array(median(sample.angle for sample in samples[-9:]))))
        if self._event_deg is None and self._happened(samples):
            self._event_deg, self._event_t_s = angle, now.t_s
            self._noticed(self._turn)
        if self._event_deg is not None and abs(angle - self._event_deg) >= PAST_DEG:
            return now.t_s - self._event_t_s > 0.3
        return self._at_end(samples, angle)

    def _at_end(self, samples: list[Sample], angle: float) -> bool:
        still_from = samples[-1].t_s - STILL_S
        if abs(angle - self._turn.to_deg) >= AT_STOP_DEG or samples[0].t_s > still_from:
            return False
        tail = [sample for sample in samples[-400:] if sample.t_s >= still_from]
        return len(tail) >= 10 and float(np.ptp(self._angles(tail))) < 2.0


def take_turn(
    sensor: Sensor, operator: Operator, stops: Stops, turn: Turn, quiet: Quiet | None
) -> tuple[Trace, Quiet | None]:
    """Have the control turned once and keep what the sensor saw; the operator is told when the turn's event is seen.

    Raises
    ------
    drivers.errors.TimedOut
        The sensor went silent.
    ReadingError
        The control was not turned.
    """
    sensor.flush()
    operator.begin_turn(turn)
    watch = _Watch(turn, stops, quiet, operator.noticed)
    samples: list[Sample] = []
    while True:
        new = heard(sensor)
        for at in range(0, len(new), 16):
            samples.extend(new[at : at + 16])
            if watch.over(samples):
                return trace_of(samples, stops), watch.quiet
        if samples[-1].t_s - samples[0].t_s > MOST_TURN_S:
            raise ReadingError(
                "The control was not turned to its end in four minutes. Try this reading again."
            )
