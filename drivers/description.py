"""A description of an instrument that is spoken to in lines of text: TOML data to checked values.

Data only: plain named fields, numbers filled in by this program, nothing is executed. Whatever is not described in
`drivers/descriptions/README.md` is refused with the field's name and what is allowed there.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Literal

from drivers.errors import Misuse

Column = Literal["frequency", "real", "imaginary", "magnitude", "db", "return_loss_db", "angle", "-"]
COLUMNS: tuple[Column, ...] = (
    "frequency",
    "real",
    "imaginary",
    "magnitude",
    "db",
    "return_loss_db",
    "angle",
    "-",
)
FREQUENCY_UNITS = {"Hz": 1.0, "kHz": 1e3, "MHz": 1e6, "GHz": 1e9}
LINE_ENDS = ("\r\n", "\n", "\r")
SEPARATORS = (",", ";", "\t", " ", ":", "|")
LARGEST_FILE = 65536

# What may stand in a command, and the decimals that are written when the description gives none: one hertz everywhere.
_SWEEP_FIELDS: dict[str, int] = {
    "points": 0,
    "steps": 0,
    **{
        f"{end}_{unit}": decimals
        for end in ("start", "stop", "center", "span", "step")
        for unit, decimals in (("hz", 0), ("khz", 3), ("mhz", 6))
    },
}
_GENERATOR_FIELDS: dict[str, int] = {
    "frequency_hz": 0,
    "frequency_khz": 3,
    "frequency_mhz": 6,
    "level_dbm": 1,
}


@dataclass(frozen=True)
class Port:
    """How the serial port is set and how lines are written on it."""

    baud: int = 115200
    bits: int = 8
    parity: str = "none"
    stop: int = 1
    flow: str = "none"
    line_end: str = "\r\n"
    reply_end: str = "\n"
    echo: bool = False
    prompt: str = ""
    settle_s: float = 0.0
    timeout_s: float = 3.0


@dataclass(frozen=True)
class Identify:
    """What is asked first, and what the answer must contain."""

    command: str
    expect: str = ""


@dataclass(frozen=True)
class Reply:
    """How one block of a sweep's values comes.

    `command` asks for it (none: it comes by itself); every line has `values_per_line` values, which fill `columns` in
    turn; `skip` lines come before, `end` is a line after the last.
    """

    columns: tuple[Column, ...]
    command: str = ""
    separator: str = ","
    values_per_line: int = 0
    skip: int = 0
    comment: str = ""
    end: str = ""
    frequency_unit: str = "Hz"
    angle_unit: str = "degrees"

    @property
    def per_line(self) -> int:
        """Values on a line; as many as there are columns, if nothing else is said."""
        return self.values_per_line or len(self.columns)


@dataclass(frozen=True)
class SweepTalk:
    """How a sweep is asked for.

    `answer` is the line that comes after each command, if one does; `read_twice` has everything sent twice and compared.
    """

    commands: tuple[str, ...]
    replies: tuple[Reply, ...]
    answer: str = ""
    decimals: Mapping[str, int] | None = None
    read_twice: bool = True

    @property
    def can_ask_again(self) -> bool:
        """Whether the values of one sweep can be had twice."""
        return all(reply.command for reply in self.replies)


@dataclass(frozen=True)
class Limits:
    """What one sweep of the instrument can be."""

    low_hz: float
    high_hz: float
    most_points: int
    seconds_per_point: float


@dataclass(frozen=True)
class GeneratorTalk:
    """How a generator is set."""

    frequency: str
    on: str
    off: str
    level: str = ""
    answer: str = ""
    decimals: Mapping[str, int] | None = None
    ask_frequency: str = ""
    ask_frequency_unit: str = "Hz"


@dataclass(frozen=True)
class Description:
    """A whole instrument."""

    name: str
    role: Literal["analyzer", "generator"]
    port: Port
    setup: tuple[str, ...]
    identify: Identify | None
    limits: Limits
    sweep: SweepTalk | None = None
    generator: GeneratorTalk | None = None


class _Fields:
    """A table of the description that knows where it stands and what was not asked for."""

    def __init__(self, table: object, where: str, source: str) -> None:
        if not isinstance(table, Mapping):
            raise Misuse(f"{where} must be a table of names and values.", port=source)
        self._table = table
        self._where = where
        self._source = source
        self._known: set[str] = set()

    def wrong(self, key: str, what: str) -> Misuse:
        place = f"{self._where}.{key}" if self._where else key
        return Misuse(
            f"{place}: {what}.",
            port=self._source,
            hint="drivers/descriptions/README.md explains every field.",
        )

    def _get(self, key: str, default: Any) -> Any:
        self._known.add(key)
        if key in self._table:
            return self._table[key]
        if default is None:
            raise self.wrong(key, "is missing")
        return default

    def text(self, key: str, default: str | None = None, longest: int = 120) -> str:
        value = self._get(key, default)
        if not isinstance(value, str) or len(value) > longest:
            raise self.wrong(key, f"must be text of at most {longest} characters, not {str(value)[:40]!r}")
        if not value.isascii() or any(ord(one) < 32 and one != "\t" for one in value):
            raise self.wrong(key, "must be printable ASCII on one line; line ends are added by the program")
        return value

    def choice(self, key: str, choices: tuple[str, ...], default: str | None = None) -> str:
        value = self._get(key, default)
        if value not in choices:
            shown = ", ".join(repr(one) for one in choices)
            raise self.wrong(key, f"must be one of {shown}, not {str(value)[:40]!r}")
        return str(value)

    def number(self, key: str, least: float, most: float, default: float | None = None) -> float:
        value = self._get(key, default)
        if isinstance(value, bool) or not isinstance(value, (int, float)) or not least <= value <= most:
            raise self.wrong(key, f"must be a number from {least:g} to {most:g}, not {str(value)[:40]!r}")
        return float(value)

    def whole(self, key: str, least: int, most: int, default: int | None = None) -> int:
        value = self.number(key, least, most, default)
        if value != int(value):
            raise self.wrong(key, f"must be a whole number, not {value:g}")
        return int(value)

    def flag(self, key: str, default: bool) -> bool:
        value = self._get(key, default)
        if not isinstance(value, bool):
            raise self.wrong(key, f"must be true or false, not {str(value)[:40]!r}")
        return value

    def texts(self, key: str, default: tuple[str, ...] | None = None) -> tuple[str, ...]:
        value = self._get(key, default)
        if isinstance(value, str):
            value = [value]
        if not isinstance(value, (list, tuple)) or len(value) > 20:
            raise self.wrong(key, "must be a text or a list of at most 20 texts")
        return tuple(_Fields({key: one}, self._where, self._source).text(key) for one in value)

    def command(self, key: str, fields: Mapping[str, int], default: str | None = None) -> str:
        return self._fields_checked(key, self.text(key, default), fields)

    def commands(self, key: str, fields: Mapping[str, int]) -> tuple[str, ...]:
        return tuple(self._fields_checked(key, one, fields) for one in self.texts(key))

    def _fields_checked(self, key: str, text: str, fields: Mapping[str, int]) -> str:
        for name in re.findall(r"\{([^{}]*)\}", text):
            if name not in fields:
                near = get_close_matches(name, fields, 1)
                guess = f"; do you mean {{{near[0]}}}?" if near else f"; known are {', '.join(fields)}"
                raise self.wrong(key, f"there is nothing to fill in for {{{name[:40]}}}{guess}")
        if re.search(r"[{}]", re.sub(r"\{[^{}]*\}", "", text)):
            raise self.wrong(key, "has a brace without its partner")
        return text

    def decimals(self, key: str, fields: Mapping[str, int]) -> dict[str, int]:
        table = _Fields(self._get(key, {}), f"{self._where}.{key}", self._source)
        for name in table._table:
            if name not in fields:
                raise table.wrong(str(name)[:40], f"is no number of a command; known are {', '.join(fields)}")
        return {name: table.whole(name, 0, 9) for name in table._table}

    def table(self, key: str, default: Mapping[str, Any] | None = None) -> _Fields:
        return _Fields(self._get(key, default), f"{self._where}.{key}".lstrip("."), self._source)

    def tables(self, key: str) -> list[_Fields]:
        value = self._get(key, None)
        if isinstance(value, Mapping):
            value = [value]
        if not isinstance(value, list) or not 1 <= len(value) <= 8:
            raise self.wrong(key, "must be a table or a list of at most 8 tables")
        return [_Fields(one, f"{self._where}.{key}", self._source) for one in value]

    def has(self, key: str) -> bool:
        self._known.add(key)
        return key in self._table

    def done(self) -> None:
        """Refuse what nobody asked for."""
        for key in self._table:
            if key not in self._known:
                near = get_close_matches(str(key), self._known, 1)
                raise self.wrong(
                    str(key)[:40],
                    f"is not known here; do you mean {near[0]!r}?" if near else "is not known here",
                )


def fill(command: str, numbers: Mapping[str, float], decimals: Mapping[str, int]) -> str:
    """The command with its numbers written in plain decimals; nothing else in it has a meaning."""

    def written(hit: re.Match[str]) -> str:
        name = hit[1]
        return f"{numbers[name]:.{decimals.get(name, {**_SWEEP_FIELDS, **_GENERATOR_FIELDS}[name])}f}"

    return re.sub(r"\{([a-z_]+)\}", written, command)


def parse_description(text: str, source: str = "description") -> Description:
    """A description's text, checked.

    Raises
    ------
    Misuse
        Names the field, what is allowed there, and what stands there.
    """
    try:
        data = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as problem:
        raise Misuse(f"this is not TOML: {problem or 'nested too deeply'}.", port=source) from problem
    top = _Fields(data, "", source)
    name = top.text("name")
    role: Literal["analyzer", "generator"]
    role = "analyzer" if top.choice("role", ("analyzer", "generator")) == "analyzer" else "generator"
    port = _port(top.table("port", {}))
    setup = top.texts("setup", ())
    identify = None
    if top.has("identify"):
        table = top.table("identify")
        identify = Identify(table.text("command"), table.text("expect", ""))
        table.done()
    limits = _limits(top.table("limits"), role)
    sweep = generator = None
    if role == "analyzer":
        sweep = _sweep(top.table("sweep"))
    else:
        generator = _generator(top.table("generator"))
    top.done()
    return Description(name, role, port, setup, identify, limits, sweep, generator)


def load_description(path: str | Path) -> Description:
    """A description out of a file, or one that comes with the program by its name."""
    file = Path(path)
    shipped = Path(__file__).with_name("descriptions") / f"{path}.toml"
    if re.fullmatch(r"[a-z0-9-]+", str(path)) and not file.exists() and shipped.exists():
        file = shipped
    try:
        with file.open("rb") as stream:
            raw = stream.read(LARGEST_FILE + 1)
        text = raw.decode("utf-8")
    except (OSError, ValueError) as problem:
        reason = getattr(problem, "strerror", None) or "it is not UTF-8 text"
        raise Misuse(
            f"the description cannot be read: {reason}.",
            port=str(path),
            hint="Give the path of a TOML file; drivers/descriptions/README.md shows how to write one.",
        ) from problem
    if len(raw) > LARGEST_FILE:
        raise Misuse(f"the description is longer than {LARGEST_FILE} bytes.", port=str(path))
    return parse_description(text, str(path))


def _port(table: _Fields) -> Port:
    ends = tuple(LINE_ENDS)
    port = Port(
        baud=table.whole("baud", 300, 4_000_000, 115200),
        bits=table.whole("bits", 7, 8, 8),
        parity=table.choice("parity", ("none", "even", "odd"), "none"),
        stop=table.whole("stop", 1, 2, 1),
        flow=table.choice("flow", ("none", "xonxoff", "rtscts"), "none"),
        line_end=table.choice("line_end", ends, "\r\n"),
        reply_end=table.choice("reply_end", ends, "\n"),
        echo=table.flag("echo", False),
        prompt=table.text("prompt", "", 20),
        settle_s=table.number("settle_s", 0.0, 30.0, 0.0),
        timeout_s=table.number("timeout_s", 0.05, 600.0, 3.0),
    )
    table.done()
    return port


def _limits(table: _Fields, role: str) -> Limits:
    low = table.number("low_hz", 1.0, 1e12)
    high = table.number("high_hz", 1.0, 1e12)
    if not low < high:
        raise table.wrong("high_hz", "must be above low_hz")
    analyzer = role == "analyzer"
    limits = Limits(
        low,
        high,
        table.whole("most_points", 2, 100_001) if analyzer else 2,
        table.number("seconds_per_point", 0.0, 60.0) if analyzer else 0.0,
    )
    table.done()
    return limits


def _sweep(table: _Fields) -> SweepTalk:
    commands = table.commands("commands", _SWEEP_FIELDS)
    answer = table.text("answer", "")
    replies = tuple(_reply(one) for one in table.tables("reply"))
    columns = [column for reply in replies for column in reply.columns if column != "-"]
    if len(set(columns)) != len(columns):
        raise table.wrong("reply", "a column comes twice")
    have = set(columns) - {"frequency"}
    if have not in (
        {"real", "imaginary"},
        {"magnitude", "angle"},
        {"db", "angle"},
        {"return_loss_db", "angle"},
    ):
        raise table.wrong(
            "reply", "the columns must hold real and imaginary, or angle with magnitude, db or return_loss_db"
        )
    if not any(reply.command for reply in replies[:1]) and any(reply.command for reply in replies[1:]):
        raise table.wrong("reply", "either the first block is asked for by a command, or none is")
    twice = table.flag("read_twice", True)
    talk = SweepTalk(commands, replies, answer, table.decimals("decimals", _SWEEP_FIELDS), twice)
    table.done()
    return talk


def _reply(table: _Fields) -> Reply:
    names = table.texts("columns")
    for name in names:
        if name not in COLUMNS:
            raise table.wrong("columns", f"{name[:40]!r} is no column; there are {', '.join(COLUMNS)}")
    columns: tuple[Column, ...] = tuple(name for known in names for name in COLUMNS if name == known)
    if not columns or len(columns) > 20:
        raise table.wrong("columns", "must name 1 to 20 columns")
    reply = Reply(
        columns,
        command=table.text("command", ""),
        separator=table.choice("separator", SEPARATORS, ","),
        values_per_line=table.whole("values_per_line", 1, 10_000, len(columns)),
        skip=table.whole("skip", 0, 100, 0),
        comment=table.text("comment", "", 4),
        end=table.text("end", ""),
        frequency_unit=table.choice("frequency_unit", tuple(FREQUENCY_UNITS), "Hz"),
        angle_unit=table.choice("angle_unit", ("degrees", "radians"), "degrees"),
    )
    table.done()
    return reply


def _generator(table: _Fields) -> GeneratorTalk:
    talk = GeneratorTalk(
        frequency=table.command("frequency", _GENERATOR_FIELDS),
        on=table.command("on", _GENERATOR_FIELDS),
        off=table.command("off", {}),
        level=table.command("level", _GENERATOR_FIELDS, ""),
        answer=table.text("answer", ""),
        decimals=table.decimals("decimals", _GENERATOR_FIELDS),
        ask_frequency=table.text("ask_frequency", ""),
        ask_frequency_unit=table.choice("ask_frequency_unit", tuple(FREQUENCY_UNITS), "Hz"),
    )
    table.done()
    return talk
