"""What is told of the control while the sensor streams."""

from __future__ import annotations

import io
import os
import sys
from collections.abc import Sequence

import numpy as np
import pytest

from bench.errors import BenchError
from bench.measuring import sight as sight_module
from bench.measuring.operator import Again, ConsoleOperator, NobodyThere, Paused, Skipped, Stopped
from bench.measuring.progress import Reporter
from bench.measuring.sight import RESTS_S, Sight, Standing
from bench.plan.schema import Control
from bench.readings.curve_look import LEAST_STEP_DEG
from bench.readings.turning import LEVEL_FULL_SCALE_V, Stops
from drivers.roles import Sample


class Clock:
    def __init__(self) -> None:
        self.now = 50.0

    def monotonic(self) -> float:
        return self.now


@pytest.fixture
def clock(monkeypatch: pytest.MonkeyPatch) -> Clock:
    made = Clock()
    monkeypatch.setattr(sight_module, "time", made)
    return made


def frames(*angles: float, level: float = 0.1) -> Sequence[Sample]:
    return [Sample(0.01 * n, angle, level, False) for n, angle in enumerate(angles)]


def test_degrees_are_told_once_the_stops_are_known(clock: Clock) -> None:
    sight = Sight(Control.model_validate({"resistance": "5 kohm"}))
    told: list[Standing] = []
    sight.tell.append(told.append)
    sight.show(frames(0.3))
    assert told[-1] == Standing(None, "", round(0.1 * LEVEL_FULL_SCALE_V, 3))
    assert told[-1].words() == "level 0.33 V"
    sight.learned(Stops(low=0.9, high=0.1, travel_deg=300.0))
    clock.now += 1
    sight.show(frames(0.2, 0.5))
    # Mid-travel is 150 degrees and 12:00 (the contract).
    assert (told[-1].angle_deg, told[-1].clock) == (pytest.approx(150.0), "12:00")
    assert told[-1].words() == "control at 12:00 (150°), level 0.33 V"
    # A sensor that bows reads 0.49 where a straight one reads 0.5: the angle shown is the one that will be recorded.
    sight.learned(bowed := Stops(low=0.0, high=1.0, travel_deg=300.0, bow=(0.04, 0.0)))
    clock.now += 1
    sight.show(frames(0.49))
    assert told[-1].angle_deg == pytest.approx(300.0 * (0.49 + 0.49 * 0.51 * 0.04), abs=0.06)
    assert told[-1].angle_deg == pytest.approx(float(bowed.angle(np.array(0.49))), abs=0.06)
    sight.learned(Stops(low=0.9, high=0.1, travel_deg=300.0))
    # A sensor that reads a little past its stop has no clock position of its own there.
    clock.now += 1
    sight.show(frames(0.91))
    assert told[-1].clock == "7:00"


def test_it_tells_some_twenty_times_a_second(clock: Clock) -> None:
    sight = Sight(Control.model_validate({"resistance": "5 kohm"}))
    told: list[Standing] = []
    sight.tell.append(told.append)
    for _ in range(1000):
        clock.now += 0.001
        sight.show(frames(0.3))
    assert 20 <= len(told) <= 22


@pytest.mark.parametrize(
    ("wanted_deg", "stands_deg", "there"),
    [(0.0, 0.6, True), (0.0, 2.0, False), (300.0, 298.0, False), (300.0, 299.5, True), (150.0, 152.0, True)],
)
def test_at_an_end_stop_near_is_not_there(
    clock: Clock, wanted_deg: float, stands_deg: float, there: bool
) -> None:
    sight = Sight(Control.model_validate({"resistance": "5 kohm"}))
    sight.learned(Stops(low=0.0, high=1.0, travel_deg=300.0))
    for _ in range(20):
        sight.show(frames(stands_deg / 300.0))
        clock.now += 0.06
    assert sight.rests_at(wanted_deg) is there


