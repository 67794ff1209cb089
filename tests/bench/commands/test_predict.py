"""`regenbench predict`: the contract's keys, the specification's check numbers, and plain refusals."""

import json
import math
import re

import pytest

from bench.cli import main

PLAN = """
[receiver]
device = "triode"
gm = "0.7 mS"
rp = "25 kohm"
[receiver.tuning]
capacitance = ["160 pF", "12 pF"]
[receiver.control]
kind = "divider"
resistance = "4 kohm"
[receiver.feedback]
capacitor = "270 pF"
choke = "2.5 mH"
plate_capacitance = "8 pF"
[[coil]]
name = "B"
grid = { inductance = "22 uH", q = [[2.3e6, 126.59], [2.8e6, 129.11], [3.4e6, 131.64], [4.1e6, 134.12], [4.9e6, 136.54]] }
tickler = { turns = 6, inductance = "1.0 uH", k = 0.32 }
onset_at = ["2.3 MHz", "2.8 MHz", "3.4 MHz", "4.1 MHz", "4.9 MHz"]
"""
WOUND = """
[[coil]]
name = "C"
grid = { turns = 27, diameter = "32 mm", length = "24 mm", wire = "0.4 mm" }
tickler = { turns = 3, gap = "2.5 mm", wire = "0.25 mm" }
"""


def run(capsys, *arguments):
    code = 0
    try:
        main(["predict", *map(str, arguments)])
    except SystemExit as stop:
        code = stop.code or 0
    out, err = capsys.readouterr()
    return code, out, err


@pytest.fixture
def plan(tmp_path):
    def write(text=PLAN):
        path = tmp_path / "plan.toml"
        path.write_text(text, encoding="utf-8")
        return path

    return write


def test_json_has_the_contracts_keys_and_the_specifications_angles(plan, capsys):
    code, out, err = run(capsys, plan(), "--json")
    assert (code, err) == (0, "")
    (coil,) = json.loads(out)["coils"]
    assert {"name", "l_h", "tickler_l_h", "mutual_h", "onset"} <= set(coil)
    assert coil["name"] == "B"
    assert coil["l_h"] == pytest.approx(22e-6)
    assert coil["mutual_h"] == pytest.approx(0.32 * math.sqrt(22e-6 * 1e-6))
    rows = coil["onset"]
    # The specification's example: 6 turns, Q 130 at 3 MHz and as f^0.1.
    assert [round(row["angle_deg"]) for row in rows] == [178, 146, 120, 100, 83]
    for row in rows:
        assert {"f_hz", "angle_deg", "starts_deg", "growth_per_s", "oscillation_hz"} <= set(row)
        assert row["starts_deg"] == [row["angle_deg"]]
        assert row["growth_per_s"] > 0
        assert row["oscillation_hz"] == pytest.approx(row["f_hz"], rel=2e-3)


def test_never_is_null(plan, capsys):
    code, out, _ = run(capsys, plan(), "--json", "--set", "receiver.gm=0.1mS")
    assert code == 0
    for row in json.loads(out)["coils"][0]["onset"]:
        assert row["angle_deg"] is None
        assert row["oscillation_hz"] is None
        assert row["starts_deg"] == []
        assert row["growth_per_s"] < 0


def test_set_changes_the_plan_for_this_run(plan, capsys):
    path = plan()
    before = path.read_text()
    _, out, _ = run(capsys, path, "--json")
    _, changed, _ = run(capsys, path, "--json", "--set", "receiver.control.resistance=50kohm")
    first, second = (
        [row["angle_deg"] for row in json.loads(text)["coils"][0]["onset"]] for text in (out, changed)
    )
    assert all(b > a for a, b in zip(first, second, strict=True))
    assert path.read_text() == before


def test_frequencies_over_the_tuning_range_where_the_plan_names_none(plan, capsys):
    code, out, err = run(capsys, plan(PLAN + WOUND), "--json")
    assert code == 0
    assert "Q of C" in err
    wound = json.loads(out)["coils"][1]
    f_hz = [row["f_hz"] for row in wound["onset"]]
    ends = [1 / (2 * math.pi * math.sqrt(wound["l_h"] * c)) for c in (160e-12, 12e-12)]
    assert f_hz == sorted(f_hz)
    assert 0.9 * ends[0] < f_hz[0] <= ends[0] * 1.01
    assert 0.6 * ends[1] < f_hz[-1] <= ends[1] * 1.01


def test_table_shows_clock_positions(plan, capsys):
    code, out, _ = run(capsys, plan())
    assert code == 0
    line = next(line for line in out.splitlines() if "2 800 kHz" in line)
    # 146 degrees of 300: four before mid-travel, which is 12:00 less 8 minutes of the dial.
    assert "146 deg" in line
    assert "11:52" in line
    assert "before the window" in next(line for line in out.splitlines() if "4 900 kHz" in line)


