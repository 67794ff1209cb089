"""`regenbench dial`: tables, edges, predictions and bandspread as the user sees them, against circuits worked out apart."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import skrf

from bench.session.folder import Session

Run = Callable[..., tuple[int, str, str]]

PLAN = """
[receiver]
name = "Ferry house set"
device = "triode"
gm = "0.7 mS"
[receiver.tuning]
dial = [0, 100]
capacitance = ["150 pF", "15 pF"]
[receiver.control]
kind = "divider"
resistance = "5 kohm"
[receiver.feedback]
capacitor = "250 pF"
"""
COIL = """
[[coil]]
name = "{name}"
grid = {{ inductance = "{l_uh} uH" }}
tickler = {{ turns = 6, inductance = "0.5 uH", k = 0.3 }}
"""
COILS = {"P": (60e-6, 15e-12), "R": (18e-6, 18e-12), "S": (5e-6, 13e-12)}


def tuning(dial: Any) -> Any:
    """Plates of the trade, straight-line wavelength (Terman 1943, from memory), cut for 10 pF of stray."""
    a, b = math.sqrt(160e-12), math.sqrt(25e-12)
    return (a + (b - a) * np.asarray(dial) / 100) ** 2 - 10e-12


def true_hz(name: str, dial: Any) -> Any:
    l_h, stray_f = COILS[name]
    return 1 / (2 * np.pi * np.sqrt(l_h * (tuning(dial) + stray_f)))


@pytest.fixture
def session(tmp_path: Path, regenbench: Run) -> Session:
    """Two coils read at six dials, the third at three."""
    text = PLAN + "".join(COIL.format(name=n, l_uh=l_h * 1e6) for n, (l_h, _) in COILS.items())
    made = Session.create(tmp_path / "ferry", text)
    with made.lock():
        for name in COILS:
            for dial in (0, 20, 40, 60, 80, 100) if name != "S" else (0, 50, 100):
                f = float(true_hz(name, dial))
                row = {"coil": name, "dial": dial, "f0_hz": f, "f0_u_hz": 1e-5 * f, "method": "reflection"}
                made.append("resonance", {**row, "q": 100.0, "q_u": 1.0, "valve": "working", "antenna": "no"})
    return made


def test_the_table_holds_the_true_frequencies(session: Session, regenbench: Run) -> None:
    code, out, _ = regenbench("dial", "./ferry", "--json", "--step", "5")
    assert code == 0
    facts = json.loads(out)
    assert [coil["name"] for coil in facts["coils"]] == list(COILS)
    for coil in facts["coils"]:
        rows = coil["table"]
        assert [row["dial"] for row in rows] == list(range(0, 101, 5))
        true = true_hz(coil["name"], [row["dial"] for row in rows])
        for row, f in zip(rows, true, strict=True):
            # 10 parts per million beside what the fit says of itself: the table's readings have no error at all
            assert abs(row["f_hz"] - f) < 3 * row["f_u_hz"] + 1e-5 * f
            assert row["f_hz"] == pytest.approx(f, rel=0.005)
        run = abs(true_hz(coil["name"], 50.5) - true_hz(coil["name"], 49.5)) / 1e3
        assert rows[10]["khz_per_division"] == pytest.approx(run, rel=0.02)
        assert [edge["f_hz"] for edge in coil["edges"]] == pytest.approx(sorted(true[[0, -1]]), rel=1e-4)
    assert facts["settled_by"] == "plan's end capacitances"
    (first, second) = facts["overlaps"]
    assert (first["coils"], first["gap"]) == (["P", "R"], False)
    assert (first["low_hz"], first["high_hz"]) == pytest.approx(
        (true_hz("R", 0), true_hz("P", 100)), rel=1e-4
    )
    assert second["coils"] == ["R", "S"]


def test_three_readings_calibrate_the_third_coil(session: Session, regenbench: Run) -> None:
    code, out, _ = regenbench("dial", "./ferry", "--coil", "S")
    assert code == 0
    assert "Coil S: " in out
    assert "Coil P: " not in out
    assert "Read at 0, 50, 100 only: the rest is predicted from these and the other coils, to 0." in out
    facts = json.loads(regenbench("dial", "./ferry", "--coil", "S", "--json")[1])
    assert [coil["predicted"] for coil in facts["coils"]] == [True]
    for row in session.rows("resonance"):
        if row["coil"] == "S":
            session.withdraw("resonance", row["reading"])
    _, out, _ = regenbench("dial", "./ferry")
    assert "Coil S was not read yet" in out
    assert "three readings" in out


def resonance_hz(l_h: float, stray_f: float, tuning_f: float, series_f: float, parallel_f: float) -> float:
    """Where a lossless tank of these parts has its largest impedance, by scikit-rf's circuit solver."""
    f = np.linspace(2e6, 9e6, 70001)
    media = skrf.media.DefinedGammaZ0(skrf.Frequency.from_f(f, unit="Hz"), z0=50)
    series = media.capacitor(series_f) ** media.capacitor(tuning_f) ** media.short()
    tank = (
        media.shunt(series)
        ** media.shunt_capacitor(stray_f + parallel_f)
        ** media.inductor(l_h)
        ** media.short()
    )
    phase = np.unwrap(np.angle(tank.s[:, 0, 0]))
    # a reflection of +1 is an open circuit: the parallel resonance
    turn = 2 * np.pi * np.round(phase / (2 * np.pi))
    at = np.flatnonzero(np.diff(np.sign(phase - turn[np.argmin(np.abs(phase - turn))])))
    return float(f[at[0]])


