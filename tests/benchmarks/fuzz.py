"""Hostile plans, descriptions, sweeps, tables, frames and quantities: only the documented errors, in bounded time and memory.

Run: python tests/benchmarks/fuzz.py [inputs in all, 100000 unless told]. Ends with 1 if anything else came out.

Each parser gets good examples first, then mutations of whatever reached a line of its code that nothing had reached before
(coverage by `sys.settrace` on the parser's own files). A short run of the same is part of the tests.
"""

from __future__ import annotations

import multiprocessing
import random
import resource
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any

import numpy as np
from rich.console import Console
from rich.table import Table

ROOT = Path(__file__).parents[2]
SLOW_S = 2.0
MOST_BYTES = 200_000
WORDS = [
    *(
        b"0",
        b"-1",
        b"1e999",
        b"-1e-999",
        b"nan",
        b"inf",
        b"9" * 400,
        b"0x10",
        b"1_0",
        b"0.1.2",
        b"\xe2\x88\x923",
        b"+",
        b"e",
    ),
    *(
        b"\x00",
        b"\r",
        b"\n",
        b"\r\n",
        b'"',
        b'"""',
        b"'",
        b"''' ",
        b"\\",
        b"\\u0000",
        b"\\ud800",
        b"\xff\xfe",
        b"\xef\xbb\xbf",
    ),
    *(
        b"[" * 300,
        b"{" * 300,
        b"[[coil]]\n",
        b"[a.b.c.d]\n",
        b"= ",
        b",",
        b";",
        b"#",
        b"!",
        b"*",
        b"$",
        b"%s%n{0}",
        b"{start_hz}",
    ),
    *(
        b"kohm",
        b"pF",
        b"mmf",
        b"MHz",
        b"AWG",
        b"12:60",
        b"25:00",
        b"=1+1",
        b"@cmd",
        b"../../x",
        b"true",
        b"NaN",
        b"\xf0\x9f\x93\xbb",
    ),
    *(
        b"[Version] 2.0\n",
        b"[Number of Ports] 1\n",
        b"[Number of Frequencies] 999999999\n",
        b"# Hz S MA R 50\n",
        b"[Network Data]\n",
    ),
    *(b"2026-01-02T03:04:05.678Z", b"true", b"0001", b"A" * 5000, b" " * 3000, b"\t"),
]


@dataclass
class Target:
    """A parser: what it takes, the errors it documents, and the files whose lines count as reached."""

    parse: Callable[[bytes], object]
    allowed: tuple[type[BaseException], ...]
    files: tuple[str, ...]
    good: list[bytes]


@dataclass
class Tally:
    """What became of the inputs of one parser."""

    name: str
    inputs: int = 0
    accepted: int = 0
    refused: int = 0
    lines: int = 0
    slowest_s: float = 0.0
    grown_mb: float = 0.0
    faults: list[str] = field(default_factory=list)


