"""Analyzers and generators that speak SCPI (IEEE 488.2, SCPI-1999) over PyVISA.

Every setting is followed by a look into the instrument's error queue and read back; every reading ends with a number of
our own that the instrument must echo (`*ESE`, which every IEEE 488.2 device keeps), so that an answer that came late,
twice, or to another question is noticed. After any doubt the link is closed and opened again before the next question.
"""

from __future__ import annotations

import atexit
import contextlib
import math
import random
import signal
import threading
import weakref
from collections.abc import Iterator, Mapping
from types import FrameType
from typing import Any, Literal

import numpy as np

from drivers import scpi_values as values
from drivers.errors import InstrumentError, LinkLost, Misuse, ProtocolError, TimedOut, WireError
from drivers.roles import AnalyzerLimits, Floats, Sweep
from drivers.visa import VisaLink

COMMON_HEADERS: Mapping[str, str] = {
    "identify": "*IDN?",
    "reset": "*RST",
    "clear": "*CLS",
    "complete": "*OPC?",
    "error": "SYSTem:ERRor?",
    "echo": "*ESE",
}
ANALYZER_HEADERS: Mapping[str, str] = {
    **COMMON_HEADERS,
    "start": "SENSe:FREQuency:STARt",
    "stop": "SENSe:FREQuency:STOP",
    "points": "SENSe:SWEep:POINts",
    "sweep_time": "SENSe:SWEep:TIME",
    "level": "SOURce:POWer",
    "single": "INITiate:CONTinuous OFF",
    "trigger": "INITiate",
    "shape": "CALCulate:FORMat COMPlex",
    "format": "FORMat",
    "order": "FORMat:BORDer",
    "data": "CALCulate:DATA?",
    "frequencies": "",
}
GENERATOR_HEADERS: Mapping[str, str] = {
    **COMMON_HEADERS,
    "frequency": "SOURce:FREQuency",
    "level": "SOURce:POWer",
    "output": "OUTPut:STATe",
}

# Reflection beyond this is no reading of a tank through a loop: 20 dB of gain.
_MOST_REFLECTION = 10.0
_MOST_QUEUED = 50


