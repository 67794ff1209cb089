"""The operator's seat at the page: the instructions of `measure` on the desk, presses as the operator's answers."""

from __future__ import annotations

import math
import re
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any, NoReturn, cast

from bench.errors import ReadingError
from bench.measuring.operator import (
    Again,
    Operator,
    Setup,
    Skipped,
    Stopped,
    Turn,
    Withdrawn,
    changes,
    hand_words,
    loop_words,
    place,
    run_up,
)
from bench.measuring.progress import Reporter
from bench.measuring.sight import SeenSensor, Sight, Standing
from bench.page import facts
from bench.page.desk import ALWAYS, Answer, Choice, Desk, Entry, Now, Wished
from bench.session.folder import Session

if TYPE_CHECKING:
    from bench.physics.resonance import Resonance
    from bench.readings.level_fit import LevelSweep
    from drivers.roles import Analyzer, Complexes, Floats, ListAnalyzer, Sample, Sensor, Sweep

MARK_LASTS_S = 0.2
TOLD_LINES = 3

WORKING = ("Hands off. Measuring",)
DONE = Choice("done", "Done")
STOPPED = "Stopped at the page. What was recorded is kept; run the same command to go on."


@contextmanager
def heard() -> Iterator[None]:
    """What was pressed, as the runner understands it."""
    try:
        yield
    except Wished as pressed:
        _raise(pressed)


def _raise(pressed: Wished) -> NoReturn:
    match pressed.wish:
        case "skip":
            raise Skipped("left out for now") from pressed
        case "withdraw":
            raise Withdrawn("the last reading is withdrawn") from pressed
        case "stop":
            raise Stopped(STOPPED) from pressed
        case _:
            raise Again("taken again") from pressed


class PageSensor(SeenSensor):
    """A sensor whose stream the page shows, and whose mark the page's button presses as well."""

    def __init__(self, sensor: Sensor, sight: Sight, desk: Desk) -> None:
        super().__init__(sensor, sight)
        self._desk = desk

    def read(self, seconds: float) -> Sequence[Sample]:
        """As the sensor's; raises what was pressed on the page, and after a pause in the middle of a turn that this was so."""
        with heard():
            self._desk.heed()
            if self._desk.held_in_turn():
                self._desk.hold()
                raise ReadingError("There was a pause in the middle of the turn.")
        samples = super().read(seconds)
        if self._desk.marked(MARK_LASTS_S):
            return [replace(sample, mark=True) for sample in samples]
        return samples


class PageAnalyzer:
    """An analyzer that does not begin a sweep when something else was pressed on the page."""

    def __init__(self, analyzer: Analyzer, desk: Desk) -> None:
        self._analyzer = analyzer
        self._desk = desk

    def __getattr__(self, name: str) -> Any:
        return getattr(self._analyzer, name)

    def sweep(self, start_hz: float, stop_hz: float, points: int) -> Sweep:
        """As the analyzer's; raises what was pressed on the page."""
        with heard():
            self._desk.heed()
        return self._analyzer.sweep(start_hz, stop_hz, points)

    def sweep_at(self, f_hz: Floats) -> Sweep:
        """As the analyzer's; raises what was pressed on the page."""
        with heard():
            self._desk.heed()
        return cast("ListAnalyzer", self._analyzer).sweep_at(f_hz)


class PageReporter(Reporter):
    """Tells the page what it tells the terminal."""

    def __init__(self, seat: Seat, inner: Reporter) -> None:
        super().__init__(inner.total)
        self._seat = seat
        self._inner = inner
        self._told: deque[str] = deque(maxlen=TOLD_LINES)

    def say(self, text: str) -> None:
        self._inner.say(text)
        self._told.appendleft(text.strip())
        self._seat.desk.publish("told", list(self._told))

    def tell(self, text: str) -> None:
        self._inner.tell(text)
        self._seat.desk.tell(Now((text,)))

    def ask(self, prompt: str) -> str:
        return self._inner.ask(prompt)

    def notes(self) -> list[str]:
        return self._seat.desk.notes()

    def reading(self, what: str, then: str) -> None:
        self._inner.reading(what, then)
        self._seat.begin(what, then)

    def left_out(self, what: str, why: str) -> None:
        super().left_out(what, why)
        self._inner.left += 1
        self._seat.left_out(what)

    def taken_back(self, what: str) -> None:
        super().taken_back(what)
        self._inner.done -= 1
        self._seat.recorded()

    def detail(self, text: str) -> None:
        self._inner.detail(text)
        self._seat.detail(text)

    def result(self, text: str, readings: int = 1) -> None:
        self.done += readings
        self._inner.result(text, readings)
        self._seat.recorded()

    def sweep(self, title: str, f_hz: Floats, s11: Complexes, found: Resonance | None) -> None:
        self._seat.desk.publish("sweep", facts.sweep_facts(self._seat.session.plan, title, f_hz, s11, found))

    def level_sweep(self, title: str, sweep: LevelSweep) -> None:
        self._seat.desk.publish("sweep", facts.level_sweep_facts(self._seat.session.plan, title, sweep))


