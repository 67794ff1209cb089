"""What a person at the terminal is told, and which answers are taken for done."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from bench.measuring.operator import ConsoleOperator, Setup, Turn, run_up
from bench.plan.schema import Control

# 0 degrees at 4:50 and growing to the left: mid-travel is 12:00, and 45 degrees before it 1:30.
ANTICLOCKWISE = Control(kind="divider", resistance="5 kohm", travel_deg=290, direction="anticlockwise")


@pytest.mark.parametrize(
    "ask",
    [
        lambda person: person.prepare(Setup("B", valve=True, antenna=False, loop=True)),
        lambda person: person.rest_control(0.0),
        lambda person: person.move_loop(True),
        lambda person: person.hold_hand("panel"),
    ],
)
def test_words_that_are_no_answer_are_not_taken_for_done(ask: Callable[[ConsoleOperator], None]) -> None:
    """A line meant for another window must not make the program read a set that is not ready."""
    typed, said = iter(["ls -l", "4", ""]), []
    ask(ConsoleOperator(ANTICLOCKWISE, lambda prompt: next(typed), said.append))
    assert [line.split(" is no answer")[0] for line in said] == ["“ls -l”", "“4”"]
    assert next(typed, None) is None


def test_a_known_capacitor_is_asked_for_as_its_owner_writes_it() -> None:
    """A plan in mmf is not answered in pF."""
    with_it = Setup("B", valve=True, antenna=False, loop=True, added_c_f=100e-12)
    prompts: list[str] = []
    person = ConsoleOperator(ANTICLOCKWISE, lambda prompt: prompts.append(prompt) or "", print, unit="mmf")
    person.prepare(with_it)
    assert "Known capacitor 100 mmf across" in prompts[0] or "known capacitor 100 mmf across" in prompts[0]


def test_a_slow_turn_up_begins_near_the_onset_not_at_the_end_stop() -> None:
    """At 2 degrees a second it takes a minute from the stop to mid-travel, twice for each frequency."""
    said: list[str] = []
    person = ConsoleOperator(ANTICLOCKWISE, input, said.append)
    person.begin_turn(Turn(True, 100.0, 290.0, 2.0, False))
    person.begin_turn(Turn(True, 0.0, 290.0, 20.0, False))
    person.begin_turn(Turn(False, 100.0, 0.0, 2.0, False))
    person.begin_turn(Turn(True, 0.0, 100.0, 15.0, False))
    assert said[0].startswith(
        "From 1:30, turn the regeneration slowly UP (about 2° a second) until it oscillates"
    )
    assert said[1].startswith("Turn the regeneration slowly UP")
    assert said[2].startswith("Now slowly BACK")
    # The wiper is listened to below onset: whoever turns on until it oscillates has spoilt the reading.
    assert (
        said[3]
        == "Turn the regeneration steadily UP (about 15° a second) to 1:30, no further, and leave it there."
    )
    assert run_up(ANTICLOCKWISE, Turn(False, 100.0, 0.0, 2.0, False)) == ""