class ScpiInstrument:
    """What analyzers and generators share: link, identity, error queue, settings that are checked.

    Parameters
    ----------
    address : str
        VISA resource string.
    headers : mapping
        Headers that differ from the standard ones, by the names in `ANALYZER_HEADERS` and `GENERATOR_HEADERS`. An empty
        header means that the instrument has none and that step is left out.
    timeout_s : float
        Limit of every wait, sweeps come on top.
    reset : bool
        Send `*RST` after opening.
    library : str
        PyVISA backend.
    settings
        Attributes of a serial resource (`baud_rate`…).
    """

    standard_headers: Mapping[str, str] = COMMON_HEADERS

    def __init__(
        self,
        address: str,
        *,
        headers: Mapping[str, object] | None = None,
        timeout_s: float = 5.0,
        reset: bool = False,
        library: str = "@py",
        **settings: Any,
    ) -> None:
        self._headers = merged_headers(self.standard_headers, headers or {}, address)
        self._link = VisaLink(address, timeout_s=timeout_s, library=library, **settings)
        self._idn = ""
        self._closed = False
        self._random = random.Random()
        self._connect()
        try:
            with self._exchange():
                if reset:
                    self._link.write(self._headers["reset"])
                    self._complete(timeout_s)
                self._set_up()
        except BaseException:
            self._link.close()
            raise

    @property
    def address(self) -> str:
        """The VISA resource string."""
        return self._link.address

    def identify(self) -> str:
        """What the instrument answered to *IDN?."""
        return self._idn

    def close(self) -> None:
        """Let go of the address; may be called twice."""
        self._closed = True
        self._link.close()

    def _set_up(self) -> None:
        """What a kind of instrument needs once after opening, and after every opening again."""

    def _connect(self) -> None:
        """Open the address and make sure who is there and that question and answer belong together."""
        if self._closed:
            raise LinkLost("the instrument has been closed.", port=self.address)
        self._link.open()
        try:
            self._meet()
            if self._headers["clear"]:
                self._link.write(self._headers["clear"])
            self._agree(leftovers=16)
        except BaseException:
            self._link.close()
            raise

    def _meet(self) -> None:
        """Ask who is there, before anything else: opening alone says nothing."""
        if not self._headers["identify"]:
            return
        with self._named():
            idn = values.parse_identity(self._ask(self._headers["identify"]))
        if self._idn and idn != self._idn:
            raise LinkLost(
                f"another instrument answers there now: {idn}.",
                port=self.address,
                hint="Connect the one that was there before, or begin again with this one.",
            )
        self._idn = idn

    @contextlib.contextmanager
    def _exchange(self) -> Iterator[None]:
        """One exchange that either comes out whole or leaves no link behind."""
        if not self._link.is_open:
            self._connect()
            self._set_up()
        try:
            with self._named():
                yield
        except InstrumentError:
            raise
        except BaseException:
            # An answer may still be on its way; it must not meet the next question.
            self._link.close()
            raise

    @contextlib.contextmanager
    def _named(self) -> Iterator[None]:
        """Errors of the pure parsers get the address."""
        try:
            yield
        except WireError as problem:
            if problem.port:
                raise
            raise type(problem)(problem.what, port=self.address, hint=problem.hint) from problem

    def _ask(self, header: str, timeout_s: float | None = None) -> bytes:
        self._link.write(header)
        return self._link.read_line(timeout_s)

    def _agree(self, leftovers: int = 0) -> None:
        """The instrument must echo a number of ours; old answers before it are let pass up to `leftovers`."""
        echo = self._headers["echo"]
        if not echo:
            return
        token = self._random.randrange(2, 256)
        self._link.write(f"{echo} {token}")
        self._link.write(f"{echo}?")
        for left in range(leftovers, -1, -1):
            answer = self._link.read_line()
            if answer.strip() in (b"%d" % token, b"+%d" % token):
                return
            if left == 0:
                raise ProtocolError(
                    f"question and answer do not belong together any more: {answer[:32]!r} came for {token}.",
                    port=self.address,
                    hint="The reading is thrown away; take it again.",
                )

    def _check_errors(self, doing: str) -> None:
        """Read the error queue empty; its first entry becomes an error of ours."""
        header = self._headers["error"]
        if not header:
            return
        first: tuple[int, str] | None = None
        for _ in range(_MOST_QUEUED):
            code, text = values.parse_error(self._ask(header))
            if code == 0:
                break
            first = first or (code, text)
        else:
            raise ProtocolError("the error queue does not come to an end.", port=self.address)
        if first is not None:
            raise InstrumentError(
                f"the instrument reports {first[0]}, {first[1]}, when {doing}.",
                port=self.address,
                hint="Look up the limits of the instrument, or give its own headers in the plan.",
            )

    def _complete(self, timeout_s: float) -> None:
        header = self._headers["complete"]
        if header and not values.parse_bool(answer := self._ask(header, timeout_s)):
            raise ProtocolError(f"the answer to {header} was {answer[:32]!r}.", port=self.address)

    def _set(self, name: str, value: float, unit: str, *, tolerance: float) -> None:
        """Send a setting, look for errors, and read it back."""
        header = self._headers[name]
        if not header:
            return
        self._link.write(f"{header} {values.format_number(value)}")
        self._check_errors(f"{name} is set to {value:g}{unit}")
        self._verify(name, value, unit, tolerance=tolerance)

    def _verify(self, name: str, value: float, unit: str, *, tolerance: float) -> None:
        answer = self._ask(f"{self._headers[name]}?")
        actual = values.parse_number(answer)
        if abs(actual - value) > tolerance:
            raise InstrumentError(
                f"{name} was set to {value:.12g}{unit}, the instrument took {actual:.12g}{unit}.",
                port=self.address,
                hint="Ask for a value inside the instrument's limits.",
            )

    def _command(self, name: str, value: str = "") -> None:
        """Send a command without a number, if the instrument has it, and look for errors."""
        if header := self._headers[name]:
            text = f"{header} {value}".strip()
            self._link.write(text)
            self._check_errors(f"'{text}' is sent")

    def _limit_of(self, name: str, word: Literal["MINimum", "MAXimum"]) -> float:
        return values.parse_number(self._ask(f"{self._headers[name]}? {word}"))