class Seat:
    """One run of `measure` with its operator at the page.

    Parameters
    ----------
    session : Session
    desk : Desk
    cold : whether resonance is read with the valve cold.
    """

    def __init__(self, session: Session, desk: Desk, *, cold: bool = False) -> None:
        self.session = session
        self.desk = desk
        self.cold = cold
        self.sight = Sight(session.plan.receiver.control)
        self.sight.tell.append(self._stands)
        self._here = ""
        self._then = ""
        self._left: set[str] = set()
        self._planned = facts.planned(session.plan)
        desk.publish("set", facts.set_facts(session))
        self.detail("")
        self.blank("no angle sensor has spoken yet")
        self.refresh()

    def blank(self, why: str) -> None:
        """Nothing is known of the control, and why."""
        self.desk.publish("knob", {"angle_deg": None, "clock": "", "level_v": None, "why": why})

    def _stands(self, now: Standing) -> None:
        why = "end stops not learned yet" if now.angle_deg is None else ""
        self.desk.publish("knob", {**asdict(now), "why": why})

    def refresh(self) -> None:
        """Progress and last readings, from the tables."""
        self.desk.publish(
            "plan", facts.progress(self.session, cold=self.cold, here=self._here, left=self._left)
        )
        self.desk.publish("rows", facts.last_readings(self.session))
        item = self._planned.get(self._here)
        marks = facts.onsets_at(self.session, item.coil, item.f_hz) if item and item.f_hz else []
        self.desk.publish("onset", {"found": marks})

    def reporter(self, inner: Reporter) -> Reporter:
        """What tells both the terminal and the page."""
        return PageReporter(self, inner)

    def operator(self, hands: Operator | None, say: Callable[[str], None]) -> Operator:
        """The person at the page; `hands` (the virtual bench's) then do what was answered to be done."""
        return PageOperator(self, hands, say)

    def seen(self, instrument: Any) -> Any:
        """An instrument about to be used, so that the page sees what it sees."""
        from drivers.roles import Analyzer, Sensor

        if isinstance(instrument, Sensor):
            sensor = PageSensor(instrument, self.sight, self.desk)
            self.sight.watch(sensor)
            return sensor
        return PageAnalyzer(instrument, self.desk) if isinstance(instrument, Analyzer) else instrument

    def begin(self, what: str, then: str) -> None:
        """A reading begins."""
        self._here, self._then = what, then
        self._left.discard(what)
        self.detail("")
        self.desk.allow(ALWAYS)
        self.refresh()

    def detail(self, text: str) -> None:
        """How the reading stands."""
        self.desk.publish("doing", {"reading": self._here, "then": self._then, "detail": text})

    def left_out(self, what: str) -> None:
        """A reading was left out of this run."""
        self._left.add(what)
        self.recorded()

    def recorded(self) -> None:
        """Rows are on disk."""
        self.refresh()

    def end(self) -> None:
        """The run is over: its instruments are closed."""
        self.sight.watch(None)
        self._here = self._then = ""
        self.detail("")
        self.recorded()