def targets(place: Path) -> dict[str, Target]:
    """The parsers, with good examples to begin from."""
    from bench.errors import PlanError, QuantityError, SessionError
    from bench.plan.schema import load_plan
    from bench.quantities import angle_to_clock, clock_to_angle, parse, parse_wire
    from bench.session import files
    from bench.session.store import read_table
    from bench.session.tables import TABLES
    from drivers.description import load_description
    from drivers.errors import Misuse, ProtocolError, SweepFileError
    from drivers.frames import FrameDecoder, Identity, encode_identity, encode_many
    from drivers.scpi_values import block_start, parse_block, parse_error, parse_numbers
    from drivers.touchstone import read_sweep, sweep_text

    def plan(data: bytes) -> object:
        file = place / "plan.toml"
        file.write_bytes(data)
        return load_plan(file)

    def description(data: bytes) -> object:
        file = place / "instrument.toml"
        file.write_bytes(data)
        return load_description(file)

    def touchstone(data: bytes) -> object:
        # The first byte chooses the name's end.
        file = place / f"x{('.s1p', '.s2p', '.ts', '.S1P')[data[0] % 4] if data else '.s1p'}"
        file.write_bytes(data[1:])
        return read_sweep(file)

    def table(data: bytes) -> object:
        names = list(TABLES)
        chosen = TABLES[names[data[0] % len(names)] if data else "onset"]
        file = place / "table.csv"
        file.write_bytes(data[1:])
        content = read_table(file, chosen, "table.csv")
        found = files.faults(content, chosen, "table.csv")
        if found:
            raise SessionError(files.first_faults(found))
        return list(files.values(content, chosen))

    def frames(data: bytes) -> object:
        decoder = FrameDecoder()
        cut = len(data) // 3
        out = [*decoder.feed(data[:cut]), *decoder.feed(data[cut:])]
        assert all(0 <= frame.angle <= 99999 for _, frame in out)
        return out

    def answers(data: bytes) -> object:
        kind, rest = (data[0] % 4, data[1:]) if data else (0, b"")
        if kind == 0:
            return parse_numbers(rest, 3)
        if kind == 1:
            return parse_block(rest, 2)
        return parse_error(rest) if kind == 2 else block_start(rest, 2)

    def quantity(data: bytes) -> object:
        text = data[1:].decode("utf-8", "surrogateescape")
        kinds: tuple[Any, ...] = ("frequency", "capacitance", "resistance", "length", "inductance", "voltage")
        kind = data[0] % 9 if data else 0
        if kind == 8:
            return angle_to_clock(clock_to_angle(text, 300.0), 300.0)
        if kind >= 6:
            return parse_wire(text)
        return parse(text, kinds[kind])

    f_hz = np.linspace(1e6, 2e6, 12)
    s1p = sweep_text(f_hz, 0.5 * np.exp(1j * f_hz / 1e6)).encode()
    s2p = b"# MHz S MA R 50\n" + b"".join(b"%d.0 0.5 10 0.1 20 0.1 20 0.5 -10\n" % n for n in range(1, 6))
    ts = b"[Version] 2.0\n# GHz S DB R 50\n[Number of Ports] 1\n[Number of Frequencies] 2\n[Network Data]\n1 -3 10\n2 -4 20\n[End]\n"
    board = Identity("regenbench-sensor", "1.0", 100, 4095, False)
    slots = np.arange(20)
    stream = encode_identity(board) + encode_many(slots, slots * 10, slots * 7, slots * 5, slots % 2 == 0)
    example = ROOT / "sessions" / "example"
    tables = [bytes([at]) + header_and_rows(example / f"{name}.csv") for at, name in enumerate(TABLES)]
    shipped = sorted((ROOT / "drivers" / "descriptions").glob("*.toml"))
    plans = [ROOT / "bench/plan/example.toml", ROOT / "bench/virtual/demo_plan.toml"]
    texts = [
        b"\x003.5 MHz",
        b"\x01140mmf",
        b"\x0210 kohm",
        b"\x031.25in",
        b"\x04100 uH",
        b"\x0524AWG",
        b"\x0828 SWG",
        b"\x0811:20",
    ]
    return {
        "plan": Target(
            plan, (PlanError,), ("bench/plan/", "bench/quantities.py"), [one.read_bytes() for one in plans]
        ),
        "description": Target(
            description,
            (Misuse,),
            ("drivers/description.py", "drivers/fields.py"),
            [one.read_bytes() for one in shipped],
        ),
        "touchstone": Target(
            touchstone, (SweepFileError,), ("drivers/touchstone.py",), [b"\0" + s1p, b"\1" + s2p, b"\2" + ts]
        ),
        "tables": Target(table, (SessionError,), ("bench/session/",), tables),
        "frames": Target(frames, (), ("drivers/frames.py",), [stream]),
        "SCPI answers": Target(
            answers,
            (ProtocolError,),
            ("drivers/scpi_values.py",),
            [b"\x00+1.0,2E3,-4\n", b"\x01#216" + b"\x3f\xf0" * 8 + b"\n", b'\x02-113,"Undefined header"\n'],
        ),
        "quantities": Target(quantity, (QuantityError,), ("bench/quantities.py", "bench/units.py"), texts),
    }


def header_and_rows(path: Path) -> bytes:
    """The first lines of a table of the kept example; a made one where it has none."""
    if path.is_file():
        return b"".join(path.read_bytes().splitlines(keepends=True)[:6])
    from bench.session.tables import TABLES

    return (",".join(TABLES[path.stem].header) + "\n").encode()


