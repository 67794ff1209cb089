"""Descriptions of instruments: data only, every mistake told by field."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import description
from drivers.description import fill, load_description, parse_description
from drivers.errors import Misuse

GOOD = """
name = "Paper analyzer"
role = "analyzer"
setup = ["be quiet"]
[port]
baud = 9600
[identify]
command = "who"
[limits]
low_hz = 1e5
high_hz = 3e7
most_points = 101
seconds_per_point = 0.01
[sweep]
commands = "go {start_hz} {stop_hz} {points}"
[sweep.reply]
columns = ["frequency", "real", "imaginary"]
"""


def test_a_description_is_read() -> None:
    read = parse_description(GOOD)
    assert (read.name, read.role, read.port.baud, read.setup) == (
        "Paper analyzer",
        "analyzer",
        9600,
        ("be quiet",),
    )
    assert read.sweep is not None
    assert read.sweep.commands == ("go {start_hz} {stop_hz} {points}",)
    assert read.sweep.replies[0].columns == ("frequency", "real", "imaginary")
    assert read.limits.most_points == 101


ONE_BY_ONE = '\n[list]\ncommands = "spot {frequency_mhz}"\ndecimals = { frequency_mhz = 4 }\n'
IN_ONE = '\n[list]\ncommands = "spots {points} {frequencies_khz}"\nseparator = ";"\nmost_points = 21\n'


def test_a_list_is_described_by_what_its_commands_hold() -> None:
    listed = parse_description(GOOD + ONE_BY_ONE).listed
    assert listed is not None
    assert listed.one_by_one
    assert listed.filled([3.50004e6]) == ["spot 3.5000"]
    assert listed.sent_hz(3.50004e6) == pytest.approx(3.5e6, abs=1e-6)
    assert listed.talk.replies == parse_description(GOOD).sweep.replies  # type: ignore[union-attr]
    many = parse_description(GOOD + IN_ONE).listed
    assert many is not None
    assert (many.one_by_one, many.most_points) == (False, 21)
    assert many.filled([3.5e6, 3.6000001e6]) == ["spots 2 3500.000;3600.000"]
    # An instrument that knows single frequencies only needs no sweep.
    alone = GOOD[: GOOD.index("[sweep]")] + ONE_BY_ONE + '[list.reply]\ncolumns = ["real", "imaginary"]\n'
    assert parse_description(alone).sweep is None


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (GOOD + ONE_BY_ONE.replace("frequency_mhz}", "start_hz}"), "nothing to fill in for {start_hz}"),
        (GOOD + ONE_BY_ONE.replace("{frequency_mhz}", "3.5"), "list.commands: must hold the frequency once"),
        (GOOD + ONE_BY_ONE.replace("spot", "spot {frequencies_hz}"), "must hold the frequency once"),
        (GOOD + ONE_BY_ONE + "most_points = 11\n", "list.most_points: is not known here"),
        (GOOD + IN_ONE.replace('";"', '"abc"'), "list.separator: must be one of"),
        (GOOD + IN_ONE.replace("21", "1"), "list.most_points: must be a number from 2"),
        (GOOD[: GOOD.index("[sweep]")] + ONE_BY_ONE, "list.reply: is missing"),
    ],
)
def test_mistakes_in_a_list_are_told_by_field(text: str, told: str) -> None:
    with pytest.raises(Misuse, match=told):
        parse_description(text)


@pytest.mark.parametrize(
    ("old", "new", "told"),
    [
        ('role = "analyzer"', 'role = "oven"', "role: must be one of"),
        ('name = "Paper analyzer"', "", "name: is missing"),
        ("baud = 9600", "bauds = 9600", r"port.bauds: is not known here; do you mean 'baud'"),
        ("baud = 9600", 'baud = "9600"', "port.baud: must be a number"),
        ("baud = 9600", "baud = 9600.5", "port.baud: must be a whole number"),
        ("baud = 9600", "baud = true", "port.baud: must be a number"),
        ("baud = 9600", 'line_end = "x"', "port.line_end: must be one of"),
        ("baud = 9600", 'prompt = "\\u0007"', "port.prompt: must be printable"),
        ("baud = 9600", "settle_s = 1e9", "port.settle_s"),
        ("high_hz = 3e7", "high_hz = 1e4", "limits.high_hz: must be above"),
        ("most_points = 101", "most_points = 1", "limits.most_points"),
        ("{start_hz}", "{begin_hz}", "nothing to fill in for {begin_hz}"),
        ("{start_hz}", "{strat_hz}", "do you mean {start_hz}"),
        ("{start_hz}", "{start_hz!r}", "nothing to fill in"),
        ("{start_hz}", "{points.__class__}", "nothing to fill in"),
        ("{start_hz}", "{start_hz:>999999999}", "nothing to fill in"),
        ("{start_hz}", "{start_hz", "brace without its partner"),
        ("{start_hz}", "{start_hz}\\r\\nformat c", "printable ASCII on one line"),
        ('"real", ', '"size", ', "'size' is no column"),
        ('"real", ', "", "must hold real and imaginary"),
        ('"real", ', '"real", "real", ', "a column comes twice"),
        ("[sweep.reply]", "[sweep.reply]\nseparator = 'abc'", "separator: must be one of"),
        ("[sweep.reply]", "[sweep.reply]\nskip = -1", "sweep.reply.skip"),
        ("[sweep]", "[sweep]\ndecimals = { start_hz = 12 }", "sweep.decimals.start_hz"),
        ("[sweep]", "[sweep]\ndecimals = { strat_hz = 1 }", "strat_hz: is no number of a command"),
        ("[sweep]", "[sweep]\npython = 'import os'", "sweep.python: is not known here"),
        ("[limits]", "[limit]", "limits: is missing"),
        ("[identify]", "[[identify]]", "identify must be a table"),
        ("name =", "name", "not TOML"),
    ],
)
def test_mistakes_are_told_by_field(old: str, new: str, told: str) -> None:
    assert old in GOOD
    with pytest.raises(Misuse, match=told):
        parse_description(GOOD.replace(old, new, 1), "mine.toml")


def test_numbers_are_written_by_the_program() -> None:
    numbers = {"start_hz": 1234567.4, "points": 101.0, "start_mhz": 1.2345674}
    assert fill("go {start_hz} {points}", numbers, {}) == "go 1234567 101"
    assert fill("go {start_mhz}", numbers, {}) == "go 1.234567"
    assert fill("go {start_mhz}", numbers, {"start_mhz": 2}) == "go 1.23"


def test_what_comes_with_the_program_can_be_read() -> None:
    shipped = list(Path(description.__file__).with_name("descriptions").glob("*.toml"))
    assert len(shipped) >= 2
    for file in shipped:
        assert load_description(file.stem) == load_description(file)


def test_files_that_cannot_be_read_are_told(tmp_path: Path) -> None:
    with pytest.raises(Misuse, match="cannot be read"):
        load_description(tmp_path / "nope.toml")
    with pytest.raises(Misuse, match="cannot be read"):
        load_description("../../nope")
    bad = tmp_path / "bad.toml"
    bad.write_bytes(b"\xff\xfe")
    with pytest.raises(Misuse, match="UTF-8"):
        load_description(bad)
    bad.write_text("#" * 100_000)
    with pytest.raises(Misuse, match="longer than"):
        load_description(bad)
    bad.write_text("a = " + "[" * 20_000)
    with pytest.raises(Misuse, match="not TOML"):
        load_description(bad)


values = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=6,
)


@given(st.text(max_size=200))
def test_any_text_is_a_description_or_misuse(text: str) -> None:
    with pytest.raises(Misuse):
        parse_description(text)


@given(st.sampled_from(["port", "identify", "limits", "sweep", "name", "role", "setup"]), values)
@settings(max_examples=150)
def test_any_value_in_a_field_is_taken_or_misuse(key: str, value: Any) -> None:
    """The checks get Python objects here, wilder than TOML allows."""
    import tomllib
    from unittest.mock import patch

    data = {**tomllib.loads(GOOD), key: value}
    with patch.object(description.tomllib, "loads", lambda _: data):
        try:
            parse_description("")
        except Misuse:
            return
    assert key in ("name", "setup", "port")
