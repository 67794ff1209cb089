"""`measure` with its operator at the page: answers through the desk, no browser."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

import pytest
from worlds import TankWorld

from bench.errors import ReadingError
from bench.measuring.operator import Again, Skipped, Stopped, Turn, Withdrawn
from bench.measuring.run import Outcome, measure
from bench.page.desk import ALWAYS, Desk, NotNow, Now
from bench.page.run import seated
from bench.page.seat import Seat
from bench.readings.turning import LEVEL_FULL_SCALE_V, Stops
from bench.session.folder import Session
from drivers.fakes import FakeAnalyzer
from drivers.roles import Sample

PLAN = """
[receiver]
name = "Ferry cabin set"
supply = "{supply}"
gm = "0.7 mS"
rp = "20 kohm"
[receiver.tuning]
dial = [0, 100]
capacitance = ["150 pF", "15 pF"]
[receiver.control]
kind = "divider"
resistance = "5 kohm"
[receiver.feedback]
capacitor = "250 pF"
choke = "2 mH"
[[coil]]
name = "K"
grid = {{ turns = 20, diameter = "30 mm", length = "20 mm", wire = "0.5 mm" }}
tickler = {{ turns = 6, gap = "2 mm", wire = "0.2 mm" }}
dials = [0, 50, 100]
onset_at = ["5 MHz"]
[readings]
repeats = 1
"""


# More than any run here asks: a person who is asked for ever gives up, and the test fails in place of hanging.
MOST_QUESTIONS = 60


class Person:
    """Answers what is shown: a function of the picture that acts on the desk, called at each new question."""

    def __init__(self, desk: Desk, act: Callable[[Desk, dict[str, Any]], None]) -> None:
        self.seen: list[list[str]] = []
        self._desk = desk
        self._act = act
        self._over = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def _run(self) -> None:
        last = 0
        while not self._over.is_set():
            picture = self._desk.picture()
            now = picture["now"]
            if now["choices"] and now["ask"] != last:
                last = now["ask"]
                self.seen.append(now["lines"])
                # The question may have been settled by other means meanwhile.
                with suppress(NotNow):
                    if len(self.seen) > MOST_QUESTIONS:
                        self._desk.press("stop", "")
                    self._act(self._desk, picture)
            time.sleep(0.002)

    def __enter__(self) -> Person:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join(5)


def typed(values: dict[str, str]) -> Callable[[Desk, dict[str, Any]], None]:
    """Types the value whose key the first line begins with, else presses the first answer."""

    def act(desk: Desk, picture: dict[str, Any]) -> None:
        now = picture["now"]
        text = next((value for key, value in values.items() if now["lines"][0].startswith(key)), "")
        desk.answer(now["ask"], now["choices"][0]["name"], text)

    return act


def run(
    session: Session, act: Callable[[Desk, dict[str, Any]], None], *kinds: str
) -> tuple[Outcome, Person, Desk]:
    desk = Desk()
    with Person(desk, act) as person, seated(session, desk) as seat:
        outcome = measure(session, kinds=kinds, seat=seat)
    return outcome, person, desk


@pytest.fixture
def session(tmp_path: Path) -> Session:
    return Session.create(tmp_path / "cabin", PLAN.format(supply="45 V"))


def test_a_notebook_session_is_typed_at_the_page(session: Session) -> None:
    answers = {"Resonance": "4.2 MHz", "Set the dial to 50": "49.5"}
    outcome, person, desk = run(session, typed(answers), "resonance")
    assert (outcome.recorded, outcome.lacking) == (3, 0)
    rows = session.rows("resonance")
    assert [(row["dial"], row["f0_hz"]) for row in rows] == [(0.0, 4.2e6), (49.5, 4.2e6), (100.0, 4.2e6)]
    assert person.seen[0][0] == "Plug in coil K"
    picture = desk.picture()
    assert picture["now"]["kind"] == "over"
    assert picture["plan"]["done"] == 3
    assert picture["plan"]["total"] == 4
    assert [row["at"].replace("\N{NO-BREAK SPACE}", " ") for row in picture["rows"]] == [
        "dial 100",
        "dial 49.5",
        "dial 0",
    ]


def test_unreadable_values_are_asked_again(session: Session) -> None:
    tries = {
        "Resonance": iter(["4", "four", "4.2 MHz"] + ["5 MHz"] * 2),
        "Set": iter(["x", "nan", "1", "", ""]),
    }
    problems: list[str] = []

    def act(desk: Desk, picture: dict[str, Any]) -> None:
        now = picture["now"]
        if now["entry"] and now["entry"]["problem"]:
            problems.append(now["entry"]["problem"])
        word = now["lines"][0].split()[0]
        text = next(tries[word]) if word in tries else ""
        desk.answer(now["ask"], now["choices"][0]["name"], text)

    outcome, _, _ = run(session, act, "resonance")
    assert outcome.recorded == 3
    assert session.rows("resonance")[0]["dial"] == 1.0
    assert session.rows("resonance")[0]["f0_hz"] == 4.2e6
    assert len(problems) == 4
    assert "x" in problems[0]


def test_onset_is_typed_as_clock_positions(session: Session) -> None:
    values = {"Resonance": "4.2 MHz", "Pass": "11:20"}
    with session.lock():
        for dial, f0_hz in ((0.0, 4.0e6), (50.0, 5.0e6), (100.0, 8.0e6)):
            session.append("resonance", {"coil": "K", "dial": dial, "f0_hz": f0_hz, "method": "typed"})
    outcome, _, _ = run(session, typed(values))
    assert outcome.lacking == 0
    # 12:00 is mid-travel, 150 degrees, and an hour is 30 degrees (the contract): 11:20 is 20 degrees short of it.
    assert [row["angle_deg"] for row in session.rows("onset")] == [pytest.approx(130.0)] * 2


def test_leaving_out_redoing_and_stopping(session: Session) -> None:
    pressed: list[str] = []

    def act(desk: Desk, picture: dict[str, Any]) -> None:
        now, reading = picture["now"], picture["doing"]["reading"]
        resonance = now["lines"][0].startswith("Resonance")
        if resonance and reading.endswith("dial 0") and "redo" not in pressed:
            pressed.append("redo")
            desk.press("redo", "")
        elif resonance and reading.endswith("dial 50"):
            pressed.append("skip")
            desk.press("skip", "")
        elif resonance and reading.endswith("dial 100"):
            pressed.append("stop")
            desk.press("stop", "")
        else:
            desk.answer(now["ask"], now["choices"][0]["name"], "4.2 MHz" if resonance else "")

    desk = Desk()
    with Person(desk, act), pytest.raises(Stopped), seated(session, desk) as seat:
        measure(session, kinds=["resonance"], seat=seat)
    assert pressed == ["redo", "skip", "stop"]
    assert [row["dial"] for row in session.rows("resonance")] == [0.0]
    picture = desk.picture()
    assert picture["now"]["lines"] == ["Stopped"]
    states = [cell["state"] for cell in picture["plan"]["coils"][0]["groups"][0]["cells"]]
    assert states == ["done", "left", ""]


def test_the_last_reading_is_taken_back_and_taken_again(session: Session) -> None:
    taken_back: list[int] = []

    def act(desk: Desk, picture: dict[str, Any]) -> None:
        now = picture["now"]
        if now["lines"][0] == "Set the dial to 50" and not taken_back:
            taken_back.append(now["ask"])
            desk.press("withdraw", "")
            return
        first = now["lines"][0].startswith("Resonance")
        desk.answer(now["ask"], "done", ("4.3 MHz" if taken_back else "4.2 MHz") if first else "")

    outcome, _, desk = run(session, act, "resonance")
    assert (outcome.recorded, outcome.lacking) == (3, 0)
    assert [(row["dial"], row["f0_hz"]) for row in session.rows("resonance")] == [
        (0.0, 4.3e6),
        (50.0, 4.3e6),
        (100.0, 4.3e6),
    ]
    assert desk.picture()["plan"]["done"] == 3


def test_a_note_goes_into_the_row_of_the_reading_in_hand(session: Session) -> None:
    note = "hand <b>near</b> the coil"

    def act(desk: Desk, picture: dict[str, Any]) -> None:
        now = picture["now"]
        if now["lines"][0] == "Set the dial to 50":
            desk.press("note", note)
        desk.answer(now["ask"], "done", "4.2 MHz" if now["lines"][0].startswith("Resonance") else "")

    _, _, desk = run(session, act, "resonance")
    lines = [json.loads(line) for line in (session.path / "log.jsonl").read_text().splitlines()]
    kept = [(line["reading"], line["text"]) for line in lines if line["event"] == "note"]
    assert kept == [("coil K: resonance at dial 50", note)]
    assert [(row["dial"], row["note"]) for row in session.rows("resonance")] == [
        (0.0, None),
        (50.0, note),
        (100.0, None),
    ]
    assert desk.picture()["told"][-1] == "note kept with coil K: resonance at dial 50"


def test_what_was_unplugged_during_a_pause_is_found_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    made: list[FakeAnalyzer] = []

    def opened(role: str, config: dict[str, Any]) -> FakeAnalyzer:
        made.append(FakeAnalyzer(TankWorld()))
        return made[-1]

    monkeypatch.setattr("drivers.registry.open_instrument", opened)
    text = f'{PLAN}[instruments.analyzer]\ndriver = "scpi-analyzer"\naddress = "TCPIP::127.0.0.1::5025::SOCKET"\n'
    session = Session.create(tmp_path / "pulled", text.format(supply="45 V"))

    def act(desk: Desk, picture: dict[str, Any]) -> None:
        now = picture["now"]
        if now["lines"][0] == "Set the dial to 50" and len(made) == 1:
            desk.press("pause", "")
            made[-1].close()
            with pytest.raises(NotNow):
                desk.answer(now["ask"], "done", "")
            desk.press("resume", "")
        desk.answer(now["ask"], now["choices"][0]["name"], "")

    outcome, _, _ = run(session, act, "resonance")
    assert (outcome.recorded, outcome.lacking) == (3, 0)
    assert len(made) == 2


@pytest.mark.parametrize(("supply", "asked"), [("45 V", False), ("90 V", True)])
def test_cautions_come_first_where_the_supply_is_dangerous(tmp_path: Path, supply: str, asked: bool) -> None:
    session = Session.create(tmp_path / "volts", PLAN.format(supply=supply))
    _, person, _ = run(session, typed({"Resonance": "4.2 MHz"}), "resonance")
    assert person.seen[0][0].startswith("CAUTION") is asked
    assert any("lethal" in line for line in person.seen[0]) is asked
    assert session.rows("resonance")


def test_at_the_cautions_nothing_but_stopping_is_possible(tmp_path: Path) -> None:
    session = Session.create(tmp_path / "volts", PLAN.format(supply="90 V"))

    def act(desk: Desk, _: dict[str, Any]) -> None:
        for what in ("skip", "redo", "pause"):
            with pytest.raises(NotNow):
                desk.press(what, "")
        desk.press("stop", "")

    desk = Desk()
    with Person(desk, act), pytest.raises(Stopped), seated(session, desk) as seat:
        measure(session, seat=seat)
    assert session.rows("resonance") == []


class Board:
    """A sensor board that sends one frame at a time."""

    rate_hz = 200.0

    def identify(self) -> str:
        return "board of the test"

    def read(self, seconds: float) -> list[Sample]:
        return [Sample(0.0, 0.5, 0.2, False)]

    def flush(self) -> None:
        """Nothing waits."""

    def close(self) -> None:
        """Nothing is open."""


def test_the_page_s_mark_counts_as_the_board_s_switch(session: Session) -> None:
    desk = Desk()
    seat = Seat(session, desk)
    board = seat.seen(Board())
    assert board.identify() == "board of the test"
    desk.tell(Now(("Turn slowly UP",), kind="turn", mark=True))
    assert [sample.mark for sample in board.read(0.1)] == [False]
    desk.press("mark", "")
    assert [sample.mark for sample in board.read(0.1)] == [True]
    assert desk.picture()["knob"]["level_v"] == pytest.approx(0.2 * LEVEL_FULL_SCALE_V)


@pytest.mark.parametrize(
    ("wish", "raised"), [("redo", Again), ("skip", Skipped), ("stop", Stopped), ("withdraw", Withdrawn)]
)
def test_a_press_ends_a_turn_under_way(session: Session, wish: str, raised: type[Exception]) -> None:
    desk = Desk()
    board = Seat(session, desk).seen(Board())
    desk.allow(ALWAYS)
    board.read(0.1)
    desk.press(wish, "")
    with pytest.raises(raised):
        board.read(0.1)
    board.read(0.1)


def test_a_pause_in_the_middle_of_a_turn_has_the_turn_taken_again(session: Session) -> None:
    desk = Desk()
    board = Seat(session, desk).seen(Board())
    desk.allow(ALWAYS)
    # At a question a pause holds the question, and the picture of the control stays alive.
    desk.tell(Now(("Set the dial to 40",), kind="ask"))
    desk.press("pause", "")
    assert board.read(0.1)
    desk.press("resume", "")
    desk.tell(Now(("Turn slowly UP",), kind="turn", way="up"))
    assert board.read(0.1)
    desk.press("pause", "")
    failed: list[BaseException] = []

    def read() -> None:
        try:
            board.read(0.1)
        except ReadingError as problem:
            failed.append(problem)

    reading = threading.Thread(target=read, daemon=True)
    reading.start()
    reading.join(0.1)
    assert reading.is_alive()
    desk.press("resume", "")
    reading.join(10)
    assert "pause" in str(failed[0])
    assert board.read(0.1)


@pytest.mark.parametrize("listen", [False, True])
@pytest.mark.parametrize("starts", [True, False])
def test_an_event_is_on_the_desk_at_once_and_the_turn_goes_on(
    session: Session, starts: bool, listen: bool
) -> None:
    desk = Desk()
    operator = Seat(session, desk).operator(None, lambda text: None)
    turn = Turn(starts, 0.0, 300.0, 8.0, listen)
    operator.begin_turn(turn)
    before = desk.picture()["now"]
    assert before["cue"] == ""
    operator.noticed(turn)
    now = desk.picture()["now"]
    assert now["cue"] == ("starts" if starts else "stops")
    assert now["more"].startswith("Marked" if listen else "It oscillates" if starts else "It has stopped")
    assert (now["lines"], now["way"], now["mark"]) == (before["lines"], before["way"], listen)


def test_a_control_that_was_near_already_is_not_taken_for_moved(
    session: Session, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A curve reading goes on by a degree or two: where the hand has rested before is not where it is asked to go."""

    class Hand(Board):
        now_s, deg, move_after = 100.0, 150.0, 0
        reads = 0

        def monotonic(self) -> float:
            return self.now_s

        def read(self, seconds: float) -> list[Sample]:
            self.now_s += 0.06
            self.reads += 1
            if self.reads == self.move_after:
                self.deg += 2.0
            return [Sample(0.0, self.deg / 300.0, 0.2, False)]

    hand, desk = Hand(), Desk()
    monkeypatch.setattr("bench.measuring.sight.time", hand)
    seat = Seat(session, desk)
    seat.seen(hand)
    seat.sight.learned(Stops(0.0, 1.0, 300.0))
    operator = seat.operator(None, lambda text: None)
    pressed: list[float] = []

    def act(desk: Desk, picture: dict[str, Any]) -> None:
        # A hand that is slow to begin: forty looks long it rests where it was.
        while hand.reads < 60:
            time.sleep(0.002)
        pressed.append(hand.deg)
        desk.answer(picture["now"]["ask"], "done", "")

    with Person(desk, act):
        operator.rest_control(150.2)
        assert pressed == []
        operator.rest_control(152.0)
    assert pressed == [150.0]
    # And where it does go there, nobody need press anything.
    hand.move_after = hand.reads + 30
    operator.rest_control(152.0)
    assert hand.deg == 152.0
