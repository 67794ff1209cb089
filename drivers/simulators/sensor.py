"""The simulated sensor board: frames over a pseudo-terminal, or over a loopback socket where there is none.

The world says what was at each sampling slot; the server encodes whole batches and writes them as fast as the other
end reads. Nothing is dropped while somebody reads: the server waits. When nobody has read for a while it does as a
board must: it goes on with the present, and the jump of the sequence number tells.
"""

from __future__ import annotations

import re
import time
from dataclasses import dataclass, replace
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from drivers.frames import Identity, encode_identity, encode_many, encode_token, seal
from drivers.roles import Floats
from drivers.simulators.faults import Fault, Faults
from drivers.simulators.loopback import Line, Mishaps
from drivers.simulators.terminal import open_wire


@dataclass(frozen=True)
class SensorBatch:
    """What the board sampled at consecutive slots.

    `t_s` (n,) world seconds; `angle`, `level` and, if fitted, `dial` (n,) shares of full scale, clipped to 0 to 1 and
    rounded to the converter's steps by the server; `mark` (n,) the switch.
    """

    t_s: Floats
    angle: Floats
    level: Floats
    mark: NDArray[np.bool_]
    dial: Floats | None = None


class SensorWorld(Protocol):
    """What a simulated sensor board is fixed to."""

    @property
    def rate_hz(self) -> float:
        """Sampling slots per world second, a whole number; slot k is at world time k/rate_hz."""
        ...

    def newest(self) -> int:
        """The newest sampling slot that has happened; -1 before the first."""
        ...

    def frames(self, first: int, count: int) -> SensorBatch:
        """Slots `first` to `first + count - 1`, which have all happened. `first` never goes back."""
        ...


# At most so many frames are encoded at once: a few pipe buffers' worth.
_BATCH = 400
_PACE_S = 0.004


class SensorServer:
    """The board; `address` is the port to put in a plan.

    Parameters
    ----------
    world : SensorWorld
        What is sampled.
    bits : int
        Of the converter, at most 16.
    faults : Faults, optional
        Messages are called `sample` and `identity`.
    terminal : bool, optional
        Use a pseudo-terminal; as the system allows, if not given.
    patience_s : float
        Wall time without a reader after which the board goes on with the present.
    dial : bool
        Whether the frames carry the dial.
    """

    def __init__(
        self,
        world: SensorWorld,
        *,
        bits: int = 12,
        faults: Faults | None = None,
        terminal: bool | None = None,
        patience_s: float = 1.0,
        dial: bool = False,
        name: str = "regenbench-sensor",
    ) -> None:
        self._world = world
        self._patience_s = patience_s
        self._identity = Identity(name, "1.0", round(world.rate_hz), (1 << bits) - 1, dial)
        self._mishaps = Mishaps(faults)
        self._next = 0
        self._first_slot = 0
        self._met = False
        self._wire = open_wire(self._talk, terminal)

    @property
    def address(self) -> str:
        """Serial port, or `socket://HOST:PORT`."""
        return self._wire.address

    @property
    def faults(self) -> Faults:
        """The mishaps still to come."""
        return self._mishaps.faults

    def unplug(self) -> None:
        """The port goes away."""
        self._wire.unplug()

    def plug_in(self, *, new_port: bool = False) -> None:
        """The port comes back; a pseudo-terminal always under a new name. Read `address` again."""
        self._wire.plug_in(new_port=new_port)

    def restart(self) -> None:
        """The board begins anew: its sequence number and its clock start from nought."""
        self._first_slot = self._world.newest() + 1

    def close(self) -> None:
        """Stop; may be called twice."""
        self._wire.close()

    def __enter__(self) -> SensorServer:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def _talk(self, line: Any) -> None:
        """One connection: answers questions, and between them streams."""
        asked = b""
        self._met = False
        self._next = max(self._next, self._world.newest() + 1)
        while True:
            heard = line.receive(_PACE_S)
            if heard is None:
                return
            asked = (asked + heard)[-256:]
            while b"\n" in asked:
                question, _, asked = asked.partition(b"\n")
                words = question.split()
                if words[:1] == [b"?"]:
                    # As on a board, what was sampled before the question goes out before the answer.
                    now = self._world.newest()
                    while self._next <= now:
                        self._stream(line)
                    self._met = True
                    self._mishaps.send(line, "identity", encode_identity(self._identity))
                    if len(words) == 2 and re.fullmatch(rb"\d{5}", words[1]):
                        self._mishaps.send(line, "token", encode_token(int(words[1])))
            self._stream(line)

    def _stream(self, line: Line) -> None:
        started = time.monotonic()
        while (ready := self._world.newest() + 1 - self._next) > 0:
            count = min(ready, _BATCH)
            # What nobody has asked for, nobody can see go wrong.
            taken = self._mishaps.faults.take("sample", count) if self._met else None
            if taken is not None:
                count = taken[1]
            if count:
                line.send(self._encode(self._next, count))
                self._next += count
            if taken is not None:
                self._spoiled(line, taken[0])
            waited = time.monotonic() - started
            if waited > self._patience_s:
                # Nobody was reading: stale frames help no one.
                self._next = max(self._next, self._world.newest() + 1)
                return
            if waited > _PACE_S:
                return

    def _encode(self, first: int, count: int) -> bytes:
        batch = self._world.frames(first, count)
        full = self._identity.full_scale
        slots = np.arange(first, first + count, dtype=np.int64)
        clock_ms = np.rint(np.asarray(batch.t_s) * 1e3).astype(np.int64)
        # What was sampled before a restart keeps its old numbers.
        anew = slots >= self._first_slot
        began_ms = round(self._first_slot * 1e3 / self._world.rate_hz)

        def counts(share: Floats) -> NDArray[np.int64]:
            return np.rint(np.clip(share, 0.0, 1.0) * full).astype(np.int64)

        return encode_many(
            slots - np.where(anew, self._first_slot, 0),
            clock_ms - np.where(anew, began_ms, 0),
            counts(batch.angle),
            counts(batch.level),
            np.asarray(batch.mark, np.bool_),
            counts(batch.dial) if self._identity.has_dial and batch.dial is not None else None,
        )

    def _spoiled(self, line: Line, fault: Fault) -> None:
        message = self._encode(self._next, 1)
        self._next += 1

        if fault.kind == "reorder":
            after = self._encode(self._next, 1) if self._world.newest() >= self._next else b""
            self._next += 1 if after else 0
            line.send(after + message)
        else:
            once = Faults([replace(fault, where="", after=0)])
            once.random = self._mishaps.faults.random
            Mishaps(once).send(line, "sample", message, _spoil)


def _spoil(message: bytes, fault: Fault) -> bytes | None:
    """A value that cannot be, under a checksum that is right: what broken firmware might send."""
    if fault.kind not in ("nan", "range", "count"):
        return None
    body = message[1 : message.index(b"*")]
    fields = body.split(b",")
    if fault.kind == "nan":
        fields[3] = b"  nan"
    elif fault.kind == "range":
        fields[3] = b"99999"
    else:
        del fields[-1]
    return seal(b",".join(fields))


def serve_sensor(
    world: SensorWorld,
    *,
    bits: int = 12,
    faults: Faults | None = None,
    terminal: bool | None = None,
    dial: bool = False,
    patience_s: float = 1.0,
) -> SensorServer:
    """A sensor board fixed to `world`, in a thread of this process, until closed."""
    return SensorServer(world, bits=bits, faults=faults, terminal=terminal, dial=dial, patience_s=patience_s)
