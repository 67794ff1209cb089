"""What lies between the thread that measures and the browser: a picture of the moment one way, answers the other.

The measuring thread publishes parts of the picture and waits for answers; the server hands out the picture and brings in
what was pressed. Everything the page shows comes from here, so a reload or a second tab shows the same.
"""

from __future__ import annotations

import json
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, replace
from typing import Any, Literal

from bench.errors import BenchError

LONGEST_TEXT = 500
MOST_NOTES = 20
# A closed tab that is being loaded again has not left.
GONE_S = 3.0
LOOK_S = 0.05
SHORT_LOOK_S = 0.02

Wish = Literal["redo", "skip", "withdraw", "stop"]
WISHES: tuple[Wish, ...] = ("redo", "skip", "withdraw", "stop")
ALWAYS = (*WISHES, "pause", "note")


class NotNow(BenchError):
    """The press came too late, or means nothing at this moment."""


@dataclass(frozen=True)
class Choice:
    """One answer that can be given: its name, what the button says."""

    name: str
    label: str


@dataclass(frozen=True)
class Entry:
    """A value to be typed: what it is, an example, why the last one could not be read."""

    label: str
    example: str = ""
    needed: bool = True
    problem: str = ""


@dataclass(frozen=True)
class Now:
    """What to do now.

    `lines` in large type; `more` beside it; `choices` that can be given as an answer; `aim_deg` where the control should
    go and `way` (`up`, `back`) while it is being turned; `mark` whether the mark is waited for; `cue` what has just been
    seen in that turn (`starts`, `stops`).
    """

    lines: tuple[str, ...]
    more: str = ""
    kind: Literal["working", "ask", "turn", "caution", "trouble", "over"] = "working"
    choices: tuple[Choice, ...] = ()
    entry: Entry | None = None
    aim_deg: float | None = None
    way: Literal["", "up", "back"] = ""
    mark: bool = False
    cue: Literal["", "starts", "stops"] = ""


@dataclass(frozen=True)
class Answer:
    """What was answered: the choice's name, and what was typed."""

    choice: str
    text: str = ""