class ScpiAnalyzer(ScpiInstrument):
    """A reflection analyzer.

    Parameters
    ----------
    address : str
        VISA resource string.
    data_format : {"ascii", "real"}
        How values travel: text, or definite-length blocks of 64-bit numbers.
    byte_order : {"normal", "swapped"}
        Of a block.
    read_twice : bool
        Read every trace twice and compare: the wire's own faults and a free-running sweep are noticed.
    limits : AnalyzerLimits, optional
        Where the instrument cannot be asked.
    level_dbm : float, optional
        Source level, set once.
    others
        As `ScpiInstrument`.
    """

    standard_headers = ANALYZER_HEADERS

    def __init__(
        self,
        address: str,
        *,
        data_format: Literal["ascii", "real"] = "ascii",
        byte_order: Literal["normal", "swapped"] = "normal",
        read_twice: bool = True,
        limits: AnalyzerLimits | None = None,
        level_dbm: float | None = None,
        **others: Any,
    ) -> None:
        self._data_format = data_format
        self._byte_order: Literal["normal", "swapped"] = byte_order
        self._read_twice = read_twice
        self._level_dbm = level_dbm
        self._limits = limits
        super().__init__(address, **others)

    @property
    def limits(self) -> AnalyzerLimits:
        """Range and size of sweeps, as the plan gives them or as the instrument answered."""
        if self._limits is None:
            raise Misuse("the limits are not known.", port=self.address)
        return self._limits

    def sweep(self, start_hz: float, stop_hz: float, points: int) -> Sweep:
        """One uniform sweep, both ends included.

        Raises
        ------
        Misuse
            The instrument cannot sweep like that.
        WireError
            Anything went wrong; there is no half sweep.
        """
        limits = self.limits
        if not limits.low_hz <= start_hz < stop_hz <= limits.high_hz:
            raise Misuse(
                f"a sweep from {start_hz:.9g} Hz to {stop_hz:.9g} Hz is outside {limits.low_hz:.9g} Hz to "
                f"{limits.high_hz:.9g} Hz.",
                port=self.address,
            )
        if not 2 <= points <= limits.most_points:
            raise Misuse(f"{points} points: from 2 to {limits.most_points} are possible.", port=self.address)
        with self._exchange():
            return self._sweep(start_hz, stop_hz, points)

    def _set_up(self) -> None:
        self._command("single")
        self._command("shape")
        self._command("format", "ASCii" if self._data_format == "ascii" else "REAL,64")
        if self._data_format == "real":
            self._command("order", "NORMal" if self._byte_order == "normal" else "SWAPped")
        if self._level_dbm is not None:
            self._set("level", self._level_dbm, " dBm", tolerance=0.2)
        if self._limits is None:
            self._limits = self._ask_limits()

    def _ask_limits(self) -> AnalyzerLimits:
        try:
            low, high = self._limit_of("start", "MINimum"), self._limit_of("stop", "MAXimum")
            most = self._limit_of("points", "MAXimum")
            now = values.parse_number(self._ask(f"{self._headers['points']}?"))
            seconds = 0.0
            if self._headers["sweep_time"]:
                seconds = values.parse_number(self._ask(f"{self._headers['sweep_time']}?"))
        except TimedOut as problem:
            raise Misuse(
                "the instrument does not tell its limits.",
                port=self.address,
                hint="Give them in the plan: limits = { low_hz = …, high_hz = …, most_points = …, "
                "seconds_per_point = … }.",
            ) from problem
        if not (0 <= low < high and most >= 2 and now >= 1 and seconds >= 0):
            raise ProtocolError(
                f"the instrument told impossible limits: {low:g} Hz to {high:g} Hz, {most:g} points.",
                port=self.address,
            )
        return AnalyzerLimits(low, high, int(most), seconds / now)

    def _sweep(self, start_hz: float, stop_hz: float, points: int) -> Sweep:
        self._set_span(start_hz, stop_hz)
        self._set("points", points, "", tolerance=0.0)
        self._command("trigger")
        self._complete(self._link.timeout_s + 3.0 * points * self.limits.seconds_per_point)
        self._check_errors("it sweeps")
        data = self._trace("data", 2 * points)
        if self._read_twice and not np.array_equal(data, self._trace("data", 2 * points)):
            raise ProtocolError(
                "the same trace read twice was not the same.",
                port=self.address,
                hint="Stop continuous sweeping on the instrument, then try again.",
            )
        grid = np.linspace(start_hz, stop_hz, points)
        if self._headers["frequencies"]:
            asked = self._trace("frequencies", points)
            step = (stop_hz - start_hz) / (points - 1)
            if np.any(np.abs(asked - grid) > 0.5 * step):
                raise ProtocolError(
                    "the frequencies of the trace are not those of the sweep.", port=self.address
                )
            grid = asked
        self._check_errors("the trace is read")
        self._agree()
        s11 = data[0::2] + 1j * data[1::2]
        if np.any(np.abs(s11) > _MOST_REFLECTION):
            worst = float(np.max(np.abs(s11)))
            raise ProtocolError(f"a reflection of {worst:.3g} cannot be.", port=self.address)
        return Sweep(grid, s11)

    def _set_span(self, start_hz: float, stop_hz: float) -> None:
        """Both ends, in whichever order the instrument lets through (the ends may push each other)."""
        tolerance = max(1.0, 1e-6 * stop_hz)
        header = self._headers["stop"]
        present = values.parse_number(self._ask(f"{header}?"))
        first, second = ("stop", "start") if start_hz >= present else ("start", "stop")
        ends = {"start": start_hz, "stop": stop_hz}
        for name in (first, second):
            self._set(name, ends[name], " Hz", tolerance=tolerance)
        self._verify(first, ends[first], " Hz", tolerance=tolerance)

    def _trace(self, name: str, count: int) -> Floats:
        self._link.write(self._headers[name])
        if self._data_format == "ascii":
            return values.parse_numbers(self._link.read_line(most=64 * count + 64), count)

        def length(head: bytes) -> int | None:
            start = values.block_start(head, count)
            return None if start is None else start + 8 * count

        answer = self._link.read_exactly(length, most=8 * count + 64)
        return values.parse_block(answer, count, self._byte_order)


