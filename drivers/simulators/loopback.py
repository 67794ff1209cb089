"""A TCP server on the loopback interface that plays one instrument, and the playing of faults on its messages."""

from __future__ import annotations

import contextlib
import select
import socket
import struct
import threading
import time
from collections.abc import Callable
from typing import Protocol

from drivers.simulators.faults import Fault, Faults, damage


class Unplugged(Exception):
    """The simulated cable came out; ends a conversation."""


class Stopped(Exception):
    """The server is closing; ends a conversation."""


class Line(Protocol):
    """Whatever carries bytes to the other end."""

    def send(self, data: bytes) -> None:
        """Send everything, waiting as long as the other end takes; raises `Stopped` or `Unplugged`."""
        ...

    def pause(self, seconds: float) -> None:
        """Wait; raises `Stopped` when the server closes meanwhile."""
        ...

    def break_off(self, unplug: bool) -> None:
        """End the link; `unplug` keeps it away until plugged in again. Raises `Unplugged`."""
        ...


class Mishaps:
    """Sends messages over a line and lets the faults that are due happen to them."""

    def __init__(self, faults: Faults | None) -> None:
        self.faults = faults if faults is not None else Faults()
        self._held = b""

    def send(
        self,
        line: Line,
        name: str,
        message: bytes,
        spoil: Callable[[bytes, Fault], bytes | None] | None = None,
    ) -> None:
        """Send `message`, called `name`; `spoil` may know better than `damage` how this kind of message breaks."""
        taken = self.faults.take(name)
        if taken is None:
            held, self._held = self._held, b""
            line.send(message + held)
            return
        fault = taken[0]
        rng = self.faults.random
        if fault.kind == "stall":
            line.pause(fault.seconds)
            line.send(message)
        elif fault.kind == "drip":
            for byte in message:
                line.send(bytes([byte]))
                line.pause(fault.seconds)
        elif fault.kind == "drop":
            pass
        elif fault.kind == "duplicate":
            line.send(message + message)
        elif fault.kind == "reorder":
            self._held += message
        elif fault.kind in ("endless line", "endless stream"):
            filler = b"7" * 512 if fault.kind == "endless line" else b"7,7,7\r\n" * 64
            until = time.monotonic() + fault.seconds
            while time.monotonic() < until:
                line.send(filler)
                line.pause(0.001)
        elif fault.kind in ("reset", "unplug"):
            line.send(message[: rng.randrange(len(message))])
            line.break_off(fault.kind == "unplug")
        else:
            spoiled = spoil(message, fault) if spoil is not None else None
            line.send(damage(message, fault, rng) if spoiled is None else spoiled)


class Conversation:
    """One client of a loopback server."""

    def __init__(self, server: LoopbackServer, client: socket.socket) -> None:
        self._server = server
        self._client = client
        client.setblocking(False)
        client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._buffer = bytearray()

    def send(self, data: bytes) -> None:
        rest = memoryview(data)
        while rest:
            self._server.check()
            _, ready, _ = select.select([], [self._client], [], 0.05)
            if ready:
                try:
                    rest = rest[self._client.send(rest) :]
                except BlockingIOError:
                    continue

    def pause(self, seconds: float) -> None:
        if self._server.stopping.wait(seconds):
            raise Stopped
        self._server.check()

    def break_off(self, unplug: bool) -> None:
        if unplug:
            self._server.unplug()
        # No lingering: the other end sees a reset, as when a cable comes out.
        self._client.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self._client.close()
        raise Unplugged

    def receive(self, timeout_s: float) -> bytes | None:
        """What came in; None when the client has gone; empty after `timeout_s`."""
        self._server.check()
        ready, _, _ = select.select([self._client], [], [], timeout_s)
        if not ready:
            return b""
        return self._client.recv(65536) or None

    def read_line(self, longest: int = 65536) -> bytes | None:
        """The next line without its end; None when the client has gone."""
        while b"\n" not in self._buffer:
            data = self.receive(0.05)
            if data is None:
                return None
            self._buffer += data
            if len(self._buffer) > longest:
                self._buffer.clear()
        line, _, rest = bytes(self._buffer).partition(b"\n")
        self._buffer = bytearray(rest)
        return line.rstrip(b"\r")


class LoopbackServer:
    """Listens on 127.0.0.1 and plays one instrument to every client that comes; closes cleanly.

    Parameters
    ----------
    talk : callable
        Holds one conversation; returns when the client has gone.
    host, port : str, int
        Where to listen; port 0 takes a free one.
    """

    def __init__(self, talk: Callable[[Conversation], None], host: str = "127.0.0.1", port: int = 0) -> None:
        self._talk = talk
        self.host = host
        self.stopping = threading.Event()
        self._unplugged = threading.Event()
        self._threads: list[threading.Thread] = []
        self._listener: socket.socket | None = None
        self.tcp_port = port
        self._listen()

    @property
    def address(self) -> str:
        """As `drivers.transport` opens it."""
        return f"socket://{self.host}:{self.tcp_port}"

    def _listen(self) -> None:
        listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
        listener.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        listener.bind((self.host, self.tcp_port))
        listener.listen()
        self.tcp_port = int(listener.getsockname()[1])
        self._listener = listener
        thread = threading.Thread(target=self._accept, args=(listener,), name="listener", daemon=True)
        self._acceptor = thread
        thread.start()

    def _accept(self, listener: socket.socket) -> None:
        listener.settimeout(0.05)
        while not self.stopping.is_set() and listener is self._listener:
            try:
                client, _ = listener.accept()
            except TimeoutError:
                continue
            except OSError:
                break
            self._threads = [thread for thread in self._threads if thread.is_alive()]
            thread = threading.Thread(target=self._converse, args=(client,), name="conversation", daemon=True)
            self._threads.append(thread)
            thread.start()
        listener.close()

    def _converse(self, client: socket.socket) -> None:
        with client, contextlib.suppress(Stopped, Unplugged, OSError):
            self._talk(Conversation(self, client))

    def _stop_listening(self) -> None:
        """The port is free again when this returns."""
        listener, self._listener = self._listener, None
        if listener is not None:
            # Wakes the thread that waits for a client, where the system can do that.
            with contextlib.suppress(OSError):
                listener.shutdown(socket.SHUT_RDWR)
        if self._acceptor is not threading.current_thread():
            self._acceptor.join(timeout=5.0)

    def check(self) -> None:
        """Raise `Stopped` or `Unplugged` when the conversation must end."""
        if self.stopping.is_set():
            raise Stopped
        if self._unplugged.is_set():
            raise Unplugged

    def unplug(self) -> None:
        """Nobody can reach the instrument any more, until `plug_in`."""
        self._unplugged.set()
        self._stop_listening()

    def plug_in(self, *, new_port: bool = False) -> None:
        """Reachable again, on the same port or a new one."""
        if new_port:
            self.tcp_port = 0
        self._unplugged.clear()
        if self._listener is None:
            self._listen()

    def close(self) -> None:
        """Stop listening and end every conversation."""
        self.stopping.set()
        self._stop_listening()
        for thread in self._threads:
            if thread is not threading.current_thread():
                thread.join(timeout=5.0)