def mutated(rng: random.Random, corpus: list[bytes]) -> bytes:
    """A good or useful input, spoiled in one to six places."""
    data = bytearray(rng.choice(corpus))
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        at = rng.randrange(len(data) + 1)
        to = min(len(data), at + rng.choice((1, 1, 2, 8, 40, 400)))
        match rng.randrange(7):
            case 0:
                data[at:to] = b""
            case 1:
                data[at:at] = data[at:to] * rng.choice((1, 2, 30))
            case 2:
                data[at:at] = rng.choice(WORDS)
            case 3:
                data[at:to] = rng.choice(WORDS)
            case 4:
                data[at:to] = bytes(rng.randrange(256) for _ in range(to - at))
            case 5:
                other = rng.choice(corpus)
                start = rng.randrange(len(other) + 1)
                data[at:to] = other[start : start + rng.choice((3, 30, 300))]
            case _:
                if at < len(data):
                    data[at] ^= 1 << rng.randrange(8)
    return bytes(data[:MOST_BYTES])


class Reached:
    """The lines of a parser's own files that have been run."""

    def __init__(self, files: tuple[str, ...]) -> None:
        self._files = tuple(str(ROOT / file) for file in files)
        self._known: dict[str, bool] = {}
        self.lines: set[tuple[str, int]] = set()

    def _ours(self, name: str) -> bool:
        if name not in self._known:
            self._known[name] = name.startswith(self._files)
        return self._known[name]

    def trace(self, frame: FrameType, event: str, _: Any) -> Any:
        name = frame.f_code.co_filename
        if not self._ours(name):
            return None
        if event == "line":
            self.lines.add((name, frame.f_lineno))
        return self.trace


def fuzz(job: tuple[str, int, int]) -> Tally:
    """So many inputs into one parser."""
    name, inputs, seed = job
    rng = random.Random(seed)
    with tempfile.TemporaryDirectory() as place:
        target = targets(Path(place))[name]
        tally, reached = Tally(name), Reached(target.files)
        corpus = list(target.good)
        began_kb = 0
        for data in stream_of(rng, corpus, inputs):
            before = len(reached.lines)
            started = time.process_time()
            sys.settrace(reached.trace)
            try:
                target.parse(data)
                tally.accepted += 1
            except target.allowed:
                tally.refused += 1
            except Exception as problem:
                tally.faults.append(f"{type(problem).__name__}: {problem}"[:200] + f" for {data[:300]!r}")
            finally:
                sys.settrace(None)
            took = time.process_time() - started
            tally.inputs += 1
            tally.slowest_s = max(tally.slowest_s, took)
            if took > SLOW_S:
                tally.faults.append(f"{took:.1f} s for {len(data)} bytes: {data[:300]!r}")
            if len(reached.lines) > before and len(corpus) < 500:
                corpus.append(data)
            if tally.inputs == 200:
                began_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        tally.lines = len(reached.lines)
        tally.grown_mb = (
            (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - began_kb) / 1024 if began_kb else 0.0
        )
    return tally


def stream_of(rng: random.Random, corpus: list[bytes], inputs: int) -> Iterator[bytes]:
    """The good examples as they are, then mutations of a corpus that grows meanwhile."""
    good = list(corpus)
    yield from good
    for _ in range(inputs - len(good)):
        yield mutated(rng, corpus)


# Share of the inputs: a plan takes milliseconds, a frame microseconds.
SHARES = {
    "plan": 0.1,
    "description": 0.2,
    "touchstone": 0.1,
    "tables": 0.2,
    "frames": 0.15,
    "SCPI answers": 0.1,
    "quantities": 0.15,
}


def main(inputs: int) -> int:
    began = time.monotonic()
    jobs = [(name, max(10, round(share * inputs)), 11) for name, share in SHARES.items()]
    with multiprocessing.get_context("spawn").Pool(2, maxtasksperchild=1) as pool:
        tallies = pool.map(fuzz, jobs, chunksize=1)
    table = Table(
        "parser", "inputs", "accepted", "refused", "lines reached", "slowest", "memory grown", "faults"
    )
    for one in tallies:
        table.add_row(
            one.name,
            *(str(number) for number in (one.inputs, one.accepted, one.refused, one.lines)),
            f"{one.slowest_s * 1e3:.0f} ms",
            f"{one.grown_mb:.0f} MB",
            str(len(one.faults)),
        )
    console = Console(width=110)
    console.print(table)
    for one in tallies:
        for fault in one.faults[:8]:
            console.print(f"{one.name}: {fault}", highlight=False, markup=False)
    console.print(f"{sum(one.inputs for one in tallies)} inputs in {time.monotonic() - began:.0f} s")
    return 1 if any(one.faults for one in tallies) else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 100_000))
