"""One run of `page`: serve, measure or watch, stay until told to end."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from typing import TYPE_CHECKING

from bench.errors import BenchError, SessionError
from bench.measuring.operator import Stopped
from bench.measuring.run import measure
from bench.measuring.wanted import still_wanted
from bench.page.desk import Choice, Desk, Now, Wished
from bench.page.seat import Seat
from bench.page.server import PageServer
from bench.session.folder import Session
from drivers.errors import WireError

if TYPE_CHECKING:
    from bench.virtual.hands import VirtualBench

WATCH_EVERY_S = 0.5
GO_ON = Choice("go-on", "Go on measuring")
END = Choice("end", "End")


@contextmanager
def served(*, port: int, closed: str, open_browser: bool) -> Iterator[Desk]:
    """A desk with its page served; tells the address on stderr. While `closed`, measuring does go on or `pause`."""
    desk = Desk(pause_when_closed=closed == "pause")
    with PageServer(desk, port) as server:
        print(f"The bench page: {server.address}", file=sys.stderr, flush=True)
        if open_browser:
            import webbrowser

            webbrowser.open(server.address)
        yield desk


def run_page(
    session: Session,
    desk: Desk,
    *,
    kinds: Sequence[str] = (),
    coils: Sequence[str] = (),
    cold: bool = False,
    watch: bool = False,
    bench: VirtualBench | None = None,
) -> None:
    """Measure at the page, or watch another run; returns when the page was told to end."""
    while True:
        held = "" if watch else _held(session)
        if watch or held:
            _watch(session, desk, cold, held)
        else:
            # What went wrong stands on the page, and in what `measure` says.
            with suppress(Stopped, BenchError, WireError), seated(session, desk, cold=cold) as seat:
                measure(session, kinds=kinds, coils=coils, cold=cold, bench=bench, seat=seat)
        lacking = still_wanted(session, kinds, coils, cold=cold)
        if desk.after((GO_ON, END) if lacking else (END,)) == END.name:
            return
        watch = False


def _held(session: Session) -> str:
    """Why the session cannot be measured here; empty if it can."""
    try:
        with session.lock():
            return ""
    except SessionError as problem:
        return str(problem)


@contextmanager
def seated(session: Session, desk: Desk, *, cold: bool = False) -> Iterator[Seat]:
    """The operator's seat for one run; the page says how the run ended, whichever way it did."""
    seat = Seat(session, desk, cold=cold)
    try:
        yield seat
    except Stopped:
        _end(seat, "Stopped")
        raise
    except (BenchError, WireError) as problem:
        seat.end()
        desk.tell(Now((str(problem),), kind="trouble"))
        raise
    _end(seat, "")


def _end(seat: Seat, head: str) -> None:
    seat.end()
    lacking = len(still_wanted(seat.session, (), (), cold=seat.cold))
    seat.desk.tell(_over(seat.session, head, lacking))


def _over(session: Session, head: str, lacking: int) -> Now:
    if lacking:
        return Now((head or "The end of this run",), f"{lacking} readings still lacking.", "over")
    return Now((head or "All readings are recorded",), f"Next: regenbench fit {session.path}", "over")


def _watch(session: Session, desk: Desk, cold: bool, why: str) -> None:
    """Show what another run records, until it ends or the watching is stopped."""
    seat = Seat(session, desk, cold=cold)
    seat.blank("the control is watched by the run that measures")
    who = why.partition(". ")[0] if why else "Only watching"
    desk.tell(Now(("Watching",), f"{who}. Readings show here as they are recorded."))
    desk.allow(("stop",))
    looked_at = 0.0
    with suppress(Wished):
        while not why or _held(session):
            desk.heed()
            if time.monotonic() - looked_at > WATCH_EVERY_S:
                seat.refresh()
                looked_at = time.monotonic()
            time.sleep(0.1)
    _end(seat, "No longer watching")
