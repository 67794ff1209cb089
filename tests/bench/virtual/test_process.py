"""The virtual bench as a process: starts, answers over every wire, and ends with whoever started it."""

from __future__ import annotations

import contextlib
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from bench.errors import BenchError
from bench.plan.schema import load_plan
from bench.virtual.hands import Hands, VirtualBench
from bench.virtual.mishaps import NotAFault, parse_fault
from bench.virtual.process import main
from bench.virtual.scenario import demo_plan_path, draw
from bench.virtual.truth import truth_of
from drivers.errors import InstrumentError, LinkError, LinkLost, ProtocolError, TimedOut, WireError
from drivers.registry import open_instrument
from drivers.roles import Analyzer, Sample, Sensor
from drivers.simulators.faults import Fault

LONG_S = 30.0
# The operator sets the control to where it seems to be (1.5 degrees of scatter, cut at twice that; three quarters of a degree of play at most),
# and reads it off again with the same scatter, to a whole degree: four standard deviations, and half a degree of rounding.
SET_OFF_DEG = 2 * 1.5 + 0.75
JUDGED_OFF_DEG = 4 * 1.5 + 0.5


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[VirtualBench, Path]]:
    truth = tmp_path_factory.mktemp("virtual") / "truth.json"
    with VirtualBench(demo_plan_path(), seed=11, speed=100.0, truth=truth) as running:
        yield running, truth


def test_truth_file_is_the_seeds(bench: tuple[VirtualBench, Path]) -> None:
    plan = load_plan(demo_plan_path())
    assert json.loads(bench[1].read_text(encoding="utf-8")) == truth_of(plan, draw(plan, 11))


def test_hands_do_as_asked(bench: tuple[VirtualBench, Path]) -> None:
    hands = bench[0].hands
    hands.coil("B")
    assert hands.dial(40.0) == pytest.approx(40.0, abs=0.6)
    assert hands.control(150.0) == pytest.approx(150.0, abs=SET_OFF_DEG + JUDGED_OFF_DEG)
    hands.loop(True)
    hands.valve(False)
    hands.added(100e-12)
    hands.hand("coil")
    hands.listen(True)
    state = hands.state()
    assert (state["coil"], state["valve"], state["loop"], state["hand"]) == ("B", False, True, "coil")
    assert state["added_c_f"] == 100e-12
    assert state["dial"] == pytest.approx(40.0, abs=0.6)
    hands.added(None)
    hands.hand(None)
    hands.listen(False)
    hands.valve(True)
    hands.loop(False)
    assert hands.turn(300.0, 200.0, wait=False) is None
    assert hands.state()["turning"] is True
    # The stop stops it; only the judging is left.
    assert hands.turn(0.0, 300.0) == pytest.approx(0.0, abs=JUDGED_OFF_DEG)
    assert hands.state()["turning"] is False
    with pytest.raises(InstrumentError, match="no coil 'Q'"):
        hands.coil("Q")
    with pytest.raises(InstrumentError, match="no antenna"):
        hands.antenna(True)
    assert hands.state()["coil"] == "B"


@pytest.mark.parametrize(
    ("line", "why"),
    [
        (b"?\n", "not a line of JSON"),
        (b"[]\n", "a request looks like"),
        (b'{"do": "juggle"}\n', "hands cannot 'juggle'"),
        (b'{"do": "dial"}\n', "value must be a number"),
        (b'{"do": "dial", "value": true}\n', "value must be a number"),
        (b'{"do": "loop", "near": "yes"}\n', "near must be true or false"),
        (b'{"do": "turn", "to_deg": 10, "speed_deg_s": -3}\n', "degrees a second"),
    ],
)
def test_bad_requests_are_told_why(bench: tuple[VirtualBench, Path], line: bytes, why: str) -> None:
    host, _, port = bench[0].addresses["hands"].rpartition(":")
    with socket.create_connection((host, int(port)), timeout=LONG_S) as link:
        link.sendall(line)
        reply = json.loads(link.makefile().readline())
    assert reply["ok"] is False
    assert why in reply["why"]


