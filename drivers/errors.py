"""What can go wrong on a wire.

WireError                 base: names the port and the next step
├── LinkError             the port cannot be opened, or went away
│   ├── PortMissing       no such port or address
│   ├── PortBusy          another program holds it
│   ├── PortForbidden     the user may not open it
│   └── LinkLost          unplugged, reset, closed by the other end
├── TimedOut              no answer, or not all of it, in the time allowed
├── ProtocolError         an answer came that cannot be the answer (quotes the bytes)
├── SweepFileError        a saved sweep cannot be read
├── InstrumentError       the instrument itself reports an error
└── Misuse                the caller asked for what the instrument cannot do
"""

from __future__ import annotations


class WireError(Exception):
    """Base of all errors on a wire.

    Parameters
    ----------
    what : str
        One sentence, in the user's words.
    port : str
        The port or address it happened on.
    hint : str
        The next step for the person at the bench.
    """

    def __init__(self, what: str, *, port: str = "", hint: str = "") -> None:
        self.what = what
        self.port = port
        self.hint = hint
        where = f"{port}: " if port else ""
        after = f" {hint}" if hint else ""
        super().__init__(f"{where}{what}{after}")


class LinkError(WireError):
    """The port cannot be opened, or went away."""


class PortMissing(LinkError):
    """No such port or address."""


class PortBusy(LinkError):
    """Another program holds the port."""


class PortForbidden(LinkError):
    """The user may not open the port."""


class LinkLost(LinkError):
    """Unplugged, reset, or closed by the other end."""


class TimedOut(WireError):
    """No answer, or not all of it, in the time allowed."""


class ProtocolError(WireError):
    """An answer came that cannot be the answer; the message quotes the bytes."""


class SweepFileError(WireError):
    """A saved sweep cannot be read."""


class InstrumentError(WireError):
    """The instrument itself reports an error."""


class Misuse(WireError):
    """The caller asked for what the instrument cannot do."""
