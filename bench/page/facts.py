"""From a session to what the page says of it: the set, progress through the plan, the last readings, a sweep."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.measuring.kinds import KINDS, Wanted
from bench.measuring.wanted import antenna_state, lacking
from bench.plan.schema import Plan
from bench.quantities import show, show_number
from bench.readings.turning import LEVEL_FULL_SCALE_V
from bench.session.folder import Session
from bench.session.tables import TABLES

if TYPE_CHECKING:
    from bench.physics.resonance import Resonance
    from bench.readings.level_fit import LevelSweep
    from drivers.roles import Complexes, Floats

MOST_POINTS = 500
FIT_POINTS = 161
# How many bandwidths of a fitted resonance are shown.
SHOWN_BANDWIDTHS = 6.0
LAST_READINGS = 5
HZ_IN = {"kHz": 1e3, "kc": 1e3, "MHz": 1e6, "Mc": 1e6}


def set_facts(session: Session) -> dict[str, Any]:
    """What does not change while readings are taken."""
    control = session.plan.receiver.control
    return {
        "name": session.plan.receiver.name or "The set on the bench",
        "session": session.name,
        "level_v": LEVEL_FULL_SCALE_V,
        "control": {
            "travel_deg": control.travel_deg,
            "direction": control.direction,
            "window_deg": list(control.window_deg),
        },
    }


def progress(
    session: Session, *, cold: bool = False, here: str = "", left: Collection[str] = ()
) -> dict[str, Any]:
    """Every reading that the plan asks for, coil by coil, and how it stands.

    Parameters
    ----------
    here : words of the reading being taken.
    left : words of the readings left out.
    """
    plan = session.plan
    state = {"valve": "cold" if cold else "working", "antenna": antenna_state(plan)}
    every = lacking(plan, {kind: [] for kind in KINDS}, **state)
    rows: dict[str, list[dict[str, Any]]] = {kind: session.rows(kind) for kind in KINDS}
    missing = {_place(item) for item in lacking(plan, rows, **state)}
    unreachable = _unreachable(plan, every, rows)
    coils: dict[str, dict[str, list[dict[str, str]]]] = {coil.name: {} for coil in plan.coil}
    for item in every:
        words = item.words()
        lacks = _place(item) in missing
        if words == here:
            how = "here"
        elif words in left or _place(item) in unreachable:
            how = "left"
        else:
            how = "" if lacks else "done"
        coils[item.coil].setdefault(item.kind, []).append({"label": words, "state": how})
    cells = [cell for groups in coils.values() for group in groups.values() for cell in group]
    return {
        "done": sum(cell["state"] == "done" for cell in cells),
        "total": len(cells),
        "coils": [
            {"name": name, "groups": [{"kind": kind, "cells": group} for kind, group in groups.items()]}
            for name, groups in coils.items()
        ],
    }


def planned(plan: Plan) -> dict[str, Wanted]:
    """Every reading that the plan asks for, by its words."""
    every = lacking(plan, {kind: [] for kind in KINDS}, valve="working", antenna=antenna_state(plan))
    return {item.words(): item for item in every}


def _place(item: Wanted) -> tuple[object, ...]:
    return item.kind, item.coil, item.dial, item.added_c_f, item.f_hz, item.position


def _unreachable(
    plan: Plan, every: Sequence[Wanted], rows: Mapping[str, list[dict[str, Any]]]
) -> set[tuple[object, ...]]:
    from bench.measuring.wanted import out_of_reach

    found = set()
    for item in every:
        if item.f_hz is not None:
            mine = [row for row in rows["resonance"] if row["coil"] == item.coil]
            if out_of_reach(plan, mine, item.f_hz) is not None:
                found.add(_place(item))
    return found


def last_readings(session: Session, most: int = LAST_READINGS) -> list[dict[str, str]]:
    """The newest readings of all tables, newest first."""
    newest = [(str(row["reading"]), name, row) for name in TABLES for row in session.rows(name)[-most:]]
    newest.sort(key=lambda one: one[0], reverse=True)
    return [_row_words(name, row, session.plan) for _, name, row in newest[:most]]


def _row_words(table: str, row: Mapping[str, Any], plan: Plan) -> dict[str, str]:
    frequency, capacitance = plan.show.frequency, plan.show.capacitance

    def hertz(key: str) -> str:
        return _unbroken(show(row[key], "frequency", frequency))

    dial = _unbroken(f"dial {row['dial']:g}") if row.get("dial") is not None else ""
    clock = plan.receiver.control.clock
    match table:
        case "resonance":
            at = (
                f"{dial} + {show(row['added_c_f'], 'capacitance', capacitance)}" if row["added_c_f"] else dial
            )
            quality = _unbroken(f"Q {row['q']:.0f}") if row["q"] is not None else ""
            found = f"{hertz('f0_hz')}, {quality}" if quality else hertz("f0_hz")
        case "onset":
            at = hertz("f_hz")
            way = "starts" if row["direction"] == "onset" else "stops"
            angle = row["angle_deg"]
            found = (
                "never starts"
                if angle is None
                else "oscillates at angle 0"
                if angle == 0.0
                else f"{way} {clock(angle)} ({angle:.1f}°)"
            )
        case "curve":
            at = f"{hertz('f_hz')}, {clock(row['angle_deg'])}"
            found = f"Q {row['q']:.0f}" if row["q"] is not None else "no Q"
        case "body":
            at = str(row["position"])
            found = f"{row['shift_hz']:+.0f} Hz" if row["shift_hz"] is not None else hertz("f0_hz")
        case _:
            at = dial
            found = f"moving {row['ratio_db']:.1f} dB over rest" if row.get("ratio_db") is not None else ""
    moment = row.get("time")
    time = moment.astimezone().strftime("%H:%M") if isinstance(moment, datetime) else str(moment or "")[11:16]
    return {
        "coil": str(row["coil"] or ""),
        "at": at,
        "found": found,
        "time": time,
        "note": str(row.get("note") or ""),
    }


def _unbroken(text: str) -> str:
    """A value that no line breaks in two."""
    return text.replace(" ", "\N{NO-BREAK SPACE}")


def onsets_at(session: Session, coil: str, f_hz: float) -> list[dict[str, Any]]:
    """Onset and drop-out angles recorded at one frequency of a coil, for the knob's scale."""
    from bench.conventions import SAME_FREQUENCY

    return [
        {"angle_deg": row["angle_deg"], "starts": row["direction"] == "onset"}
        for row in session.rows("onset")
        if row["coil"] == coil
        and row["f_hz"]
        and abs(row["f_hz"] / f_hz - 1) < SAME_FREQUENCY
        and row["angle_deg"] is not None
    ]


