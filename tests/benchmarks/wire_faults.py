"""Seeded mishaps on every kind of wire, in every phase of an exchange: the right reading, or a named error and none.

Run: python tests/benchmarks/wire_faults.py [cases, 2000 unless told]. Ends with 1 if anything else came out.

Each case opens a real driver on a simulated instrument, lets one mishap happen (kind, moment, length and place from the
seed), reads until a reading comes out, and holds every reading against the world's own formula. `right` counts cases whose
readings were right throughout, `named` those that first ended in an error of `drivers.errors`, `no strike` those whose
mishap found nothing to strike; `wrong`, `unnamed`, `stuck` and `not back` must be 0. Garbled text that stays a number is left out for the folder: a Touchstone file has no checksum.
"""

from __future__ import annotations

import random
import sys
import tempfile
import threading
import time
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
from rich.console import Console
from rich.table import Table
from scipy.io import wavfile

sys.path.insert(0, str(Path(__file__).parents[1] / "shared"))

import invented
import worlds

from drivers import folder as folder_module
from drivers.description import parse_description
from drivers.errors import WireError
from drivers.folder import FolderAnalyzer
from drivers.lines import LinesAnalyzer, LinesGenerator
from drivers.roles import Sweep
from drivers.scpi import ScpiAnalyzer, ScpiGenerator
from drivers.sensor import FramedSensor
from drivers.simulators.faults import KINDS, Fault, Faults, Kind, damage
from drivers.simulators.lines import LinesServer, SimulatedLinesGenerator
from drivers.simulators.scpi import serve_scpi_analyzer, serve_scpi_generator
from drivers.simulators.sensor import serve_sensor
from drivers.sound import SoundMeter, WavFile
from drivers.touchstone import sweep_text

ROOT = Path(__file__).parents[2]
SWEEP = (3.0e6, 4.0e6, 41)
EVEN = np.linspace(*SWEEP)
# A free list: clusters, as a reading asks for them.
FREE = np.concatenate([np.linspace(centre - 6e3, centre + 6e3, 7) for centre in (3.47e6, 3.5e6, 3.53e6)])
# Waits are short, or two thousand mishaps would take a day; a loaded machine gets the benefit of the doubt.
TIMEOUT_S = 0.25
STUCK_S = 60.0
WORKERS = 12


@dataclass(frozen=True)
class Bench:
    """One instrument on its wire: take a reading, end the mishaps, and whether one has struck."""

    read: Callable[[], None]
    mend: Callable[[], None]
    struck: Callable[[], bool]


class Wrong(Exception):
    """A reading that is not the world's."""


def check_sweep(sweep: Sweep, tank: Any, tolerance: float, expected: Any = EVEN) -> None:
    if sweep.f_hz.shape != expected.shape or not np.allclose(sweep.f_hz, expected, rtol=0, atol=1.0):
        raise Wrong("frequencies")
    if not np.allclose(sweep.s11, tank.reflection(sweep.f_hz), rtol=0, atol=tolerance):
        raise Wrong("reflection")


@contextmanager
def scpi_analyzer(rng: random.Random, fault: Fault, form: Any, lists: bool = False) -> Iterator[Bench]:
    tank = worlds.TankWorld()
    with serve_scpi_analyzer(
        tank, speed=1000.0, faults=Faults([fault], seed=rng.randrange(1 << 30))
    ) as server:
        held: list[ScpiAnalyzer] = []

        def read() -> None:
            if not held:
                most = 101 if lists else 0
                held.append(
                    ScpiAnalyzer(server.address, data_format=form, timeout_s=TIMEOUT_S, list_points=most)
                )
            if lists:
                check_sweep(held[0].sweep_at(FREE), tank, 2e-9, FREE)
            else:
                check_sweep(held[0].sweep(*SWEEP), tank, 2e-9)

        def mend() -> None:
            server.faults.clear()
            server.wire.plug_in()

        yield Bench(read, mend, lambda: bool(server.faults.taken))
        for one in held:
            one.close()


