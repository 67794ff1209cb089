"""The session folder: what is in it, that nothing recorded is ever lost, and that other programs can read it."""

from __future__ import annotations

import csv
import json
import os
import random
import re
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import frictionless
import numpy as np
import pytest
import skrf

from bench.errors import PlanError, SessionError
from bench.plan.schema import recipe
from bench.session import disk
from bench.session.checking import check_session
from bench.session.folder import LOCK, Session
from bench.session.place import find
from bench.session.tables import TABLES

PLAN = (Path(__file__).parents[3] / "bench" / "plan" / "example.toml").read_text(encoding="utf-8")
RESONANCE = {
    "coil": "B",
    "dial": 20.0,
    "valve": "working",
    "antenna": "no",
    "f0_hz": 3.5124e6,
    "f0_u_hz": 12.0,
    "q": 110.5,
}
ONSET = {
    "coil": "B",
    "f_hz": 3.4e6,
    "direction": "onset",
    "angle_deg": 130.0,
    "angle_u_deg": 1.5,
    "method": "level",
}


@pytest.fixture
def session(tmp_path: Path) -> Session:
    return Session.create(tmp_path / "evening", PLAN)


def lines(path: Path) -> list[str]:
    return path.read_text(encoding="utf-8").splitlines()


def test_the_folder_of_the_contract(session: Session) -> None:
    assert {path.name for path in session.path.iterdir()} >= {
        *("plan.toml", "resonance.csv", "onset.csv", "curve.csv", "body.csv", "wiper.csv"),
        *("sweeps", "traces", "log.jsonl", "datapackage.json"),
    }  # fmt: skip
    assert (session.path / "plan.toml").read_text(encoding="utf-8") == PLAN
    assert session.name == "evening"
    for table in TABLES.values():
        assert lines(session.path / table.file) == [",".join(table.header)]


