"""Messages to and from an instrument over PyVISA, with a limit on every wait.

Knows no instrument. Written around what pyvisa-py does: opening a raw socket succeeds with nobody listening; a peer
that closes looks like a wait that ends; a wait is only looked at while nothing comes, so that a slow drip would hold
it for ever (a timer closes the link then); what came before a wait ended is lost with it.
"""

from __future__ import annotations

import contextlib
import math
import socket
import threading
import time
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

from drivers.boundary import boundary, quote
from drivers.errors import LinkLost, Misuse, ProtocolError, TimedOut

if TYPE_CHECKING:
    from pyvisa.resources import MessageBasedResource

_CHUNK = 20480
# Lists of frequencies are sent in one message; nothing longer is.
_LONGEST_MESSAGE = 32768
# A whole exchange may overrun its limit by this much before the link is closed under it.
_GRACE_S = 0.25


class VisaLink:
    """One instrument address.

    Parameters
    ----------
    address : str
        VISA resource string.
    timeout_s : float
        Limit of a wait where none is given.
    library : str
        PyVISA's name of the backend.
    settings
        Attributes of the resource (`baud_rate`, `parity`… of a serial one).
    """

    def __init__(
        self, address: str, *, timeout_s: float = 5.0, library: str = "@py", **settings: Any
    ) -> None:
        self.address = address
        self.timeout_s = timeout_s
        self._library = library
        self._settings = settings
        self._resource: MessageBasedResource | None = None
        self._waits_s: float | None = None
        self._watch = _Watch()
        # Whether messages end by a character only (socket, serial), not by the link's own sign.
        self._by_character = True

    @property
    def is_open(self) -> bool:
        """Whether there is a link to ask over."""
        return self._resource is not None and not self._watch.has_cut

    def open(self) -> None:
        """Open the address. Says nothing about whether anybody is there.

        Raises
        ------
        LinkError
            It cannot be opened.
        Misuse
            It is not the address of an instrument that takes messages.
        """
        import pyvisa
        from pyvisa.resources import MessageBasedResource, SerialInstrument, TCPIPSocket

        with boundary(self.address, opening=True):
            manager = pyvisa.ResourceManager(self._library)
            resource = manager.open_resource(self.address, open_timeout=int(self.timeout_s * 1000))
            if not isinstance(resource, MessageBasedResource):
                resource.close()
                raise Misuse("this address does not take messages.", port=self.address)
            try:
                self._by_character = isinstance(resource, (SerialInstrument, TCPIPSocket))
                resource.timeout = self.timeout_s * 1000
                resource.write_termination = "\n"
                resource.read_termination = "\n" if self._by_character else None
                if isinstance(resource, TCPIPSocket):
                    _send_at_once(resource)
                for name, value in self._settings.items():
                    setattr(resource, name, value)
            except BaseException:
                resource.close()
                raise
        self._resource = resource
        self._waits_s = None
        self._watch = _Watch(resource)

    def close(self) -> None:
        """Let go of the address; may be called twice."""
        self._resource = None
        self._watch.close()

    def write(self, text: str) -> None:
        """Send one message; its end is added."""
        if len(text) > _LONGEST_MESSAGE or not text.isascii() or "\n" in text or "\r" in text:
            raise Misuse(f"{text[:40]!r} cannot be sent as one message.", port=self.address)
        resource = self._open_resource()
        with boundary(self.address):
            resource.write_raw(text.encode("ascii") + b"\n")

    def read_line(self, timeout_s: float | None = None, *, most: int = 1 << 20) -> bytes:
        """One text answer without its end."""

        def whole(data: bytearray, ended: bool) -> bool:
            return data.endswith(b"\n") or (ended and not self._by_character)

        return bytes(self._read(whole, timeout_s, most)).rstrip(b"\r\n")

    def read_exactly(
        self, length: Callable[[bytes], int | None], timeout_s: float | None = None, *, most: int = 1 << 24
    ) -> bytes:
        """An answer that says how long it is.

        Parameters
        ----------
        length : callable
            From what has come so far to the whole length without the message end; None while it cannot tell; raises
            `ProtocolError` when this cannot be such an answer.
        """

        def whole(data: bytearray, ended: bool) -> bool:
            expected = length(bytes(data[:32]))
            if ended and not self._by_character:
                return True
            if expected is None:
                return False
            return len(data) > expected

        data = bytes(self._read(whole, timeout_s, most))
        expected = length(data[:32])
        if expected is not None and data[expected:] in (b"\n", b"\r\n", b""):
            return data[:expected]
        return data

    def _open_resource(self) -> MessageBasedResource:
        if self._resource is None or self._watch.has_cut:
            raise LinkLost("the link is closed.", port=self.address)
        return self._resource

    def _read(
        self, whole: Callable[[bytearray, bool], bool], timeout_s: float | None, most: int
    ) -> bytearray:
        from pyvisa.constants import StatusCode

        resource = self._open_resource()
        limit = self.timeout_s if timeout_s is None else timeout_s
        deadline = time.monotonic() + limit
        data = bytearray()
        with (
            self._limited(limit + _GRACE_S),
            boundary(self.address),
            resource.ignore_warning(StatusCode.success_max_count_read, StatusCode.success_device_not_present),
        ):
            self._wait_at_most(resource, limit)
            while True:
                chunk, status = resource.visalib.read(resource.session, _CHUNK)
                data += chunk
                if whole(data, status == StatusCode.success):
                    return data
                if len(data) > most:
                    raise ProtocolError(
                        f"more than {most} bytes came where an answer was expected: {quote(bytes(data[:64]))}.",
                        port=self.address,
                    )
                left = deadline - time.monotonic()
                if left <= 0:
                    raise TimedOut(
                        f"no whole answer within {limit:g} s; {quote(bytes(data))} came.",
                        port=self.address,
                        hint="Check the instrument, then try again.",
                    )
                if left < 0.8 * limit:
                    self._wait_at_most(resource, left)

    def _wait_at_most(self, resource: MessageBasedResource, seconds: float) -> None:
        # Setting it takes as long as a short answer, and it is mostly the same.
        if seconds != self._waits_s:
            resource.timeout = max(1.0, seconds * 1000)
            self._waits_s = seconds

    @contextlib.contextmanager
    def _limited(self, seconds: float) -> Iterator[None]:
        """Closes the link under an exchange that goes on for too long."""
        watch = self._watch
        watch.deadline = time.monotonic() + seconds
        try:
            yield
        except Exception as error:
            if not watch.has_cut:
                raise
            raise TimedOut(
                f"the answer did not end within {seconds - _GRACE_S:g} s.",
                port=self.address,
                hint="Check the instrument, then try again.",
            ) from error
        finally:
            watch.deadline = math.inf


