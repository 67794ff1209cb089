"""`regenbench fit`: the table, the JSON, what it writes, and what it says when there is nothing."""

import json

import pytest

from bench.cli import main
from bench.session.folder import Session

PLAN = """
[receiver]
name = "Example"
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
grid = { inductance = "22 uH", q = [[1e6, 116.47], [10e6, 146.64]] }
tickler = { turns = 6, inductance = "1.0 uH", k = 0.32 }
[[coil]]
name = "C"
grid = { inductance = "6 uH", q = [[1e6, 116.47], [10e6, 146.64]] }
tickler = { turns = 3, inductance = "0.4 uH", k = 0.32 }
"""
# The specification's worked example: six turns start at these angles.
ONSET = {2.3e6: 178.0, 2.8e6: 146.0, 3.4e6: 120.0, 4.1e6: 100.0, 4.9e6: 83.0}


def run(capsys, *arguments):
    code = 0
    try:
        main(["fit", *map(str, arguments)])
    except SystemExit as stop:
        code = stop.code or 0
    out, err = capsys.readouterr()
    return code, out, err


@pytest.fixture
def session(tmp_path):
    made = Session.create(tmp_path / "evening", PLAN)
    with made.lock():
        for f_hz, angle in ONSET.items():
            for direction, by in (("onset", 0.0), ("drop-out", -4.0)):
                made.append(
                    "onset",
                    {
                        "coil": "B",
                        "f_hz": f_hz,
                        "direction": direction,
                        "angle_deg": angle + by,
                        "angle_u_deg": 0.7,
                        "method": "level",
                        "valve": "working",
                        "antenna": "no",
                    },
                )
        # 22 uH with 15 pF of stray, at the plan's end capacitances
        for dial, f_hz in ((0, 2.56497e6), (100, 6.53046e6)):
            made.append("resonance", {"coil": "B", "dial": dial, "f0_hz": f_hz, "method": "typed"})
    return made


def test_table_speaks_to_the_person_at_the_bench(session, capsys):
    code, out, err = run(capsys, session.path)
    assert code == 0
    assert "Coil B" in out
    assert "L 22" in out
    assert "gm·M 1.0" in out
    row = next(line for line in out.splitlines() if "2 300 kHz" in line and "178.0" in line)
    assert "12:56" in row
    assert "4.0°" in row
    assert "wind the tickler with 5 turns in place of 6" in out.splitlines()[0]
    assert max(map(len, out.splitlines())) <= 80
    assert next(line for line in out.splitlines() if line.split()[:1] == ["6"]).endswith("now")
    assert "4 kohm, linear (now)" not in out
    # No Q was read: the advice itself says so, with what to read.
    assert "The Q of coil B was not read" in " ".join(out.split())
    assert "`measure` with --coil 'B' --reading resonance" in " ".join(out.split())
    assert "Note: Coil B: no Q was read" in err
    assert "Note: Coil C: no readings to fit yet." in err
    assert (session.path / "fit.json").exists()


def test_all_adds_angles_and_other_controls(session, capsys):
    short, full = run(capsys, session.path)[1], run(capsys, session.path, "--all")[1]
    assert "other controls with the turns that suit them" in full
    assert "other controls with the turns that suit them" not in short
    of_five = next(line for line in full.splitlines() if line.startswith("      5  "))
    assert "±" in of_five
    assert all(len(line) < 80 for line in [*short.splitlines(), *full.splitlines()])


def test_json_is_one_document_and_is_what_was_written(session, capsys):
    code, out, _ = run(capsys, session.path, "--json")
    assert code == 0
    fit = json.loads(out)
    assert fit == json.loads((session.path / "fit.json").read_text(encoding="utf-8"))
    assert fit["session"] == "evening"
    assert fit["made_at"].endswith("Z")
    assert [coil["name"] for coil in fit["coils"]] == ["B"]
    assert fit["coils"][0]["advice"]["tickler_turns_best"] == 5
    assert "NaN" not in out


def test_withdrawn_readings_and_a_changed_plan(session, capsys):
    reading = session.rows("onset")[0]["reading"]
    session.withdraw("onset", reading)
    _, out, _ = run(capsys, session.path, "--json")
    onset = json.loads(out)["coils"][0]["onset"]
    assert onset[0]["measured_deg"] is None
    assert onset[0]["dropout_deg"] == pytest.approx(174.0)
    plan = session.path / "plan.toml"
    plan.write_text(PLAN.replace("turns = 6", "turns = 7"), encoding="utf-8")
    code, _, err = run(capsys, session.path)
    assert code == 1
    assert "left out: of another recipe" in err
    assert "None of the 11 resonance and onset readings" in err.splitlines()[-1]
    assert "regenbench measure" in err.splitlines()[-1]


def test_curve_readings_alone_are_not_called_no_readings(tmp_path, capsys):
    session = Session.create(tmp_path / "curves", PLAN)
    row = {"coil": "B", "dial": 20, "valve": "working", "antenna": "no", "f_hz": 3.4e6, "q": 150, "q_u": 2}
    for angle in (0, 40, 80):
        session.append("curve", {**row, "angle_deg": angle})
    for command in ("fit", "report"):
        with pytest.raises(SystemExit) as stop:
            main([command, str(session.path)])
        assert stop.value.code == 1
        said = capsys.readouterr().err.splitlines()[-1]
        assert "has 3 curve readings, which tell nothing without a resonance or an onset" in said
        assert "--reading resonance" in said


def test_nothing_to_fit_is_one_plain_line(tmp_path, capsys):
    Session.create(tmp_path / "empty", PLAN)
    code, out, err = run(capsys, tmp_path / "empty")
    assert code == 1
    assert out == ""
    assert "no readings to fit yet" in err.splitlines()[-1]
    assert "regenbench measure" in err.splitlines()[-1]
    code, out, err = run(capsys, tmp_path / "missing")
    assert code == 1
    assert out == ""
    assert "Traceback" not in err
