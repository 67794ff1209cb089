"""Bytes in and out of a port, with a limit on every wait. Knows no instrument.

Three verbs: `write`, `read_until`, `close`; `read_some` hands a stream over as it comes. A wait that ends leaves what
has come in the buffer; `discard` throws it away, which whoever gave up on an answer must do before the next question.
"""

from __future__ import annotations

import select
import socket
import time
from abc import ABC, abstractmethod
from typing import Any, Protocol

from drivers.boundary import boundary, quote
from drivers.errors import LinkLost, Misuse, ProtocolError, TimedOut

# A port that cannot be interrupted while it waits is asked in steps of this length.
_STEP_S = 0.05
# How often, at most, what has come in is looked at once more after a wait has ended.
_MOST_LATE_LOOKS = 16
_CHUNK = 65536
DEFAULT_TIMEOUT_S = 2.0


class Transport(Protocol):
    """An open port."""

    @property
    def port(self) -> str:
        """Name or address, as the user wrote it."""
        ...

    def write(self, data: bytes) -> None:
        """Send everything or raise."""
        ...

    def read_until(self, end: bytes, timeout_s: float, *, most: int = 1 << 20) -> bytes:
        """Everything up to and without `end`; `ProtocolError` beyond `most` bytes."""
        ...

    def read_some(self, timeout_s: float) -> bytes:
        """What has come in, waiting at most `timeout_s` for the first byte; empty when nothing came."""
        ...

    def discard(self) -> None:
        """Throw away what has come in."""
        ...

    def close(self) -> None:
        """Let go of the port; may be called twice."""
        ...


class _Buffered(ABC):
    """The shared half of every transport: an own buffer, so that no half line is ever handed out."""

    def __init__(self, port: str) -> None:
        self._port = port
        self._buffer = bytearray()
        self._closed = False

    @property
    def port(self) -> str:
        return self._port

    @abstractmethod
    def _fetch(self, timeout_s: float) -> bytes:
        """Some bytes, or none after about `timeout_s`; raises `LinkLost` at the end of the link."""

    @abstractmethod
    def write(self, data: bytes) -> None: ...

    @abstractmethod
    def close(self) -> None: ...

    def _check_open(self) -> None:
        if self._closed:
            raise LinkLost("the port is closed.", port=self._port)

    def read_until(self, end: bytes, timeout_s: float, *, most: int = 1 << 20) -> bytes:
        self._check_open()
        deadline = time.monotonic() + timeout_s
        seen = 0
        late_looks = _MOST_LATE_LOOKS
        while True:
            at = self._buffer.find(end, max(0, seen - len(end) + 1))
            if 0 <= at <= most:
                line = bytes(self._buffer[:at])
                del self._buffer[: at + len(end)]
                return line
            seen = len(self._buffer)
            if seen > most:
                raise ProtocolError(
                    f"more than {most} bytes came without an end: {quote(bytes(self._buffer[:64]))}.",
                    port=self._port,
                    hint="Check that the plan names the right driver and speed for this port.",
                )
            left = deadline - time.monotonic()
            if left <= 0:
                late_looks -= 1
            # What came while this program was not given its turn has come in time.
            late = self._fetch(0.0) if left <= 0 and late_looks >= 0 else b""
            if left <= 0 and not late:
                got = f"only {quote(bytes(self._buffer))} came" if self._buffer else "nothing came"
                raise TimedOut(
                    f"no whole answer within {timeout_s:g} s; {got}.",
                    port=self._port,
                    hint="Check that the instrument is on, then try again.",
                )
            self._buffer += self._fetch(left) if left > 0 else late

    def read_some(self, timeout_s: float) -> bytes:
        self._check_open()
        if not self._buffer:
            deadline = time.monotonic() + timeout_s
            while not self._buffer:
                left = deadline - time.monotonic()
                self._buffer += self._fetch(max(0.0, left))
                if left <= 0:
                    break
        out = bytes(self._buffer)
        self._buffer.clear()
        return out

    def discard(self) -> None:
        self._check_open()
        self._buffer.clear()
        # One chunk at a time and not for ever: a stream that never pauses must not hold the caller.
        for _ in range(256):
            if not self._fetch(0.0):
                return


