"""The hands at the bench: a person at the console, or the virtual operator."""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Protocol

from bench.errors import BenchError

if TYPE_CHECKING:
    from bench.plan.schema import Control
    from bench.virtual.hands import Hands

# A way to the onset shorter than this is as quickly gone slowly as told.
RUN_UP_WORTH_DEG = 15.0


class Skipped(BenchError):
    """The operator chose to leave a reading out for now."""


class Again(BenchError):
    """The operator chose to take the reading again from its beginning."""


class Withdrawn(BenchError):
    """The operator takes the last recorded reading back; it is taken again before the present one."""


class Paused(BenchError):
    """The operator pauses: instruments are let go of until they say to go on."""


class Stopped(BenchError):
    """The operator chose to stop."""


class NobodyThere(Stopped):
    """The end of input: nobody can answer."""


@dataclass(frozen=True)
class Setup:
    """How the set stands for a reading."""

    coil: str
    valve: bool = True
    antenna: bool = False
    loop: bool = False
    added_c_f: float | None = None


@dataclass(frozen=True)
class Turn:
    """One slow turn of the regeneration control."""

    starts: bool
    from_deg: float
    to_deg: float
    speed_deg_s: float
    listen: bool


class Operator(Protocol):
    """What a reading may ask of the person (or stand-in) whose hands are on the set."""

    def caution(self, lines: list[str]) -> None:
        """Show the cautions and have them acknowledged."""
        ...

    def prepare(self, setup: Setup) -> None:
        """Bring the set into this state; returns when it is so."""
        ...

    def set_dial(self, dial: float) -> float:
        """Set the tuning dial; returns the reading it was set to, as read."""
        ...

    def rest_control(self, angle_deg: float) -> None:
        """Turn the regeneration control to an angle and leave it there; returns when it is there."""
        ...

    def begin_turn(self, turn: Turn) -> None:
        """Have the control turned slowly; returns at once, while it turns."""
        ...

    def noticed(self, turn: Turn) -> None:
        """What the turn is made for was seen just now (it oscillates, it stopped, the mark came); returns at once."""
        ...

    def move_loop(self, looser: bool) -> None:
        """Have the pick-up loop moved a little away from the coil, or a little nearer; returns when it is done."""
        ...

    def hold_hand(self, position: str | None) -> None:
        """Have a hand held at a place near the set, or hands well away; returns when it is so."""
        ...

    def hears_oscillation(self) -> bool:
        """Whether the set oscillates now, by ear."""
        ...

    def number(self, question: str, read: Callable[[str], float]) -> float:
        """Ask for a value; `read` turns the typed text into SI and refuses what it cannot read."""
        ...

    def retry(self, problem: str) -> bool:
        """A reading failed three times: True tries again, False gives up; raises `Skipped` to go on without it."""
        ...


def changes(last: Setup | None, setup: Setup, unit: str | None = None) -> list[str]:
    """What the operator has to do to come from one state of the set to another (None: from any); `unit` of capacitances."""
    from bench.quantities import show

    wanted: list[str] = []
    for field in fields(Setup):
        new = getattr(setup, field.name)
        if last is not None and getattr(last, field.name) == new:
            continue
        match field.name:
            case "coil":
                wanted.append(f"plug in coil {new}")
            case "valve":
                wanted.append("valve working (heater and supply on)" if new else "valve cold (supply off)")
            case "antenna":
                wanted.append("antenna connected" if new else "antenna off")
            case "loop":
                wanted.append("pick-up loop at the coil, loosely" if new else "pick-up loop well away")
            case _ if new is not None:
                wanted.append(f"known capacitor {show(new, 'capacitance', unit)} across the tuning capacitor")
            case _:
                wanted.append("known capacitor off")
    return wanted


def place(control: Control, angle_deg: float) -> str:
    """Where to turn the control, in words."""
    if angle_deg <= 0:
        return "fully back"
    return "fully up" if angle_deg >= control.travel_deg else f"to {control.clock(angle_deg)}"


def run_up(control: Control, turn: Turn) -> str:
    """Where a slow turn up may begin, so that nobody crawls to it from the end stop; nothing where that is the stop."""
    return f"From {control.clock(turn.from_deg)}" if turn.starts and turn.from_deg > RUN_UP_WORTH_DEG else ""