def sweep_facts(
    plan: Plan, title: str, f_hz: Floats, s11: Complexes, found: Resonance | None
) -> dict[str, Any]:
    """An analyzer's sweep and the resonance fitted to it, ready to be drawn.

    Parameters
    ----------
    f_hz, s11 : (n,) arrays, by rising frequency.
    found : the fit, None while there is none.
    """
    from bench.physics.resonance_result import model

    low, high = _around(f_hz, found)
    fit_f, fit_s = np.empty(0), np.empty(0, dtype=np.complex128)
    if found is not None and found.found and found.background is not None and found.f0_hz and found.q_loaded:
        fit_f = np.linspace(low, high, FIT_POINTS)
        fit_s = model(found, fit_f)
    else:
        low, high, found = float(f_hz[0]), float(f_hz[-1]), None
    words = (_words_of(plan, found), "" if found is None or found.q is None else f"Q {found.q:.0f}")
    return _drawn(
        plan,
        title,
        "reflection, dB",
        (low, high),
        (f_hz, _decibels(s11)),
        (fit_f, _decibels(fit_s)),
        found,
        words,
    )


def level_sweep_facts(plan: Plan, title: str, sweep: LevelSweep) -> dict[str, Any]:
    """A sweep by generator and detector, ready to be drawn; the Q that it tells is the one with the loop."""
    found = sweep.found
    low, high = _around(sweep.f_hz, found)
    quality = (
        ""
        if found is None or found.q_loaded is None
        else f"Q with the loop {show_number(found.q_loaded, found.q_loaded_u)}"
    )
    at = (
        ""
        if found is None or found.f0_hz is None
        else show(found.f0_hz, "frequency", plan.show.frequency, found.f0_u_hz)
    )
    short = "" if found is None or found.q_loaded is None else f"Q {found.q_loaded:.0f}"
    return _drawn(
        plan,
        f"{title}: Q with the loop" if short else title,
        sweep.axis,
        (low, high),
        (sweep.f_hz, sweep.y),
        (sweep.fit_f_hz, sweep.fit_y),
        found,
        (f"resonance at {at}, {quality}" if at else "", short),
    )


def _words_of(plan: Plan, found: Resonance | None) -> str:
    if found is None or found.f0_hz is None:
        return ""
    at = show(found.f0_hz, "frequency", plan.show.frequency, found.f0_u_hz)
    return f"resonance at {at}, Q {show_number(found.q, found.q_u)}"


def _around(f_hz: Floats, found: Resonance | None) -> tuple[float, float]:
    """The frequencies to be shown: a few bandwidths about the resonance, where one is known."""
    low, high = float(f_hz[0]), float(f_hz[-1])
    if found is None or not found.f0_hz or not found.q_loaded:
        return low, high
    half = 0.5 * SHOWN_BANDWIDTHS * found.f0_hz / found.q_loaded
    return max(low, found.f0_hz - half), min(high, found.f0_hz + half)


def _drawn(
    plan: Plan,
    title: str,
    axis: str,
    shown: tuple[float, float],
    points: tuple[Floats, Floats],
    fit: tuple[Floats, Floats],
    found: Resonance | None,
    words: tuple[str, str],
) -> dict[str, Any]:
    """`words`: the resonance in a sentence and Q in a word or two; both empty while nothing is fitted."""
    unit = plan.show.frequency
    scale = HZ_IN[unit]
    (f_hz, y), (low, high) = points, shown
    inside = np.flatnonzero((f_hz >= low) & (f_hz <= high))
    kept = inside[:: max(1, -(-len(inside) // MOST_POINTS))]
    f0_hz = found.f0_hz if found is not None else None
    told = words[0] or "no resonance fitted yet"
    return {
        "title": title,
        "axis": axis,
        "unit": unit,
        "range": [_short(low / scale), _short(high / scale)],
        "f": [_short(f / scale) for f in f_hz[kept]],
        "y": [round(float(one), 4) for one in y[kept]],
        "fit_f": [_short(f / scale) for f in fit[0]],
        "fit_y": [round(float(one), 4) for one in fit[1]],
        "f0": _short(f0_hz / scale) if f0_hz else None,
        "f0_text": show(f0_hz, "frequency", unit) if f0_hz else "",
        "q_text": words[1],
        "words": f"{title}: {told}, {len(f_hz)} points",
    }


def _short(value: float) -> float:
    return float(f"{value:.8g}")


def _decibels(s: Complexes) -> Floats:
    return np.asarray(20.0 * np.log10(np.maximum(np.abs(s), 1e-6)))
