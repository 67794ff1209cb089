"""The virtual operator's hands, and the virtual bench as a process to be started and ended."""

from __future__ import annotations

import contextlib
import json
import queue
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from types import TracebackType
from typing import IO, Any, Self

from bench.errors import BenchError
from drivers.errors import InstrumentError, LinkError, LinkLost, ProtocolError, TimedOut

HOW_LONG_S = 60.0
# No control turns further than this.
WHOLE_TURN_DEG = 400.0
START_S = 60.0
END_S = 5.0
LONGEST_REPLY = 65536
AGAIN = "Start the virtual bench again."


class Hands:
    """Turns, plugs and connects on the virtual bench; each call returns when the action is finished.

    Parameters
    ----------
    address : str
        HOST:PORT of the bench's hands.
    timeout_s : float
        Wall time that an action may take; a turn of the control may take as long as its speed asks on top.

    Raises
    ------
    LinkError
        Nobody is there; `LinkLost` if they went away.
    TimedOut
        No answer in time.
    ProtocolError
        An answer that cannot be one.
    InstrumentError
        The hands cannot do what was asked; says why.
    """

    places = ("panel", "dial", "cabinet", "antenna", "coil")

    def __init__(self, address: str, *, timeout_s: float = HOW_LONG_S) -> None:
        self.address = address
        self._timeout_s = timeout_s
        self._lock = threading.Lock()
        self._socket: socket.socket | None = None
        self._rest = b""

    def coil(self, name: str) -> None:
        """Plug in a coil."""
        self._do("coil", name=name)

    def dial(self, value: float) -> float:
        """Set the tuning dial; returns the reading as a person reads it."""
        return float(self._do("dial", value=value)["dial"])

    def control(self, angle_deg: float, speed_deg_s: float = 60.0) -> float:
        """Turn the regeneration control to an angle; returns the angle as a person judges it."""
        reply = self._do(
            "control", WHOLE_TURN_DEG / max(speed_deg_s, 0.01), angle_deg=angle_deg, speed_deg_s=speed_deg_s
        )
        return float(reply["angle_deg"])

    def turn(self, to_deg: float, speed_deg_s: float, wait: bool = True) -> float | None:
        """Turn the control slowly; with `wait` returns the judged angle when there, else at once, while it turns."""
        longer = WHOLE_TURN_DEG / max(speed_deg_s, 0.01) if wait else 0.0
        reply = self._do("turn", longer, to_deg=to_deg, speed_deg_s=speed_deg_s, wait=wait)
        return float(reply["angle_deg"]) if wait else None

    def loop(self, near: bool) -> None:
        """Bring the pick-up loop to the coil, or take it away."""
        self._do("loop", near=near)

    def move_loop(self, looser: bool) -> None:
        """Move the pick-up loop a little further from the coil, or nearer."""
        self._do("move_loop", looser=looser)

    def antenna(self, connected: bool) -> None:
        """Connect or disconnect the antenna."""
        self._do("antenna", connected=connected)

    def valve(self, working: bool) -> None:
        """Heater and supply on, or off."""
        self._do("valve", working=working)

    def added(self, c_f: float | None) -> None:
        """Put a known capacitor (its marked value in F) across the tuning capacitor, or take it off."""
        self._do("added", c_f=c_f)

    def hand(self, position: str | None) -> None:
        """Hold a hand near the set, at one of `places`; None takes it away."""
        self._do("hand", position=position)

    def standard(self, name: str | None) -> None:
        """Put a calibration standard (open, short, load) in the loop's place; None puts the loop back."""
        self._do("standard", name=name)

    def listen(self, on: bool) -> None:
        """Headphones on: the mark is pressed whenever oscillation is heard to start or stop."""
        self._do("listen", on=on)

    def cable(self, what: str, *, plugged: bool, new_port: bool = False) -> str:
        """Pull the cable of `analyzer`, `generator` or `sensor`, or plug it in again; returns the address it then has."""
        return str(self._do("cable", what=what, plugged=plugged, new_port=new_port)["address"])

    def fault(self, text: str) -> None:
        """Have something go wrong, said as `python -m bench.virtual --help` says it."""
        self._do("fault", text=text)

    def state(self) -> dict[str, Any]:
        """How the set stands, as far as a person can see and hear."""
        reply = self._do("state")
        del reply["ok"]
        return reply

    def close(self) -> None:
        """Let go; may be called twice."""
        with self._lock:
            self._drop()

    def _drop(self) -> None:
        # A late answer would belong to the old question: never keep a link that failed.
        if self._socket is not None:
            self._socket.close()
        self._socket, self._rest = None, b""

    def _link(self) -> socket.socket:
        if self._socket is None:
            host, _, port = self.address.rpartition(":")
            try:
                self._socket = socket.create_connection((host, int(port)), timeout=self._timeout_s)
            except (OSError, ValueError, OverflowError) as problem:
                raise LinkError(
                    "no virtual operator answers there.", port=self.address, hint=AGAIN
                ) from problem
        return self._socket

    def _do(self, verb: str, longer_s: float = 0.0, **details: Any) -> dict[str, Any]:
        request = json.dumps({"do": verb, **details}).encode() + b"\n"
        with self._lock:
            try:
                link = self._link()
                link.settimeout(self._timeout_s + longer_s)
                link.sendall(request)
                reply = self._parse(self._line(link))
            except TimeoutError as problem:
                self._drop()
                raise TimedOut(
                    f"the virtual operator did not finish {verb!r} in time.", port=self.address, hint=AGAIN
                ) from problem
            except OSError as problem:
                self._drop()
                raise LinkLost("the virtual operator has gone.", port=self.address, hint=AGAIN) from problem
            except (LinkError, ProtocolError):
                self._drop()
                raise
        if not reply["ok"]:
            raise InstrumentError(
                f"the virtual operator cannot do that: {reply.get('why')}.", port=self.address
            )
        return reply

    def _line(self, link: socket.socket) -> bytes:
        while b"\n" not in self._rest:
            if len(self._rest) > LONGEST_REPLY:
                raise ProtocolError(f"an endless answer: {self._rest[:40]!r}…", port=self.address, hint=AGAIN)
            data = link.recv(4096)
            if not data:
                raise LinkLost("the virtual operator has gone.", port=self.address, hint=AGAIN)
            self._rest += data
        line, _, self._rest = self._rest.partition(b"\n")
        return line

    def _parse(self, line: bytes) -> dict[str, Any]:
        try:
            reply = json.loads(line)
        except ValueError:
            reply = None
        if not isinstance(reply, dict) or not isinstance(reply.get("ok"), bool):
            raise ProtocolError(f"not an answer: {line[:80]!r}.", port=self.address, hint=AGAIN)
        return reply


