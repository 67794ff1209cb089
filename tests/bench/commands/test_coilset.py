"""`regenbench coilset`: recipes that can be wound, and what no recipe covers."""

from __future__ import annotations

import csv
import json
import math
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest

from bench import cli
from bench.physics.coilset import Bench, CoilSetError, design, first_tickler
from bench.physics.wire import enamelled_diameter

REFERENCE = Path(__file__).parents[2] / "reference"
SET = ["--band", "1.5MHz", "15MHz", "--tuning", "12pF", "160pF", "--diameter", "32mm", "--wire", "0.4mm"]


@pytest.fixture(autouse=True)
def _listed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(cli.COMMANDS, "coilset", ("coilset", "Recipes for the coils that cover a band."))


def run(capsys: pytest.CaptureFixture[str], *options: str) -> tuple[int, str, str]:
    """Exit code, stdout, stderr."""
    code = 0
    try:
        cli.main(["coilset", *options])
    except SystemExit as stop:
        code = int(stop.code or 0)
    out, err = capsys.readouterr()
    return code, out, err


def document(capsys: pytest.CaptureFixture[str], *options: str) -> dict[str, Any]:
    code, out, _ = run(capsys, *options, "--json")
    assert code == 0
    found: dict[str, Any] = json.loads(out)
    return found


def test_json_keys(capsys: pytest.CaptureFixture[str]) -> None:
    found = document(capsys, *SET)
    keys = ["name", "turns", "length_m", "l_h", "f_low_hz", "f_high_hz", "tickler_turns", "overlap_hz"]
    assert [list(coil) for coil in found["coils"]] == [keys] * len(found["coils"])
    assert [coil["name"] for coil in found["coils"]] == ["A", "B"]
    assert found["not_covered"] == []


CASES = [
    SET,
    [*SET, "--stray", "12pF"],
    [*SET, "--stray", "12pF", "--overlap", "15"],
    ["--band", "30Mc", "1500kc", "--tuning", "140mmf", "10mmf", "--diameter", "1.25in", "--wire", "26AWG"],
    ["--band", "550kHz", "1600kHz", "--tuning", "20pF", "365pF", "--diameter", "2in", "--wire", "28SWG"],
    ["--band", "3MHz", "12MHz", "--tuning", "10pF", "25pF", "--diameter", "25mm", "--wire", "0.3mm"],
]


@pytest.mark.parametrize("options", CASES, ids=range(len(CASES)))
def test_every_coil_can_be_wound_and_the_band_is_covered(
    capsys: pytest.CaptureFixture[str], options: list[str]
) -> None:
    from bench.quantities import parse, parse_wire

    given = {key: index for index, key in enumerate(options)}
    band = sorted(parse(text, "frequency") for text in options[1:3])
    c_low, c_high = sorted(parse(text, "capacitance") for text in options[4:6])
    diameter, wire = parse(options[7], "length"), parse_wire(options[9])
    stray = parse(options[given["--stray"] + 1], "capacitance") if "--stray" in given else 0.0
    overlap = float(options[given["--overlap"] + 1]) if "--overlap" in given else 5.0
    coils = document(capsys, *options)["coils"]
    assert coils[0]["f_low_hz"] <= band[0]
    assert coils[-1]["f_high_hz"] >= band[1]
    for below, above in pairwise(coils):
        assert below["overlap_hz"] == pytest.approx(below["f_high_hz"] - above["f_low_hz"])
        assert below["f_high_hz"] >= above["f_low_hz"] * (1 + overlap / 100)
    assert coils[-1]["overlap_hz"] is None
    for coil in coils:
        assert isinstance(coil["turns"], int)
        assert coil["turns"] * enamelled_diameter(wire) <= coil["length_m"] * (1 + 1e-9)
        winding_room = coil["length_m"] + 2.5e-3 + coil["tickler_turns"] * enamelled_diameter(wire)
        assert winding_room <= 1.5 * diameter * (1 + 1e-9)
        # Wheeler's formula for coils longer than 0.8 radius, 1 percent (Proc. IRE 16, 1928, 1398; from memory). It is of
        # current sheets: few thick turns are some percent off it.
        radius_in, length_in = diameter / 2 / 0.0254, coil["length_m"] / 0.0254
        wheeler = radius_in**2 * coil["turns"] ** 2 / (9 * radius_in + 10 * length_in) * 1e-6
        assert coil["l_h"] == pytest.approx(wheeler, rel=0.06 if coil["turns"] < 10 else 0.02)
        # Thomson's formula with the capacitor and what is said to stray; the winding's own picofarads lower both ends.
        low, high = (1 / (2 * math.pi * math.sqrt(coil["l_h"] * (c + stray))) for c in (c_high, c_low))
        assert 0.9 * low < coil["f_low_hz"] < low
        assert 0.9 * high < coil["f_high_hz"] < high


