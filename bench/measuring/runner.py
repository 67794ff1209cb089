"""Which reading is next, and what happens when one fails or the operator wants something else."""

from __future__ import annotations

from collections.abc import Sequence

from bench.errors import ReadingError
from bench.measuring.bench import Bench
from bench.measuring.kinds import Wanted, kind
from bench.measuring.operator import Again, Paused, Skipped, Withdrawn
from drivers.errors import WireError

MOST_TRIES = 3


class Runner:
    """Takes readings one after another; every row is on disk before the next reading starts."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench
        # Readings of this run with rows on record, each with where its rows begin in `bench.made`.
        self._done: list[tuple[Wanted, int]] = []

    def run(self, wanted: Sequence[Wanted]) -> tuple[int, list[str]]:
        """Take the readings in order; returns how many rows were recorded, and what was left out and why."""
        bench = self.bench
        left: list[str] = []
        coming = list(wanted)
        while coming:
            item = coming.pop(0)
            bench.reporter.reading(item.words(), coming[0].words() if coming else "")
            begun = len(bench.made)
            try:
                self._with_retries(item, begun)
            except Withdrawn:
                bench.note_down(item)
                coming[:0] = [*self._taken_back(begun), item]
                continue
            except Skipped as why:
                left.append(f"{item.words()}: {why}")
                bench.reporter.left_out(item.words(), str(why))
                bench.session.log("left-out", reading=item.words(), why=str(why))
            except BaseException:
                bench.finish(item, begun)
                raise
            bench.finish(item, begun)
            if len(bench.made) > begun:
                self._done.append((item, begun))
        return len(bench.made), left

    def _taken_back(self, begun: int) -> list[Wanted]:
        """Withdraw the last reading on record, and what the present one has recorded so far."""
        bench = self.bench
        if not self._done:
            bench.withdraw_from(begun, "taken again")
            bench.reporter.say("  nothing was recorded in this run that could be withdrawn")
            return []
        item, first = self._done.pop()
        bench.withdraw_from(first, "withdrawn at the bench")
        bench.reporter.taken_back(item.words())
        bench.session.log("withdrawn", reading=item.words())
        return [item]

    def _with_retries(self, item: Wanted, begun: int) -> None:
        bench, tries = self.bench, 0
        while True:
            tries += 1
            try:
                kind(item.kind).take(bench, item)
            except Again:
                bench.withdraw_from(begun, "taken again")
                bench.reporter.say("  taken again from its beginning")
                tries = 0
            except Paused:
                bench.withdraw_from(begun, "taken again")
                bench.instruments.reopen()
                bench.session.log("paused", reading=item.words())
                if not bench.operator.retry(
                    f"Paused before {item.words()}; the instruments are let go of and everything recorded is on disk."
                ):
                    raise Skipped("left out after a pause") from None
                tries = 0
            except (WireError, ReadingError) as problem:
                bench.session.log("fault", reading=item.words(), attempt=tries, what=str(problem))
                if isinstance(problem, WireError):
                    bench.instruments.reopen()
                if tries < MOST_TRIES:
                    bench.reporter.say(f"  {problem} Trying again ({tries + 1} of {MOST_TRIES}).")
                    continue
                if bench.operator.retry(f"{item.words()} failed {MOST_TRIES} times. {problem}"):
                    tries = 0
                    continue
                if isinstance(problem, WireError):
                    raise
                raise Skipped(str(problem)) from problem
            else:
                return
