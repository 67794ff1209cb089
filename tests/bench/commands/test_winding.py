"""`regenbench winding` as the contract has it."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest

from bench.cli import main

GRID = ["--turns", "27", "--diameter", "32mm", "--length", "24mm", "--wire", "0.4mm"]


def run(capsys: pytest.CaptureFixture[str], *options: str) -> tuple[int, str, str]:
    """Exit code, stdout, stderr."""
    code = 0
    try:
        main(["winding", *options])
    except SystemExit as stop:
        code = int(stop.code or 0)
    out, err = capsys.readouterr()
    return code, out, err


def values(capsys: pytest.CaptureFixture[str], *options: str) -> dict[str, Any]:
    code, out, err = run(capsys, *options, "--json")
    assert (code, err) == (0, "")
    document: dict[str, Any] = json.loads(out)
    return document


def test_json_keys(capsys: pytest.CaptureFixture[str]) -> None:
    found = values(capsys, *GRID, "--at", "2.3MHz", "--at", "4900kc")
    assert list(found) == ["l_h", "c_self_f", "self_resonance_hz", "wire_length_m", "r_dc_ohm", "at"]
    assert [list(row) for row in found["at"]] == [["f_hz", "r_ohm", "q"]] * 2
    assert [row["f_hz"] for row in found["at"]] == [2.3e6, 4.9e6]
    assert values(capsys, *GRID)["at"] == []


def test_json_values(capsys: pytest.CaptureFixture[str]) -> None:
    """L of 60 mm diameter, 30 mm long, 30 turns: 0.525510 is Nagaoka's K at D/l = 2 (published, 1909), before
    the wire's correction, which is A + B of 0.04 and 0.31 here (Rosa's tables)."""
    found = values(
        capsys,
        *["--turns", "30", "--diameter", "60mm", "--length", "30mm", "--wire", "0.6mm", "--at", "1MHz"],
    )
    sheet = 4e-7 * math.pi * 30**2 * math.pi * 0.03**2 * 0.525510 / 0.03
    corrected = sheet - 4e-7 * math.pi * 0.03 * 30 * (0.0460 + 0.3083)
    assert found["l_h"] == pytest.approx(corrected, rel=1e-4)
    assert found["wire_length_m"] == pytest.approx(30 * math.hypot(math.pi * 0.06, 1e-3), rel=1e-9)
    # Medhurst's H at half a diameter is 0.50 pF for each cm.
    assert found["c_self_f"] == pytest.approx(0.50 * 6e-12, rel=1e-6)
    resonance = 1 / (2 * math.pi * math.sqrt(found["l_h"] * found["c_self_f"]))
    assert found["self_resonance_hz"] == pytest.approx(resonance)
    row = found["at"][0]
    assert row["q"] == pytest.approx(2 * math.pi * 1e6 * found["l_h"] / row["r_ohm"])


def test_tickler_keys_and_values(capsys: pytest.CaptureFixture[str]) -> None:
    """Two windings of 30 turns over 30 mm, facing each other: k = 0.31001 from Nagaoka's published K by Rosa and Grover's
    formula 34; rings in place of sheets take 0.1 percent, and the wire's correction of the two L 1 percent."""
    found = values(
        capsys,
        *["--turns", "30", "--diameter", "60mm", "--length", "30mm", "--wire", "1mm"],
        *["--tickler-turns", "30", "--tickler-gap", "0mm"],
    )
    assert list(found)[-3:] == ["tickler_l_h", "mutual_h", "k"]
    assert found["mutual_h"] == pytest.approx(17.3652e-6, rel=1e-3)
    assert found["tickler_l_h"] == pytest.approx(found["l_h"], rel=1e-12)
    assert found["k"] == pytest.approx(found["mutual_h"] / found["l_h"], rel=1e-12)
    assert found["k"] == pytest.approx(0.31001, rel=0.02)


def test_tickler_options(capsys: pytest.CaptureFixture[str]) -> None:
    base = [*GRID, "--tickler-turns", "5", "--tickler-gap", "2.5mm"]
    near = values(capsys, *base)
    assert values(capsys, *base, "--tickler-wire", "0.25mm")["tickler_l_h"] > near["tickler_l_h"]
    assert values(capsys, *base, "--tickler-diameter", "25mm")["tickler_l_h"] < near["tickler_l_h"]
    assert values(capsys, *base, "--tickler-length", "10mm")["k"] < near["k"]
    assert values(capsys, *base[:-1], "10mm")["k"] < near["k"]