def test_a_band_is_spread_over_the_share_asked_for(session: Session, regenbench: Run) -> None:
    words = ["dial", "./ferry", "--band", "3.5MHz", "3.8MHz", "--share", "70"]
    facts = json.loads(regenbench(*words, "--json")[1])
    by_coil = {one["coil"]: one for one in facts["bandspread"]}
    exact, e24, e12, trimmed = by_coil["R"]["designs"]
    assert [one["values"] for one in (exact, e24, e12, trimmed)] == [
        "exact",
        "E24",
        "E12",
        "E12 and a trimmer",
    ]
    assert trimmed["share"] == pytest.approx(0.7, abs=0.1)
    assert exact["share"] == pytest.approx(0.7, abs=1e-3)
    assert exact["band_dial"] == pytest.approx([15, 85], abs=0.1)
    l_h, stray_f = COILS["R"]
    for made in (exact, e24, e12, trimmed):
        # the fit's scale of capacitance is the plan's, here right to a part in a few hundred
        found = [
            resonance_hz(l_h, stray_f, float(tuning(dial)), made["series_f"], made["parallel_f"])
            for dial in made["band_dial"]
        ]
        assert found == pytest.approx([3.5e6, 3.8e6], rel=0.004)
        low, high = (edge["f_hz"] for edge in made["edges"])
        assert low <= 3.5e6 < 3.8e6 <= high
    # IEC 60063, from memory: 10, 11, 12, 13, 15, 16, 18, 20, 22, 24, 27, 30, 33, 36, 39, 43, 47, 51, 56, 62, 68, 75, 82, 91
    twenty_four = {
        10,
        11,
        12,
        13,
        15,
        16,
        18,
        20,
        22,
        24,
        27,
        30,
        33,
        36,
        39,
        43,
        47,
        51,
        56,
        62,
        68,
        75,
        82,
        91,
    }
    for key in ("series_f", "parallel_f"):
        value = e24[key] * 1e12
        assert round(value / 10 ** math.floor(math.log10(value)) * 10, 6) in twenty_four
    cost = by_coil["R"]["cost"]
    assert cost["c_f"] == pytest.approx(1 / (l_h * (2 * math.pi) ** 2 * 3.5e6 * 3.8e6), rel=0.02)
    assert cost["tank_ohm"] == pytest.approx(100 * 2 * math.pi * cost["f_hz"] * l_h, rel=0.02)
    code, out, _ = regenbench(*words)
    assert code == 0
    assert "Coil R, 3 500 kHz to 3 800 kHz over 70 % of the dial:" in out
    assert "What it costs" in out


def test_a_band_that_no_coil_spreads_is_told_with_the_reason(session: Session, regenbench: Run) -> None:
    code, out, err = regenbench("dial", "./ferry", "--coil", "P", "--band", "14MHz", "14.35MHz")
    assert code == 1
    assert "Coil P cannot spread" in out
    assert "use a coil of less inductance" in err.splitlines()[-1]


def test_an_outlier_is_named_with_how_far_it_is_off(session: Session, regenbench: Run) -> None:
    f = float(true_hz("R", 40)) * 1.03
    name = next(
        row["reading"] for row in session.rows("resonance") if row["coil"] == "R" and row["dial"] == 40
    )
    session.withdraw("resonance", name)
    session.append("resonance", {"coil": "R", "dial": 40, "f0_hz": f, "f0_u_hz": 30.0, "valve": "working"})
    _, out, _ = regenbench("dial", "./ferry")
    (line,) = [line for line in out.splitlines() if "Left out" in line]
    assert "at dial 40" in line
    assert "3.0 % above what the set says" in line or "2.9 % above" in line or "3.1 % above" in line


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["dial", "./ferry", "--coil", "Z"], 2, "Z"),
        (["dial", "./ferry", "--share", "50"], 2, "--share needs a band"),
        (["dial", "./ferry", "--band", "3.5MHz", "3.5MHz"], 2, "two different"),
        (["dial", "./ferry", "--band", "3.5", "3.8"], 2, "3.5"),
        (["dial", "./ferry", "--band", "3.5MHz", "3.8MHz", "--share", "nan"], 2, "from 1 to 100"),
        (["dial", "./ferry", "--step", "0.001"], 2, "too many"),
        (["dial", "./none"], 1, "no session"),
    ],
)
def test_refusals(session: Session, regenbench: Run, words: list[str], code: int, says: str) -> None:
    found, out, err = regenbench(*words)
    assert (found, out) == (code, "")
    assert says in err


def test_nothing_read_says_what_to_do(tmp_path: Path, regenbench: Run) -> None:
    Session.create(tmp_path / "empty", PLAN + COIL.format(name="P", l_uh=60))
    code, out, err = regenbench("dial", "./empty")
    assert (code, out) == (1, "")
    assert "regenbench measure ./empty --reading resonance" in err.splitlines()[-1]
