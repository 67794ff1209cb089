"""Up the control towards onset without going past it: Q read at angle after angle, each step a part of the way that is left.

And what the analyzer's own signal does to Q on the way, for it is lowered there.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from bench.errors import ReadingError
from bench.readings.curve_points import (
    SHARE_OF_THE_WAY,
    CurvePoint,
    Hands,
    SignalCheck,
    foretold,
)
from bench.readings.resonance_run import measure_resonance
from drivers.errors import InstrumentError
from drivers.roles import Analyzer, LevelledAnalyzer, Sweep

# Share of the first 1/Q at which the look ends: as near to onset as it goes.
LAST_SHARE = 0.12
ENOUGH_LIFT = 5.0
# No step ends nearer to the expected onset than this, and none is smaller.
MARGIN_DEG = 2.5
LEAST_STEP_DEG = 0.8
FIRST_STEP, MOST_STEP = 0.02, 0.1  # of the travel
MOST_BACKINGS = 4
LOOK_GOAL = 0.03
# Looser than the one, noise costs too many points at the lowest Q; tighter than the other, the circle is no longer one.
LEAST_BETA, MOST_BETA = 0.06, 0.4
MOST_LOOP_MOVES = 5
NEAR_BAND = 0.06
QUIETER_DB = 8.0
MOST_QUIETER = 4
HALF_WAY = 0.5
RETRACE = 1.4
ALMOST_BACK_DEG = 5.0


ReadAngle = Callable[[], tuple[float, float]]


class Oscillates(Exception):
    """The control went past onset, to `angle_deg`."""

    def __init__(self, angle_deg: float) -> None:
        self.angle_deg = angle_deg
        super().__init__(f"oscillates at {angle_deg:.1f} degrees")


class Look:
    """One reading under way, as far as the look upwards."""

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
        self.stuck = self.unread = 0
        self.lowered = 0
        self.loosened = 0
        self.quietened = False
        self.never = False
        self.nearest: CurvePoint | None = None
        self.ceiling = travel_deg  # the least angle at which it oscillated on the way up

    # One reading of Q

    def at(self, angle_deg: float, goal: float) -> CurvePoint:
        """Turn there, from wherever the control is, and read Q."""
        self.hands.rest_control(angle_deg)
        return self.here(goal)

    def here(self, goal: float) -> CurvePoint:
        """Read Q with the control as it stands."""
        angle, angle_u = self.read_angle()
        guess = foretold(self.seen, angle)
        middle = guess.f0_hz if guess is not None else self.f0_hz
        try:
            reading = measure_resonance(
                self.analyzer, (1 - NEAR_BAND) * middle, (1 + NEAR_BAND) * middle, q_goal=goal, guess=guess
            )
        except ReadingError:
            if self.hands.hears_oscillation():
                raise Oscillates(angle) from None
            # The coupling grows with Q until the loop takes more than the tank; and a signal that biases the valve most at
            # resonance bends the dip out of shape.
            looser = angle > ALMOST_BACK_DEG and self.looser()
            if not looser and not (angle > ALMOST_BACK_DEG and self.quieter()):
                raise
            try:
                return self.here(goal)
            except (Oscillates, ReadingError):
                if looser:
                    # It was not the loop that hid the dip; all that lies below needs it as it was.
                    self.loosened -= 1
                    self.hands.move_loop(False)
                raise
        point = CurvePoint(angle, angle_u, reading.resonance, reading.sweeps)
        # Below onset Q only grows with regeneration: a dip much broader than the last may be what oscillation leaves of it.
        broader = self.seen and angle > self.seen[-1].angle_deg and point.q * RETRACE < self.seen[-1].q
        if broader and self.hands.hears_oscillation():
            raise Oscillates(angle)
        self.on_detail(f"{angle:.1f} degrees: Q {point.q:.0f}, resonance at {point.f0_hz / 1e3:.1f} kHz")
        return point

    # Up the control

    def look_up(self) -> None:
        """Go up until 1/Q has fallen far enough, never past where it would be nothing."""
        try:
            first = self.at(0.0, LOOK_GOAL)
        except Oscillates:
            raise ReadingError(
                "It oscillates already with the control fully back, so there is no Q below onset to read. Take turns off "
                "the tickler first, or read this coil's resonance with --cold."
            ) from None
        self.keep(first)
        step, fully_back = FIRST_STEP * self.travel, False
        while self.share > 1.05 * LAST_SHARE:
            last = self.seen[-1]
            room = self.ceiling - last.angle_deg
            wanted = min(self.way(step), room if self.ceiling >= self.travel else 0.5 * room)
            if wanted < LEAST_STEP_DEG:
                break
            try:
                point = self.at(last.angle_deg + wanted, LOOK_GOAL)
            except Oscillates as past:
                self.ceiling = min(self.ceiling, past.angle_deg)
                self.back_off(last)
                step, fully_back = 0.25 * wanted, True
                continue
            except ReadingError:
                # Q has grown so suddenly that nothing of it was seen: less far.
                self.unread += 1
                if len(self.seen) < 2 or self.unread > MOST_BACKINGS:
                    raise
                self.hands.rest_control(0.0)
                step, fully_back = 0.25 * wanted, True
                continue
            fully_back = False
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
        if self.share < 0.5 * LAST_SHARE and len(self.seen) > 2:
            fully_back = not self.come_back()
        if fully_back:
            self.return_to(self.seen[-1].angle_deg)
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
        if self.loosened >= MOST_LOOP_MOVES or (last or 0.0) < LEAST_BETA:
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

    def come_back(self) -> bool:
        """From a last step that went very near to onset to where the loop is set: what can be read here is too loose below.

        Whether a point was read there; the near one counts at the end.
        """
        share = np.minimum.accumulate([self.seen[0].q / p.q for p in self.seen])
        angle = float(np.interp(-LAST_SHARE, -share, [p.angle_deg for p in self.seen]))
        self.nearest = self.seen.pop()
        self.hands.rest_control(0.0)
        try:
            point = self.at(angle, LOOK_GOAL)
        except (Oscillates, ReadingError):
            self.hands.rest_control(0.0)
            return False
        if not self.seen[-1].angle_deg < point.angle_deg < self.nearest.angle_deg:
            self.hands.rest_control(0.0)
            return False
        self.seen.append(point)
        return True

    def return_to(self, angle_deg: float) -> None:
        """Turn up again to where it was still, or where a hand comes short of that for safety."""
        for short_deg in (0.0, MARGIN_DEG, 2.0 * MARGIN_DEG):
            self.hands.rest_control(max(angle_deg - short_deg, 0.0))
            if not self.hands.hears_oscillation():
                return
            self.hands.rest_control(0.0)

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

    # The analyzer's signal

    def here_again(self, goal: float) -> CurvePoint:
        try:
            return self.here(goal)
        except Oscillates:
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
