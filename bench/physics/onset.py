"""Where oscillation starts or stops, out of one slow turn of the control.

A trace is time, control angle and detector level, sampled together. Two ways to find the event in it: the level's own
change-point, or the mark the listener made, late by the reaction time.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

LEAST_SAMPLES = 20
# Samples either side over which the speed of turning is read: ADC steps would swamp a shorter run at slow speed.
SPEED_HALF_WIDTH = 40
# A step this many times the quiet noise is never chance in a trace of a few thousand samples (Gaussian tail 1e-15).
CLEAR_STEP = 8.0
# Simple reaction to sound, seconds, mean and spread of everyday listeners with a warning given: common practice, no source.
REACTION_S = 0.25
REACTION_U_S = 0.12
# One press scatters by about this much around the listener's own mean: common practice, no source.
REACTION_SCATTER_S = 0.06
# A gain of 1e5 at a growth of 150 to 1500 a second for each degree (tanks of 1 to 10 MHz, Q 100, half a percent of the
# loss cancelled a degree) is a lag of 0.1 to 0.4 degrees at one degree a second.
GROWTH_LAG = 0.2
GROWTH_LAG_U = 0.15
# The jump of the level is read this far from the event, in degrees: oscillation has grown by then, and goes on growing slowly.
JUMP_FROM_DEG, JUMP_TO_DEG, QUIET_TO_DEG = 0.5, 1.5, 6.0
FEWEST_FOR_A_JUMP = 4


@dataclass(frozen=True)
class Event:
    """The start or stop of oscillation in one trace.

    `angle_deg` with its standard uncertainty, `t_s` on the trace's clock, `speed_deg_s` of turning then (positive towards
    more regeneration), `jump` of the level in the level's own unit.
    """

    angle_deg: float
    angle_u_deg: float
    t_s: float
    speed_deg_s: float
    jump: float


def quiet_spread(values: Floats) -> float:
    """Standard deviation of a quiet stretch, by the median absolute deviation (robust against the event itself)."""
    centre = float(np.median(values))
    return 1.4826 * float(np.median(np.abs(values - centre)))


def local_angle(
    t_s: Floats, angle_deg: Floats, at_s: float, half_width: int = 12
) -> tuple[float, float, float]:
    """Angle, its standard uncertainty and the speed at one moment, by a straight line through the nearest samples.

    Parameters
    ----------
    t_s, angle_deg : (n,) arrays
        Seconds (increasing) and degrees.
    at_s : float
        The moment.

    Returns
    -------
    angle_deg, angle_u_deg, speed_deg_s : float
    """
    middle = int(np.searchsorted(t_s, at_s))
    low, high = max(0, middle - half_width), min(len(t_s), middle + half_width + 1)
    t, angle = t_s[low:high] - at_s, angle_deg[low:high]
    if len(t) < 3:
        return float(np.interp(at_s, t_s, angle_deg)), float("nan"), 0.0
    design = np.column_stack([np.ones_like(t), t])
    solution, *_ = np.linalg.lstsq(design, angle, rcond=None)
    residual = angle - design @ solution
    variance = float(residual @ residual) / (len(t) - 2)
    covariance = variance * np.linalg.inv(design.T @ design)
    return float(solution[0]), float(np.sqrt(covariance[0, 0])), float(solution[1])


def _split(level: Floats) -> int:
    """Index of the split into two constant stretches that leaves the least squared residual."""
    n = len(level)
    total = np.cumsum(level)
    square = np.cumsum(level**2)
    count = np.arange(1, n)
    left = square[:-1] - total[:-1] ** 2 / count
    right = (square[-1] - square[:-1]) - (total[-1] - total[:-1]) ** 2 / (n - count)
    residual = left + right
    edge = LEAST_SAMPLES // 4
    return int(np.argmin(residual[edge : n - 1 - edge])) + edge + 1


def change_point(t_s: Floats, angle_deg: Floats, level_v: Floats, *, starts: bool) -> Event | None:
    """The change-point of the level in one turn of the control.

    The trace is split where two constant levels fit it best; the event is where the level leaves its quiet stretch for
    good (read backwards in time where oscillation stops).

    Parameters
    ----------
    t_s, angle_deg, level_v : (n,) arrays
        Seconds, degrees, volts (any unit of level serves).
    starts : bool
        True: quiet first, then oscillation (onset). False: the other way round (drop-out).

    Returns
    -------
    Event or None
        None where the level never clearly changes.
    """
    if len(level_v) < LEAST_SAMPLES:
        return None
    level = level_v if starts else level_v[::-1]
    split = _split(level)
    quiet, loud = level[:split], level[split:]
    noise = max(quiet_spread(quiet), 1e-12)
    jump = float(np.median(loud) - np.median(quiet))
    if jump < CLEAR_STEP * noise:
        return None
    threshold = float(np.median(quiet)) + min(4.0 * noise, 0.5 * jump)
    above = level > threshold
    # Walk back from the split over samples that already stand above the quiet stretch, forward over those that do not yet.
    first = split
    while first > 0 and above[first - 1]:
        first -= 1
    while first < len(level) - 1 and not above[first]:
        first += 1
    index = first if starts else len(level_v) - 1 - first
    moment = float(t_s[index])
    angle, angle_u, _ = local_angle(t_s, angle_deg, moment)
    *_, speed = local_angle(t_s, angle_deg, moment, SPEED_HALF_WIDTH)
    step = float(np.median(np.diff(t_s)))
    sampling_u = abs(speed) * step / np.sqrt(12.0)
    return Event(angle, float(np.hypot(angle_u, sampling_u)), moment, speed, jump)


def level_jump(
    t_s: Floats, angle_deg: Floats, level_v: Floats, event: Event, *, starts: bool
) -> tuple[float, float] | None:
    """How far the level jumps at an event of `change_point`, and its standard uncertainty, in the level's own unit.

    The level about one degree beyond the event, on the side where the set oscillates, less the level on the other side. Near
    nothing where oscillation comes in softly, all that the detector gives where it comes with a plop. None where the turn has
    too few samples there.
    """
    beyond = angle_deg - event.angle_deg
    before = t_s < event.t_s
    loud = (before != starts) & (beyond >= JUMP_FROM_DEG) & (beyond <= JUMP_TO_DEG)
    quiet = (before == starts) & (np.abs(beyond) >= JUMP_FROM_DEG) & (np.abs(beyond) <= QUIET_TO_DEG)
    if loud.sum() < FEWEST_FOR_A_JUMP or quiet.sum() < FEWEST_FOR_A_JUMP:
        return None
    levels = level_v[loud], level_v[quiet]
    # Of medians, for normal noise: the root of pi/2 times that of means.
    u = [float(np.sqrt(0.5 * np.pi * np.var(side, ddof=1) / len(side))) for side in levels]
    return float(np.median(levels[0]) - np.median(levels[1])), float(np.hypot(u[0], u[1]))


def marked(t_s: Floats, angle_deg: Floats, mark: NDArray[np.bool_]) -> Event | None:
    """The first press of the mark switch in one turn of the control, not yet corrected for reaction time."""
    pressed = np.flatnonzero(mark[1:] & ~mark[:-1])
    if len(pressed) == 0 or len(t_s) < LEAST_SAMPLES:
        return None
    moment = float(t_s[pressed[0] + 1])
    angle, angle_u, _ = local_angle(t_s, angle_deg, moment)
    *_, speed = local_angle(t_s, angle_deg, moment, SPEED_HALF_WIDTH)
    return Event(angle, angle_u, moment, speed, float("nan"))


@dataclass(frozen=True)
class Unhurried:
    """Angles brought back to speed zero: corrected angles and uncertainties (n,), the lag's coefficient and its own.

    The coefficient is the reaction time in seconds (marks), or degrees for each root of a degree a second (levels).
    """

    angle_deg: Floats
    angle_u_deg: Floats
    lag: float
    lag_u: float


def _without_lag(
    angle_deg: Floats,
    term: Floats,
    starts: NDArray[np.bool_],
    prior: float,
    prior_u: float,
    scatter_deg: Floats,
) -> Unhurried:
    """Least squares of `angle = true(direction) + lag · term` with a prior on the lag."""
    groups = [g for g in (starts, ~starts) if g.any()]
    n, unknowns = len(angle_deg), len(groups) + 1
    design = np.column_stack([*(g.astype(float) for g in groups), term])
    weight = 1.0 / scatter_deg
    rows = np.vstack([design * weight[:, None], np.eye(unknowns)[-1] / prior_u])
    right = np.concatenate([angle_deg * weight, [prior / prior_u]])
    solution, *_ = np.linalg.lstsq(rows, right, rcond=None)
    residual = right - rows @ solution
    degrees = n + 1 - unknowns
    scale = max(1.0, float(residual @ residual) / degrees) if degrees > 0 else 1.0
    covariance = scale * np.linalg.inv(rows.T @ rows)
    lag, lag_u = float(solution[-1]), float(np.sqrt(covariance[-1, -1]))
    u = np.hypot(np.sqrt(scale) * scatter_deg, lag_u * np.abs(term))
    return Unhurried(angle_deg - lag * term, u, lag, lag_u)


def marks_to_speed_zero(angle_deg: Floats, speed_deg_s: Floats, starts: NDArray[np.bool_]) -> Unhurried:
    """Take the listener's reaction time out of marked angles.

    Every mark comes late by one reaction time, so `marked = true + reaction · speed` (speed signed). The true onset, the
    true drop-out and the reaction time are found together, with the everyday reaction time as prior; the scatter of single
    reactions shows in the residuals.

    Parameters
    ----------
    angle_deg, speed_deg_s : (n,) arrays
        Marked angle and signed speed of each approach at one frequency.
    starts : (n,) bool array
        True for onset, False for drop-out.
    """
    scatter = np.hypot(0.2, REACTION_SCATTER_S * np.abs(speed_deg_s))
    return _without_lag(angle_deg, speed_deg_s, starts, REACTION_S, REACTION_U_S, scatter)


def levels_to_speed_zero(
    angle_deg: Floats, angle_u_deg: Floats, speed_deg_s: Floats, starts: NDArray[np.bool_]
) -> Unhurried:
    """Take the time that oscillation needs to build up out of level change-points.

    Past the onset the growth rate rises in proportion to the angle, so an amplitude that must grow by a fixed factor (out
    of the noise to where it shows) is seen late by an angle proportional to the square root of the speed:
    `∫ k·v·t dt = ln(gain)` gives `v·t = √(2·ln(gain)·v/k)`. Drop-out is not delayed by growth and stays as read.

    Parameters
    ----------
    angle_deg, angle_u_deg, speed_deg_s : (n,) arrays
    starts : (n,) bool array
    """
    term = np.where(starts, np.sqrt(np.abs(speed_deg_s)), 0.0)
    return _without_lag(angle_deg, term, starts, GROWTH_LAG, GROWTH_LAG_U, np.hypot(0.15, angle_u_deg))
