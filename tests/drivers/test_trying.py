"""Help for whoever writes a description."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from click.testing import CliRunner

from bench.cli import main
from bench.commands.ports import command
from drivers import description, fields, trying
from drivers.roles import Sweep
from drivers.simulators.lines import LinesServer, SimulatedLinesAnalyzer

DESCRIPTIONS = Path(description.__file__).with_name("descriptions")


def test_every_byte_is_shown() -> None:
    assert trying.show_bytes(b"ok\r\n\x1b[2J\x00\xfe> ") == ["ok<CR><LF>", "<ESC>[2J<NUL><FE>> "]
    assert trying.show_bytes(b"a\rb\r") == ["a<CR>", "b<CR>"]
    assert trying.show_bytes(b"") == []


class Parrot:
    """Echo and prompt."""

    banner, prompt, echo, hears, says = "", "ready: ", True, "\r", "\r\n"

    def obey(self, command: str) -> Iterator[str | float]:
        yield "PARROT 1"


def test_typed_lines_are_answered_byte_for_byte() -> None:
    with LinesServer(Parrot(), terminal=False) as server:
        arguments = ["--ask", server.address, "--line-end", "cr", "--wait", "0.3"]
        result = CliRunner().invoke(command, arguments, input="name\n")
    assert result.exit_code == 0
    assert "> name\n  name<CR><LF>\n  PARROT 1<CR><LF>\n  ready: \n" in result.stdout
    assert "echo = true" in result.stderr
    assert 'reply_end = "\\r\\n"' in result.stderr
    assert 'prompt = "ready: "' in result.stderr


def test_silence_is_told() -> None:
    assert "Nothing came" in trying.suggestions(b"", "x")[0]


def test_one_sweep_is_taken_and_drawn(tank: Any) -> None:
    with LinesServer(SimulatedLinesAnalyzer(tank, speed=1e4), terminal=False) as server:
        result = CliRunner().invoke(command, ["--try", "simulated-analyzer", "--port", server.address])
    assert result.exit_code == 0, result.output
    assert "51 points" in result.stdout
    assert "takes free lists of frequencies: 7 unevenly spread, in one request" in result.stdout
    assert result.stdout.count("*") == 64
    assert "100.0 kHz" in result.stdout
    assert "Nothing looks wrong" in result.stdout


def test_a_wrong_description_is_told_without_a_traceback(
    tank: Any, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mine = tmp_path / "mine.toml"
    text = (DESCRIPTIONS / "simulated-analyzer.toml").read_text()
    mine.write_text(text.replace('separator = " "', 'separator = ";"'))
    server = LinesServer(SimulatedLinesAnalyzer(tank, speed=1e4), terminal=False)
    with server, pytest.raises(SystemExit) as stop:
        main(["ports", "--try", str(mine), "--port", server.address])
    assert stop.value.code == 1
    last = capsys.readouterr().err.strip().splitlines()[-1]
    assert "line 1 should have 3 values: '100000.0 " in last
    assert "The description says that ';' parts them." in last


def test_try_needs_its_port() -> None:
    assert CliRunner().invoke(command, ["--try", "simulated-analyzer"]).exit_code == 2


@pytest.mark.parametrize(
    ("s11", "told"),
    [
        (np.full(20, 0.5 + 0.1j), "Every value is the same"),
        (np.linspace(0.5, 1.6, 20) * np.exp(1j * np.arange(20)), "up to 1.60"),
        (np.linspace(0.5, 0.9, 20) * np.exp(0.05j), "radians"),
        (np.linspace(0.001, 0.002, 20) * np.exp(1j * np.arange(20)), "below 0.01"),
    ],
)
def test_doubtful_sweeps_are_told(s11: Any, told: str) -> None:
    sweep = Sweep(np.linspace(1e6, 2e6, 20), np.asarray(s11, np.complex128))
    assert any(told in doubt for doubt in trying.doubts(sweep))


def test_the_page_names_every_field() -> None:
    """The fields that the parser asks for, collected while it reads, against the page's tables."""
    asked: set[str] = set()
    plain = fields.Fields._get

    def spy(self: Any, key: str, default: Any) -> Any:
        asked.add(key)
        return plain(self, key, default)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(fields.Fields, "_get", spy)
        for file in DESCRIPTIONS.glob("*.toml"):
            description.load_description(file)
    page = (DESCRIPTIONS / "README.md").read_text()
    words = set(re.findall(r"`\[?\[?(?:[a-z_]+\.)*([a-z_]+)\]?\]?`", page))
    assert asked - {"port"} <= words | {"sweep", "list", "generator", "limits", "identify"}


def test_the_page_shows_a_plan_that_is_toml() -> None:
    page = (DESCRIPTIONS / "README.md").read_text()
    for block in re.findall(r"```toml\n(.*?)```", page, re.DOTALL):
        assert tomllib.loads(block)["instruments"]["analyzer"]["driver"] == "lines-analyzer"
