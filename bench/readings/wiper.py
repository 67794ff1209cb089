"""Noise of the control's wiper: the detector's level while the control moves, against at rest.

Read in the quiet below onset: an oscillating set would hide the wiper, and near onset regeneration lifts everything.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench.errors import ReadingError
from bench.measuring.bench import Bench
from bench.measuring.kinds import Kind, Sought, Wanted
from bench.measuring.operator import Operator, Skipped, Turn
from bench.measuring.wanted import counts
from bench.physics.onset import quiet_spread
from bench.readings.turning import AT_STOP_DEG, Quiet, Stops, Trace, heard, trace_of
from drivers.roles import Sample, Sensor

Floats = NDArray[np.float64]

REST_S = 4.0
SPEED_DEG_S = 15.0
LEAST_MOVING = 60
# Speeds and angles beside the steady part of a turn: the hand starting and stopping.
MOVING_SHARE = 0.3
SPEED_HALF_WIDTH_S = 0.25
MOST_TURN_S = 60.0
LEAST_NOISE_V = 1e-5
ONSET_MARGIN_DEG = 15.0
# Where no onset was read yet: a stretch in which few sets oscillate; one that does is told.
UNKNOWN_ONSET_SHARE = 0.2
LEAST_RANGE_DEG = 25.0


@dataclass(frozen=True, eq=False)
class WiperReading:
    """Noise in volts (root mean square) at rest and moving, their ratio in dB, the mean speed, and the trace of both."""

    rest_v: float
    moving_v: float
    ratio_db: float
    ratio_u_db: float
    speed_deg_s: float
    clicks: int
    trace: Trace


def measure_wiper(
    sensor: Sensor,
    operator: Operator,
    stops: Stops,
    *,
    below_deg: float,
    speed_deg_s: float = SPEED_DEG_S,
    on_detail: Callable[[str], None] = lambda text: None,
) -> WiperReading:
    """Level at rest for a few seconds, then while the control is turned up to `below_deg`, which must be short of onset.

    Raises
    ------
    ReadingError
        It oscillated meanwhile, or the control was hardly moved.
    drivers.errors.TimedOut
        The sensor went silent.
    """
    operator.rest_control(0.0)
    sensor.flush()
    on_detail("listening at rest: hands off the control")
    rest = _until(sensor, lambda samples: samples[-1].t_s - samples[0].t_s >= REST_S)
    on_detail("listening while the control moves")
    sensor.flush()
    operator.begin_turn(Turn(True, 0.0, below_deg, speed_deg_s, listen=False))

    def arrived(samples: list[Sample]) -> bool:
        if samples[-1].t_s - samples[0].t_s > MOST_TURN_S:
            raise ReadingError(
                f"The control did not come to rest at {below_deg:.0f} degrees within a minute: turn it there steadily and let go."
            )
        recent = stops.angle(np.array([sample.angle for sample in samples[-50:]]))
        there = abs(float(np.median(recent)) - below_deg) < AT_STOP_DEG
        return len(samples) > LEAST_MOVING and there and float(np.ptp(recent)) < 1.0

    moving = _until(sensor, arrived)
    operator.rest_control(0.0)
    trace = trace_of([*rest, *moving], stops)
    at_rest = trace.level_v[: len(rest)]
    during = trace_of(moving, stops)
    speed = _speed(during)
    busy = np.abs(speed) > MOVING_SHARE * speed_deg_s
    if int(busy.sum()) < LEAST_MOVING:
        raise ReadingError(
            "The control hardly moved while its noise was read. Check the angle sensor's coupling, and turn the control steadily."
        )
    rest_level = Quiet(float(np.median(at_rest)), quiet_spread(at_rest))
    if rest_level.loud(during.level_v[busy].tolist()):
        raise ReadingError(
            "It oscillated while the wiper's noise was read. Tune to a frequency where onset is later, or read the onsets "
            "first, so that the control stays below them."
        )
    noise = during.level_v[busy]
    rest_v, moving_v = _rms(at_rest), _rms(noise)
    ratio_db = 20.0 * float(np.log10(moving_v / rest_v))
    # A root mean square of n samples is known to 1/sqrt(2n); a heavy tail of clicks widens it by its own kurtosis.
    share = np.hypot(_rms_u(at_rest), _rms_u(noise))
    clicks = int(np.sum(np.abs(noise - np.median(noise)) > 6.0 * max(quiet_spread(at_rest), LEAST_NOISE_V)))
    return WiperReading(
        rest_v,
        moving_v,
        ratio_db,
        float(20.0 / np.log(10.0) * share),
        float(np.mean(np.abs(speed[busy]))),
        clicks,
        trace,
    )


def _until(sensor: Sensor, enough: Callable[[list[Sample]], bool]) -> list[Sample]:
    samples: list[Sample] = []
    while not samples or not enough(samples):
        samples.extend(heard(sensor))
    return samples


def _speed(trace: Trace) -> Floats:
    """Speed of turning at every sample, degrees a second, over half a second around it."""
    t, angle = trace.t_s, trace.angle_deg
    before, after = t - SPEED_HALF_WIDTH_S, t + SPEED_HALF_WIDTH_S
    low, high = np.maximum(before, t[0]), np.minimum(after, t[-1])
    return np.asarray((np.interp(high, t, angle) - np.interp(low, t, angle)) / np.maximum(high - low, 1e-6))


def _rms(level_v: Floats) -> float:
    """Root mean square about the level's slow course, so that what regeneration lifts does not count as noise."""
    return max(float(np.sqrt(np.mean(np.square(np.diff(level_v))) / 2.0)), LEAST_NOISE_V)


