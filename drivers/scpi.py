"""Analyzers and generators that speak SCPI over PyVISA; what they share is in `drivers.scpi_instrument`."""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from dataclasses import replace
from typing import Any, Literal

import numpy as np

from drivers import outputs
from drivers import scpi_values as values
from drivers.errors import InstrumentError, Misuse, ProtocolError, TimedOut, WireError
from drivers.listed import checked_list
from drivers.roles import MOST_REFLECTION, AnalyzerLimits, Floats, Sweep
from drivers.scpi_instrument import COMMON_HEADERS, ScpiInstrument, merged_headers

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
    "mode": "SENSe:FREQuency:MODE",
    "list": "SENSe:LIST:FREQuency",
}
GENERATOR_HEADERS: Mapping[str, str] = {
    **COMMON_HEADERS,
    "frequency": "SOURce:FREQuency",
    "level": "SOURce:POWer",
    "output": "OUTPut:STATe",
}


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
    list_points : int
        How many frequencies it takes in a free list; 0: uniform sweeps only, and nothing is said of lists.
    level_dbm : float, optional
        Source level to begin with. Without it the level is the instrument's own affair and is not touched.
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
        list_points: int = 0,
        level_dbm: float | None = None,
        **others: Any,
    ) -> None:
        self._data_format = data_format
        self._byte_order: Literal["normal", "swapped"] = byte_order
        self._read_twice = read_twice
        self._level_dbm = level_dbm
        self._list_points = list_points
        self._limits = limits and replace(limits, list_points=list_points)
        headers = merged_headers(self.standard_headers, others.get("headers") or {}, address)
        if list_points and not (headers["list"] and (headers["mode"] or headers["frequencies"])):
            # A list that was sent but is not swept would give values at frequencies they are not of.
            raise Misuse(
                "list_points needs the header list, and one of mode and frequencies to see that the list is swept.",
                port=address,
                hint="Give these headers in the plan, or leave list_points out.",
            )
        super().__init__(address, **others)

    @property
    def limits(self) -> AnalyzerLimits:
        """Range and size of sweeps, as the plan gives them or as the instrument answered."""
        if self._limits is None:
            raise Misuse("the limits are not known.", port=self.address)
        return self._limits

    @property
    def level_dbm(self) -> float | None:
        """The level it sweeps at; None where the plan gives none, and then it cannot be set."""
        return self._level_dbm

    def set_level(self, level_dbm: float) -> None:
        """Sweep at this level from now on.

        Raises
        ------
        Misuse
            The plan gives no level, so the instrument may have none to set.
        """
        if self._level_dbm is None:
            raise Misuse("no level_dbm in the plan, so the level is not touched.", port=self.address)
        with self._exchange():
            self._set("level", level_dbm, " dBm", tolerance=0.2)
            self._check_errors("the level is set")
            self._agree()
        self._level_dbm = level_dbm

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
            self._set_mode("SWEep")
            self._set_span(start_hz, stop_hz)
            self._set("points", points, "", tolerance=0.0)
            return self._swept(np.linspace(start_hz, stop_hz, points))

    def sweep_at(self, f_hz: Floats) -> Sweep:
        """One sweep at a free list of frequencies (n,), rising, in Hz; they are rounded to the millihertz.

        SCPI-1999 volume 2, SENSe: `FREQuency:MODE LIST`, `LIST:FREQuency`. Raises as `sweep`.
        """
        wanted = checked_list(f_hz, self.limits, self.address)
        with self._exchange():
            self._set_list(wanted)
            try:
                self._set_mode("LIST")
                swept = self._swept(wanted)
            except WireError:
                self._leave_list()
                raise
            # Whoever sweeps next, by hand or by another plan, must not find a list in its place.
            self._set_mode("SWEep")
            return swept

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
            now = values.parse_number(self._ask_twice(f"{self._headers['points']}?"))
            seconds = 0.0
            if self._headers["sweep_time"]:
                seconds = values.parse_number(self._ask_twice(f"{self._headers['sweep_time']}?"))
        except (TimedOut, ProtocolError) as problem:
            # Of its own kind: it may have been the wire, and then asking again helps.
            raise type(problem)(
                f"the instrument does not tell its limits ({problem.what})",
                port=self.address,
                hint="Give them in the plan: limits = { low_hz = …, high_hz = …, most_points = …, "
                "seconds_per_point = … }.",
            ) from problem
        if not (0 <= low < high and most >= 2 and now >= 1 and seconds >= 0):
            raise ProtocolError(
                f"the instrument told impossible limits: {low:g} Hz to {high:g} Hz, {most:g} points.",
                port=self.address,
            )
        return AnalyzerLimits(low, high, int(most), seconds / now, self._list_points)

    def _swept(self, grid: Floats) -> Sweep:
        """The sweep that the instrument is set to, which must be over `grid` (n,)."""
        points = len(grid)
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
        if self._headers["frequencies"]:
            asked = self._trace("frequencies", points)
            if np.any(np.abs(asked - grid) > 0.5 * np.min(np.diff(grid))):
                raise ProtocolError(
                    "the frequencies of the trace are not those of the sweep.", port=self.address
                )
            grid = asked
        self._check_errors("the trace is read")
        self._agree()
        s11 = data[0::2] + 1j * data[1::2]
        if np.any(np.abs(s11) > MOST_REFLECTION):
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

    def _set_mode(self, mode: Literal["SWEep", "LIST"]) -> None:
        """Uniform sweep or list, where the instrument has both; an answer may be in the long or the short form."""
        header = self._headers["mode"]
        if not (self._list_points and header):
            return
        self._link.write(f"{header} {mode}")
        self._check_errors(f"'{header} {mode}' is sent")
        answer = self._ask(f"{header}?").strip().decode("ascii", "replace")
        if answer.upper() not in (mode.upper(), "".join(one for one in mode if one.isupper())):
            raise ProtocolError(f"{header} {mode} was sent, {answer[:32]!r} came back.", port=self.address)

    def _leave_list(self) -> None:
        """Back to uniform sweeps on a link that may be broken: nothing is asked."""
        if header := self._headers["mode"]:
            with contextlib.suppress(WireError):
                self._link.write(f"{header} SWEep")

    def _set_list(self, f_hz: Floats) -> None:
        header = self._headers["list"]
        self._link.write(f"{header} {','.join(values.format_number(one) for one in f_hz)}")
        self._check_errors(f"a list of {len(f_hz)} frequencies is sent")
        self._link.write(f"{header}?")
        told = values.parse_numbers(self._link.read_line(most=64 * len(f_hz) + 64), len(f_hz))
        off = np.abs(told - f_hz)
        if np.any(off > np.minimum(np.maximum(1.0, 1e-6 * f_hz), 0.5 * np.min(np.diff(f_hz)))):
            at = int(np.argmax(off))
            raise InstrumentError(
                f"{f_hz[at]:.12g} Hz was sent in a list, the instrument took {told[at]:.12g} Hz.",
                port=self.address,
                hint="Leave list_points out of the plan: then it sweeps uniformly.",
            )

    def _trace(self, name: str, count: int) -> Floats:
        self._link.write(self._headers[name])
        if self._data_format == "ascii":
            return values.parse_numbers(self._link.read_line(most=64 * count + 64), count)

        def length(head: bytes) -> int | None:
            start = values.block_start(head, count)
            return None if start is None else start + 8 * count

        answer = self._link.read_exactly(length, most=8 * count + 64)
        return values.parse_block(answer, count, self._byte_order)


class ScpiGenerator(ScpiInstrument, outputs.GuardedOutput):
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
        outputs.GuardedOutput.__init__(self, address, most_dbm)
        ScpiInstrument.__init__(self, address, **others)
        self._maybe_on = False
        outputs.remember(self)

    def close(self) -> None:
        """Output off, then let go of the address; may be called twice."""
        outputs.GuardedOutput.close(self)

    def _release(self) -> None:
        ScpiInstrument.close(self)

    def _set_up(self) -> None:
        self._switch(False)

    def _tune(self, f_hz: float, level_dbm: float) -> None:
        self._set("frequency", f_hz, " Hz", tolerance=max(1.0, 1e-6 * f_hz))
        self._set("level", level_dbm, " dBm", tolerance=0.2)
        self._agree()

    def _switch(self, on: bool) -> None:
        header = self._headers["output"]
        self._link.write(f"{header} {'ON' if on else 'OFF'}")
        self._check_errors(f"the output is switched {'on' if on else 'off'}")
        if values.parse_bool(self._ask(f"{header}?")) != on:
            raise ProtocolError(f"the output did not go {'on' if on else 'off'}.", port=self.address)
        self._agree()
