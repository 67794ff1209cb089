"""The examples in docs/commands.md print what stands there. To write down anew what they print: python tests/bench/test_docs.py"""

from __future__ import annotations

import json
import os
import re
import shutil
import sys
import tempfile
import time
from contextlib import chdir, redirect_stderr, redirect_stdout
from http.client import HTTPConnection
from io import StringIO
from pathlib import Path
from threading import Thread
from typing import Any
from unittest import mock

import numpy as np
import pytest
import skrf

from bench.cli import COMMANDS, main
from bench.demo import demo_plan
from bench.plan.schema import parse_plan

ROOT = Path(__file__).parents[2]
PAGE = ROOT / "docs" / "commands.md"
BLOCK = re.compile(r"^```console\n(.*?)^```$", re.MULTILINE | re.DOTALL)
# Measured over wires as time goes by: its last digits are not the same twice.
SHAKY = "demo"


def examples() -> list[tuple[str, str]]:
    """Command line and expected output, in order."""
    found: list[tuple[str, str]] = []
    for block in BLOCK.findall(PAGE.read_text(encoding="utf-8")):
        for part in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            line, _, said = part.partition("\n")
            found.append((line, said))
    return found


def prepare(place: Path) -> None:
    """The folder that the examples begin in."""
    shutil.copytree(ROOT / "sessions" / "example", place / "sessions" / "example")
    # A copy is younger than its fit; the fit of the copy must not look out of date.
    os.utime(place / "sessions" / "example" / "fit.json")
    corrected = place / "sessions" / "corrected"
    shutil.copytree(ROOT / "sessions" / "example", corrected)
    plan = (corrected / "plan.toml").read_text(encoding="utf-8")
    (corrected / "plan.toml").write_text(plan.replace('gm = "0.9 mS"', 'gm = "1.1 mS"'), encoding="utf-8")
    f_hz = np.linspace(1e6, 20e6, 101)
    cable = skrf.media.DefinedGammaZ0(
        skrf.Frequency.from_f(f_hz, unit="Hz"), z0=50, gamma=2j * np.pi * f_hz / 2e8
    )
    for name, end in (("open", cable.open()), ("short", cable.short()), ("load", cable.match())):
        (cable.line(3, "m") ** end).write_touchstone(name, dir=str(place), form="ri")


def run(line: str) -> str:
    """What a command prints, both streams in order."""
    import shlex

    words = shlex.split(line)
    assert words[0] == "regenbench"
    out = StringIO()
    code: object = 0
    with (
        redirect_stdout(out),
        redirect_stderr(out),
        mock.patch.dict(os.environ, {"COLUMNS": "110"}),
        # Nothing is sent to what happens to be connected here, and nothing that does not answer is waited for.
        mock.patch("drivers.ports.serial_ports", list),
        mock.patch("drivers.ports.usb_instruments", list),
        # Notes as a person sees them.
        mock.patch("bench.streams.told_at_terminal", return_value=True),
    ):
        person = Thread(target=press_end, args=(out,), daemon=True)
        if words[1] == "page":
            person.start()
        try:
            main(words[1:])
        except SystemExit as stop:
            code = stop.code
        if words[1] == "page":
            person.join(60)
    assert not code, out.getvalue()
    return out.getvalue().rstrip() + "\n"


def press_end(out: StringIO) -> None:
    """Wait for the page's address to be told and for its End to be shown; press that, as the page's script does."""
    last = time.monotonic() + 60
    while (told := re.search(r"http://(127\.0\.0\.1:\d+)(/\S+/)\n", out.getvalue())) is None:
        if time.monotonic() > last:
            return
        time.sleep(0.05)
    now: dict[str, Any] = {"choices": []}
    while "end" not in [choice["name"] for choice in now["choices"]]:
        now = json.loads(asked(told[1], "GET", f"{told[2]}state"))["now"]
        time.sleep(0.05)
    asked(told[1], "POST", f"{told[2]}answer", json.dumps({"ask": now["ask"], "choice": "end", "text": ""}))


def asked(host: str, method: str, path: str, body: str | None = None) -> bytes:
    """One request to the page's server from its own origin."""
    link = HTTPConnection(host, timeout=60)
    heads = {"Origin": f"http://{host}", "Content-Type": "application/json"} if body else {}
    link.request(method, path, body, heads)
    reply = link.getresponse().read()
    link.close()
    return reply


