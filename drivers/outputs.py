"""Outputs that must not stay on: every open generator is switched off on every way out.

An ordinary exit runs the exit hook; a polite request to end (SIGTERM, SIGHUP) is turned into an ordinary exit while a
generator is open. Nothing can be done against SIGKILL or a power cut.
"""

from __future__ import annotations

import atexit
import signal
import sys
import threading
from types import FrameType
from typing import Protocol

from drivers.errors import WireError


class Output(Protocol):
    """Whatever switches its output off when it is closed."""

    def close(self) -> None:
        """Output off, then let go."""
        ...


# Strong references: an output that is only forgotten must not stay on.
_open: set[Output] = set()
_SIGNALS = [getattr(signal, name) for name in ("SIGTERM", "SIGHUP") if hasattr(signal, name)]


def switch_off_all() -> list[WireError]:
    """Close every open output; what could not be done."""
    problems: list[WireError] = []
    for output in list(_open):
        try:
            output.close()
        except WireError as problem:
            problems.append(problem)
    return problems


def remember(output: Output) -> None:
    """From now on `output` is closed on the way out, whichever it is."""
    _open.add(output)
    # Registered again each time, so that it runs before the exit hooks of the libraries that the output needs.
    atexit.unregister(_at_exit)
    atexit.register(_at_exit)
    if threading.current_thread() is threading.main_thread():
        for number in _SIGNALS:
            if signal.getsignal(number) is signal.SIG_DFL:
                signal.signal(number, _leave)


def forget(output: Output) -> None:
    """`output` has been closed; with the last one the signals are as they were."""
    _open.discard(output)
    if not _open and threading.current_thread() is threading.main_thread():
        for number in _SIGNALS:
            if signal.getsignal(number) is _leave:
                signal.signal(number, signal.SIG_DFL)


def _at_exit() -> None:
    for problem in switch_off_all():
        print(problem, file=sys.stderr)


def _leave(number: int, _: FrameType | None) -> None:
    # An exception, so that every `finally` on the way runs as well.
    raise SystemExit(128 + number)
