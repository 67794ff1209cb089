"""What every SCPI instrument shares (IEEE 488.2, SCPI-1999): link, identity, error queue, settings that are checked.

Every setting is followed by a look into the instrument's error queue and read back; every reading ends with a number of
our own that the instrument must echo (`*ESE`, which every IEEE 488.2 device keeps), so that an answer that came late,
twice, or to another question is noticed. After any doubt the link is closed and opened again before the next question.
"""

from __future__ import annotations

import contextlib
import random
from collections.abc import Iterator, Mapping
from typing import Any, Literal

from drivers import scpi_values as values
from drivers.errors import InstrumentError, LinkLost, Misuse, ProtocolError, WireError
from drivers.visa import VisaLink

COMMON_HEADERS: Mapping[str, str] = {
    "identify": "*IDN?",
    "reset": "*RST",
    "clear": "*CLS",
    "complete": "*OPC?",
    "error": "SYSTem:ERRor?",
    "echo": "*ESE",
}
_MOST_QUEUED = 50


class ScpiInstrument:
    """What analyzers and generators share: link, identity, error queue, settings that are checked.

    Parameters
    ----------
    address : str
        VISA resource string.
    headers : mapping
        Headers that differ from the standard ones, by the names in `standard_headers`. An empty
        header means that the instrument has none and that step is left out.
    timeout_s : float
        Limit of every wait, sweeps come on top.
    reset : bool
        Send `*RST` after opening.
    library : str
        PyVISA backend.
    settings
        Attributes of a serial resource (`baud_rate`…).
    """

    standard_headers: Mapping[str, str] = COMMON_HEADERS

    def __init__(
        self,
        address: str,
        *,
        headers: Mapping[str, object] | None = None,
        timeout_s: float = 5.0,
        reset: bool = False,
        library: str = "@py",
        **settings: Any,
    ) -> None:
        self._headers = merged_headers(self.standard_headers, headers or {}, address)
        self._link = VisaLink(address, timeout_s=timeout_s, library=library, **settings)
        self._idn = ""
        self._closed = False
        self._random = random.Random()
        self._connect()
        try:
            with self._exchange():
                if reset:
                    self._link.write(self._headers["reset"])
                    self._complete(timeout_s)
                self._set_up()
        except BaseException:
            self._link.close()
            raise

    @property
    def address(self) -> str:
        """The VISA resource string."""
        return self._link.address

    def identify(self) -> str:
        """What the instrument answered to *IDN?."""
        return self._idn

    def close(self) -> None:
        """Let go of the address; may be called twice."""
        self._closed = True
        self._link.close()

    def _set_up(self) -> None:
        """What a kind of instrument needs once after opening, and after every opening again."""

    def _connect(self) -> None:
        """Open the address and make sure who is there and that question and answer belong together."""
        if self._closed:
            raise LinkLost("the instrument has been closed.", port=self.address)
        self._link.open()
        try:
            self._meet()
            if self._headers["clear"]:
                self._link.write(self._headers["clear"])
            self._agree(leftovers=16)
        except BaseException:
            self._link.close()
            raise

    def _meet(self) -> None:
        """Ask who is there, before anything else: opening alone says nothing."""
        if not self._headers["identify"]:
            return
        with self._named():
            idn = values.parse_identity(self._ask_twice(self._headers["identify"]))
        if self._idn and idn != self._idn:
            raise LinkLost(
                f"another instrument answers there now: {idn}.",
                port=self.address,
                hint="Connect the one that was there before, or begin again with this one.",
            )
        self._idn = idn

    @contextlib.contextmanager
    def _exchange(self) -> Iterator[None]:
        """One exchange that either comes out whole or leaves no link behind."""
        if not self._link.is_open:
            self._connect()
            self._set_up()
        try:
            with self._named():
                yield
        except InstrumentError:
            raise
        except BaseException:
            # An answer may still be on its way; it must not meet the next question.
            self._link.close()
            raise

    @contextlib.contextmanager
    def _named(self) -> Iterator[None]:
        """Errors of the pure parsers get the address."""
        try:
            yield
        except WireError as problem:
            if problem.port:
                raise
            raise type(problem)(problem.what, port=self.address, hint=problem.hint) from problem

    def _ask(self, header: str, timeout_s: float | None = None) -> bytes:
        self._link.write(header)
        return self._link.read_line(timeout_s)

    def _ask_twice(self, header: str) -> bytes:
        """A fact that is asked for once and then relied upon: both answers must be the same."""
        first, second = self._ask(header), self._ask(header)
        if first != second:
            raise ProtocolError(
                f"{header} was answered by {first[:32]!r}, then by {second[:32]!r}.", port=self.address
            )
        return second

    def _agree(self, leftovers: int = 0) -> None:
        """The instrument must echo a number of ours; old answers before it are let pass up to `leftovers`."""
        echo = self._headers["echo"]
        if not echo:
            return
        token = self._random.randrange(2, 256)
        self._link.write(f"{echo} {token}")
        self._link.write(f"{echo}?")
        for left in range(leftovers, -1, -1):
            answer = self._link.read_line()
            if answer.strip() in (b"%d" % token, b"+%d" % token):
                return
            if left == 0:
                raise ProtocolError(
                    f"question and answer do not belong together any more: {answer[:32]!r} came for {token}.",
                    port=self.address,
                    hint="The reading is thrown away; take it again.",
                )

    def _check_errors(self, doing: str) -> None:
        """Read the error queue empty; its first entry becomes an error of ours."""
        header = self._headers["error"]
        if not header:
            return
        first: tuple[int, str] | None = None
        for _ in range(_MOST_QUEUED):
            code, text = values.parse_error(self._ask(header))
            if code == 0:
                break
            first = first or (code, text)
        else:
            raise ProtocolError("the error queue does not come to an end.", port=self.address)
        if first is not None:
            raise InstrumentError(
                f"the instrument reports {first[0]}, {first[1]}, when {doing}.",
                port=self.address,
                hint="Look up the limits of the instrument, or give its own headers in the plan.",
            )

    def _complete(self, timeout_s: float) -> None:
        header = self._headers["complete"]
        if header and not values.parse_bool(answer := self._ask(header, timeout_s)):
            raise ProtocolError(f"the answer to {header} was {answer[:32]!r}.", port=self.address)

    def _set(self, name: str, value: float, unit: str, *, tolerance: float) -> None:
        """Send a setting, look for errors, and read it back."""
        header = self._headers[name]
        if not header:
            return
        self._link.write(f"{header} {values.format_number(value)}")
        self._check_errors(f"{name} is set to {value:g}{unit}")
        self._verify(name, value, unit, tolerance=tolerance)

    def _verify(self, name: str, value: float, unit: str, *, tolerance: float) -> None:
        answer = self._ask(f"{self._headers[name]}?")
        actual = values.parse_number(answer)
        if abs(actual - value) > tolerance:
            raise InstrumentError(
                f"{name} was set to {value:.12g}{unit}, the instrument took {actual:.12g}{unit}.",
                port=self.address,
                hint="Ask for a value inside the instrument's limits.",
            )

    def _command(self, name: str, value: str = "") -> None:
        """Send a command without a number, if the instrument has it, and look for errors."""
        if header := self._headers[name]:
            text = f"{header} {value}".strip()
            self._link.write(text)
            self._check_errors(f"'{text}' is sent")

    def _limit_of(self, name: str, word: Literal["MINimum", "MAXimum"]) -> float:
        return values.parse_number(self._ask_twice(f"{self._headers[name]}? {word}"))


def merged_headers(standard: Mapping[str, str], own: Mapping[str, object], address: str) -> dict[str, str]:
    """The standard headers with the user's own in their place.

    Raises
    ------
    Misuse
        A name is not known, or a header is not one line of SCPI.
    """
    merged = dict(standard)
    for name, header in own.items():
        if name not in standard:
            raise Misuse(
                f"there is no header named {name!r}.", port=address, hint=f"Known are {', '.join(standard)}."
            )
        merged[name] = values.check_header(name, header)
    return merged
