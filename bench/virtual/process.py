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
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import get_args

from bench.errors import BenchError
from bench.virtual.hand_server import HandServer
from drivers.simulators.faults import Fault, Faults, Kind

LEAST_SPEED, MOST_SPEED = 0.1, 1000.0
ROLES = ("analyzer", "generator", "sensor")
FAULT_OPTIONS: dict[str, Callable[[str], str | int | float]] = {
    "where": str,
    "after": int,
    "seconds": float,
    "amount": int,
}
FAULT_FORM = "ROLE:KIND[,where=TEXT][,after=N][,seconds=S][,amount=N]"


def parse_fault(text: str) -> tuple[str, Fault]:
    """`sensor:stall,after=200,seconds=2` to the role it happens to and the fault.

    Raises
    ------
    argparse.ArgumentTypeError
        It is not written like that.
    """
    head, *options = text.split(",")
    role, _, kind = head.partition(":")
    if role not in ROLES or kind not in get_args(Kind):
        raise argparse.ArgumentTypeError(
            f"{text!r} is not {FAULT_FORM}; roles are {', '.join(ROLES)}, kinds {', '.join(get_args(Kind))}"
        )
    changes: dict[str, str | int | float] = {}
    for option in options:
        key, _, value = option.partition("=")
        if key not in FAULT_OPTIONS:
            raise argparse.ArgumentTypeError(f"{key!r} in {text!r} is not one of {', '.join(FAULT_OPTIONS)}")
        try:
            changes[key] = FAULT_OPTIONS[key](value)
        except ValueError as problem:
            raise argparse.ArgumentTypeError(f"{value!r} in {text!r} is not a number") from problem
    return role, replace(Fault(kind), **changes)  # type: ignore[arg-type]


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
        type=parse_fault,
        action="append",
        default=[],
        metavar=FAULT_FORM,
        help="something that goes wrong",
    )
    return parser.parse_args(argv)


def _parent_gone() -> None:
    """Returns when standard input has closed."""
    try:
        while os.read(sys.stdin.fileno(), 4096):
            pass
    except OSError:
        return


def serve(arguments: argparse.Namespace) -> None:
    """Draw the truth, open every door, tell where they are, and wait for the end.

    Raises
    ------
    BenchError
        The plan cannot be used.
    """
    from bench.plan import load_plan
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
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda *_: ended.set())
    with ExitStack() as doors:
        analyzer = doors.enter_context(serve_scpi_analyzer(world, speed=speed, faults=faults["analyzer"]))
        generator = doors.enter_context(serve_scpi_generator(world, faults=faults["generator"]))
        sensor = doors.enter_context(SensorServer(world, faults=faults["sensor"]))
        hands = HandServer(world, speed)
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