def test_rows_are_filled_in_and_read_back(session: Session) -> None:
    name = session.append("resonance", {**RESONANCE, "note": "=2+3"})
    again = Session.open(session.path)
    for opened in (session, again):
        (row,) = opened.rows("resonance")
        assert (row["reading"], row["coil"], row["f0_hz"], row["note"]) == (name, "B", 3.5124e6, "=2+3")
        assert row["recipe"] == recipe(session.plan, "B")
        assert re.fullmatch(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z", row["time"])
        assert row["beta"] is None
        frame = opened.frame("resonance")
        assert frame["q"].tolist() == [110.5]
        assert np.isnan(frame["beta"].iloc[0])
    # LF line ends, formula-like text harmless, unknown empty: as an independent reader sees the file
    raw = (session.path / "resonance.csv").read_bytes()
    assert b"\r" not in raw
    (cells,) = csv.DictReader(raw.decode("utf-8").splitlines())
    assert (cells["note"], cells["beta"], cells["withdrawn"]) == ("'=2+3", "", "")


def test_the_clock_is_handed_in(tmp_path: Path) -> None:
    moment = datetime(2026, 1, 31, 19, 30, 0, 123000, tzinfo=UTC)
    session = Session.create(tmp_path / "s", PLAN, now=lambda: moment)
    session.append("onset", ONSET)
    assert session.rows("onset")[0]["time"] == "2026-01-31T19:30:00.123Z"
    assert json.loads(lines(session.path / "log.jsonl")[0]) == {
        "time": "2026-01-31T19:30:00.123Z",
        "event": "start",
    }


def test_names_of_readings_are_never_used_twice(session: Session) -> None:
    first = session.append("resonance", RESONANCE)
    second = session.append("onset", ONSET)
    # a sweep whose row was never written, as kill -9 leaves it
    (session.path / "sweeps" / "r00007.s1p").write_text("", encoding="utf-8")
    third = Session.open(session.path).next_reading()
    assert (first, second, third) == ("r00001", "r00002", "r00008")


def test_withdrawing_a_reading(session: Session) -> None:
    name = session.append("resonance", RESONANCE)
    kept = session.append("resonance", {**RESONANCE, "dial": 40.0})
    session.rows("resonance")
    session.withdraw("resonance", name)
    assert [row["reading"] for row in session.rows("resonance")] == [kept]
    assert session.frame("resonance")["reading"].tolist() == [kept]
    last = next(
        csv.DictReader([lines(session.path / "resonance.csv")[0], lines(session.path / "resonance.csv")[-1]])
    )
    assert {key for key, cell in last.items() if cell} == {"reading", "time", "withdrawn"}
    with pytest.raises(SessionError, match="no reading 'r9'"):
        session.withdraw("resonance", "r9")


@pytest.mark.parametrize(
    ("table", "row", "says"),
    [
        ("resonance", {**RESONANCE, "colour": "red"}, "no column 'colour'"),
        ("resonance", {**RESONANCE, "f0_hz": float("inf")}, "f0_hz"),
        ("onset", {**ONSET, "direction": "up"}, "direction"),
    ],
)
def test_wrong_rows_are_not_recorded(session: Session, table: str, row: dict[str, object], says: str) -> None:
    with pytest.raises(SessionError, match=says):
        session.append(table, row)
    assert session.rows(table) == []


def test_a_row_of_no_coil_of_the_plan(session: Session) -> None:
    with pytest.raises(PlanError, match='no coil "X"'):
        session.append("resonance", {**RESONANCE, "coil": "X"})


def test_raw_files_as_others_read_them(session: Session) -> None:
    f_hz = np.linspace(3e6, 4e6, 11)
    s11 = 0.9 * np.exp(1j * np.linspace(0, 1, 11))
    sweep = session.save_sweep("r00001", f_hz, s11, ["coil B"])
    network = skrf.Network(str(session.path / sweep))
    np.testing.assert_allclose(network.f, f_hz, rtol=1e-12)
    np.testing.assert_allclose(network.s[:, 0, 0], s11, rtol=1e-12)
    trace = session.save_trace("r00002", [0.0, 0.01], [10.0, 10.5], [1e-3, float("nan")], [False, True])
    assert lines(session.path / trace) == ["t_s,angle_deg,level_v,mark", "0,10,0.001,0", "0.01,10.5,,1"]
    # the same name again never writes over what is there
    assert session.save_trace("r00002", [0.0], [1.0], [2.0], [False]) != trace
    with pytest.raises(SessionError, match="cannot name a file"):
        session.save_trace("../evil", [0.0], [1.0], [2.0], [False])


def test_fit_is_written_whole_and_nan_is_null(session: Session) -> None:
    assert session.read_fit() is None
    said = {"coils": [], "a": float("nan"), "b": [np.float64(1.5), np.inf], "c": np.arange(2), "d": None}
    session.write_fit(said)
    assert session.read_fit() == {"coils": [], "a": None, "b": [1.5, None], "c": [0, 1], "d": None}
    (session.path / "fit.json").write_text("{", encoding="utf-8")
    with pytest.raises(SessionError, match="Delete it and run `regenbench fit` again"):
        session.read_fit()


# Opening and making


def test_a_fit_that_says_the_same_stays_as_it_is_and_counts_as_made_now(session: Session) -> None:
    first = {
        "made_at": "2026-01-01T00:00:00.000Z",
        "coils": [{"name": "B", "l_h": 2.2e-5, "in_window": True}],
    }
    session.write_fit(first)
    path = session.path / "fit.json"
    before = path.read_bytes()
    os.utime(path, (1e9, 1e9))
    again = {
        "made_at": "2026-02-02T00:00:00.000Z",
        "coils": [{"name": "B", "l_h": 2.2e-5 * (1 + 1e-13), "in_window": True}],
    }
    assert session.write_fit(again) == first
    assert path.read_bytes() == before
    assert path.stat().st_mtime > 1e9
    other = {
        "made_at": "2026-02-02T00:00:00.000Z",
        "coils": [{"name": "B", "l_h": 2.2e-5 * (1 + 1e-6), "in_window": True}],
    }
    assert session.write_fit(other) == other == session.read_fit()


def test_creating_is_whole_or_not_at_all(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(PlanError):
        Session.create(tmp_path / "s", "nonsense")

    def fail(*_: object, **__: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patched:
        patched.setattr(Path, "rename", fail)
        with pytest.raises(SessionError, match="disk is full"):
            Session.create(tmp_path / "s", PLAN)
    assert list(tmp_path.iterdir()) == []
    Session.create(tmp_path / "s", PLAN)
    with pytest.raises(SessionError, match="there already"):
        Session.create(tmp_path / "s", PLAN)


def test_not_a_session(tmp_path: Path) -> None:
    Session.create(tmp_path / "evening", PLAN)
    with pytest.raises(SessionError, match=r"no session .*evenin\. Did you mean .*evening"):
        Session.open(tmp_path / "evenin")
    (tmp_path / "empty").mkdir()
    with pytest.raises(SessionError, match=r"not a session folder: it has no plan\.toml"):
        Session.open(tmp_path / "empty")
    (tmp_path / "file").write_text("", encoding="utf-8")
    with pytest.raises(SessionError, match="no session"):
        Session.open(tmp_path / "file")


def test_bare_names_live_under_sessions(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    assert Session.create("first evening", PLAN).path == Path("sessions/first evening")
    assert Session.open("first evening").path == Path("sessions/first evening")
    assert find("./here") == Path("here")
    assert find("new/../old") == Path("old")
    Session.create("./beside", PLAN)
    assert find("beside") == Path("beside")
    for name in (".hidden", "-option", "a:b", "a*", "x" * 81, "", " pad", "a\nb", "a\\b"):
        with pytest.raises(SessionError, match="cannot be a session's name"):
            find(name)


def test_made_elsewhere(tmp_path: Path) -> None:
    folder = tmp_path / "elsewhere"
    folder.mkdir()
    (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
    header = "reading,time,coil,recipe,dial,valve,antenna," + ",".join(TABLES["resonance"].header[7:])
    (folder / "resonance.csv").write_text(f"{header}\n1,,B,,20,,,3.5e6,,,,,,,,typed,,,\n", encoding="utf-8")
    session = Session.open(folder)
    (row,) = session.rows("resonance")
    assert (row["recipe"], row["f0_hz"]) == (None, 3.5e6)
    assert session.rows("onset") == []
    assert len(session.frame("wiper")) == 0
    assert session.append("onset", ONSET) == "r00001"
    assert (folder / "datapackage.json").exists()


def test_columns_added_by_hand_stay(session: Session) -> None:
    path = session.path / "resonance.csv"
    path.write_text(path.read_text(encoding="utf-8").replace(",note\n", ",note,humidity\n"), encoding="utf-8")
    session.append("resonance", RESONANCE)
    assert lines(path)[1].count(",") == len(TABLES["resonance"].header)
    package = json.loads((session.path / "datapackage.json").read_text(encoding="utf-8"))
    fields = next(r for r in package["resources"] if r["name"] == "resonance")["schema"]["fields"]
    assert fields[-1]["name"] == "humidity"


def test_a_table_that_lacks_a_column_refuses_what_belongs_there(session: Session) -> None:
    path = session.path / "resonance.csv"
    path.write_text(",".join(c for c in TABLES["resonance"].header if c != "q") + "\n", encoding="utf-8")
    with pytest.raises(SessionError, match="has no column 'q'"):
        session.append("resonance", RESONANCE)
    session.append("resonance", {**RESONANCE, "q": None})
    assert session.rows("resonance")[0]["q"] is None


def test_a_table_of_the_contract_alone_is_whole_and_takes_rows(session: Session) -> None:
    path = session.path / "onset.csv"
    path.write_text(",".join(TABLES["onset"].expected) + "\n", encoding="utf-8")
    session.append("onset", {**ONSET, "jump_v": 0.5, "jump_u_v": 0.01})
    (row,) = session.rows("onset")
    assert (row["angle_deg"], row["jump_v"]) == (ONSET["angle_deg"], None)
    assert session.lacks("onset") == []
    report = check_session(session.path)
    assert not [said for said in [*report.faults, *report.remarks] if "onset.csv" in said]
    fields = json.loads((session.path / "datapackage.json").read_text(encoding="utf-8"))["resources"]
    names = next([f["name"] for f in r["schema"]["fields"]] for r in fields if r["name"] == "onset")
    assert names == list(TABLES["onset"].expected)


def test_a_row_of_the_contract_alone_is_whole(session: Session) -> None:
    path = session.path / "onset.csv"
    with path.open("a", encoding="utf-8") as stream:
        stream.write("r00001,,B,,20,,,3.5e6,onset,130,5,typed,,,\n")
    session.append("onset", {**ONSET, "jump_v": 0.5, "jump_u_v": 0.01})
    assert [(row["angle_deg"], row["jump_v"]) for row in session.rows("onset")] == [
        (130.0, None),
        (ONSET["angle_deg"], 0.5),
    ]
    with path.open("a", encoding="utf-8") as stream:
        stream.write("r00003,,B,,20,,,3.5e6,onset,130,5,typed,,\n")
    with pytest.raises(SessionError, match="line 4: has 14 cells, the header 19"):
        Session.open(session.path).rows("onset")


def test_damaged_rows_stop_reading_and_recording(session: Session) -> None:
    session.append("resonance", RESONANCE)
    path = session.path / "resonance.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("3512400", "abc"), encoding="utf-8")
    before = path.read_bytes()
    for use in (session.frame, session.rows, lambda table: session.append(table, RESONANCE)):
        with pytest.raises(
            SessionError, match=r"resonance\.csv, line 2: f0_hz: 'abc' is not a number.*Correct the line"
        ):
            use("resonance")
    assert path.read_bytes() == before


def test_edits_by_hand_are_seen(session: Session) -> None:
    session.append("resonance", RESONANCE)
    session.rows("resonance")
    path = session.path / "resonance.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("3512400", "3600000.5"), encoding="utf-8")
    assert session.rows("resonance")[0]["f0_hz"] == 3600000.5


def test_a_whole_last_line_without_its_end_is_kept(session: Session) -> None:
    session.append("resonance", {**RESONANCE, "note": "kept"})
    path = session.path / "resonance.csv"
    path.write_bytes(path.read_bytes().removesuffix(b"\n"))
    again = Session.open(session.path)
    assert again.rows("resonance")[0]["note"] == "kept"
    again.append("resonance", {**RESONANCE, "dial": 40.0})
    assert [row["dial"] for row in Session.open(session.path).rows("resonance")] == [20.0, 40.0]


# Crashes


def test_a_line_cut_anywhere_loses_only_itself(session: Session) -> None:
    session.append("resonance", RESONANCE)
    path = session.path / "resonance.csv"
    whole = path.read_bytes()
    session.append("resonance", {**RESONANCE, "dial": 40.0, "note": 'say "so", Ω'})
    both = path.read_bytes()
    for length in range(len(whole) + 1, len(both)):
        path.write_bytes(both[:length])
        for old in (session.path / "log").glob("*.torn"):
            old.unlink()
        rows = Session.open(session.path).rows("resonance")
        assert rows[0]["dial"] == 20.0
        torn = (
            list((session.path / "log").glob("resonance-*.torn")) if (session.path / "log").exists() else []
        )
        if len(rows) == 1:
            assert path.read_bytes() == whole
            assert [file.read_bytes() for file in torn] == [both[len(whole) : length]]
        else:
            # only the note may be short: everything measured was there
            assert (rows[1]["dial"], rows[1]["f0_hz"], rows[1]["q"]) == (40.0, 3.5124e6, 110.5)
            assert torn == []
            assert path.read_bytes() == both[:length] + b"\n"


def test_zeros_at_the_end_are_moved_aside(session: Session) -> None:
    # what a file system may leave after a power cut: the length without the data
    session.append("resonance", RESONANCE)
    path = session.path / "resonance.csv"
    whole = path.read_bytes()
    path.write_bytes(whole + bytes(300))
    assert len(Session.open(session.path).rows("resonance")) == 1
    assert path.read_bytes() == whole


def test_a_torn_log_is_mended(session: Session) -> None:
    with (session.path / "log.jsonl").open("ab") as stream:
        stream.write(b'{"time": "2026')
    Session.open(session.path).log("after")
    events = [json.loads(line)["event"] for line in lines(session.path / "log.jsonl")]
    assert events[0] == "start"
    assert events[-1] == "after"


WRITER = """
import sys
from bench.session.folder import Session
session = Session.open(sys.argv[1])
with session.lock():
    print("ready", flush=True)
    number = 0
    while True:
        number += 1
        reading = session.next_reading()
        sweep = session.save_sweep(reading, [1e6, 2e6], [0.5, 0.25j], [])
        session.append("resonance", {"reading": reading, "coil": "B", "dial": number % 100, "f0_hz": 3e6 + number,
                                     "method": "reflection", "sweep": sweep, "note": "x" * (number % 50)})
        print(reading, flush=True)
"""


@pytest.fixture
def writer(session: Session) -> Iterator[subprocess.Popen[str]]:
    process = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(session.path)], stdout=subprocess.PIPE, text=True
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "ready\n"
    yield process
    process.kill()
    process.communicate()


@pytest.mark.skipif(sys.platform == "win32", reason="needs kill -9")
def test_kill_loses_no_acknowledged_row(session: Session) -> None:
    dice = random.Random(7)
    acknowledged: list[str] = []
    for _ in range(4):
        process = subprocess.Popen(
            [sys.executable, "-c", WRITER, str(session.path)], stdout=subprocess.PIPE, text=True
        )
        assert process.stdout is not None
        assert process.stdout.readline() == "ready\n"
        acknowledged += [process.stdout.readline().strip() for _ in range(dice.randint(1, 6))]
        time.sleep(dice.uniform(0.0, 0.02))
        process.send_signal(signal.SIGKILL)
        acknowledged += re.findall(r"(r\d{5})\n", process.communicate()[0])
        rows = Session.open(session.path).rows("resonance")
        readings = [row["reading"] for row in rows]
        assert set(acknowledged) <= set(readings)
        assert len(set(readings)) == len(readings)
        assert all((session.path / row["sweep"]).is_file() for row in rows)


# Two at once


def test_a_second_run_is_refused_and_told_by_whom(session: Session, writer: subprocess.Popen[str]) -> None:
    assert writer.stdout is not None
    writer.stdout.readline()
    before = len(Session.open(session.path).rows("resonance"))
    assert before >= 1
    with pytest.raises(SessionError) as problem, session.lock():
        pass
    message = str(problem.value)
    assert f"process {writer.pid}" in message
    assert "Wait until it ends" in message
    with pytest.raises(SessionError, match="is held by"):
        session.append("onset", ONSET)
    assert session.rows("onset") == []
    writer.kill()
    writer.wait()
    assert session.append("onset", ONSET)


def test_reading_while_another_writes_never_sees_half_a_row(
    session: Session, writer: subprocess.Popen[str]
) -> None:
    until = time.monotonic() + 1.0
    seen = 0
    while time.monotonic() < until:
        rows = Session.open(session.path).rows("resonance")
        assert len(rows) >= seen
        seen = len(rows)
    assert seen > 3


def test_a_line_another_run_is_writing_is_left_alone(session: Session, writer: subprocess.Popen[str]) -> None:
    os.kill(writer.pid, signal.SIGSTOP)
    path = session.path / "onset.csv"
    with path.open("ab") as stream:
        stream.write(b"r77777,2026-01-31T")
    before = path.read_bytes()
    assert Session.open(session.path).rows("onset") == []
    assert path.read_bytes() == before


def test_locks_nest(session: Session) -> None:
    with session.lock():
        with session.lock():
            session.append("resonance", RESONANCE)
        session.append("resonance", RESONANCE)
    assert (session.path / LOCK).exists()
    assert not (session.path / ".session.holder").exists()


# When the disk fails


LIMITED = """
import resource, sys
from bench.errors import SessionError
from bench.session.folder import Session
session = Session.open(sys.argv[1])
path = session.path / "resonance.csv"
with session.lock():
    limit = path.stat().st_size + 30
    resource.setrlimit(resource.RLIMIT_FSIZE, (limit, resource.RLIM_INFINITY))
    try:
        session.append("resonance", {"coil": "B", "f0_hz": 3e6, "method": "typed"})
    except SessionError as problem:
        print(problem)
    resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
"""


@pytest.mark.skipif(sys.platform == "win32", reason="needs a limit on the size of files")
def test_a_row_that_does_not_fit_leaves_the_table_as_it_was(session: Session) -> None:
    for dial in range(30):
        session.append("resonance", {**RESONANCE, "dial": float(dial)})
    before = (session.path / "resonance.csv").read_bytes()
    done = subprocess.run(
        [sys.executable, "-c", LIMITED, str(session.path)],
        capture_output=True,
        text=True,
        check=True,
        timeout=60,
    )
    # the kernel really took the first 30 bytes and then refused: nothing of them may stay
    assert "resonance.csv: " in done.stdout
    assert "recorded before is kept" in done.stdout
    assert (session.path / "resonance.csv").read_bytes() == before


@pytest.mark.parametrize(
    ("number", "says"), [(28, "disk is full"), (30, "read-only"), (13, "may not be written")]
)
def test_a_failing_disk_in_plain_words(
    session: Session, monkeypatch: pytest.MonkeyPatch, number: int, says: str
) -> None:
    session.append("resonance", RESONANCE)
    before = (session.path / "resonance.csv").read_bytes()

    def fail(*_: object) -> int:
        raise OSError(number, os.strerror(number))

    with session.lock(), monkeypatch.context() as patched:
        patched.setattr(disk.os, "write", fail)
        for use in (
            lambda: session.append("resonance", RESONANCE),
            lambda: session.write_fit({}),
            lambda: session.save_trace("r9", [0.0], [0.0], [0.0], [False]),
            lambda: session.log("x"),
        ):
            with pytest.raises(SessionError, match=says):
                use()
    assert (session.path / "resonance.csv").read_bytes() == before
    assert not list(session.path.glob("**/.part-*"))
    assert len(Session.open(session.path).rows("resonance")) == 1


# For others


def filled(session: Session) -> None:
    f_hz = np.linspace(3e6, 4e6, 3)
    with session.lock():
        for number in range(3):
            sweep = session.save_sweep(session.next_reading(), f_hz, np.zeros(3), [])
            name = session.append(
                "resonance", {**RESONANCE, "dial": float(number), "sweep": sweep, "note": '=a "b", c'}
            )
        session.withdraw("resonance", name)
        session.append("onset", ONSET)
        session.append("onset", {**ONSET, "angle_deg": None, "direction": "drop-out"})
        session.append("curve", {"coil": "B", "angle_deg": 50.0, "f_hz": 3e6, "q": 150.0})
        session.append(
            "body", {"coil": "B", "position": "hand at the panel", "f0_hz": 3e6, "shift_hz": -250.0}
        )
        session.append("wiper", {"coil": "B", "rest_v": 1e-3, "moving_v": 2e-3, "ratio_db": 6.02})


def test_frictionless_finds_the_package_valid(session: Session) -> None:
    filled(session)
    report = frictionless.validate(str(session.path / "datapackage.json"))
    assert report.valid, report.flatten(["rowNumber", "fieldName", "type", "message"])
    assert {task.name for task in report.tasks} == set(TABLES)
    package = frictionless.Package(str(session.path / "datapackage.json"))
    rows = package.get_resource("resonance").read_rows()
    assert rows[0]["f0_hz"] == 3512400
    assert rows[3]["withdrawn"] is True


def test_frictionless_would_find_damage(session: Session) -> None:
    # the check above can fail: the schema, not the reader's guess, says what a cell may be
    filled(session)
    path = session.path / "onset.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("drop-out", "upwards"), encoding="utf-8")
    assert not frictionless.validate(str(session.path / "datapackage.json")).valid


def test_package_of_the_second_version(session: Session) -> None:
    package = json.loads((session.path / "datapackage.json").read_text(encoding="utf-8"))
    # Data Package 2.0, https://datapackage.org/standard/data-package/ and /table-schema/
    assert package["$schema"] == "https://datapackage.org/profiles/2.0/datapackage.json"
    assert re.fullmatch("[-a-z0-9._/]+", package["name"])
    for resource in package["resources"]:
        assert resource["type"] == "table"
        for field in resource["schema"]["fields"]:
            assert field["description"]
            if field["type"] == "number":
                assert field["unit"]
    resonance = {f["name"]: f for f in package["resources"][0]["schema"]["fields"]}
    assert resonance["method"]["constraints"]["enum"] == ["reflection", "level", "typed"]
    assert resonance["added_c_f"]["unit"] == "F"


def test_many_rows(session: Session) -> None:
    name = session.append("resonance", RESONANCE)
    path = session.path / "resonance.csv"
    row = lines(path)[1]
    with path.open("a", encoding="utf-8") as stream:
        stream.writelines(row.replace(name, f"r{number:05d}", 1) + "\n" for number in range(2, 20_001))
    frame = Session.open(session.path).frame("resonance")
    assert len(frame) == 20_000
    assert frame["f0_hz"].sum() == pytest.approx(20_000 * 3.5124e6)
    assert session.next_reading() == "r20001"
