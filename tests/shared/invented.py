"""Five line instruments that differ in everything, with the descriptions that fit them; their words are invented here."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

LIMITS = """
[limits]
low_hz = 1e5
high_hz = 3e7
most_points = {most}
seconds_per_point = 1e-5
"""


class Heron:
    """Echo, prompt and banner; carriage returns; frequency in Hz, real, imaginary, separated by commas."""

    banner, prompt, echo, hears, says = "\r\nHERON awakes", "heron> ", True, "\r", "\r\n"
    most = 401
    text = """
name = "Heron"
role = "analyzer"
setup = ["stand still"]
[port]
baud = 4000000
line_end = "\\r"
reply_end = "\\n"
echo = true
prompt = "heron> "
settle_s = 0.05
timeout_s = 0.12
[identify]
command = "speak"
expect = "heron"
[sweep]
commands = ["wade {start_hz} {stop_hz} {points}"]
[sweep.reply]
columns = ["frequency", "real", "imaginary"]
"""

    def __init__(self, world: Any) -> None:
        self.world = world

    def obey(self, command: str) -> Iterator[str | float]:
        words = command.split()
        if command == "speak":
            yield "grey heron, second hatching"
            yield "fed 12 times"
        elif words[:1] == ["wade"]:
            f_hz = np.linspace(int(words[1]), int(words[2]), int(words[3]))
            for f, s in zip(f_hz, self.world.reflection(f_hz), strict=True):
                yield f"{f:.0f},{s.real:.9f},{s.imag:.9f}"
        elif command and command != "stand still":
            yield "?"


class Otter:
    """Centre and span in kHz; header and remarks; magnitude and angle in degrees; blanks; says when it is done."""

    banner, prompt, echo, hears, says = "", "", False, "\n", "\n"
    most = 301
    text = """
name = "Otter"
role = "analyzer"
[port]
baud = 4000000
line_end = "\\n"
timeout_s = 0.12
[sweep]
commands = ["dive at {center_khz} by {span_khz} with {points}"]
decimals = { center_khz = 4, span_khz = 4 }
[sweep.reply]
columns = ["frequency", "magnitude", "angle"]
separator = " "
frequency_unit = "kHz"
skip = 2
comment = "~"
end = "surface"
"""

    def __init__(self, world: Any) -> None:
        self.world = world

    def obey(self, command: str) -> Iterator[str | float]:
        words = command.split()
        if words[:2] != ["dive", "at"]:
            return
        centre, span, points = float(words[2]) * 1e3, float(words[4]) * 1e3, int(words[6])
        f_hz = np.linspace(centre - span / 2, centre + span / 2, points)
        yield "otter dives"
        yield "  kHz   size   turn"
        for at, (f, s) in enumerate(zip(f_hz, self.world.reflection(f_hz), strict=True)):
            if at % 7 == 3:
                yield "~ a fish"
            yield f"  {f / 1e3:.6f}   {abs(s):.10f}  {np.degrees(np.angle(s)):+.8f}"
        yield "surface"


class Finch:
    """Start and step in MHz, one value a line, separate questions for frequencies, decibels and angles in radians."""

    banner, prompt, echo, hears, says = "", "", False, "\r\n", "\r\n"
    most = 201
    text = """
name = "Finch"
role = "analyzer"
[port]
baud = 4000000
line_end = "\\r\\n"
reply_end = "\\n"
timeout_s = 0.12
[identify]
command = "song"
[sweep]
commands = ["from {start_mhz}", "hop {step_mhz}", "hops {steps}", "sing"]
decimals = { start_mhz = 6, step_mhz = 9 }
answer = "tweet"
[[sweep.reply]]
command = "where"
columns = ["frequency"]
frequency_unit = "MHz"
[[sweep.reply]]
command = "loud"
columns = ["db"]
[[sweep.reply]]
command = "turned"
columns = ["angle"]
angle_unit = "radians"
"""

    def __init__(self, world: Any) -> None:
        self.world = world
        self.start, self.step, self.steps = 1e6, 1e3, 10

    def obey(self, command: str) -> Iterator[str | float]:
        word, _, rest = command.partition(" ")
        if word == "song":
            yield "finch 0.3"
        elif word == "from":
            self.start = float(rest) * 1e6
            yield "tweet"
        elif word == "hop":
            self.step = float(rest) * 1e6
            yield "tweet"
        elif word == "hops":
            self.steps = int(rest)
            yield "tweet"
        elif word == "sing":
            self.f_hz = self.start + self.step * np.arange(self.steps + 1)
            self.s11 = self.world.reflection(self.f_hz)
            yield "tweet"
        elif word == "where":
            yield from (f"{f / 1e6:.9f}" for f in self.f_hz)
        elif word == "loud":
            yield from (f"{20 * np.log10(abs(s)):.9f}" for s in self.s11)
        elif word == "turned":
            yield from (f"{np.angle(s):.10f}" for s in self.s11)


class Mole:
    """Twenty-one points at most; tabs, an index column, return loss; a prompt without echo."""

    banner, prompt, echo, hears, says = "mole\nmole\nmole", "]", False, "\r", "\n"
    most = 21
    text = """
