"""What tests of commands share."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from bench.cli import main


@pytest.fixture
def regenbench(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Callable[..., tuple[int, str, str]]:
    """Exit code, stdout and stderr of a command called in a folder of its own."""
    monkeypatch.chdir(tmp_path)

    def call(*words: str) -> tuple[int, str, str]:
        code = 0
        try:
            main(list(words))
        except SystemExit as stop:
            code = int(stop.code or 0)
        out, err = capsys.readouterr()
        assert "Traceback" not in err
        return code, out, err

    return call
