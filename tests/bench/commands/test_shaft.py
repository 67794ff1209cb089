"""`shaft` on the virtual bench, and that `measure` uses what it found."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import pytest

from bench.demo import demo_plan
from bench.errors import SessionError
from bench.session import shaft
from bench.session.folder import Session

Call = Callable[..., tuple[int, str, str]]


def test_the_sensor_is_held_against_the_pointer(regenbench: Call, tmp_path: Path) -> None:
    session = Session.create(tmp_path / "s", demo_plan(3))
    code, out, err = regenbench("shaft", str(session.path), "--virtual", "--json")
    assert code == 0
    assert "UP" in err
    assert "DOWN" in err
    found = json.loads(out)
    assert len(found["settings"]) == 14
    assert found["shaft"]["play_deg"] + 2 * found["shaft"]["play_u_deg"] >= 0.0
    assert json.loads((session.path / "shaft.json").read_text()) == found
    assert regenbench("check", str(session.path))[0] == 0


def test_a_bow_is_used_and_a_damaged_file_is_refused(tmp_path: Path) -> None:
    session = Session.create(tmp_path / "s", demo_plan(3))
    assert shaft.bow(session) == (0.0, 0.0)
    file = session.path / "shaft.json"
    file.write_text(json.dumps({"shaft": {"bow": [0.02, -0.01]}}))
    assert shaft.bow(session) == (0.02, -0.01)
    for text in ("", "{}", '{"shaft": {"bow": [1e999, 0]}}', '{"shaft": {"bow": [3, 0]}}', "[" * 100000):
        file.write_text(text)
        with pytest.raises(SessionError, match="Delete it"):
            shaft.bow(session)


def test_without_a_sensor_there_is_nothing_to_hold(regenbench: Call, tmp_path: Path) -> None:
    text = demo_plan(3)
    head, _, tail = text.partition("[instruments.angle]")
    rest = tail[tail.index("\n[") :] if "\n[" in tail else ""
    session = Session.create(tmp_path / "s", head + rest)
    code, _, err = regenbench("shaft", str(session.path))
    assert code == 1
    assert "instruments.angle" in err