def _rms_u(level_v: Floats) -> float:
    steps = np.square(np.diff(level_v))
    mean = float(np.mean(steps))
    return 0.5 * float(np.std(steps) / (max(mean, 1e-30) * np.sqrt(len(steps))))


# As a kind of reading: what is lacking, and how one is taken and recorded


def _lacking(sought: Sought) -> Iterable[Wanted]:
    # The wiper is the set's, whatever coil is in: one reading does, unless it is asked for coil by coil.
    first = sought.plan.coil[0].name == sought.coil.name
    if (sought.asked or (first and sought.wants("wiper"))) and not sought.of("wiper"):
        yield Wanted("wiper", sought.coil.name, "noise of the control's wiper")


def _take(bench: Bench, item: Wanted) -> int:
    for role, what in (("angle", "the control's angle"), ("level", "the detector's level")):
        if not bench.instruments.has(role):  # type: ignore[arg-type]
            raise Skipped(
                f"a wiper reading needs the sensor board for {what}: name it under [instruments.{role}] in plan.toml"
            )
    below = _below_onset(bench, item)
    bench.prepare(item, loop=False)
    reading = measure_wiper(
        bench.instruments.sensor(),
        bench.operator,
        bench.stops(),
        below_deg=below,
        on_detail=lambda text: bench.reporter.detail(f"{item.words()}: {text}"),
    )
    trace = reading.trace
    bench.record(
        item,
        {
            "rest_v": reading.rest_v,
            "moving_v": reading.moving_v,
            "ratio_db": reading.ratio_db,
            "speed_deg_s": reading.speed_deg_s,
            "note": f"± {reading.ratio_u_db:.1f} dB, {reading.clicks} clicks, 0 to {below:.0f} degrees",
        },
        trace=(trace.t_s, trace.angle_deg, trace.level_v, trace.mark),
    )
    bench.reporter.result(
        f"coil {item.coil}  wiper {reading.ratio_db:+.1f} ± {reading.ratio_u_db:.1f} dB moving against at rest, at "
        f"{reading.speed_deg_s:.0f}° a second"
    )
    return 1


def _below_onset(bench: Bench, item: Wanted) -> float:
    """How far the control may be turned with no oscillation anywhere on the dial."""
    travel = bench.plan.receiver.control.travel_deg
    rows = [r for r in bench.session.rows("onset") if counts(r, bench.plan, item.coil, bench.antenna)]
    angles = [float(r["angle_deg"]) for r in rows if r["angle_deg"] is not None]
    if angles:
        below = min(angles) - ONSET_MARGIN_DEG
    else:
        below = travel - ONSET_MARGIN_DEG if rows else UNKNOWN_ONSET_SHARE * travel
    if below < LEAST_RANGE_DEG:
        raise Skipped(
            f"coil {item.coil} oscillates from {min(angles):.0f} degrees on, which leaves the control no quiet part to be "
            "heard in; read the wiper with another coil (--coil)"
        )
    return below


KIND = Kind(_lacking, _take)
