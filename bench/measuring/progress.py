"""What the person at the bench sees while readings are taken.

On a terminal: a line that says what is being done, a bar, and what comes next. Into a file or a pipe: plain lines.
"""

from __future__ import annotations

import sys
from types import TracebackType
from typing import TYPE_CHECKING, Self

from bench.wrapping import wrapped

if TYPE_CHECKING:
    from rich.progress import Progress, TaskID

    from bench.measuring.sight import Sight, Standing
    from bench.physics.resonance import Resonance
    from bench.readings.level_fit import LevelSweep
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
        print(_fitted(text) if sys.stderr.isatty() else text, file=sys.stderr, flush=True)

    def tell(self, text: str) -> None:
        """What an instrument that needs hands asks of the operator."""
        self.say(text)

    def ask(self, prompt: str) -> str:
        """Prompt on stderr, one typed line back; the end of input stops the run."""
        from bench.measuring.operator import NobodyThere

        shown = f"{wrapped(prompt.rstrip(), '', '  ')} " if sys.stderr.isatty() else prompt
        print(shown, end="", file=sys.stderr, flush=True)
        line = sys.stdin.readline()
        if not (line.endswith("\n") and sys.stdin.isatty()):
            # Nobody's Enter has ended the line of the prompt; what comes next begins its own.
            print(file=sys.stderr, flush=True)
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

    def level_sweep(self, title: str, sweep: LevelSweep) -> None:
        """A sweep by generator and detector has come further."""

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
    """What is done now at the foot of the terminal, results scrolling above it."""

    def __init__(self, total: int) -> None:
        super().__init__(total)
        from rich.console import Console

        self._console = Console(stderr=True, highlight=False)
        self._what = self._reading = self._stands = self._then = ""
        # The reading under way as a line to stand above its prompts, once.
        self._headed = True
        self._begun = self._console.get_time()
        self._foot, self._task = self._made_foot()

    def _made_foot(self) -> tuple[Progress, TaskID]:
        """Up to three lines that go when a prompt comes: the reading, where the control stands, how far along."""
        from collections.abc import Iterable

        from rich.console import RenderableType
        from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn
        from rich.table import Column
        from rich.text import Text

        screen = self

        class Foot(Progress):
            def get_renderables(self) -> Iterable[RenderableType]:
                for line in filter(None, (screen._what, screen._stands)):
                    yield Text(line, no_wrap=True, overflow="ellipsis")
                yield self.make_tasks_table(self.tasks)

        foot = Foot(
            BarColumn(bar_width=20),
            MofNCompleteColumn(),
            TimeElapsedColumn(),
            TextColumn(
                "{task.description}",
                markup=False,
                table_column=Column(no_wrap=True, overflow="ellipsis", ratio=1),
            ),
            console=self._console,
            transient=True,
            expand=True,
        )
        task = foot.add_task(self._then, total=self.total, completed=self.done + self.left)
        foot.tasks[0].start_time = self._begun
        return foot, task

    def __enter__(self) -> Self:
        self._foot.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, problem: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._foot.stop()

    def say(self, text: str) -> None:
        self._console.print(_fitted(text), markup=False)

    def ask(self, prompt: str) -> str:
        self._foot.stop()
        if not self._headed:
            self._headed = True
            self.say(f"{self._count()} {self._reading}")
        try:
            return super().ask(prompt)
        finally:
            # One that was stopped would begin by wiping as many lines as it had, the prompt's among them.
            self._foot, self._task = self._made_foot()
            self._foot.start()

    def reading(self, what: str, then: str) -> None:
        self._headed = False
        self._reading = what
        self._stands = ""
        self._then = f"next: {then}" if then else "the last one"
        self.detail(what)

    def detail(self, text: str) -> None:
        self._what = text
        self._draw()

    def standing(self, now: Standing) -> None:
        self._stands = now.words()
        self._draw()

    def _draw(self) -> None:
        self._foot.update(self._task, description=self._then, completed=self.done + self.left)

    def left_out(self, what: str, why: str) -> None:
        super().left_out(what, why)
        self._draw()

    def result(self, text: str, readings: int = 1) -> None:
        self.done += readings
        self._draw()
        self.say(text)


def _fitted(text: str) -> str:
    """Lines for a terminal; what an indented one, or one of a list, runs on to is indented too."""
    pairs = [(line.lstrip(), line[: len(line) - len(line.lstrip())]) for line in text.splitlines()]
    return "\n".join(wrapped(line, indent, "  " if line.startswith("- ") else "") for line, indent in pairs)


def reporter(total: int) -> Reporter:
    """The reporter that suits where stderr goes."""
    return LiveReporter(total) if sys.stderr.isatty() else Reporter(total)