class _Watch:
    """Closes a resource when a deadline passes. One thread for as long as the link is open: starting one for each
    answer would take longer than the answer."""

    _LOOK_EVERY_S = 0.1

    def __init__(self, resource: MessageBasedResource | None = None) -> None:
        self.deadline = math.inf
        self.has_cut = False
        self._resource = resource
        self._stop = threading.Event()
        if resource is not None:
            threading.Thread(target=self._run, name="watch over a wait", daemon=True).start()

    def _run(self) -> None:
        while not self._stop.wait(self._LOOK_EVERY_S):
            if time.monotonic() > self.deadline:
                self.has_cut = True
                self.close()

    def close(self) -> None:
        """Close the resource; may be called twice."""
        self._stop.set()
        resource, self._resource = self._resource, None
        if resource is not None:
            # A link that is broken may not even close properly; it is gone all the same.
            with contextlib.suppress(Exception):
                resource.close()


def _send_at_once(resource: Any) -> None:
    """A setting and the question after it are two small packets: they must not wait for each other (40 ms and more).

    pyvisa-py 0.8 refuses the attribute that VISA has for this, so its socket is set; where that is not to be had, the
    link is slower and works all the same.
    """
    with contextlib.suppress(Exception):
        session = resource.visalib.sessions[resource.session]
        session.interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
