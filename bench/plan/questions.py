"""What `start` asks at a terminal, in the trade's words. Questions go to stderr; a wrong answer is asked again."""

from __future__ import annotations

import string
from collections.abc import Callable
from typing import Any, TypeVar

import click
from pydantic import ValidationError

from bench import quantities
from bench.errors import QuantityError
from bench.plan.offers import first_offered, next_band_turns, tickler_offered
from bench.plan.parts import PartError
from bench.plan.schema import Coil, Control, coil_name
from bench.plan.writing import Answers, CoilAnswers

Value = TypeVar("Value")


# A variable capacitor turns half a turn; a tickler that turns has all its coupling within a quarter.
_TRAVEL = {"throttle": "180", "swing": "90"}
_CONTROLS = {
    "divider": "a potentiometer across the tickler, wiper to the feedback capacitor",
    "shunt": "a variable resistance across the tickler",
    "throttle": "a variable (throttle) capacitor",
    "supply": "a potentiometer that sets the plate or screen voltage",
    "swing": "a tickler that turns",
}


def _say(text: str = "") -> None:
    click.echo(text, err=True)


def _ask(question: str, check: Callable[[str], Value], default: str | None = None) -> tuple[str, Value]:
    """The answer as typed and as checked."""
    while True:
        text = str(click.prompt(question, default=default, err=True, show_default=bool(default))).strip()
        try:
            return text, check(text)
        except (QuantityError, ValueError) as problem:
            _say(f"  {problem}")


def _quantity(question: str, kind: quantities.Kind, default: str | None = None) -> str:
    def check(text: str) -> float:
        value = quantities.parse(text, kind)
        if value == 0:
            raise QuantityError(f"more than nothing, please; for example {quantities.EXAMPLES[kind]}")
        return value

    return _ask(question, check, default)[0]


def _if_known(question: str, kind: quantities.Kind, otherwise: str = "not known") -> str:
    """A quantity, or nothing by pressing Enter."""
    return _ask(f"{question} (Enter: {otherwise})", lambda text: text and quantities.parse(text, kind), "")[0]


def _or_none(question: str, kind: quantities.Kind, default: str) -> str:
    """A quantity, or nothing where the set has no such part."""
    text = _ask(
        f"{question} (or: none)", lambda text: text == "none" or quantities.parse(text, kind), default
    )[0]
    return "" if text == "none" else text


def _number(question: str, default: str | None = None, *, positive: bool = True) -> float:
    def check(text: str) -> float:
        try:
            number = float(text)
        except ValueError:
            raise ValueError(f"{text[:40]!r} is not a number; write for example {default or '27'}") from None
        if not abs(number) < 1e6 or (positive and number <= 0):
            raise ValueError(f"{text[:40]!r} is out of range; write for example {default or '27'}")
        return number

    return _ask(question, check, default)[1]


def _wire(question: str, default: str) -> str:
    return _ask(question, quantities.parse_wire, default)[0]


def _choice(question: str, choices: tuple[str, ...], default: str) -> str:
    def check(text: str) -> str:
        if text not in choices:
            raise ValueError(f"one of {', '.join(choices)}")
        return text

    return _ask(f"{question} ({', '.join(choices)})", check, default)[0]


def _yes(question: str) -> bool:
    """Whether the answer is yes; Enter is no."""

    def check(text: str) -> bool:
        if text.casefold() not in ("y", "yes", "n", "no"):
            raise ValueError("y for yes or n for no")
        return text.casefold().startswith("y")

    return _ask(f"{question} (y, n)", check, "n")[1]


def ask_everything(session_name: str) -> Answers:
    """Ask about the set, its coils and the instruments.

    Raises
    ------
    click.Abort
        Ctrl-C or the end of input; nothing was made.
    """
    _say("Values with their unit, as you would write them: 3.5MHz or 3500kc,")
    _say("140pF or 140mmf, 1.25in, 24AWG. Enter takes what stands in brackets, which")
    _say("together make a set that works. All of it can be changed later in plan.toml.")
    answers = Answers()
    _ask_set(answers, session_name)
    _ask_control(answers)
    _ask_feedback(answers)
    _say("\nThe coils, one after another.")
    while True:
        answers.coils.append(_ask_coil(answers))
        if not _yes("Another coil?"):
            break
    _say("\nThe bench.")
    answers.added_capacitor = _if_known(
        "A known capacitor to put in parallel, such as 100pF", "capacitance", "none"
    )
    _say("Instruments: `regenbench ports` finds them, and can be asked later.")
    answers.analyzer = _plain("VISA address of an analyzer (Enter: none)")
    answers.sensor = _plain("Serial port of the angle-and-level sensor (Enter: none)")
    return answers


def _plain(question: str) -> str:
    return str(click.prompt(question, default="", err=True, show_default=False)).strip()


