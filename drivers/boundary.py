"""The one place where foreign errors become errors of `drivers.errors`.

pyserial, the operating system and termios raise different things for the same mishap, depending on the call; PyVISA
raises status codes. Each is mapped to the most specific own error, the cause is kept, and a test walks the tables.
"""

from __future__ import annotations

import errno
import os
import re
import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager

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

_OPENING: dict[int, type[WireError]] = {
    errno.ENOENT: PortMissing,
    errno.ENODEV: PortMissing,
    errno.ENXIO: PortMissing,
    errno.ENOTDIR: PortMissing,
    errno.EISDIR: PortMissing,
    errno.ENOTTY: PortMissing,
    errno.EINVAL: PortMissing,
    errno.EIO: PortMissing,
    errno.ENAMETOOLONG: PortMissing,
    errno.ECONNREFUSED: PortMissing,
    errno.EHOSTUNREACH: PortMissing,
    errno.EHOSTDOWN: PortMissing,
    errno.ENETUNREACH: PortMissing,
    errno.ENETDOWN: PortMissing,
    errno.EADDRNOTAVAIL: PortMissing,
    errno.EACCES: PortForbidden,
    errno.EPERM: PortForbidden,
    errno.EBUSY: PortBusy,
    errno.EAGAIN: PortBusy,
    errno.ETIMEDOUT: TimedOut,
}

# Everything not listed here ends a running exchange as LinkLost: what the link was is no longer known.
_RUNNING: dict[int, type[WireError]] = {
    errno.ETIMEDOUT: TimedOut,
    errno.EAGAIN: TimedOut,
    errno.ECONNREFUSED: PortMissing,
    errno.EHOSTUNREACH: LinkLost,
    errno.EACCES: PortForbidden,
    errno.EPERM: PortForbidden,
}

_HINTS: dict[type[WireError], str] = {
    PortMissing: "Check the cable and the name; 'regenbench ports' lists what is there.",
    PortBusy: "Close the other program that has it open, then try again.",
    LinkLost: "Check the cable and the power, then try again.",
    TimedOut: "Check that the instrument is on and not waiting for its front panel, then try again.",
    ProtocolError: "Check that the plan names the right driver for this port, then try again.",
    LinkError: "'regenbench ports' shows what can be reached.",
}

# VISA completion codes (VPP-4.3, table of error codes) to own errors; the rest are LinkLost.
VISA_ERRORS: dict[str, type[WireError]] = {
    "error_timeout": TimedOut,
    "error_resource_not_found": PortMissing,
    "error_invalid_resource_name": PortMissing,
    "error_library_not_found": PortMissing,
    "error_machine_not_available": PortMissing,
    "error_interface_number_not_configured": PortMissing,
    "error_no_listeners": PortMissing,
    "error_resource_busy": PortBusy,
    "error_resource_locked": PortBusy,
    "error_line_in_use": PortBusy,
    "error_no_permission": PortForbidden,
    "error_connection_lost": LinkLost,
    "error_io": LinkLost,
    "error_bus_error": LinkLost,
    "error_invalid_object": LinkLost,
    "error_serial_parity": ProtocolError,
    "error_serial_framing": ProtocolError,
    "error_serial_overrun": ProtocolError,
    "error_input_protocol_violation": ProtocolError,
    "error_output_protocol_violation": ProtocolError,
    "error_raw_read_protocol_violation": ProtocolError,
    "error_raw_write_protocol_violation": ProtocolError,
    "error_nonimplemented_operation": Misuse,
    "error_nonsupported_operation": Misuse,
    "error_nonsupported_attribute": Misuse,
    "error_nonsupported_attribute_state": Misuse,
    "error_nonsupported_format": Misuse,
    "error_nonsupported_mechanism": Misuse,
    "error_nonsupported_mode": Misuse,
    "error_attribute_read_only": Misuse,
}


def quote(data: bytes, most: int = 48) -> str:
    """The offending bytes, shortened, as they are shown in a message."""
    shown = data[:most].decode("ascii", "backslashreplace")
    shown = re.sub(r"[\x00-\x1f\x7f]", lambda hit: f"\\x{ord(hit[0]):02x}", shown)
    return f"'{shown}'" + (f"… ({len(data)} bytes)" if len(data) > most else "")