class VirtualBench:
    """The virtual bench in a process of its own, for the length of a `with`.

    Parameters
    ----------
    plan : Path
        The plan that the hidden truth is drawn around.
    seed, speed : optional
        In place of the plan's own.
    truth : Path, optional
        Where the truth is written, for a test or the demo to compare with.
    faults : sequence of str
        What goes wrong, as `python -m bench.virtual --help` says it.

    Raises
    ------
    BenchError
        It did not start; says why.
    """

    def __init__(
        self,
        plan: Path,
        *,
        seed: int | None = None,
        speed: float | None = None,
        truth: Path | None = None,
        faults: Sequence[str] = (),
    ) -> None:
        self._command = [sys.executable, "-m", "bench.virtual", "--plan", str(plan)]
        options = (
            ("--seed", seed),
            ("--speed", speed),
            ("--truth", truth),
            *(("--fault", fault) for fault in faults),
        )
        for name, value in options:
            if value is not None:
                self._command.append(f"{name}={value}")
        self._process: subprocess.Popen[str] | None = None
        self._errors: IO[str] | None = None
        self._hands: Hands | None = None
        self._addresses: dict[str, str] = {}

    @property
    def addresses(self) -> Mapping[str, str]:
        """Where `analyzer`, `generator`, `sensor` and `hands` are."""
        return self._addresses

    @property
    def hands(self) -> Hands:
        """The virtual operator's hands."""
        if self._hands is None:
            raise BenchError("The virtual bench is not running.")
        return self._hands

    def __enter__(self) -> Self:
        self._errors = tempfile.TemporaryFile("w+", encoding="utf-8", errors="replace")
        try:
            self._process = subprocess.Popen(
                self._command,
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=self._errors,
                text=True,
                encoding="utf-8",
            )
            self._addresses = self._first_line(self._process)
            self._hands = Hands(self._addresses["hands"])
        except BaseException:
            self.close()
            raise
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """End the process; may be called twice."""
        if self._hands is not None:
            self._hands.close()
            self._hands = None
        process, self._process = self._process, None
        if process is not None:
            _end(process)
        if self._errors is not None:
            self._errors.close()
            self._errors = None

    def _first_line(self, process: subprocess.Popen[str]) -> dict[str, str]:
        lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        out = process.stdout
        assert out is not None
        # A thread, since a pipe cannot be waited for with a limit on every system.
        threading.Thread(target=lambda: lines.put(out.readline()), name="virtual bench", daemon=True).start()
        try:
            told = json.loads(lines.get(timeout=START_S) or "null")
        except queue.Empty:
            raise BenchError(f"The virtual bench did not start within {START_S:.0f} s. Try again.") from None
        except ValueError:
            told = None
        if not isinstance(told, dict):
            raise BenchError(f"The virtual bench did not start: {self._last_error(process)}")
        return {key: value for key, value in told.items() if isinstance(value, str)}

    def _last_error(self, process: subprocess.Popen[str]) -> str:
        try:
            process.wait(END_S)
        except subprocess.TimeoutExpired:
            process.kill()
        assert self._errors is not None
        self._errors.seek(0)
        said = [line.strip() for line in self._errors.read().splitlines() if line.strip()]
        return said[-1] if said else f"it ended with code {process.returncode}."


def _end(process: subprocess.Popen[str]) -> None:
    """Close its standard input, which ends it; terminate, then kill, if it does not."""
    if process.stdin is not None:
        # It may have gone already, and the pipe with it.
        with contextlib.suppress(OSError):
            process.stdin.close()
    for harder in (process.terminate, process.kill):
        try:
            process.wait(END_S)
            break
        except subprocess.TimeoutExpired:
            harder()
    process.wait()
    if process.stdout is not None:
        process.stdout.close()
