"""Between the measuring thread and the browser: what is shown, asked, answered, paused and refused."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import Future
from typing import Any

import pytest

from bench.page.desk import ALWAYS, GONE_S, MOST_NOTES, Answer, Choice, Desk, Entry, NotNow, Now, Wished

DONE = (Choice("done", "Done"),)


def beside(work: Callable[[], Any]) -> Future[Any]:
    """Run in a thread; the future holds what it returns or raises."""
    result: Future[Any] = Future()

    def run() -> None:
        try:
            result.set_result(work())
        except BaseException as problem:
            result.set_exception(problem)

    threading.Thread(target=run, daemon=True).start()
    return result


def shown(desk: Desk, line: str) -> int:
    """Wait until this is what to do now; the question's number."""
    last = time.monotonic() + 10
    while time.monotonic() < last:
        now = desk.picture()["now"]
        if now["lines"] == [line]:
            return int(now["ask"])
        time.sleep(0.005)
    raise AssertionError(f"never shown: {line}")


def test_a_question_is_answered_once_and_only_as_asked() -> None:
    desk = Desk()
    asked = beside(lambda: desk.ask(Now(("Plug in coil B",), kind="ask", choices=DONE)))
    number = shown(desk, "Plug in coil B")
    for ask, choice in ((number - 1, "done"), (number + 1, "done"), (number, "again")):
        with pytest.raises(NotNow):
            desk.answer(ask, choice, "")
    desk.answer(number, "done", "as typed")
    assert asked.result(10) == Answer("done", "as typed")
    with pytest.raises(NotNow):
        desk.answer(number, "done", "")


def test_what_cannot_be_read_is_asked_again_with_the_reason() -> None:
    desk = Desk()
    now = Now(("Resonance at",), kind="ask", choices=DONE, entry=Entry("For instance 3.5MHz"))

    def read(answer: Answer) -> float:
        if "M" not in answer.text:
            raise ValueError("which unit?")
        return float(answer.text.removesuffix("MHz"))

    asked = beside(lambda: desk.ask(now, read=read))
    first = shown(desk, "Resonance at")
    desk.answer(first, "done", "4")
    last = time.monotonic() + 10
    while not (again := desk.picture()["now"])["entry"]["problem"] and time.monotonic() < last:
        time.sleep(0.005)
    assert again["entry"]["problem"] == "which unit?"
    assert again["ask"] > first
    desk.answer(again["ask"], "done", "4.5MHz")
    assert asked.result(10) == 4.5


@pytest.mark.parametrize("wish", ["redo", "skip", "stop"])
def test_a_wish_takes_the_place_of_the_answer(wish: str) -> None:
    desk = Desk()
    desk.allow(ALWAYS)
    asked = beside(lambda: desk.ask(Now(("Set the dial to 40",), kind="ask", choices=DONE)))
    shown(desk, "Set the dial to 40")
    desk.press(wish, "")
    with pytest.raises(Wished) as raised:
        asked.result(10)
    assert raised.value.wish == wish
    # Once only: the next question is not answered by it.
    desk.heed()


def test_what_means_nothing_now_is_refused() -> None:
    desk = Desk()
    for what in ("redo", "skip", "stop", "pause", "mark", "note", "format"):
        with pytest.raises(NotNow):
            desk.press(what, "words")
    desk.allow(ALWAYS)
    with pytest.raises(NotNow):
        desk.press("note", " \n ")
    for number in range(MOST_NOTES):
        desk.press("note", f"note {number}\n twice")
    with pytest.raises(NotNow):
        desk.press("note", "one too many")
    assert desk.notes()[0] == "note 0 twice"
    desk.press("note", "again room")
    assert desk.notes() == ["again room"]


def test_a_wish_for_the_reading_before_is_forgotten_where_it_means_nothing() -> None:
    desk = Desk()
    desk.allow(ALWAYS)
    desk.press("skip", "")
    desk.allow(())
    desk.heed()


def test_a_pause_holds_and_refuses_answers_until_resumed() -> None:
    desk = Desk()
    desk.allow(ALWAYS)
    asked = beside(lambda: desk.ask(Now(("Antenna off",), kind="ask", choices=DONE)))
    number = shown(desk, "Antenna off")
    desk.press("pause", "")
    assert desk.picture()["run"]["paused"] == "pressed"
    with pytest.raises(NotNow):
        desk.answer(number, "done", "")
    held = beside(desk.hold)
    assert not held.done()
    desk.press("resume", "")
    held.result(10)
    desk.answer(number, "done", "")
    assert asked.result(10).choice == "done"


class Clock:
    """A clock that stands until it is put forward."""

    def __init__(self) -> None:
        self.now = 100.0

    def __call__(self) -> float:
        return self.now


@pytest.mark.parametrize("pauses", [True, False])
def test_a_closed_browser_pauses_only_if_chosen(pauses: bool) -> None:
    clock = Clock()
    desk = Desk(pause_when_closed=pauses, clock=clock)
    desk.allow(ALWAYS)
    with desk.tab():
        clock.now += 10 * GONE_S
        desk.hold()
    # A page loaded again comes back within moments: that is no pause.
    clock.now += GONE_S / 2
    desk.hold()
    clock.now += GONE_S
    held = beside(desk.hold)
    if not pauses:
        held.result(10)
        return
    last = time.monotonic() + 10
    while desk.picture()["run"]["paused"] != "closed" and time.monotonic() < last:
        time.sleep(0.005)
    assert desk.picture()["run"]["paused"] == "closed"
    assert not held.done()
    with desk.tab():
        held.result(10)
    assert desk.picture()["run"]["paused"] == ""


def test_the_mark_counts_for_a_moment_and_only_while_waited_for() -> None:
    clock = Clock()
    desk = Desk(clock=clock)
    desk.tell(Now(("Turn slowly UP",), kind="turn", mark=True))
    assert not desk.marked(0.2)
    desk.press("mark", "")
    clock.now += 0.1
    assert desk.marked(0.2)
    clock.now += 0.2
    assert not desk.marked(0.2)


def test_only_what_changed_is_sent_again() -> None:
    desk = Desk()
    version, _ = desk.since(0)
    assert desk.since(version) == (version, None)
    desk.publish("knob", {"angle_deg": 12.5})
    version, news = desk.since(version)
    assert news == '{"knob":{"angle_deg":12.5}}'
    desk.publish("knob", {"angle_deg": 12.5})
    assert desk.since(version) == (version, None)
