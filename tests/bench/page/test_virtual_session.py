"""A whole session on the virtual bench, through the page alone: by clicks and by keys, as a user would."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from bench.session.folder import Session

pytestmark = [pytest.mark.chromium, pytest.mark.slow]

PLAN = """
[receiver]
name = "Signal cabin set"
gm = "0.9 mS"
rp = "16 kohm"
supply = "60 V"
[receiver.tuning]
dial = [0, 100]
capacitance = ["160 pF", "12 pF"]
[receiver.control]
kind = "divider"
resistance = "4 kohm"
window = ["10:00", "2:00"]
[receiver.feedback]
capacitor = "270 pF"
choke = "2.5 mH"
[[coil]]
name = "B"
grid = { turns = 25, diameter = "32 mm", length = "28 mm", wire = "0.4 mm" }
tickler = { turns = 5, gap = "2.5 mm", wire = "0.25 mm" }
dials = [0, 50, 100]
onset_at = ["4.2 MHz", "5.0 MHz"]
[readings]
repeats = 1
[instruments.analyzer]
driver = "scpi-analyzer"
address = "TCPIP::127.0.0.1::5025::SOCKET"
[instruments.angle]
driver = "sensor"
port = "/dev/ttyACM0"
[instruments.level]
driver = "sensor"
port = "/dev/ttyACM0"
[virtual]
seed = 3
speed = 100
"""


class Running:
    """`regenbench page` in a process of its own, as at a terminal."""

    def __init__(self, *arguments: str) -> None:
        command = [sys.executable, "-c", "from bench.cli import main; main()", *arguments]
        self._process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, text=True
        )
        self.lines: list[str] = []
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        assert self._process.stderr is not None
        self.lines.extend(iter(self._process.stderr.readline, ""))

    def address(self) -> str:
        last = time.monotonic() + 60
        while time.monotonic() < last and self._process.poll() is None:
            for line in self.lines:
                if found := re.search(r"http://127\.0\.0\.1:\d+/[\w-]+/", line):
                    return found[0]
            time.sleep(0.02)
        raise AssertionError(f"no address told: {self.lines}")

    def ended(self) -> int:
        code = self._process.wait(30)
        self._reader.join(10)
        return code

    def close(self) -> None:
        if self._process.poll() is None:
            self._process.send_signal(signal.SIGINT)
            try:
                self._process.wait(20)
            except subprocess.TimeoutExpired:
                self._process.kill()
                self._process.wait(20)
        self._reader.join(10)
        if self._process.stderr is not None:
            self._process.stderr.close()


@pytest.fixture
def session(tmp_path: Path) -> Session:
    return Session.create(tmp_path / "cabin", PLAN)


@pytest.fixture
def run_page(session: Session) -> Iterator[Callable[..., Running]]:
    running: list[Running] = []

    def run(*options: str) -> Running:
        running.append(Running("page", str(session.path), *options))
        return running[-1]

    yield run
    for one in running:
        one.close()


STATE = "fetch('state').then((reply) => reply.json())"
SETTLED = "new Promise((done) => setTimeout(done, 320))"


def picture(folder: Path, name: str, tab: Any) -> None:
    """Keep a screenshot where the tester asked for it with REGENBENCH_PICTURES, else beside the session."""
    kept = Path(os.environ.get("REGENBENCH_PICTURES", folder))
    kept.mkdir(parents=True, exist_ok=True)
    for kind, width, height, dark in (
        ("light", 1366, 768, False),
        ("dark", 1366, 768, True),
        ("phone", 390, 844, False),
    ):
        tab.screen(width, height, dark=dark)
        tab.run("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
        tab.picture(kept / f"{name}-{kind}.png")
        assert (kept / f"{name}-{kind}.png").stat().st_size > 5000


def test_a_whole_virtual_session_by_clicks_and_keys(
    session: Session, run_page: Callable[..., Running], open_tab: Callable[[str], Any], tmp_path: Path
) -> None:
    running = run_page("--virtual")
    tab = open_tab(running.address())
    tab.screen(1366, 768)
    tab.wait("document.querySelector('#now.caution #answers button')")
    assert "lethal" in tab.text("#say")
    picture(tmp_path / "pictures", "caution", tab)
    seen: set[str] = set()
    answered = 0
    last = time.monotonic() + 120
    while (state := tab.run(STATE))["now"]["kind"] != "over":
        assert time.monotonic() < last, state["now"]
        now, reading = state["now"], state["doing"]["reading"]
        if now["kind"] == "turn" and now["way"] not in seen and state["knob"]["angle_deg"]:
            seen.add(now["way"])
            picture(tmp_path / "pictures", f"turn-{now['way']}", tab)
            tab.screen(1366, 768)
        if not now["choices"]:
            time.sleep(0.02)
            continue
        tab.run(SETTLED)
        first = now["lines"][0]
        if reading.endswith("onset at 5 000 kHz") and first.startswith("Set the dial"):
            # The reading is left out by its key, and taken in the second run below.
            seen.add("left out")
            tab.run("document.activeElement.blur()")
            tab.key("s")
        elif first.startswith("Set the dial") and "redone" not in seen and reading.endswith("dial 100"):
            seen.add("redone")
            tab.click("[data-press=redo]")
        elif "onset" in reading and "reloaded" not in seen:
            seen.add("reloaded")
            tab.call("Page.reload")
            tab.wait(f"document.querySelector('#reading')?.innerText === {reading!r}")
            continue
        elif answered % 2:
            tab.key("Enter")
        elif not tab.click("#answers button"):
            # The control was seen to be there meanwhile, and the question answered by that.
            continue
        answered += 1
        tab.wait(f"{STATE}.then((state) => state.now.ask > {now['ask']})".replace(STATE, f"({STATE})"))
    # Turns are looked at where they are met: on the fast bench one can be over before the test has looked.
    assert seen - {"up", "back"} == {"left out", "redone", "reloaded"}
    assert state["plan"]["done"] == 4
    tab.wait("document.querySelector('#say').innerText === 'The end of this run'")
    picture(tmp_path / "pictures", "over", tab)
    tab.screen(1366, 768)
    rows = session.rows("resonance")
    assert [row["valve"] for row in rows] == ["working"] * 3
    assert all(row["q"] and row["q_u"] and row["sweep"] for row in rows)
    onset = session.rows("onset")
    assert [row["direction"] for row in onset] == ["onset", "drop-out"]
    assert all(0 < row["angle_deg"] < 300 and row["trace"] for row in onset)

    # Go on: what was left out is asked for again.
    tab.run(SETTLED)
    tab.click("[data-choice=go-on]")
    tab.wait("document.querySelector('#now.caution #answers button')")
    while (state := tab.run(STATE))["now"]["kind"] != "over":
        assert time.monotonic() < last, state["now"]
        if state["now"]["choices"]:
            tab.run(SETTLED)
            tab.key("Enter")
        time.sleep(0.02)
    tab.wait("document.querySelector('#say').innerText === 'All readings are recorded'")
    assert [row["direction"] for row in session.rows("onset")] == ["onset", "drop-out"] * 2
    tab.run(SETTLED)
    tab.click("[data-choice=end]")
    assert running.ended() == 0
    tab.wait("document.querySelector('#run-state').innerText === 'The bench program has ended.'")
    assert tab.errors() == []
    # The terminal said the same.
    said = "".join(running.lines)
    assert "Set the dial to 50" in said
    assert "taken again" in said
    assert "left out: coil B: onset at 5 000 kHz" in said


def test_a_second_page_watches_what_the_first_records(
    session: Session, run_page: Callable[..., Running], open_tab: Callable[[str], Any]
) -> None:
    measuring = open_tab(run_page("--virtual", "--reading", "resonance").address())
    measuring.wait("document.querySelector('#now.caution #answers button')")
    watching = open_tab(run_page().address())
    watching.wait("document.querySelector('#say').innerText === 'Watching'")
    assert "held by" in watching.text("#more")
    assert watching.run("document.querySelectorAll('#answers button').length") == 0
    for _ in range(60):
        measuring.run(SETTLED)
        if measuring.run(f"{STATE}.then((state) => state.plan.done)"):
            break
        measuring.key("Enter")
    watching.wait("document.querySelector('#rows td')?.innerText === 'B'")
    watching.wait(f"document.querySelector('#count').innerText === {measuring.text('#count')!r}")
