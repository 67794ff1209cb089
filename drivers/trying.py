"""Help for whoever writes a description: what a port answers byte for byte, and what one sweep looks like."""

from __future__ import annotations

import re
import time
from contextlib import closing

import numpy as np

from drivers.description import Description
from drivers.lines import LinesAnalyzer
from drivers.roles import Sweep
from drivers.transport import Transport

_QUIET_S = 0.3
_MOST_SHOWN = 1 << 16


def show_bytes(data: bytes) -> list[str]:
    """Bytes as text, one string a line: printable ASCII as it is, line ends and everything else in angle brackets."""
    names = {13: "<CR>", 10: "<LF>", 9: "<TAB>", 27: "<ESC>", 0: "<NUL>"}
    text = "".join(
        names.get(byte, chr(byte) if 32 <= byte < 127 else f"<{byte:02X}>") + ("\n" if byte == 10 else "")
        for byte in data
    )
    # Where only carriage returns end the lines, they do so here as well.
    if "<LF>" not in text:
        text = text.replace("<CR>", "<CR>\n")
    return text.splitlines()


def ask_line(transport: Transport, line: str, line_end: str, wait_s: float) -> bytes:
    """Everything that comes after `line` has been sent, until it has been quiet for a moment; at most 64 kB."""
    transport.discard()
    transport.write((line + line_end).encode("ascii", "replace"))
    return listen(transport, wait_s)


def listen(transport: Transport, wait_s: float) -> bytes:
    """What comes by itself: waits `wait_s` for the first byte, then until it is quiet."""
    data = transport.read_some(wait_s)
    deadline = time.monotonic() + max(wait_s, 1.0) * 5.0
    while data and len(data) < _MOST_SHOWN and time.monotonic() < deadline:
        more = transport.read_some(_QUIET_S)
        if not more:
            break
        data += more
    return data


def try_sweep(port: str, description: Description, points: int = 51) -> tuple[str, Sweep]:
    """One sweep over the whole range by a description; who answered, and the sweep.

    Raises
    ------
    WireError
        Says what came where something else was described.
    """
    limits = description.limits
    with closing(LinesAnalyzer(port, description)) as analyzer:
        sweep = analyzer.sweep(limits.low_hz, limits.high_hz, min(points, limits.most_points))
        return analyzer.identify(), sweep


def try_list(port: str, description: Description, points: int = 7) -> Sweep:
    """A few frequencies, unevenly spread, by a description that has a list.

    Raises
    ------
    WireError
        Says what came where something else was described.
    """
    limits = description.limits
    with closing(LinesAnalyzer(port, description)) as analyzer:
        return analyzer.sweep_at(np.geomspace(limits.low_hz, limits.high_hz, points))


def draw(sweep: Sweep, width: int = 64, height: int = 12) -> list[str]:
    """Reflection in dB against frequency, drawn with characters."""
    db = 20.0 * np.log10(np.maximum(np.abs(sweep.s11), 1e-6))
    top, bottom = float(np.ceil(np.max(db))), float(np.floor(np.min(db)))
    bottom = min(bottom, top - 1.0)
    columns = np.interp(np.linspace(sweep.f_hz[0], sweep.f_hz[-1], width), sweep.f_hz, db)
    rows = np.rint((top - columns) / (top - bottom) * (height - 1)).astype(int)
    lines = []
    for row in range(height):
        label = f"{top - (top - bottom) * row / (height - 1):7.2f} dB |"
        lines.append(label + "".join("*" if at == row else " " for at in rows).rstrip())
    low, high = f"{sweep.f_hz[0] / 1e3:.1f} kHz", f"{sweep.f_hz[-1] / 1e3:.1f} kHz"
    lines.append(" " * 11 + "+" + "-" * width)
    lines.append(" " * 12 + low + high.rjust(width - len(low)))
    return lines


def doubts(sweep: Sweep) -> list[str]:
    """What looks wrong in a sweep that was read without an error."""
    size = np.abs(sweep.s11)
    out: list[str] = []
    if np.all(sweep.s11 == sweep.s11[0]):
        out.append("Every value is the same: are the columns the right ones?")
    if np.max(size) > 1.2:
        out.append(
            f"|S11| goes up to {np.max(size):.2f}; without regeneration it cannot exceed 1. Wrong column, or dB?"
        )
    if np.all(np.abs(np.angle(sweep.s11)) < 0.07) and len(sweep.s11) > 10:
        out.append("The angle hardly moves: is it in radians but described in degrees?")
    if np.max(size) < 0.01:
        out.append("|S11| is below 0.01 everywhere: is a 50 ohm load connected, or is the unit wrong?")
    return out


LINE_ENDS = {"crlf": "\r\n", "lf": "\n", "cr": "\r"}


def suggestions(data: bytes, sent: str) -> list[str]:
    """What an answer tells about the fields of a description."""
    out: list[str] = []
    if not data:
        return ["Nothing came: try another --line-end or --baud, or look whether the port is the right one."]
    if sent and data.lstrip().startswith(sent.encode("ascii", "replace")):
        out.append("It repeats what it is sent: echo = true")
    ends = {"\\r\\n": b"\r\n", "\\n": b"\n", "\\r": b"\r"}
    for name, end in ends.items():
        if end in data:
            out.append(f'Its lines end so: reply_end = "{name}"')
            break
    tail = re.split(rb"[\r\n]", data)[-1]
    if 0 < len(tail) <= 20 and all(32 <= byte < 127 for byte in tail):
        out.append(
            f'It ends without a line end, so this may be its prompt: prompt = "{tail.decode("ascii")}"'
        )
    return out