def test_real_drivers_talk_to_it(bench: tuple[VirtualBench, Path]) -> None:
    running, truth = bench
    addresses, hands = running.addresses, running.hands
    hands.coil("B")
    hands.dial(40.0)
    hands.control(0.0)
    hands.loop(True)
    row = json.loads(truth.read_text(encoding="utf-8"))["coils"][1]["dials"][2]
    analyzer: Analyzer = open_instrument(
        "analyzer", {"driver": "scpi-analyzer", "address": addresses["analyzer"]}
    )
    try:
        sweep = analyzer.sweep(0.95 * row["f0_hz"], 1.05 * row["f0_hz"], 401)
    finally:
        analyzer.close()
    # What stands out of a smooth background is the tank, within the dial's setting and half a bandwidth.
    background = np.polynomial.Polynomial.fit(sweep.f_hz, np.abs(sweep.s11), 2)
    dip = sweep.f_hz[np.argmin(np.abs(sweep.s11) - background(sweep.f_hz))]
    assert dip == pytest.approx(row["f0_hz"], rel=0.004 + 0.5 / row["q"])

    sensor: Sensor = open_instrument("angle", {"driver": "sensor", "port": addresses["sensor"]})
    try:
        low = _angle_now(sensor, hands)
        hands.control(300.0, 300.0)
        high = _angle_now(sensor, hands)
    finally:
        sensor.close()
    assert high - low > 0.7


def _angle_now(sensor: Sensor, hands: Hands) -> float:
    """Mean share over a second from now on; what the wire still holds of the past is passed over."""
    now = hands.state()["time_s"]
    samples: list[Sample] = []
    until = time.monotonic() + LONG_S
    while (not samples or samples[-1].t_s < now + 1.0) and time.monotonic() < until:
        samples += sensor.read(1.0)
    return float(np.mean([sample.angle for sample in samples if sample.t_s >= now]))


def _watch(sensor: Sensor, frames: int) -> list[Sample]:
    samples: list[Sample] = []
    until = time.monotonic() + LONG_S
    while len(samples) < frames and time.monotonic() < until:
        samples += sensor.read(1.0)
    return samples


def test_seed_and_speed_default_to_the_plans(tmp_path: Path) -> None:
    plan = tmp_path / "plan.toml"
    text = demo_plan_path().read_text(encoding="utf-8")
    plan.write_text(
        text.replace("seed = 1\n", "seed = 5\n").replace("speed = 60", "speed = 90"), encoding="utf-8"
    )
    process = _start("--plan", str(plan))
    assert process.stdin is not None
    assert process.stdout is not None
    try:
        told = json.loads(process.stdout.readline())
        assert (told["seed"], told["speed"]) == (5, 90.0)
    finally:
        process.stdin.close()
        assert process.wait(LONG_S) == 0
        process.stdout.close()