def test_the_same_winding_in_the_trades_words(capsys: pytest.CaptureFixture[str]) -> None:
    metric = values(
        capsys, "--turns", "27", "--diameter", "31.75mm", "--length", "25.4mm", "--wire", "0.376mm"
    )
    old = values(capsys, "--turns", "27", "--diameter", "1.25in", "--length", "1in", "--wire", "28SWG")
    assert old["l_h"] == pytest.approx(metric["l_h"], rel=1e-4)


def test_form_diameter_form_capacitance_and_temperature(capsys: pytest.CaptureFixture[str]) -> None:
    bare = values(capsys, *GRID, "--at", "3MHz")
    form = values(
        capsys,
        *["--turns", "27", "--form-diameter", "31.6mm", "--length", "24mm", "--wire", "0.4mm"],
    )
    assert form["l_h"] == pytest.approx(bare["l_h"], rel=1e-9)
    loaded = values(capsys, *GRID, "--form-capacitance", "2pF")
    assert loaded["c_self_f"] == pytest.approx(bare["c_self_f"] + 2e-12)
    hot = values(capsys, *GRID, "--at", "3MHz", "--temperature", "70")
    assert hot["r_dc_ohm"] == pytest.approx(bare["r_dc_ohm"] * (1 + 0.00393 * 50))
    assert hot["at"][0]["q"] < bare["at"][0]["q"]


def test_words(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(
        capsys,
        *GRID,
        "--at",
        "2.3MHz",
        "--tickler-turns",
        "5",
        "--tickler-gap",
        "2.5mm",
        "--tickler-wire",
        "0.25mm",
    )
    assert (code, err) == (0, "")
    assert "27 turns of 0.4 mm wire" in out
    assert "19.1 µH" in out
    assert "10 to 40 percent below" in out
    assert "coupling k" in out


def test_too_near_self_resonance_is_said(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, *GRID, "--at", "29MHz", "--json")
    assert code == 0
    assert json.loads(out)["at"][0]["f_hz"] == 29e6
    assert "self-resonance" in err


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--turns", "27", "--diameter", "32", "--length", "24mm", "--wire", "0.4mm"], "32mm or 1.25in"),
        (["--turns", "27", "--diameter", "32mm", "--length", "24mm", "--wire", "26"], "24AWG"),
        (["--turns", "27", "--diameter", "32mm", "--length", "24pF", "--wire", "0.4mm"], "--length"),
        (["--turns", "many", "--diameter", "32mm", "--length", "24mm", "--wire", "0.4mm"], "--turns"),
        (["--turns", "0", "--diameter", "32mm", "--length", "24mm", "--wire", "0.4mm"], "more than zero"),
        (
            ["--turns", "nan", "--diameter", "32mm", "--length", "24mm", "--wire", "0.4mm"],
            "no number of turns",
        ),
        (
            ["--turns", "1e400", "--diameter", "32mm", "--length", "24mm", "--wire", "0.4mm"],
            "such as 27 or 5.5",
        ),
        (["--turns", "27", "--diameter", "0mm", "--length", "24mm", "--wire", "0.4mm"], "more than zero"),
        ([*GRID, "--at", "3"], "3.5MHz"),
        ([*GRID, "--tickler-turns", "5"], "--tickler-gap"),
        ([*GRID, "--tickler-wire", "0.2mm"], "--tickler-turns"),
        ([*GRID, "--form-diameter", "30mm"], "--diameter"),
        ([*GRID, "--temperature", "-273"], "Celsius"),
        (GRID[:4], "--length"),
    ],
)
def test_wrong_usage(capsys: pytest.CaptureFixture[str], options: list[str], says: str) -> None:
    code, out, err = run(capsys, *options)
    assert (code, out) == (2, "")
    assert says in err.splitlines()[-1]


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ([*GRID[:6], "--wire", "1mm"], "27 turns of 1 mm wire need 27 mm"),
        ([*GRID, "--insulated", "1mm"], "need 27 mm"),
        ([*GRID, "--tickler-turns", "5", "--tickler-gap", "1mm", "--tickler-diameter", "0.2mm"], "no form"),
    ],
)
def test_what_cannot_be_wound(capsys: pytest.CaptureFixture[str], options: list[str], says: str) -> None:
    code, out, err = run(capsys, *options)
    assert (code, out) == (1, "")
    assert len(err.splitlines()) == 1
    assert says in err
