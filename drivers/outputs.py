"""Outputs that must not stay on: every open generator is switched off on every way out.

An ordinary exit runs the exit hook; a polite request to end (SIGTERM, SIGHUP) is turned into an ordinary exit while a
generator is open. Nothing can be done against SIGKILL or a power cut.
"""

from __future__ import annotations

import atexit
import contextlib
import math
import signal
import sys
import threading
from abc import ABC, abstractmethod
from collections.abc import Iterator
from types import FrameType
from typing import Protocol

from drivers.errors import Misuse, WireError


class Output(Protocol):
    """Whatever switches its output off when it is closed."""

    def close(self) -> None:
        """Output off, then let go."""
        ...


class GuardedOutput(ABC):
    """A generator whose output is off after opening, after closing and after any error.

    Whoever inherits says how one exchange is made, how the output is switched and seen to be switched, and how the port
    is let go.

    Parameters
    ----------
    address : str
        Port or address, for messages.
    most_dbm : float
        No higher level is ever asked for.
    """

    def __init__(self, address: str, most_dbm: float) -> None:
        self._where = address
        self._most_dbm = most_dbm
        self._maybe_on = True
        self._done = False

    @abstractmethod
    def _exchange(self) -> contextlib.AbstractContextManager[None]:
        """One exchange that either comes out whole or leaves no link behind; opens the link again if need be."""

    @abstractmethod
    def _switch(self, on: bool) -> None:
        """Switch, and see that it is so; raises otherwise."""

    @abstractmethod
    def _tune(self, f_hz: float, level_dbm: float) -> None:
        """Set frequency and level, and see that it is so; raises otherwise."""

    @abstractmethod
    def _release(self) -> None:
        """Let go of the port for good."""

    def set(self, f_hz: float, level_dbm: float) -> None:
        """Frequency and level; does not switch the output on."""
        if not (math.isfinite(f_hz) and f_hz > 0):
            raise Misuse(f"a generator cannot be set to {f_hz!r} Hz.", port=self._where)
        if not (math.isfinite(level_dbm) and level_dbm <= self._most_dbm):
            raise Misuse(f"{level_dbm!r} dBm is above the {self._most_dbm:g} dBm allowed.", port=self._where)
        with self._off_after_error(), self._exchange():
            self._tune(f_hz, level_dbm)

    def output(self, on: bool) -> None:
        """Output on or off."""
        with self._off_after_error(), self._exchange():
            # Before anything is sent: what became of a command that failed is not known.
            self._maybe_on = self._maybe_on or on
            self._switch(on)
            self._maybe_on = on

    def close(self) -> None:
        """Output off, then let go of the port; may be called twice.

        Raises
        ------
        WireError
            The output could not be seen to go off: it must be switched off by hand.
        """
        if self._done:
            return
        problem = self._try_off() if self._maybe_on else None
        self._done = True
        self._release()
        forget(self)
        if problem is not None:
            raise type(problem)(
                f"the output may still be on ({problem.what})",
                port=self._where,
                hint="Switch the generator off by hand.",
            ) from problem

    def _try_off(self) -> WireError | None:
        """Switch off, over a new link if need be; the problem that remains."""
        problem: WireError | None = None
        for _ in range(2):
            try:
                with self._exchange():
                    self._switch(False)
            except WireError as error:
                problem = error
            else:
                self._maybe_on = False
                return None
        return problem

    @contextlib.contextmanager
    def _off_after_error(self) -> Iterator[None]:
        try:
            yield
        except BaseException:
            if self._maybe_on and not self._done:
                self._try_off()
            raise


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
