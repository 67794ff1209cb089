"""A folder of sweep files as an analyzer: whoever stands at the bench sweeps and saves, the program takes the next file.

For analyzers that save Touchstone files to a card or a share. The program says what to sweep, waits for a file that was
not there before, makes sure that it is whole and holds what was asked for, and takes it. A file that will not do is
named, and the wait goes on.
"""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from drivers.errors import LinkLost, Misuse, PortMissing, SweepFileError, TimedOut
from drivers.roles import AnalyzerLimits, Sweep
from drivers.touchstone import SUFFIX, read_sweep

LOOK_EVERY_S = 0.25
# A copy to a card may pause; a file counts as written when it has kept its size and date so long.
SETTLED_S = 0.6
# A file that cannot be read may still be on its way for this long.
GRACE_S = 5.0
MOST_FILES = 20_000
# The knobs of an analyzer set its ends no finer than this share of the span.
END_SLACK = 0.05
ANY = AnalyzerLimits(1e3, 3e9, 401, 0.0)


@dataclass(frozen=True)
class _Stamp:
    """What changes when a file is written again."""

    size: int
    changed_ns: int


class FolderAnalyzer:
    """Sweeps taken by hand and saved into a folder.

    Parameters
    ----------
    path : str
        The folder; it must be there.
    wait_s : float
        How long one sweep may take to appear.
    limits : AnalyzerLimits, optional
        What the analyzer behind the folder can do.
    tell : callable, optional
        Shows the operator one line.

    Raises
    ------
    PortMissing
        There is no such folder.
    """

    def __init__(
        self,
        path: str,
        *,
        wait_s: float = 900.0,
        limits: AnalyzerLimits = ANY,
        tell: Callable[[str], None] = print,
    ) -> None:
        self._folder = Path(path).expanduser()
        self._wait_s = wait_s
        self._limits = limits
        self.tell = tell
        self._closed = False
        if not self._folder.is_dir():
            raise PortMissing(
                "there is no such folder.",
                port=str(self._folder),
                hint="Make it, or put in the card that the analyzer saves to.",
            )
        self._known = self._look()

    @property
    def limits(self) -> AnalyzerLimits:
        """What the plan says of the analyzer behind the folder."""
        return self._limits

    def identify(self) -> str:
        """The folder and what lies in it."""
        return f"folder {self._folder}, {len(self._known)} sweep files so far"

    def sweep(self, start_hz: float, stop_hz: float, points: int) -> Sweep:
        """Have a sweep taken and saved, and return it with the frequencies that the file holds.

        Raises
        ------
        Misuse
            The sweep is outside the limits.
        TimedOut
            No file that will do came in time.
        LinkLost
            The folder has gone.
        """
        if self._closed:
            raise LinkLost("the folder has been closed.", port=str(self._folder))
        limits = self._limits
        if not (limits.low_hz <= start_hz < stop_hz <= limits.high_hz and 2 <= points <= limits.most_points):
            raise Misuse(
                f"{points} points from {start_hz / 1e3:.1f} to {stop_hz / 1e3:.1f} kHz are outside the analyzer's limits.",
                port=str(self._folder),
                hint="If it can do that, say so in the plan: limits = { low_hz = …, high_hz = …, most_points = …, "
                "seconds_per_point = … }.",
            )
        # What was saved between two readings belongs to neither.
        self._known = self._look()
        self.tell(
            f"Sweep {start_hz / 1e3:.1f} to {stop_hz / 1e3:.1f} kHz with {points} points or more, and save it as "
            f"Touchstone into {self._folder}."
        )
        return self._next_file(start_hz, stop_hz, points)

    def close(self) -> None:
        """Nothing is held open; may be called twice."""
        self._closed = True

    def _next_file(self, start_hz: float, stop_hz: float, points: int) -> Sweep:
        deadline = time.monotonic() + self._wait_s
        seen: dict[str, tuple[_Stamp, float]] = {}
        while True:
            now = time.monotonic()
            for name, stamp in self._look().items():
                if self._known.get(name) == stamp:
                    continue
                before = seen.get(name)
                if before is None or before[0] != stamp:
                    seen[name] = (stamp, now)
                elif now - before[1] >= SETTLED_S:
                    sweep = self._take(name, stamp, now - before[1], start_hz, stop_hz, points)
                    if sweep is not None:
                        return sweep
            if now >= deadline:
                raise TimedOut(
                    f"no new sweep came within {self._wait_s:.0f} s.",
                    port=str(self._folder),
                    hint="Save the sweep as Touchstone (.s1p) into this folder, and take the reading again.",
                )
            time.sleep(LOOK_EVERY_S)

    def _take(
        self, name: str, stamp: _Stamp, settled_s: float, start_hz: float, stop_hz: float, points: int
    ) -> Sweep | None:
        """The sweep in a file that is written, if it will do; what is wrong with it is told once."""
        try:
            f_hz, s11 = read_sweep(self._folder / name)
        except SweepFileError as problem:
            if settled_s >= GRACE_S:
                self._known[name] = stamp
                self.tell(f"{problem.what} Still waiting.")
            return None
        self._known[name] = stamp
        slack = END_SLACK * (stop_hz - start_hz)
        if len(f_hz) < points or f_hz[0] > start_hz + slack or f_hz[-1] < stop_hz - slack:
            self.tell(
                f"{name} holds {len(f_hz)} points from {f_hz[0] / 1e3:.1f} to {f_hz[-1] / 1e3:.1f} kHz; needed are "
                f"{points} or more from {start_hz / 1e3:.1f} to {stop_hz / 1e3:.1f} kHz. Still waiting."
            )
            return None
        return Sweep(f_hz, s11)

    def _look(self) -> dict[str, _Stamp]:
        """The sweep files that lie there now."""
        found: dict[str, _Stamp] = {}
        try:
            with os.scandir(self._folder) as entries:
                for number, entry in enumerate(entries):
                    if number >= MOST_FILES:
                        raise Misuse(
                            f"more than {MOST_FILES} files lie there.",
                            port=str(self._folder),
                            hint="Give a folder of its own to the sweeps of a session.",
                        )
                    if not entry.name.startswith(".") and SUFFIX.search(entry.name) and entry.is_file():
                        status = entry.stat()
                        found[entry.name] = _Stamp(status.st_size, status.st_mtime_ns)
        except OSError as problem:
            raise LinkLost(
                f"the folder cannot be read any more ({problem.strerror or problem}).",
                port=str(self._folder),
                hint="Put the card or share back, then try again.",
            ) from problem
        return found
