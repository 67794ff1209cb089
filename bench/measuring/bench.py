"""What a reading finds at the bench: session, hands, instruments, screen, and what earlier readings of this run learned."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any, TypeVar

from bench.measuring.calibrated import Calibrated
from bench.measuring.instruments import Instruments
from bench.measuring.kinds import Row, Wanted
from bench.measuring.operator import Operator, Setup
from bench.measuring.progress import Reporter
from bench.measuring.wanted import antenna_state, counts
from bench.plan.schema import Plan, recipe
from bench.quantities import show
from bench.session import shaft
from bench.session.folder import Session
from bench.session.tables import TABLES
from drivers.roles import Analyzer, Sweep

if TYPE_CHECKING:
    from bench.physics.detector import Detector
    from bench.readings.dial_sensor import DialEnds
    from bench.readings.level_coupling import Coupling
    from bench.readings.turning import Quiet, Stops

Thought = TypeVar("Thought")

# Pointer and sensor further apart than this share of the dial: somebody should look.
FAR_DIAL = 0.02
# Readings that tell the analyzer's noise.
NOISES = 8


@dataclass
class LevelRoute:
    """What resonance readings by generator and detector have learned in this run: the detector's law, and for each coil what the
    loop takes and the generator's level that suited last."""

    detector: Detector | None = None
    couplings: dict[str, Coupling] = field(default_factory=dict)
    levels: dict[str, float] = field(default_factory=dict)