def test_a_control_rests_only_after_it_has_been_seen_still_for_a_while(clock: Clock) -> None:
    sight = Sight(Control.model_validate({"resistance": "5 kohm"}))
    sight.learned(Stops(low=0.0, high=1.0, travel_deg=300.0))
    for _ in range(int(RESTS_S / 0.06) + 1):
        assert not sight.rests_at(0.0)
        sight.show(frames(0.001))
        clock.now += 0.06
    assert sight.rests_at(0.0)
    assert not sight.rests_at(150.0)
    clock.now += 2 * RESTS_S
    assert not sight.rests_at(0.0)
    for step in range(40):
        sight.show(frames(0.02 * step))
        clock.now += 0.06
        assert not sight.rests_at(300.0 * 0.02 * step)


class Board:
    """A sensor that always has a frame."""

    rate_hz = 100.0

    def identify(self) -> str:
        return "board"

    def read(self, seconds: float) -> Sequence[Sample]:
        return frames(0.5)

    def flush(self) -> None:
        return None

    def close(self) -> None:
        return None


@pytest.mark.skipif(
    sys.platform == "win32", reason="Windows has no terminal that can be looked at without waiting"
)
@pytest.mark.parametrize(("key", "choice"), [("s", Skipped), ("r", Again), ("p", Paused), ("q", Stopped)])
def test_a_key_typed_while_the_control_turns_is_obeyed(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], key: str, choice: type[BenchError]
) -> None:
    control = Control.model_validate({"resistance": "5 kohm"})
    ours, theirs = os.openpty()
    with os.fdopen(ours, "wb", buffering=0) as keyboard, os.fdopen(theirs, "r") as terminal:
        monkeypatch.setattr(sys, "stdin", terminal)
        screen, sight = Reporter(0), Sight(control)
        sight.glance = ConsoleOperator(control, screen.ask, screen.say, screen.typed).glance
        sensor = sight.seen(Board())
        # Nothing typed, or nothing that means anything, does not hold up the stream.
        assert sensor.read(1.0)
        keyboard.write(b"\n?\n")
        for _ in range(3):
            assert sensor.read(1.0)
        assert "leave out" in capsys.readouterr().err
        keyboard.write(f"{key}\n".encode())
        with pytest.raises(choice):
            sensor.read(1.0)
        assert sensor.read(1.0)


def test_lines_waiting_in_a_pipe_are_not_taken_for_keys(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO("q\n"))
    assert Reporter(0).typed() is None
    assert sys.stdin.readline() == "q\n"


def test_what_follows_a_prompt_in_a_pipe_begins_its_own_line(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """The contract: the last line of stderr says what went wrong, and nothing else."""
    monkeypatch.setattr(sys, "stdin", io.StringIO("3.9MHz\n"))
    reporter = Reporter(0)
    assert reporter.ask("Resonance at: ") == "3.9MHz"
    with pytest.raises(NobodyThere):
        reporter.ask("Enter when done ")
    reporter.say("what went wrong")
    assert capsys.readouterr().err == "Resonance at: \nEnter when done \nwhat went wrong\n"


def test_a_control_that_is_seen_where_it_should_be_is_not_asked_for(clock: Clock) -> None:
    control = Control.model_validate({"resistance": "5 kohm"})
    sight = Sight(control)
    shares = [0.0]

    class Turned(Board):
        def read(self, seconds: float) -> list[Sample]:
            clock.now += 0.06
            return [Sample(0.0, shares[0], 0.1, False)]

    sight.seen(Turned())
    asked: list[str] = []

    def ask(prompt: str) -> str:
        asked.append(prompt)
        return ""

    person = ConsoleOperator(control, ask, lambda text: None, seen_at=sight.sees_rest)
    # Before the end stops are learned the sensor cannot tell.
    person.rest_control(0.0)
    assert len(asked) == 1
    sight.learned(Stops(low=0.0, high=1.0, travel_deg=300.0))
    person.rest_control(0.0)
    assert len(asked) == 1
    shares[0] = 0.5
    person.rest_control(0.0)
    assert len(asked) == 2
    person.rest_control(150.0)
    assert len(asked) == 2
    # A curve reading goes on by steps as small as this.
    person.rest_control(150.0 + LEAST_STEP_DEG)
    person.rest_control(152.0)
    assert len(asked) == 4
