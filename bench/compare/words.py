"""A comparison in plain words, and as the one document that ``--json`` prints."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING, Any

from bench import quantities
from bench.compare.parts import Difference, onset_state

if TYPE_CHECKING:
    from bench.compare.parts import CoilComparison, Comparison, OnsetRow, Single, TankRow
    from bench.plan.changes import PlanChange

# Share of unchanged values that lie further out than two standard uncertainties (normal distribution).
BY_CHANCE = 0.0455
SAME = "none seen"


def verdict(real: bool | None, rises: bool, up: str, down: str) -> str:
    """One or two words for a difference."""
    return "?" if real is None else SAME if not real else up if rises else down


def verdict_of(difference: Difference, up: str, down: str) -> str:
    return verdict(difference.real, (difference.value or 0.0) > 0, up, down)


def onset_verdict(row: OnsetRow) -> str:
    """What became of onset at one frequency."""
    return verdict(row.real, row.later, "later", "earlier")


# Sentences


def summary(c: Comparison) -> str:
    """The whole comparison in a few sentences, one a line."""
    lines = [*_headline(c)]
    for coil in c.coils:
        lines.append(f"Coil {coil.name}: {' '.join(coil_sentences(coil, c.after.plan.show.frequency))}")
    for names, where in ((c.only_before, c.before.name), (c.only_after, c.after.name)):
        if names:
            lines.append(
                f"Only in {where}: coil{'s' if len(names) > 1 else ''} {', '.join(names)}; not compared."
            )
    count = len([r for r in _verdicts(c) if r is not None])
    if count:
        lines.append(
            f"Real means a difference of more than twice its standard uncertainty. {count} value"
            f"{'s were' if count > 1 else ' was'} compared: about {_few(BY_CHANCE * count)} would pass for real if "
            "nothing had changed."
        )
    return "\n".join(lines)


def _few(number: float) -> str:
    return f"{number:.0f}" if number >= 1.5 else "one" if number >= 0.5 else "none"


def _headline(c: Comparison) -> list[str]:
    rows = [row for coil in c.coils for row in coil.onset if None not in row.in_window]
    if not rows:
        return ["No onset was read in both sessions at the same frequency."]
    before, after = (sum(bool(row.in_window[k]) for row in rows) for k in (0, 1))
    return [
        f"Onset lies in the window at {after} of {len(rows)} {_places(len(rows), 'frequency', 'frequencies')}, "
        f"before at {before}."
    ]


def _places(count: int, one: str, many: str) -> str:
    return one if count == 1 else many


def _verdicts(c: Comparison) -> Iterable[bool | None]:
    for coil in c.coils:
        for tank in coil.tank:
            yield from (tank.f0.real, tank.q.real)
        for onset in coil.onset:
            yield from (onset.real, onset.dropout.real, onset.backlash.real)
        yield from (coil.inductance_real, coil.gm_m.real)


def coil_sentences(coil: CoilComparison, unit: str) -> list[str]:
    """What became of one coil: onset first, then smoothness, then the tank."""
    settings, places = ("dial setting", "dial settings"), ("frequency", "frequencies")
    out = onset_sentences(coil, unit)
    same = []
    for what, differences, up, down, shown, where in (
        ("backlash", [row.backlash for row in coil.onset], "more", "less", _degrees, places),
        ("resonance", [row.f0 for row in coil.tank], "higher", "lower", _hertz(unit), settings),
        ("Q", [row.q for row in coil.tank], "higher", "lower", "{:.2g}".format, settings),
    ):
        sentence = _trend(what, differences, up, down, shown, where)
        if sentence:
            out.append(sentence)
        elif any(d.real is not None for d in differences):
            same.append(what)
    for what, real, sentence in (
        ("inductance", coil.inductance_real, _inductance(coil)),
        ("feedback (gm times M)", coil.gm_m.real, _feedback(coil)),
    ):
        if real:
            out.append(sentence)
        elif real is False:
            same.append(what)
    if same:
        out.append(f"No real change in {', '.join(same)}.")
    return out or ["nothing was read alike in both sessions."]


def _hertz(unit: str) -> Callable[[float], str]:
    return lambda hz: quantities.show(float(f"{hz:.2g}"), "frequency", unit)


def onset_sentences(coil: CoilComparison, unit: str) -> list[str]:
    """Where onset went, and whether it lies in the window."""
    rows = [row for row in coil.onset if row.real is not None]
    if not rows:
        return []
    before, after = (sum(bool(row.in_window[k]) for row in rows) for k in (0, 1))
    frequencies = _places(len(rows), "frequency", "frequencies")
    out = [f"In the window at {after} of {len(rows)} {frequencies}, before at {before}."]
    moved = [row for row in rows if row.states == ("starts", "starts")]
    sentence = _trend(
        "onset", [r.angle for r in moved], "later", "earlier", _degrees, ("frequency", "frequencies")
    )
    if moved:
        count = f"{len(moved)} {_places(len(moved), 'frequency', 'frequencies')}"
        out.append(sentence or f"No real change of onset at {count}.")
    for state, words in (("never", "never did"), ("always", "oscillated already at the end stop")):
        now = [row for row in rows if row.states == (state, "starts")]
        gone = [row for row in rows if row.states[1] == state and row.states[0] != state]
        if now:
            sure = "" if all(row.real for row in now) else " (just within what is certain)"
            out.append(f"It starts on the control at {_listed(now, unit)}, where it {words} before{sure}.")
        if gone:
            what = "It never starts now" if state == "never" else "It oscillates already at the end stop now"
            out.append(f"{what} at {_listed(gone, unit)}.")
    same = [row for row in rows if row.states[0] == row.states[1] != "starts"]
    if same:
        out.append(
            f"No change at {_listed(same, unit)}: it starts at no angle that can be read, before and after."
        )
    foreseen = [row for row in rows if row.predicted_deg is not None and row.angle.after is not None]
    if foreseen:
        off = [abs((row.angle.after or 0.0) - (row.predicted_deg or 0.0)) for row in foreseen]
        out.append(f"The fit before had foreseen these angles within {_degrees(max(off))}.")
    return out


def _listed(rows: Sequence[OnsetRow], unit: str) -> str:
    return ", ".join(quantities.show(float(f"{row.f_hz:.4g}"), "frequency", unit) for row in rows)


def _trend(
    what: str,
    differences: Sequence[Difference],
    up: str,
    down: str,
    shown: Callable[[float], str],
    places: tuple[str, str],
) -> str | None:
    """One sentence on the real ones of many like differences; None where there are none."""
    known = [d for d in differences if d.real is not None and d.value is not None]
    parts = []
    for word, sign in ((up, 1), (down, -1)):
        sizes = sorted(abs(d.value) for d in known if d.real and d.value is not None and d.value * sign > 0)
        if sizes:
            low, high = shown(sizes[0]), shown(sizes[-1])
            by = high if low == high else f"{low.rpartition(' ')[0] or low} to {high}"
            parts.append(f"{word} at {len(sizes)} of {len(known)} {_places(len(known), *places)}, by {by}")
    return f"{what[0].upper()}{what[1:]} {'; '.join(parts)}." if parts else None


def _degrees(value: float) -> str:
    return f"{value:.0f} degrees" if value >= 9.5 else f"{value:.1f} degrees"


def _inductance(coil: CoilComparison) -> str:
    if coil.ratio is not None:
        off = 100 * (coil.ratio.value - 1)
        return f"Inductance {abs(off):.2g} ± {100 * coil.ratio.u:.1g} % {'more' if off > 0 else 'less'}."
    value = coil.inductance.value or 0.0
    size = quantities.show(abs(value), "inductance", None, coil.inductance.u)
    return f"Inductance {size} {'more' if value > 0 else 'less'}."


def _feedback(coil: CoilComparison) -> str:
    value, before = coil.gm_m.value or 0.0, coil.gm_m.before or 0.0
    share = f"{100 * abs(value / before):.2g} % " if before else ""
    return f"Feedback (gm times M) {share}{'more' if value > 0 else 'less'}."


# The document


def document(c: Comparison) -> dict[str, Any]:
    """The comparison as ``--json`` prints it: SI and degrees, unknown is None."""
    return {
        "before": c.before.name,
        "after": c.after.name,
        "plan_changes": [_change(change) for change in c.plan_changes],
        "coils": [_coil(coil) for coil in c.coils],
        "only_before": list(c.only_before),
        "only_after": list(c.only_after),
        "notes": list(c.notes),
        "summary": summary(c),
    }


def _change(change: PlanChange) -> dict[str, Any]:
    return {"key": change.key, "old": change.old, "new": change.new, "physical": change.physical}


def _coil(coil: CoilComparison) -> dict[str, Any]:
    l_h, gm_m, ratio = coil.inductance, coil.gm_m, coil.ratio
    return {
        "name": coil.name,
        "tank": [_tank(row) for row in coil.tank],
        "onset": [_onset(row) for row in coil.onset],
        "inductance": {
            "before_h": l_h.before,
            "before_u_h": l_h.before_u,
            "after_h": l_h.after,
            "after_u_h": l_h.after_u,
            "difference_h": l_h.value,
            "difference_u_h": l_h.u,
            "ratio": ratio.value if ratio else None,
            "ratio_u": ratio.u if ratio else None,
            "ratio_settings": ratio.settings if ratio else None,
            "real": coil.inductance_real,
        },
        "gm_m": {
            "before_sh": gm_m.before,
            "before_u_sh": gm_m.before_u,
            "after_sh": gm_m.after,
            "after_u_sh": gm_m.after_u,
            "difference_sh": gm_m.value,
            "difference_u_sh": gm_m.u,
            "real": gm_m.real,
        },
        "only_before": [_single(one) for one in coil.only_before],
        "only_after": [_single(one) for one in coil.only_after],
        "notes": list(coil.notes),
    }


def _tank(row: TankRow) -> dict[str, Any]:
    return {
        "dial": row.dial,
        "dial_after": row.dial_after,
        "f0_after_read_hz": row.f0_after_read_hz,
        "valve_before": row.before.valve,
        "antenna_before": row.before.antenna,
        "valve_after": row.after.valve,
        "antenna_after": row.after.antenna,
        "f0_before_hz": row.f0.before,
        "f0_before_u_hz": row.f0.before_u,
        "f0_after_hz": row.f0.after,
        "f0_after_u_hz": row.f0.after_u,
        "difference_hz": row.f0.value,
        "difference_u_hz": row.f0.u,
        "real": row.f0.real,
        "q_before": row.q.before,
        "q_before_u": row.q.before_u,
        "q_after": row.q.after,
        "q_after_u": row.q.after_u,
        "q_difference": row.q.value,
        "q_difference_u": row.q.u,
        "q_real": row.q.real,
        "readings_before": list(row.readings[0]),
        "readings_after": list(row.readings[1]),
    }


def _onset(row: OnsetRow) -> dict[str, Any]:
    def parts(prefix: str, d: Difference) -> dict[str, Any]:
        return {
            f"{prefix}before_deg": d.before,
            f"{prefix}before_u_deg": d.before_u,
            f"{prefix}after_deg": d.after,
            f"{prefix}after_u_deg": d.after_u,
            f"{prefix}difference_deg": d.value,
            f"{prefix}difference_u_deg": d.u,
            f"{prefix}real": d.real,
        }

    return {
        "f_hz": row.f_hz,
        "antenna_before": row.antenna[0],
        "antenna_after": row.antenna[1],
        "state_before": row.states[0],
        "state_after": row.states[1],
        **parts("", row.angle),
        "real": row.real,
        "in_window_before": row.in_window[0],
        "in_window_after": row.in_window[1],
        "at_edge_before": row.at_edge[0],
        "at_edge_after": row.at_edge[1],
        **parts("dropout_", row.dropout),
        **parts("backlash_", row.backlash),
        "predicted_deg": row.predicted_deg,
        "readings_before": list(row.readings[0]),
        "readings_after": list(row.readings[1]),
    }


def _single(one: Single) -> dict[str, Any]:
    if one.tank is not None:
        p = one.tank
        return {
            "table": "resonance",
            "dial": p.dial,
            "valve": one.state.valve,
            "antenna": one.state.antenna,
            "f0_hz": p.f0_hz,
            "f0_u_hz": p.f0_u_hz,
            "q": p.q,
            "q_u": p.q_u,
            "readings": list(p.readings),
        }
    assert one.onset is not None
    o = one.onset
    return {
        "table": "onset",
        "f_hz": o.f_hz,
        "antenna": one.state.antenna,
        "state": onset_state(o),
        "angle_deg": o.angle_deg,
        "angle_u_deg": o.angle_u_deg,
        "dropout_deg": o.dropout_deg,
        "dropout_u_deg": o.dropout_u_deg,
        "readings": list(o.names),
    }