@contextmanager
def lines_analyzer(rng: random.Random, fault: Fault, kind: Any) -> Iterator[Bench]:
    tank = worlds.TankWorld()
    text = (kind.text + invented.LIMITS.format(most=kind.most)).replace(
        "timeout_s = 0.12", f"timeout_s = {TIMEOUT_S}"
    )
    described = parse_description(text, kind.__name__)
    # Where every sweep comes twice, the mean of the two may keep half of the difference that is let pass as noise.
    tolerance = 1e-6 if kind is invented.Finch else 2.6e-3
    with LinesServer(
        kind(tank), terminal=False, faults=Faults([fault], seed=rng.randrange(1 << 30))
    ) as server:
        held: list[LinesAnalyzer] = []

        def read() -> None:
            if not held:
                held.append(LinesAnalyzer(server.address, described))
            if kind in invented.LISTERS:
                check_sweep(held[0].sweep_at(FREE), tank, tolerance, FREE)
            else:
                check_sweep(held[0].sweep(*SWEEP), tank, tolerance)

        def mend() -> None:
            server.faults.clear()
            server.wire.plug_in()

        yield Bench(read, mend, lambda: bool(server.faults.taken))
        for one in held:
            one.close()


@contextmanager
def generator(rng: random.Random, fault: Fault, scpi: bool) -> Iterator[Bench]:
    """A setting that is confirmed is the one that the world has; after an error the output is off, once it can be reached."""
    world = worlds.OutputWorld()
    faults = Faults([fault], seed=rng.randrange(1 << 30))
    described = parse_description(
        (ROOT / "drivers/descriptions/simulated-generator.toml")
        .read_text(encoding="utf-8")
        .replace("timeout_s = 2.0", f"timeout_s = {TIMEOUT_S}")
    )
    server: Any = (
        serve_scpi_generator(world, faults=faults)
        if scpi
        else LinesServer(SimulatedLinesGenerator(world), terminal=False, faults=faults)
    )
    with server:
        held: list[Any] = []

        def read() -> None:
            if not held:
                held.append(
                    ScpiGenerator(server.address, timeout_s=TIMEOUT_S)
                    if scpi
                    else LinesGenerator(server.address, described)
                )
            f_hz, level = float(rng.randrange(10**6, 10**7)), -float(rng.randrange(10, 40))
            held[0].set(f_hz, level)
            held[0].output(True)
            if world.history[-1] != (f_hz, level, True):
                raise Wrong(f"{world.history[-1]} for {f_hz, level}")

        def mend() -> None:
            server.faults.clear()
            server.wire.plug_in()

        yield Bench(read, mend, lambda: bool(server.faults.taken))
        for one in held:
            one.close()
        if world.on:
            raise Wrong("the output is still on")


@contextmanager
def sensor(rng: random.Random, fault: Fault, terminal: bool) -> Iterator[Bench]:
    knob = worlds.KnobWorld()
    server = serve_sensor(knob, terminal=terminal, faults=Faults([fault], seed=rng.randrange(1 << 30)))
    with server:
        held: list[FramedSensor] = []

        def read() -> None:
            if not held:
                held.append(FramedSensor(server.address, timeout_s=2.0))
            samples: list[Any] = []
            try:
                held[0].flush()
                while len(samples) < 300:
                    new = held[0].read(2.0)
                    if not new:
                        raise Wrong("the stream stopped without a word")
                    samples += new
            except WireError:
                held.pop().close()
                raise
            slots = np.rint(np.array([one.t_s for one in samples]) * 100).astype(int)
            step = 0.5 / 4095 + 1e-12
            if not (np.diff(slots) > 0).all():
                raise Wrong("order")
            for got, true in (("angle", knob.angle(slots)), ("level", knob.level(slots))):
                if not np.allclose([getattr(one, got) for one in samples], true, rtol=0, atol=step):
                    raise Wrong(got)

        def mend() -> None:
            server.faults.clear()
            server.plug_in(new_port=True)

        yield Bench(read, mend, lambda: bool(server.faults.taken))
        for one in held:
            one.close()