class SerialTransport(_Buffered):
    """A serial port by pyserial, held exclusively where the system can do that.

    Parameters
    ----------
    port : str
        Device name (`/dev/ttyACM0`, `COM5`).
    baud : int
        Bits per second; USB boards ignore it.
    settings
        Further keyword arguments of `serial.Serial` (bytesize, parity, stopbits, xonxoff, rtscts).
    """

    def __init__(self, port: str, *, baud: int = 115200, **settings: Any) -> None:
        super().__init__(port)
        import serial

        with boundary(port, opening=True):
            try:
                self._serial = serial.Serial(
                    port, baud, timeout=_STEP_S, write_timeout=DEFAULT_TIMEOUT_S, exclusive=True, **settings
                )
            except ValueError:
                # Systems without exclusive access say so by ValueError.
                self._serial = serial.Serial(
                    port, baud, timeout=_STEP_S, write_timeout=DEFAULT_TIMEOUT_S, **settings
                )

    def _fetch(self, timeout_s: float) -> bytes:
        deadline = time.monotonic() + timeout_s
        with boundary(self._port):
            while True:
                waiting = self._serial.in_waiting
                if waiting or timeout_s > 0:
                    data = bytes(self._serial.read(min(waiting, _CHUNK) or 1))
                    if data:
                        return data
                if time.monotonic() >= deadline:
                    return b""

    def write(self, data: bytes) -> None:
        self._check_open()
        with boundary(self._port):
            sent = self._serial.write(data)
        if sent is not None and sent != len(data):
            raise LinkLost(f"only {sent} of {len(data)} bytes could be sent.", port=self._port)

    def close(self) -> None:
        if not self._closed:
            self._closed = True
            with boundary(self._port):
                self._serial.close()


class SocketTransport(_Buffered):
    """A TCP connection, for boards behind a network port and for machines without pseudo-terminals."""

    def __init__(self, host: str, tcp_port: int, *, port: str = "", timeout_s: float = 5.0) -> None:
        super().__init__(port or f"socket://{host}:{tcp_port}")
        with boundary(self._port, opening=True):
            self._socket = socket.create_connection((host, tcp_port), timeout_s)
            self._socket.settimeout(DEFAULT_TIMEOUT_S)
            self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _fetch(self, timeout_s: float) -> bytes:
        # By select, so that a thread that writes meanwhile keeps its own time limit.
        with boundary(self._port):
            ready, _, _ = select.select([self._socket], [], [], max(timeout_s, 0.0))
            if not ready:
                return b""
            data = self._socket.recv(_CHUNK)
        if not data:
            raise LinkLost(
                "the other end closed the connection.",
                port=self._port,
                hint="Check that it is still running, then try again.",
            )
        return data

    def write(self, data: bytes) -> None:
        self._check_open()
        with boundary(self._port):
            self._socket.sendall(data)

    def close(self) -> None:
        if not self._closed:
            self._closed = True
            with boundary(self._port):
                self._socket.close()


def open_transport(port: str, **settings: Any) -> Transport:
    """Open `port`: `socket://HOST:PORT`, or the name of a serial port.

    Raises
    ------
    LinkError
        The port is missing, busy, forbidden, or cannot be opened.
    Misuse
        The address cannot be read.
    """
    if port.startswith("socket://"):
        host, _, number = port.removeprefix("socket://").rpartition(":")
        if not host or not (number.isascii() and number.isdigit()) or not 0 < int(number) < 65536:
            raise Misuse("an address is written socket://HOST:PORT.", port=port)
        return SocketTransport(host.strip("[]"), int(number), port=port)
    if not port:
        raise Misuse("no port is named.", hint='Give one, for example port = "/dev/ttyACM0" or "COM5".')
    return SerialTransport(port, **settings)
