"""A pseudo-terminal that plays one instrument to whoever opens it as a serial port; a loopback socket elsewhere."""

from __future__ import annotations

import contextlib
import os
import select
import sys
import threading
from collections.abc import Callable
from typing import Any

from drivers.simulators.loopback import LoopbackServer, Stopped, Unplugged


def open_wire(talk: Callable[[Any], None], terminal: bool | None) -> Terminal | LoopbackServer:
    """A serial port, or a socket where there are no pseudo-terminals or `terminal` is False."""
    able = hasattr(os, "openpty") and sys.platform != "win32"
    return Terminal(talk) if (able if terminal is None else terminal) else LoopbackServer(talk)


class Terminal:
    """A pseudo-terminal whose far end is a serial port to everybody else."""

    def __init__(self, talk: Callable[[Any], None]) -> None:
        self._talk = talk
        self.stopping = threading.Event()
        self._unplugged = threading.Event()
        self._thread: threading.Thread | None = None
        self.path = ""
        self._start()

    def _start(self) -> None:
        import tty

        near, far = os.openpty()
        # Raw: no echo, no line editing, bytes as they are.
        tty.setraw(far)
        os.set_blocking(near, False)
        self.path = os.ttyname(far)
        self._thread = threading.Thread(target=self._run, args=(near, far), name="far end", daemon=True)
        self._thread.start()

    def _run(self, near: int, far: int) -> None:
        # The far end stays open here, so that a port that nobody uses does not hang up.
        try:
            with contextlib.suppress(Stopped, Unplugged, OSError):
                self._talk(TerminalLine(self, near))
        finally:
            os.close(near)
            os.close(far)

    def check(self) -> None:
        if self.stopping.is_set():
            raise Stopped
        if self._unplugged.is_set():
            raise Unplugged

    @property
    def address(self) -> str:
        """Name of the serial port."""
        return self.path

    def come_out(self) -> None:
        """The plug comes out; the conversation ends at its next step."""
        self._unplugged.set()

    def unplug(self) -> None:
        """Out, and gone when this returns."""
        self.come_out()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(timeout=5.0)

    def plug_in(self, *, new_port: bool = False) -> None:
        if self._unplugged.is_set():
            self._unplugged.clear()
            self._start()

    def close(self) -> None:
        self.stopping.set()
        if self._thread is not None and self._thread is not threading.current_thread():
            self._thread.join(timeout=5.0)


class TerminalLine:
    """The instrument's end of the pseudo-terminal."""

    def __init__(self, terminal: Terminal, near: int) -> None:
        self._terminal = terminal
        self._near = near

    def send(self, data: bytes) -> None:
        rest = memoryview(data)
        while rest:
            self._terminal.check()
            _, ready, _ = select.select([], [self._near], [], 0.05)
            if ready:
                with contextlib.suppress(BlockingIOError):
                    rest = rest[os.write(self._near, rest) :]

    def receive(self, timeout_s: float) -> bytes | None:
        self._terminal.check()
        ready, _, _ = select.select([self._near], [], [], timeout_s)
        if not ready:
            return b""
        with contextlib.suppress(BlockingIOError):
            return os.read(self._near, 4096)
        return b""

    def pause(self, seconds: float) -> None:
        if self._terminal.stopping.wait(seconds):
            raise Stopped
        self._terminal.check()

    def break_off(self, unplug: bool) -> None:
        # A port cannot be reset as a connection can; it goes away.
        self._terminal.come_out()
        raise Unplugged
