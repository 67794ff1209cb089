"""`carry`: a plan that was wrong is corrected, the set is as it was, and what was read still counts."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from bench.plan.schema import recipe
from bench.session import carrying
from bench.session.folder import Session

Call = Callable[..., tuple[int, str, str]]


@pytest.fixture
def plan(regenbench: Call) -> Path:
    """A session with a resonance and two onset rows, read before the plan is touched."""
    assert regenbench("start", "evening", "--example")[0] == 0
    common = ["--coil", "B", "--dial", "40"]
    regenbench("enter", "evening", "resonance", *common, "--f0", "4137kHz", "--sure", "--note", "by ear")
    for extra in (["--clock", "11:40"], ["--never"]):
        words = ["enter", "evening", "onset", *common, "--at", "4.14MHz", "--direction", "onset"]
        assert regenbench(*words, *extra)[0] == 0
    return Path("sessions/evening/plan.toml")


def change(plan: Path, key: str, value: str) -> None:
    """A value of the plan's first line or table with this key changed, whatever it was."""
    text = plan.read_text(encoding="utf-8")
    new, count = re.subn(rf"(?m)^({key} = )(\{{ turns = )?[^,#\n]*", rf"\g<1>\g<2>{value}", text, count=1)
    assert count == 1
    assert new != text
    plan.write_text(new, encoding="utf-8")


def told(session: Session) -> list[tuple[object, ...]]:
    return [
        (r["f_hz"], r["angle_deg"], r["angle_u_deg"], r["method"], r["time"]) for r in session.rows("onset")
    ]


def test_rows_count_again_and_nothing_is_lost(regenbench: Call, plan: Path) -> None:
    before = Session.open("evening")
    rows, said = len((plan.parent / "onset.csv").read_text(encoding="utf-8").splitlines()), told(before)
    change(plan, "gm", '"0.83 mS"')
    fitted = regenbench("fit", "evening")
    assert fitted[0] == 1
    assert "`regenbench carry`" in fitted[2]
    code, out, err = regenbench("carry", "evening")
    assert code == 0, err
    assert "1 resonance, 2 onset" in out
    # What is no terminal gets it on one line.
    (told_line,) = err.splitlines()
    assert "travel_deg" in told_line
    after = Session.open("evening")
    assert told(after) == said
    assert {r["recipe"] for r in after.rows("onset")} == {recipe(after.plan, "B")}
    (resonance,) = after.rows("resonance")
    assert resonance["note"].startswith("by ear; carried over from r00001, recipe ")
    # Rows are only ever appended: two new ones, two that withdraw the old.
    assert len((plan.parent / "onset.csv").read_text(encoding="utf-8").splitlines()) == rows + 4
    code, out, _ = regenbench("check", "evening")
    assert code == 0
    # What was carried counts no more, and is no remark either.
    assert "another recipe" not in out
    assert regenbench("carry", "evening")[0] == 1


def test_killed_between_the_two_rows_it_is_not_counted_twice(
    regenbench: Call, plan: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    change(plan, "gm", '"0.83 mS"')
    said = told(Session.open("evening"))

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    session = Session.open("evening")
    with monkeypatch.context() as patch:
        patch.setattr(Session, "withdraw", killed)
        with pytest.raises(KeyboardInterrupt):
            carrying.carry(session)
    assert regenbench("carry", "evening")[0] == 0
    session = Session.open("evening")
    assert told(session) == said
    assert len(session.rows("resonance")) == 1


def test_killed_and_the_plan_written_back_nothing_counts_twice(
    regenbench: Call, plan: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before, as_it_was = told(Session.open("evening")), plan.read_text(encoding="utf-8")
    change(plan, "gm", '"0.83 mS"')

    def killed(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(Session, "withdraw", killed)
        with pytest.raises(KeyboardInterrupt):
            carrying.carry(Session.open("evening"))
    plan.write_text(as_it_was, encoding="utf-8")
    assert regenbench("carry", "evening")[0] == 0
    session = Session.open("evening")
    present = recipe(session.plan, "B")
    for table in ("resonance", "onset"):
        assert {row["recipe"] for row in session.rows(table)} == {present}
    assert len(session.rows("resonance")) == 1
    assert told(session) == before
    # Carried for good and written back again, the same.
    change(plan, "gm", '"0.83 mS"')
    assert regenbench("carry", "evening")[0] == 0
    plan.write_text(as_it_was, encoding="utf-8")
    assert regenbench("carry", "evening")[0] == 0
    session = Session.open("evening")
    assert told(session) == before
    assert {row["recipe"] for row in session.rows("onset")} == {present}


def test_while_another_run_holds_the_session_nothing_is_carried(regenbench: Call, plan: Path) -> None:
    change(plan, "gm", '"0.83 mS"')
    before = {path.name: path.read_bytes() for path in plan.parent.glob("*.csv")}
    with Session.open("evening").lock():
        code, out, err = regenbench("carry", "evening")
    assert (code, out) == (1, "")
    assert "is held by" in err.splitlines()[-1]
    assert {path.name: path.read_bytes() for path in plan.parent.glob("*.csv")} == before


def test_angles_of_the_sensor_are_told_of_too(regenbench: Call, plan: Path) -> None:
    session = Session.open("evening")
    (typed, _) = session.rows("onset")
    session.withdraw("onset", typed["reading"])
    session.append("onset", {**typed, "reading": None, "method": "level"})
    change(plan, "travel_deg", "270")
    assert "travel_deg" in regenbench("carry", "evening")[2]


def test_of_several_windings_one_must_be_named(regenbench: Call, plan: Path) -> None:
    first = recipe(Session.open("evening").plan, "B")
    change(plan, "tickler", "23")
    regenbench("enter", "evening", "resonance", "--coil", "B", "--dial", "60", "--f0", "5MHz", "--sure")
    second = recipe(Session.open("evening").plan, "B")
    change(plan, "gm", '"0.83 mS"')
    code, out, err = regenbench("carry", "evening", "--coil", "B")
    assert (code, out) == (1, "")
    assert f"{first}, 3 rows" in err
    assert f"{second}, 1 rows" in err
    assert regenbench("carry", "evening", "--coil", "B", "--recipe", second)[0] == 0
    session = Session.open("evening")
    assert [r["dial"] for r in session.rows("resonance") if r["recipe"] == recipe(session.plan, "B")] == [
        60.0
    ]
    assert {r["recipe"] for r in session.rows("onset")} == {first}


@pytest.mark.parametrize(
    ("words", "says"),
    [(["--coil", "Z"], "Z"), (["--recipe", "00000000"], "of recipe 00000000"), ([], "of an earlier recipe")],
)
def test_nothing_to_carry(regenbench: Call, plan: Path, words: list[str], says: str) -> None:
    code, out, err = regenbench("carry", "evening", *words)
    assert (code, out) == (1, "")
    assert says in err.splitlines()[-1]