def loop_words(looser: bool) -> str:
    """How the pick-up loop is to be moved."""
    how = "a little FURTHER from the coil (half as far again)" if looser else "a little NEARER to the coil"
    return f"Move the pick-up loop {how}, and leave it there"


def hand_words(position: str | None) -> str:
    """Where a hand is to be held."""
    return f"Hold a hand at the {position}, still" if position else "Hands and body well away from the set"


KEYS = (
    "s: leave out, r: this reading again, w: withdraw the last, p: pause, q: stop",
    "n and words: a note beside this reading, for instance: n wind, set shaking",
)
_NOTE = re.compile(r"(?:n|note)\s+(.+)", re.IGNORECASE)


class ConsoleOperator:
    """A person at the terminal: one instruction at a time, Enter when done; the letters of `KEYS` at every prompt.

    Parameters
    ----------
    control : Control
        The plan's regeneration control, for clock positions.
    ask : callable
        Shows a prompt and returns the typed line (handed in, so that tests can stand in for the keyboard).
    say : callable
        Shows one line.
    typed : callable
        A line typed while nothing was asked, None where there is none.
    note : callable
        Is given the operator's words on the reading in hand.
    seen_at : callable
        Whether the control is seen to rest at an angle.
    unit : str
        How the plan likes capacitances shown.
    """

    def __init__(
        self,
        control: Control,
        ask: Callable[[str], str],
        say: Callable[[str], None],
        typed: Callable[[], str | None] = lambda: None,
        note: Callable[[str], None] = lambda text: None,
        seen_at: Callable[[float], bool] = lambda angle_deg: False,
        unit: str | None = None,
    ) -> None:
        self._control = control
        self._ask = ask
        self._say = say
        self._typed = typed
        self._note = note
        self._seen_at = seen_at
        self._unit = unit
        self._setup: Setup | None = None

    def _line(self, prompt: str) -> str:
        while True:
            answer = self._ask(prompt).strip()
            if not self._obeyed(answer):
                return answer

    def _obeyed(self, answer: str) -> bool:
        """Whether a line was a question for the keys, or a note; any other key of `KEYS` raises what it stands for."""
        if noted := _NOTE.fullmatch(answer):
            self._note(noted[1].strip())
            self._say("  noted")
            return True
        match answer.lower():
            case "q" | "stop":
                raise Stopped("Stopped. What was recorded is kept; run the same command to go on.")
            case "s" | "skip":
                raise Skipped("left out for now")
            case "r" | "redo":
                raise Again("taken again")
            case "w" | "withdraw":
                raise Withdrawn("the last reading is withdrawn")
            case "p" | "pause":
                raise Paused("paused")
            case "?" | "help":
                for line in KEYS:
                    self._say(f"  {line}")
                return True
            case _:
                return False

    def glance(self) -> None:
        """Obey a key of `KEYS` that was typed, with Enter, while the control is turned; other lines mean nothing then."""
        line = self._typed()
        if line is not None:
            self._obeyed(line.strip())

    def caution(self, lines: list[str]) -> None:
        for line in lines:
            self._say(line)
        with suppress(Skipped, Again, Withdrawn, Paused):
            self._line("Enter when you have read this and the bench is safe (q: stop) ")
            return
        self._say("Nothing has been read yet: Enter to begin, q to stop.")
        self.caution([])

    def prepare(self, setup: Setup) -> None:
        wanted = changes(self._setup, setup, self._unit)
        self._setup = None
        if wanted:
            told = "; ".join(wanted)
            self._enter(f"{told[0].upper()}{told[1:]}. Enter when done (?: more, s: leave out, q: stop) ")
        self._setup = setup

    def _enter(self, prompt: str) -> None:
        """Waits for Enter; words that are no answer are not taken for one."""
        while answer := self._line(prompt):
            self._say(f"“{answer}” is no answer here: Enter alone when it is so.")

    def set_dial(self, dial: float) -> float:
        while True:
            answer = self._line(
                f"Set the dial to {dial:g}. Enter when there, or type the reading you set (?: more, s: leave out, q: stop) "
            )
            if not answer:
                return dial
            try:
                return float(answer)
            except ValueError:
                self._say(f"“{answer}” is not a dial reading; type a number such as {dial:g}.")

    def rest_control(self, angle_deg: float) -> None:
        # A control that the sensor sees there needs no asking.
        if self._seen_at(angle_deg):
            return
        self._enter(
            f"Turn the regeneration control {place(self._control, angle_deg)}. Enter when there (?: more) "
        )

    def begin_turn(self, turn: Turn) -> None:
        pace = f"about {turn.speed_deg_s:.0f}° a second"
        mark = "; press the mark switch when you hear it" if turn.listen else ""
        if turn.starts and turn.to_deg < self._control.travel_deg:
            self._say(
                f"Turn the regeneration steadily UP ({pace}) {place(self._control, turn.to_deg)}, no further, and leave it there."
            )
        elif turn.starts:
            begin = run_up(self._control, turn)
            self._say(
                f"{f'{begin}, turn' if begin else 'Turn'} the regeneration slowly UP ({pace}) until it oscillates{mark}, and on "
                "until told."
            )
        else:
            self._say(f"Now slowly BACK ({pace}) until it stops{mark}, and a little further.")

    def noticed(self, turn: Turn) -> None:
        """The level beside the instruction shows it, and the ear has heard it."""

    def move_loop(self, looser: bool) -> None:
        self._enter(f"{loop_words(looser)}. Enter when done ")

    def hold_hand(self, position: str | None) -> None:
        self._enter(f"{hand_words(position)}. Enter {'with the other hand ' if position else ''}when so ")

    def hears_oscillation(self) -> bool:
        while True:
            answer = self._line("Does it oscillate now, as the control stands? (y or n) ").lower()
            if answer in ("y", "yes", "n", "no"):
                return answer.startswith("y")

    def number(self, question: str, read: Callable[[str], float]) -> float:
        while True:
            answer = self._line(f"{question} (?: more, s: leave out, q: stop) ")
            try:
                return read(answer)
            except ValueError as problem:
                self._say(str(problem))

    def retry(self, problem: str) -> bool:
        self._say(problem)
        self._line("Put it right, then Enter to try again (s: leave out, q: stop) ")
        return True


