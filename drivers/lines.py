"""Analyzers and generators that are spoken to in lines of text, as their description says (`drivers.description`).

Whatever the description leaves open is checked as far as it can be: echo, prompt, number of lines and values, the
frequencies, and that nothing comes after the last line. After any doubt the port is closed and opened again.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any

import numpy as np

from drivers import lines_values as values
from drivers import outputs
from drivers.boundary import quote
from drivers.description import Description, GeneratorTalk, ListTalk, Reply, SweepTalk, fill
from drivers.errors import LinkLost, Misuse, ProtocolError, WireError
from drivers.listed import checked_list
from drivers.roles import MOST_REFLECTION, AnalyzerLimits, Complexes, Floats, Sweep
from drivers.transport import Transport, open_transport

# So long nothing may come for a line to count as quiet, and so long is waited for that at most.
_QUIET_S = 0.05
_LONGEST_BABBLE_S = 3.0
# Longer sweeps than the instrument's own are made of pieces, up to this.
_MOST_POINTS = 100_001
_MOST_COMMENTS = 1000
# Characters of a value and its separator, for how long a reply travels.
_LONGEST_VALUE = 24


class LineLink:
    """Commands and lines on a port, by the `[port]` part of a description."""

    def __init__(self, port: str, description: Description) -> None:
        self.port = port
        self._settings = description.port
        self._description = description
        self._transport: Transport | None = None
        self.identity = ""

    @property
    def is_open(self) -> bool:
        """Whether there is a link to ask over."""
        return self._transport is not None

    def open(self) -> None:
        """Open the port, let the instrument settle, ask who it is, and send what must be set up."""
        port = self._settings
        self._transport = open_transport(
            self.port,
            baud=port.baud,
            bytesize=port.bits,
            parity={"none": "N", "even": "E", "odd": "O"}[port.parity],
            stopbits=port.stop,
            xonxoff=port.flow == "xonxoff",
            rtscts=port.flow == "rtscts",
        )
        try:
            self._settle()
            identify = self._description.identify
            if identify is not None:
                self._identify(identify.command, identify.expect)
            for command in self._description.setup:
                self.command(command)
        except BaseException:
            self.close()
            raise

    def close(self) -> None:
        """Let go of the port; may be called twice."""
        transport, self._transport = self._transport, None
        if transport is not None:
            with contextlib.suppress(WireError):
                transport.close()

    def fresh(self) -> None:
        """Whatever is still on its way belongs to an earlier question."""
        self._get().discard()

    def command(self, text: str, answer: str = "") -> None:
        """Send a command that has no values to tell; `answer` is the line that must come, if one must."""
        self.send(text)
        if answer:
            self.expect_line(answer)
        self.end()

    def send(self, text: str) -> None:
        """Send a line, and take its echo."""
        transport = self._get()
        transport.write((text + self._settings.line_end).encode("ascii"))
        if self._settings.echo:
            back = self.line()
            if back.strip() != text.strip().encode("ascii"):
                raise ProtocolError(
                    f"the echo of {text!r} was {quote(back)}.",
                    port=self.port,
                    hint="If the instrument does not repeat what it is sent, write echo = false.",
                )

    def line(self, timeout_s: float | None = None) -> bytes:
        """The next line, without its end."""
        limit = self._settings.timeout_s if timeout_s is None else timeout_s
        end = self._settings.reply_end.encode("ascii")
        return self._get().read_until(end, limit, most=values.LONGEST_LINE).strip(b"\r\n")

    def expect_line(self, text: str, timeout_s: float | None = None) -> None:
        """The next line must be `text`."""
        came = self.line(timeout_s)
        if came.strip() != text.strip().encode("ascii"):
            raise ProtocolError(f"{text!r} was expected, {quote(came)} came.", port=self.port)

    def end(self, *, closed: bool = False) -> None:
        """The answer is over: the prompt comes, or nothing more.

        Parameters
        ----------
        closed : bool
            A line of its own has already said so; then nothing is waited for where there is no prompt.
        """
        transport = self._get()
        prompt = self._settings.prompt.encode("ascii")
        if prompt:
            before = transport.read_until(prompt, self._settings.timeout_s, most=4096)
            if before.strip():
                raise ProtocolError(f"more came than was asked for: {quote(before)}.", port=self.port)
        elif not closed and (more := transport.read_some(_QUIET_S)).strip():
            raise ProtocolError(f"more came than was asked for: {quote(more)}.", port=self.port)

    def _get(self) -> Transport:
        if self._transport is None:
            raise LinkLost("the port is closed.", port=self.port)
        return self._transport

    def _settle(self) -> None:
        """Let banners and late answers pass; bring a prompt to a fresh line."""
        transport = self._get()
        deadline = time.monotonic() + self._settings.settle_s
        while (left := deadline - time.monotonic()) > 0:
            transport.read_some(left)
        deadline = time.monotonic() + _LONGEST_BABBLE_S
        while transport.read_some(_QUIET_S):
            if time.monotonic() > deadline:
                raise ProtocolError(
                    "the instrument does not stop sending.",
                    port=self.port,
                    hint="Check the speed of the port in the description.",
                )

    def _identify(self, command: str, expect: str) -> None:
        self.send(command)
        answer = self.line()
        if expect.encode("ascii") not in answer:
            raise ProtocolError(
                f"the answer to {command!r} was {quote(answer)}; it should contain {expect!r}.",
                port=self.port,
                hint="Check the port, its speed, and the [identify] part of the description.",
            )
        # Versions and serial numbers may take further lines.
        prompt = self._settings.prompt.encode("ascii")
        if prompt:
            self._get().read_until(prompt, self._settings.timeout_s, most=8192)
        else:
            while self._get().read_some(_QUIET_S):
                pass
        identity = answer.strip().decode("ascii", "backslashreplace")
        if self.identity and identity != self.identity:
            raise LinkLost(
                f"another instrument answers there now: {identity}.",
                port=self.port,
                hint="Connect the one that was there before, or begin again with this one.",
            )
        self.identity = identity


class _LinesInstrument:
    """What described analyzers and generators share."""

    def __init__(self, port: str, description: Description, role: str) -> None:
        if description.role != role:
            raise Misuse(
                f"{description.name!r} is described as a {description.role}, not as a {role}.",
                port=port,
                hint=f"Use the driver lines-{description.role}.",
            )
        self.description = description
        self._link = LineLink(port, description)
        self._closed = False

    def identify(self) -> str:
        """The description's name, and what the instrument answered."""
        return " ".join(part for part in (self.description.name, self._link.identity) if part)

    @contextlib.contextmanager
    def _exchange(self) -> Iterator[None]:
        """One exchange that either comes out whole or leaves no link behind."""
        if self._closed:
            raise LinkLost("the instrument has been closed.", port=self._link.port)
        if not self._link.is_open:
            self._link.open()
        try:
            yield
        except WireError as problem:
            self._link.close()
            if problem.port:
                raise
            raise type(problem)(problem.what, port=self._link.port, hint=problem.hint) from problem
        except BaseException:
            self._link.close()
            raise