def matches(said: str, expected: str, *, shaky: bool = False) -> bool:
    """Whether a print is the expected one; a line of three dots stands for any lines, three dots in one for anything there.

    `shaky`: a number stands for any number, and spaces for spaces.
    """
    pattern = "".join(
        r"(?:.*\n)*?" if line == "...\n" else re.escape(line).replace(r"\.\.\.", ".*")
        for line in expected.splitlines(keepends=True)
    )
    if shaky:
        pattern = re.sub(r"\d+(?:\\\.\d+)?(?:e-?\d+)?", lambda number: r"[\d.e-]+", pattern)
        pattern = re.sub(r"(?:\\ )+", lambda gap: r"\ +", pattern)
    return re.fullmatch(pattern, said) is not None


@pytest.mark.slow
def test_the_examples_print_what_stands_there(tmp_path: Path) -> None:
    prepare(tmp_path)
    with chdir(tmp_path):
        for line, expected in examples():
            if line.split()[1] != SHAKY:
                said = run(line)
                assert matches(said, expected), f"$ {line}\n{said}"


def plan_of_one_coil(text: str, kept: str) -> str:
    """A plan without its other coils."""
    return re.sub(rf'(?ms)^\[\[coil\]\]\nname = "(?!{kept}").*?(?=^\[)', "", text)


def print_of_one_coil(text: str, kept: str) -> str:
    """The demo's print without the lines that are another coil's."""
    return re.sub(rf"(?m)^(?:Coil (?!{kept}\b)\w+: |  \S+/(?!{kept}\.|overview\.)\w+\.pdf$).*\n", "", text)


@pytest.mark.slow
def test_the_demo_prints_what_stands_there_but_for_its_numbers(tmp_path: Path) -> None:
    """Run with one coil of the three: what the others would print are lines of the same form, and those are there."""
    ((line, expected),) = [one for one in examples() if one[0].split()[1] == SHAKY]
    plan = demo_plan(1)
    names = [coil.name for coil in parse_plan(plan).coil]
    assert re.findall(r"(?m)^Coil (\w+): ", expected) == names
    assert re.findall(r"(?m)^  \S+/(\w+)\.pdf$", expected) == [*names, "overview"]
    kept = names[1]
    with chdir(tmp_path), mock.patch("bench.demo.demo_plan", return_value=plan_of_one_coil(plan, kept)):
        said = run(line)
    assert matches(said, print_of_one_coil(expected, kept), shaky=True), f"$ {line}\n{said}"


def test_every_command_has_an_example() -> None:
    shown = {line.split()[1] for line, _ in examples()}
    assert shown == set(COMMANDS)


@pytest.mark.parametrize(
    "page", [ROOT / "README.md", ROOT / "DEVELOPERS.md", *sorted((ROOT / "docs").glob("*.md"))], ids=str
)
def test_every_link_leads_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#\s]+)?(#[\w-]+)?\)", page.read_text(encoding="utf-8")):
        file = page.parent / target[0] if target[0] else page
        assert target[0].startswith("http") or file.exists(), target
        if target[1]:
            heads = re.findall(r"^#+ (.*)$", file.read_text(encoding="utf-8"), re.MULTILINE)
            assert target[1][1:] in {
                re.sub(r"[^\w -]", "", head).lower().replace(" ", "-") for head in heads
            }, target


def test_dots_stand_for_lines_and_nothing_else() -> None:
    assert matches("a\nb\nc\n", "a\n...\nc\n")
    assert not matches("a\nb\nd\n", "a\n...\nc\n")
    assert not matches("a\nx\n", "a\n")
    assert matches("page: http://127.0.0.1:4321/x/\n", "page: http://127.0.0.1:.../\n")
    assert not matches("page: http://10.0.0.1:4321/x/\n", "page: http://127.0.0.1:.../\n")
    assert matches("rms  0.31 deg\n", "rms 0.4 deg\n", shaky=True)
    assert not matches("rms  0.31 deg\n", "rms 0.4 deg\n")
    assert not matches("rms  0.31 Hz\n", "rms 0.4 deg\n", shaky=True)


def remake() -> None:
    """Write what the examples print into the page; prints with dots in them stay as they are."""
    with tempfile.TemporaryDirectory() as place:
        prepare(Path(place))

        def printed(block: re.Match[str]) -> str:
            parts = []
            for part in re.split(r"^\$ ", block[1], flags=re.MULTILINE)[1:]:
                line, _, said = part.partition("\n")
                new = said if line.split()[1] == SHAKY else run(line)
                parts.append(f"$ {line}\n{said if '...' in said else new}")
            return "```console\n" + "".join(parts) + "```"

        with chdir(place):
            text = BLOCK.sub(printed, PAGE.read_text(encoding="utf-8"))
    PAGE.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    sys.exit(remake())
