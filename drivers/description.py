"""A description of an instrument that is spoken to in lines of text: TOML data to checked values.

Data only: plain named fields, numbers filled in by this program, nothing is executed. Whatever is not described in
`drivers/descriptions/README.md` is refused with the field's name and what is allowed there.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from drivers.errors import Misuse
from drivers.fields import Fields

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
FACTORS = {"hz": 1.0, "khz": 1e3, "mhz": 1e6}
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
_LIST_FIELDS: dict[str, int] = {
    "points": 0,
    **{
        f"{many}_{unit}": decimals
        for many in ("frequency", "frequencies")
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
class ListTalk:
    """How a free list of frequencies is asked for: many in one request, `separator` between them, or one at a time."""

    talk: SweepTalk
    most_points: int
    separator: str = ","

    @property
    def one_by_one(self) -> bool:
        """Whether each frequency is a request of its own."""
        return self.most_points == 1

    def filled(self, f_hz: Sequence[float]) -> list[str]:
        """The commands for these frequencies, in plain decimals."""
        return [self._filled(command, f_hz) for command in self.talk.commands]

    def sent_hz(self, f_hz: float) -> float:
        """A frequency as it is after it was written with the digits that the commands give it."""
        field = re.search(r"\{frequenc(?:y|ies)_([a-z]+)\}", " ".join(self.talk.commands))
        assert field is not None
        return float(self._written(field[0].strip("{}"), f_hz)) * FACTORS[field[1]]

    def _filled(self, command: str, f_hz: Sequence[float]) -> str:
        def written(hit: re.Match[str]) -> str:
            if hit[1] == "points":
                return str(len(f_hz))
            return self.separator.join(self._written(hit[1], one) for one in f_hz)

        return re.sub(r"\{([a-z_]+)\}", written, command)

    def _written(self, field: str, f_hz: float) -> str:
        decimals = (self.talk.decimals or {}).get(field, _LIST_FIELDS[field])
        return f"{f_hz / FACTORS[field.rpartition('_')[2]]:.{decimals}f}"


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
    listed: ListTalk | None = None


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
    top = Fields(data, "", source)
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
    sweep = generator = listed = None
    if role == "analyzer":
        # An instrument that is asked frequency by frequency may have no sweep of its own.
        sweep = _sweep(top.table("sweep")) if top.has("sweep") or not top.has("list") else None
        listed = _list(top.table("list"), sweep, limits) if top.has("list") else None
    else:
        generator = _generator(top.table("generator"))
    top.done()
    return Description(name, role, port, setup, identify, limits, sweep, generator, listed)


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


def _port(table: Fields) -> Port:
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


def _limits(table: Fields, role: str) -> Limits:
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


def _sweep(table: Fields) -> SweepTalk:
    talk = _talk(table, _SWEEP_FIELDS, None)
    table.done()
    return talk


def _list(table: Fields, sweep: SweepTalk | None, limits: Limits) -> ListTalk:
    talk = _talk(table, _LIST_FIELDS, sweep)
    used = {
        name for name in re.findall(r"\{([a-z_]+)\}", " ".join(talk.commands)) if name.startswith("frequenc")
    }
    if len(used) != 1:
        raise table.wrong(
            "commands", "must hold the frequency once: {frequency_hz} for one at a time, or {frequencies_hz}"
        )
    separator, most = ",", 1
    if used.pop().startswith("frequencies"):
        separator = table.choice("separator", SEPARATORS, ",")
        most = table.whole("most_points", 2, 10_000, limits.most_points)
    table.done()
    return ListTalk(talk, most, separator)


def _talk(table: Fields, fields: Mapping[str, int], other: SweepTalk | None) -> SweepTalk:
    """Commands and replies; the replies of `other` where it has none of its own."""
    commands = table.commands("commands", fields)
    answer = table.text("answer", "")
    if table.has("reply") or other is None:
        replies = tuple(_reply(one) for one in table.tables("reply"))
    else:
        replies = other.replies
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
    return SweepTalk(commands, replies, answer, table.decimals("decimals", fields), twice)


def _reply(table: Fields) -> Reply:
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


def _generator(table: Fields) -> GeneratorTalk:
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
