"""`regenbench enter` and `regenbench take`, as the user calls them; sweeps come from scikit-rf's circuit elements."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
import skrf

from bench.session.folder import Session

EXAMPLE = Path(__file__).parents[3] / "bench" / "plan" / "example.toml"
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(regenbench: Run) -> Run:
    """A command called where a session "s" is."""
    Session.create("s", EXAMPLE.read_text(encoding="utf-8"))
    return regenbench


def test_resonance(run: Run) -> None:
    code, out, err = run(
        "enter",
        "s",
        "resonance",
        "--coil",
        "B",
        "--dial",
        "20",
        "--f0",
        "3500kc",
        "--q",
        "110",
        "--note",
        "rough",
    )
    assert (code, err) == (0, "")
    assert out.strip().splitlines() == ["Recorded r00001: coil B, dial 20: resonance at 3 500 kHz, Q 110"]
    (row,) = Session.open("s").rows("resonance")
    assert (row["coil"], row["dial"], row["f0_hz"], row["q"]) == ("B", 20.0, 3.5e6, 110.0)
    assert (row["method"], row["valve"], row["antenna"], row["note"]) == ("typed", "working", "no", "rough")
    assert row["f0_u_hz"] is None


def test_resonance_with_all_that_is_known(run: Run) -> None:
    code, out, _ = run(
        *(
            "enter",
            "s",
            "resonance",
            "--coil",
            "C",
            "--dial",
            "50",
            "--f0",
            "7.1Mc",
            "--u",
            "5kHz",
            "--q",
            "140",
        ),
        *("--q-u", "8", "--added", "100mmf", "--valve", "cold", "--antenna", "yes"),
    )
    assert code == 0
    assert "with 100 pF added: resonance at 7 100.0 ± 5.0 kHz" in out
    (row,) = Session.open("s").rows("resonance")
    assert (row["f0_u_hz"], row["q_u"], row["added_c_f"], row["valve"], row["antenna"]) == (
        5e3,
        8.0,
        100e-12,
        "cold",
        "yes",
    )


@pytest.mark.parametrize(
    ("words", "angle_deg", "u_deg"),
    [
        (["--clock", "11:20"], 130.0, 5.0),
        (["--clock", "10 o'clock"], 90.0, 5.0),
        (["--clock", "2:00", "--u", "2"], 210.0, 2.0),
        (["--angle", "140"], 140.0, 5.0),
        (["--angle", "140deg", "--u", "3.5deg"], 140.0, 3.5),
        (["--angle", "0"], 0.0, 5.0),
    ],
)
@pytest.mark.parametrize("direction", ["onset", "drop-out"])
def test_onset(run: Run, words: list[str], angle_deg: float, u_deg: float, direction: str) -> None:
    code, out, err = run(
        "enter",
        "s",
        "onset",
        "--coil",
        "B",
        "--dial",
        "40",
        "--at",
        "4.1MHz",
        "--direction",
        direction,
        *words,
    )
    assert (code, err) == (0, "")
    assert len(out.splitlines()) == 1
    (row,) = Session.open("s").rows("onset")
    assert (row["f_hz"], row["direction"], row["angle_deg"], row["angle_u_deg"]) == (
        4.1e6,
        direction,
        angle_deg,
        u_deg,
    )
    assert (row["dial"], row["method"]) == (40.0, "typed")


RESONANCE = ["resonance", "--coil", "B", "--dial", "20", "--f0", "3.5MHz"]
ONSET = ["onset", "--coil", "B", "--at", "4.1MHz", "--direction", "onset"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["resonance", "--coil", "X", "--dial", "20", "--f0", "3.5MHz"], 'no coil "X" in the plan; nearest'),
        (["resonance", "--coil", "B", "--dial", "120", "--f0", "3.5MHz"], "the dial goes from 0 to 100"),
        (["resonance", "--coil", "B", "--dial", "nan", "--f0", "3.5MHz"], "the dial goes from 0 to 100"),
        (
            ["resonance", "--coil", "B", "--dial", "20", "--f0", "3.5"],
            "no unit; write it with one, for example 3.5MHz",
        ),
        (["resonance", "--coil", "B", "--dial", "20", "--f0", "3.5mHz"], "milli"),
        (
            ["resonance", "--coil", "B", "--dial", "20", "--f0", "3.5kHz"],
            "below what coil B should have at dial 20",
        ),
        (["resonance", "--coil", "B", "--dial", "20", "--f0", "140pF"], "that is a capacitance"),
        (["resonance", "--coil", "B", "--f0", "3.5MHz"], "--dial"),
        ([*RESONANCE, "--q", "-5"], "a Q is a number above 0"),
        ([*RESONANCE, "--q", "nan"], "a Q is a number above 0"),
        (ONSET, "--clock 11:20, --angle 130 or --never"),
        ([*ONSET, "--clock", "11:20", "--angle", "130"], "--clock 11:20, --angle 130 or --never"),
        ([*ONSET, "--clock", "6:00"], "beyond the end stops"),
        ([*ONSET, "--clock", "11"], "for example 11:20"),
        ([*ONSET, "--angle", "301"], "the control turns 300 degrees"),
        ([*ONSET, "--angle", "-1"], "not an angle in degrees"),
        ([*ONSET, "--angle", "x"], "not an angle in degrees"),
        ([*ONSET, "--angle", "130", "--u", "0"], "a few degrees"),
        (["onset", "--coil", "B", "--at", "4.1MHz", "--direction", "up", "--angle", "130"], "onset"),
        (
            ["onset", "--coil", "B", "--at", "4.1Hz", "--direction", "onset", "--angle", "130"],
            "below what coil B tunes",
        ),
        ([], "command"),
    ],
)
def test_wrong_usage(run: Run, words: list[str], says: str) -> None:
    code, out, err = run("enter", "s", *words)
    assert (code, out) == (2, "")
    assert says.lower() in err.lower()
    for table in ("resonance", "onset"):
        assert Session.open("s").rows(table) == []


def test_sure_takes_the_operators_word(run: Run) -> None:
    assert run("enter", "s", "resonance", "--coil", "B", "--dial", "20", "--f0", "350kHz", "--sure")[0] == 0
    assert Session.open("s").rows("resonance")[0]["f0_hz"] == 350e3


def test_a_frequency_off_the_sessions_own_readings_is_told_and_kept(run: Run) -> None:
    # Thomson's formula: 20 uH with 170, 110, 60 pF in all.
    for dial, c_f in ((0, 170e-12), (50, 110e-12), (100, 60e-12)):
        f0 = 1 / (2 * math.pi * math.sqrt(20e-6 * c_f))
        said = run(
            "enter", "s", "resonance", "--coil", "B", "--dial", str(dial), "--f0", f"{f0:.0f}Hz", "--sure"
        )
        assert said[0] == 0
    typed = ["enter", "s", "resonance", "--coil", "B", "--dial", "50", "--f0"]
    assert run(*typed, "3.395MHz")[2] == ""
    code, _, err = run(*typed, "3.95MHz")
    assert code == 0
    assert "above what coil B should have at dial 50" in err
    assert "by the readings so far and the plan" in err
    assert "withdraw" in err
    code, _, err = run(*typed, "8.1MHz")
    assert code == 2
    assert "--sure" in err
    assert len(Session.open("s").rows("resonance")) == 5


def test_never_is_an_empty_angle_that_the_fit_knows(run: Run) -> None:
    code, out, _ = run("enter", "s", *ONSET, "--never", "--note", "damp day")
    assert code == 0
    assert "no oscillation up to full travel" in out
    (row,) = Session.open("s").rows("onset")
    assert (row["angle_deg"], row["angle_u_deg"]) == (None, None)
    assert row["note"] == "no oscillation up to full travel; damp day"
    import pandas as pd

    from bench.fit import selection

    session = Session.open("s")
    rows = selection.tidy({"onset": pd.DataFrame(session.rows("onset"))}, "onset", selection.ONSET)
    (point,) = selection.onsets_of(session.plan, rows, "B").points
    assert point.never
    dropped = ["onset", "--coil", "B", "--at", "4.1MHz", "--direction", "drop-out", "--never"]
    assert run("enter", "s", *dropped)[0] == 2


def test_no_session(run: Run) -> None:
    code, _, err = run("enter", "t", *RESONANCE)
    assert code == 1
    assert "no session" in err.splitlines()[-1]


def test_held_by_another_run(run: Run) -> None:
    with Session.open("s").lock():
        code, _, err = run("enter", "s", *RESONANCE)
    assert code == 1
    assert "is held by" in err.splitlines()[-1]


# take


COUPLING_F = 3e-12


def saved(path: Path, f0_hz: float, q: float, *, ports: int = 1) -> None:
    """A parallel tank behind a small capacitor, by scikit-rf's own elements, with a little noise."""
    c_f = 100e-12
    l_h = 1 / ((2 * math.pi * f0_hz) ** 2 * (c_f + COUPLING_F))
    r_ohm = q * 2 * math.pi * f0_hz * l_h
    frequency = skrf.Frequency(f0_hz * 0.95, f0_hz * 1.05, 401, unit="Hz")
    line = skrf.media.DefinedGammaZ0(frequency, z0=50)
    tank = line.capacitor(COUPLING_F) ** line.shunt_capacitor(c_f) ** line.shunt_inductor(l_h)
    ended = tank ** line.resistor(r_ohm) ** line.short()
    generator = np.random.default_rng(5)
    ended.s = ended.s + 1e-4 * (
        generator.normal(size=ended.s.shape) + 1j * generator.normal(size=ended.s.shape)
    )
    if ports == 2:
        both = np.zeros((len(frequency), 2, 2), dtype=complex)
        both[:, 0, 0] = ended.s[:, 0, 0]
        ended = skrf.Network(frequency=frequency, s=both, z0=50)
    ended.write_touchstone(str(path.with_suffix("")), dir=None)