name = "Mole"
role = "analyzer"
[port]
baud = 4000000
line_end = "\\r"
prompt = "]"
timeout_s = 0.12
[sweep]
commands = ["dig {start_khz}/{stop_khz}/{points}"]
[sweep.reply]
columns = ["-", "return_loss_db", "angle", "frequency"]
separator = "\\t"
frequency_unit = "MHz"
"""

    def __init__(self, world: Any) -> None:
        self.world = world

    def obey(self, command: str) -> Iterator[str | float]:
        if not command.startswith("dig "):
            return
        start, stop, points = command[4:].split("/")
        if int(points) > self.most:
            yield "too deep"
            return
        f_hz = np.linspace(float(start) * 1e3, float(stop) * 1e3, int(points))
        for at, (f, s) in enumerate(zip(f_hz, self.world.reflection(f_hz), strict=True)):
            yield f"#{at}\t{-20 * np.log10(abs(s)):.9f}\t{np.degrees(np.angle(s)):.8f}\t{f / 1e6:.7f}"


class Crane:
    """Nothing but numbers: real and imaginary in turn, one a line, no frequencies, no end, no prompt."""

    banner, prompt, echo, hears, says = "", "", False, "\n", "\r"
    most = 101
    text = """
name = "Crane"
role = "analyzer"
[port]
baud = 4000000
line_end = "\\n"
reply_end = "\\r"
timeout_s = 0.12
[sweep]
commands = ["{start_hz};{stop_hz};{points}!"]
[sweep.reply]
columns = ["real", "imaginary"]
values_per_line = 1
"""

    def __init__(self, world: Any) -> None:
        self.world = world

    def obey(self, command: str) -> Iterator[str | float]:
        if not command.endswith("!"):
            return
        start, stop, points = command[:-1].split(";")
        for s in self.world.reflection(np.linspace(float(start), float(stop), int(points))):
            yield f"{s.real:.9e}"
            yield f"{s.imag:.9e}"


class Wren:
    """Knows one frequency at a time, in kHz, and no sweep; answers with magnitude and angle and nothing to tell them by."""

    banner, prompt, echo, hears, says = "", "", False, "\n", "\n"
    most = 2
    text = """
name = "Wren"
role = "analyzer"
[port]
baud = 4000000
line_end = "\\n"
timeout_s = 0.12
[list]
commands = ["peck {frequency_khz}"]
[list.reply]
columns = ["magnitude", "angle"]
separator = ";"
"""

    def __init__(self, world: Any) -> None:
        self.world = world

    def obey(self, command: str) -> Iterator[str | float]:
        word, _, rest = command.partition(" ")
        if word == "peck":
            s = self.world.reflection(np.array([float(rest) * 1e3]))[0]
            yield f"{abs(s):.10f};{np.degrees(np.angle(s)):+.8f}"


class Stork(Heron):
    """A heron that also steps on a list of stones, eleven at most: frequencies in MHz, the last word says how many."""

    most = 401
    text = (
        Heron.text.replace('"Heron"', '"Stork"')
        + """
[list]
commands = ["stones {frequencies_mhz} that is {points}"]
separator = "|"
most_points = 11
"""
    )

    def obey(self, command: str) -> Iterator[str | float]:
        words = command.split()
        if words[:1] == ["stones"]:
            f_hz = np.array([float(one) * 1e6 for one in words[1].split("|")])
            if len(f_hz) != int(words[-1]) or len(f_hz) > 11:
                yield "splash"
                return
            for f, s in zip(f_hz, self.world.reflection(f_hz), strict=True):
                yield f"{f:.0f},{s.real:.9f},{s.imag:.9f}"
        else:
            yield from super().obey(command)


# They take free lists of frequencies.
LISTERS: list[Any] = [Wren, Stork]
BIRDS: list[Any] = [Heron, Otter, Finch, Mole, Crane]