class ScpiGenerator(ScpiInstrument):
    """A signal generator; its output is off after opening, after closing and after any error.

    Parameters
    ----------
    address : str
        VISA resource string.
    most_dbm : float
        No higher level is ever asked for.
    others
        As `ScpiInstrument`.
    """

    standard_headers = GENERATOR_HEADERS

    def __init__(self, address: str, *, most_dbm: float = 13.0, **others: Any) -> None:
        self._most_dbm = most_dbm
        self._maybe_on = True
        super().__init__(address, **others)
        # After PyVISA's own exit hook, so that it runs before that.
        _remember(self)

    def set(self, f_hz: float, level_dbm: float) -> None:
        """Frequency and level; does not switch the output on."""
        if not (math.isfinite(f_hz) and f_hz > 0):
            raise Misuse(f"a generator cannot be set to {f_hz!r} Hz.", port=self.address)
        if not (math.isfinite(level_dbm) and level_dbm <= self._most_dbm):
            raise Misuse(f"{level_dbm!r} dBm is above the {self._most_dbm:g} dBm allowed.", port=self.address)
        with self._off_after_error(), self._exchange():
            self._set("frequency", f_hz, " Hz", tolerance=max(1.0, 1e-6 * f_hz))
            self._set("level", level_dbm, " dBm", tolerance=0.2)
            self._agree()

    def output(self, on: bool) -> None:
        """Output on or off."""
        with self._off_after_error(), self._exchange():
            self._switch(on)

    def close(self) -> None:
        """Output off, then let go of the address; may be called twice.

        Raises
        ------
        WireError
            The output could not be seen to go off: it must be switched off by hand.
        """
        if self._closed:
            return
        problem = self._try_off() if self._maybe_on else None
        super().close()
        _forget(self)
        if problem is not None:
            raise type(problem)(
                f"the output may still be on ({problem.what})",
                port=self.address,
                hint="Switch the generator off by hand.",
            ) from problem

    def _set_up(self) -> None:
        self._switch(False)

    def _switch(self, on: bool) -> None:
        header = self._headers["output"]
        self._maybe_on = self._maybe_on or on
        self._link.write(f"{header} {'ON' if on else 'OFF'}")
        self._check_errors(f"the output is switched {'on' if on else 'off'}")
        if values.parse_bool(self._ask(f"{header}?")) != on:
            raise ProtocolError(f"the output did not go {'on' if on else 'off'}.", port=self.address)
        self._agree()
        self._maybe_on = on

    def _try_off(self) -> WireError | None:
        """Switch off, over a new link if need be; the problem that remains."""
        problem: WireError | None = None
        for _ in range(2):
            try:
                with self._exchange():
                    self._switch(False)
            except WireError as error:
                problem = error
                self._link.close()
            else:
                return None
        return problem

    @contextlib.contextmanager
    def _off_after_error(self) -> Iterator[None]:
        try:
            yield
        except BaseException:
            if self._maybe_on:
                self._try_off()
            raise