def test_takes_sweeps_in_order(run: Run) -> None:
    saved(Path("low.s1p"), 3.4e6, 90.0)
    saved(Path("high.s2p"), 5.2e6, 110.0, ports=2)
    code, out, _ = run(
        "take", "s", "low.s1p", "high.s2p", "--coil", "B", "--dial", "10", "--dial", "60", "--added", "100pF"
    )
    assert code == 0
    assert re.findall(r"^Recorded r\d+: (\S+):", out, re.MULTILINE) == ["low.s1p", "high.s2p"]
    rows = Session.open("s").rows("resonance")
    assert [row["dial"] for row in rows] == [10.0, 60.0]
    # the tank as built: f0 with the coupling capacitor across it, loss by its resistor alone
    for row, f0_hz, q in zip(rows, (3.4e6, 5.2e6), (90.0, 110.0), strict=True):
        assert row["f0_hz"] == pytest.approx(f0_hz, rel=2e-4)
        assert row["q"] == pytest.approx(q, rel=0.01)
        assert row["q_loaded"] < row["q"]
        assert (row["method"], row["added_c_f"], row["coil"]) == ("reflection", 100e-12, "B")
        kept = skrf.Network(str(Path("sessions/s") / row["sweep"]))
        assert len(kept.f) == 401
    assert run("check", "s")[0] == 0