class LinesAnalyzer(_LinesInstrument):
    """A reflection analyzer that is spoken to in lines of text.

    Parameters
    ----------
    port : str
        Serial port, or `socket://HOST:PORT`.
    description : Description
        How it is spoken to.
    """

    def __init__(self, port: str, description: Description) -> None:
        super().__init__(port, description, "analyzer")
        self._talk = description.sweep
        self._listed = description.listed
        told = description.limits
        self._proven = False
        self._limits = AnalyzerLimits(
            told.low_hz,
            told.high_hz,
            _MOST_POINTS,
            told.seconds_per_point,
            _MOST_POINTS if self._listed else 0,
        )
        with self._exchange():
            pass

    @property
    def limits(self) -> AnalyzerLimits:
        """Range as described; longer sweeps than the instrument's own are made of pieces."""
        return self._limits

    def close(self) -> None:
        """Let go of the port; may be called twice."""
        self._closed = True
        self._link.close()

    def sweep(self, start_hz: float, stop_hz: float, points: int) -> Sweep:
        """One uniform sweep, both ends included, in as many pieces as the instrument needs."""
        limits = self._limits
        if not limits.low_hz <= start_hz < stop_hz <= limits.high_hz:
            raise Misuse(
                f"a sweep from {start_hz:.9g} Hz to {stop_hz:.9g} Hz is outside {limits.low_hz:.9g} Hz to "
                f"{limits.high_hz:.9g} Hz.",
                port=self._link.port,
            )
        if not 2 <= points <= limits.most_points:
            raise Misuse(
                f"{points} points: from 2 to {limits.most_points} are possible.", port=self._link.port
            )
        grid = np.linspace(start_hz, stop_hz, points)
        talk = self._talk
        if talk is None:
            return self.sweep_at(grid)
        return self._in_pieces(
            grid,
            self.description.limits.most_points,
            talk,
            lambda piece: self._once(talk, float(piece[0]), float(piece[-1]), len(piece)),
        )

    def sweep_at(self, f_hz: Floats) -> Sweep:
        """One sweep at a free list of frequencies (n,), rising, in Hz, in as many pieces as the instrument needs."""
        wanted = checked_list(f_hz, self._limits, self._link.port)
        listed = self._listed
        assert listed is not None
        sent = np.array([listed.sent_hz(one) for one in wanted])
        if np.any(np.diff(sent) <= 0):
            raise Misuse(
                "two frequencies of the list are the same with the digits that the description gives them.",
                port=self._link.port,
            )
        # Frequency by frequency, the whole list comes once more before it is compared.
        most = len(sent) if listed.one_by_one else listed.most_points
        return self._in_pieces(sent, most, listed.talk, lambda piece: self._listed_once(listed, piece))

    def _in_pieces(self, grid: Floats, most: int, talk: SweepTalk, once: Callable[[Floats], Sweep]) -> Sweep:
        """All of a grid (n,), at most `most` points at a time."""
        f_hz: list[Floats] = []
        s11: list[Complexes] = []
        taken = 0
        with self._exchange():
            for first, past in values.pieces(len(grid), most):
                piece = self._compared(talk, grid[first:past], once)
                f_hz.append(piece.f_hz[taken - first :])
                s11.append(piece.s11[taken - first :])
                taken = past
        # From now on two equal readings say enough, and nobody waits for a silence after each.
        self._proven = talk.read_twice
        return Sweep(np.concatenate(f_hz), np.concatenate(s11))

    def _compared(self, talk: SweepTalk, piece: Floats, once: Callable[[Floats], Sweep]) -> Sweep:
        """One sweep of the instrument; a line has no checksum, so everything comes twice."""
        first = once(piece)
        if not talk.read_twice or talk.can_ask_again:
            return first
        return Sweep(first.f_hz, values.mean_of_two(first, once(piece)))

    def _once(self, talk: SweepTalk, start_hz: float, stop_hz: float, points: int) -> Sweep:
        numbers = values.sweep_numbers(start_hz, stop_hz, points)
        decimals = talk.decimals or {}
        filled = {name: float(fill(f"{{{name}}}", numbers, decimals)) for name in numbers}
        columns = self._answered(
            talk, [fill(command, numbers, decimals) for command in talk.commands], points
        )
        asked = np.linspace(start_hz, stop_hz, points)
        return self._checked(columns, values.sent_grid(talk.commands, filled, points), asked)

    def _listed_once(self, listed: ListTalk, piece: Floats) -> Sweep:
        """The frequencies of a piece as they are sent, in one request or one by one."""
        requests = piece[:, None] if listed.one_by_one else piece[None, :]
        answers = [
            self._answered(listed.talk, listed.filled(list(f_hz)), len(f_hz), more=at + 1 < len(requests))
            for at, f_hz in enumerate(requests)
        ]
        columns = {name: np.concatenate([one[name] for one in answers]) for name in answers[0]}
        return self._checked(columns, piece, piece)

    def _checked(self, columns: Mapping[Any, Floats], sent: Floats | None, asked: Floats) -> Sweep:
        """Columns as a sweep, if its frequencies are those that were asked for and its values can be."""
        f_hz = values.require_grid(sent, columns.get("frequency"), asked)
        s11 = values.reflection(columns)
        if np.any(np.abs(s11) > MOST_REFLECTION):
            raise ProtocolError(
                f"a reflection of {np.max(np.abs(s11)):.3g} cannot be.",
                port=self._link.port,
                hint="Check columns and units in the description.",
            )
        return Sweep(f_hz, s11)

    def _answered(
        self, talk: SweepTalk, commands: Sequence[str], points: int, *, more: bool = False
    ) -> dict[Any, Floats]:
        """Send the commands and read their values; with `more`, the next request follows at once."""
        self._link.fresh()
        quiet = self._proven or more
        for at, command in enumerate(commands):
            self._link.send(command)
            if talk.answer:
                self._link.expect_line(talk.answer)
            if at + 1 < len(commands) or talk.replies[0].command:
                self._link.end(closed=bool(talk.answer) or quiet)
        patience = self._patience_s(talk, points)
        columns = self._columns(talk, points, patience, quiet)
        if talk.read_twice and talk.can_ask_again:
            again = self._columns(talk, points, patience, quiet)
            if any(not np.array_equal(columns[name], again[name]) for name in columns):
                raise ProtocolError(
                    "the same values asked for twice were not the same.", port=self._link.port
                )
        return columns

    def _columns(self, talk: SweepTalk, points: int, patience_s: float, quiet: bool) -> dict[Any, Floats]:
        columns: dict[Any, Floats] = {}
        for at, reply in enumerate(talk.replies):
            if reply.command:
                self._link.send(reply.command)
            numbers = self._numbers(reply, points, patience_s)
            if reply.end:
                self._link.expect_line(reply.end)
            followed = at + 1 < len(talk.replies) and not talk.replies[at + 1].command
            if not followed:
                self._link.end(closed=bool(reply.end) or quiet)
            columns |= values.to_columns(numbers, reply)
        return columns

    def _patience_s(self, talk: SweepTalk, points: int) -> float:
        """How long a whole reply may take: the sweep three times over, and the line at its speed."""
        port = self.description.port
        columns = sum(len(reply.columns) for reply in talk.replies)
        travel_s = points * columns * _LONGEST_VALUE * 10.0 / port.baud
        return port.timeout_s + 3.0 * points * self._limits.seconds_per_point + travel_s

    def _numbers(self, reply: Reply, points: int, patience_s: float) -> list[float]:
        """All values of a reply; each line is checked when it comes, so that the first wrong one is told."""
        deadline = time.monotonic() + patience_s
        wanted = points * len(reply.columns)
        numbers: list[float] = []
        skipped = 0
        while len(numbers) < wanted:
            line = self._link.line(max(0.0, deadline - time.monotonic()))
            if skipped < reply.skip or values.is_comment(line, reply):
                skipped += 1
                if skipped > reply.skip + _MOST_COMMENTS:
                    raise ProtocolError("comments do not come to an end.", port=self._link.port)
            elif reply.end and line.strip() == reply.end.encode("ascii"):
                raise ProtocolError(
                    f"{wanted} values were expected, the end came after {len(numbers)}.", port=self._link.port
                )
            else:
                numbers += values.parse_line(line, reply, len(numbers), wanted)
        return numbers


