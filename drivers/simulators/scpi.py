"""Simulated instruments that speak SCPI (IEEE 488.2, SCPI-1999) over a loopback socket, given any world."""

from __future__ import annotations

import math
import re
import threading
import time
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol, runtime_checkable

import numpy as np

from drivers.roles import AnalyzerLimits, Complexes, Floats
from drivers.simulators.faults import Fault, Faults
from drivers.simulators.loopback import Conversation, LoopbackServer, Mishaps


class AnalyzerWorld(Protocol):
    """What a simulated analyzer is connected to."""

    @property
    def limits(self) -> AnalyzerLimits:
        """What the analyzer can do; `seconds_per_point` is world time."""
        ...

    def reflection(self, f_hz: Floats) -> Complexes:
        """Complex reflection (n,) at frequencies (n,) in Hz, noise included, at this moment."""
        ...


@runtime_checkable
class LevelledWorld(AnalyzerWorld, Protocol):
    """A world in which the strength of the analyzer's signal matters."""

    @property
    def level_dbm(self) -> float:
        """The analyzer's output."""
        ...

    @property
    def level_range_dbm(self) -> tuple[float, float]:
        """Least and greatest output."""
        ...

    def set_level(self, level_dbm: float) -> None:
        """The analyzer's output is now this."""
        ...


class GeneratorWorld(Protocol):
    """What a simulated generator is connected to."""

    def apply(self, f_hz: float, level_dbm: float, on: bool) -> None:
        """The generator's output is now this."""
        ...


class ScpiError(Exception):
    """An entry for the error queue (SCPI-1999 volume 2, chapter 21)."""

    def __init__(self, code: int, text: str) -> None:
        self.code = code
        self.text = text
        super().__init__(f'{code},"{text}"')


UNDEFINED_HEADER = (-113, "Undefined header")
OUT_OF_RANGE = (-222, "Data out of range")
NOT_A_NUMBER = (-120, "Numeric data error")
ILLEGAL_VALUE = (-224, "Illegal parameter value")
MISSING_PARAMETER = (-109, "Missing parameter")
QUEUE_OVERFLOW = (-350, "Queue overflow")

_UNITS = {"": 1.0, "HZ": 1.0, "KHZ": 1e3, "MHZ": 1e6, "GHZ": 1e9, "DBM": 1.0}


def header_pattern(header: str) -> re.Pattern[str]:
    """`[SENSe:]FREQuency:STARt` as the long and short forms that a device must take (SCPI-1999 volume 1, 6.2.1)."""
    out = ""
    for piece in re.findall(r"\[|\]|:|\*?[A-Za-z]+", header):
        if piece == "[":
            out += "(?:"
        elif piece == "]":
            out += ")?"
        elif piece == ":":
            out += ":"
        else:
            short = re.sub(r"[a-z]", "", piece)
            out += f"(?:{re.escape(piece)}|{re.escape(short)})" if short != piece else re.escape(piece)
    return re.compile(":?" + out, re.IGNORECASE)


def to_number(text: str, low: float, high: float) -> float:
    """A decimal number with an optional suffix, or MINimum or MAXimum."""
    word = text.strip().upper()
    if word in ("MIN", "MINIMUM"):
        return low
    if word in ("MAX", "MAXIMUM"):
        return high
    found = re.fullmatch(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:E[+-]?\d+)?)\s*([A-Z]*)", word)
    if found is None or found[2] not in _UNITS:
        raise ScpiError(*NOT_A_NUMBER)
    value = float(found[1]) * _UNITS[found[2]]
    if not math.isfinite(value) or not low <= value <= high:
        raise ScpiError(*OUT_OF_RANGE)
    return value


def to_bool(text: str) -> bool:
    """ON, OFF, 1 or 0."""
    word = text.strip().upper()
    if word not in ("ON", "OFF", "1", "0"):
        raise ScpiError(*ILLEGAL_VALUE)
    return word in ("ON", "1")


@dataclass(frozen=True)
class _Command:
    header: str
    pattern: re.Pattern[str]
    act: Callable[[str], bytes | str | None]


