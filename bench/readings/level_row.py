"""A resonance row by generator and detector: who moves the loop, what is recorded, what Q is called."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from bench.errors import ReadingError
from bench.measuring.bench import Bench
from bench.measuring.kinds import Wanted
from bench.measuring.operator import Skipped
from bench.measuring.prediction import Expected
from bench.physics.detector import Detector
from bench.physics.resonance import WARNINGS, Resonance
from bench.quantities import show
from bench.readings.level import LevelGuess, LevelReading, measure_level
from bench.readings.level_bench import SETTLE_S, LevelBench, LevelPoint
from bench.readings.level_coupling import Coupling
from bench.readings.level_fit import drawn

ONLY_LOADED = (
    "q is left empty: a level sweep alone cannot tell what the loop takes; state it in the plan (coupling, under "
    "[instruments.generator]), or draw the loop back when asked"
)
DRAWN_BACK = "drawn-back"
# A loop at twice the distance: what it then brings into the tank, roughly, and moves it by.
DRAWN_BACK_DB, DRAWN_BACK_SHIFT = 6.0, 1e-3
# Of how far the resonance may be from where it is expected, for a scan of nine points not to miss it.
GUESS_BANDWIDTHS = 0.7


@dataclass(frozen=True)
class _Unloaded:
    """The tank's Q without the loop, if it is known, and how."""

    q: float | None
    q_u: float | None
    beta: float | None
    how: str


def take_by_level(
    bench: Bench, item: Wanted, dial: float, bands: Sequence[tuple[float, float]], expected: Expected
) -> int:
    """Take one resonance reading by level and record it; returns how many rows that made."""
    if item.valve == "cold":
        bench.reporter.say(
            "  With the valve cold the set's own detector is silent: use one with a diode of its own."
        )
    instruments = bench.instruments
    level = LevelBench(
        instruments.generator(),
        instruments.level(),
        most_dbm=float(instruments.generator_key("most_dbm", 13.0)),
        settle_s=float(instruments.generator_key("settle_s", SETTLE_S)),
    )
    reading = _measured(bench, level, item, dial, bands, _guess(bench, item, expected))
    bench.level_route.levels[item.coil] = reading.level_dbm
    rows: dict[str, Sequence[LevelPoint]] = {"": reading.points, "search": reading.search}
    unloaded = _unloaded(bench, level, item, dial, reading, rows)
    found = reading.resonance
    warnings = [text for text in found.warnings if unloaded.q is None or text != WARNINGS["loaded only"]]
    bench.record(
        item,
        {
            "f0_hz": found.f0_hz,
            "f0_u_hz": found.f0_u_hz,
            "q_loaded": found.q_loaded,
            "q_loaded_u": found.q_loaded_u,
            "q": unloaded.q,
            "q_u": unloaded.q_u,
            "beta": unloaded.beta,
            "added_c_f": item.added_c_f,
            "method": "level",
            "note": "; ".join([unloaded.how, *warnings]),
        },
        dial=dial,
        levels={part: [_row(point) for point in points] for part, points in rows.items()},
    )
    more = f" + {show(item.added_c_f, 'capacitance', bench.plan.show.capacitance)}" if item.added_c_f else ""
    quality = (
        f"Q {unloaded.q:.0f} ± {unloaded.q_u:.1f}"
        if unloaded.q is not None
        else f"Q with the loop {found.q_loaded:.0f} ± {found.q_loaded_u:.1f}"
    )
    said = f"  {'; '.join(warnings)}" if warnings else ""
    bench.reporter.result(
        f"coil {item.coil}  dial {dial:g}{more}  f0 {bench.show(found.f0_hz or 0.0, found.f0_u_hz)}  {quality}{said}"
    )
    return 1


def _row(point: LevelPoint) -> tuple[float, ...]:
    return point.f_hz, point.level_dbm, point.level_v, point.u_v, point.samples


def _guess(bench: Bench, item: Wanted, expected: Expected) -> LevelGuess | None:
    """Straight to the resonance, where it is known well enough not to be looked past."""
    q, level = expected.q_loaded, bench.level_route.levels.get(item.coil)
    if q is None or level is None or expected.f0_u_hz > GUESS_BANDWIDTHS * expected.f0_hz / q:
        return None
    return LevelGuess(expected.f0_hz, expected.f0_u_hz, q, level)