def test_overlaps_are_shared_out(capsys: pytest.CaptureFixture[str]) -> None:
    coils = document(capsys, *SET, "--stray", "12pF")["coils"]
    shares = [below["overlap_hz"] / above["f_low_hz"] for below, above in pairwise(coils)]
    assert max(shares) - min(shares) < 0.05


def test_tickler_within_the_published_share() -> None:
    """10 to 25 percent of the grid winding (Hoag, Basic Radio, 1942): tests/reference/tickler_and_leak_rules.csv."""
    with (REFERENCE / "tickler_and_leak_rules.csv").open(newline="") as file:
        rule = next(row for row in csv.DictReader(file) if row["item"] == "tickler turns over grid turns")
    low, high = float(rule["value_low"]) / 100, float(rule["value_high"]) / 100
    for turns in range(4, 300):
        assert low * turns <= first_tickler(turns) <= high * turns
    assert [first_tickler(turns) for turns in (1, 2, 3)] == [1, 1, 1]
    assert first_tickler(27) == 5


def test_what_is_not_covered_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    options = [
        "--band",
        "100kHz",
        "300MHz",
        "--tuning",
        "12pF",
        "140pF",
        "--diameter",
        "32mm",
        "--wire",
        "0.25mm",
    ]
    code, out, err = run(capsys, *options, "--json")
    assert code == 0
    found = json.loads(out)
    low, high = found["not_covered"]
    assert low["low_hz"] == 100e3
    assert low["high_hz"] == found["coils"][0]["f_low_hz"]
    assert high["low_hz"] == found["coils"][-1]["f_high_hz"]
    assert high["high_hz"] == 300e6
    assert err.count("Not covered: ") == 2
    assert "thinner wire" in err
    assert "narrower form" in err
    # Thinner wire does reach lower, a narrower form higher.
    thinner = document(capsys, *options[:-1], "0.15mm")
    assert thinner["coils"][0]["f_low_hz"] < found["coils"][0]["f_low_hz"]
    narrower = document(capsys, *options[:7], "16mm", *options[8:])
    assert narrower["coils"][-1]["f_high_hz"] > found["coils"][-1]["f_high_hz"]


def test_words(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, *SET)
    assert code == 0
    assert out.splitlines()[0].split() == [
        "Coil",
        "Turns",
        "Length",
        "Inductance",
        "Tunes",
        "Overlap",
        "Tickler",
    ]
    assert "Hoag" in out
    assert "leave gaps above coil A" in err
    assert "--stray 12pF" in err
    _, _, err = run(capsys, *SET, "--stray", "12pF")
    assert err == ""


def test_the_star_is_explained_where_there_is_one(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run(capsys, *SET)
    assert "*" not in out
    # so little room that the largest coil must be wound turn by turn
    _, out, _ = run(capsys, *SET, "--form-length", "25mm")
    rows = [line for line in out.splitlines() if " mm *" in line]
    assert rows
    assert "* close-wound." in out


@pytest.mark.parametrize(
    ("replaced", "by", "says"),
    [
        ("12pF", "12", "140pF or 140mmf"),
        ("1.5MHz", "1.5", "3.5MHz"),
        ("1.5MHz", "15MHz", "two different frequencies"),
        ("12pF", "160pF", "two different capacitances"),
        ("0.4mm", "26", "24AWG"),
    ],
)
def test_wrong_usage(capsys: pytest.CaptureFixture[str], replaced: str, by: str, says: str) -> None:
    code, out, err = run(capsys, *(by if text == replaced else text for text in SET))
    assert (code, out) == (2, "")
    assert says in err.splitlines()[-1]


@pytest.mark.parametrize(
    ("replaced", "by", "says"),
    [
        ("12pF", "155pF", "spans only 1.02 to 1"),
        ("0.4mm", "25mm", "do not fit"),
        ("0.4mm", "40mm", "do not go together"),
        ("1.5MHz", "15GHz", "tunes any of the band"),
    ],
)
def test_what_cannot_be_done(capsys: pytest.CaptureFixture[str], replaced: str, by: str, says: str) -> None:
    options = [by if text == replaced else text for text in SET]
    if by == "15GHz":
        options[2] = "20GHz"
    code, out, err = run(capsys, *options)
    assert (code, out) == (1, "")
    assert len(err.splitlines()) == 1
    assert says in err


def test_no_more_than_the_alphabet() -> None:
    found = design((30e3, 1e9), Bench((10e-12, 15e-12), 32e-3, 0.4e-3))
    assert len(found.coils) == 26
    assert "26 coils" in found.not_covered[-1].reason
    with pytest.raises(CoilSetError, match="change the wire"):
        design((10e9, 30e9), Bench((10e-12, 15e-12), 32e-3, 0.4e-3))
