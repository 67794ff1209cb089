"""What runner and drivers cost over the pure wire time of a full coil, on the virtual bench.

    python tests/benchmarks/overhead.py [SPEED]

SPEED is the virtual bench's (1: a millisecond a point, as the virtual analyzer sweeps). What the same work would come to on
slower wires is worked out from the processor's time and the points.
The same sweeps are asked for again over a bare socket, in the same run, and nothing else: that is the wire. For onset the
wire is the time that the sensor is waited for. The hands' time (turning, plugging, setting the dial) is counted apart.
"""

from __future__ import annotations

import re
import socket
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from bench.demo import demo_plan
from bench.measuring.bench import Bench
from bench.measuring.instruments import Instruments
from bench.measuring.operator import VirtualOperator
from bench.measuring.progress import Reporter
from bench.measuring.runner import Runner
from bench.measuring.wanted import still_wanted
from bench.session.folder import Session
from bench.virtual.hands import VirtualBench
from drivers.roles import Sensor

ONSET_SPEED = 10.0
SLOWER_S = (5e-3, 10e-3, 20e-3, 50e-3)


@dataclass
class Clock:
    """Seconds spent in each part."""

    hands: float = 0.0
    sweeping: float = 0.0
    streaming: float = 0.0
    sweeps: list[tuple[float, float, int]] = field(default_factory=list)

    def timed(self, part: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def run(*args: Any, **more: Any) -> Any:
            begun = time.perf_counter()
            try:
                return call(*args, **more)
            finally:
                setattr(self, part, getattr(self, part) + time.perf_counter() - begun)

        return run


class Watched:
    """Somebody or something whose calls are timed."""

    def __init__(self, inner: Any, clock: Clock, parts: dict[str, str]) -> None:
        self._inner, self._clock, self._parts = inner, clock, parts

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._inner, name)
        part = self._parts.get(name, self._parts.get("*", ""))
        if name == "sweep":

            def sweep(start_hz: float, stop_hz: float, points: int) -> Any:
                self._clock.sweeps.append((start_hz, stop_hz, points))
                return found(start_hz, stop_hz, points)

            return self._clock.timed(part, sweep)
        return self._clock.timed(part, found) if part and callable(found) else found


def again_on_a_bare_socket(address: str, sweeps: list[tuple[float, float, int]]) -> float:
    """Seconds for the same sweeps with nothing but the words that a sweep takes."""
    host, port = address.split("::")[1:3]
    with socket.create_connection((host, int(port))) as wire:
        lines = wire.makefile("rb")
        wire.sendall(b"FORM ASC;CALC:FORM COMP;*OPC?\n")
        lines.readline()
        begun = time.perf_counter()
        for start_hz, stop_hz, points in sweeps:
            wire.sendall(
                f"FREQ:STAR {start_hz:.3f};FREQ:STOP {stop_hz:.3f};SWE:POIN {points};INIT;CALC:DATA?\n".encode()
            )
            assert lines.readline().count(b",") == 2 * points - 1
        return time.perf_counter() - begun


def one_coil(kinds: list[str], speed: float) -> None:
    clock = Clock()
    text = demo_plan(4)
    head, rest = text.split("[[coil]]", 1)
    tail = rest[rest.index("[readings]") :]
    plan = (
        head
        + "[[coil]]"
        + rest.split("[[coil]]", 1)[0]
        + re.sub(r"(?m)^speed = .*", f"speed = {speed}", tail)
    )
    with tempfile.TemporaryDirectory() as folder:
        session = Session.create(Path(folder) / "s", plan)
        with VirtualBench(session.path / "plan.toml", seed=4, speed=speed) as virtual, session.lock():

            def seen(instrument: Any) -> Any:
                if isinstance(instrument, Sensor):
                    return Watched(instrument, clock, {"read": "streaming"})
                return Watched(instrument, clock, {"sweep": "sweeping"})

            instruments = Instruments(session.plan, virtual.addresses, session.path, seen=seen)
            # What tunes the tank must be on record, and every module imported: not part of what is timed.
            warm = Bench(session, VirtualOperator(virtual.hands), instruments, Quiet(0))
            if "onset" in kinds:
                Runner(warm).run(still_wanted(session, ["resonance"], [], cold=False))
            clock.__init__()  # type: ignore[misc]
            hands: Any = Watched(VirtualOperator(virtual.hands), clock, {"*": "hands"})
            bench = Bench(session, hands, instruments, Quiet(0))
            wanted = still_wanted(session, kinds, [], cold=False)
            instruments.analyzer()
            begun, begun_cpu = time.perf_counter(), time.process_time()
            recorded, left = Runner(bench).run(wanted)
            total, cpu = time.perf_counter() - begun, time.process_time() - begun_cpu
            assert not left, left
            instruments.close()
            bare = again_on_a_bare_socket(virtual.addresses["analyzer"], clock.sweeps)
    wire = bare + clock.streaming
    bench_s = total - clock.hands
    points = sum(n for _, _, n in clock.sweeps)
    print(
        f"{' and '.join(kinds):>10}{speed:>8g}{recorded:>7}{len(clock.sweeps):>8}{points:>8}{clock.hands:>9.2f}{wire:>9.2f}"
        f"{clock.sweeping + clock.streaming - wire:>10.3f}{bench_s - clock.sweeping - clock.streaming:>9.3f}"
        f"{bench_s / wire:>8.3f}{cpu:>8.2f}{1 + cpu / wire:>8.3f}"
    )
    if kinds == ["resonance"]:
        slower = (f"{1e3 * pace:g} ms {1 + cpu / (pace * points):.3f}" for pace in SLOWER_S)
        print(f"{'':10}  by the processor's time on slower wires, a point taking: {', '.join(slower)}")


class Quiet(Reporter):
    def say(self, text: str) -> None:
        return None


if __name__ == "__main__":
    print(
        "One coil of the demo's set, everything read; seconds, the hands' apart. Ratio of runner, driver and wire to the wire alone,"
    )
    print(
        "by the clock (to reach: 1.05) and by the processor's time of this process, which a busy machine does not stretch."
    )
    print(
        f"{'readings':>10}{'speed':>8}{'rows':>7}{'sweeps':>8}{'points':>8}{'hands':>9}{'wire':>9}{'driver':>10}{'runner':>9}"
        f"{'ratio':>8}{'CPU':>8}{'ratio':>8}"
    )
    speeds = [float(text) for text in sys.argv[1:]] or [1.0]
    for speed in speeds:
        one_coil(["resonance"], speed)
    one_coil(["onset"], ONSET_SPEED)
