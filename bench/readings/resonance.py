"""Resonance and Q of a coil at a dial setting: what the plan lacks of it, how one is taken, by analyzer or typed."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Any

from bench.errors import ReadingError
from bench.measuring.bench import Bench
from bench.measuring.kinds import Kind, Sought, Wanted
from bench.measuring.prediction import DialLaw, Expected
from bench.measuring.wanted import same_dial
from bench.physics.resonance import Resonance
from bench.plan.schema import Coil, Plan
from bench.quantities import parse, show
from bench.readings.resonance_run import Guess, measure_resonance
from drivers.roles import AnalyzerLimits

SAME_ADDED = 0.01
# How far off the expected resonance may be, in bandwidths (k = 1), for one sweep of GUESS_POINTS to see at least its skirts.
GUESS_BANDWIDTHS = 10.0
# The outermost of equally likely places still leave one resonance in twenty-five outside; a wider sweep costs little.
GUESS_WIDENED = 1.25
# From so many uncertainties on the operator is told that a resonance is not where it was expected.
ELSEWHERE = 5.0


def added_dials(coil: Coil) -> tuple[float, ...]:
    """Dial readings at which the known capacitor is added: the two ends and the middle of the coil's own list."""
    dials = coil.dials
    if len(dials) <= 2:
        return dials
    return dials[0], dials[len(dials) // 2], dials[-1]


def _lacking(sought: Sought) -> Iterable[Wanted]:
    plan, coil = sought.plan, sought.coil
    points: list[tuple[float, float | None]] = [(dial, None) for dial in coil.dials]
    known = plan.readings.added_capacitor
    if known is not None:
        points += [(dial, known) for dial in added_dials(coil)]
    rows = sought.resonances()
    for dial, added in points:
        if not any(
            r["dial"] is not None and same_dial(r["dial"], dial, plan) and _same_added(r["added_c_f"], added)
            for r in rows
        ):
            more = _added_words(plan, added, " with {} added")
            what = f"resonance at dial {dial:g}{more}"
            yield Wanted("resonance", coil.name, what, dial=dial, added_c_f=added, valve=sought.valve)


def _same_added(one: float | None, other: float | None) -> bool:
    return math.isclose(one or 0.0, other or 0.0, rel_tol=SAME_ADDED)


def _added_words(plan: Plan, added: float | None, form: str) -> str:
    return form.format(show(added, "capacitance", plan.show.capacitance)) if added else ""


def _bands(item: Wanted, told: _Foretold, reach: tuple[float, float]) -> list[tuple[float, float]]:
    """Where to search for the resonance, of what the instrument reaches: first where it is expected, then all the coil covers."""
    inside = [(max(low, reach[0]), min(high, reach[1])) for low, high in (told.expected.band(), told.span)]
    possible = [(low, high) for low, high in inside if low < high]
    if not possible:
        raise ReadingError(
            f"Coil {item.coil} should resonate outside the analyzer's range "
            f"({show(reach[0], 'frequency')} to {show(reach[1], 'frequency')}). "
            "Check the coil's turns and the tuning capacitance in plan.toml."
        )
    return possible


def _guess(bench: Bench, expected: Expected, limits: AnalyzerLimits) -> Guess | None:
    """Straight to the resonance, where it is known well enough for one sweep to see it."""
    q = expected.q_loaded
    if q is None or expected.f0_u_hz > GUESS_BANDWIDTHS * expected.f0_hz / q:
        return None
    guess = Guess(
        expected.f0_hz,
        q,
        expected.f0_u_hz,
        b=expected.depth or Guess.b,
        noise=bench.sweep_noise or Guess.noise,
        places_hz=tuple(
            expected.f0_hz * (place / expected.f0_hz) ** GUESS_WIDENED for place in expected.places_hz
        ),
        q_share_u=expected.q_share_u,
    )
    return replace(guess, first=guess.first_sweep(bench.plan.readings.q_uncertainty, limits))


@dataclass(frozen=True)
class _Foretold:
    """What earlier readings say of one at a setting of the dial; `guess` None where that is too little, or no analyzer is there.

    `span`: all that the coil can cover, in Hz.
    """

    law: DialLaw
    dial: float
    expected: Expected
    guess: Guess | None
    span: tuple[float, float]


def _foretold(
    bench: Bench, item: Wanted, law: DialLaw, dial: float, limits: AnalyzerLimits | None
) -> _Foretold:
    from bench.model import tuning_span

    added_c_f = item.added_c_f or 0.0
    expected = law.expected(item.coil, dial, added_c_f)
    guess = None if limits is None else _guess(bench, expected, limits)
    span = tuning_span(bench.plan, bench.plan.coil_named(item.coil), added_c_f)
    return _Foretold(law, dial, expected, guess, span)


def _as_set(
    bench: Bench, item: Wanted, told: _Foretold, dial: float, limits: AnalyzerLimits | None
) -> _Foretold:
    """What was foretold for one setting of the dial, for the one that it was set to."""
    if dial == told.dial:
        return told
    if not same_dial(dial, told.dial, bench.plan):
        return _foretold(bench, item, told.law, dial, limits)
    first, last = bench.plan.receiver.tuning.dial
    factor = math.exp(told.expected.slope * (dial - told.dial) / (last - first))
    places = tuple(factor * place for place in told.expected.places_hz)
    expected = replace(told.expected, f0_hz=factor * told.expected.f0_hz, places_hz=places)
    return replace(told, dial=dial, expected=expected, guess=told.guess and told.guess.moved(factor))


def _take(bench: Bench, item: Wanted) -> int:
    assert item.dial is not None
    by_level = bench.instruments.by_level
    typed = not bench.instruments.has("analyzer") and not by_level
    limits: AnalyzerLimits | None = None
    if by_level:
        bench.instruments.generator()
        bench.instruments.level()
    elif not typed:
        # Opened before anything is asked: a dead instrument is told before the set is made ready for it.
        limits = bench.instruments.analyzer().limits
    rows, wanted_dial = bench.alike(), item.dial

    def think() -> _Foretold:
        return _foretold(bench, item, DialLaw(bench.plan, rows), wanted_dial, limits)

    # Worked out while the hands are busy with coil, control and dial.
    coming = None if typed else bench.think(think)
    bench.prepare(item, loop=True)
    bench.operator.rest_control(0.0)
    dial = bench.set_dial(item.dial)
    if coming is None:
        return _take_typed(bench, item, dial)
    told = _as_set(bench, item, coming.result(), dial, limits)
    expected, guess = told.expected, told.guess
    if limits is None:
        from bench.readings.level_row import take_by_level

        return take_by_level(bench, item, dial, _bands(item, told, (0.0, math.inf)), expected)

    def on_sweep(f_hz: Any, s11: Any, so_far: Resonance | None) -> None:
        found = f", resonance near {bench.show(so_far.f0_hz)}" if so_far and so_far.f0_hz else ""
        where = f"coil {item.coil}, dial {dial:g}"
        bench.reporter.detail(f"{where}: {len(f_hz)} points swept{found}")
        bench.reporter.sweep(where, f_hz, s11, so_far)

    goal = bench.plan.readings.q_uncertainty
    bands = _bands(item, told, (limits.low_hz, limits.high_hz))
    if guess is not None:
        # What is not where it was expected may be anywhere.
        del bands[:-1]
    for number, (low, high) in enumerate(bands):
        analyzer = bench.calibrated.over(bench.instruments.analyzer(), low, high)
        try:
            reading = measure_resonance(analyzer, low, high, q_goal=goal, guess=guess, on_sweep=on_sweep)
            break
        except ReadingError:
            guess = None
            if number + 1 == len(bands):
                raise
    result = reading.resonance
    bench.record(
        item,
        {
            "f0_hz": result.f0_hz,
            "f0_u_hz": result.f0_u_hz,
            "q_loaded": result.q_loaded,
            "q_loaded_u": result.q_loaded_u,
            "q": result.q,
            "q_u": result.q_u,
            "beta": result.beta,
            "added_c_f": item.added_c_f,
            "method": "reflection",
            "note": "; ".join(result.warnings),
        },
        dial=dial,
        sweeps=reading.sweeps,
        search=reading.search,
        analyzer=analyzer,
        notes=[f"coil {item.coil}, dial {dial:g}"],
    )
    if result.background is not None:
        bench.noises.append(result.background.noise)
    if result.f0_hz and expected.q_loaded:
        _tell_if_elsewhere(bench, item, expected, result.f0_hz)
    said = f"  {'; '.join(result.warnings)}" if result.warnings else ""
    more = _added_words(bench.plan, item.added_c_f, " + {}")
    f0_text = bench.show(result.f0_hz or 0.0, result.f0_u_hz)
    bench.reporter.result(
        f"coil {item.coil}  dial {dial:g}{more}  f0 {f0_text}  Q {result.q:.0f} ± {result.q_u:.1f}{said}"
    )
    return 1


def _tell_if_elsewhere(bench: Bench, item: Wanted, expected: Expected, f0_hz: float) -> None:
    off = f0_hz / expected.f0_hz - 1.0
    if abs(off) * expected.f0_hz > ELSEWHERE * expected.f0_u_hz:
        bench.reporter.say(
            f"  {item.words()}: {100 * abs(off):.1f} % {'above' if off > 0 else 'below'} where the earlier readings put it "
            f"({bench.show(expected.f0_hz, expected.f0_u_hz)}). If the dial or the coil was not as told, withdraw it."
        )
        bench.session.log("elsewhere", reading=item.words(), expected_hz=expected.f0_hz, f0_hz=f0_hz)


def _take_typed(bench: Bench, item: Wanted, dial: float) -> int:
    f0 = bench.operator.number("Resonance at (for instance 3.512MHz):", lambda text: parse(text, "frequency"))
    bench.record(item, {"f0_hz": f0, "added_c_f": item.added_c_f, "method": "typed"}, dial=dial)
    more = _added_words(bench.plan, item.added_c_f, " + {}")
    bench.reporter.result(f"coil {item.coil}  dial {dial:g}{more}  f0 {bench.show(f0)} (typed)")
    return 1


KIND = Kind(_lacking, _take)