def _start(*arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", "bench.virtual", *arguments],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    )


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGTERM to send")
def test_terminate_ends_it_cleanly() -> None:
    process = _start("--plan", str(demo_plan_path()))
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdout.readline()
    process.send_signal(signal.SIGTERM)
    assert process.wait(LONG_S) == 0
    process.stdin.close()
    process.stdout.close()


PARENT = """
import sys, time
from pathlib import Path
from bench.virtual.hands import VirtualBench
with VirtualBench(Path(sys.argv[1])) as bench:
    print(bench.addresses["hands"], flush=True)
    time.sleep(600)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="Windows has no SIGKILL to send")
def test_dies_with_its_parent() -> None:
    parent = subprocess.Popen(
        [sys.executable, "-c", PARENT, str(demo_plan_path())], stdout=subprocess.PIPE, text=True
    )
    assert parent.stdout is not None
    host, _, port = parent.stdout.readline().strip().rpartition(":")
    with socket.create_connection((host, int(port)), timeout=LONG_S) as link:
        parent.kill()
        parent.wait(LONG_S)
        parent.stdout.close()
        # The end of the process ends the connection; a time-out here would fail the test.
        with contextlib.suppress(ConnectionResetError):
            assert link.recv(1) == b""


def test_what_keeps_it_from_starting_is_said(tmp_path: Path) -> None:
    with pytest.raises(BenchError, match=r"missing\.toml") as caught, VirtualBench(tmp_path / "missing.toml"):
        pass
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize(
    ("arguments", "why"),
    [
        (["--plan", "broken.toml"], "broken.toml"),
        (["--plan", str(demo_plan_path()), "--speed", "1e6"], "times faster than life"),
        (
            ["--plan", str(demo_plan_path()), "--truth", "no/such/folder/truth.json"],
            "truth cannot be written",
        ),
    ],
)
def test_one_line_and_exit_code_1(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    arguments: list[str],
    why: str,
) -> None:
    (tmp_path / "broken.toml").write_text("[receiver]\nname = 1\n", encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    assert main(arguments) == 1
    told = capsys.readouterr()
    assert told.out == ""
    assert why in told.err.splitlines()[-1]


def test_asked_for_faults_happen() -> None:
    # A sensor that garbles an early frame: the driver notices, counts, and never hands it out.
    with VirtualBench(
        demo_plan_path(), speed=20.0, faults=["sensor:garble,where=sample,after=20,amount=2"]
    ) as bench:
        sensor = open_instrument("angle", {"driver": "sensor", "port": bench.addresses["sensor"]})
        try:
            _watch(sensor, 200)
            assert sensor.counts.damaged + sensor.counts.lost >= 1
        finally:
            sensor.close()


def test_cable_pulled_and_plugged_in_elsewhere() -> None:
    with VirtualBench(demo_plan_path(), speed=20.0) as bench:
        hands = bench.hands
        sensor = open_instrument("angle", {"driver": "sensor", "port": bench.addresses["sensor"]})
        try:
            hands.cable("sensor", plugged=False)
            with pytest.raises(WireError):
                _watch(sensor, 100_000)
        finally:
            sensor.close()
        address = hands.cable("sensor", plugged=True, new_port=True)
        sensor = open_instrument("angle", {"driver": "sensor", "port": address})
        try:
            assert len(_watch(sensor, 50)) >= 50
        finally:
            sensor.close()
        hands.fault("analyzer:stall,where=IDN,seconds=0.1")
        for wrong in ("kettle:boil", "sensor:stall,after=soon"):
            with pytest.raises(InstrumentError, match=r"kettle|soon"):
                hands.fault(wrong)
        with pytest.raises(InstrumentError, match="no cable to 'kettle'"):
            hands.cable("kettle", plugged=True)


def test_fault_words() -> None:
    assert parse_fault("analyzer:stall,where=DATA,after=2,seconds=1.5") == (
        "analyzer",
        Fault("stall", "DATA", 2, 1.5, 3),
    )
    for wrong in ("stall", "analyzer:sulk", "analyzer:stall,after=soon", "analyzer:stall,colour=red"):
        with pytest.raises(NotAFault, match=wrong.split(",")[-1].split("=")[-1]):
            parse_fault(wrong)


@contextlib.contextmanager
def _operator_that(answers: bytes, *, stays: bool) -> Iterator[str]:
    """Somebody at an address who answers one request with these bytes, then stays or goes."""
    with socket.create_server(("127.0.0.1", 0)) as listener:
        over = threading.Event()

        def talk() -> None:
            client, _ = listener.accept()
            with client:
                client.recv(4096)
                client.sendall(answers)
                if stays:
                    over.wait(LONG_S)

        thread = threading.Thread(target=talk, daemon=True)
        thread.start()
        try:
            yield f"127.0.0.1:{listener.getsockname()[1]}"
        finally:
            over.set()
            thread.join(LONG_S)


@pytest.mark.parametrize(
    ("answers", "stays", "error"),
    [
        (b"", True, TimedOut),
        (b'{"ok": true', True, TimedOut),
        (b'{"ok": tr', False, LinkLost),
        (b"hello\n", True, ProtocolError),
        (b'{"ok": 1}\n', True, ProtocolError),
        (b"[]\n", True, ProtocolError),
        (b"7" * 200_000, True, ProtocolError),
        (b'{"ok": false, "why": "no"}\n', True, InstrumentError),
    ],
)
def test_hands_misled_by_the_wire(answers: bytes, stays: bool, error: type[Exception]) -> None:
    with _operator_that(answers, stays=stays) as address:
        hands = Hands(address, timeout_s=0.3 if error is TimedOut else LONG_S)
        with pytest.raises(error, match=address):
            hands.loop(True)
        hands.close()


def test_hands_with_nobody_there() -> None:
    # Bound and not listening: nobody else can be given the port meanwhile.
    with socket.socket() as deaf:
        deaf.bind(("127.0.0.1", 0))
        for address in (f"127.0.0.1:{deaf.getsockname()[1]}", "127.0.0.1:port", "nonsense"):
            with pytest.raises(LinkError, match=r"[Ss]tart the virtual bench again"):
                Hands(address, timeout_s=LONG_S).state()


def test_hands_outside_the_with_are_refused() -> None:
    with pytest.raises(BenchError, match="not running"):
        _ = VirtualBench(demo_plan_path()).hands


def test_no_descriptor_is_left_open() -> None:
    def open_files() -> int:
        return len(os.listdir("/proc/self/fd")) if Path("/proc/self/fd").exists() else 0  # noqa: PTH208

    before = open_files()
    with VirtualBench(demo_plan_path()) as bench:
        bench.hands.state()
    assert open_files() == before
