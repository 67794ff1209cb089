"""Which reading is next, and what happens when one fails."""

from __future__ import annotations

from collections.abc import Sequence

from bench.errors import ReadingError
from bench.measuring.bench import Bench
from bench.measuring.kinds import Wanted, kind
from bench.measuring.operator import Again, Skipped
from drivers.errors import WireError

MOST_TRIES = 3


class Runner:
    """Takes readings one after another; every row is on disk before the next reading starts."""

    def __init__(self, bench: Bench) -> None:
        self.bench = bench

    def run(self, wanted: Sequence[Wanted]) -> tuple[int, list[str]]:
        """Take the readings in order; returns how many rows were recorded, and what was left out and why."""
        bench = self.bench
        recorded, left = 0, []
        for number, item in enumerate(wanted):
            then = wanted[number + 1].words() if number + 1 < len(wanted) else ""
            bench.reporter.reading(item.words(), then)
            try:
                recorded += self._with_retries(item)
            except Skipped as why:
                left.append(f"{item.words()}: {why}")
                bench.reporter.left_out(item.words(), str(why))
                bench.session.log("left-out", reading=item.words(), why=str(why))
        return recorded, left

    def _with_retries(self, item: Wanted) -> int:
        bench, tries = self.bench, 0
        while True:
            tries += 1
            try:
                return kind(item.kind).take(bench, item)
            except Again:
                bench.reporter.say("  taken again from its beginning")
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
