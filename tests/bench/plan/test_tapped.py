"""A plan with a cathode tap: what it may say, what is refused by name, and that older plans keep their recipes."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from bench.errors import PlanError
from bench.plan.schema import Plan, load_plan, parse_plan, recipe

TAPPED = """\
[receiver]
topology = "cathode-tap"
device = "pentode"
[receiver.tuning]
capacitance = ["160 pF", "12 pF"]
[receiver.control]
kind = "supply"
[[coil]]
name = "B"
grid = { turns = 27, diameter = "32 mm", length = "24 mm", wire = "0.4 mm" }
tap = { turns = 3 }
"""
EXAMPLE = Path(__file__).parents[3] / "sessions" / "example"


def tapped(old: str = "", new: str = "") -> Plan:
    assert old in TAPPED
    return parse_plan(TAPPED.replace(old, new) if old else TAPPED)


def test_turns_or_share_of_turns() -> None:
    assert tapped().coil[0].feedback_turns == 3
    assert tapped("turns = 3 ", "share = 0.2 ").coil[0].feedback_turns == pytest.approx(5.4)
    assert recipe(tapped(), "B") != recipe(tapped("turns = 3 ", "turns = 4 "), "B")


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ('"cathode-tap"', '"plate-tap"', r"line 2: receiver.topology: \"plate-tap\" is not modelled.*tickler.*cathode-tap"),
        ('"cathode-tap"', "3", "receiver.topology: 3 is not modelled"),
        ('"cathode-tap"', '"tickler"', "coil.B.tickler: needed"),
        ('"cathode-tap"', '"tickler"', 'coil.B.tap: .*write topology = "cathode-tap"'),
        ('"supply"', '"swing"', 'receiver.control.kind: .*screen voltage: write kind = "supply"'),
        ("tap = { turns = 3 }", "", "coil.B.tap: needed.*turns = 4.*grounded end"),
        ("tap = { turns = 3 }", 'tickler = { turns = 3, gap = "2 mm", wire = "0.3 mm" }', "coil.B.tickler: .*leave it out"),
        ("turns = 3 ", "turns = 27 ", "coil.B.tap.turns: the whole coil has 27"),
        ("turns = 3 ", "turns = 3, share = 0.1 ", "coil.B.tap.turns: either turns or share"),
        ("turns = 3 ", "", "coil.B.tap.turns: either turns or share"),
        ("turns = 3 ", "share = 1.5 ", "coil.B.tap.share"),
        ("turns = 3 ", "tunrs = 3 ", "coil.B.tap.tunrs.*nearest known key: turns"),
        ("turns = 27, ", 'inductance = "22 uH", ', "coil.B.tap.inductance: a grid winding without its measures"),
        ('"pentode"', '"pentode"\ncurrent_gain = 100', "receiver.current_gain: a pentode has none"),
    ],
)  # fmt: skip
def test_refused_by_name(old: str, new: str, says: str) -> None:
    with pytest.raises(PlanError, match=says):
        tapped(old, new)


def test_one_mistake_is_one_line() -> None:
    with pytest.raises(PlanError) as problem:
        tapped("turns = 3 ", "turns = 27 ")
    assert len(str(problem.value).splitlines()) == 1


def test_recipes_written_before_there_was_a_topology_still_hold() -> None:
    plan = load_plan(EXAMPLE / "plan.toml")
    with (EXAMPLE / "onset.csv").open(newline="") as file:
        rows = {row["coil"]: row["recipe"] for row in csv.DictReader(file) if row["recipe"]}
    assert rows
    assert {name: recipe(plan, name) for name in rows} == rows