@contextmanager
def folder(rng: random.Random, fault: Fault, _: Any) -> Iterator[Bench]:
    tank = worlds.TankWorld()
    f_hz = np.linspace(*SWEEP)
    good = sweep_text(f_hz, tank.reflection(f_hz)).encode()
    sound = threading.Event()
    with tempfile.TemporaryDirectory() as place:
        told: list[str] = []
        analyzer = FolderAnalyzer(place, wait_s=2.5, tell=told.append)
        number = iter(range(1000))

        def spoiled() -> bytes:
            lines = good.splitlines(keepends=True)
            at = rng.randrange(2, len(lines))
            if fault.kind == "duplicate":
                return b"".join([*lines[: at + 1], lines[at], *lines[at + 1 :]])
            if fault.kind == "reorder":
                at = min(at, len(lines) - 2)
                lines[at], lines[at + 1] = lines[at + 1], lines[at]
                return b"".join(lines)
            if fault.kind in ("cut", "truncate"):
                return good[: rng.randrange(len(good) - 20)]
            if fault.kind in ("endless line", "endless stream"):
                return good + b"7" * 5_000_000
            lines[at] = damage(lines[at], fault, rng)
            return b"".join(lines)

        def save() -> None:
            file = Path(place) / f"{next(number)}.s1p"
            if sound.is_set() or fault.kind in ("drop", "reset", "unplug"):
                if sound.is_set():
                    file.write_bytes(good)
            elif fault.kind in ("stall", "drip"):
                with file.open("wb", buffering=0) as handle:
                    for at in range(0, len(good), 900):
                        handle.write(good[at : at + 900])
                        time.sleep(0.3)
            else:
                file.write_bytes(spoiled())

        def read() -> None:
            timer = threading.Timer(0.1, save)
            timer.start()
            try:
                check_sweep(analyzer.sweep(*SWEEP), tank, 1e-9)
            finally:
                timer.join()

        yield Bench(read, sound.set, lambda: True)
        analyzer.close()