@pytest.mark.parametrize(
    "dials", [["--dial", "0", "50"], ["--dial=0", "50"], ["--dial", "0", "--dial", "50"]]
)
def test_dials_may_follow_one_another(run: Run, dials: list[str]) -> None:
    saved(Path("a.s1p"), 3.4e6, 90.0)
    code, _, err = run("take", "s", *dials, "--coil", "B", "a.s1p", "a.s1p")
    assert code == 0, err
    assert [row["dial"] for row in Session.open("s").rows("resonance")] == [0.0, 50.0]


def test_a_sweep_of_another_coil_is_refused_unless_sure(run: Run) -> None:
    saved(Path("a.s1p"), 3.4e6, 90.0)
    saved(Path("other.s1p"), 40e6, 90.0)
    words = ["take", "s", "a.s1p", "other.s1p", "--coil", "B", "--dial", "10", "50"]
    code, _, err = run(*words)
    assert code == 1
    assert "other.s1p" in err
    assert "above what coil B should have at dial 50" in err
    assert "--sure" in err
    assert Session.open("s").rows("resonance") == []
    code, _, err = run(*words, "--sure")
    assert code == 0
    assert "Taken all the same" in err
    assert len(Session.open("s").rows("resonance")) == 2


def test_all_or_none(run: Run) -> None:
    saved(Path("a.s1p"), 3.4e6, 90.0)
    flat = "# Hz S RI R 50\n" + "".join(f"{1e6 + 1e3 * i} 0.5 0\n" for i in range(50))
    Path("flat.s1p").write_text(flat, encoding="utf-8")
    Path("junk.s1p").write_text("junk", encoding="utf-8")
    code, out, err = run(
        "take", "s", "a.s1p", "flat.s1p", "junk.s1p", "none.s1p", "--coil", "B", "--dial", "0", "1", "2", "3"
    )
    assert (code, out) == (1, "")
    for name in ("flat.s1p", "junk.s1p", "none.s1p"):
        assert name in err
    assert "Nothing was taken" in err.splitlines()[-1]
    assert Session.open("s").rows("resonance") == []
    assert list(Path("sessions/s/sweeps").iterdir()) == []


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["a.s1p", "--coil", "B", "--dial", "0", "50"], "1 files and 2 dial readings"),
        (["a.s1p", "a.s1p", "--coil", "B", "--dial", "0"], "2 files and 1 dial readings"),
        (["a.s1p", "--coil", "X", "--dial", "0"], 'no coil "X"'),
        (["a.s1p", "--coil", "B", "--dial", "-5"], "the dial goes from 0 to 100"),
        (["a.s1p", "--coil", "B", "--dial", "0", "--added", "100"], "no unit"),
        (["--coil", "B", "--dial", "0"], "FILE"),
    ],
)
def test_take_wrong_usage(run: Run, words: list[str], says: str) -> None:
    saved(Path("a.s1p"), 3.4e6, 90.0)
    code, out, err = run("take", "s", *words)
    assert (code, out) == (2, "")
    assert says in err


def test_what_happened_is_logged(run: Run) -> None:
    run("enter", "s", *RESONANCE)
    events = [
        json.loads(line)["event"]
        for line in Path("sessions/s/log.jsonl").read_text(encoding="utf-8").splitlines()
    ]
    assert events == ["start", "enter"]