_open_generators: weakref.WeakSet[ScpiGenerator] = weakref.WeakSet()
_hooked = False


def switch_off_all() -> list[WireError]:
    """Close every open generator, output off first; what could not be done."""
    problems: list[WireError] = []
    for generator in list(_open_generators):
        try:
            generator.close()
        except WireError as problem:
            problems.append(problem)
    return problems


def _at_exit() -> None:
    import sys

    for problem in switch_off_all():
        print(problem, file=sys.stderr)


def _leave(number: int, _: FrameType | None) -> None:
    """A polite request to end becomes an ordinary way out, on which every `finally` and exit hook runs."""
    raise SystemExit(128 + number)


def _remember(generator: ScpiGenerator) -> None:
    global _hooked
    if not _hooked:
        atexit.register(_at_exit)
        _hooked = True
    _open_generators.add(generator)
    if threading.current_thread() is threading.main_thread():
        for name in ("SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is signal.SIG_DFL:
                signal.signal(number, _leave)


def _forget(generator: ScpiGenerator) -> None:
    _open_generators.discard(generator)
    if not _open_generators and threading.current_thread() is threading.main_thread():
        for name in ("SIGTERM", "SIGHUP"):
            number = getattr(signal, name, None)
            if number is not None and signal.getsignal(number) is _leave:
                signal.signal(number, signal.SIG_DFL)


def merged_headers(standard: Mapping[str, str], own: Mapping[str, object], address: str) -> dict[str, str]:
    """The standard headers with the user's own in their place.

    Raises
    ------
    Misuse
        A name is not known, or a header is not one line of SCPI.
    """
    merged = dict(standard)
    for name, header in own.items():
        if name not in standard:
            raise Misuse(
                f"there is no header named {name!r}.", port=address, hint=f"Known are {', '.join(standard)}."
            )
        merged[name] = values.check_header(name, header)
    return merged
