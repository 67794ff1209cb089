"""`measure` as a process of its own on the virtual bench: stopped anywhere, it goes on; two at once, one is refused."""

from __future__ import annotations

import csv
import json
import re
import signal
import socket
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from bench.demo import demo_plan
from bench.plan.schema import parse_plan
from bench.session.folder import Session
from drivers.touchstone import read_sweep

COMMAND = [sys.executable, "-c", "from bench.cli import main; main()"]
PATIENCE_S = 60.0


def small_plan() -> str:
    """The demo's plan with one coil, three dial settings and two frequencies."""
    text = demo_plan(4)
    head, coils = text.split("[[coil]]", 1)
    first, rest = coils.split("[[coil]]", 1)
    tail = rest[rest.index("[readings]") :]
    first = first.replace("dials = [0, 20, 40, 60, 80, 100]", "dials = [0, 50, 100]")
    start = first.index("onset_at")
    return f'{head}[[coil]]{first[:start]}onset_at = ["2.1 MHz", "3.0 MHz"]\n\n{tail}'


@pytest.fixture
def session(tmp_path: Path) -> Session:
    return Session.create(tmp_path / "evening", small_plan())


def start(session: Session) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [*COMMAND, "measure", str(session.path), "--virtual"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )


@pytest.fixture
def running(session: Session) -> Iterator[subprocess.Popen[str]]:
    process = start(session)
    yield process
    if process.poll() is None:
        process.kill()
    process.communicate()


def rows_on_disk(session: Session, table: str) -> list[dict[str, str]]:
    path = session.path / f"{table}.csv"
    if not path.exists():
        return []
    with path.open(newline="", encoding="utf-8") as file:
        return list(csv.DictReader(file))


def wait_for_rows(session: Session, count: int) -> None:
    end = time.monotonic() + PATIENCE_S
    while time.monotonic() < end:
        if len(rows_on_disk(session, "resonance")) >= count:
            return
        time.sleep(0.05)
    raise AssertionError(f"no {count} rows within {PATIENCE_S} s")


@pytest.mark.slow
def test_killed_anywhere_the_next_run_goes_on_and_keeps_every_row(
    session: Session, running: subprocess.Popen[str]
) -> None:
    wait_for_rows(session, 2)
    running.kill()
    running.wait()
    before = rows_on_disk(session, "resonance")
    again = start(session)
    out, err = again.communicate(timeout=PATIENCE_S)
    assert again.returncode == 0, err
    after = rows_on_disk(session, "resonance")
    assert after[: len(before)] == before
    # Three dial settings, and the same three with the known capacitor.
    assert [(row["dial"] != "", row["added_c_f"] != "") for row in after].count((True, False)) == 3
    assert len(after) == 6
    onset = rows_on_disk(session, "onset")
    assert [row["direction"] for row in onset].count("onset") == 6
    assert [row["direction"] for row in onset].count("drop-out") == 6
    assert "Next: regenbench fit" in out
    # Every row names a raw file that is there and can be read.
    for row in after:
        f_hz, s11 = read_sweep(session.path / row["sweep"])
        assert len(f_hz) == len(s11) >= 5
    for row in onset:
        assert (
            (session.path / row["trace"])
            .read_text(encoding="utf-8")
            .startswith("t_s,angle_deg,level_v,mark\n")
        )
    names = [row["reading"] for row in after + onset]
    assert len(set(names)) == len(names)
    for line in (session.path / "log.jsonl").read_text(encoding="utf-8").splitlines():
        json.loads(line)

    done = subprocess.run(
        [*COMMAND, "measure", str(session.path), "--virtual"],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert done.returncode == 0
    assert "Nothing is lacking" in done.stdout
    assert rows_on_disk(session, "resonance") == after


def test_a_second_measure_is_refused(session: Session, running: subprocess.Popen[str]) -> None:
    wait_for_rows(session, 1)
    if sys.platform != "win32":
        # On a busy machine the first could be done before the second has even started: hold it.
        running.send_signal(signal.SIGSTOP)
    second = start(session)
    out, err = second.communicate(timeout=PATIENCE_S)
    assert second.returncode == 1
    assert out == ""
    last = err.strip().splitlines()[-1]
    assert str(running.pid) in last
    assert "Traceback" not in err
    assert running.poll() is None


@pytest.mark.skipif(sys.platform == "win32", reason="Ctrl-C cannot be sent to one process on Windows")
def test_ctrl_c_is_one_plain_line(session: Session, running: subprocess.Popen[str]) -> None:
    wait_for_rows(session, 1)
    running.send_signal(signal.SIGINT)
    out, err = running.communicate(timeout=PATIENCE_S)
    assert running.returncode == 1
    assert out == ""
    assert "Traceback" not in err
    assert "run the same command to go on" in err.strip().splitlines()[-1]


def test_an_unknown_coil_is_named_with_the_known_ones(session: Session) -> None:
    done = subprocess.run(
        [*COMMAND, "measure", str(session.path), "--virtual", "--coil", "Z"],
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    assert done.returncode in (1, 2)
    assert "Z" in done.stderr
    assert "A" in done.stderr.strip().splitlines()[-1]


def test_the_small_plan_is_what_it_says() -> None:
    plan = parse_plan(small_plan())
    assert [coil.name for coil in plan.coil] == ["A"]
    assert plan.coil[0].dials == (0, 50, 100)


def test_with_nobody_there_a_dead_instrument_is_still_named(tmp_path: Path) -> None:
    deaf = socket.socket()
    # Bound and not listening: nobody else can be given the port meanwhile.
    deaf.bind(("127.0.0.1", 0))
    port = deaf.getsockname()[1]
    plan = re.sub(r"(?ms)^\[instruments\..*?(?=^\[(?!instruments))", "", small_plan())
    plan += (
        f'\n[instruments.analyzer]\ndriver = "scpi-analyzer"\naddress = "TCPIP::127.0.0.1::{port}::SOCKET"\n'
    )
    session = Session.create(tmp_path / "dead", plan)
    done = subprocess.run(
        [*COMMAND, "measure", str(session.path)],
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=PATIENCE_S,
        check=False,
    )
    deaf.close()
    assert done.returncode == 1
    assert str(port) in done.stderr.splitlines()[-1]
    assert "CAUTION" in done.stderr