class Desk:
    """Holds the picture and the answers; every method may be called from any thread.

    Parameters
    ----------
    pause_when_closed : bool
        Whether measuring holds while no browser shows the page.
    clock : callable
        Seconds, monotonic.
    """

    def __init__(
        self, *, pause_when_closed: bool = False, clock: Callable[[], float] = time.monotonic
    ) -> None:
        self._clock = clock
        self._pause_when_closed = pause_when_closed
        self._news = threading.Condition()
        self._parts: dict[str, tuple[int, str]] = {}
        self._version = 0
        self._asked = 0
        self._answer: Answer | None = None
        self._now = Now(())
        self._wish: Wish | None = None
        self._wishes: frozenset[str] = frozenset()
        self._notes: deque[str] = deque()
        self._paused = False
        self._held = ""
        self._tabs = 0
        self._left_at = clock()
        self._marked_at: float | None = None
        self.closed = False
        self.tell(Now(("Starting",)))
        self._publish_run()

    # The picture

    def publish(self, part: str, value: Any) -> None:
        """Put a part of the picture (anything JSON can say) in place of what it was."""
        text = json.dumps(value, ensure_ascii=False, allow_nan=False, separators=(",", ":"))
        with self._news:
            held = self._parts.get(part)
            if held is not None and held[1] == text:
                return
            self._version += 1
            self._parts[part] = (self._version, text)
            self._news.notify_all()

    def since(self, version: int) -> tuple[int, str | None]:
        """The parts that changed after a version, as one JSON object (None: nothing did), and the version they make."""
        with self._news:
            news = [f'"{name}":{text}' for name, (at, text) in self._parts.items() if at > version]
            return self._version, "{" + ",".join(news) + "}" if news else None

    def picture(self) -> dict[str, Any]:
        """The whole picture."""
        found: dict[str, Any] = json.loads(self.since(0)[1] or "{}")
        return found

    def close(self) -> None:
        """Let every open page know that this is the end."""
        self.closed = True

    # From the measuring thread

    def tell(self, now: Now) -> None:
        """Show what to do now; whatever was asked before is no longer asked."""
        with self._news:
            self._asked += 1
            self._answer = None
            self._now = now
            self.publish("now", {"ask": self._asked, **asdict(now)})

    def ask(
        self, now: Now, idle: Callable[[], None] | None = None, *, read: Callable[[Answer], Any] | None = None
    ) -> Any:
        """Show what to do now and wait for the answer; returns it, or what `read` makes of it.

        Parameters
        ----------
        idle : called again and again while waiting.
        read : turns the answer into a value, or raises ValueError, which is shown and asked again.

        Raises
        ------
        Wished
            Redo, skip, withdraw or stop was pressed instead.
        """
        while True:
            self.hold()
            self.tell(now)
            answer = self._wait(idle)
            if read is None:
                return answer
            try:
                return read(answer)
            except ValueError as problem:
                if now.entry is None:
                    raise
                now = replace(now, entry=replace(now.entry, problem=str(problem)))

    def after(self, choices: tuple[Choice, ...]) -> str:
        """Leave what is shown as it is, and wait for one of these to be chosen; returns its name."""
        self.allow(())
        return str(self.ask(replace(self._now, choices=choices)).choice)

    def settle(self, choice: str) -> None:
        """Give an answer in the operator's place: what was asked for has been seen to be done."""
        with self._news:
            if self._answer is None:
                self._answer = Answer(choice)

    def _wait(self, idle: Callable[[], None] | None) -> Answer:
        while True:
            with self._news:
                if self._answer is None and self._wish is None:
                    self._news.wait(LOOK_S if idle is None else SHORT_LOOK_S)
                self._publish_run()
                if self._answer is not None and not self._held_now():
                    return self._answer
            self.heed()
            if idle is not None and not self._held_now():
                idle()

    def allow(self, wishes: Sequence[str]) -> None:
        """Which of redo, skip, withdraw, stop, pause and note mean something from now on; others are refused."""
        with self._news:
            self._wishes = frozenset(wishes)
            if self._wish not in self._wishes:
                self._wish = None
            self._paused = self._paused and "pause" in self._wishes
            self._publish_run()

    def heed(self) -> None:
        """Raise what was wished for, once.

        Raises
        ------
        Wished
        """
        with self._news:
            wish, self._wish = self._wish, None
        if wish is not None:
            raise Wished(wish)

    def hold(self) -> None:
        """Wait while paused.

        Raises
        ------
        Wished
        """
        while True:
            self.heed()
            with self._news:
                held = self._held_now()
                self._publish_run()
                if not held:
                    return
                self._news.wait(LOOK_S)

    def held_in_turn(self) -> bool:
        """Whether it was paused while the control is being turned."""
        with self._news:
            return self._now.kind == "turn" and self._held_now()

    def notes(self) -> list[str]:
        """Notes written since the last call."""
        with self._news:
            found = list(self._notes)
            self._notes.clear()
            return found

    def marked(self, within_s: float) -> bool:
        """Whether the mark was pressed during the last `within_s` seconds."""
        with self._news:
            return self._marked_at is not None and self._clock() - self._marked_at <= within_s

    # From the browser

    def answer(self, ask: int, choice: str, text: str) -> None:
        """Answer the question of this number.

        Raises
        ------
        NotNow
            That question is no longer asked, or has no such answer.
        """
        with self._news:
            if ask != self._asked or self._answer is not None:
                raise NotNow("That was answered already.")
            if self._held_now():
                raise NotNow("Measuring is paused; go on first.")
            if choice not in {known.name for known in self._now.choices}:
                raise NotNow("That cannot be answered now.")
            self._answer = Answer(choice, text[:LONGEST_TEXT])
            self._news.notify_all()

    def press(self, what: str, text: str) -> None:
        """A button that is always there.

        Raises
        ------
        NotNow
            It means nothing now.
        """
        with self._news:
            if what == "resume" or (what == "pause" and what in self._wishes):
                self._paused = what == "pause"
            elif what == "mark":
                if not self._now.mark:
                    raise NotNow("No mark is waited for now.")
                self._marked_at = self._clock()
            elif what == "note":
                note = " ".join(text.split())[:LONGEST_TEXT]
                if not note:
                    raise NotNow("The note is empty.")
                if "note" not in self._wishes or len(self._notes) >= MOST_NOTES:
                    raise NotNow("No note can be kept now.")
                self._notes.append(note)
            elif what in self._wishes and what in WISHES:
                self._wish = what
            else:
                raise NotNow("That cannot be done now.")
            self._publish_run()
            self._news.notify_all()

    @contextmanager
    def tab(self) -> Iterator[None]:
        """A browser shows the page for as long as this lasts."""
        with self._news:
            self._tabs += 1
        try:
            yield
        finally:
            with self._news:
                self._tabs -= 1
                self._left_at = self._clock()

    def _held_now(self) -> bool:
        alone = self._tabs == 0 and self._clock() - self._left_at > GONE_S
        holds = alone and self._pause_when_closed and "pause" in self._wishes
        self._held = "pressed" if self._paused else "closed" if holds else ""
        return bool(self._held)

    def _publish_run(self) -> None:
        self._held_now()
        self.publish("run", {"paused": self._held, "can": sorted(self._wishes), "wished": self._wish or ""})


class Wished(BenchError):
    """Redo, skip, withdraw or stop was pressed."""

    def __init__(self, wish: Wish) -> None:
        super().__init__(wish)
        self.wish = wish
