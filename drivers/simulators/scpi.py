"""Simulated instruments that speak SCPI (IEEE 488.2, SCPI-1999) over a loopback socket, given any world."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Protocol, runtime_checkable

import numpy as np

from drivers.roles import AnalyzerLimits, Complexes, Floats
from drivers.simulators.faults import Fault, Faults
from drivers.simulators.loopback import Conversation, LoopbackServer, Mishaps
from drivers.simulators.scpi_device import (
    ILLEGAL_VALUE,
    MISSING_PARAMETER,
    TOO_MUCH_DATA,
    ScpiDevice,
    ScpiError,
    block,
    plain,
    to_bool,
    to_number,
)


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
        if limits.list_points:
            self.add("[SENSe:]FREQuency:MODE", self._set_mode)
            self.add("[SENSe:]FREQuency:MODE?", lambda _: self._mode)
            self.add("[SENSe:]LIST:FREQuency", self._set_list)
            self.add("[SENSe:]LIST:FREQuency?", lambda _: ",".join(plain(f_hz) for f_hz in self._list))
            self.add("[SENSe:]LIST:FREQuency:POINts?", self._ask_list_points)
        self.add("[SENSe:]SWEep:TIME?", lambda _: plain(self._duration() * self._speed))
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
        self._mode = "SWE"
        self._list: Floats = np.array([self._low])
        self._format = "ASC"
        self._swapped = False
        self._due: float | None = None
        self._trace: Floats | None = None
        if isinstance(self._world, LevelledWorld) and self._preset_dbm is not None:
            self._world.set_level(self._preset_dbm)

    @staticmethod
    def _ask_level(world: LevelledWorld, text: str) -> str:
        return plain(to_number(text, *world.level_range_dbm) if text else world.level_dbm)

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
            return plain(to_number(word, low, high) if word else self._settings[header])

        self.add(header, change)
        self.add(header + "?", ask)

    def _set_mode(self, text: str) -> None:
        known = {"SWE": "SWE", "SWEEP": "SWE", "LIST": "LIST"}
        if text.upper() not in known:
            raise ScpiError(*ILLEGAL_VALUE)
        self._mode = known[text.upper()]

    def _set_list(self, text: str) -> None:
        if not text:
            raise ScpiError(*MISSING_PARAMETER)
        words = text.split(",")
        if len(words) > self._world.limits.list_points:
            raise ScpiError(*TOO_MUCH_DATA)
        self._list = np.array([to_number(word, self._low, self._high) for word in words])

    def _ask_list_points(self, text: str) -> str:
        if text.upper() in ("MAX", "MAXIMUM"):
            return str(self._world.limits.list_points)
        if text:
            raise ScpiError(*ILLEGAL_VALUE)
        return str(len(self._list))

    def _grid(self) -> Floats:
        if self._mode == "LIST":
            return self._list
        start, stop, points = self._settings.values()
        return np.linspace(start, stop, int(points))

    def _duration(self) -> float:
        return len(self._grid()) * self._world.limits.seconds_per_point / self._speed

    def _start(self, _: str) -> None:
        low, high = list(self._settings.values())[:2]
        if self._mode == "SWE" and low >= high:
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
        return plain(to_number(text, *bounds) if text else value)

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
