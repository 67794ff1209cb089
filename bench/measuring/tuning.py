"""Bring the tank to a wanted frequency: by the coil's own resonance readings, corrected with the analyzer."""

from __future__ import annotations

import math
from functools import partial

import numpy as np

from bench.conventions import SAME_FREQUENCY
from bench.errors import ReadingError
from bench.measuring.bench import Bench
from bench.measuring.kinds import Row, Wanted
from bench.measuring.operator import Skipped
from bench.measuring.wanted import out_of_reach

TUNED = 0.002
MOST_TUNINGS = 5


def dial_for(rows: list[Row], f_hz: float, ends: tuple[float, float]) -> float | None:
    """Dial reading for a frequency, by a shape-keeping curve through a coil's own readings; None from fewer than two."""
    from scipy.interpolate import PchipInterpolator

    by_frequency = sorted({float(r["f0_hz"]): float(r["dial"]) for r in rows}.items())
    if len({dial for _, dial in by_frequency}) < 2:
        return None
    log_f = np.log([f for f, _ in by_frequency])
    dial = float(PchipInterpolator(log_f, [d for _, d in by_frequency])(math.log(f_hz)))
    low, high = sorted(ends)
    return min(max(dial, low), high)


def slope(rows: list[Row], dial: float) -> float:
    """Change of ln f for one division at a place of the dial, from readings at two settings or more."""
    # One point for each dial setting: two readings at one setting have no slope between them.
    dials, where = np.unique([float(r["dial"]) for r in rows], return_inverse=True)
    log_f = np.bincount(where, np.log([float(r["f0_hz"]) for r in rows])) / np.bincount(where)
    place = int(np.clip(np.searchsorted(dials, dial), 1, len(dials) - 1))
    return float((log_f[place] - log_f[place - 1]) / (dials[place] - dials[place - 1]))


def tune(bench: Bench, item: Wanted) -> tuple[float, float]:
    """Tune the tank to the item's frequency; returns the dial reading and the frequency it then has.

    Raises
    ------
    Skipped
        The dial does not reach it, or cannot be set before the coil's resonances were read.
    ReadingError
        The dial could not be brought there.
    """
    assert item.f_hz is not None
    rows, plan = bench.tuned(item.coil), bench.plan
    end = out_of_reach(plan, rows, item.f_hz)
    if end is not None:
        raise Skipped(f"the dial ends at {bench.show(end)}")
    dial = dial_for(rows, item.f_hz, plan.receiver.tuning.dial)
    if dial is None:
        raise Skipped("take resonance readings of this coil first, so that the dial can be set")
    if not bench.instruments.has("analyzer"):
        bench.prepare(item, loop=False)
        return bench.set_dial(round(dial, 1)), item.f_hz
    from bench.readings.resonance_run import measure_resonance

    # A set that oscillates at angle 0 would drown the analyzer: in a cold run the tank is tuned cold.
    bench.prepare(item, loop=True, valve=bench.valve)
    bench.operator.rest_control(0.0)
    per_division = slope(rows, dial)
    for _ in range(MOST_TUNINGS):
        at = bench.set_dial(round(dial, 2))
        seen = partial(bench.reporter.sweep, f"coil {item.coil}, dial {at:g}")
        reading = measure_resonance(
            bench.instruments.analyzer(), 0.93 * item.f_hz, 1.07 * item.f_hz, q_goal=0.1, on_sweep=seen
        )
        f0 = float(reading.resonance.f0_hz or item.f_hz)
        bench.reporter.detail(f"{item.words()}: tuned to {bench.show(f0)}")
        if abs(f0 / item.f_hz - 1) <= TUNED:
            return at, item.f_hz
        low, high = sorted(plan.receiver.tuning.dial)
        dial = min(max(at + math.log(item.f_hz / f0) / per_division, low), high)
    if abs(f0 / item.f_hz - 1) >= SAME_FREQUENCY:
        raise ReadingError(
            f"The dial could not be brought to {bench.show(item.f_hz)}: at {at:g} the tank is at {bench.show(f0)}. "
            "Read this coil's resonance again at more dial settings."
        )
    return at, f0