class ScpiDevice:
    """The common commands, the error queue and the command table; instruments add their own."""

    def __init__(self, idn: str) -> None:
        self._idn = idn
        self._errors: deque[tuple[int, str]] = deque(maxlen=20)
        self._event_enable = 0
        self._service_enable = 0
        self._event_status = 128
        self._commands: list[_Command] = []
        self.lock = threading.RLock()
        self.add("*IDN?", lambda _: self._idn)
        self.add("*RST", self._reset)
        self.add("*CLS", self._clear)
        self.add("*OPC", self._note_complete)
        self.add("*OPC?", self._complete)
        self.add("*WAI", self._wait)
        self.add("*ESE", self._set_event_enable)
        self.add("*ESE?", lambda _: str(self._event_enable))
        self.add("*ESR?", self._event_register)
        self.add("*SRE", self._set_service_enable)
        self.add("*SRE?", lambda _: str(self._service_enable))
        self.add("*STB?", lambda _: str(4 if self._errors else 0))
        self.add("*TST?", lambda _: "0")
        self.add("SYSTem:ERRor[:NEXT]?", self._next_error)
        self.add("SYSTem:VERSion?", lambda _: "1999.0")

    def add(self, header: str, act: Callable[[str], bytes | str | None]) -> None:
        """Make the device understand one more header; `act` takes the parameters and returns a reply or None."""
        self._commands.append(_Command(header, header_pattern(header.rstrip("?")), act))

    def do(self, line: str) -> list[tuple[str, bytes]]:
        """Carry out one program message; the replies, each with the header that asked for it."""
        replies: list[tuple[str, bytes]] = []
        for unit in line.split(";"):
            text = unit.strip()
            if not text:
                continue
            head, _, parameters = text.partition(" ")
            try:
                command = self._find(head)
                with self.lock:
                    reply = command.act(parameters.strip())
            except ScpiError as problem:
                self._log(problem.code, problem.text)
                continue
            if reply is not None:
                replies.append((command.header, reply if isinstance(reply, bytes) else reply.encode("ascii")))
        return replies

    def wait_until_done(self) -> None:
        """Wait for whatever is under way; instruments that take time say how."""

    def reset(self) -> None:
        """*RST."""

    def _find(self, head: str) -> _Command:
        query = head.endswith("?")
        for command in self._commands:
            if command.header.endswith("?") == query and command.pattern.fullmatch(head.rstrip("?")):
                return command
        raise ScpiError(*UNDEFINED_HEADER)

    def _log(self, code: int, text: str) -> None:
        if self._errors and len(self._errors) == self._errors.maxlen:
            self._errors[-1] = QUEUE_OVERFLOW
        else:
            self._errors.append((code, text))

    def _next_error(self, _: str) -> str:
        code, text = self._errors.popleft() if self._errors else (0, "No error")
        return f'{code},"{text}"'

    def _reset(self, _: str) -> None:
        self.reset()

    def _clear(self, _: str) -> None:
        self._errors.clear()
        self._event_status = 0

    def _note_complete(self, _: str) -> None:
        self._event_status |= 1

    def _complete(self, _: str) -> str:
        self.wait_until_done()
        return "1"

    def _wait(self, _: str) -> None:
        self.wait_until_done()

    def _set_event_enable(self, text: str) -> None:
        self._event_enable = int(to_number(text, 0, 255))

    def _set_service_enable(self, text: str) -> None:
        self._service_enable = int(to_number(text, 0, 255))

    def _event_register(self, _: str) -> str:
        value, self._event_status = self._event_status, 0
        return str(value)


def _plain(value: float) -> str:
    return f"{value:.15g}"


def block(data: bytes) -> bytes:
    """A definite-length arbitrary block (IEEE 488.2, 8.7.9)."""
    length = str(len(data)).encode("ascii")
    return b"#%d%b%b" % (len(length), length, data)