def _ask_set(answers: Answers, session_name: str) -> None:
    _say("\nThe set.")
    answers.name = str(click.prompt("What is the set called", default=session_name, err=True)).strip()[:200]
    answers.device = _choice("Detector", ("triode", "pentode", "fet", "bipolar"), "triode")
    answers.supply = _if_known("Supply voltage, such as 60V", "voltage")
    answers.gm = _if_known("Transconductance (gm) at onset, such as 0.65mS", "conductance")
    answers.rp = _if_known("Plate (drain) resistance, such as 25kohm", "resistance")
    first = _number("Tuning dial: reading at one end", "0", positive=False)
    while (second := _number("Tuning dial: reading at the other end", "100", positive=False)) == first:
        _say("  The two ends read the same.")
    answers.dial = first, second
    while True:
        answers.tuning = (
            _quantity(f"Tuning capacitor at dial {first:g}", "capacitance", "140pF"),
            _quantity(f"Tuning capacitor at dial {second:g}", "capacitance", "15pF"),
        )
        if quantities.parse(answers.tuning[0], "capacitance") != quantities.parse(
            answers.tuning[1], "capacitance"
        ):
            return
        _say("  It must differ between the two ends.")


def _ask_control(answers: Answers) -> None:
    _say("\nThe regeneration control.")
    for kind, words in _CONTROLS.items():
        _say(f"  {kind}: {words}")
    answers.control = _choice("Which kind", tuple(_CONTROLS), "divider")
    if answers.control in ("divider", "shunt"):
        answers.resistance = _quantity("Its resistance", "resistance", "2kohm")
    if answers.control == "throttle":
        while True:
            answers.throttle = (
                _quantity("Its least capacitance", "capacitance", "10pF"),
                _quantity("Its most capacitance", "capacitance", "100pF"),
            )
            least, most = (quantities.parse(text, "capacitance") for text in answers.throttle)
            if least < most:
                break
            _say("  The least first, then the most.")
    if answers.control != "swing":
        _say("  linear: half its value at mid-travel; log: about a seventh of it")
        answers.taper = _choice("Taper", ("linear", "log", "reverse-log"), "linear")
    answers.travel_deg = _ask(
        "Travel from stop to stop, in degrees", _travel, _TRAVEL.get(answers.control, "300")
    )[1]
    answers.direction = _choice(
        "Which way for more regeneration", ("clockwise", "anticlockwise"), "clockwise"
    )


def _travel(text: str) -> float:
    degrees = quantities.parse(text if text[-1:].isalpha() else f"{text}deg", "angle")
    Control(kind="swing", travel_deg=degrees, window=(f"{degrees * 0.3} deg", f"{degrees * 0.7} deg"))
    return degrees


def _ask_feedback(answers: Answers) -> None:
    if answers.control != "throttle":
        answers.capacitor = _or_none("Feedback capacitor to ground", "capacitance", "270pF")
    answers.choke = _or_none("RF choke", "inductance", "2.5mH")
    if _yes("Is the antenna connected while you measure?"):
        answers.antenna = (
            _quantity("Antenna coupling capacitor", "capacitance", "10pF"),
            _quantity("Antenna resistance", "resistance", "75ohm"),
            _quantity("Antenna capacitance", "capacitance", "200pF"),
        )


def _ask_coil(answers: Answers) -> CoilAnswers:
    """One coil; the form of the one before it is offered, and the turns for the next band up."""
    taken = {coil.name.casefold() for coil in answers.coils}

    def check(text: str) -> Any:
        if text.casefold() in taken:
            raise ValueError("there is a coil of that name already")
        return coil_name(text)

    before = answers.coils[-1] if answers.coils else first_offered(answers)
    letters = string.ascii_uppercase
    # Whoever called the first one L goes on with M.
    after = letters.find(before.name) + 1 if answers.coils and len(before.name) == 1 else 0
    free = (letter for letter in letters[after:] + letters[:after] if letter.casefold() not in taken)
    name = _ask("Name of the coil", check, next(free, None))[0]
    grid_turns = next_band_turns(answers, before) if answers.coils else before.turns
    while True:
        said = CoilAnswers(
            name=name,
            turns=_number("  Grid winding: turns", f"{grid_turns:g}"),
            diameter=_quantity("  Grid winding: mean diameter", "length", before.diameter),
            length=_quantity("  Grid winding: length", "length", before.length),
            wire=_wire("  Grid winding: wire, bare", before.wire),
            tickler_turns=1,
            gap=_quantity("  Gap between grid winding and tickler", "length", before.gap),
            tickler_wire=_wire("  Tickler: wire, bare", before.tickler_wire),
        )
        turns, words = tickler_offered(answers, said)
        if words:
            _say(f"  {words}")
        said.tickler_turns = _number("  Tickler: turns", f"{turns}")
        wrong = _cannot_be_wound(said)
        if wrong is None:
            return said
        _say(f"  {wrong}. Once more:")


def _cannot_be_wound(said: CoilAnswers) -> str | None:
    """Why the answers make no coil."""
    grid = {"turns": said.turns, "diameter": said.diameter, "length": said.length, "wire": said.wire}
    tickler = {"turns": said.tickler_turns, "gap": said.gap, "wire": said.tickler_wire}
    try:
        Coil.model_validate({"name": said.name, "grid": grid, "tickler": tickler})
    except ValidationError as problem:
        cause = problem.errors(include_url=False)[0].get("ctx", {}).get("error")
        return cause.problems[0][1] if isinstance(cause, PartError) else "these values make no coil"
    return None
