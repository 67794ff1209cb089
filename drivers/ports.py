"""What is connected, and what answers there. Looks at local ports only; asks no network anything.

Asking sends two short questions (`?` and `*IDN?`) and, to a SCPI instrument, up to three more that change nothing; nothing is
set or switched.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from drivers import scpi_values as values
from drivers.boundary import quote
from drivers.errors import TimedOut, WireError
from drivers.frames import FrameDecoder, Identity
from drivers.transport import Transport, open_transport
from drivers.visa import VisaLink

Kind = Literal["serial", "usb", "address"]
Player = Literal["sensor", "analyzer", "generator", "instrument"]


@dataclass(frozen=True)
class Found:
    """A port or address that is there, before anything is asked."""

    port: str
    kind: Kind
    description: str


@dataclass(frozen=True)
class Report:
    """One port or address and what it said.

    `answer` is what it calls itself, `player` what it can be in a plan, `problem` why there is no answer and the next
    step; each None where it does not apply. `plan` are lines for a plan. `list_points`: how many frequencies an analyzer
    takes in a free list, where it says so.
    """

    port: str
    kind: Kind
    description: str
    answer: str | None = None
    player: Player | None = None
    problem: str | None = None
    plan: tuple[str, ...] = ()
    list_points: int | None = None


def serial_ports() -> list[Found]:
    """The serial ports of this machine, by pyserial."""
    from serial.tools import list_ports

    out: list[Found] = []
    for port in sorted(list_ports.comports(), key=lambda one: one.device):
        words = [
            text for text in (port.manufacturer, port.product, port.description) if text and text != "n/a"
        ]
        # A maker's name is often part of the description already.
        unique = [
            text for at, text in enumerate(words) if not any(text in other for other in words[at + 1 :])
        ]
        out.append(Found(port.device, "serial", ", ".join(unique) or "serial port"))
    return out


def usb_instruments() -> list[Found]:
    """USB instruments (USB test-and-measurement class) that pyvisa-py can see; none where PyUSB is missing.

    PyVISA's own list would also search the network; only the USB sessions are asked here.
    """
    found: list[Found] = []
    # A machine without PyUSB, without libusb, or without the right to look has no list.
    with contextlib.suppress(Exception):
        from pyvisa.constants import InterfaceType
        from pyvisa_py.sessions import Session  # type: ignore[import-untyped]

        for (interface, kind), session in Session.iter_valid_session_classes():
            if interface == InterfaceType.usb and kind == "INSTR":
                found += [Found(name, "usb", "USB instrument") for name in session.list_resources()]
    return found


def ask(found: Found, *, bauds: Sequence[int] = (115200, 9600), timeout_s: float = 1.0) -> Report:
    """Ask one port or address who is there.

    Parameters
    ----------
    found : Found
        Where.
    bauds : sequence of int
        Speeds to try on a serial port.
    timeout_s : float
        Limit for each answer.
    """
    try:
        if found.kind == "serial" or found.port.startswith("socket://"):
            return _ask_port(found, bauds, timeout_s)
        return _ask_address(found, timeout_s)
    except WireError as problem:
        return Report(
            found.port, found.kind, found.description, problem=f"{problem.what} {problem.hint}".strip()
        )


def _ask_port(found: Found, bauds: Sequence[int], timeout_s: float) -> Report:
    heard = b""
    for baud in bauds:
        transport = open_transport(found.port, baud=baud)
        try:
            board = _hear_sensor(transport, timeout_s)
            if isinstance(board, Identity):
                return _sensor_report(found, board, baud)
            heard = heard or board
            identity = _hear_scpi(transport, timeout_s)
            if identity is not None:
                address = f"ASRL{found.port}::INSTR"
                extra = () if baud == 9600 else (f"baud = {baud}",)
                return _scpi_report(found, identity, "instrument", address, extra)
        finally:
            transport.close()
        if found.port.startswith("socket://"):
            break
    if heard:
        what = f"something sends, but not what this program knows: {quote(heard)}."
        hint = "If it is the sensor, check its firmware; else it may be another kind of device."
    else:
        what = "nothing answers."
        hint = "Switch the instrument on, check its speed and its remote-control setting."
    return Report(found.port, found.kind, found.description, problem=f"{what} {hint}")


def _hear_sensor(transport: Transport, timeout_s: float) -> Identity | bytes:
    """The sensor board's identity, or what came in place of it."""
    decoder = FrameDecoder()
    heard = b""
    deadline = time.monotonic() + timeout_s
    transport.write(b"\r\n?\r\n")
    while (left := deadline - time.monotonic()) > 0:
        data = transport.read_some(left)
        heard = (heard + data)[:256]
        decoder.feed(data)
        if decoder.identity is not None:
            return decoder.identity
    return heard


