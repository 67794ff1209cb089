"""Onset and drop-out: slow turns of the control, watched by the sensor, or typed.

One pass is a turn up until the set oscillates and a turn back until it stops. The program watches the stream and says
when to turn back, so the operator's hands stay on the set.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from bench.conventions import SAME_FREQUENCY, TYPED_U_DEG
from bench.errors import BenchError, ReadingError
from bench.measuring.agreement import tell_disagreements
from bench.measuring.bench import Bench
from bench.measuring.kinds import Kind, Sought, Wanted
from bench.measuring.operator import Operator, Skipped, Stopped, Turn
from bench.measuring.tuning import tune
from bench.measuring.wanted import out_of_reach
from bench.physics import onset as analysis
from bench.quantities import show
from bench.readings.turning import AT_STOP_DEG, LEAST_JUMP_V, PAST_DEG, Quiet, Stops, Trace, take_turn
from drivers.errors import WireError
from drivers.roles import Sensor

Floats = NDArray[np.float64]

SEARCH_SPEED_DEG_S = 20.0
LEVEL_SPEEDS_DEG_S = (2.0, 4.0, 8.0)
LISTEN_SPEEDS_DEG_S = (3.0, 6.0, 12.0)
RUN_UP_DEG = 12.0
FULLY_BACK_DEG = 10.0
MOST_PASS_TRIES = 3
# How differently late a mark by hand, or a level by growth, may come (k = 1).
MARK_LATE_U_S = 0.1
LEVEL_LATE_U_S = 0.15
# Approaches further apart than this many uncertainties, and than this, are told at once.
APART_SIGMAS = 3.0
LEAST_APART_DEG = 1.5
ALWAYS = "oscillates already with the control fully back"
NEVER = "no oscillation up to full travel"


@dataclass(frozen=True)
class Approach:
    """One approach: where it happened (None: it never did), the trace it was read from, and the jump of its level, in volts."""

    starts: bool
    angle_deg: float | None
    angle_u_deg: float | None
    speed_deg_s: float | None
    correction_deg: float | None
    trace: Trace
    note: str = ""
    jump_v: float | None = None
    jump_u_v: float | None = None


def _event(trace: Trace, turn: Turn) -> analysis.Event | None:
    if turn.listen:
        return analysis.marked(trace.t_s, trace.angle_deg, trace.mark)
    event = analysis.change_point(trace.t_s, trace.angle_deg, trace.level_v, starts=turn.starts)
    return event if event is not None and event.jump >= LEAST_JUMP_V else None


def _jump(turn: Turn, trace: Trace, event: analysis.Event) -> tuple[float, float] | None:
    return analysis.level_jump(trace.t_s, trace.angle_deg, trace.level_v, event, starts=turn.starts)


@dataclass(frozen=True)
class Passes:
    """All approaches at one frequency, in the order taken, and the quiet level seen.

    `ended`: what the operator chose when a pass failed three times; the passes before it stand.
    """

    approaches: tuple[Approach, ...]
    quiet: Quiet | None
    lag: float | None = None
    ended: BenchError | None = None


def measure_onset(
    sensor: Sensor,
    operator: Operator,
    stops: Stops,
    *,
    repeats: int,
    listen: bool,
    quiet: Quiet | None = None,
    on_detail: Callable[[str], None] = lambda text: None,
    on_trouble: Callable[[str], None] = lambda text: None,
    reopen: Callable[[], Sensor] | None = None,
) -> Passes:
    """Onset and drop-out at one frequency, `repeats` approaches each way.

    A quick search finds roughly where it starts; then slow passes from a little below. The passes differ in speed, and the
    angles are brought back to speed zero: marks come late by the reaction time, levels by the time of growth.

    Parameters
    ----------
    quiet : Quiet, optional
        The quiet level from an earlier frequency: with it, a set that oscillates already at angle 0 is recognised.
    on_trouble : callable, optional
        Told what the operator should know at once: a pass taken again, approaches that disagree.
    reopen : callable, optional
        Opens the sensor afresh after a wire fault, so that the passes taken so far are kept.

    Returns
    -------
    Passes
        One approach with `angle_deg` None where the set never oscillates; one with 0 where it never stops.
    """
    travel = stops.travel_deg
    on_detail("finding roughly where it starts")
    search = Turn(True, 0.0, travel, SEARCH_SPEED_DEG_S, listen)
    trace, seen = take_turn(sensor, operator, stops, search, None)
    if not listen and quiet is not None and seen is not None and quiet.loud([seen.level_v]):
        begun_deg = float(np.median(trace.angle_deg[:9]))
        if begun_deg > FULLY_BACK_DEG:
            raise ReadingError(
                f"It oscillated before the turn began, at {begun_deg:.0f} degrees. Turn the control fully back first."
            )
        return Passes((_already(trace),), quiet)
    found = _event(trace, search)
    if found is None:
        return _unchanged(operator, trace, travel, seen, None if listen else quiet)
    rough = found.angle_deg - (analysis.REACTION_S * found.speed_deg_s if listen else 0.0)
    back = Turn(False, rough + PAST_DEG, 0.0, SEARCH_SPEED_DEG_S / 2, listen)
    trace, _ = take_turn(sensor, operator, stops, back, seen)
    lost = _event(trace, back)
    low = (lost.angle_deg if lost is not None else rough - 20.0) - RUN_UP_DEG

    speeds = LISTEN_SPEEDS_DEG_S if listen else LEVEL_SPEEDS_DEG_S
    passes = _SlowPasses(sensor, operator, stops, seen, on_trouble, reopen)
    places = {True: max(0.0, low), False: min(travel, rough + PAST_DEG)}
    ended: BenchError | None = None
    for number in range(repeats):
        speed = speeds[number % len(speeds)]
        try:
            for starts in (True, False):
                on_detail(f"pass {number + 1} of {repeats}, {'up' if starts else 'back'}")
                turn = Turn(starts, places[True], travel if starts else 0.0, speed, listen)
                passes.take(turn, places[starts])
        except (Skipped, Stopped) as chosen:
            # Whole passes stand; half of one says nothing of the backlash.
            del passes.taken[2 * number :]
            if not passes.taken:
                raise
            ended = chosen
            break
        _tell_disagreement(passes.taken, listen, on_trouble)
    return Passes(*_corrected(passes.taken, listen, seen), ended)


class _SlowPasses:
    """Slow turns one after another; one that fails is taken again, and the others are kept."""

    def __init__(
        self,
        sensor: Sensor,
        operator: Operator,
        stops: Stops,
        quiet: Quiet | None,
        on_trouble: Callable[[str], None],
        reopen: Callable[[], Sensor] | None,
    ) -> None:
        self._sensor, self._operator, self._stops, self._quiet = sensor, operator, stops, quiet
        self._on_trouble, self._reopen = on_trouble, reopen
        self.taken: list[tuple[Turn, Trace, analysis.Event]] = []

    def take(self, turn: Turn, from_deg: float) -> None:
        """One turn, at most three times, then the operator says; `from_deg`: where it begins when it is taken again."""
        tries = 0
        while True:
            tries += 1
            try:
                trace, _ = take_turn(self._sensor, self._operator, self._stops, turn, self._quiet)
                event = _event(trace, turn)
                if event is not None:
                    self.taken.append((turn, trace, event))
                    return
                problem: WireError | ReadingError = ReadingError(
                    f"Oscillation did not clearly {'start' if turn.starts else 'stop'} in this pass."
                )
            except ReadingError as failed:
                problem = failed
            except WireError as failed:
                if self._reopen is None:
                    raise
                problem = failed
            self._on_trouble(f"{problem} This pass is taken again.")
            if tries >= MOST_PASS_TRIES:
                if not self._operator.retry(f"A pass failed {MOST_PASS_TRIES} times. {problem}"):
                    raise problem
                tries = 0
            if isinstance(problem, WireError) and self._reopen is not None:
                self._sensor = self._reopen()
            self._operator.rest_control(from_deg)


def _tell_disagreement(
    taken: Sequence[tuple[Turn, Trace, analysis.Event]], listen: bool, tell: Callable[[str], None]
) -> None:
    """Tell when the last approach up or back is further from an earlier one than both uncertainties explain."""
    late_s, late_u_s = (analysis.REACTION_S, MARK_LATE_U_S) if listen else (0.0, LEVEL_LATE_U_S)
    for turn, _, event in taken[-2:]:
        for before, _, earlier in taken[:-2]:
            if before.starts is not turn.starts:
                continue
            way = 1.0 if turn.starts else -1.0
            slower = way * (abs(event.speed_deg_s) - abs(earlier.speed_deg_s))
            apart = event.angle_deg - earlier.angle_deg - late_s * slower
            u = float(np.hypot(np.hypot(event.angle_u_deg, earlier.angle_u_deg), late_u_s * slower))
            if abs(apart) > max(APART_SIGMAS * u, LEAST_APART_DEG):
                tell(
                    f"Two approaches disagree: it {'starts' if turn.starts else 'stops'} {abs(apart):.1f}° "
                    f"{'later' if apart * way > 0 else 'earlier'} than in a pass before, where ±{u:.1f}° would do. Look at "
                    "the knob, the coupling of the sensor and the supply."
                )
                return


def _already(trace: Trace) -> Approach:
    return Approach(True, 0.0, 1.0, None, None, trace, ALWAYS)


def _unchanged(
    operator: Operator, trace: Trace, travel_deg: float, seen: Quiet | None, quiet: Quiet | None
) -> Passes:
    """What a search without an event means; `quiet`: the level known to be without oscillation, if there is one."""
    if float(np.median(trace.angle_deg[-9:])) < travel_deg - AT_STOP_DEG:
        raise ReadingError("Something was heard for a moment only, so the turn ended early. Try again.")
    # A level that never changes is that of a set that never starts, or never stops, or of a lead that has come off.
    if quiet is None and operator.hears_oscillation():
        operator.rest_control(0.0)
        if operator.hears_oscillation():
            return Passes((_already(trace),), None)
        raise ReadingError(
            "It oscillates, but the sensor did not show where it started. Check the lead from the detector (or the mark "
            "switch) to the sensor board, then try again."
        )
    never = Approach(True, None, None, None, None, trace, NEVER)
    return Passes((never,), seen)


def _corrected(
    taken: list[tuple[Turn, Trace, analysis.Event]], listen: bool, quiet: Quiet | None
) -> tuple[tuple[Approach, ...], Quiet | None, float | None]:
    angle = np.array([event.angle_deg for _, _, event in taken])
    u = np.array([event.angle_u_deg for _, _, event in taken])
    speed = np.array([event.speed_deg_s for _, _, event in taken])
    starts = np.array([turn.starts for turn, _, _ in taken])
    unhurried = (
        analysis.marks_to_speed_zero(angle, speed, starts)
        if listen
        else analysis.levels_to_speed_zero(angle, u, speed, starts)
    )
    at_zero = unhurried.angle_deg
    jumps = [None if listen else _jump(*one) for one in taken]
    approaches = tuple(
        Approach(
            starts=turn.starts,
            angle_deg=float(at_zero[i]),
            angle_u_deg=float(unhurried.angle_u_deg[i]),
            speed_deg_s=event.speed_deg_s,
            correction_deg=float(at_zero[i] - angle[i]),
            trace=trace,
            jump_v=jump[0] if jump else None,
            jump_u_v=jump[1] if jump else None,
        )
        for i, ((turn, trace, event), jump) in enumerate(zip(taken, jumps, strict=True))
    )
    return approaches, quiet, unhurried.lag


# The kind


def _lacking(sought: Sought) -> Iterable[Wanted]:
    plan, coil = sought.plan, sought.coil
    resonance = sought.resonances()
    for f_hz in coil.onset_at:
        if out_of_reach(plan, resonance, f_hz) is not None:
            continue
        here = [r for r in sought.of("onset") if r["f_hz"] and abs(r["f_hz"] / f_hz - 1) < SAME_FREQUENCY]
        ups = [r["angle_deg"] for r in here if r["direction"] == "onset" and r.get("method") != "curve"]
        downs = [r["angle_deg"] for r in here if r["direction"] == "drop-out"]
        # It never started, or it oscillates already at the end stop: an answer, whatever the repeats.
        if any(angle is None or angle == 0.0 for angle in ups):
            continue
        missing = max(plan.readings.repeats - min(len(ups), sum(a is not None for a in downs)), 0)
        if missing:
            what = f"onset at {show(f_hz, 'frequency', plan.show.frequency)}"
            yield Wanted("onset", coil.name, what, f_hz=f_hz, rows=2 * missing)


def _take(bench: Bench, item: Wanted) -> int:
    dial, f_hz = tune(bench, item)
    bench.prepare(item, loop=False)
    if not bench.instruments.has("angle"):
        return _take_typed(bench, item, dial, f_hz)
    if bench.knows_stops and not bench.instruments.has("analyzer"):
        # Tuning by analyzer has had it turned back already; a reading that failed may have left it anywhere.
        bench.operator.rest_control(0.0)
    method = "level" if bench.instruments.has("level") else "listen"

    def reopened() -> Sensor:
        bench.instruments.reopen()
        return bench.instruments.sensor()

    passes = measure_onset(
        bench.instruments.sensor(),
        bench.operator,
        bench.stops(),
        repeats=item.rows // 2,
        listen=method == "listen",
        quiet=bench.quiet,
        on_detail=lambda text: bench.reporter.detail(f"{item.words()}: {text}"),
        on_trouble=lambda text: bench.reporter.say(f"  {text}"),
        reopen=reopened,
    )
    bench.quiet = passes.quiet
    for approach in passes.approaches:
        _record(bench, item, dial, f_hz, approach, method)
    if passes.lag is not None:
        bench.session.log("lag", reading=item.words(), method=method, lag=passes.lag)
    bench.reporter.result(_words(bench, item, passes.approaches))
    tell_disagreements(bench, item, f_hz)
    if passes.ended is not None:
        raise passes.ended
    bench.operator.rest_control(0.0)
    return len(passes.approaches)


def _record(
    bench: Bench, item: Wanted, dial: float | None, f_hz: float, approach: Approach, method: str
) -> None:
    trace, note = approach.trace, approach.note
    if approach.correction_deg and approach.speed_deg_s is not None:
        note = f"{approach.speed_deg_s:.2f} deg/s, corrected by {approach.correction_deg:+.2f} deg"
    bench.record(
        item,
        {
            "f_hz": f_hz,
            "direction": "onset" if approach.starts else "drop-out",
            "angle_deg": approach.angle_deg,
            "angle_u_deg": approach.angle_u_deg,
            "method": method,
            "note": note,
            "jump_v": approach.jump_v,
            "jump_u_v": approach.jump_u_v,
        },
        dial=dial,
        trace=(trace.t_s, trace.angle_deg, trace.level_v, trace.mark),
    )


def _words(bench: Bench, item: Wanted, approaches: Sequence[Approach]) -> str:
    clock = bench.plan.receiver.control.clock
    assert item.f_hz is not None
    head = f"coil {item.coil}  {bench.show(item.f_hz)}"
    if len(approaches) == 1 and approaches[0].note:
        return f"{head}  {approaches[0].note}"
    up, down = (
        float(np.mean([a.angle_deg for a in approaches if a.starts is starts and a.angle_deg is not None]))
        for starts in (True, False)
    )
    starts = [a.angle_deg for a in approaches if a.starts and a.angle_deg is not None]
    jumps = [a.jump_v for a in approaches if a.starts and a.jump_v is not None]
    more = [f"{len(starts)} approaches", f"spread {np.std(starts):.1f}°"] if len(starts) > 1 else []
    more += [f"level jumps by {np.mean(jumps):.2f} V"] if jumps else []
    below = f"\n  {', '.join(more)}" if more else ""
    return f"{head}  starts {up:.1f}° ({clock(up)})  stops {down:.1f}° ({clock(down)})  backlash {up - down:.1f}°{below}"


def _take_typed(bench: Bench, item: Wanted, dial: float | None, f_hz: float) -> int:
    control = bench.plan.receiver.control

    def read(text: str) -> float:
        return math.inf if text.strip().lower() == "never" else control.angle(text)

    repeats = item.rows // 2
    recorded = 0
    angles: dict[str, list[float]] = {"onset": [], "drop-out": []}
    for number in range(1, repeats + 1):
        for direction, words in (("onset", "starts"), ("drop-out", "stops")):
            angle = bench.operator.number(
                f"Pass {number} of {repeats}: clock position where oscillation {words}, or never (for instance 11:20):",
                read,
            )
            # A set that never stops oscillates already with the control fully back.
            never, always = (
                math.isinf(angle) and direction == "onset",
                math.isinf(angle) and direction != "onset",
            )
            bench.record(
                item,
                {
                    "f_hz": f_hz,
                    "direction": "onset" if always else direction,
                    "angle_deg": None if never else 0.0 if always else angle,
                    "angle_u_deg": None if never else TYPED_U_DEG,
                    "method": "typed",
                    "note": NEVER if never else ALWAYS if always else "",
                },
                dial=dial,
            )
            recorded += 1
            if never or always:
                bench.reporter.result(f"{item.words()}: {NEVER if never else ALWAYS} (typed)")
                return recorded
            for other in angles[direction]:
                if abs(angle - other) > 2.0 * math.hypot(TYPED_U_DEG, TYPED_U_DEG):
                    bench.reporter.say(
                        f"  Two approaches disagree: it {words} at {control.clock(angle)} now, at {control.clock(other)} "
                        f"before, where ±{TYPED_U_DEG:g}° each would do. If one was a slip, type r to take them again."
                    )
                    break
            angles[direction].append(angle)
    bench.reporter.result(f"{item.words()} (typed)")
    return recorded


KIND = Kind(_lacking, _take)
