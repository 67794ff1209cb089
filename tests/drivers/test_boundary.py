"""Every foreign error has an own error: the map is complete."""

from __future__ import annotations

import errno
import os
import socket
from pathlib import Path

import pytest

from drivers import boundary, errors
from drivers.boundary import translate
from drivers.errors import (
    LinkError,
    LinkLost,
    Misuse,
    PortBusy,
    PortForbidden,
    PortMissing,
    ProtocolError,
    TimedOut,
    WireError,
)


def every_wire_error() -> list[type[WireError]]:
    return [one for one in vars(errors).values() if isinstance(one, type) and issubclass(one, WireError)]


@pytest.mark.parametrize("number", sorted(errno.errorcode))
@pytest.mark.parametrize("opening", [True, False])
def test_every_number_of_the_system_becomes_an_own_error(number: int, opening: bool) -> None:
    own = translate(OSError(number, os.strerror(number)), "PORT", opening=opening)
    assert isinstance(own, WireError)
    assert own.port == "PORT"
    assert str(own).startswith("PORT: ")
    assert own.hint, "the person at the bench is told the next step"


@pytest.mark.parametrize(
    ("number", "opening", "kind"),
    [
        (errno.ENOENT, True, PortMissing),
        (errno.ECONNREFUSED, True, PortMissing),
        (errno.ENOTTY, True, PortMissing),
        (errno.EACCES, True, PortForbidden),
        (errno.EBUSY, True, PortBusy),
        (errno.EAGAIN, True, PortBusy),
        (errno.EIO, False, LinkLost),
        (errno.ENODEV, False, LinkLost),
        (errno.EPIPE, False, LinkLost),
        (errno.ECONNRESET, False, LinkLost),
        (errno.EBADF, False, LinkLost),
        (errno.ETIMEDOUT, False, TimedOut),
    ],
)
def test_the_most_specific_error_is_chosen(number: int, opening: bool, kind: type[WireError]) -> None:
    assert type(translate(OSError(number, "x"), "PORT", opening=opening)) is kind


def test_every_error_code_of_pyvisa_becomes_an_own_error() -> None:
    from pyvisa.constants import StatusCode
    from pyvisa.errors import VisaIOError

    codes = [code for code in StatusCode if code.value < 0]
    assert len(codes) > 50
    for code in codes:
        own = translate(VisaIOError(code), "ADDRESS")
        assert isinstance(own, WireError), code
        assert own.port == "ADDRESS"
    assert type(translate(VisaIOError(StatusCode.error_timeout), "A")) is TimedOut
    assert type(translate(VisaIOError(StatusCode.error_resource_not_found), "A")) is PortMissing
    assert type(translate(VisaIOError(StatusCode.error_connection_lost), "A")) is LinkLost
    assert type(translate(VisaIOError(StatusCode.error_resource_busy), "A")) is PortBusy


def test_the_table_of_visa_codes_names_only_codes_that_exist() -> None:
    from pyvisa.constants import StatusCode

    assert set(boundary.VISA_ERRORS) <= {code.name for code in StatusCode}


def test_every_exception_of_pyserial_becomes_an_own_error() -> None:
    import serial

    found = [
        one
        for one in vars(serial.serialutil).values()
        if isinstance(one, type) and issubclass(one, Exception)
    ]
    assert len(found) >= 3
    for kind in found:
        error = kind() if kind.__name__ == "PortNotOpenError" else kind("broken")
        own = translate(error, "PORT")
        assert type(own) in every_wire_error()
    assert type(translate(serial.SerialTimeoutException("write"), "PORT")) is TimedOut
    assert type(translate(serial.SerialException("read failed: gone"), "PORT")) is LinkLost


def test_numbers_hidden_in_text_are_found() -> None:
    # pyserial on Windows and its re-raised reads keep the system's number in the text only.
    import serial

    busy = serial.SerialException("could not open port 'COM9': PermissionError(13, 'Access is denied.')")
    missing = serial.SerialException("could not open port 'COM9': FileNotFoundError(2, 'not found')")
    assert type(translate(busy, "COM9", opening=True)) is PortBusy
    assert type(translate(missing, "COM9", opening=True)) is PortMissing
    lost = serial.SerialException("read failed: [Errno 5] Input/output error")
    assert type(translate(lost, "COM9")) is LinkLost


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="needs a system with termios")
def test_termios_errors_are_mapped() -> None:
    import termios

    assert type(translate(termios.error(errno.EIO, "Input/output error"), "PORT")) is LinkLost
    assert type(translate(termios.error(errno.ENOTTY, "no tty"), "PORT", opening=True)) is PortMissing


def test_names_and_waits_of_the_socket_module() -> None:
    assert type(translate(socket.gaierror(-2, "Name or service not known"), "P", opening=True)) is PortMissing
    assert type(translate(TimeoutError("timed out"), "P")) is TimedOut


def test_own_errors_pass_and_causes_are_kept() -> None:
    own = Misuse("no.")
    assert translate(own, "PORT") is own
    with pytest.raises(LinkLost) as caught, boundary.boundary("PORT"):
        raise OSError(errno.EIO, "gone")
    assert isinstance(caught.value.__cause__, OSError)
    with pytest.raises(ProtocolError), boundary.boundary("PORT"):
        raise ProtocolError("x")
    with pytest.raises(LinkError), boundary.boundary("PORT", opening=True):
        raise RuntimeError("no idea")


def test_a_forbidden_port_names_the_group(tmp_path: Path) -> None:
    pytest.importorskip("grp")
    import grp

    port = tmp_path / "tty"
    port.write_text("")
    group = grp.getgrgid(port.stat().st_gid).gr_name
    own = translate(PermissionError(errno.EACCES, "Permission denied"), str(port), opening=True)
    assert f"usermod -aG {group}" in own.hint


def test_quoted_bytes_are_short_and_printable() -> None:
    shown = boundary.quote(b"\x00\xffabc\r\n" + b"7" * 500)
    assert shown.startswith("'\\x00\\xffabc\\x0d\\x0a777")
    assert len(shown) < 100
    assert "507 bytes" in shown