class SimulatedAnalyzer(ScpiDevice):
    """A one-port analyzer in front of a world; a sweep takes points times `seconds_per_point` over `speed`."""

    def __init__(
        self,
        world: AnalyzerWorld,
        *,
        speed: float = 1.0,
        idn: str = "Regenbench,Simulated analyzer,1,1.0",
        wait: Callable[[float], None] = time.sleep,
    ) -> None:
        super().__init__(idn)
        self._world = world
        self._speed = speed
        self._wait_for = wait
        limits = world.limits
        self._low, self._high = limits.low_hz, limits.high_hz
        for header, least, most in (
            ("[SENSe:]FREQuency:STARt", self._low, self._high),
            ("[SENSe:]FREQuency:STOP", self._low, self._high),
            ("[SENSe:]SWEep:POINts", 2.0, float(limits.most_points)),
        ):
            self._add_setting(header, least, most)
        self.add("[SENSe:]SWEep:TIME?", lambda _: _plain(self._duration() * self._speed))
        self.add("[SENSe:]FREQuency:DATA?", lambda _: self._encode(self._grid()))
        self.add("INITiate[:IMMediate]", self._start)
        self.add("INITiate:CONTinuous", self._set_continuous)
        self.add("CALCulate:FORMat", self._set_shape)
        self.add("CALCulate:DATA?", self._data)
        self.add("FORMat[:DATA]", self._set_format)
        self.add("FORMat:BORDer", self._set_order)
        if isinstance(world, LevelledWorld):
            levelled = world
            self._preset_dbm: float | None = levelled.level_dbm
            self.add(
                "[SOURce:]POWer[:LEVel]",
                lambda text: levelled.set_level(to_number(text, *levelled.level_range_dbm)),
            )
            self.add("[SOURce:]POWer[:LEVel]?", lambda text: self._ask_level(levelled, text))
        else:
            self._preset_dbm = None
        self.reset()

    def reset(self) -> None:
        self._settings = {
            "[SENSe:]FREQuency:STARt": self._low,
            "[SENSe:]FREQuency:STOP": self._high,
            "[SENSe:]SWEep:POINts": float(min(101, self._world.limits.most_points)),
        }
        self._format = "ASC"
        self._swapped = False
        self._due: float | None = None
        self._trace: Floats | None = None
        if isinstance(self._world, LevelledWorld) and self._preset_dbm is not None:
            self._world.set_level(self._preset_dbm)

    @staticmethod
    def _ask_level(world: LevelledWorld, text: str) -> str:
        return _plain(to_number(text, *world.level_range_dbm) if text else world.level_dbm)

    def wait_until_done(self) -> None:
        if self._due is None:
            return
        left = self._due - time.monotonic()
        if left > 0:
            self._wait_for(left)
        self._due = None
        s11 = np.asarray(self._world.reflection(self._grid()), np.complex128)
        self._trace = np.column_stack([s11.real, s11.imag]).ravel()

    def _add_setting(self, header: str, low: float, high: float) -> None:
        def change(text: str) -> None:
            if not text:
                raise ScpiError(*MISSING_PARAMETER)
            value = to_number(text, low, high)
            self._settings[header] = round(value) if header.endswith("POINts") else value

        def ask(text: str) -> str:
            word = text.upper()
            if word and word not in ("MIN", "MINIMUM", "MAX", "MAXIMUM"):
                raise ScpiError(*ILLEGAL_VALUE)
            return _plain(to_number(word, low, high) if word else self._settings[header])

        self.add(header, change)
        self.add(header + "?", ask)

    def _grid(self) -> Floats:
        start, stop, points = self._settings.values()
        return np.linspace(start, stop, int(points))

    def _duration(self) -> float:
        return self._settings["[SENSe:]SWEep:POINts"] * self._world.limits.seconds_per_point / self._speed

    def _start(self, _: str) -> None:
        if self._settings["[SENSe:]FREQuency:STARt"] >= self._settings["[SENSe:]FREQuency:STOP"]:
            raise ScpiError(-221, "Settings conflict")
        self._trace = None
        self._due = time.monotonic() + self._duration()

    def _set_continuous(self, text: str) -> None:
        # Single sweeps only; the word must be a switch all the same.
        if to_bool(text):
            raise ScpiError(*ILLEGAL_VALUE)

    def _data(self, _: str) -> bytes:
        self.wait_until_done()
        if self._trace is None:
            raise ScpiError(-230, "Data corrupt or stale")
        return self._encode(self._trace)

    def _encode(self, values: Floats) -> bytes:
        if self._format == "ASC":
            return ",".join(f"{value:+.9E}" for value in values).encode("ascii")
        kind = ("<" if self._swapped else ">") + ("f8" if self._format == "REAL64" else "f4")
        return block(values.astype(kind).tobytes())

    def _set_shape(self, text: str) -> None:
        if text.upper() not in ("COMP", "COMPLEX"):
            raise ScpiError(*ILLEGAL_VALUE)

    def _set_format(self, text: str) -> None:
        word = text.upper().replace(" ", "")
        known = {"ASC": "ASC", "ASCII": "ASC", "REAL,64": "REAL64", "REAL,32": "REAL32"}
        if word not in known:
            raise ScpiError(*ILLEGAL_VALUE)
        self._format = known[word]

    def _set_order(self, text: str) -> None:
        word = text.upper()
        if word not in ("NORM", "NORMAL", "SWAP", "SWAPPED"):
            raise ScpiError(*ILLEGAL_VALUE)
        self._swapped = word.startswith("SWAP")


