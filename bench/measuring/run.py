"""One run of `measure`: lock the session, gather operator and instruments, take what is lacking."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from contextlib import ExitStack
from dataclasses import dataclass
from typing import TYPE_CHECKING

from bench.errors import ReadingError
from bench.measuring import cautions
from bench.measuring.bench import Bench
from bench.measuring.instruments import Instruments
from bench.measuring.operator import ConsoleOperator, NobodyThere, Operator, VirtualOperator
from bench.measuring.progress import Reporter, reporter
from bench.measuring.runner import Runner
from bench.measuring.sight import Sight
from bench.measuring.wanted import beyond_the_dial, still_wanted
from bench.session.folder import Session
from drivers.errors import WireError

if TYPE_CHECKING:
    from bench.page.seat import Seat
    from bench.virtual.hands import VirtualBench


@dataclass(frozen=True)
class Outcome:
    """What a run did: rows recorded, readings left out (with why), readings still lacking."""

    recorded: int
    left: tuple[str, ...]
    lacking: int


def measure(
    session: Session,
    *,
    kinds: Sequence[str] = (),
    coils: Sequence[str] = (),
    cold: bool = False,
    bench: VirtualBench | None = None,
    seat: Seat | None = None,
) -> Outcome:
    """Take the readings that the plan still lacks.

    Parameters
    ----------
    bench : VirtualBench, optional
        A running virtual bench; its addresses take the place of the plan's, its hands the operator's.
    seat : Seat, optional
        Where the operator sits if not at the terminal: at the live page.

    Raises
    ------
    SessionError
        Another run holds the session.
    drivers.errors.WireError
        An instrument failed three times running.
    """
    for name in coils:
        session.plan.coil_named(name)
    with ExitStack() as stack:
        stack.enter_context(session.lock())
        addresses = bench.addresses if bench else None
        sight = seat.sight if seat is not None else Sight(session.plan.receiver.control)
        looks_on = seat if seat is not None else sight
        instruments = Instruments(session.plan, addresses, session.path, looks_on.seen)
        stack.callback(_let_go, instruments)
        wanted = still_wanted(session, kinds, coils, cold=cold)
        if not wanted:
            return Outcome(0, (), 0)
        screen = stack.enter_context(reporter(len(wanted)))
        sight.tell.append(screen.standing)
        hands = VirtualOperator(bench.hands) if bench is not None else None
        operator: Operator
        if seat is not None:
            operator = seat.operator(hands, screen.say)
            screen = seat.reporter(screen)
        elif hands is not None:
            operator = hands
        else:
            control, unit = session.plan.receiver.control, session.plan.show.capacitance
            person = ConsoleOperator(
                control, screen.ask, screen.say, screen.typed, screen.note, sight.sees_rest, unit
            )
            sight.glance = person.glance
            operator = person
        screen.sight = sight
        instruments.tell = screen.tell
        broken = _first_look(instruments, screen)
        if cautions.needed(session.plan.receiver.supply):
            try:
                operator.caution(cautions.LINES)
            except NobodyThere:
                if broken is not None:
                    raise broken from None
                raise
        session.log("measure", wanted=len(wanted), virtual=bench is not None)
        runner = Runner(Bench(session, operator, instruments, screen, cold))
        recorded, left = runner.run(wanted)
        session.log("measured", recorded=recorded, left=left)
        for told in beyond_the_dial(session, coils, cold=cold):
            screen.say(told)
        lacking = len(still_wanted(session, kinds, coils, cold=cold))
    if wanted and recorded == 0 and left:
        raise ReadingError(f"Nothing was recorded. {left[-1]}")
    return Outcome(recorded, tuple(left), lacking)


def _first_look(instruments: Instruments, screen: Reporter) -> WireError | None:
    """Open what the first reading needs, so that what does not answer is named before anything is asked."""
    try:
        if instruments.has("analyzer"):
            instruments.analyzer()
        elif instruments.has("angle"):
            instruments.sensor()
    except WireError as problem:
        screen.say(str(problem))
        return problem
    return None


def _let_go(instruments: Instruments) -> None:
    for problem in instruments.close():
        print(problem, file=sys.stderr)
