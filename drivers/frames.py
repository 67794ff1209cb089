"""The sensor's frames: text lines with a checksum, in the manner of NMEA 0183. Pure: no ports, no clock.

A reading is one line of fixed width:

    $S,SSSSS,MMMMMMMMMM,AAAAA,LLLLL,K*HH            angle, level, mark
    $S,SSSSS,MMMMMMMMMM,AAAAA,LLLLL,K,DDDDD*HH      the same with the dial

S sequence number, 0 to 65535, then again 0; M milliseconds of the board's clock modulo 2^30; A, L, D counts of the
converter, 0 to the full scale that the board told; K the mark switch, 0 or 1; HH the exclusive or of every character
between `$` and `*`, two upper-case hexadecimal digits. Lines end in CR LF or LF. The board answers `?` with

    $I,NAME,VERSION,RATE,FULLSCALE,FIELDS*HH

RATE in frames a second, FULLSCALE the largest count, FIELDS 3 or 4 (with the dial). It sends the same after a restart.
`? NNNNN` is answered by that line and `$T,NNNNN*HH` after it: whoever asks can tell the answer from an older one.
Widths are fixed because a plain exclusive or cannot see a lost zero.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import reduce
from operator import xor

import numpy as np
from numpy.typing import NDArray

SEQUENCE_MODULUS = 1 << 16
CLOCK_MODULUS_MS = 1 << 30
# Longest line that can be one of ours, with room for a long name.
LONGEST_LINE = 160

_SAMPLE = re.compile(rb"S,(\d{5}),(\d{10}),(\d{5}),(\d{5}),([01])(?:,(\d{5}))?")
_IDENTITY = re.compile(rb"I,([!-)+\--~ ]{1,60}),([!-)+\--~ ]{1,20}),(\d{1,5}),(\d{1,5}),([34])")
_TOKEN = re.compile(rb"T,(\d{5})")
_HEX = b"0123456789ABCDEF"


@dataclass(frozen=True)
class Frame:
    """One reading: counts as the board sent them."""

    sequence: int
    clock_ms: int
    angle: int
    level: int
    mark: bool
    dial: int | None = None


@dataclass(frozen=True)
class Identity:
    """What the board says about itself."""

    name: str
    version: str
    rate_hz: int
    full_scale: int
    has_dial: bool


@dataclass(frozen=True)
class Token:
    """The number of a question that has just been answered."""

    number: int


@dataclass
class FrameCounts:
    """What became of the frames so far.

    `used` were handed on; `lost` never came; `late` came after a later one; `repeated` came twice; `damaged` had a wrong
    checksum, layout, range or clock; `restarts` counts how often the board began anew.
    """

    used: int = 0
    lost: int = 0
    late: int = 0
    repeated: int = 0
    damaged: int = 0
    restarts: int = 0

    @property
    def faults(self) -> int:
        """Everything that was noticed and not used."""
        return self.lost + self.late + self.repeated + self.damaged + self.restarts


def checksum(body: bytes) -> int:
    """Exclusive or of all bytes (NMEA 0183: every character between `$` and `*`)."""
    return reduce(xor, body, 0)


def seal(body: bytes) -> bytes:
    """`body` as a whole line: `$`, body, `*`, checksum, CR LF."""
    return b"$%b*%02X\r\n" % (body, checksum(body))


def encode(frame: Frame) -> bytes:
    """One reading as a line."""
    dial = b"" if frame.dial is None else b",%05d" % frame.dial
    return seal(
        b"S,%05d,%010d,%05d,%05d,%d%b"
        % (
            frame.sequence % SEQUENCE_MODULUS,
            frame.clock_ms % CLOCK_MODULUS_MS,
            frame.angle,
            frame.level,
            frame.mark,
            dial,
        )
    )


def encode_identity(identity: Identity) -> bytes:
    """The board's answer to `?`."""
    fields = 4 if identity.has_dial else 3
    text = f"I,{identity.name},{identity.version},{identity.rate_hz},{identity.full_scale},{fields}"
    return seal(text.encode("ascii"))


def encode_token(number: int) -> bytes:
    """What follows the answer to a question with a number."""
    return seal(b"T,%05d" % number)


