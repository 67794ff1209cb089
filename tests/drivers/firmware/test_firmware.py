"""The board's firmware in a real MicroPython interpreter, with the real driver at the other end of a pseudo-terminal."""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import drivers
from drivers.errors import LinkLost, Misuse
from drivers.frames import FrameDecoder, parse
from drivers.ports import Found, ask
from drivers.sensor import FramedSensor

HERE = Path(__file__).parent
PACKAGE = "@micropython/micropython-webassembly-pyscript"
FIRMWARE = Path(drivers.__file__).with_name("firmware")
MODULES = HERE / "node_modules"

pytestmark = [
    pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a system with pseudo-terminals"),
    pytest.mark.skipif(shutil.which("node") is None, reason="needs Debian's nodejs"),
    pytest.mark.skipif(
        not (MODULES / PACKAGE / "micropython.mjs").exists(),
        reason=f"needs npm's {PACKAGE} (npm install --prefix tests/drivers/firmware)",
    ),
]


class Cable:
    """A serial port with a board that can be unplugged and plugged in."""

    def __init__(self, scene: dict[str, Any]) -> None:
        import tty

        self._near, self._far = os.openpty()
        tty.setraw(self._far)
        os.set_blocking(self._near, False)
        self.port = os.ttyname(self._far)
        self._scene = json.dumps({"pressed": [], "chatter": 0, "dial": False, **scene})
        self._board: subprocess.Popen[bytes] | None = None
        self.power_on()

    def power_on(self) -> None:
        self._board = subprocess.Popen(
            ["node", str(HERE / "board.mjs"), str(MODULES), str(FIRMWARE), str(self._near), self._scene],
            pass_fds=(self._near,),
        )

    def power_off(self) -> None:
        assert self._board is not None
        self._board.kill()
        self._board.wait(10)

    def close(self) -> None:
        self.power_off()
        os.close(self._near)
        os.close(self._far)


@pytest.fixture
def plug() -> Iterator[Callable[..., Cable]]:
    with contextlib.ExitStack() as stack:

        def make(**scene: Any) -> Cable:
            cable = Cable(scene)
            stack.callback(cable.close)
            return cable

        yield make


def collect(sensor: FramedSensor, frames: int) -> list[Any]:
    out: list[Any] = []
    while len(out) < frames:
        got = sensor.read(5.0)
        assert got, "the stream has stopped"
        out += got
    return out


def test_the_driver_reads_the_board(plug: Callable[..., Cable]) -> None:
    sensor = FramedSensor(plug().port, timeout_s=20)
    assert sensor.identify() == "regenbench-sensor 1.0, 100 frames a second, full scale 65535"
    samples = collect(sensor, 150)
    sensor.close()
    ms = np.array([one.t_s for one in samples]) * 1e3
    assert np.median(np.diff(ms)) == 10
    # The played converter goes up by 8 steps a millisecond; a frame has the mean of the 10 ms before it, whose middle is 5 ms
    # back. A turn of the board's loop takes 2 ms of its clock at most, so that middle is known to 1 ms: 8 steps.
    behind = (ms * 8 - np.array([one.angle for one in samples]) * 65535) % 65536
    steady = behind[behind < 2000]
    assert len(steady) > 0.9 * len(behind)
    assert np.median(steady) == pytest.approx(40, abs=8)
    levels = {round(one.level * 65535) for one in samples}
    assert {20000, 40000} & levels
    assert not any(one.mark for one in samples)


def test_two_hundred_frames_a_second_and_the_dial(plug: Callable[..., Cable]) -> None:
    sensor = FramedSensor(plug(dial=True).port, timeout_s=20)
    assert sensor.has_dial
    sensor.set_rate(200)
    assert sensor.rate_hz == 200
    samples = collect(sensor, 300)
    counts = sensor.counts
    sensor.close()
    assert np.median(np.diff([one.t_s for one in samples])) == pytest.approx(0.005, abs=0.001)
    assert counts.damaged == counts.late == counts.repeated == counts.restarts == 0
    assert all(one.dial is not None for one in samples)


def test_a_rate_that_the_board_does_not_have_is_told(plug: Callable[..., Cable]) -> None:
    sensor = FramedSensor(plug().port, timeout_s=20)
    with pytest.raises(Misuse, match="100 frames a second"):
        sensor.set_rate(1000)
    collect(sensor, 5)
    sensor.close()


def test_the_mark_switch_is_steady(plug: Callable[..., Cable]) -> None:
    presses = [[1500, 1900], [2300, 2700], [2900, 2904]]
    sensor = FramedSensor(plug(pressed=presses, chatter=15).port, timeout_s=20)
    samples: list[Any] = []
    while not samples or samples[-1].t_s < 3.2:
        samples += collect(sensor, 10)
    sensor.close()
    marks = np.array([one.mark for one in samples]).astype(int)
    edges = [round(samples[at + 1].t_s * 1e3) for at in np.flatnonzero(np.diff(marks))]
    begun = [edge for edge in edges if edge > 1450]
    # Two presses, four edges; the touch of 4 ms is none. An edge counts after 20 ms of rest, which begins after up to 15 ms of
    # chatter, and is told with the next frame: 10 ms and two turns of the loop of 2 ms.
    assert len(begun) == 4
    for edge, true in zip(begun, [1500, 1900, 2300, 2700], strict=True):
        assert 20 <= edge - true <= 49


def test_garbage_on_its_input_does_not_disturb_the_board(plug: Callable[..., Cable]) -> None:
    cable = plug()
    sensor = FramedSensor(cable.port, timeout_s=20)
    rng = np.random.default_rng(11)
    for _ in range(20):
        sensor._transport.write(rng.integers(0, 256, 200, dtype=np.uint8).tobytes())
        collect(sensor, 2)
    sensor._transport.write(
        b"\x03\x04rate -1\r\nrate\nrate 9999999999999999999999\nimport os\r\n" + b"7" * 5000 + b"\n"
    )
    sensor.flush()
    assert sensor.rate_hz == 100
    collect(sensor, 50)
    assert sensor.counts.damaged == 0
    sensor.close()


def test_a_restart_is_clean_and_noticed(plug: Callable[..., Cable]) -> None:
    cable = plug()
    sensor = FramedSensor(cable.port, timeout_s=20)
    collect(sensor, 200)
    cable.power_off()
    cable.power_on()
    until = time.monotonic() + 30

    def read_on() -> None:
        while time.monotonic() < until:
            sensor.read(0.5)

    with pytest.raises(LinkLost, match="restarted"):
        read_on()
    collect(sensor, 20)
    sensor.close()


def test_regenbench_ports_finds_the_board(plug: Callable[..., Cable]) -> None:
    report = ask(Found(plug().port, "serial", "board"), timeout_s=20)
    assert report.player == "sensor"


def test_every_line_the_board_sends_is_a_frame(plug: Callable[..., Cable]) -> None:
    from drivers.transport import SerialTransport

    transport = SerialTransport(plug().port)
    transport.read_until(b"\n", 20)
    lines = [transport.read_until(b"\r\n", 5) for _ in range(60)]
    transport.close()
    assert all(parse(line) is not None for line in lines)
    decoder = FrameDecoder()
    decoder.feed(b"".join(line + b"\r\n" for line in lines))
    assert decoder.counts.used >= 59
