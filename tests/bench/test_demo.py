"""Where the demo puts its session."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.demo import demo_folder
from bench.session.folder import find


def test_a_folder_that_is_named_is_that_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for name in ("mine", "./mine", "inside/mine", str(tmp_path / "elsewhere")):
        assert find(demo_folder(name)) == (tmp_path / name).resolve()


def test_without_a_name_the_next_free_one_under_sessions(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert demo_folder(None) == Path("sessions/demo")
    for taken in ("demo", "demo-2"):
        (tmp_path / "sessions" / taken).mkdir(parents=True)
    assert demo_folder(None) == Path("sessions/demo-3")
