"""One suite for every transport: a pseudo-terminal by pyserial, and a socket."""

from __future__ import annotations

import contextlib
import os
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from drivers.errors import LinkError, LinkLost, Misuse, PortBusy, PortMissing, ProtocolError, TimedOut
from drivers.transport import SerialTransport, Transport, open_transport

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
            accepted.wait(5)
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
    assert transport.read_until(b"\r\n", 2) == b"one"

    def rest() -> None:
        time.sleep(0.03)
        far.send(b"\nthr")
        time.sleep(0.03)
        far.send(b"ee\r\n")

    thread = threading.Thread(target=rest)
    thread.start()
    assert transport.read_until(b"\r\n", 2) == b"two"
    assert transport.read_until(b"\r\n", 2) == b"three"
    thread.join()


def test_a_wait_ends_and_keeps_what_came(wire: tuple[Transport, FarEnd]) -> None:
    transport, far = wire
    far.send(b"half a li")
    with pytest.raises(TimedOut, match="half a li"):
        transport.read_until(b"\n", 0.1)
    far.send(b"ne\n")
    assert transport.read_until(b"\n", 2) == b"half a line"


def test_a_line_that_never_ends_is_refused(wire: tuple[Transport, FarEnd]) -> None:
    transport, far = wire
    far.send(b"7" * 1000)
    with pytest.raises(ProtocolError, match="without an end"):
        transport.read_until(b"\n", 2, most=500)


def test_a_stream_is_handed_over_as_it_comes(wire: tuple[Transport, FarEnd]) -> None:
    transport, far = wire
    assert transport.read_some(0.02) == b""
    far.send(b"abcdef")
    got = b""
    while len(got) < 6:
        got += transport.read_some(2)
    assert got == b"abcdef"


def test_discard_throws_away_what_came(wire: tuple[Transport, FarEnd]) -> None:
    transport, far = wire
    far.send(b"old\nol")
    assert transport.read_until(b"\n", 2) == b"old"
    transport.discard()
    far.send(b"new\n")
    assert transport.read_until(b"\n", 2) == b"new"


def test_a_dead_far_end_is_a_lost_link(wire: tuple[Transport, FarEnd]) -> None:
    transport, far = wire
    transport.write(b"x\n")
    far.receive()
    far.hang_up()
    with pytest.raises(LinkLost):
        transport.read_until(b"\n", 2)


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
    with socket.create_server(("127.0.0.1", 0)) as listener:
        number = listener.getsockname()[1]
    with pytest.raises(PortMissing):
        open_transport(f"socket://127.0.0.1:{number}")


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