def test_missing_gm_takes_the_usual_one_and_says_so(plan, capsys):
    code, out, err = run(capsys, plan(PLAN.replace('gm = "0.7 mS"\n', "")))
    assert code == 0
    assert "receiver.gm is not in the plan: taking 0.8 mS" in err
    assert "--set receiver.gm=0.4mS" in " ".join(err.split())
    assert out == run(capsys, plan(PLAN), "--set", "receiver.gm=0.8mS")[1]


def test_missing_rp_takes_the_usual_one_and_says_so(plan, capsys):
    code, out, err = run(capsys, plan(PLAN.replace('rp = "25 kohm"\n', "")), "--json")
    assert code == 0
    assert "receiver.rp" in err
    assert "10 kohm" in err
    assert json.loads(out)["coils"][0]["onset"][0]["angle_deg"] > 178


def test_another_oscillation_is_told(plan, capsys):
    # A choke of too little inductance (see tests/bench/physics/test_regeneration.py).
    text = PLAN.replace("2.5 mH", "30 uH").replace('"1.0 uH", k = 0.32', '"6.0 uH", k = 0.32')
    code, out, _ = run(capsys, plan(text), "--json", "--set", "receiver.gm=3mS")
    assert code == 0
    modes = [mode for row in json.loads(out)["coils"][0]["onset"] for mode in row["other_modes"]]
    assert modes
    _, table, _ = run(capsys, plan(text), "--set", "receiver.gm=3mS")
    assert "another oscillation, at" in table


@pytest.mark.parametrize(
    ("arguments", "code", "word"),
    [
        (["--set", "receiver.gm=0.7"], 2, "0.65mS"),
        (["--set", "receiver.controll.resistance=4kohm"], 2, "control"),
        (["--set", "gm"], 2, "KEY=VALUE"),
    ],
)
def test_wrong_settings_are_wrong_usage(plan, capsys, arguments, code, word):
    found, out, err = run(capsys, plan(), *arguments)
    assert (found, out) == (code, "")
    assert word in err
    assert err.splitlines()[-1].count("--set") == (2 if word == "KEY=VALUE" else 1)
    assert "line" not in err.splitlines()[-1]


def test_a_session_stands_for_its_plan(plan, capsys, tmp_path, monkeypatch):
    folder = tmp_path / "sessions" / "evening"
    folder.mkdir(parents=True)
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    _, expected, _ = run(capsys, plan(), "--json")
    for name in ("evening", "sessions/evening", folder, folder / "plan.toml"):
        assert run(capsys, name, "--json") == (0, expected, "")


@pytest.mark.parametrize(
    ("raw", "word"),
    [
        (b"\xff\xfe", "UTF-8"),
        (b"x =", "plan.toml"),
        (b"[receiver]\ngm = 0.7 mS\n", 'gm = "0.7 mS"'),
        (b"", "needed"),
    ],
)
@pytest.mark.parametrize("more", [(), ("--json",), ("--set", "receiver.gm=1mS")])
def test_a_plan_that_cannot_be_read_is_one_line_and_exit_1(tmp_path, capsys, raw, word, more):
    path = tmp_path / "plan.toml"
    path.write_bytes(raw)
    code, out, err = run(capsys, path, *more)
    assert (code, out) == (1, "")
    assert word in err
    assert "Usage" not in err


def test_an_empty_folder_is_no_plan(tmp_path, capsys):
    code, out, err = run(capsys, tmp_path)
    assert (code, out) == (1, "")
    assert "has no plan.toml; give the path of a plan.toml, or a session." in err


def test_no_such_plan(tmp_path, capsys):
    code, out, err = run(capsys, tmp_path / "nowhere.toml")
    assert (code, out) == (1, "")
    assert "nowhere.toml" in err
    assert "Traceback" not in err


TAPPED = (
    PLAN.replace("[receiver]\n", '[receiver]\ntopology = "cathode-tap"\n', 1)
    .replace('kind = "divider"\nresistance = "4 kohm"', 'kind = "supply"')
    .replace('tickler = { turns = 6, inductance = "1.0 uH", k = 0.32 }', 'tap = { turns = 1, inductance = "0.4 uH", k = 0.4 }')
    .replace('capacitor = "270 pF"', 'capacitor = "10 nF"')
)  # fmt: skip


