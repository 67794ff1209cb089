"""Simulated instruments that are spoken to in lines of text, over a pseudo-terminal or a loopback socket.

`LinesServer` plays any instrument that obeys lines; the two here have a language of this project's own, described in
`drivers/descriptions/simulated-analyzer.toml` and `simulated-generator.toml`.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, Protocol

import numpy as np

from drivers.simulators.faults import Faults
from drivers.simulators.loopback import Line, LoopbackServer, Mishaps
from drivers.simulators.scpi import AnalyzerWorld, GeneratorWorld
from drivers.simulators.terminal import Terminal, open_wire


class LineInstrument(Protocol):
    """What obeys lines.

    `banner` comes after opening, `prompt` after every answer (empty: none); `echo` repeats what was sent; `hears` ends a
    command, `says` ends an answer's line.
    """

    banner: str
    prompt: str
    echo: bool
    hears: str
    says: str

    def obey(self, command: str) -> Iterator[str | float]:
        """The lines of the answer; a number is a pause in seconds of wall time."""
        ...


class LinesServer:
    """Plays a line instrument; messages are called `line`, `echo` and `prompt`."""

    def __init__(
        self, instrument: LineInstrument, *, faults: Faults | None = None, terminal: bool | None = None
    ) -> None:
        self.instrument = instrument
        self._mishaps = Mishaps(faults)
        self.wire: Terminal | LoopbackServer = open_wire(self._talk, terminal)

    @property
    def address(self) -> str:
        """The port for a plan."""
        return self.wire.address

    @property
    def faults(self) -> Faults:
        """The mishaps still to come."""
        return self._mishaps.faults

    def _talk(self, line: Any) -> None:
        instrument = self.instrument
        if instrument.banner:
            line.send((instrument.banner + instrument.says).encode("ascii"))
        self._prompt(line)
        heard = b""
        end = instrument.hears.encode("ascii")
        while (more := line.receive(0.02)) is not None:
            heard = (heard + more)[-65536:]
            while end in heard:
                command, _, heard = heard.partition(end)
                self._answer(line, command.decode("ascii", "replace").strip())

    def _answer(self, line: Line, command: str) -> None:
        says = self.instrument.says
        if self.instrument.echo:
            self._mishaps.send(line, "echo", (command + says).encode("ascii", "replace"))
        together: list[str] = []
        for text in self.instrument.obey(command):
            if not isinstance(text, str):
                line.pause(text)
            elif self.faults.any_waiting:
                self._mishaps.send(line, "line", (text + says).encode("ascii"))
            else:
                together.append(text + says)
        # As a serial chip would: what is ready goes out in one piece.
        if together:
            self._mishaps.send(line, "line", "".join(together).encode("ascii"))
        self._prompt(line)

    def _prompt(self, line: Line) -> None:
        if self.instrument.prompt:
            self._mishaps.send(line, "prompt", self.instrument.prompt.encode("ascii"))

    def close(self) -> None:
        """Stop; may be called twice."""
        self.wire.close()

    def __enter__(self) -> LinesServer:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class SimulatedLinesAnalyzer:
    """An analyzer with words of its own: `who`, `from … to … in …` or `at …`, `look`."""

    banner = ""
    prompt = ""
    echo = False
    hears = "\n"
    says = "\r\n"

    def __init__(self, world: AnalyzerWorld, *, speed: float = 1.0) -> None:
        self._world = world
        self._speed = speed
        self._grid = np.linspace(1e6, 2e6, 11)

    def obey(self, command: str) -> Iterator[str | float]:
        words = command.split()
        if words == ["who"]:
            yield "regenbench simulated line analyzer 1"
        elif len(words) == 6 and words[::2] == ["from", "to", "in"]:
            yield self._set(words[1::2])
        elif words[:1] == ["at"]:
            yield self._set_list(words[1:])
        elif words == ["look"]:
            yield len(self._grid) * self._world.limits.seconds_per_point / self._speed
            s11 = self._world.reflection(self._grid)
            for f_hz, value in zip(self._grid, s11, strict=True):
                yield f"{f_hz:.1f} {value.real:.9f} {value.imag:.9f}"
            yield "done"
        else:
            yield f"what is {command!r}?"

    def _set(self, words: list[str]) -> str:
        try:
            start, stop, points = float(words[0]), float(words[1]), int(words[2])
        except ValueError:
            return "these are no numbers"
        limits = self._world.limits
        if not (limits.low_hz <= start < stop <= limits.high_hz and 2 <= points <= limits.most_points):
            return "cannot do that"
        self._grid = np.linspace(start, stop, points)
        return "ready"

    def _set_list(self, words: list[str]) -> str:
        try:
            f_hz = np.array([float(word) for word in words])
        except ValueError:
            return "these are no numbers"
        limits = self._world.limits
        inside = np.all((f_hz >= limits.low_hz) & (f_hz <= limits.high_hz))
        if not (inside and 1 <= len(f_hz) <= limits.most_points):
            return "cannot do that"
        self._grid = f_hz
        return "ready"


class SimulatedLinesGenerator:
    """A generator with words of its own: `who`, `tune …`, `loud …`, `sound`, `hush`, `where`."""

    banner = ""
    prompt = ""
    echo = False
    hears = "\n"
    says = "\r\n"

    def __init__(self, world: GeneratorWorld) -> None:
        self._world = world
        self._f_hz, self._level_dbm, self._on = 1e6, -100.0, False

    def obey(self, command: str) -> Iterator[str | float]:
        word, _, rest = command.partition(" ")
        if word == "who":
            yield "regenbench simulated line generator 1"
        elif word == "where":
            yield f"{self._f_hz:.0f}"
        elif word in ("tune", "loud", "sound", "hush"):
            try:
                self._change(word, rest)
            except ValueError:
                yield "this is no number"
                return
            self._world.apply(self._f_hz, self._level_dbm, self._on)
            yield "ready"
        else:
            yield f"what is {command!r}?"

    def _change(self, word: str, rest: str) -> None:
        if word == "tune":
            self._f_hz = float(rest)
        elif word == "loud":
            self._level_dbm = float(rest)
        else:
            self._on = word == "sound"
