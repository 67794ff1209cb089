"""The virtual bench's own process: `python -m bench.virtual --plan PLAN`.

Prints one JSON line with the addresses of its instruments and of the hands, then serves until its standard input closes
(so it dies with whoever started it) or until SIGTERM.
"""

from __future__ import annotations

import argparse
import json
import os
import signal
import sys
import threading
import time
from collections.abc import Sequence
from contextlib import ExitStack
from pathlib import Path
from typing import TYPE_CHECKING

from bench.errors import BenchError
from bench.virtual.hand_server import Cable, HandServer
from bench.virtual.mishaps import FAULT_FORM, ROLES, NotAFault, parse_fault
from drivers.simulators.faults import Fault, Faults

if TYPE_CHECKING:
    from drivers.simulators.loopback import LoopbackServer
    from drivers.simulators.scpi import ScpiServer
    from drivers.simulators.sensor import SensorServer

LEAST_SPEED, MOST_SPEED = 0.1, 1000.0


def _fault(text: str) -> tuple[str, Fault]:
    try:
        return parse_fault(text)
    except NotAFault as problem:
        raise argparse.ArgumentTypeError(str(problem)) from problem


def _arguments(argv: Sequence[str] | None) -> argparse.Namespace:
    parser = argparse.ArgumentParser(
        prog="python -m bench.virtual", description="A simulated set behind simulated instruments."
    )
    parser.add_argument(
        "--plan", type=Path, required=True, help="the plan that the hidden truth is drawn around"
    )
    parser.add_argument("--seed", type=int, help="of the hidden truth (default: the plan's)")
    parser.add_argument("--speed", type=float, help="world seconds to a second of life (default: the plan's)")
    parser.add_argument(
        "--truth", type=Path, help="write the truth here, for tests and the demo to compare with"
    )
    parser.add_argument(
        "--fault",
        type=_fault,
        action="append",
        default=[],
        metavar=FAULT_FORM,
        help="something that goes wrong",
    )
    return parser.parse_args(argv)


def _parent_gone() -> None:
    """Returns when standard input has closed."""
    if sys.stdin is None:
        return
    try:
        while os.read(sys.stdin.fileno(), 4096):
            pass
    except OSError:
        return


def _cable(server: ScpiServer | SensorServer, wire: LoopbackServer | SensorServer) -> Cable:
    return Cable(lambda: server.address, server.faults, wire.unplug, wire.plug_in)


def serve(arguments: argparse.Namespace) -> None:
    """Draw the truth, open every door, tell where they are, and wait for the end.

    Raises
    ------
    BenchError
        The plan cannot be used.
    """
    from bench.plan.schema import load_plan
    from bench.virtual.scenario import draw
    from bench.virtual.truth import truth_of
    from bench.virtual.world import SetWorld
    from drivers.simulators.scpi import serve_scpi_analyzer, serve_scpi_generator
    from drivers.simulators.sensor import SensorServer

    plan = load_plan(arguments.plan)
    seed = plan.virtual.seed if arguments.seed is None else arguments.seed
    speed = plan.virtual.speed if arguments.speed is None else arguments.speed
    if not LEAST_SPEED <= speed <= MOST_SPEED:
        raise BenchError(
            f"The virtual bench runs {LEAST_SPEED:g} to {MOST_SPEED:g} times faster than life, not {speed:g}."
        )
    hidden = draw(plan, seed)
    if arguments.truth is not None:
        try:
            arguments.truth.write_text(json.dumps(truth_of(plan, hidden), indent=1) + "\n", encoding="utf-8")
        except OSError as problem:
            raise BenchError(
                f"The truth cannot be written to {arguments.truth}: {problem.strerror}."
            ) from problem

    faults = {
        role: Faults((fault for at, fault in arguments.fault if at == role), seed=seed) for role in ROLES
    }
    started = time.monotonic()
    world = SetWorld(hidden, lambda: (time.monotonic() - started) * speed)
    ended = threading.Event()
    # Python runs signal handlers in the main thread only, and only between its own steps: it waits in `ended`.
    signal.signal(signal.SIGTERM, lambda *_: ended.set())
    # Ctrl-C at a terminal reaches the whole family; whoever started this process decides for it.
    alone = sys.stdin is not None and sys.stdin.isatty()
    signal.signal(signal.SIGINT, (lambda *_: ended.set()) if alone else signal.SIG_IGN)
    with ExitStack() as doors:
        analyzer = doors.enter_context(serve_scpi_analyzer(world, speed=speed, faults=faults["analyzer"]))
        generator = doors.enter_context(serve_scpi_generator(world, faults=faults["generator"]))
        sensor = doors.enter_context(SensorServer(world, faults=faults["sensor"]))
        hands = HandServer(
            world,
            speed,
            {
                "analyzer": _cable(analyzer, analyzer.wire),
                "generator": _cable(generator, generator.wire),
                "sensor": _cable(sensor, sensor),
            },
        )
        doors.callback(hands.close)
        addresses = {
            "analyzer": analyzer.address,
            "generator": generator.address,
            "sensor": sensor.address,
            "hands": hands.address,
            "speed": speed,
            "seed": seed,
        }
        print(json.dumps(addresses), flush=True)

        def watch() -> None:
            _parent_gone()
            ended.set()

        threading.Thread(target=watch, name="parent", daemon=True).start()
        ended.wait()


def main(argv: Sequence[str] | None = None) -> int:
    """Entry of the process; returns the exit code."""
    arguments = _arguments(argv)
    try:
        serve(arguments)
    except BenchError as problem:
        print(problem, file=sys.stderr)
        return 1
    return 0
