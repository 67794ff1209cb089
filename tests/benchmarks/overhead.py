"""What runner and drivers cost over the pure wire time of a full coil, on the virtual bench.

    python tests/benchmarks/overhead.py

Every message that the driver exchanged with the analyzer (settings and their checks, sweeps, both readings of each trace) is
exchanged again over a bare socket, in the same run, by nothing but a loop: that is the wire. For onset the wire is the time
that the sensor is waited for. The hands' time (turning, plugging, setting the dial) is counted apart; what the program works
out meanwhile costs the operator nothing, and is in the processor's time of the whole process only. Imports and the
fits' first use are done before the clock starts and told in a line of their own.
The virtual analyzer takes a millisecond a point; slower ones only add to the wire, so their ratios follow from the points.
"""

from __future__ import annotations

import os
import re
import socket
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

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
POINT_S = 1e-3
SLOWER_S = (5e-3, 20e-3)


@dataclass
class Clock:
    """Seconds spent in each part."""

    hands: float = 0.0
    sweeping: float = 0.0
    streaming: float = 0.0
    hands_cpu: float = 0.0
    points: list[int] = field(default_factory=list)
    messages: list[tuple[str, bool]] = field(default_factory=list)
    """What was sent to the analyzer, and whether an answer was read after it."""

    def timed(self, part: str, call: Callable[..., Any]) -> Callable[..., Any]:
        def run(*args: Any, **more: Any) -> Any:
            begun, begun_cpu = time.perf_counter(), time.thread_time()
            try:
                return call(*args, **more)
            finally:
                setattr(self, part, getattr(self, part) + time.perf_counter() - begun)
                if part == "hands":
                    self.hands_cpu += time.thread_time() - begun_cpu

        return run

    def listen(self, link: Any) -> None:
        """Note every message of a link."""
        write, read_line = link.write, link.read_line

        def noted_write(text: str) -> None:
            self.messages.append((text, False))
            write(text)

        def noted_read(*args: Any, **more: Any) -> bytes:
            self.messages[-1] = (self.messages[-1][0], True)
            answer: bytes = read_line(*args, **more)
            return answer

        link.write, link.read_line = noted_write, noted_read


class Watched:
    """Somebody or something whose calls are timed."""

    def __init__(self, inner: Any, clock: Clock, parts: dict[str, str]) -> None:
        self._inner, self._clock, self._parts = inner, clock, parts

    def __getattr__(self, name: str) -> Any:
        found = getattr(self._inner, name)
        part = self._parts.get(name, self._parts.get("*", ""))
        if name == "sweep":

            def sweep(start_hz: float, stop_hz: float, points: int) -> Any:
                self._clock.points.append(points)
                return found(start_hz, stop_hz, points)

            return self._clock.timed(part, sweep)
        return self._clock.timed(part, found) if part and callable(found) else found


def again_on_a_bare_socket(address: str, messages: list[tuple[str, bool]]) -> tuple[float, float]:
    """Seconds by the clock and of the processor for the same messages, sent and answered, and nothing else."""
    host, port = address.split("::")[1:3]
    with socket.create_connection((host, int(port))) as wire:
        wire.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        lines = wire.makefile("rb")
        wire.sendall(b"FORM ASC;CALC:FORM COMP;*OPC?\n")
        lines.readline()
        begun, begun_cpu = time.perf_counter(), time.thread_time()
        for text, answered in messages:
            wire.sendall(text.encode() + b"\n")
            if answered:
                assert lines.readline()
        return time.perf_counter() - begun, time.thread_time() - begun_cpu


def first_use() -> float:
    """Seconds for what every run imports and sets up once, whatever it reads."""
    begun = time.perf_counter()
    import scipy.interpolate
    import scipy.linalg
    import scipy.optimize  # noqa: F401

    from bench.physics.resonance import fit_sweep
    from bench.readings import onset, resonance, turning  # noqa: F401

    f_hz = np.linspace(3.9e6, 4.1e6, 41)
    fit_sweep(f_hz, 0.1 / (1 + 1j * (f_hz - 4e6) / 2e4) - 1)
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
            listening: list[Any] = []

            def seen(instrument: Any) -> Any:
                if isinstance(instrument, Sensor):
                    return Watched(instrument, clock, {"read": "streaming"})
                if not listening:
                    listening.append(instrument)
                    clock.listen(instrument._link)
                return Watched(instrument, clock, {"sweep": "sweeping"})

            instruments = Instruments(session.plan, virtual.addresses, session.path, seen=seen)
            # What tunes the tank must be on record, and every module imported: not part of what is timed.
            warm = Bench(session, VirtualOperator(virtual.hands), instruments, Quiet(0))
            if "onset" in kinds:
                Runner(warm).run(still_wanted(session, ["resonance"], [], cold=False))
            hands: Any = Watched(VirtualOperator(virtual.hands), clock, {"*": "hands"})
            bench = Bench(session, hands, instruments, Quiet(0))
            wanted = still_wanted(session, kinds, [], cold=False)
            instruments.analyzer()
            clock.hands = clock.hands_cpu = clock.sweeping = clock.streaming = 0.0
            clock.points.clear()
            clock.messages.clear()
            begun, begun_cpu, begun_all = time.perf_counter(), time.thread_time(), time.process_time()
            recorded, left = Runner(bench).run(wanted)
            total, all_cpu = time.perf_counter() - begun, time.process_time() - begun_all
            path_cpu = time.thread_time() - begun_cpu - clock.hands_cpu
            assert not left, left
            instruments.close()
            bare, bare_cpu = again_on_a_bare_socket(virtual.addresses["analyzer"], clock.messages)
    wire = bare + clock.streaming
    bench_s = total - clock.hands
    cost, cost_cpu = bench_s - wire, path_cpu - bare_cpu
    points = sum(clock.points)
    print(
        f"{' and '.join(kinds):>10}{recorded:>6}{len(clock.points):>8}{points:>8}{len(clock.messages):>10}{clock.hands:>8.1f}"
        f"{wire:>8.3f}{cost:>8.3f}{1 + cost / wire:>8.3f}{cost_cpu:>8.3f}{1 + cost_cpu / wire:>8.3f}{all_cpu:>8.2f}"
    )
    if kinds == ["resonance"]:
        for pace in SLOWER_S:
            slow = wire + (pace - POINT_S) * points
            print(
                f"{f'at {1e3 * pace:g} ms':>10}{'':>40}{slow:>8.3f}{cost:>8.3f}{1 + cost / slow:>8.3f}{cost_cpu:>8.3f}"
                f"{1 + cost_cpu / slow:>8.3f}"
            )


class Quiet(Reporter):
    def say(self, text: str) -> None:
        return None


if __name__ == "__main__":
    print(
        "One coil of the demo's set, everything read, a millisecond a point; seconds. Cost: what runner and driver add to the wire,\n"
        "by the clock of this machine with whatever else it does, and by the processor's time on the way from wire to wire.\n"
        "Ratio: cost and wire over the wire alone (to reach: 1.05). CPU: of the whole process, the thinking beside the hands included."
    )
    print(
        f"Imports and first use, once a run: {first_use():.2f} s. Load of the machine: {os.getloadavg()[0]:.1f}."
    )
    print(
        f"{'readings':>10}{'rows':>6}{'sweeps':>8}{'points':>8}{'messages':>10}{'hands':>8}{'wire':>8}{'cost':>8}{'ratio':>8}"
        f"{'by CPU':>8}{'ratio':>8}{'CPU':>8}"
    )
    one_coil(["resonance"], 1.0)
    one_coil(["onset"], ONSET_SPEED)
