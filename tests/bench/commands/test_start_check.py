"""`regenbench start` and `regenbench check`, as the user calls them."""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Callable
from pathlib import Path

import ordinary
import pytest

from bench.plan.schema import load_plan, parse_plan
from bench.session.folder import Session

EXAMPLE = Path(__file__).parents[3] / "bench" / "plan" / "example.toml"
Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def run(regenbench: Run) -> Run:
    """A command called in an empty folder."""
    return regenbench


def test_start_from_a_file(run: Run) -> None:
    code, out, err = run("start", "evening", "--plan", str(EXAMPLE))
    assert (code, err) == (0, "")
    assert "Made sessions/evening" in out
    assert Path("sessions/evening/plan.toml").read_text(encoding="utf-8") == EXAMPLE.read_text(
        encoding="utf-8"
    )


def test_start_like_an_older_session(run: Run) -> None:
    run("start", "before", "--example")
    code, _, err = run("start", "after", "--like", "before")
    assert (code, err) == (0, "")
    assert load_plan(Path("sessions/after/plan.toml")) == load_plan(Path("sessions/before/plan.toml"))
    first = json.loads(Path("sessions/after/log.jsonl").read_text(encoding="utf-8").splitlines()[0])
    assert (first["event"], first["like"]) == ("start", "before")


def test_an_instruments_description_goes_with_the_plan(run: Run) -> None:
    """A description lies next to its plan; the session to be compared with must find it too."""
    analyzer = '[instruments.analyzer]\ndriver = "lines-analyzer"\nport = "COM7"\ndescription = "mine.toml"\n'
    text = EXAMPLE.read_text(encoding="utf-8")
    Path("set").mkdir()
    Path("set/plan.toml").write_text(text[: text.index("[instruments")] + analyzer, encoding="utf-8")
    Path("set/mine.toml").write_text('name = "Mine"\n', encoding="utf-8")
    code, out, err = run("start", "before", "--plan", "set/plan.toml")
    assert (code, err) == (0, "")
    assert "plan.toml as given, mine.toml, and wiring.svg" in out
    assert run("start", "after", "--like", "before")[0] == 0
    assert Path("sessions/after/mine.toml").read_text(encoding="utf-8") == 'name = "Mine"\n'
    assert run("check", "after")[0] == 0


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["start", "x"], 2, "--plan FILE, --like OLD"),
        (["start", "x", "--plan", "a.toml", "--like", "b"], 2, "Say one of"),
        (["start", "x", "--plan", "none.toml"], 1, "none.toml does not exist"),
        (["start", "x", "--like", "none"], 1, "no session sessions/none"),
        (["start", "old", "--example"], 1, "there already"),
        (["start", "../x\0y", "--example"], 1, "control character"),
        (["start", ".x", "--example"], 1, "cannot be a session's name"),
        (["start", "x" * 300, "--example"], 1, "cannot be a session's name: use at most 80 letters"),
        (["start", f"./{'x' * 300}", "--example"], 1, "the name is too long. Choose a shorter one."),
        (["start", "x", "--plan", "x" * 300], 1, "cannot be read: File name too long. Give"),
    ],
)
def test_start_refusals(run: Run, words: list[str], code: int, says: str) -> None:
    run("start", "old", "--example")
    found, out, err = run(*words)
    assert (found, out) == (code, "")
    assert says in err.splitlines()[-1]
    assert [path.name for path in Path("sessions").iterdir()] == ["old"]


def test_a_plan_with_faults_makes_nothing(run: Run) -> None:
    Path("bad.toml").write_text(
        EXAMPLE.read_text(encoding="utf-8").replace("kind =", "knd ="), encoding="utf-8"
    )
    code, out, err = run("start", "x", "--plan", "bad.toml")
    assert (code, out) == (1, "")
    assert "bad.toml, line" in err
    assert "nearest known key: kind" in err
    assert not Path("sessions").exists()


# Answers typed at a terminal: what is wrong is asked again
ANSWERS = [
    *("", "", "90V", "0.65", "0.65mS", ""),
    *("", "", "160 mmf", "12mmf"),
    *("divider", "4kohm", "", "", ""),
    *("270pF", "none", "n"),
    *("", "270", "1.25in", "24mm", "26AWG", "", "", ""),
    *("27", "1.25in", "24mm", "26AWG", "", "", "", "n"),
    *("100pF", "", ""),
]


@pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
def test_start_asks_at_a_terminal(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    leader, follower = os.openpty()
    with os.fdopen(follower, "r", encoding="utf-8", closefd=True) as terminal:
        os.write(leader, ("\n".join(ANSWERS) + "\n").encode())
        monkeypatch.setattr(sys, "stdin", terminal)
        code, out, err = run("start", "evening")
    os.close(leader)
    assert code == 0, err
    assert out.startswith("Made sessions/evening")
    assert '"0.65" has no unit' in err
    assert "270 turns of 0.405 mm wire need 109.3 mm" in err
    plan = Session.open("evening").plan
    assert plan.receiver.gm == 0.65e-3
    assert plan.receiver.rp is None
    assert plan.receiver.control.resistance == 4e3
    assert plan.receiver.feedback.choke is None
    assert plan.receiver.tuning.capacitance == (160e-12, 12e-12)
    assert plan.coil[0].grid.diameter == pytest.approx(0.03175)
    assert len(plan.coil[0].onset_at) == 5
    assert (plan.show.capacitance, plan.show.length) == ("mmf", "in")
    assert plan.readings.added_capacitor == 100e-12


@pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
@pytest.mark.parametrize(
    ("control", "more"),
    # One that is offered a coil of a lower band: with the first of all no tickler would do.
    [(["", ""], 1), (["", ""], 2), (["", "10kohm"], 1), (["throttle", "", ""], 1)],
)
def test_enter_to_every_question_makes_a_set_that_starts_in_the_window(
    run: Run, monkeypatch: pytest.MonkeyPatch, control: list[str], more: int
) -> None:
    """Job: onset within the window at every frequency of every coil; with the first also when its Q is 30 % below the winding's."""
    leader, follower = os.openpty()
    coil = [""] * 8
    feedback = [""] * (2 if "throttle" in control else 3)
    answers = [""] * 9 + control + [""] * 3 + feedback + [*coil, "y"] * (more - 1) + [*coil, "n"] + [""] * 3
    with os.fdopen(follower, "r", encoding="utf-8", closefd=True) as terminal:
        os.write(leader, ("\n".join(answers) + "\n").encode())
        monkeypatch.setattr(sys, "stdin", terminal)
        code, _, err = run("start", "evening")
    os.close(leader)
    assert code == 0, err
    plan = Session.open("evening").plan
    assert len(plan.coil) == more
    code, out, _ = run("predict", "evening", "--json")
    assert code == 0
    low, high = plan.receiver.control.window_deg
    coils = json.loads(out)["coils"]
    assert [low < at["angle_deg"] < high for c in coils for at in c["onset"]] == [True] * 5 * more
    q = ", ".join(f"[{at['f_hz']}, {at['q'] * 0.7}]" for at in coils[0]["onset"])
    poor = json.loads(run("predict", "evening", "--json", "--set", f"coil.A.grid.q=[{q}]")[1])["coils"][0]
    assert [low < at["angle_deg"] < high for at in poor["onset"]] == [True] * 5


@pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals")
def test_a_throttle_is_offered_its_half_turn_and_a_valve_its_capacitances(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Zero in place of the valve's own few pF would have a throttle of 10 pF oscillate at its end stop (pF against pF)."""
    leader, follower = os.openpty()
    answers = [*[""] * 9, "throttle", *[""] * 6, "maybe", "n", "L", *[""] * 7, "y", *[""] * 8, "n", *[""] * 3]
    with os.fdopen(follower, "r", encoding="utf-8", closefd=True) as terminal:
        os.write(leader, ("\n".join(answers) + "\n").encode())
        monkeypatch.setattr(sys, "stdin", terminal)
        code, _, err = run("start", "evening")
    os.close(leader)
    assert code == 0, err
    assert "y for yes or n for no" in err
    plan = Session.open("evening").plan
    assert [coil.name for coil in plan.coil] == ["L", "M"]
    assert plan.receiver.control.travel_deg == 180
    assert plan.receiver.feedback.plate_capacitance == 5e-12
    assert plan.receiver.feedback.grid_plate_capacitance == 1.5e-12


# check


def test_a_whole_session(run: Run) -> None:
    run("start", "s", "--example")
    run("enter", "s", "onset", "--coil", "B", "--at", "4.1MHz", "--direction", "onset", "--clock", "11:20")
    code, out, err = run("check", "s")
    assert (code, err) == (0, "")
    assert "onset.csv: 1 rows" in out
    assert out.splitlines()[-1] == "sessions/s is whole."


GOOD = "r00001,2026-01-31T19:30:00.000Z,B,,20,working,no,4100000,onset,130,5,typed,,,\n"


@pytest.mark.parametrize(
    ("rows", "fault"),
    [
        (GOOD + GOOD.replace("4100000", "4.1MHz").replace("r00001", "r2"), "onset.csv, line 3: f_hz: '4.1MHz' is not a number"),
        (GOOD.replace(",5,", ",-5,"), "onset.csv, line 2: angle_u_deg: -5 is less than 0"),
        (GOOD.replace("onset", "up"), "onset.csv, line 2: direction: 'up' is not one of onset, drop-out"),
        (GOOD.replace(",B,", ",,"), "onset.csv, line 2: names no coil"),
        (GOOD + "r1,2\n" + GOOD, "onset.csv, line 3: has 2 cells, the header 19"),
        (GOOD.replace(",,,\n", ",,true,\n"), "onset.csv, line 2: withdraws a reading, so its other cells must be empty"),
        (GOOD.replace("typed,,", "typed,traces/r00001.csv,"), "onset.csv, line 2: trace traces/r00001.csv is not there"),
        (GOOD.replace("typed,,", "typed,../../plan.csv,"), "onset.csv, line 2: trace ../../plan.csv is outside the session folder"),
        ('"' + GOOD, "onset.csv, line 2: its quotes do not match"),
        (GOOD.replace(",20,", ",200,"), "onset.csv, line 2: dial: 200 cannot be; it goes from 0 to 100"),
        (GOOD + GOOD.replace(",130,", ",400,"), "onset.csv, line 3: angle_deg: 400 cannot be; it goes from -10 to 310 degrees"),
        (GOOD.replace("4100000", "4"), "onset.csv, line 2: f_hz: 4 cannot be; it goes from 1000 to 3e+09 Hz"),
    ],
)  # fmt: skip
def test_check_says_which_row(run: Run, rows: str, fault: str) -> None:
    run("start", "s", "--example")
    with Path("sessions/s/onset.csv").open("a", encoding="utf-8") as stream:
        stream.write(rows)
    code, out, err = run("check", "s")
    assert code == 1
    assert f"fault: {fault}" in out
    assert fault in err.splitlines()[-1]
    assert "Correct it" in err.splitlines()[-1]
    document = json.loads(run("check", "s", "--json")[1])
    assert any(said.startswith(fault) for said in document["faults"])


TANK = "r00001,2026-01-31T19:30:00.000Z,B,,20,working,no,4100000,100,,,110,1,,,typed,,,\n"


@pytest.mark.parametrize("q", ["0", "0.1", "1e9"])
def test_a_q_that_cannot_be_is_a_fault_and_the_fit_tells_it(run: Run, q: str) -> None:
    run("start", "s", "--example")
    with Path("sessions/s/resonance.csv").open("a", encoding="utf-8") as stream:
        stream.write(TANK + TANK.replace(",110,", f",{q},").replace("r00001", "r00002"))
    code, out, _ = run("check", "s")
    assert code == 1
    assert f"fault: resonance.csv, line 3: q: {q} cannot be; it goes from 0.5 to 100000" in out
    assert "1 resonance row not used for Q: a Q that cannot be (r00002)" in run("fit", "s")[2]
    # a reading that was withdrawn troubles nobody
    run("withdraw", "s", "r00002")
    assert run("check", "s")[0] == 0


def test_a_table_without_a_needed_column_is_refused(run: Run) -> None:
    run("start", "s", "--example")
    path = Path("sessions/s/resonance.csv")
    whole = path.read_text(encoding="utf-8") + TANK
    for name in ("dial", "f0_hz", "valve", "withdrawn"):
        place = whole.splitlines()[0].split(",").index(name)
        rows = [line.split(",") for line in whole.splitlines()]
        path.write_text("".join(",".join(r[:place] + r[place + 1 :]) + "\n" for r in rows), encoding="utf-8")
        for command in ("fit", "check"):
            code, _, err = run(command, "s")
            assert code == 1
            assert f"resonance.csv, line 1: lacks the column {name}" in err.splitlines()[-1]
    place = whole.splitlines()[0].split(",").index("q_u")
    path.write_text("".join(",".join(r[:place] + r[place + 1 :]) + "\n" for r in rows), encoding="utf-8")
    code, _, err = run("fit", "s")
    assert code == 0
    assert "resonance.csv lacks the column q_u: taken as unknown" in err


def test_the_fit_tells_of_a_last_row_that_is_damaged(run: Run) -> None:
    run("start", "s", "--example")
    path = Path("sessions/s/resonance.csv")
    path.write_text(path.read_text(encoding="utf-8") + TANK + TANK[:40], encoding="utf-8")
    code, _, err = run("fit", "s")
    assert code == 0
    assert (
        "resonance.csv: the last line was cut short or damaged and counts no more; it is kept in log/" in err
    )
    assert "last line" not in run("fit", "s")[2]


def test_text_that_a_spreadsheet_would_run_is_remarked(run: Run) -> None:
    run("start", "s", "--example")
    with Path("sessions/s/onset.csv").open("a", encoding="utf-8") as stream:
        stream.write(GOOD.replace(",,,\n", ",,,=1+1\n") + GOOD.replace(",,,\n", ",,,'=1+1\n"))
    _, out, _ = run("check", "s")
    assert "onset.csv, line 2: note begins with '=', which a spreadsheet would run" in out
    assert "line 3: note" not in out


LOGGED = '{"time": "2026-01-31T19:30:00.000Z", "event": "start"}\n'


@pytest.mark.parametrize(
    ("file", "text", "fault"),
    [
        ("plan.toml", "x", "plan.toml"),
        ("fit.json", "{", "fit.json is damaged"),
        ("datapackage.json", "", "datapackage.json is damaged"),
        ("fit.json", '{"coils": 1}', "fit.json is damaged (coils: a list is wanted)"),
        ("fit.json", '{"coils": [{"name": "B", "l_h": NaN}]}', "coils.0.l_h: a finite number is wanted"),
        (
            "fit.json",
            '{"coils": [{"name": "B", "onset": [{"f_hz": 5e6}]}]}',
            "coils.0.onset.0.measured_deg: is missing",
        ),
        ("fit.json", '{"coils": [{"name": "B", "advice": {"verdict": "sell"}}]}', "coils.0.advice.verdict"),
        ("datapackage.json", "[]", "datapackage.json is damaged (an object { } is wanted)"),
        ("datapackage.json", '{"resources": []}', "datapackage.json is damaged ($schema: is missing)"),
        ("shaft.json", "3", "shaft.json cannot be used"),
        ("shaft.json", '{"shaft": {"bow": [0.1]}}', "shaft.json cannot be used (shaft.bow"),
        ("calibrations/cable-changed.json", '{"time": "now"}', "cable-changed.json is damaged (time"),
        ("calibrations/c001/calibration.json", '{"made_at": 1}', "calibration.json is damaged (made_at"),
        ("log.jsonl", LOGGED + "not json\n", "log.jsonl, line 2"),
        ("log.jsonl", LOGGED + "[]\n", "log.jsonl, line 2: is not what a run writes there"),
        (
            "log.jsonl",
            LOGGED.replace("Z", ""),
            "line 1: is not what a run writes there (time: the time does not say UTC",
        ),
        ("onset.csv", "a,b\n", "onset.csv, line 1: this is not the table's header"),
        ("onset.csv", "reading,time,coil,recipe\n", "onset.csv, line 1: lacks the column dial"),
        ("sweeps/r1.s1p", "# Hz S RI R 50\n1 2\n", "sweeps/r1.s1p"),
        (
            "traces/r1.csv",
            "t_s,angle_deg,level_v,mark\n0,1,2,0\n1,x,2,0\n",
            "traces/r1.csv, line 3: angle_deg",
        ),
        ("traces/r1.csv", "t_s,angle_deg,level_v,mark\n0,1,2,0\n1,", "traces/r1.csv, line 3"),
    ],
)
def test_check_says_which_file(run: Run, file: str, text: str, fault: str) -> None:
    run("start", "s", "--example")
    Path("sessions/s", file).parent.mkdir(parents=True, exist_ok=True)
    Path("sessions/s", file).write_text(text, encoding="utf-8")
    code, out, err = run("check", "s")
    assert code == 1
    assert any(fault in line for line in out.splitlines() if line.startswith("fault: "))
    said = err.splitlines()[-1]
    assert fault in said
    assert said.endswith(".")
    assert ".." not in said


@pytest.mark.parametrize("file", ["onset.csv", "log.jsonl", "fit.json", "datapackage.json", "shaft.json"])
def test_a_folder_where_a_file_belongs_is_named_with_the_next_move(run: Run, file: str) -> None:
    run("start", "s", "--example")
    place = Path("sessions/s", file)
    place.unlink(missing_ok=True)
    place.mkdir()
    code, out, err = run("check", "s")
    assert code == 1
    assert "resonance.csv: 0 rows" in out
    said = err.splitlines()[-1]
    assert file in said
    assert any(move in said for move in ("Move the folder elsewhere.", "elete it"))


def test_bytes_that_are_no_table_are_said_once(run: Run) -> None:
    run("start", "s", "--example")
    Path("sessions/s/onset.csv").write_bytes(bytes(range(256)) * 4)
    code, _, err = run("check", "s")
    assert code == 1
    said = err.splitlines()[-1]
    assert said.endswith("Save the table as UTF-8, or take the line out and keep it elsewhere.")
    assert said.count("elsewhere") == 1


def test_a_calibration_that_was_broken_off_is_remarked(run: Run) -> None:
    run("start", "s", "--example")
    Path("sessions/s/calibrations/c001").mkdir(parents=True)
    code, out, _ = run("check", "s")
    assert code == 0
    assert "remark: calibrations/: 1 without calibration.json, such as c001; it was broken off" in out


def test_remarks_are_no_faults(run: Run) -> None:
    run("start", "s", "--example")
    Path("sessions/s/wiper.csv").unlink()
    with Path("sessions/s/onset.csv").open("a", encoding="utf-8") as stream:
        stream.write(GOOD + GOOD.replace(",B,,", ",Z,,") + GOOD.replace(",B,,", ",B,00000000,") + "r0001")
    code, out, _ = run("check", "s")
    assert code == 0
    for words in (
        "wiper.csv is not there",
        "reading r00001 is on line 2 too",
        '1 rows of a coil "Z"',
        "another recipe",
    ):
        assert words in out
    assert "onset.csv: the last line lacked its end" in out
    assert len(list(Path("sessions/s/log").iterdir())) == 1


def test_check_of_no_session(run: Run) -> None:
    code, out, err = run("check", "nothing")
    assert (code, out) == (1, "")
    assert "no session sessions/nothing" in err


def test_the_example_s_coils_start_in_the_window(run: Run) -> None:
    """The first set that a newcomer sees predicted, with the winding's own Q and with one of a real coil (70 % of it)."""
    assert run("start", "first", "--example")[0] == 0
    low, high = Session.open("first").plan.receiver.control.window_deg
    coils = json.loads(run("predict", "first", "--json")[1])["coils"]
    assert len(coils) == 2
    assert all(low < at["angle_deg"] < high for coil in coils for at in coil["onset"])
    q = ", ".join(f"[{at['f_hz']}, {at['q'] * 0.7}]" for at in coils[0]["onset"])
    poor = json.loads(run("predict", "first", "--json", "--set", f"coil.B.grid.q=[{q}]")[1])["coils"][0]
    assert all(low < at["angle_deg"] < high for at in poor["onset"])


def test_the_example_says_what_the_contract_allows() -> None:
    assert parse_plan(EXAMPLE.read_text(encoding="utf-8")).receiver.control.kind == "divider"


def test_a_coil_whose_name_could_leave_the_folder_is_a_fault(
    regenbench: Callable[..., tuple[int, str, str]], tmp_path: Path
) -> None:
    import shutil

    example = Path(__file__).parents[3] / "sessions" / "example"
    shutil.copytree(example, tmp_path / "s")
    table = tmp_path / "s" / "resonance.csv"
    table.write_text(table.read_text(encoding="utf-8").replace(",B,", ",../../x,"), encoding="utf-8")
    code, _, err = regenbench("check", str(tmp_path / "s"))
    assert code == 1
    assert "../../x" in err


def test_a_session_that_may_only_be_read(tmp_path: Path) -> None:
    """Whoever only looks is served; whoever would write is told why not and what to do, and nothing has changed."""
    import shutil

    place = tmp_path / "s"
    shutil.copytree(Path(__file__).parents[3] / "sessions" / "example", place)
    (place / "fit.json").unlink()
    before = {path: path.read_bytes() for path in place.rglob("*") if path.is_file()}
    onset = ("--coil", "B", "--at", "4.1MHz", "--direction", "onset", "--clock", "11:20")
    name = str(place)
    looks = [("check", name), ("dial", name), ("sidechecks", name)]
    writes = [("fit", name), ("withdraw", name, "r00010"), ("enter", name, "onset", *onset)]
    place.chmod(0o555)
    try:
        done = ordinary.regenbench(*looks, *writes)
    finally:
        place.chmod(0o755)
    for code, _, err in done[: len(looks)]:
        assert code == 0, err
    for code, out, err in done[len(looks) :]:
        assert (code, out) == (1, "")
        assert "may not be written. Change its permissions, or copy the session" in err.splitlines()[-1]
    assert before == {path: path.read_bytes() for path in place.rglob("*") if path.is_file()}