class LinesGenerator(_LinesInstrument, outputs.GuardedOutput):
    """A signal generator that is spoken to in lines of text; off after opening, closing and any error.

    Parameters
    ----------
    port : str
        Serial port, or `socket://HOST:PORT`.
    description : Description
        How it is spoken to.
    most_dbm : float
        No higher level is ever asked for.
    """

    def __init__(self, port: str, description: Description, *, most_dbm: float = 13.0) -> None:
        outputs.GuardedOutput.__init__(self, port, most_dbm)
        _LinesInstrument.__init__(self, port, description, "generator")
        assert description.generator is not None
        self._talk: GeneratorTalk = description.generator
        self._numbers = {"frequency_hz": description.limits.low_hz, "level_dbm": 0.0}
        try:
            with self._exchange():
                self._switch(False)
        except BaseException:
            self._link.close()
            raise
        self._maybe_on = False
        outputs.remember(self)

    def _release(self) -> None:
        self._closed = True
        self._link.close()

    def _tune(self, f_hz: float, level_dbm: float) -> None:
        limits = self.description.limits
        if not limits.low_hz <= f_hz <= limits.high_hz:
            raise Misuse(
                f"{f_hz:.9g} Hz is outside {limits.low_hz:.9g} Hz to {limits.high_hz:.9g} Hz.",
                port=self._where,
            )
        self._numbers = {"frequency_hz": f_hz, "level_dbm": level_dbm}
        self._say(self._talk.frequency)
        if self._talk.level:
            self._say(self._talk.level)
        if self._talk.ask_frequency:
            self._verify(f_hz)

    def _switch(self, on: bool) -> None:
        self._say(self._talk.on if on else self._talk.off)

    def _say(self, template: str) -> None:
        f_hz = self._numbers["frequency_hz"]
        numbers = {**self._numbers, "frequency_khz": f_hz / 1e3, "frequency_mhz": f_hz / 1e6}
        self._link.command(fill(template, numbers, self._talk.decimals or {}), self._talk.answer)

    def _verify(self, f_hz: float) -> None:
        self._link.send(self._talk.ask_frequency)
        reply = Reply(("frequency",), frequency_unit=self._talk.ask_frequency_unit)
        told = float(
            values.to_columns(values.parse_line(self._link.line(), reply, 0, 1), reply)["frequency"][0]
        )
        self._link.end()
        # Half of the last digit that the commands may have, or a part in a million.
        if abs(told - f_hz) > max(500.0 if "mhz" in self._talk.frequency else 1.0, 1e-6 * f_hz):
            raise ProtocolError(
                f"{f_hz:.9g} Hz was set, the instrument tells {told:.9g} Hz.", port=self._where
            )
