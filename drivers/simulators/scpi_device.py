"""What every simulated SCPI instrument has (IEEE 488.2, SCPI-1999): headers, numbers, the common commands, the error queue."""

from __future__ import annotations

import math
import re
import threading
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass


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
TOO_MUCH_DATA = (-223, "Too much data")
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


def plain(value: float) -> str:
    return f"{value:.15g}"


def block(data: bytes) -> bytes:
    """A definite-length arbitrary block (IEEE 488.2, 8.7.9)."""
    length = str(len(data)).encode("ascii")
    return b"#%d%b%b" % (len(length), length, data)