class SimulatedGenerator(ScpiDevice):
    """A signal generator whose output feeds a world."""

    def __init__(
        self,
        world: GeneratorWorld,
        *,
        low_hz: float = 9e3,
        high_hz: float = 110e6,
        low_dbm: float = -120.0,
        high_dbm: float = 13.0,
        idn: str = "Regenbench,Simulated generator,1,1.0",
    ) -> None:
        super().__init__(idn)
        self._world = world
        self._range_hz = (low_hz, high_hz)
        self._range_dbm = (low_dbm, high_dbm)
        self.add("[SOURce:]FREQuency[:CW]", self._set_frequency)
        self.add("[SOURce:]FREQuency[:CW]?", lambda text: self._ask(text, self.f_hz, self._range_hz))
        self.add("[SOURce:]POWer[:LEVel]", self._set_level)
        self.add("[SOURce:]POWer[:LEVel]?", lambda text: self._ask(text, self.level_dbm, self._range_dbm))
        self.add("OUTPut[:STATe]", self._set_output)
        self.add("OUTPut[:STATe]?", lambda _: "1" if self.on else "0")
        self.f_hz, self.level_dbm, self.on = 1e6, low_dbm, False

    def reset(self) -> None:
        self.f_hz, self.level_dbm, self.on = 1e6, self._range_dbm[0], False
        self._apply()

    def _apply(self) -> None:
        self._world.apply(self.f_hz, self.level_dbm, self.on)

    @staticmethod
    def _ask(text: str, value: float, bounds: tuple[float, float]) -> str:
        return _plain(to_number(text, *bounds) if text else value)

    def _set_frequency(self, text: str) -> None:
        self.f_hz = to_number(text, *self._range_hz)
        self._apply()

    def _set_level(self, text: str) -> None:
        self.level_dbm = to_number(text, *self._range_dbm)
        self._apply()

    def _set_output(self, text: str) -> None:
        self.on = to_bool(text)
        self._apply()


def _spoil(message: bytes, fault: Fault) -> bytes | None:
    """How a binary block breaks: its header and its values are not text."""
    if not message.startswith(b"#") or not message[1:2].isdigit():
        return None
    head = 2 + int(message[1:2])
    data = bytearray(message[head:-1])
    size = 8
    if fault.kind in ("nan", "range"):
        bad = float("nan") if fault.kind == "nan" else 9.9e37
        data[:size] = np.array([bad], ">f8").tobytes()
        return message[:head] + bytes(data) + b"\n"
    if fault.kind == "count":
        return block(bytes(data[:-size])) + b"\n"
    if fault.kind in ("truncate", "cut"):
        half = message[: head + len(data) // 2]
        return half + (b"\n" if fault.kind == "truncate" else b"")
    return None


class ScpiServer:
    """A simulated SCPI instrument on a loopback socket."""

    def __init__(self, device: ScpiDevice, *, faults: Faults | None = None, port: int = 0) -> None:
        self.device = device
        self._mishaps = Mishaps(faults)
        self.wire = LoopbackServer(self._talk, port=port)

    @property
    def address(self) -> str:
        """The VISA resource string for a plan."""
        return f"TCPIP::{self.wire.host}::{self.wire.tcp_port}::SOCKET"

    @property
    def faults(self) -> Faults:
        """The mishaps still to come."""
        return self._mishaps.faults

    def _talk(self, conversation: Conversation) -> None:
        while (line := conversation.read_line()) is not None:
            # Answers to one message come as one message (IEEE 488.2, 8.3.1).
            if replies := self.device.do(line.decode("ascii", "replace")):
                name = ";".join(header for header, _ in replies)
                message = b";".join(reply for _, reply in replies) + b"\n"
                self._mishaps.send(conversation, name, message, _spoil)

    def close(self) -> None:
        """Stop; may be called twice."""
        self.wire.close()

    def __enter__(self) -> ScpiServer:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def serve_scpi_analyzer(
    world: AnalyzerWorld, *, speed: float = 1.0, faults: Faults | None = None, port: int = 0
) -> ScpiServer:
    """An analyzer in front of `world`, in threads of this process, until closed.

    Parameters
    ----------
    world : AnalyzerWorld
        Gives the reflection and the limits.
    speed : float
        How many times faster than life a sweep runs.
    faults : Faults, optional
        What goes wrong.
    port : int
        TCP port; 0 takes a free one.
    """
    return ScpiServer(SimulatedAnalyzer(world, speed=speed), faults=faults, port=port)


def serve_scpi_generator(world: GeneratorWorld, *, faults: Faults | None = None, port: int = 0) -> ScpiServer:
    """A generator whose output feeds `world`, in threads of this process, until closed."""
    return ScpiServer(SimulatedGenerator(world), faults=faults, port=port)