class PageOperator:
    """A person at the page: one instruction at a time in large type, answered by button or key."""

    def __init__(self, seat: Seat, hands: Operator | None, say: Callable[[str], None]) -> None:
        self._seat = seat
        self._desk = seat.desk
        self._control = seat.session.plan.receiver.control
        self._unit = seat.session.plan.show.capacitance
        self._hands = hands
        self._say = say
        self._setup: Setup | None = None
        self._turning = Now(())

    def _ask(
        self,
        now: Now,
        read: Callable[[Answer], Any] | None = None,
        *,
        done: Callable[[], bool] = lambda: False,
    ) -> Any:
        """Ask, with the same words on the terminal; `done` sees that it is so without an answer."""
        for line in now.lines if now.kind == "caution" else ("; ".join(now.lines),):
            self._say(f"  page: {line}")

        def idle() -> None:
            self._seat.sight.look()
            if done():
                self._desk.settle(DONE.name)

        with heard():
            answer = self._desk.ask(now, idle, read=read)
        self._desk.tell(Now(WORKING, kind="working"))
        return answer

    def caution(self, lines: list[str]) -> None:
        self._desk.allow(("stop",))
        read = Choice("read", "I have read this and the bench is safe")
        self._ask(Now(tuple(lines), kind="caution", choices=(read,)))

    def prepare(self, setup: Setup) -> None:
        wanted = changes(self._setup, setup, self._unit)
        self._setup = None
        if wanted:
            lines = tuple(f"{line[0].upper()}{line[1:]}" for line in wanted)
            self._ask(Now(lines, kind="ask", choices=(DONE,)))
        if self._hands is not None:
            self._hands.prepare(setup)
        self._setup = setup

    def set_dial(self, dial: float) -> float:
        def read(answer: Answer) -> float:
            try:
                found = float(answer.text.strip() or dial)
            except ValueError:
                found = math.nan
            if not math.isfinite(found):
                raise ValueError(
                    f"“{answer.text[:40]}” is not a dial reading; type a number such as {dial:g}."
                )
            return found

        entry = Entry("Or type the reading you set", f"{dial:g}", needed=False)
        at = float(
            self._ask(Now((f"Set the dial to {dial:g}",), kind="ask", choices=(DONE,), entry=entry), read)
        )
        return at if self._hands is None else self._hands.set_dial(at)

    def rest_control(self, angle_deg: float) -> None:
        # A control that the sensor sees there needs no asking.
        sight = self._seat.sight
        if not sight.sees_rest(angle_deg):
            before = sight.resting_since
            self._ask(
                Now(
                    (f"Turn the regeneration {place(self._control, angle_deg)}",),
                    kind="ask",
                    choices=(DONE,),
                    aim_deg=angle_deg,
                ),
                # A step may be so small that the control was near already: it must have been moved.
                done=lambda: sight.resting_since != before and sight.rests_at(angle_deg),
            )
        if self._hands is not None:
            self._hands.rest_control(angle_deg)

    def begin_turn(self, turn: Turn) -> None:
        mark = " Press Mark when you hear it." if turn.listen else ""
        pace = f"About {turn.speed_deg_s:.0f}° a second"
        if turn.starts and turn.to_deg < self._control.travel_deg:
            where = place(self._control, turn.to_deg)
            now = Now((f"Turn steadily UP {where}",), f"{pace}, no further, and leave it there.", way="up")
        elif turn.starts:
            begin = run_up(self._control, turn)
            more = f"{begin}, {pace[0].lower()}{pace[1:]}" if begin else pace
            now = Now(("Turn slowly UP",), f"{more}, until it oscillates, and on until told.{mark}", way="up")
        else:
            now = Now(
                ("Now slowly BACK",), f"{pace}, until it stops, and a little further.{mark}", way="back"
            )
        with heard():
            self._desk.hold()
        self._turning = replace(now, kind="turn", mark=turn.listen)
        self._desk.tell(self._turning)
        self._say(f"  page: {now.lines[0]}. {now.more}")
        if self._hands is not None:
            self._hands.begin_turn(turn)

    def noticed(self, turn: Turn) -> None:
        seen = "Marked" if turn.listen else "It oscillates" if turn.starts else "It has stopped"
        self._desk.tell(
            replace(
                self._turning,
                more=f"{seen}. On a little further, until told.",
                cue="starts" if turn.starts else "stops",
            )
        )

    def move_loop(self, looser: bool) -> None:
        self._ask(Now((loop_words(looser),), kind="ask", choices=(DONE,)))
        if self._hands is not None:
            self._hands.move_loop(looser)

    def hold_hand(self, position: str | None) -> None:
        self._ask(Now((hand_words(position),), kind="ask", choices=(DONE,)))
        if self._hands is not None:
            self._hands.hold_hand(position)

    def hears_oscillation(self) -> bool:
        if self._hands is not None:
            return self._hands.hears_oscillation()
        choices = (Choice("yes", "Yes"), Choice("no", "No"))
        now = Now(("Does it oscillate now, as the control stands?",), kind="ask", choices=choices)
        return bool(self._ask(now, lambda answer: answer.choice == "yes"))

    def number(self, question: str, read: Callable[[str], float]) -> float:
        found = re.fullmatch(r"(.*?) *\(for instance (.*)\):?", question)
        words, example = found.groups() if found else (question.rstrip(":"), "")
        label = f"For instance {example}" if example else "Type the value"
        now = Now((words,), kind="ask", choices=(DONE,), entry=Entry(label, example))
        return float(self._ask(now, lambda answer: read(answer.text)))

    def retry(self, problem: str) -> bool:
        choices = (Choice("again", "Try again"), Choice("skip", "Leave it out"))
        if self._ask(Now((problem,), kind="trouble", choices=choices)).choice == "skip":
            raise Skipped("left out for now")
        return True
