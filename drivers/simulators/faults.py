"""What can be made to go wrong on a simulated wire, by plan or by seed.

A `Fault` says what happens (`kind`), to which message (`where`, `after`) and how much of it. Servers ask `Faults.take`
before each message they send; a fault that is taken is used up. Everything random comes from the seed.
"""

from __future__ import annotations

import random
import re
import threading
from collections.abc import Iterable
from dataclasses import dataclass
from typing import Literal, get_args

Kind = Literal[
    "stall",  # the message comes `seconds` late
    "drip",  # it comes byte by byte, `seconds` apart
    "garble",  # `amount` of its bytes are replaced
    "drop",  # it never comes
    "truncate",  # its second half is missing, the line end comes
    "cut",  # its second half is missing, the line end too
    "nan",  # a value is not a number
    "range",  # a value is out of range
    "count",  # a value is missing, or one too many
    "wrong",  # the answer to some other question
    "duplicate",  # it comes twice
    "reorder",  # it comes after the next one
    "endless line",  # bytes without a line end, for `seconds`
    "endless stream",  # lines and lines, for `seconds`
    "reset",  # the connection is broken off
    "unplug",  # the port goes away until it is plugged in again
]
KINDS: tuple[Kind, ...] = get_args(Kind)


@dataclass(frozen=True)
class Fault:
    """One mishap.

    Parameters
    ----------
    kind : str
        What happens; the list is `KINDS`.
    where : str
        Only to messages whose name contains this (a query such as `CALCulate:DATA?`, or `sample`, `identity`).
    after : int
        How many such messages pass unharmed first.
    seconds : float
        Length of a stall or stream, or the time between two bytes of a drip.
    amount : int
        How many bytes a garble touches.
    """

    kind: Kind
    where: str = ""
    after: int = 0
    seconds: float = 0.5
    amount: int = 3


class Faults:
    """The mishaps still to come; safe to use from several threads."""

    def __init__(self, faults: Iterable[Fault] = (), seed: int = 0) -> None:
        self._lock = threading.Lock()
        self._waiting: list[tuple[Fault, int]] = [(fault, fault.after) for fault in faults]
        self.random = random.Random(seed)
        self.taken: list[Fault] = []

    def add(self, fault: Fault) -> None:
        """One more; its count starts now."""
        with self._lock:
            self._waiting.append((fault, fault.after))

    def clear(self) -> None:
        """From now on everything works."""
        with self._lock:
            self._waiting.clear()

    @property
    def any_waiting(self) -> bool:
        """Whether anything can still go wrong."""
        return bool(self._waiting)

    def take(self, name: str, messages: int = 1) -> tuple[Fault, int] | None:
        """The fault that hits one of the next `messages` messages called `name`, and which of them (0 is the first).

        Messages before the one that is hit count as sent; those after it do not.
        """
        if not self._waiting:
            return None
        with self._lock:
            due = [(left, at) for at, (fault, left) in enumerate(self._waiting) if fault.where in name]
            if not due:
                return None
            soonest, chosen = min(due)
            passed = min(soonest, messages) if soonest < messages else messages
            hit = soonest < messages
            fault = self._waiting[chosen][0]
            self._waiting = [
                (one, left - passed if one.where in name else left)
                for at, (one, left) in enumerate(self._waiting)
                if not (hit and at == chosen)
            ]
            if not hit:
                return None
            self.taken.append(fault)
            return fault, soonest


_NUMBER = re.compile(rb"[+-]?\d+(?:\.\d*)?(?:[eE][+-]?\d+)?")


def damage(message: bytes, fault: Fault, rng: random.Random) -> bytes:
    """A text message with its line end, as it arrives after a fault that changes its bytes.

    Faults of time, order and link leave the message as it is; the server plays those.
    """
    body = message.rstrip(b"\r\n")
    end = message[len(body) :]
    if fault.kind == "garble":
        spoiled = bytearray(body)
        for _ in range(min(fault.amount, len(spoiled))):
            at = rng.randrange(len(spoiled))
            # Any byte but a line end, which would be another fault.
            choices = [byte for byte in range(256) if byte not in (spoiled[at], 10, 13)]
            spoiled[at] = rng.choice(choices)
        return bytes(spoiled) + end
    if fault.kind == "truncate":
        return body[: rng.randrange(len(body)) if body else 0] + end
    if fault.kind == "cut":
        return body[: rng.randrange(len(body)) if body else 0]
    numbers = list(_NUMBER.finditer(body))
    if fault.kind in ("nan", "range") and numbers:
        hit = rng.choice(numbers)
        bad = (
            rng.choice([b"NAN", b"9.91E37", b"nan"])
            if fault.kind == "nan"
            else rng.choice([b"9.9E37", b"-4.5E6"])
        )
        return body[: hit.start()] + bad + body[hit.end() :] + end
    if fault.kind == "count":
        values = body.split(b",")
        if len(values) > 1 and rng.random() < 0.5:
            del values[rng.randrange(len(values))]
        else:
            values.insert(rng.randrange(len(values) + 1), values[0])
        return b",".join(values) + end
    if fault.kind == "wrong":
        return rng.choice([b"1", b"0", b'0,"No error"', b"101", b"3500000", b"OK", b""]) + end
    return message