@dataclass
class Bench:
    """One run's bench; readings take from it and record through it.

    `made`: table and name of every reading recorded in this run and not withdrawn, in order. `noises`: noise of the sweeps of
    each resonance reading so far.
    """

    session: Session
    operator: Operator
    instruments: Instruments
    reporter: Reporter
    cold: bool = False
    made: list[tuple[str, str]] = field(default_factory=list, init=False)
    quiet: Quiet | None = field(default=None, init=False)
    noises: list[float] = field(default_factory=list, init=False)
    _thinking: ThreadPoolExecutor | None = field(default=None, init=False)
    level_route: LevelRoute = field(default_factory=LevelRoute, init=False)
    _noted: dict[str, list[str]] = field(default_factory=dict, init=False)
    _told_of_plan: bool = field(default=False, init=False)
    _stops: Stops | None = field(default=None, init=False)
    _dial_ends: DialEnds | None = field(default=None, init=False)

    @cached_property
    def calibrated(self) -> Calibrated:
        """The analyzer through the session's calibration."""
        return Calibrated(self.session, self.reporter.say, raw=self.instruments.raw())

    @property
    def plan(self) -> Plan:
        """The session's plan."""
        return self.session.plan

    @property
    def valve(self) -> str:
        """State of the valve when the tank is read, as the tables write it."""
        return "cold" if self.cold else "working"

    @property
    def antenna(self) -> str:
        """Whether the plan's set has its antenna on, as the tables write it."""
        return antenna_state(self.plan)

    def show(self, f_hz: float, u_hz: float | None = None) -> str:
        """A frequency as the user likes to see it."""
        return show(f_hz, "frequency", self.plan.show.frequency, u_hz)

    def prepare(self, item: Wanted, *, loop: bool, valve: str | None = None) -> None:
        """Have the set brought into the state that a reading needs."""
        self.operator.prepare(
            Setup(
                coil=item.coil,
                valve=(valve or item.valve) == "working",
                antenna=self.plan.receiver.antenna is not None,
                loop=loop,
                added_c_f=item.added_c_f,
            )
        )

    def set_dial(self, dial: float) -> float:
        """Have the tuning dial set; returns its reading, by its own sensor where there is one."""
        if not self.instruments.has("dial"):
            return self.operator.set_dial(dial)
        from bench.readings.dial_sensor import learn_dial, read_dial

        marks = self.plan.receiver.tuning.dial
        if self._dial_ends is None:
            self.reporter.detail("learning the dial's ends")
            self._dial_ends = learn_dial(self.instruments.dial(), self.operator, marks)
            self.session.log("dial-ends", shares=self._dial_ends.shares, marks=marks)
        told = self.operator.set_dial(dial)
        read = read_dial(self.instruments.dial(), self._dial_ends)
        if abs(read - told) > FAR_DIAL * abs(marks[1] - marks[0]):
            self.reporter.say(f"  The dial's sensor reads {read:g} where {told:g} was set; {read:g} counts.")
        return read

    def stops(self) -> Stops:
        """The sensor's readings at the control's end stops, learned at the first call."""
        from bench.readings.turning import learn_stops

        if self._stops is None:
            travel = self.plan.receiver.control.travel_deg
            self.reporter.detail("learning the control's end stops")
            bow = shaft.bow(self.session)
            self._stops = learn_stops(self.instruments.sensor(), self.operator, travel, bow)
            self.reporter.stops(self._stops)
            self.session.log(
                "end-stops", low=self._stops.low, high=self._stops.high, travel_deg=travel, bow=bow
            )
        return self._stops

    @property
    def knows_stops(self) -> bool:
        """Whether the end stops were learned in this run."""
        return self._stops is not None

    def alike(self) -> list[Row]:
        """Resonance rows of all coils as they are wound now, in this run's state of antenna and valve."""
        return [
            row
            for row in self.session.rows("resonance")
            if any(counts(row, self.plan, coil.name, self.antenna) for coil in self.plan.coil)
            and (row["valve"] or self.valve) == self.valve
        ]

    def think(self, work: Callable[[], Thought]) -> Future[Thought]:
        """Have something worked out in a thread of its own, while the hands are busy."""
        if self._thinking is None:
            self._thinking = ThreadPoolExecutor(1, "thinking ahead")
        return self._thinking.submit(work)

    @property
    def sweep_noise(self) -> float | None:
        """Noise of the analyzer in this run, from the readings of late: each alone has few points to tell it from."""
        late = self.noises[-NOISES:]
        return math.sqrt(sum(noise**2 for noise in late) / len(late)) if late else None

    def tuned(self, coil: str) -> list[Row]:
        """A coil's resonance rows without added capacitor, by dial; of this run's state of the valve where there are any."""
        rows = [
            row
            for row in self.session.rows("resonance")
            if counts(row, self.plan, coil, self.antenna)
            and not row["added_c_f"]
            and row["f0_hz"]
            and row["dial"] is not None
        ]
        alike = [row for row in rows if (row["valve"] or self.valve) == self.valve]
        return sorted(alike or rows, key=lambda row: float(row["dial"]))

    def __post_init__(self) -> None:
        self.session.plan_has_changed()

    def _tell_of_a_changed_plan(self) -> None:
        if not self._told_of_plan and self.session.plan_has_changed():
            self._told_of_plan = True
            self.reporter.say(
                "plan.toml was changed meanwhile. This run goes on with the plan that it began with, and its readings count for "
                "that one: if the set was changed too, stop and run the same command again."
            )

    def record(
        self,
        item: Wanted,
        cells: Mapping[str, Any],
        *,
        table: str = "",
        dial: float | None = None,
        sweeps: Sequence[Sweep] = (),
        search: Sequence[Sweep] = (),
        analyzer: Analyzer | None = None,
        trace: tuple[Any, Any, Any, Any] | None = None,
        levels: Mapping[str, Iterable[Sequence[float]]] | None = None,
        notes: Iterable[str] = (),
    ) -> str:
        """Put a reading's row on disk, its raw sweep or trace before it; returns its name.

        Parameters
        ----------
        cells : the kind's own; those that all tables share follow from the item.
        table : where it goes, if not into the table of the item's kind.
        sweeps, analyzer : what the reading was made of, and the analyzer (calibrated or not) that took it.
        search : sweeps that looked for the resonance and missed it, kept beside.
        trace : t_s, angle_deg, level_v, mark, (n,) each.
        levels : rows of sweeps by generator and detector; "" is the reading's own, others ("search") are kept beside.
        notes : what stands in the head of the sweep's file, the place first.
        """
        from bench.readings.resonance_run import merged

        self._tell_of_a_changed_plan()
        name = self.session.next_reading()
        words = self._words_for(item)
        cells = {**cells, "note": "; ".join(filter(None, [cells.get("note"), *words]))}
        heads = list(notes)
        files: dict[str, str] = {}
        for number, one in enumerate(search, start=1):
            where = [*heads[:1], "looking for the resonance"]
            self.session.save_sweep(f"{name}-search{number}", one.f_hz, one.s11, where)
        if sweeps:
            heads.append(f"{len(sweeps)} sweeps, all points in order of frequency")
            if analyzer is not None:
                heads += self.calibrated.notes(analyzer)
            files["sweep"] = self.session.save_sweep(name, *merged(sweeps), heads)
            if analyzer is not None:
                self.calibrated.keep_raw(analyzer, name, sweeps)
        if trace is not None:
            files["trace"] = self.session.save_trace(name, *trace)
        for part, rows in (levels or {}).items():
            path = self.session.save_level_sweep(f"{name}-{part}" if part else name, rows)
            if not part:
                files["sweep"] = path
        common = {
            "reading": name,
            "coil": item.coil,
            "recipe": recipe(self.plan, item.coil),
            "dial": dial,
            "valve": item.valve,
            "antenna": self.antenna,
        }
        self.session.append(table or item.kind, {**common, **cells, **files})
        self.made.append((table or item.kind, name))
        self._tell_noted(item, words)
        return name

    def note_down(self, item: Wanted) -> None:
        """Keep what the operator has noted meanwhile for the first row of this reading that is recorded from now on."""
        for text in self.reporter.notes():
            self.session.log("note", reading=item.words(), text=text)
            self._noted.setdefault(item.words(), []).append(text)

    def _words_for(self, item: Wanted) -> list[str]:
        self.note_down(item)
        return self._noted.pop(item.words(), [])

    def _tell_noted(self, item: Wanted, words: Sequence[str]) -> None:
        if words:
            self.reporter.say(f"  note kept with {item.words()}")

    def finish(self, item: Wanted, begun: int) -> None:
        """Put what was noted after a reading's last row into that row: a copy with the note takes its place."""
        words = self._words_for(item)
        if not words:
            return
        if len(self.made) == begun:
            self.reporter.say(f"  note kept in the log only: nothing is on record of {item.words()}")
            return
        table, name = self.made.pop()
        row = next((row for row in self.session.rows(table) if row["reading"] == name), None)
        if row is None:
            # Somebody has taken the row out of the table by hand meanwhile.
            self.reporter.say(f"  note kept in the log only: {name} is no more in {TABLES[table].file}")
            return
        kept = {key: row[key] for key in TABLES[table].header if key in row and key != "reading"}
        # The copy first: a run that ends here has the row twice, never not at all.
        copy = self.session.append(table, {**kept, "note": "; ".join(filter(None, [row["note"], *words]))})
        self.session.withdraw(table, name, f"{copy} is the same with the operator's note")
        self.made.append((table, copy))
        self._tell_noted(item, words)

    def withdraw_from(self, first: int, why: str) -> None:
        """Withdraw what this run recorded from its `first`-th reading on."""
        for table, name in self.made[first:]:
            self.session.withdraw(table, name, why)
        del self.made[first:]