class VirtualOperator:
    """Turns the virtual bench's knobs when asked, as a person would be."""

    def __init__(self, hands: Hands) -> None:
        self._hands = hands
        self._setup: Setup | None = None

    def caution(self, lines: list[str]) -> None:
        """Nobody can be hurt on the virtual bench."""

    def prepare(self, setup: Setup) -> None:
        last, hands = self._setup, self._hands
        if last is None or last.coil != setup.coil:
            hands.coil(setup.coil)
        if last is None or last.valve != setup.valve:
            hands.valve(setup.valve)
        if last is None or last.antenna != setup.antenna:
            hands.antenna(setup.antenna)
        if last is None or last.loop != setup.loop:
            hands.loop(setup.loop)
        if last is None or last.added_c_f != setup.added_c_f:
            hands.added(setup.added_c_f)
        self._setup = setup

    def set_dial(self, dial: float) -> float:
        return self._hands.dial(dial)

    def rest_control(self, angle_deg: float) -> None:
        self._hands.control(angle_deg, speed_deg_s=90.0)

    def begin_turn(self, turn: Turn) -> None:
        self._hands.listen(turn.listen)
        self._hands.turn(turn.to_deg, speed_deg_s=turn.speed_deg_s, wait=False)

    def noticed(self, turn: Turn) -> None:
        """These hands turn on until told, whatever they hear."""

    def move_loop(self, looser: bool) -> None:
        self._hands.move_loop(looser)

    def hold_hand(self, position: str | None) -> None:
        if position not in (None, *self._hands.places):
            raise Skipped(f"on the virtual bench a hand can be held at {', '.join(self._hands.places)}")
        self._hands.hand(position)

    def hears_oscillation(self) -> bool:
        return bool(self._hands.state()["oscillating"])

    def number(self, question: str, read: Callable[[str], float]) -> float:
        raise Skipped(f"the virtual operator cannot answer “{question}”")

    def retry(self, problem: str) -> bool:
        return False
