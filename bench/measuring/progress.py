"""What the person at the bench sees while readings are taken.

On a terminal: a line that says what is being done, a bar, and what comes next. Into a file or a pipe: plain lines.
"""

from __future__ import annotations

import sys
from types import TracebackType
from typing import TYPE_CHECKING, Self

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

    from bench.measuring.sight import Sight, Standing
    from bench.physics.resonance import Resonance
    from bench.readings.turning import Stops
    from drivers.roles import Complexes, Floats


class Reporter:
    """Plain lines on stderr; each starts with how far along the session is."""

    def __init__(self, total: int) -> None:
        self.total = total
        self.done = 0
        self.left = 0
        self.sight: Sight | None = None
        self._noted: list[str] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        return None

    def _count(self) -> str:
        width = len(str(self.total))
        left = f", {self.left} left out" if self.left else ""
        return f"[{self.done:>{width}}/{self.total}{left}]"

    def say(self, text: str) -> None:
        """One line for the operator."""
        print(text, file=sys.stderr, flush=True)

    def tell(self, text: str) -> None:
        """What an instrument that needs hands asks of the operator."""
        self.say(text)

    def ask(self, prompt: str) -> str:
        """Prompt on stderr, one typed line back; the end of input stops the run."""
        from bench.measuring.operator import NobodyThere

        print(prompt, end="", file=sys.stderr, flush=True)
        line = sys.stdin.readline()
        if not line:
            raise NobodyThere(
                "Stopped: no more input. What was recorded is kept; run the same command to go on."
            )
        return line.rstrip("\n")

    def typed(self) -> str | None:
        """A line typed meanwhile at a terminal, without waiting for one; never any on Windows or from a pipe."""
        if sys.platform == "win32" or not sys.stdin.isatty():
            return None
        import select

        ready, _, _ = select.select([sys.stdin], [], [], 0)
        line = sys.stdin.readline() if ready else ""
        return line.rstrip("\n") if line else None

    def note(self, text: str) -> None:
        """The operator's words on the reading in hand."""
        self._noted.append(text)

    def notes(self) -> list[str]:
        """What was noted since the last call."""
        found, self._noted = self._noted, []
        return found

    def reading(self, what: str, then: str) -> None:
        """A reading begins; `then` is what comes after it."""
        after = f"   (next: {then})" if then else ""
        self.say(f"{self._count()} {what}{after}")

    def detail(self, text: str) -> None:
        """How the reading stands; may be overwritten by the next."""

    def left_out(self, what: str, why: str) -> None:
        """A reading was left out."""
        self.left += 1
        self.say(f"  left out: {what}: {why}")

    def taken_back(self, what: str) -> None:
        """A recorded reading was withdrawn; it will be taken again."""
        self.done -= 1
        self.say(f"  withdrawn: {what}; it is taken again now")

    def sweep(self, title: str, f_hz: Floats, s11: Complexes, found: Resonance | None) -> None:
        """A sweep has come in: all points of the reading so far, and the fit to them (None while there is none)."""

    def stops(self, stops: Stops) -> None:
        """The control's end stops have been learned."""
        if self.sight is not None:
            self.sight.learned(stops)

    def standing(self, now: Standing) -> None:
        """Where the control stands and how loud it is; may be overwritten by the next."""

    def result(self, text: str, readings: int = 1) -> None:
        """Readings are on disk."""
        self.done += readings
        self.say(f"{self._count()}   {text}")


class LiveReporter(Reporter):
    """A bar at the foot of the terminal, results scrolling above it."""

    def __init__(self, total: int) -> None:
        super().__init__(total)
        from rich.console import Console
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

        self._console = Console(stderr=True, highlight=False, soft_wrap=True)
        self._bar: Progress = Progress(
            TextColumn("{task.description}"),
            BarColumn(bar_width=24),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
            console=self._console,
        )
        self._task: TaskID = self._bar.add_task("starting", total=total)
        self._then = ""
        self._what = ""
        self._stands = ""

    def __enter__(self) -> Self:
        self._bar.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._bar.stop()

    def say(self, text: str) -> None:
        self._console.print(text, markup=False)

    def ask(self, prompt: str) -> str:
        self._bar.stop()
        try:
            return super().ask(prompt)
        finally:
            self._bar.start()

    def reading(self, what: str, then: str) -> None:
        self._then = f"   next: {then}" if then else "   the last one"
        self.detail(what)

    def detail(self, text: str) -> None:
        self._what = text
        self._draw()

    def standing(self, now: Standing) -> None:
        self._stands = f"   {now.words()}"
        self._draw()

    def _draw(self) -> None:
        line = f"{self._what}{self._stands}{self._then}"
        self._bar.update(self._task, description=line.replace("[", "("))

    def left_out(self, what: str, why: str) -> None:
        super().left_out(what, why)
        self._bar.update(self._task, completed=self.done + self.left)

    def result(self, text: str, readings: int = 1) -> None:
        self.done += readings
        self._bar.update(self._task, completed=self.done + self.left)
        self.say(f"{self._count()} {text}")


def reporter(total: int) -> Reporter:
    """The reporter that suits where stderr goes."""
    return LiveReporter(total) if sys.stderr.isatty() else Reporter(total)