@contextmanager
def sound(rng: random.Random, fault: Fault, _: Any) -> Iterator[Bench]:
    """A WAV file that is cut, spoiled in its head, or missing; levels that come are the sound's own, as far as it goes."""
    rate = 8000
    loud = 0.1 + 0.8 * (np.arange(2 * rate) // 800 % 7) / 7.0
    wave = (loud * np.sin(2 * np.pi * 2000.0 * np.arange(2 * rate) / rate) * 32000).astype(np.int16)
    # The root mean square of a sine, as a share of full scale.
    steady = (0.1 + 0.8 * np.arange(7) / 7.0) * 32000 / 32768 / np.sqrt(2)
    with tempfile.TemporaryDirectory() as place:
        path = Path(place) / "set.wav"
        wavfile.write(path, rate, wave)
        good = path.read_bytes()
        sound_again = threading.Event()

        def read() -> None:
            data = good
            if not sound_again.is_set():
                if fault.kind in ("cut", "truncate", "count"):
                    data = good[: rng.randrange(len(good))]
                elif fault.kind in ("endless line", "endless stream"):
                    data = good + b"7" * 1_000_000
                else:
                    head = bytearray(good)
                    for _ in range(fault.amount):
                        head[rng.randrange(44)] = rng.randrange(256)
                    data = bytes(head)
            path.unlink(missing_ok=True)
            if fault.kind not in ("drop", "unplug") or sound_again.is_set():
                path.write_bytes(data)
            with warnings.catch_warnings():
                warnings.simplefilter("ignore")
                meter = SoundMeter(WavFile(str(path), pace=2.0))
            levels: list[float] = []
            until = time.monotonic() + 1.5
            while len(levels) < 60 and time.monotonic() < until:
                levels += [one.level for one in meter.read(0.3)]
            # A head that names another rate or width makes other sounds, which nothing can tell; the rest must be this one's.
            whole_head = sound_again.is_set() or fault.kind in (
                "cut",
                "truncate",
                "count",
                "endless line",
                "endless stream",
            )
            for at, level in enumerate(levels):
                # Loudness steps every five blocks; the filter settles within two.
                if whole_head and at % 5 in (2, 3) and abs(level / (steady[at // 5 % 7]) - 1.0) > 0.03:
                    raise Wrong(f"level {level:.3f} in block {at}")
            if sound_again.is_set() and len(levels) < 60:
                raise Wrong("levels are missing")

        yield Bench(read, sound_again.set, lambda: True)


# Where in the exchange the mishap strikes; an empty name is any message.
LIST_PHASES = ("", "MODE", "LIST:FREQuency", "ERRor", "OPC", "CALCulate:DATA", "ESE")
SCPI_PHASES = ("", "IDN", "POINts", "STARt", "STOP", "ERRor", "OPC", "CALCulate:DATA", "ESE")
GENERATOR_PHASES = ("", "IDN", "FREQuency", "POWer", "STATe", "ERRor", "OPC")
TARGETS: dict[str, tuple[Any, tuple[str, ...]]] = {
    "SCPI analyzer, text": (partial(scpi_analyzer, form="ascii"), SCPI_PHASES),
    "SCPI analyzer, blocks": (partial(scpi_analyzer, form="real"), SCPI_PHASES),
    "SCPI analyzer, lists": (partial(scpi_analyzer, form="ascii", lists=True), LIST_PHASES),
    "SCPI generator": (partial(generator, scpi=True), GENERATOR_PHASES),
    **{
        f"lines analyzer {kind.__name__}": (partial(lines_analyzer, kind=kind), ("", "line", "line", "line"))
        for kind in (*invented.BIRDS, *invented.LISTERS)
    },
    "lines generator": (partial(generator, scpi=False), ("", "line")),
    "sensor, socket": (partial(sensor, terminal=False), ("sample", "sample", "identity", "token")),
    "sensor, terminal": (partial(sensor, terminal=True), ("sample", "sample", "identity", "token")),
    "folder": (partial(folder, _=None), ("file",)),
    "sound": (partial(sound, _=None), ("file",)),
}
NO_FOLDER: set[Kind] = {"garble", "range", "wrong", "nan", "count"}


def case(seed: int) -> tuple[str, Kind, str, str]:
    """One mishap: target, kind, what came out, and more words where that was not allowed."""
    rng = random.Random(seed)
    names = list(TARGETS)
    target = names[seed % len(names)]
    kind = KINDS[seed // len(names) % len(KINDS)]
    make, phases = TARGETS[target]
    after = rng.randrange(200) if phases[0] == "sample" else rng.randrange(40 if "lines" in target else 6)
    where = rng.choice(phases)
    if where in ("identity", "token"):
        after = 0
    seconds = rng.choice([0.002, 0.01]) if kind == "drip" else rng.choice([0.01, 0.1, 0.4, 1.0])
    fault = Fault(kind, "" if where == "file" else where, after, seconds, rng.randrange(1, 6))
    began = time.monotonic()
    named = 0
    try:
        with make(rng, fault) as bench:
            for attempt in range(12):
                if attempt == 3:
                    bench.mend()
                try:
                    bench.read()
                except WireError:
                    named += 1
                    continue
                if attempt >= 1 + (named > 0) and (bench.struck() or attempt >= 4):
                    break
            else:
                return target, kind, "not back", f"{fault} seed {seed}"
            struck = bench.struck()
    except Wrong as what:
        return target, kind, "wrong", f"{what}: {fault} seed {seed}"
    except WireError as problem:
        return target, kind, "not back", f"{problem}: {fault} seed {seed}"
    except Exception as problem:
        return target, kind, "unnamed", f"{type(problem).__name__} {problem}: {fault} seed {seed}"
    if time.monotonic() - began > STUCK_S:
        return target, kind, "stuck", f"{time.monotonic() - began:.0f} s: {fault} seed {seed}"
    return target, kind, "named" if named else "right" if struck else "no strike", ""


def main(cases: int) -> int:
    folder_module.GRACE_S = 1.0
    seeds = [
        seed
        for seed in range(2 * cases)
        if not (
            list(TARGETS)[seed % len(TARGETS)] == "folder"
            and KINDS[seed // len(TARGETS) % len(KINDS)] in NO_FOLDER
        )
    ][:cases]
    began = time.monotonic()
    with ThreadPoolExecutor(WORKERS) as pool:
        outcomes = list(pool.map(case, seeds))
    columns = ("right", "named", "no strike", "wrong", "unnamed", "stuck", "not back")
    console = Console(width=110)
    for title, key in (("by wire", 0), ("by mishap", 1)):
        counts: dict[str, Counter[str]] = {}
        for outcome in outcomes:
            counts.setdefault(outcome[key], Counter())[outcome[2]] += 1
        table = Table("", "cases", *columns, title=title)
        for name, count in counts.items():
            table.add_row(name, str(count.total()), *(str(count[column]) for column in columns))
        console.print(table)
    bad = [outcome for outcome in outcomes if outcome[2] not in ("right", "named", "no strike")]
    for target, _, what, words in bad:
        console.print(f"{target}: {what}: {words}", highlight=False)
    console.print(f"{len(outcomes)} cases in {time.monotonic() - began:.0f} s, {len(bad)} not allowed")
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main(int(sys.argv[1]) if len(sys.argv) > 1 else 2000))