def _hear_scpi(transport: Transport, timeout_s: float) -> str | None:
    transport.discard()
    transport.write(b"*IDN?\n")
    try:
        answer = transport.read_until(b"\n", timeout_s, most=4096)
        return values.parse_identity(answer)
    except WireError:
        return None


def _ask_address(found: Found, timeout_s: float) -> Report:
    link = VisaLink(found.port, timeout_s=timeout_s)
    link.open()
    try:
        link.write("*IDN?")
        identity = values.parse_identity(link.read_line())
        player = _what_it_is(link, timeout_s)
        listed = _list_points(link, timeout_s) if player == "analyzer" else None
    finally:
        link.close()
    return _scpi_report(found, identity, player, found.port, (), listed)


def _what_it_is(link: VisaLink, timeout_s: float) -> Player:
    """Analyzer or generator, by what it can be asked; an instrument that knows neither stays one."""
    questions: tuple[tuple[str, Player], ...] = (
        ("SENSe:SWEep:POINts?", "analyzer"),
        ("OUTPut:STATe?", "generator"),
    )
    for question, player in questions:
        try:
            link.write(question)
            values.parse_number(link.read_line(min(timeout_s, 0.5)))
        except TimedOut:
            # A late answer must not meet the next question.
            link.close()
            link.open()
        else:
            return player
    # The unknown question left an entry in its error queue.
    link.write("*CLS")
    with contextlib.suppress(WireError):
        link.write("*OPC?")
        link.read_line(min(timeout_s, 0.5))
    return "instrument"


def _list_points(link: VisaLink, timeout_s: float) -> int | None:
    """How many frequencies an analyzer takes in a list (SCPI-1999 volume 2, SENSe:LIST); None where it does not say."""
    try:
        link.write("SENSe:LIST:FREQuency:POINts? MAXimum")
        most = values.parse_number(link.read_line(min(timeout_s, 0.5)))
    except WireError:
        # The unknown question left an entry in its error queue, and perhaps a late answer.
        link.close()
        link.open()
        link.write("*CLS")
        with contextlib.suppress(WireError):
            link.write("*OPC?")
            link.read_line(min(timeout_s, 0.5))
        return None
    return int(min(most, 1000)) if most >= 2 else None


def _sensor_report(found: Found, board: Identity, baud: int) -> Report:
    answer = f"{board.name} {board.version}, {board.rate_hz} frames a second, full scale {board.full_scale}"
    roles = ["angle", "level", *(["dial"] if board.has_dial else [])]
    plan: list[str] = []
    for role in roles:
        plan += [f"[instruments.{role}]", 'driver = "sensor"', f"port = {_toml(found.port)}"]
        if baud != 115200:
            plan.append(f"baud = {baud}")
    return Report(found.port, found.kind, found.description, answer, "sensor", None, tuple(plan))


def _scpi_report(
    found: Found,
    identity: str,
    player: Player,
    address: str,
    extra: tuple[str, ...],
    listed: int | None = None,
) -> Report:
    roles = [player] if player in ("analyzer", "generator") else ["analyzer", "generator"]
    plan: list[str] = []
    for at, role in enumerate(roles):
        if at:
            plan.append("# or, if it is a generator:")
        plan += [f"[instruments.{role}]", f'driver = "scpi-{role}"', f"address = {_toml(address)}", *extra]
        if listed is not None and role == "analyzer":
            plan.append(f"list_points = {listed}")
    return Report(found.port, found.kind, found.description, identity, player, None, tuple(plan), listed)


def _toml(text: str) -> str:
    """A TOML string; port names of Windows have backslashes."""
    return "'" + text + "'" if "\\" in text and "'" not in text else f'"{text}"'