def _measured(
    bench: Bench,
    level: LevelBench,
    item: Wanted,
    dial: float,
    bands: Sequence[tuple[float, float]],
    guess: LevelGuess | None,
) -> LevelReading:
    route, learned = bench.level_route, bench.level_route.detector

    def on_point(count: int) -> None:
        bench.reporter.detail(f"coil {item.coil}, dial {dial:g}: {count} points read")

    def on_sweep(points: Sequence[LevelPoint], law: Detector | None, found: Resonance | None) -> None:
        bench.reporter.level_sweep(f"coil {item.coil}, dial {dial:g}", drawn(points, law, found))

    for number, (low, high) in enumerate(bands):
        try:
            reading = measure_level(
                level,
                low,
                high,
                q_goal=bench.plan.readings.q_uncertainty,
                detector=learned,
                guess=guess,
                on_point=on_point,
                on_sweep=on_sweep,
            )
            break
        except ReadingError:
            # A law that was learned under other circumstances may be what is wrong.
            route.detector = learned = guess = None
            if number + 1 == len(bands):
                raise
    if route.detector is None:
        route.detector = law = reading.detector
        words = (
            f"{law.law} law"
            if law.law != "power"
            else f"between linear and square law (exponent {law.exponent:.2f})"
        )
        bench.reporter.say(
            f"  The detector follows a {words}." if law.law != "power" else f"  The detector is {words}."
        )
        bench.session.log(
            "detector", law=law.law, exponent=law.exponent, exponent_u=law.exponent_u, offset_v=law.offset_v,
            scale_v=law.scale_v, reach_v=law.reach_v, turn_v=law.turn_v, top_v=law.top_v,
        )  # fmt: skip
    return reading


def _unloaded(
    bench: Bench,
    level: LevelBench,
    item: Wanted,
    dial: float,
    reading: LevelReading,
    rows: dict[str, Sequence[LevelPoint]],
) -> _Unloaded:
    stated = bench.instruments.generator_key("coupling", None)
    if stated is not None:
        return _as_stated(reading, float(stated[0]), float(stated[1]))
    route = bench.level_route
    coupling = route.couplings.get(item.coil)
    if coupling is None:
        try:
            coupling = _two_distances(bench, level, item, dial, reading, rows)
        except Skipped:
            return _Unloaded(None, None, None, ONLY_LOADED)
        route.couplings[item.coil] = coupling
        bench.session.log("coupling", coil=item.coil, c=coupling.c, c_u=coupling.c_u)
    q, q_u, beta = coupling.unloaded(reading)
    return _Unloaded(q, q_u, beta, "loop taken out by two distances of it")


def _as_stated(reading: LevelReading, least: float, most: float) -> _Unloaded:
    """Q by the coupling that the plan states: anything between the two is as likely (a rectangular distribution, GUM 4.3.7)."""
    loaded, loaded_u = reading.resonance.q_loaded, reading.resonance.q_loaded_u
    assert loaded is not None
    assert loaded_u is not None
    beta = 0.5 * (least + most)
    q = loaded * (1.0 + beta)
    q_u = math.hypot(loaded_u * (1.0 + beta), loaded * (most - least) / math.sqrt(12.0))
    return _Unloaded(q, q_u, beta, f"loop taken out by the plan's coupling {least:g} to {most:g}")


def _two_distances(
    bench: Bench,
    level: LevelBench,
    item: Wanted,
    dial: float,
    near: LevelReading,
    rows: dict[str, Sequence[LevelPoint]],
) -> Coupling:
    """The same tank again with the loop drawn back, then the loop as it was."""
    bench.reporter.say(
        f"  Once for coil {item.coil}: the same again with the loop drawn back, to tell what the loop takes."
    )
    f0, q = near.resonance.f0_hz or 0.0, near.resonance.q_loaded or 1.0
    guess = LevelGuess(f0, DRAWN_BACK_SHIFT * f0, q, near.level_dbm + DRAWN_BACK_DB)
    bench.operator.move_loop(looser=True)
    try:
        far = _measured(bench, level, item, dial, [(0.93 * f0, 1.07 * f0)], guess)
    finally:
        bench.operator.move_loop(looser=False)
    rows[DRAWN_BACK] = far.points
    return Coupling.of_two(near, far)
