"""Where the regeneration control stands and how loud the detector is, for whoever looks on while the sensor streams."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.readings.turning import LEVEL_FULL_SCALE_V
from drivers.errors import WireError

if TYPE_CHECKING:
    from bench.plan.schema import Control
    from bench.readings.turning import Stops
    from drivers.roles import Sample, Sensor

# A little over twenty times a second, so that twenty are left where a browser takes two for one.
SHOWN_EVERY_S = 1 / 21
NEAR_REST_DEG = 3.0
# At an end stop the control is or is not: at three degrees Q is a percent or two higher already than at angle 0.
AT_STOP_DEG = 1.0
# So near the control is where it is to go, and nobody is asked to move it: less than the least step of a curve reading.
THERE_DEG = 0.5
RESTS_S = 0.6
LOOK_S = 0.02


@dataclass(frozen=True)
class Standing:
    """One moment: the control's angle and clock position (None, empty: end stops not learned yet), the level in volts."""

    angle_deg: float | None
    clock: str
    level_v: float

    def words(self) -> str:
        """For the terminal."""
        where = "" if self.angle_deg is None else f"control at {self.clock} ({self.angle_deg:.0f}°), "
        return f"{where}level {self.level_v:.2f} V"


class Sight:
    """Follows the sensor's stream and tells of it, some twenty times a second.

    Attributes
    ----------
    tell : list of callables
        Each is given every `Standing`.
    glance : callable
        Called after every look at the sensor: whoever sits at the keyboard may have typed something.
    """

    def __init__(self, control: Control) -> None:
        self._control = control
        self._stops: Stops | None = None
        self._shown_at = 0.0
        # Where the control came to rest, since when, until when (seconds of this program's clock).
        self._rest: tuple[float, float, float] | None = None
        self._sensor: Sensor | None = None
        self.tell: list[Callable[[Standing], None]] = []
        self.glance: Callable[[], None] = lambda: None

    def learned(self, stops: Stops) -> None:
        """The end stops are known: shares of full scale mean degrees from now on."""
        self._stops = stops

    @property
    def resting_since(self) -> float | None:
        """When the rest began that the control was last seen in (seconds of this program's clock); None where it was not seen."""
        return None if self._rest is None else self._rest[1]

    def near(self, angle_deg: float, there_deg: float = NEAR_REST_DEG) -> bool:
        """Whether the control was last seen within `there_deg` of an angle, a moment ago; at an end stop it must be at it."""
        if self._rest is None or time.monotonic() - self._rest[2] > RESTS_S:
            return False
        at_stop = self._stops is not None and not 0.0 < angle_deg < self._stops.travel_deg
        return abs(self._rest[0] - angle_deg) <= (AT_STOP_DEG if at_stop else there_deg)

    def rests_at(self, angle_deg: float) -> bool:
        """Whether the control has been seen to rest near an angle, up to a moment ago."""
        return self._rest is not None and self._rest[2] - self._rest[1] >= RESTS_S and self.near(angle_deg)

    def sees_rest(self, angle_deg: float) -> bool:
        """Look for a moment whether the control rests at an angle already."""
        self.look()
        self.look()
        while self._sensor is not None and self.near(angle_deg, THERE_DEG):
            if self.rests_at(angle_deg):
                return True
            self.look()
        return False

    def look(self) -> None:
        """Keep the picture of the control alive where nothing is read."""
        if self._sensor is None:
            return
        try:
            self._sensor.read(LOOK_S)
        except WireError:
            # Whoever needs the sensor next will meet the fault and say so.
            self._sensor = None

    def watch(self, sensor: Sensor | None) -> None:
        """The sensor that is looked at."""
        self._sensor = sensor

    def _follow_rest(self, angle_deg: float, now: float) -> None:
        unbroken = self._rest is not None and now - self._rest[2] < RESTS_S
        if unbroken and self._rest is not None and abs(self._rest[0] - angle_deg) <= NEAR_REST_DEG / 2:
            self._rest = (self._rest[0], self._rest[1], now)
        else:
            self._rest = (angle_deg, now, now)

    def show(self, samples: Sequence[Sample]) -> None:
        """The newest of these."""
        now = time.monotonic()
        if not samples or now - self._shown_at < SHOWN_EVERY_S:
            return
        # On a beat of its own, so that frames which come in batches do not slow it down.
        self._shown_at = max(self._shown_at + SHOWN_EVERY_S, now - SHOWN_EVERY_S)
        newest = samples[-1]
        angle, clock = None, ""
        if self._stops is not None:
            angle = round(float(self._stops.angle(np.array(newest.angle))), 1)
            self._follow_rest(angle, now)
            clock = self._control.clock(min(max(angle, 0.0), self._stops.travel_deg))
        standing = Standing(angle, clock, round(LEVEL_FULL_SCALE_V * newest.level, 3))
        for tell in self.tell:
            tell(standing)

    def seen(self, instrument: Any) -> Any:
        """An instrument about to be used; a sensor is watched from now on."""
        from drivers.roles import Sensor

        if isinstance(instrument, Sensor):
            self._sensor = SeenSensor(instrument, self)
            return self._sensor
        return instrument


class SeenSensor:
    """A sensor whose stream is shown as it is read."""

    def __init__(self, sensor: Sensor, sight: Sight) -> None:
        self._sensor = sensor
        self._sight = sight

    def __getattr__(self, name: str) -> Any:
        return getattr(self._sensor, name)

    def read(self, seconds: float) -> Sequence[Sample]:
        """As the sensor's."""
        samples = self._sensor.read(seconds)
        self._sight.show(samples)
        self._sight.glance()
        return samples
