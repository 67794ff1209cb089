"""One suite for every transport: a pseudo-terminal by pyserial, and a socket."""

from __future__ import annotations

import contextlib
import itertools
import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from patience import LONG_S

from drivers.errors import LinkError, LinkLost, Misuse, PortBusy, PortMissing, ProtocolError, TimedOut
from drivers.transport import SerialTransport, Transport, _Buffered, open_transport

needs_terminals = pytest.mark.skipif(
    not hasattr(os, "openpty"), reason="needs a system with pseudo-terminals"
)


class FarEnd:
    """The other end of a wire."""

    def __init__(
        self,
        port: str,
        send: Callable[[bytes], object],
        receive: Callable[[], bytes],
        hang_up: Callable[[], None],
    ) -> None:
        self.port = port
        self.send = send
        self.receive = receive
        self.hang_up = hang_up


@contextlib.contextmanager
def terminal() -> Iterator[FarEnd]:
    import tty

    near, far = os.openpty()
    tty.setraw(far)
    closed = threading.Event()

    def hang_up() -> None:
        if not closed.is_set():
            closed.set()
            os.close(far)
            os.close(near)

    yield FarEnd(os.ttyname(far), lambda data: os.write(near, data), lambda: os.read(near, 4096), hang_up)
    hang_up()


@contextlib.contextmanager
def connection() -> Iterator[FarEnd]:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        held: list[socket.socket] = []
        accepted = threading.Event()

        def accept() -> None:
            held.append(listener.accept()[0])
            accepted.set()

        acceptor = threading.Thread(target=accept, daemon=True)
        acceptor.start()

        def client() -> socket.socket:
            accepted.wait(LONG_S)
            return held[0]

        yield FarEnd(
            f"socket://127.0.0.1:{listener.getsockname()[1]}",
            lambda data: client().sendall(data),
            lambda: client().recv(4096),
            lambda: client().close(),
        )
        acceptor.join()
        for one in held:
            one.close()


@pytest.fixture(params=[pytest.param(terminal, marks=needs_terminals), connection])
def wire(request: pytest.FixtureRequest) -> Iterator[tuple[Transport, FarEnd]]:
    with request.param() as far:
        transport = open_transport(far.port)
        yield transport, far
        with contextlib.suppress(LinkError):
            transport.close()


def test_writes_arrive(wire: tuple[Transport, FarEnd]) -> None:
    transport, far = wire
    transport.write(b"hello\n")
    assert far.receive() == b"hello\n"
    assert transport.port == far.port


def test_lines_are_framed_however_they_come(wire: tuple[Transport, FarEnd]) -> None:
    transport, far = wire
    far.send(b"one\r\ntwo\r")
    assert transport.read_until(b"\r\n", LONG_S) == b"one"

    def rest() -> None:
        time.sleep(0.03)
        far.send(b"\nthr")
        time.sleep(0.03)
        far.send(b"ee\r\n")

    thread = threading.Thread(target=rest)
    thread.start()
    assert transport.read_until(b"\r\n", LONG_S) == b"two"
    assert transport.read_until(b"\r\n", LONG_S) == b"three"
    thread.join()


def test_a_wait_ends_and_keeps_what_came(wire: tuple[Transport, FarEnd]) -> None:
    transport, far = wire
    far.send(b"half a li")
    with pytest.raises(TimedOut, match="half a li"):
        transport.read_until(b"\n", 0.3)
    far.send(b"ne\n")
    assert transport.read_until(b"\n", LONG_S) == b"half a line"


def test_a_line_that_never_ends_is_refused(wire: tuple[Transport, FarEnd]) -> None:
    transport, far = wire
    far.send(b"7" * 1000)
    with pytest.raises(ProtocolError, match="without an end"):
        transport.read_until(b"\n", LONG_S, most=500)


def test_a_stream_is_handed_over_as_it_comes(wire: tuple[Transport, FarEnd]) -> None:
    transport, far = wire
    assert transport.read_some(0.02) == b""
    far.send(b"abcdef")
    got = b""
    while len(got) < 6:
        got += transport.read_some(LONG_S)
    assert got == b"abcdef"


def test_discard_throws_away_what_came(wire: tuple[Transport, FarEnd]) -> None:
    transport, far = wire
    far.send(b"old\nol")
    assert transport.read_until(b"\n", LONG_S) == b"old"
    transport.discard()
    far.send(b"new\n")
    assert transport.read_until(b"\n", LONG_S) == b"new"


def test_a_dead_far_end_is_a_lost_link(wire: tuple[Transport, FarEnd]) -> None:
    transport, far = wire
    transport.write(b"x\n")
    far.receive()
    far.hang_up()
    with pytest.raises(LinkLost):
        transport.read_until(b"\n", LONG_S)


def test_after_closing_nothing_goes(wire: tuple[Transport, FarEnd]) -> None:
    transport, _ = wire
    transport.close()
    transport.close()
    with pytest.raises(LinkLost):
        transport.write(b"x")
    with pytest.raises(LinkLost):
        transport.read_some(0.01)


def test_missing_ports_are_told(tmp_path: Path) -> None:
    with pytest.raises(PortMissing, match="nope"):
        open_transport(str(tmp_path / "nope"))
    # Bound and not listening: nobody else can be given the port meanwhile.
    with socket.socket() as deaf:
        deaf.bind(("127.0.0.1", 0))
        with pytest.raises(PortMissing):
            open_transport(f"socket://127.0.0.1:{deaf.getsockname()[1]}")


@pytest.mark.parametrize(
    "port", ["", "socket://", "socket://host", "socket://:1", "socket://h:0", "socket://h:99999"]
)
def test_addresses_that_cannot_be_read_are_refused(port: str) -> None:
    with pytest.raises(Misuse):
        open_transport(port)


@needs_terminals
def test_a_plain_file_is_no_port(tmp_path: Path) -> None:
    plain = tmp_path / "file"
    plain.write_text("")
    with pytest.raises(PortMissing, match="not a serial port"):
        open_transport(str(plain))


@needs_terminals
def test_a_port_is_held_exclusively() -> None:
    with terminal() as far:
        first = SerialTransport(far.port)
        with pytest.raises(PortBusy):
            SerialTransport(far.port)
        first.close()
        SerialTransport(far.port).close()


class Slept(_Buffered):
    """The far end of a program that slept past the end of its wait."""

    def __init__(self, pieces: Iterator[bytes], clock: list[float]) -> None:
        super().__init__("slept")
        self._pieces = pieces
        self._clock = clock

    def _fetch(self, timeout_s: float) -> bytes:
        if timeout_s > 0:
            self._clock[0] += 10.0
            return b""
        return next(self._pieces, b"")

    def write(self, data: bytes) -> None:
        raise AssertionError

    def close(self) -> None:
        raise AssertionError


def test_what_came_while_the_program_slept_came_in_time(monkeypatch: pytest.MonkeyPatch) -> None:
    clock = [0.0]
    monkeypatch.setattr("drivers.transport.time.monotonic", lambda: clock[0])
    assert Slept(iter([b"li", b"ne\n"]), clock).read_until(b"\n", 1.0) == b"line"
    with pytest.raises(TimedOut, match="half"):
        Slept(iter([b"half"]), clock).read_until(b"\n", 1.0)
    with pytest.raises(TimedOut):
        Slept(itertools.repeat(b"7"), clock).read_until(b"\n", 1.0)
