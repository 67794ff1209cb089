"""Onset without oscillation: Q at a few control angles below it, 1/Q carried on to zero.

A look up the control finds where Q has grown enough; each step goes a part of the way that 1/Q says is left, so the set
stays short of onset. There the loop is set, and with the loop left alone Q is read again at angles spread over the fall of
1/Q, every one approached from below, so that play in the sensor's coupling is the same in all of them. Where that leaves
the onset too uncertain, further readings halve the way that is left.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Protocol

import numpy as np

from bench.errors import ReadingError
from bench.physics.onset_curve import CurveOnset
from bench.physics.uncertainty import combine
from bench.readings.curve_points import CurvePoint, CurveReading, SignalCheck, onset_of_points
from bench.readings.resonance_run import Guess, measure_resonance
from drivers.errors import InstrumentError
from drivers.roles import Analyzer, LevelledAnalyzer, Sweep

# Shares of the first 1/Q at which Q is read; the last is as near to onset as the look upwards goes.
SHARES = (0.6, 0.4, 0.27, 0.18)
LAST_SHARE = 0.12
ENOUGH_LIFT = 5.0
# No step ends nearer to the expected onset than this, and none is smaller.
MARGIN_DEG = 2.5
LEAST_STEP_DEG = 0.8
FIRST_STEP, MOST_STEP = 0.02, 0.1  # of the travel
SHARE_OF_THE_WAY = 0.5
MOST_BACKINGS = 4
# Readings nearer to onset go on until it is known as well as this; most of its uncertainty is the way left to it.
ENOUGH_U_DEG = 0.3
MOST_NEARER = 3
CLEAR_SIGMAS = 4.0
# What all points of a run share and 1/Q does not show: play and bow of the sensor, the set's own wandering. A judgement (GUM,
# type B); less than for approaches in motion, since every point is a rest.
SHARED_U_DEG = 0.15
LOOK_GOAL = 0.03
# Looser than the one, noise costs too many points at the lowest Q; tighter than the other, the circle is no longer one.
LEAST_BETA, MOST_BETA = 0.06, 0.4
MOST_LOOP_MOVES = 5
# Where it was this tight at the last angle, it may be too tight at one where Q is twice as high or more.
TIGHT_NEXT = 0.25
NEAR_BAND = 0.06
QUIETER_DB = 8.0
MOST_QUIETER = 4
HALF_WAY = 0.5
RETRACE = 1.4
ALMOST_BACK_DEG = 5.0


ReadAngle = Callable[[], tuple[float, float]]


class Hands(Protocol):
    """What this reading asks of the person at the set."""

    def rest_control(self, angle_deg: float) -> None:
        """Turn the regeneration control to an angle and leave it there."""
        ...

    def hears_oscillation(self) -> bool:
        """Whether the set oscillates now, by ear."""
        ...

    def move_loop(self, looser: bool) -> None:
        """Move the pick-up loop a little away from the coil, or a little nearer."""
        ...


class _Oscillates(Exception):
    """The control went past onset, to `angle_deg`."""

    def __init__(self, angle_deg: float) -> None:
        self.angle_deg = angle_deg
        super().__init__(f"oscillates at {angle_deg:.1f} degrees")


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


class _Run:
    """One reading under way."""

    def __init__(
        self,
        analyzer: Analyzer,
        hands: Hands,
        read_angle: ReadAngle,
        f0_hz: float,
        travel_deg: float,
        q_goal: float,
        on_detail: Callable[[str], None],
    ) -> None:
        self.analyzer = analyzer
        self.hands = hands
        self.read_angle = read_angle
        self.f0_hz = f0_hz
        self.travel = travel_deg
        self.q_goal = q_goal
        self.on_detail = on_detail
        self.seen: list[CurvePoint] = []
        self.search: list[Sweep] = []
        self.warnings: list[str] = []
        self.backings = 0
        self.stuck = 0
        self.lowered = 0
        self.loosened = 0
        self.quietened = False
        self.never = False
        self.ceiling = travel_deg  # the least angle at which it oscillated on the way up

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

    # One reading of Q

    def at(self, angle_deg: float, goal: float) -> CurvePoint:
        """Turn there, from wherever the control is, and read Q."""
        self.hands.rest_control(angle_deg)
        return self.here(goal)

    def here(self, goal: float) -> CurvePoint:
        """Read Q with the control as it stands."""
        angle, angle_u = self.read_angle()
        guess = self.guess(angle)
        middle = guess.f0_hz if guess is not None else self.f0_hz
        try:
            reading = measure_resonance(
                self.analyzer, (1 - NEAR_BAND) * middle, (1 + NEAR_BAND) * middle, q_goal=goal, guess=guess
            )
        except ReadingError:
            if self.hands.hears_oscillation():
                raise _Oscillates(angle) from None
            if angle > ALMOST_BACK_DEG and (self.looser() or self.quieter()):
                # The coupling grows with Q until the loop takes more than the tank; and a signal that biases the valve most
                # at resonance bends the dip out of shape.
                return self.here(goal)
            raise
        point = CurvePoint(angle, angle_u, reading.resonance, reading.sweeps)
        # Below onset Q only grows with regeneration: a dip much broader than the last may be what oscillation leaves of it.
        broader = self.seen and angle > self.seen[-1].angle_deg and point.q * RETRACE < self.seen[-1].q
        if broader and self.hands.hears_oscillation():
            raise _Oscillates(angle)
        self.on_detail(f"{angle:.1f} degrees: Q {point.q:.0f}, resonance at {point.f0_hz / 1e3:.1f} kHz")
        return point

    def guess(self, angle_deg: float) -> Guess | None:
        """Where the resonance should be at an angle, from the points seen so far."""
        if not self.seen:
            return None
        near = min(self.seen, key=lambda p: abs(p.angle_deg - angle_deg))
        f0, q = near.f0_hz, near.q
        moved = 0.0
        if len(self.seen) > 1:
            order = sorted(self.seen, key=lambda p: p.angle_deg)
            angles, f = np.array([p.angle_deg for p in order]), np.array([p.f0_hz for p in order])
            if angle_deg > angles[-1] and angles[-1] > angles[-2]:
                moved = float((f[-1] - f[-2]) / (angles[-1] - angles[-2]) * (angle_deg - angles[-1]))
                f0, q = float(f[-1]) + moved, q / SHARE_OF_THE_WAY
            else:
                f0 = float(np.interp(angle_deg, angles, f))
                q = float(1.0 / np.interp(angle_deg, angles, [1.0 / p.q for p in order]))
        loaded = q / (1.0 + (near.resonance.beta or 0.0) * q / near.q)
        return replace(
            Guess.after(near.resonance, f0, float(np.hypot(0.3 * f0 / loaded, 0.6 * moved))), q_loaded=loaded
        )

    # Up the control

    def look_up(self) -> None:
        """Go up until 1/Q has fallen far enough, never past where it would be nothing."""
        try:
            first = self.at(0.0, LOOK_GOAL)
        except _Oscillates:
            raise ReadingError(
                "It oscillates already with the control fully back, so there is no Q below onset to read. Take turns off "
                "the tickler first, or read this coil's resonance with --cold."
            ) from None
        self.keep(first)
        step = FIRST_STEP * self.travel
        while self.share > 1.05 * LAST_SHARE:
            last = self.seen[-1]
            room = self.ceiling - last.angle_deg
            wanted = min(self.way(step), room if self.ceiling >= self.travel else 0.5 * room)
            if wanted < LEAST_STEP_DEG:
                break
            try:
                point = self.at(last.angle_deg + wanted, LOOK_GOAL)
            except _Oscillates as past:
                self.ceiling = min(self.ceiling, past.angle_deg)
                self.back_off(last)
                step = 0.25 * wanted
                continue
            if point.angle_deg <= last.angle_deg + 0.2 * LEAST_STEP_DEG:
                # The hand did not get further; from a little below it may.
                step = max(step, 2.0 * LEAST_STEP_DEG)
                self.stuck += 1
                if self.stuck > MOST_BACKINGS:
                    break
                continue
            self.keep(point)
            step = min(2.0 * step, MOST_STEP * self.travel)
            if not self.quietened and self.share < HALF_WAY:
                self.quietened = True
                self.seen[-1] = self.checked(self.here_again(LOOK_GOAL / 2), None, LOOK_GOAL / 2)[0]
        self.judge_end()

    @property
    def share(self) -> float:
        """1/Q now over 1/Q at first."""
        return self.seen[0].q / self.seen[-1].q

    def keep(self, point: CurvePoint) -> None:
        self.seen.append(point)
        self.search.extend(point.sweeps)
        if (point.resonance.beta or 0.0) > MOST_BETA:
            self.looser()

    def looser(self) -> bool:
        """Whether the loop could be loosened once more, the coupling having been tight where it was last read."""
        last = self.seen[-1].resonance.beta if self.seen else None
        if self.loosened >= MOST_LOOP_MOVES or (last or 0.0) < TIGHT_NEXT:
            return False
        self.loosened += 1
        self.on_detail("the loop is loosened: Q has grown, and the coupling with it")
        self.hands.move_loop(True)
        return True

    def way(self, step_deg: float) -> float:
        """How far the next step may go."""
        left = self.left()
        if left is None:
            return step_deg
        part = max(SHARE_OF_THE_WAY, LAST_SHARE / self.share)
        return min(step_deg, (1.0 - part) * left, left - MARGIN_DEG)

    def left(self) -> float | None:
        """Least way to onset that the last points allow, by line and by parabola; None while 1/Q has not fallen."""
        points = self.seen[-3:]
        x = np.array([p.angle_deg for p in points])
        y = np.array([1.0 / p.q for p in points])
        if len(points) < 2 or y[-2] - y[-1] < 2.0 * float(
            np.hypot(points[-1].q_u / points[-1].q, points[-2].q_u / points[-2].q) * y[-1]
        ):
            return None
        left = [float(y[-1] * (x[-1] - x[-2]) / (y[-2] - y[-1]))]
        if len(points) == 3:
            for root in np.roots(np.polyfit(x - x[-1], y, 2)):
                if abs(root.imag) < 1e-9 and root.real > 0.0:
                    left.append(float(root.real))
        return min(left)

    def back_off(self, to: CurvePoint) -> None:
        """Oscillation stops well below where it starts: all the way back, then on from the last point that was still."""
        self.backings += 1
        self.on_detail("it oscillates: turned fully back, and up again in smaller steps")
        self.warnings.append("it oscillated once on the way up; backed off and went on in smaller steps")
        self.hands.rest_control(0.0)
        if self.backings > MOST_BACKINGS:
            raise ReadingError(
                f"It oscillates within a few degrees of {to.angle_deg:.0f} degrees, where Q has hardly grown: the control is "
                "too sudden there for this reading. Read the onset by level or by listening."
            )

    def judge_end(self) -> None:
        last = self.seen[-1]
        at_stop = last.angle_deg >= self.travel - 2.0 * LEAST_STEP_DEG
        if at_stop and self.ceiling >= self.travel:
            left = self.left()
            if left is None or left > 0.0:
                self.never = True
                self.warnings.append("no oscillation up to full travel")
                return
        lift = 1.0 / self.share
        if lift < ENOUGH_LIFT:
            self.warnings.append(
                f"Q could be raised {lift:.1f} times only before onset came too near; {ENOUGH_LIFT:.0f} times is wanted"
            )

    # The loop, and what the analyzer's signal does

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

    def here_again(self, goal: float) -> CurvePoint:
        try:
            return self.here(goal)
        except _Oscillates:
            raise ReadingError(
                "It began to oscillate when the loop was set. Turn the control fully back and take the reading again."
            ) from None

    def checked(
        self, point: CurvePoint, stronger: CurvePoint | None, goal: float
    ) -> tuple[CurvePoint, SignalCheck | None]:
        """Q with more and with less of the analyzer's signal in the tank, at one angle.

        Where the analyzer's level can be set it goes down until Q stays; the point is then the one read at that level.
        """
        found: SignalCheck | None = None
        for _ in range(MOST_QUIETER):
            level = self.level()
            if level is None or not self.set_level(level - QUIETER_DB):
                break
            weaker = self.here_again(goal)
            found = SignalCheck(point.q, point.q_u, weaker.q, weaker.q_u, QUIETER_DB, "level")
            if not found.moved:
                self.set_level(level)
                return point, found
            self.set_level(level)
            if not self.quieter():
                break
            point = weaker
        if found is None and stronger is not None:
            db = 10.0 * np.log10(max(stronger.drive / point.drive, 1.01))
            found = SignalCheck(stronger.q, stronger.q_u, point.q, point.q_u, float(db), "loop")
            if found.moved:
                self.warnings.append(
                    f"the analyzer's own signal changes Q ({found.q:.0f}, and {found.weaker_q:.0f} with {db:.0f} dB less in the "
                    "tank): lower its output level on its own panel, or put an attenuator at its port, and read again"
                )
        return point, found

    def quieter(self) -> bool:
        """Whether the analyzer's level could be lowered for the rest of this reading."""
        level = self.level()
        if level is None or self.lowered >= MOST_QUIETER or not self.set_level(level - QUIETER_DB):
            return False
        self.lowered += 1
        self.warnings.append(
            "the analyzer's own signal changed Q, so its level was lowered for this reading; write a lower level_dbm into "
            "plan.toml"
        )
        return True

    def level(self) -> float | None:
        """The analyzer's level; None where the program cannot set it."""
        return self.analyzer.level_dbm if isinstance(self.analyzer, LevelledAnalyzer) else None

    def set_level(self, level_dbm: float) -> bool:
        """Whether the analyzer could be set to this level."""
        assert isinstance(self.analyzer, LevelledAnalyzer)
        try:
            self.analyzer.set_level(level_dbm)
        except InstrumentError:
            return False
        return True

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
            except _Oscillates:
                raise ReadingError(
                    "It oscillated below an angle where it had been still. Something has changed: check supply and valve, "
                    "and take the reading again."
                ) from None
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
            except _Oscillates as past:
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
