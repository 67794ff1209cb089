"""Onset and drop-out: slow turns of the control, watched by the sensor.

One pass is a turn up until the set oscillates and a turn back until it stops. The program watches the stream and says
when to turn back, so the operator's hands stay on the set.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from bench.errors import ReadingError
from bench.measuring.operator import Operator, Turn
from bench.physics import onset as analysis
from drivers.errors import TimedOut
from drivers.roles import Sample, Sensor

Floats = NDArray[np.float64]

SEARCH_SPEED_DEG_S = 20.0
LEVEL_SPEEDS_DEG_S = (2.0, 4.0, 8.0)
LISTEN_SPEEDS_DEG_S = (3.0, 6.0, 12.0)
RUN_UP_DEG = 12.0
PAST_DEG = 5.0
SILENCE_S = 5.0
STILL_S = 1.0
MOST_TURN_S = 240.0
LEVEL_FULL_SCALE_V = 3.3
# A converter's last digit must not pass for an onset, however quiet the level was.
LEAST_JUMP_V = 0.01
AT_STOP_DEG = 4.0
FULLY_BACK_DEG = 10.0


@dataclass(frozen=True)
class Stops:
    """The sensor's reading (share of full scale) at the control's two end stops."""

    low: float
    high: float
    travel_deg: float

    def angle(self, share: Floats) -> Floats:
        """Sensor share to degrees of travel."""
        return self.travel_deg * (share - self.low) / (self.high - self.low)


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

    def loud(self, level_v: Floats) -> bool:
        """Whether a short stretch of level is clearly above the quiet."""
        return bool(np.median(level_v) > self.level_v + max(10.0 * self.noise_v, LEAST_JUMP_V))


@dataclass(frozen=True)
class Approach:
    """One approach: where it happened (None: it never did), and the trace it was read from."""

    starts: bool
    angle_deg: float | None
    angle_u_deg: float | None
    speed_deg_s: float | None
    correction_deg: float | None
    trace: Trace
    note: str = ""


def learn_stops(sensor: Sensor, operator: Operator, travel_deg: float) -> Stops:
    """Turn the control through once and learn the sensor's reading at both end stops.

    Raises
    ------
    ReadingError
        The sensor hardly moved.
    """

    def settled() -> float:
        sensor.flush()
        samples: list[Sample] = []
        while len(samples) < 30:
            new = sensor.read(SILENCE_S)
            if not new:
                raise TimedOut("the sensor has gone silent.", hint="Look at its cable and power.")
            samples.extend(new)
        return float(np.median([sample.angle for sample in samples]))

    operator.rest_control(0.0)
    low = settled()
    operator.rest_control(travel_deg)
    high = settled()
    operator.rest_control(0.0)
    if abs(high - low) < 0.05:
        raise ReadingError(
            "The angle sensor hardly moved between the end stops. Check that it is coupled to the control's shaft, then run "
            "measure again."
        )
    return Stops(low, high, travel_deg)


def _trace(samples: list[Sample], stops: Stops) -> Trace:
    share = np.array([sample.angle for sample in samples])
    return Trace(
        t_s=np.array([sample.t_s for sample in samples]),
        angle_deg=stops.angle(share),
        level_v=LEVEL_FULL_SCALE_V * np.array([sample.level for sample in samples]),
        mark=np.array([sample.mark for sample in samples], dtype=bool),
    )


class _Watch:
    """Follows one turn as it happens and knows when it is over."""

    def __init__(self, turn: Turn, stops: Stops, quiet: Quiet | None) -> None:
        self._turn = turn
        self._stops = stops
        self.quiet = quiet
        self._event_deg: float | None = None
        self._event_t_s = 0.0
        self._started = False

    def _angles(self, samples: list[Sample]) -> Floats:
        return self._stops.angle(np.array([sample.angle for sample in samples]))

    def _happened(self, samples: list[Sample]) -> bool:
        recent = samples[-6:]
        if self._turn.listen:
            # A press, not a switch still held from the turn before.
            mark = [sample.mark for sample in samples[-200:]]
            return any(now and not before for before, now in pairwise(mark))
        level = LEVEL_FULL_SCALE_V * np.array([sample.level for sample in recent])
        return self.quiet is not None and self.quiet.loud(level) is self._turn.starts

    def over(self, samples: list[Sample]) -> bool:
        """Whether the turn has shown all it can."""
        if len(samples) < 40:
            return False
        if self.quiet is None:
            level = LEVEL_FULL_SCALE_V * np.array([sample.level for sample in samples[:30]])
            self.quiet = Quiet(float(np.median(level)), analysis.quiet_spread(level))
        now = samples[-1]
        angle = float(np.median(self._angles(samples[-9:])))
        if self._event_deg is None and self._happened(samples):
            self._event_deg, self._event_t_s = angle, now.t_s
        if self._event_deg is not None and abs(angle - self._event_deg) >= PAST_DEG:
            return now.t_s - self._event_t_s > 0.3
        return self._at_end(samples, angle)

    def _at_end(self, samples: list[Sample], angle: float) -> bool:
        near = abs(angle - self._turn.to_deg) < AT_STOP_DEG
        still_from = samples[-1].t_s - STILL_S
        tail = [sample for sample in samples[-400:] if sample.t_s >= still_from]
        if not near or samples[0].t_s > still_from or len(tail) < 10:
            return False
        return float(np.ptp(self._angles(tail))) < 2.0


def take_turn(
    sensor: Sensor, operator: Operator, stops: Stops, turn: Turn, quiet: Quiet | None
) -> tuple[Trace, Quiet | None]:
    """Have the control turned once and keep what the sensor saw.

    Raises
    ------
    drivers.errors.TimedOut
        The sensor went silent.
    ReadingError
        The control was not turned.
    """
    sensor.flush()
    operator.begin_turn(turn)
    watch = _Watch(turn, stops, quiet)
    samples: list[Sample] = []
    while True:
        new = sensor.read(SILENCE_S)
        if not new:
            raise TimedOut("the sensor has gone silent.", hint="Look at its cable and power.")
        for at in range(0, len(new), 16):
            samples.extend(new[at : at + 16])
            if watch.over(samples):
                return _trace(samples, stops), watch.quiet
        if samples[-1].t_s - samples[0].t_s > MOST_TURN_S:
            raise ReadingError(
                "The control was not turned to its end in four minutes. Try this reading again."
            )


def _event(trace: Trace, turn: Turn) -> analysis.Event | None:
    if turn.listen:
        return analysis.marked(trace.t_s, trace.angle_deg, trace.mark)
    event = analysis.change_point(trace.t_s, trace.angle_deg, trace.level_v, starts=turn.starts)
    return event if event is not None and event.jump >= LEAST_JUMP_V else None


@dataclass(frozen=True)
class Passes:
    """All approaches at one frequency, in the order taken, and the quiet level seen."""

    approaches: tuple[Approach, ...]
    quiet: Quiet | None
    lag: float | None = None


def measure_onset(
    sensor: Sensor,
    operator: Operator,
    stops: Stops,
    *,
    repeats: int,
    listen: bool,
    quiet: Quiet | None = None,
    on_detail: Callable[[str], None] = lambda text: None,
) -> Passes:
    """Onset and drop-out at one frequency, `repeats` approaches each way.

    A quick search finds roughly where it starts; then slow passes from a little below. The passes differ in speed, and the
    angles are brought back to speed zero: marks come late by the reaction time, levels by the time of growth.

    Parameters
    ----------
    quiet : Quiet, optional
        The quiet level from an earlier frequency: with it, a set that oscillates already at angle 0 is recognised.

    Returns
    -------
    Passes
        One approach with `angle_deg` None where the set never oscillates; one with 0 where it never stops.
    """
    travel = stops.travel_deg
    on_detail("finding roughly where it starts")
    search = Turn(True, 0.0, travel, SEARCH_SPEED_DEG_S, listen)
    trace, seen = take_turn(sensor, operator, stops, search, None)
    if not listen and quiet is not None and seen is not None and quiet.loud(np.array([seen.level_v])):
        begun_deg = float(np.median(trace.angle_deg[:9]))
        if begun_deg > FULLY_BACK_DEG:
            raise ReadingError(
                f"It oscillated before the turn began, at {begun_deg:.0f} degrees. Turn the control fully back first."
            )
        return Passes((_already(trace),), quiet)
    found = _event(trace, search)
    if found is None:
        return _unchanged(operator, trace, travel, seen, None if listen else quiet)
    rough = found.angle_deg - (analysis.REACTION_S * found.speed_deg_s if listen else 0.0)
    back = Turn(False, rough + PAST_DEG, 0.0, SEARCH_SPEED_DEG_S / 2, listen)
    trace, _ = take_turn(sensor, operator, stops, back, seen)
    lost = _event(trace, back)
    low = (lost.angle_deg if lost is not None else rough - 20.0) - RUN_UP_DEG

    speeds = LISTEN_SPEEDS_DEG_S if listen else LEVEL_SPEEDS_DEG_S
    taken: list[tuple[Turn, Trace, analysis.Event]] = []
    for number in range(repeats):
        speed = speeds[number % len(speeds)]
        for starts in (True, False):
            on_detail(f"pass {number + 1} of {repeats}, {'up' if starts else 'back'}")
            turn = Turn(starts, max(0.0, low), travel if starts else 0.0, speed, listen)
            trace, _ = take_turn(sensor, operator, stops, turn, seen)
            event = _event(trace, turn)
            if event is None:
                way = "start" if starts else "stop"
                raise ReadingError(f"Oscillation did not clearly {way} in this pass. It is taken again.")
            taken.append((turn, trace, event))
    return Passes(*_corrected(taken, listen, seen))


def _already(trace: Trace) -> Approach:
    return Approach(True, 0.0, 1.0, None, None, trace, "oscillates already with the control fully back")


def _unchanged(
    operator: Operator, trace: Trace, travel_deg: float, seen: Quiet | None, quiet: Quiet | None
) -> Passes:
    """What a search without an event means; `quiet`: the level known to be without oscillation, if there is one."""
    if float(np.median(trace.angle_deg[-9:])) < travel_deg - AT_STOP_DEG:
        raise ReadingError("Something was heard for a moment only, so the turn ended early. Try again.")
    # A level that never changes is that of a set that never starts, or never stops, or of a lead that has come off.
    if quiet is None and operator.hears_oscillation():
        operator.rest_control(0.0)
        if operator.hears_oscillation():
            return Passes((_already(trace),), None)
        raise ReadingError(
            "It oscillates, but the sensor did not show where it started. Check the lead from the detector (or the mark "
            "switch) to the sensor board, then try again."
        )
    never = Approach(True, None, None, None, None, trace, "no oscillation up to full travel")
    return Passes((never,), seen)


def _corrected(
    taken: list[tuple[Turn, Trace, analysis.Event]], listen: bool, quiet: Quiet | None
) -> tuple[tuple[Approach, ...], Quiet | None, float | None]:
    angle = np.array([event.angle_deg for _, _, event in taken])
    u = np.array([event.angle_u_deg for _, _, event in taken])
    speed = np.array([event.speed_deg_s for _, _, event in taken])
    starts = np.array([turn.starts for turn, _, _ in taken])
    unhurried = (
        analysis.marks_to_speed_zero(angle, speed, starts)
        if listen
        else analysis.levels_to_speed_zero(angle, u, speed, starts)
    )
    at_zero = unhurried.angle_deg
    approaches = tuple(
        Approach(
            starts=turn.starts,
            angle_deg=float(at_zero[i]),
            angle_u_deg=float(unhurried.angle_u_deg[i]),
            speed_deg_s=event.speed_deg_s,
            correction_deg=float(at_zero[i] - angle[i]),
            trace=trace,
        )
        for i, (turn, trace, event) in enumerate(taken)
    )
    return approaches, quiet, unhurried.lag