def test_a_cathode_tap_is_predicted_from_the_plan(plan, capsys):
    """Colpitts and Hartley's rule in the limit of a plate at RF ground: gm (1 - t) t = loss, t the tap's share of voltage.

    The cathode follows with t = M/L of the tank's voltage V, the valve's current gm(1-t)V into the tap gives back gm(1-t)t V at
    the top; it must make up for the tank's own conductance wC/Q and for rp's t^2/rp (Terman, Radio Engineering, 1937,
    chapter on oscillators; from memory).
    """
    code, out, err = run(capsys, plan(TAPPED), "--json")
    assert (code, err) == (0, "")
    (coil,) = json.loads(out)["coils"]
    t = coil["mutual_h"] / coil["l_h"]
    assert coil["mutual_h"] == pytest.approx(0.4 * math.sqrt(22e-6 * 0.4e-6))
    for row in coil["onset"]:
        conductance = 1 / (2 * math.pi * row["f_hz"] * 22e-6 * row["q"])
        # Screen voltage: gm and 1/rp go as its square root, and the linear control's share is the voltage's.
        share = (conductance / (0.7e-3 * (1 - t) * t - t * t / 25e3)) ** 2
        assert row["angle_deg"] / 300 == pytest.approx(share, rel=0.03)
    _, table, _ = run(capsys, plan(TAPPED))
    assert "below the tap 400 nH" in table


@pytest.mark.parametrize(
    ("sets", "verdict", "words"),
    [
        (["receiver.gm=0.1mS"], "never", "too little feedback"),
        (
            [
                "receiver.gm=3mS",
                "receiver.control.kind=measured",
                "receiver.control.law=[[0, 0.9], [300, 1]]",
            ],
            "everywhere",
            "already at the end stop",
        ),
        ([], "starts", "11:52"),
    ],
)
def test_verdicts_in_words(plan, capsys, sets, verdict, words):
    arguments = [text for one in sets for text in ("--set", one)]
    _, out, _ = run(capsys, plan(), "--json", *arguments)
    assert {row["verdict"] for row in json.loads(out)["coils"][0]["onset"]} == {verdict}
    _, table, _ = run(capsys, plan(), *arguments)
    assert words in table


def test_in_and_out_and_the_wrong_part_are_told_in_words(plan, capsys):
    # Circuits of tests/bench/physics/test_against_ngspice.py, where the simulator shows the same.
    harsh = PLAN.replace("2.5 mH", "0.226 mH").replace("270 pF", "279 pF")
    harsh = harsh.replace('"22 uH"', '"11.8 uH"').replace('"1.0 uH", k = 0.32', '"1.03 uH", k = 0.33')
    sets = ("receiver.gm=1.07mS", "receiver.control.resistance=188kohm", "receiver.feedback.choke_capacitance=2pF",
            "receiver.feedback.grid_plate_capacitance=1.4pF", "coil.B.onset_at=[\"3.36MHz\"]")  # fmt: skip
    arguments = [text for one in sets for text in ("--set", one)]
    _, out, _ = run(capsys, plan(harsh), "--json", *arguments)
    (row,) = json.loads(out)["coils"][0]["onset"]
    assert row["verdict"] == "in and out"
    assert len(row["starts_deg"]) == 3
    _, table, _ = run(capsys, plan(harsh), *arguments)
    assert re.search(r"starts at \d+:\d\d, stops at \d+:\d\d, starts at \d+:\d\d\.", table)
    choke = PLAN.replace("2.5 mH", "30 uH").replace('"1.0 uH", k = 0.32', '"6.0 uH", k = 0.32')
    _, table, _ = run(capsys, plan(choke), "--set", "receiver.gm=3mS")
    assert "the RF choke resonates" in table
    assert "at a wrong frequency, see below" in table


def test_a_bipolars_base_loads_the_tank(plan, capsys):
    """gm over current gain stands across the tank: the more, the later it starts; what is taken as usual is told."""
    text = PLAN.replace('"triode"', '"bipolar"').replace('gm = "0.7 mS"', 'gm = "2 mS"')
    angles = {}
    for gain in (50, 400, 1e6):
        code, out, err = run(capsys, plan(text), "--json", "--set", f"receiver.current_gain={gain}")
        assert code == 0
        assert "transition_frequency (200 MHz)" in " ".join(err.split())
        angles[gain] = [row["angle_deg"] for row in json.loads(out)["coils"][0]["onset"]]
    triode = json.loads(run(capsys, plan(text.replace('"bipolar"', '"triode"')), "--json")[1])
    free = [row["angle_deg"] for row in triode["coils"][0]["onset"]]
    for late, sooner, least, none in zip(*angles.values(), free, strict=True):
        assert late is None or late > sooner > least
        assert least == pytest.approx(none, rel=0.05)
