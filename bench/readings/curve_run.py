"""Onset without oscillation: Q at a few control angles below it, 1/Q carried on to zero.

A look up the control finds where Q has grown enough; each step goes a part of the way that 1/Q says is left, so the set
stays short of onset. There the loop is set, and with the loop left alone Q is read again at angles spread over the fall of
1/Q, every one approached from below, so that play in the sensor's coupling is the same in all of them. Where that leaves
the onset too uncertain, further readings halve the way that is left.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from bench.errors import ReadingError
from bench.physics.onset_curve import CurveOnset
from bench.physics.uncertainty import combine
from bench.readings.curve_look import (
    LEAST_BETA,
    LEAST_STEP_DEG,
    LOOK_GOAL,
    MARGIN_DEG,
    MOST_BETA,
    MOST_LOOP_MOVES,
    Look,
    Oscillates,
    ReadAngle,
)
from bench.readings.curve_points import (
    SHARE_OF_THE_WAY,
    CurvePoint,
    CurveReading,
    Hands,
    SignalCheck,
    onset_of_points,
)
from drivers.roles import Analyzer

# Shares of the first 1/Q at which Q is read, beside that at which the look upwards ends.
SHARES = (0.6, 0.4, 0.27, 0.18)
# Readings nearer to onset go on until it is known as well as this; most of its uncertainty is the way left to it.
ENOUGH_U_DEG = 0.3
MOST_NEARER = 3
CLEAR_SIGMAS = 4.0
# What all points of a run share and 1/Q does not show: play and bow of the sensor, the set's own wandering. A judgement (GUM,
# type B); less than for approaches in motion, since every point is a rest.
SHARED_U_DEG = 0.15
# Where it was this tight at the last angle, it may be too tight at one where Q is twice as high or more.
TIGHT_NEXT = 0.25


def measure_curve(
    analyzer: Analyzer,
    hands: Hands,
    read_angle: ReadAngle,
    *,
    f0_hz: float,
    travel_deg: float,
    q_goal: float,
    on_detail: Callable[[str], None] = lambda text: None,
) -> CurveReading:
    """Onset at the frequency the tank is tuned to, the loop being near the coil and the control anywhere.

    Parameters
    ----------
    read_angle : callable
        The control's angle as it stands and its standard uncertainty, degrees.
    f0_hz : where the tank resonates with the control at angle 0, within a few percent.
    q_goal : relative standard uncertainty of Q at which sweeping stops.

    Raises
    ------
    ReadingError
        It oscillates already at angle 0, or so near to where Q begins to grow that no angle lies between.
    drivers.errors.WireError
        An instrument failed.
    """
    return _Run(analyzer, hands, read_angle, f0_hz, travel_deg, q_goal, on_detail).run()


class _Run(Look):
    """One reading under way."""

    def run(self) -> CurveReading:
        level = self.level()
        try:
            return self.taken()
        finally:
            if level is not None and level != self.level():
                self.set_level(level)

    def taken(self) -> CurveReading:
        self.look_up()
        last, signal = self.set_loop(self.seen[-1])
        points = self.points(last)
        if self.nearest is not None:
            points = (*points, self.nearest)
        onset = None
        if not self.never:
            points, onset = self.nearer(points)
        return CurveReading(
            points,
            onset,
            self.widened(points, onset, signal),
            self.never,
            signal,
            tuple(self.search),
            tuple(dict.fromkeys(self.warnings)),
        )

    # The loop

    def set_loop(self, last: CurvePoint) -> tuple[CurvePoint, SignalCheck | None]:
        """Set the loop at the last angle; the point read there, and Q with less signal beside it."""
        before: CurvePoint | None = None
        point = self.here_again(LOOK_GOAL)
        for _ in range(MOST_LOOP_MOVES):
            beta = point.resonance.beta or 0.0
            if LEAST_BETA <= beta <= MOST_BETA:
                break
            before = point if beta <= 3.0 * MOST_BETA and beta > MOST_BETA else None
            self.on_detail(
                f"the loop is {'loosened' if beta > MOST_BETA else 'brought nearer'} at the last angle"
            )
            self.hands.move_loop(beta > MOST_BETA)
            point = self.here_again(LOOK_GOAL)
        if point.q_u > self.q_goal * point.q:
            point = self.here_again(self.q_goal)
        return self.checked(point, before, self.q_goal)

    # The readings that count

    def points(self, last: CurvePoint) -> tuple[CurvePoint, ...]:
        """Q at angles spread over the fall of 1/Q, from angle 0 upwards, and at the last."""
        x = np.array([p.angle_deg for p in self.seen])
        share = np.minimum.accumulate(self.seen[0].q / np.array([p.q for p in self.seen]))
        wanted = [0.0]
        for target in SHARES:
            angle = float(np.interp(-target, -share, x))
            if target > share[-1] and angle - wanted[-1] > 1.0 and last.angle_deg - angle > 1.0:
                wanted.append(angle)
        if len(wanted) < 3:
            # A run that is steep at its end, or never falls far: spread evenly what is left.
            wanted = list(np.linspace(0.0, last.angle_deg, 5)[:-1])
        self.hands.rest_control(0.0)
        points = []
        for angle in wanted:
            try:
                points.append(self.at(angle, self.q_goal))
            except Oscillates:
                raise ReadingError(
                    "It oscillated below an angle where it had been still. Something has changed: check supply and valve, "
                    "and take the reading again."
                ) from None
            except ReadingError:
                # With the loop as it must be at the last angle: what the look upwards found at rest stands, less certain.
                if angle == 0.0:
                    points.append(self.seen[0])
        self.hands.rest_control(0.0)
        return tuple(sorted([*points, last], key=lambda p: p.angle_deg))

    def nearer(self, points: tuple[CurvePoint, ...]) -> tuple[tuple[CurvePoint, ...], CurveOnset | None]:
        """The points and the onset, with readings nearer to it while it is uncertain and there is room."""
        onset = onset_of_points(points)
        for _ in range(MOST_NEARER):
            last = points[-1]
            if onset is None or onset.angle_u_deg <= ENOUGH_U_DEG:
                break
            left = onset.angle_deg - last.angle_deg
            step = min(
                (1.0 - SHARE_OF_THE_WAY) * left, left - max(MARGIN_DEG, CLEAR_SIGMAS * onset.angle_u_deg)
            )
            if step < LEAST_STEP_DEG or last.angle_deg + step > self.travel:
                break
            self.on_detail(
                f"the onset is known to {onset.angle_u_deg:.1f} degrees so far: a reading nearer to it"
            )
            # Q goes up as the way gets shorter, and with it the coupling and the signal in the tank.
            if (last.resonance.beta or 0.0) * left / (left - step) > TIGHT_NEXT:
                self.hands.move_loop(True)
            try:
                point = self.at(last.angle_deg + step, self.q_goal)
            except Oscillates as past:
                self.ceiling = min(self.ceiling, past.angle_deg)
                self.warnings.append(
                    "it oscillated at the reading nearest to onset; backed off, and that one left out"
                )
                break
            except ReadingError:
                # What stands is an onset already, only less certain.
                break
            if point.angle_deg <= last.angle_deg + 0.2 * LEAST_STEP_DEG or point.q <= last.q:
                break
            self.seen.append(point)
            points = (*points, point)
            onset = onset_of_points(points) or onset
        self.hands.rest_control(0.0)
        return points, onset

    def widened(
        self, points: tuple[CurvePoint, ...], onset: CurveOnset | None, signal: SignalCheck | None
    ) -> float | None:
        """The onset's uncertainty with what the signal may have done to the last 1/Q, and with what all points share."""
        if self.never:
            return None
        if onset is None:
            self.warnings.append("1/Q bends so much that it does not tell where it would be zero")
            return None
        if onset.bent:
            self.warnings.append(
                f"1/Q does not fall in a straight line (a straight line would say {onset.straight_deg:.1f} degrees); the "
                "bend is fitted and the uncertainty counts it"
            )
        moved = 0.0
        if signal is not None and signal.moved:
            moved = signal.left_over * points[0].q / points[-1].q / onset.slope_per_deg
        beyond = 0.0 if self.ceiling >= self.travel else max(onset.angle_deg - self.ceiling, 0.0)
        return combine(onset.angle_u_deg, moved, beyond, SHARED_U_DEG)
