"""The angle-and-level sensor: a microcontroller board that streams frames (`drivers.frames`).

A thread of its own empties the port all the time, so that the board is never held up while the program does something
else; frames are decoded when they are asked for.
"""

from __future__ import annotations

import secrets
import threading
import time
from collections import deque
from collections.abc import Sequence
from dataclasses import replace

from drivers.errors import LinkLost, Misuse, ProtocolError, TimedOut, WireError
from drivers.frames import FrameCounts, FrameDecoder, Identity, LineSplitter, Token, parse
from drivers.roles import Sample
from drivers.transport import Transport, open_transport

# What may wait undecoded: some 200 000 frames; beyond it the oldest go, and the decoder notices the gap.
_MOST_WAITING = 8 << 20


class FramedSensor:
    """The board on a port.

    Parameters
    ----------
    port : str
        Serial port, or `socket://HOST:PORT`.
    baud : int
        Bits per second; boards on USB ignore it.
    timeout_s : float
        How long the board may take to say what it is.
    transport : Transport, optional
        An open transport in place of `port` (tests).

    Raises
    ------
    LinkError
        The port cannot be opened.
    TimedOut
        Nothing answers there, or something that is not the board.
    """

    def __init__(
        self, port: str, *, baud: int = 115200, timeout_s: float = 3.0, transport: Transport | None = None
    ) -> None:
        self._port = port
        self._timeout_s = timeout_s
        self._transport = transport if transport is not None else open_transport(port, baud=baud)
        self._decoder = FrameDecoder()
        self._restarts_told = 0
        self._chunks: deque[bytes] = deque()
        self._waiting = 0
        self._problem: WireError | None = None
        self._news = threading.Condition()
        self._stop = False
        self._drain = threading.Thread(target=self._run, name=f"sensor {port}", daemon=True)
        self._drain.start()
        try:
            self._identity = self._sync()
        except BaseException:
            self.close()
            raise

    @property
    def rate_hz(self) -> float:
        """Frames a second of the board's own clock."""
        return float(self._identity.rate_hz)

    @property
    def has_dial(self) -> bool:
        """Whether a second angle channel reads the tuning dial."""
        return self._identity.has_dial

    @property
    def counts(self) -> FrameCounts:
        """A copy of what became of the frames so far."""
        return replace(self._decoder.counts)

    def identify(self) -> str:
        """Name, version and converter of the board, as it told them."""
        board = self._identity
        return f"{board.name} {board.version}, {board.rate_hz} frames a second, full scale {board.full_scale}"

    def read(self, seconds: float) -> Sequence[Sample]:
        """All whole frames since the last call, waiting at most `seconds` of wall time for the first.

        Raises
        ------
        LinkLost
            The port is gone, or the board has restarted: what was being read must be read again.
        """
        deadline = time.monotonic() + seconds
        while True:
            frames = self._decoder.feed(self._collect(deadline))
            self._tell_restart()
            if frames:
                full = float(self._identity.full_scale)
                return [
                    Sample(
                        ms * 1e-3,
                        frame.angle / full,
                        frame.level / full,
                        frame.mark,
                        None if frame.dial is None else frame.dial / full,
                    )
                    for ms, frame in frames
                ]
            if time.monotonic() >= deadline:
                return []

    def flush(self) -> None:
        """Throw away what was sampled until now: the board is asked for a sign, and what came before it goes."""
        self._identity = self._sync()

    def set_rate(self, frames_a_second: int) -> None:
        """Have the board send so many frames a second.

        Raises
        ------
        Misuse
            The board does not do that; it goes on as before.
        """
        self._transport.write(b"rate %d\r\n" % frames_a_second)
        self._identity = self._sync()
        if self._identity.rate_hz != frames_a_second:
            raise Misuse(
                f"the board cannot send {frames_a_second} frames a second; it goes on with "
                f"{self._identity.rate_hz} frames a second.",
                port=self._port,
            )

    def close(self) -> None:
        """Let go of the port; may be called twice."""
        with self._news:
            self._stop = True
            self._news.notify_all()
        if self._drain is not threading.current_thread():
            self._drain.join(timeout=5.0)
        self._transport.close()

    def _run(self) -> None:
        """Empties the port until told to stop; a problem is kept for whoever reads."""
        try:
            while not self._stop:
                data = self._transport.read_some(0.1)
                if data:
                    self._keep(data)
        except WireError as problem:
            with self._news:
                if not self._stop:
                    self._problem = problem
                self._news.notify_all()

    def _keep(self, data: bytes) -> None:
        with self._news:
            self._chunks.append(data)
            self._waiting += len(data)
            while self._waiting > _MOST_WAITING:
                self._waiting -= len(self._chunks.popleft())
            self._news.notify_all()

    def _collect(self, deadline: float) -> bytes:
        """What has come in, waiting until `deadline` for something; raises what ended the stream, after its last bytes."""
        with self._news:
            if self._stop:
                raise LinkLost("the port is closed.", port=self._port)
            while not self._chunks:
                if self._problem is not None:
                    raise self._problem
                left = deadline - time.monotonic()
                if left <= 0:
                    return b""
                self._news.wait(left)
            data = b"".join(self._chunks)
            self._chunks.clear()
            self._waiting = 0
            return data

    def _push_back(self, data: bytes) -> None:
        with self._news:
            self._chunks.appendleft(data)
            self._waiting += len(data)

    def _tell_restart(self) -> None:
        if self._decoder.counts.restarts != self._restarts_told:
            self._restarts_told = self._decoder.counts.restarts
            raise LinkLost(
                "the sensor board restarted while it was being read.",
                port=self._port,
                hint="Check its cable, then take the reading again.",
            )

    def _sync(self) -> Identity:
        """Ask the board who it is; everything before its answer is thrown away."""
        deadline = time.monotonic() + self._timeout_s
        with self._news:
            self._chunks.clear()
            self._waiting = 0
        self._decoder.reset()
        ask_again = 0.0
        lines = LineSplitter()
        tokens: set[int] = set()
        board: Identity | None = None
        seen = 0
        while (now := time.monotonic()) < deadline:
            if now >= ask_again:
                # Once more in case the first was lost on a line that had just been opened.
                token = secrets.randbelow(100_000)
                tokens.add(token)
                self._transport.write(b"? %05d\r\n" % token)
                ask_again = now + self._timeout_s / 3.0
            data = self._collect(min(deadline, ask_again))
            seen += len(data)
            # An answer may lie anywhere in the pieces, so whole lines are looked at, and the rest goes back.
            for at, line in enumerate(found := lines.feed(data)):
                item = parse(line) if line[:2] in (b"$I", b"$T") else None
                if isinstance(item, Identity):
                    board = item
                elif isinstance(item, Token) and item.number in tokens and board is not None:
                    self._decoder.identity = board
                    rest = b"".join(b"%b\n" % one for one in found[at + 1 :]) + lines.unfinished
                    if rest:
                        self._push_back(rest)
                    return board
        if seen:
            raise ProtocolError(
                f"{seen} bytes came, but the sensor board did not say what it is.",
                port=self._port,
                hint="Check that this is the sensor's port; 'regenbench ports' shows what answers where.",
            )
        raise TimedOut(
            f"no sensor answered within {self._timeout_s:g} s.",
            port=self._port,
            hint="Check that the board runs the sensor firmware; 'regenbench ports' shows what answers where.",
        )


def open_sensor(port: object, *, baud: object = 115200, timeout_s: object = 3.0) -> FramedSensor:
    """A sensor from plain configuration values, checked.

    Raises
    ------
    Misuse
        A value is not of its kind.
    """
    if not isinstance(port, str) or not port:
        raise Misuse(
            "the sensor needs its port.", hint='Write port = "/dev/ttyACM0" (or "COM5") in the plan.'
        )
    if not isinstance(baud, int) or isinstance(baud, bool) or baud <= 0:
        raise Misuse(f"baud must be a positive whole number, not {baud!r}.", port=port)
    if not isinstance(timeout_s, (int, float)) or isinstance(timeout_s, bool) or not 0 < timeout_s <= 600:
        raise Misuse(f"timeout_s must be more than 0 and at most 600, not {timeout_s!r}.", port=port)
    return FramedSensor(port, baud=baud, timeout_s=float(timeout_s))