def permission_hint(port: str) -> str:
    """Which group owns the port and how to join it, where the system can tell."""
    if sys.platform == "win32" or not port.startswith("/"):
        return "Ask for access to the port, or start as a user who has it."
    try:
        import grp

        group = grp.getgrgid(os.stat(port).st_gid).gr_name  # noqa: PTH116
    except (OSError, KeyError, ImportError):
        group = "dialout"
    return f"Join the group that owns it: 'sudo usermod -aG {group} $USER', then log out and in again."


def _make(kind: type[WireError], what: str, port: str) -> WireError:
    hint = permission_hint(port) if kind is PortForbidden else _HINTS.get(kind, "")
    return kind(what, port=port, hint=hint)


def _errno_of(error: BaseException) -> int | None:
    """The system's error number, also where a library hid it in its own text or cause."""
    number = getattr(error, "errno", None)
    if isinstance(number, int):
        return number
    first = error.args[0] if error.args else None
    if isinstance(first, int) and not isinstance(first, bool):
        return first
    found = re.search(r"\[Errno (\d+)\]|: \((\d+), '", str(error))
    if found:
        return int(found[1] or found[2])
    text = str(error)
    if "FileNotFoundError" in text:
        return errno.ENOENT
    if "PermissionError" in text:
        # Windows refuses a second opener with "access is denied".
        return errno.EBUSY
    return None


def _visa_error(error: BaseException, port: str) -> WireError:
    code = getattr(error, "error_code", None)
    name = getattr(code, "name", "") or ""
    if not name and isinstance(code, int):
        from pyvisa.constants import StatusCode

        try:
            name = StatusCode(code).name
        except ValueError:
            name = f"code {code}"
    kind = VISA_ERRORS.get(name, LinkLost)
    text = {
        TimedOut: "no answer in the time allowed.",
        PortMissing: "no such instrument address.",
        PortBusy: "another program holds the instrument.",
        PortForbidden: "opening it is not allowed.",
    }.get(kind, f"the link reports {name.removeprefix('error_').replace('_', ' ')}.")
    return _make(kind, text, port)


def translate(error: BaseException, port: str, *, opening: bool = False) -> WireError:
    """The own error for a foreign one.

    Parameters
    ----------
    error : BaseException
        What pyserial, PyVISA, the socket module, termios or the system raised.
    port : str
        Where it happened.
    opening : bool
        True while the port is being opened.

    Returns
    -------
    WireError
        The most specific error of the tree; own errors pass unchanged.
    """
    if isinstance(error, WireError):
        return error
    if type(error).__module__.split(".", 1)[0] == "pyvisa":
        if type(error).__name__ == "VisaIOError":
            return _visa_error(error, port)
        if type(error).__name__ == "InvalidSession":
            return _make(LinkLost, "the link is closed.", port)
        return _make(PortMissing if opening else LinkLost, f"{error}.", port)
    if type(error).__name__ == "SerialTimeoutException":
        return _make(TimedOut, "writing took longer than allowed.", port)
    if isinstance(error, socket.gaierror):
        return _make(PortMissing, "no such host.", port)
    if isinstance(error, (OSError, ValueError, TypeError)) or type(error).__module__ == "termios":
        number = _errno_of(error)
        # TimeoutError without a number is the socket module's own wait ending.
        if isinstance(error, TimeoutError) and number is None:
            number = errno.ETIMEDOUT
        return _by_number(number, error, port, opening)
    return _make(LinkError if opening else LinkLost, f"{error}.", port)


def _by_number(number: int | None, error: BaseException, port: str, opening: bool) -> WireError:
    if number is None:
        kind: type[WireError] = LinkError if opening else LinkLost
    elif opening:
        kind = _OPENING.get(number, LinkError)
    else:
        kind = _RUNNING.get(number, LinkLost)
    if opening and number in (errno.ENOTTY, errno.EINVAL):
        return _make(kind, "this is not a serial port.", port)
    known: dict[type[WireError], str] = {
        PortMissing: "there is no such port or nobody listens there.",
        PortBusy: "another program holds the port.",
        PortForbidden: "you may not open it.",
        TimedOut: "no answer in the time allowed.",
        LinkLost: "the other end is gone.",
    }
    return _make(kind, known.get(kind, f"it cannot be opened ({error})."), port)


@contextmanager
def boundary(port: str, *, opening: bool = False) -> Iterator[None]:
    """Inside, any foreign error leaves as the own error it means, with its cause."""
    try:
        yield
    except WireError:
        raise
    except Exception as error:
        raise translate(error, port, opening=opening) from error
