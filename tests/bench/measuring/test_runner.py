"""What is still lacking, who is asked, what is recorded, and what a failing wire leaves behind."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from bench.measuring.bench import Bench
from bench.measuring.instruments import Instruments
from bench.measuring.kinds import Wanted
from bench.measuring.operator import ConsoleOperator, Stopped
from bench.measuring.progress import Reporter
from bench.measuring.runner import Runner
from bench.measuring.wanted import beyond_the_dial, lacking, still_wanted
from bench.plan.schema import parse_plan, recipe
from bench.session.checking import check_session
from bench.session.folder import Session
from drivers.errors import Misuse, TimedOut

PLAN = """
[receiver]
supply = "45 V"
gm = "0.7 mS"
rp = "20 kohm"
[receiver.tuning]
dial = [0, 100]
capacitance = ["150 pF", "15 pF"]
[receiver.control]
kind = "divider"
resistance = "5 kohm"
[receiver.feedback]
capacitor = "250 pF"
choke = "2 mH"
[[coil]]
name = "K"
grid = { turns = 20, diameter = "30 mm", length = "20 mm", wire = "0.5 mm" }
tickler = { turns = 6, gap = "2 mm", wire = "0.2 mm" }
dials = [0, 50, 100]
onset_at = ["5 MHz", "7 MHz"]
[readings]
repeats = 2
"""


class Keyboard:
    """Types prepared answers; keeps what was asked and said."""

    def __init__(self, answers: list[str]) -> None:
        self._answers: Iterator[str] = iter(answers)
        self.asked: list[str] = []
        self.said: list[str] = []

    def ask(self, prompt: str) -> str:
        self.asked.append(prompt)
        return next(self._answers)

    def operator(self, note: Callable[[str], None] = lambda text: None) -> ConsoleOperator:
        return ConsoleOperator(parse_plan(PLAN).receiver.control, self.ask, self.said.append, note=note)


def runner(session: Session, keyboard: Keyboard, instruments: Any = None) -> Runner:
    screen = Reporter(0)
    operator = keyboard.operator(screen.note)
    return Runner(Bench(session, operator, instruments or Instruments(session.plan), screen))


def row(**cells: Any) -> dict[str, Any]:
    plan = parse_plan(PLAN)
    common = {"coil": "K", "recipe": recipe(plan, "K"), "dial": None, "valve": "working", "antenna": "no"}
    return {**common, "added_c_f": None, "f0_hz": None, **cells}


def test_a_fresh_plan_lacks_everything() -> None:
    wanted = lacking(parse_plan(PLAN), {"resonance": [], "onset": []}, valve="working", antenna="no")
    assert [(w.kind, w.dial, w.f_hz) for w in wanted] == [
        ("resonance", 0.0, None),
        ("resonance", 50.0, None),
        ("resonance", 100.0, None),
        ("onset", None, 5e6),
        ("onset", None, 7e6),
    ]
    assert [w.rows for w in wanted[3:]] == [4, 4]


def test_known_capacitor_readings_are_asked_for_beside_the_plain_ones() -> None:
    plan = parse_plan(PLAN + 'added_capacitor = "100 pF"\n')
    wanted = lacking(
        plan, {"resonance": [row(dial=50.0, f0_hz=4e6)], "onset": []}, valve="working", antenna="no"
    )
    plain = [w.dial for w in wanted if w.kind == "resonance" and w.added_c_f is None]
    added = [w.dial for w in wanted if w.kind == "resonance" and w.added_c_f is not None]
    assert plain == [0.0, 100.0]
    assert added == [0.0, 50.0, 100.0]


def test_rows_of_another_recipe_or_antenna_do_not_count() -> None:
    plan = parse_plan(PLAN)
    rows = [
        row(dial=0.0),
        row(dial=50.0, recipe="deadbeef"),
        row(dial=100.0, antenna="yes"),
        row(dial=50.0, recipe=""),
    ]
    wanted = lacking(plan, {"resonance": rows[:3], "onset": []}, valve="working", antenna="no")
    assert [w.dial for w in wanted if w.kind == "resonance"] == [50.0, 100.0]
    wanted = lacking(plan, {"resonance": rows, "onset": []}, valve="working", antenna="no")
    assert [w.dial for w in wanted if w.kind == "resonance"] == [100.0]


def test_half_done_repeats_are_finished_and_a_never_is_an_answer() -> None:
    plan = parse_plan(PLAN)
    onset = [
        row(f_hz=5e6, direction="onset", angle_deg=120.0),
        row(f_hz=5e6, direction="drop-out", angle_deg=115.0),
        row(f_hz=7e6, direction="onset", angle_deg=None),
    ]
    wanted = lacking(plan, {"resonance": [], "onset": onset}, valve="working", antenna="no")
    assert [(w.f_hz, w.rows) for w in wanted if w.kind == "onset"] == [(5e6, 2)]


def test_with_no_instrument_the_session_is_a_notebook(tmp_path: Path) -> None:
    session = Session.create(tmp_path / "notebook", PLAN)
    wanted = still_wanted(session, ["resonance"], [], cold=False)
    keyboard = Keyboard(["", "", "", "3.9MHz", "", "49.5", "5200kc", "", "", "8.4 MHz"])
    with session.lock():
        recorded, left = runner(session, keyboard).run(wanted)
    assert (recorded, left) == (3, [])
    rows = session.rows("resonance")
    assert [(r["dial"], r["f0_hz"], r["method"]) for r in rows] == [
        (0.0, 3.9e6, "typed"),
        (49.5, 5.2e6, "typed"),
        (100.0, 8.4e6, "typed"),
    ]
    assert still_wanted(session, ["resonance"], [], cold=False) == []

    keyboard = Keyboard(["", "", "10:40", "10:20", "10:50", "10:30"])
    with session.lock():
        recorded, left = runner(session, keyboard).run(still_wanted(session, ["onset"], [], cold=False)[:1])
    assert recorded == 4
    onset = session.rows("onset")
    assert [r["direction"] for r in onset] == ["onset", "drop-out"] * 2
    # 300 degrees of travel, 12:00 in the middle, 30 degrees an hour (contract): 10:40 is 40 degrees short of 150.
    assert onset[0]["angle_deg"] == pytest.approx(110.0)
    assert onset[0]["angle_u_deg"] == 5.0


def typed(session: Session, answers: list[str], kind: str = "resonance") -> tuple[Keyboard, int, list[str]]:
    """Answers to a run with no instrument; what was asked and said, rows recorded, what was left out."""
    keyboard = Keyboard(answers)
    with session.lock():
        recorded, left = runner(session, keyboard).run(still_wanted(session, [kind], [], cold=False))
    return keyboard, recorded, left


def with_resonances(path: Path) -> Session:
    session = Session.create(path, PLAN)
    with session.lock():
        for dial, f0_hz in ((0.0, 4.0e6), (50.0, 5.5e6), (100.0, 8.0e6)):
            session.append("resonance", {"coil": "K", "dial": dial, "f0_hz": f0_hz, "method": "typed"})
    return session


def test_a_plan_that_is_changed_meanwhile_is_told_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    session = Session.create(tmp_path / "edited", PLAN)
    wanted = still_wanted(session, ["resonance"], [], cold=False)
    bench = Bench(session, Keyboard([]).operator(), Instruments(session.plan), Reporter(0))
    first, second, third = wanted
    with session.lock():
        bench.record(first, {"f0_hz": 3.9e6, "method": "typed"}, dial=first.dial)
        assert "plan.toml" not in capsys.readouterr().err
        (session.path / "plan.toml").write_text(PLAN.replace("turns = 6", "turns = 5"), encoding="utf-8")
        for item in (second, third):
            bench.record(item, {"f0_hz": 5.2e6, "method": "typed"}, dial=item.dial)
    said = " ".join(capsys.readouterr().err.split())
    assert (
        said.count("plan.toml was changed meanwhile. This run goes on with the plan that it began with") == 1
    )
    assert len({row["recipe"] for row in session.rows("resonance")}) == 1


def test_the_last_reading_can_be_withdrawn_and_is_taken_again(tmp_path: Path) -> None:
    session = Session.create(tmp_path / "withdrawn", PLAN)
    answers = ["", "", "", "3.3MHz", "w", "", "", "3.9MHz", "", "", "5.2MHz", "", "", "8.4MHz"]
    _, recorded, left = typed(session, answers)
    assert (recorded, left) == (3, [])
    assert [(r["dial"], r["f0_hz"]) for r in session.rows("resonance")] == [
        (0.0, 3.9e6),
        (50.0, 5.2e6),
        (100.0, 8.4e6),
    ]
    # The slip stays in the table, withdrawn.
    assert "true" in (session.path / "resonance.csv").read_text(encoding="utf-8")
    # With nothing on record there is nothing to withdraw, and that is said.
    other = Session.create(tmp_path / "nothing", PLAN)
    _, recorded, _ = typed(other, ["w", "", "", "", "3.9MHz", "s", "s"])
    assert recorded == 1


def test_a_reading_is_taken_again_from_its_beginning_and_leaves_no_half(tmp_path: Path) -> None:
    session = with_resonances(tmp_path / "redo")
    slip = ["", "", "10:40", "r"]
    whole = ["", "10:40", "10:20", "10:50", "10:30"]
    # The state of the set is known, so only the dial is asked for again.
    keyboard, recorded, left = typed(session, [*slip, *whole, "s"], "onset")
    assert recorded == 4
    assert len(left) == 1
    assert [r["angle_deg"] for r in session.rows("onset")] == pytest.approx([110.0, 100.0, 115.0, 105.0])
    assert "Pass 2 of 2" in keyboard.asked[-2]
    assert "s: leave out, q: stop" in keyboard.asked[-2]


def test_a_pause_lets_go_of_the_instruments_and_goes_on(tmp_path: Path) -> None:
    session = Session.create(tmp_path / "pause", PLAN)
    let_go: list[str] = []

    class Watched(Instruments):
        def reopen(self) -> None:
            let_go.append("now")

    keyboard = Keyboard(["", "", "p", "", "", "", "3.9MHz", "q"])
    with session.lock(), pytest.raises(Stopped):
        runner(session, keyboard, Watched(session.plan)).run(
            still_wanted(session, ["resonance"], [], cold=False)
        )
    assert let_go == ["now"]
    assert any(said.startswith("Paused before coil K: resonance at dial 0") for said in keyboard.said)
    assert [r["f0_hz"] for r in session.rows("resonance")] == [3.9e6]


def noted(session: Session) -> list[tuple[str, str]]:
    lines = [json.loads(line) for line in (session.path / "log.jsonl").read_text("utf-8").splitlines()]
    return [(line["reading"], line["text"]) for line in lines if line["event"] == "note"]


def test_a_note_goes_into_the_row_of_the_reading_in_hand(tmp_path: Path) -> None:
    session = Session.create(tmp_path / "noted", PLAN)
    first = ["", "n wind, set shaking", "NOTE twice", "", "", "3.9MHz"]
    answers = [*first, "n of the second", "s", "", "", "8.4MHz"]
    keyboard, recorded, _ = typed(session, answers)
    assert recorded == 2
    assert [(row["dial"], row["note"]) for row in session.rows("resonance")] == [
        (0.0, "wind, set shaking; twice"),
        (100.0, None),
    ]
    # What was noted of a reading without a row is in the log at least.
    assert noted(session) == [
        ("coil K: resonance at dial 0", "wind, set shaking"),
        ("coil K: resonance at dial 0", "twice"),
        ("coil K: resonance at dial 50", "of the second"),
    ]
    assert keyboard.said.count("  noted") == 3


def test_a_note_waits_for_its_own_reading_where_the_one_before_is_taken_again(tmp_path: Path) -> None:
    session = Session.create(tmp_path / "waits", PLAN)
    slip = ["", "", "", "3.3MHz", "n second", "w"]
    typed(session, [*slip, "", "", "3.9MHz", "", "", "5.2MHz", "s"])
    assert [(row["dial"], row["f0_hz"], row["note"]) for row in session.rows("resonance")] == [
        (0.0, 3.9e6, None),
        (50.0, 5.2e6, "second"),
    ]


def test_a_note_after_the_last_row_goes_into_that_row(tmp_path: Path) -> None:
    session = Session.create(tmp_path / "late", PLAN)
    screen = Reporter(0)

    class Late(Bench):
        def record(self, item: Wanted, cells: Mapping[str, Any], **more: Any) -> str:
            name = super().record(item, cells, **more)
            if item.dial == 50.0:
                screen.note("after the row")
            return name

    keyboard = Keyboard(["", "", "", "3.9MHz", "", "", "5.2MHz", "", "", "8.4MHz"])
    bench = Late(session, keyboard.operator(screen.note), Instruments(session.plan), screen)
    with session.lock():
        recorded, _ = Runner(bench).run(still_wanted(session, ["resonance"], [], cold=False))
    assert recorded == 3
    rows = session.rows("resonance")
    assert [(row["dial"], row["f0_hz"], row["note"]) for row in rows] == [
        (0.0, 3.9e6, None),
        (50.0, 5.2e6, "after the row"),
        (100.0, 8.4e6, None),
    ]
    # Rows are only ever appended (the contract): the row without the note is there still, withdrawn.
    text = (session.path / "resonance.csv").read_text("utf-8")
    assert text.count("5200000") == 2
    report = check_session(session.path)
    assert (report.faults, report.remarks) == ([], [])


def test_a_note_for_a_row_that_was_taken_out_by_hand_is_in_the_log(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    session = Session.create(tmp_path / "edited", PLAN)
    screen = Reporter(0)
    bench = Bench(session, Keyboard([]).operator(screen.note), Instruments(session.plan), screen)
    item = still_wanted(session, ["resonance"], [], cold=False)[0]
    with session.lock():
        bench.record(item, {"f0_hz": 3.9e6, "method": "typed"}, dial=item.dial)
        table = session.path / "resonance.csv"
        table.write_text(table.read_text("utf-8").splitlines(keepends=True)[0], "utf-8")
        screen.note("too late")
        bench.finish(item, 0)
    assert "in the log only" in capsys.readouterr().err
    assert noted(session) == [("coil K: resonance at dial 0", "too late")]
    assert session.rows("resonance") == []


def test_a_run_that_is_killed_between_the_row_and_its_copy_is_told_by_check(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    session = Session.create(tmp_path / "killed", PLAN)
    screen = Reporter(0)
    bench = Bench(session, Keyboard([]).operator(screen.note), Instruments(session.plan), screen)
    item = still_wanted(session, ["resonance"], [], cold=False)[0]

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    with session.lock():
        bench.record(item, {"f0_hz": 3.9e6, "method": "typed"}, dial=item.dial)
        screen.note("wind")
        with monkeypatch.context() as patch:
            patch.setattr(Session, "withdraw", killed)
            with pytest.raises(KeyboardInterrupt):
                bench.finish(item, 0)
    (told,) = check_session(session.path).remarks
    assert "reading r00002 is r00001 again but for its note" in told
    session.withdraw("resonance", "r00001")
    assert check_session(session.path).remarks == []


def test_never_can_be_typed_and_answers_the_frequency(tmp_path: Path) -> None:
    session = with_resonances(tmp_path / "never")
    _, recorded, _ = typed(session, ["", "", "never", "", "9:10", "never"], "onset")
    assert recorded == 3
    never, up, always = session.rows("onset")
    assert (never["direction"], never["angle_deg"], never["note"]) == (
        "onset",
        None,
        "no oscillation up to full travel",
    )
    assert up["angle_deg"] == pytest.approx(65.0)
    # Turned all the way back and it does not stop.
    assert (always["direction"], always["angle_deg"]) == ("onset", 0.0)
    assert still_wanted(session, [], [], cold=False) == []


def test_typed_approaches_that_disagree_are_told_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    session = with_resonances(tmp_path / "disagree")
    typed(session, ["", "", "10:40", "10:20", "11:30", "10:30", "s"], "onset")
    told = [line for line in capsys.readouterr().err.splitlines() if "disagree" in line]
    # 25 degrees apart; 5 degrees each leave 14 for two of their combined uncertainties.
    assert len(told) == 1
    assert "starts at 11:30 now, at 10:40 before" in told[0]


def test_readings_left_out_are_counted(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    session = Session.create(tmp_path / "count", PLAN)
    wanted = still_wanted(session, ["resonance"], [], cold=False)
    keyboard = Keyboard(["s", "", "", "", "5.2MHz", "", "", "8.4MHz"])
    with session.lock():
        Runner(Bench(session, keyboard.operator(), Instruments(session.plan), Reporter(len(wanted)))).run(
            wanted
        )
    assert "[2/3, 1 left out]" in capsys.readouterr().err


def test_the_first_instruction_says_where_the_known_capacitor_is(tmp_path: Path) -> None:
    session = Session.create(tmp_path / "capacitor", PLAN)
    keyboard, _, _ = typed(session, ["s", "s", "s"])
    assert "nown capacitor off" in keyboard.asked[0]


def test_another_known_capacitor_or_a_drop_out_at_the_stop_is_no_answer() -> None:
    plan = parse_plan(PLAN + 'added_capacitor = "100 pF"\n')
    rows = [row(dial=0.0, f0_hz=4e6, added_c_f=c) for c in (47e-12, 100e-12)]
    wanted = lacking(plan, {"resonance": rows[:1], "onset": []}, valve="working", antenna="no")
    assert sum(w.added_c_f is not None for w in wanted) == 3
    wanted = lacking(plan, {"resonance": rows, "onset": []}, valve="working", antenna="no")
    assert sum(w.added_c_f is not None for w in wanted) == 2
    stopped = [
        row(f_hz=5e6, direction="onset", angle_deg=20.0),
        row(f_hz=5e6, direction="drop-out", angle_deg=0.0),
    ]
    wanted = lacking(plan, {"resonance": [], "onset": stopped}, valve="working", antenna="no")
    assert [(w.f_hz, w.rows) for w in wanted if w.kind == "onset"] == [(5e6, 2), (7e6, 4)]


def test_one_share_says_what_is_the_same_frequency_for_the_plan_and_for_the_fit() -> None:
    import pandas as pd

    from bench.fit import selection

    plan = parse_plan(PLAN)
    for off, same in ((0.004, True), (0.008, False)):
        rows = [
            row(
                f_hz=5e6 * k,
                direction=way,
                angle_deg=angle,
                angle_u_deg=1.0,
                method="level",
                reading=f"r{k}{way}",
            )
            for k in (1.0, 1.0 + off)
            for way, angle in (("onset", 120.0), ("drop-out", 115.0))
        ]
        wanted = lacking(plan, {"resonance": [], "onset": rows}, valve="working", antenna="no")
        # Two repeats are wanted: the second row is one of them, or of another frequency.
        assert any(w.f_hz == 5e6 and w.kind == "onset" for w in wanted) is not same
        tidied = selection.tidy({"onset": pd.DataFrame(rows)}, "onset", selection.ONSET)
        assert len(selection.onsets_of(plan, tidied, "K").points) == (1 if same else 2)


def test_a_level_from_another_board_than_the_angle_s_is_refused_by_name(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    boards = """
[instruments.angle]
driver = "sensor"
port = "one"
[instruments.level]
driver = "sensor"
port = "two"
"""
    instruments = Instruments(parse_plan(PLAN + boards))

    class Board:
        def identify(self) -> str:
            return "test board"

        def close(self) -> None:
            return None

    monkeypatch.setattr("drivers.registry.open_instrument", lambda role, config: Board())
    with pytest.raises(Misuse, match="another board") as refused:
        instruments.sensor()
    assert "two" in str(refused.value)


def test_a_wire_that_will_not_close_is_told(tmp_path: Path) -> None:
    session = Session.create(tmp_path / "stuck", PLAN)
    instruments, told = Instruments(session.plan), list[str]()

    class Stuck:
        def close(self) -> None:
            raise TimedOut("the output may still be on.", port="test port", hint="Switch it off by hand.")

    instruments._open["generator", "test port"] = Stuck()
    instruments.tell = told.append
    instruments.reopen()
    assert "may still be on" in told[0]
    assert instruments._open == {}


def test_what_cannot_be_read_is_asked_again_and_s_leaves_out(tmp_path: Path) -> None:
    session = Session.create(tmp_path / "skips", PLAN)
    wanted = still_wanted(session, ["resonance"], [], cold=False)
    keyboard = Keyboard(["", "", "", "4", "4.0MHz", "s", "", "", "8MHz"])
    with session.lock():
        recorded, left = runner(session, keyboard).run(wanted)
    assert recorded == 2
    assert len(left) == 1
    assert "dial 50" in left[0]
    assert any("4MHz" in said or "unit" in said or "3.5" in said for said in keyboard.said)


def test_q_stops_and_keeps_what_was_recorded(tmp_path: Path) -> None:
    session = Session.create(tmp_path / "stops", PLAN)
    keyboard = Keyboard(["", "", "", "4.0MHz", "q"])
    with session.lock(), pytest.raises(Stopped):
        runner(session, keyboard).run(still_wanted(session, ["resonance"], [], cold=False))
    assert len(session.rows("resonance")) == 1


class DeadWire:
    """Instruments whose analyzer never answers; counts how often it is opened afresh."""

    by_level = False

    def __init__(self) -> None:
        self.reopened = 0

    def has(self, role: str) -> bool:
        return role == "analyzer"

    def analyzer(self) -> Any:
        raise TimedOut("no answer in 3 s.", port="test port", hint="Check the cable.")

    def raw(self) -> bool:
        return False

    def reopen(self) -> None:
        self.reopened += 1


def test_a_dead_wire_is_tried_three_times_then_the_operator_is_asked(tmp_path: Path) -> None:
    session = Session.create(tmp_path / "dead", PLAN)
    wire = DeadWire()
    keyboard = Keyboard(["q"])
    with session.lock(), pytest.raises(Stopped):
        runner(session, keyboard, wire).run(still_wanted(session, ["resonance"], [], cold=False))
    assert wire.reopened == 3
    assert "failed 3 times" in keyboard.said[-1]
    assert "Check the cable" in keyboard.said[-1]
    assert session.rows("resonance") == []
    keyboard = Keyboard(["s", "s", "s"])
    with session.lock():
        recorded, left = runner(session, keyboard, wire).run(
            still_wanted(session, ["resonance"], [], cold=False)
        )
    assert recorded == 0
    assert len(left) == 3
    assert session.rows("resonance") == []


def test_a_frequency_beyond_the_dial_is_told_and_not_asked_for(tmp_path: Path) -> None:
    session = Session.create(tmp_path / "beyond", PLAN)
    with session.lock():
        for dial, f0_hz in ((0.0, 4.0e6), (50.0, 5.0e6), (100.0, 6.0e6)):
            session.append("resonance", {"coil": "K", "dial": dial, "f0_hz": f0_hz, "method": "typed"})
    assert [w.f_hz for w in still_wanted(session, [], [], cold=False)] == [5e6]
    (told,) = beyond_the_dial(session, [], cold=False)
    assert "7" in told
    assert "the dial ends at 6" in told


def test_the_first_instruction_keeps_the_coil_s_name(tmp_path: Path) -> None:
    session = Session.create(tmp_path / "names", PLAN)
    keyboard = Keyboard(["", "", "", "3.9MHz"])
    with session.lock():
        runner(session, keyboard).run(still_wanted(session, ["resonance"], [], cold=False)[:1])
    assert keyboard.asked[0].startswith("Plug in coil K;")
    # Q and f0 of the table hold with the control at 0, also where they are typed (contract).
    assert "fully back" in keyboard.asked[1]


def test_a_level_of_its_own_is_used_and_another_boards_is_refused(tmp_path: Path) -> None:
    from scipy.io import wavfile

    from drivers.errors import Misuse
    from drivers.paired import PairedSensor

    wavfile.write(tmp_path / "set.wav", 16000, np.zeros(16000, np.int16))
    angle = '[instruments.angle]\ndriver = "sensor"\nport = "here"\n'
    sound = '[instruments.level]\ndriver = "sound"\nfile = "set.wav"\n'
    board: Any = object()
    for level, kind in (
        (sound, PairedSensor),
        ('[instruments.level]\ndriver = "sensor"\nport = "here"\n', object),
    ):
        instruments = Instruments(parse_plan(PLAN + angle + level), folder=tmp_path)
        instruments._open["sensor", "here"] = board
        assert type(instruments.sensor()) is kind
    instruments = Instruments(
        parse_plan(PLAN + angle + '[instruments.level]\ndriver = "sensor"\nport = "there"\n')
    )
    instruments._open["sensor", "here"] = instruments._open["sensor", "there"] = board
    with pytest.raises(Misuse, match="another board"):
        instruments.sensor()


def test_a_folder_of_sweeps_speaks_through_the_screen(tmp_path: Path) -> None:
    from drivers.folder import FolderAnalyzer

    (tmp_path / "card").mkdir()
    plan = parse_plan(PLAN + '[instruments.analyzer]\ndriver = "folder"\npath = "card"\n')
    instruments = Instruments(plan, folder=tmp_path)
    said: list[str] = []
    instruments.tell = said.append
    analyzer = instruments.analyzer()
    assert isinstance(analyzer, FolderAnalyzer)
    analyzer.tell("sweep now")
    assert said == ["sweep now"]