def encode_many(
    sequence: NDArray[np.int64],
    clock_ms: NDArray[np.int64],
    angle: NDArray[np.int64],
    level: NDArray[np.int64],
    mark: NDArray[np.bool_],
    dial: NDArray[np.int64] | None = None,
) -> bytes:
    """The lines of many readings at once; all arrays (n,), counts 0 to 65535.

    The same bytes as `encode` one by one, some thirty times faster: simulators send twenty thousand a second.
    """
    n = len(sequence)
    parts: list[NDArray[np.uint8]] = []

    def text(characters: bytes) -> None:
        parts.append(np.broadcast_to(np.frombuffer(characters, np.uint8), (n, len(characters))))

    def number(values: NDArray[np.int64], width: int) -> None:
        powers = 10 ** np.arange(width - 1, -1, -1, dtype=np.int64)
        parts.append((values[:, None] // powers % 10 + ord("0")).astype(np.uint8))

    text(b"S,")
    number(sequence % SEQUENCE_MODULUS, 5)
    text(b",")
    number(clock_ms % CLOCK_MODULUS_MS, 10)
    text(b",")
    number(angle, 5)
    text(b",")
    number(level, 5)
    text(b",")
    number(mark.astype(np.int64), 1)
    if dial is not None:
        text(b",")
        number(dial, 5)
    body = np.concatenate(parts, axis=1)
    sums = np.bitwise_xor.reduce(body, axis=1)
    digits = np.frombuffer(_HEX, np.uint8)
    parts = [body]
    text(b"*")
    parts.append(np.stack([digits[sums >> 4], digits[sums & 15]], axis=1))
    text(b"\r\n")
    start: NDArray[np.uint8] = np.full((n, 1), ord("$"), np.uint8)
    return np.concatenate([start, *parts], axis=1).tobytes()


def parse(line: bytes) -> Frame | Identity | Token | None:
    """One line without its end to what it says; None when it is nothing that is known, whole."""
    if len(line) < 5 or line[:1] != b"$" or line[-3:-2] != b"*":
        return None
    body = line[1:-3]
    if line[-2:] != b"%02X" % checksum(body):
        return None
    hit = _SAMPLE.fullmatch(body)
    if hit is not None:
        sequence, clock, angle, level, mark, dial = hit.groups()
        frame = Frame(
            int(sequence),
            int(clock),
            int(angle),
            int(level),
            mark == b"1",
            None if dial is None else int(dial),
        )
        in_range = frame.sequence < SEQUENCE_MODULUS and frame.clock_ms < CLOCK_MODULUS_MS
        return frame if in_range else None
    hit = _IDENTITY.fullmatch(body)
    if hit is not None:
        name, version, rate, full_scale, fields = hit.groups()
        if 1 <= int(full_scale) < SEQUENCE_MODULUS and int(rate) >= 1:
            return Identity(name.decode(), version.decode(), int(rate), int(full_scale), fields == b"4")
    hit = _TOKEN.fullmatch(body)
    return None if hit is None else Token(int(hit[1]))


@dataclass
class LineSplitter:
    """Bytes in any pieces to whole lines; memory stays bounded on a line that never ends."""

    longest: int = LONGEST_LINE
    _rest: bytearray = field(default_factory=bytearray)
    _skipping: bool = False

    def feed(self, data: bytes) -> list[bytes]:
        """Whole lines without their ends; a line that was too long is handed out as `b""`."""
        lines: list[bytes] = []
        pieces = data.split(b"\n")
        for at, piece in enumerate(pieces):
            last = at == len(pieces) - 1
            if not self._skipping:
                self._rest += piece
                if len(self._rest) > self.longest:
                    self._rest.clear()
                    self._skipping = True
            if not last:
                lines.append(b"" if self._skipping else bytes(self._rest).rstrip(b"\r"))
                self._rest.clear()
                self._skipping = False
        return lines

    @property
    def unfinished(self) -> bytes:
        """What has come of a line whose end has not."""
        return bytes(self._rest)

    def reset(self) -> None:
        """Forget the unfinished line."""
        self._rest.clear()
        self._skipping = False


class FrameDecoder:
    """Bytes in any pieces to frames that can be trusted; everything else is noticed, counted and left out.

    A frame is used when its line is whole, its checksum, layout and range are right, its sequence number comes after
    the last one used, and its clock agrees with that. What came before the first line end after a start or `reset` is
    not counted as damage, since a stream is joined in mid-line.
    """

    # So many consecutive frames in an order of their own are a new beginning, not late ones.
    _RESTART_AFTER = 5
    # The board counts sampling slots, so clock and sequence run together; the rest is rounding and a crystal's error.
    _CLOCK_SLACK_MS = 100.0
    _CLOCK_SLACK_SHARE = 0.005

    def __init__(self) -> None:
        self.counts = FrameCounts()
        self.identity: Identity | None = None
        self._lines = LineSplitter()
        self._joined = False
        self._last: Frame | None = None
        self._suspects: list[Frame] = []
        self._clock_ms = 0
        self._total_ms = 0

    def reset(self) -> None:
        """Begin anew in the stream: nothing is said about what lies between."""
        self._lines.reset()
        self._joined = False
        self._last = None
        self._suspects.clear()

    def feed(self, data: bytes) -> list[tuple[int, Frame]]:
        """Frames to be used, each with the board's clock in ms, unwrapped."""
        out: list[tuple[int, Frame]] = []
        for line in self._lines.feed(data):
            item = parse(line)
            if item is None:
                if self._joined:
                    self.counts.damaged += 1
            elif isinstance(item, Identity):
                self.identity = item
            elif isinstance(item, Frame) and self._accept(item):
                out.append((self._total_ms, item))
            self._joined = True
        return out

    def _accept(self, frame: Frame) -> bool:
        counts = self.counts
        if self.identity is not None and not self._fits(frame, self.identity):
            counts.damaged += 1
            return False
        last = self._last
        if last is None:
            return self._use(frame)
        step = self._slots_between(last, frame)
        if step == 0:
            counts.repeated += 1
            return False
        if step is None or step < 0:
            if step is None:
                counts.damaged += 1
            else:
                counts.late += 1
            return self._suspect(frame)
        counts.lost += step - 1
        return self._use(frame)

    @staticmethod
    def _fits(frame: Frame, identity: Identity) -> bool:
        if (frame.dial is not None) != identity.has_dial:
            return False
        full = identity.full_scale
        return frame.angle <= full and frame.level <= full and (frame.dial is None or frame.dial <= full)

    def _slots_between(self, last: Frame, frame: Frame) -> int | None:
        """Sampling slots from `last` to `frame`, negative when it is older; None when clock and sequence disagree."""
        step = (frame.sequence - last.sequence) % SEQUENCE_MODULUS
        if self.identity is None:
            return step if step < SEQUENCE_MODULUS // 2 else step - SEQUENCE_MODULUS
        clock = _signed(frame.clock_ms - last.clock_ms, CLOCK_MODULUS_MS)
        due = clock * self.identity.rate_hz / 1000.0
        # The clock tells how often the sequence number went round.
        slots = step + SEQUENCE_MODULUS * round((due - step) / SEQUENCE_MODULUS)
        slack_ms = self._CLOCK_SLACK_MS + self._CLOCK_SLACK_SHARE * abs(clock)
        return slots if abs(slots - due) * 1000.0 <= slack_ms * self.identity.rate_hz else None

    def _suspect(self, frame: Frame) -> bool:
        if self._suspects and self._slots_between(self._suspects[-1], frame) != 1:
            self._suspects.clear()
        self._suspects.append(frame)
        if len(self._suspects) < self._RESTART_AFTER:
            return False
        self.counts.restarts += 1
        self._clock_ms = self._total_ms = 0
        return self._use(frame)

    def _use(self, frame: Frame) -> bool:
        self._total_ms += _signed(frame.clock_ms - self._clock_ms, CLOCK_MODULUS_MS)
        self._clock_ms = frame.clock_ms
        self._last = frame
        self._suspects.clear()
        self.counts.used += 1
        return True


def _signed(difference: int, modulus: int) -> int:
    """The difference of two counters that go round, nearest to zero."""
    return (difference + modulus // 2) % modulus - modulus // 2
