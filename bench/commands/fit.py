"""`regenbench fit`: dial law, inductances, Q laws, tickler coupling, advice; writes fit.json."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from bench.plan.schema import Plan
    from bench.session.folder import Session


@click.command(short_help="Dial law, Q, tickler coupling and advice.")
@click.argument("session_name", metavar="SESSION")
@click.option("--json", "as_json", is_flag=True, help="Print fit.json.")
@click.option(
    "--all",
    "everything",
    is_flag=True,
    help="Each turn's angles in full, and smoothness with other controls.",
)
def command(session_name: str, as_json: bool, everything: bool) -> None:
    """Fit the readings of SESSION and say what to change.

    Writes fit.json in the session folder. Readings of another recipe or state than the rest are left out, and named.
    """
    import json

    from bench.errors import ReadingError
    from bench.fit.fitting import fit_session
    from bench.session.folder import Session

    session = Session.open(session_name)
    fit = session.write_fit(fit_session(session))
    if as_json:
        click.echo(json.dumps(fit, indent=2, allow_nan=False))
    elif fit["coils"]:
        for line in report(session.plan, fit, everything):
            click.echo(line)
    for line in told(fit):
        click.echo(line, err=True)
    if not fit["coils"]:
        raise ReadingError(nothing_read(session, session_name, "fit"))


def nothing_read(session: Session, name: str, what: str) -> str:
    """Why there is nothing to fit or report, and what to do."""
    how = (
        f"with `regenbench measure {name} --reading resonance --reading onset`, or type them in with "
        "`regenbench enter`"
    )
    kept = sum(len(session.rows(table)) for table in ("resonance", "onset"))
    if kept:
        return (
            f"None of the {kept} resonance and onset readings of session {session.name} can be used to {what}: "
            f"`regenbench fit {name}` says why. Take others {how}."
        )
    curves = len(session.rows("curve"))
    if curves:
        return (
            f"Session {session.name} has {curves} curve readings, which tell nothing without a resonance or an onset "
            f"beside them. Take some {how}."
        )
    return f"Session {session.name} has no readings to {what} yet. Take some {how}."


def told(fit: dict[str, Any]) -> list[str]:
    """Everything that was left out or is in doubt, set first, each once."""
    lines = [*fit["warnings"], *(text for coil in fit["coils"] for text in coil["warnings"])]
    return [f"Note: {text}" for text in dict.fromkeys(lines)]


def report(plan: Plan, fit: dict[str, Any], everything: bool = False) -> Iterator[str]:
    """The fit as a page of text."""
    from bench.advice.smoothness import CANNOT_TELL
    from bench.quantities import show
    from bench.wrapping import wrapped

    unit = plan.show.frequency
    for coil in fit["coils"]:
        yield from _coil(plan, coil, everything)
        yield ""
    for one in fit["overlaps"]:
        a, b = one["coils"]
        low, high = show(one["low_hz"], "frequency", unit), show(one["high_hz"], "frequency", unit)
        yield f"{a} and {b}: {'gap' if one['gap'] else 'overlap'} from {low} to {high}"
    for note in fit["notes"]:
        yield wrapped(f"* {note}", "", "  ")
    if any(coil["advice"].get("smoothness") for coil in fit["coils"]):
        yield wrapped(f"* {CANNOT_TELL}", "", "  ")


def _coil(plan: Plan, coil: dict[str, Any], everything: bool) -> Iterator[str]:
    """What to do, then why, then the numbers it rests on."""
    from bench.quantities import show
    from bench.wrapping import wrapped

    advice = coil["advice"]
    unit, like = plan.show.frequency, plan.show.capacitance
    headline, *why = advice["reasons"] or [""]
    yield wrapped(f"Coil {coil['name']}: {headline}" if headline else f"Coil {coil['name']}", "", "  ")
    for reason in why:
        yield wrapped(reason)
    for lever in advice["levers"]:
        yield wrapped(f"- {lever['what']} {lever['change']}: {lever['effect']}", "  ", "  ")
    if everything:
        yield from _turns_table(plan, coil)
    else:
        yield from _turns_by_the_clock(plan, coil)
    yield from _onset_table(plan, coil)
    yield from _smoothness(plan, advice.get("smoothness") or [], everything)
    facts = [f"L {show(coil['l_h'], 'inductance', None, coil['l_u_h'])}"]
    facts.append(f"stray {show(coil['c_stray_f'], 'capacitance', like, coil['c_stray_u_f'])}")
    law = coil["q_law"]
    if law["q"]:
        ends = f"{law['q'][0]:.0f} at {show(law['f_hz'][0], 'frequency', unit)}"
        if len(law["q"]) > 1:
            ends += f", {law['q'][-1]:.0f} at {show(law['f_hz'][-1], 'frequency', unit)}"
        facts.append(f"Q {ends}")
    if coil["dial_law"]["f_hz"]:
        f_hz = coil["dial_law"]["f_hz"]
        facts.append(f"range {show(min(f_hz), 'frequency', unit)} to {show(max(f_hz), 'frequency', unit)}")
    gm_m = coil["gm_m"]
    if gm_m["value_sh"] is not None:
        facts.append(
            f"gm·M {1e9 * gm_m['value_sh']:.3g} ± {1e9 * gm_m['u_sh']:.2g} mS·µH ({100 * gm_m['u_sh'] / gm_m['value_sh']:.1f} %)"
        )
    if coil["k"] is not None:
        facts.append(f"k {coil['k']:.3f} ± {coil['k_u']:.3f}")
    yield wrapped("; ".join(fact.replace(" ", "\u00a0") for fact in facts)).replace("\u00a0", " ")
    for note in coil["notes"]:
        yield wrapped(f"* {note}", "  ", "  ")


def _near_turns(advice: dict[str, Any]) -> list[dict[str, Any]]:
    """The turns about the present and the best number, and those a lever asks for."""
    if not advice["predicted"]:
        return []
    now, best = advice["tickler_turns_now"], advice["tickler_turns_best"]
    asked = {lever["turns"] for lever in advice["levers"]}
    low, high = min(now, best) - 1, max(now, best) + 1
    return [row for row in advice["predicted"] if low <= row["turns"] <= high or row["turns"] in asked]


def _turns_by_the_clock(plan: Plan, coil: dict[str, Any]) -> Iterator[str]:
    """Turns against frequency, each cell the clock position of onset: narrow enough for eighty columns."""
    control = plan.receiver.control
    rows = []
    for row in _near_turns(coil["advice"]):
        cells = ["never" if a is None else control.clock(a) for a in row["angles_deg"]]
        us = [u for u in row["angles_u_deg"] if u is not None]
        rows.append((*cells, ("<1°" if max(us) < 0.5 else f"{max(us):.0f}°") if us else ""))
    yield from _turns_lines(plan, coil, "on the clock", rows, "±")


def _turns_table(plan: Plan, coil: dict[str, Any]) -> Iterator[str]:
    """The same with angles and their uncertainties in full."""
    rows = []
    for row in _near_turns(coil["advice"]):
        pairs = zip(row["angles_deg"], row["angles_u_deg"], strict=True)
        rows.append(
            tuple(
                "never" if a is None else f"{a:.0f}" + ("" if u is None else f"±{max(u, 0.1):.1f}")
                for a, u in pairs
            )
        )
    yield from _turns_lines(plan, coil, "in degrees", rows)


def _turns_lines(
    plan: Plan, coil: dict[str, Any], how: str, cells: Sequence[tuple[str, ...]], *more: str
) -> Iterator[str]:
    """A line for each number of turns near the present and the best; `more`: heads beyond the frequencies."""
    from bench.advice.turns import percent
    from bench.quantities import show

    near, advice, unit = _near_turns(coil["advice"]), coil["advice"], plan.show.frequency
    if not near:
        return
    f = [show(at["f_hz"], "frequency", unit).rsplit(" ", 1)[0] for at in coil["onset"]]
    yield f"  Onset {how} for each number of tickler turns, at {unit}:"
    rows = [("turns", *f, *more, "in the window")]
    for row, mine in zip(near, cells, strict=True):
        sure = (
            f"{percent(row['confidence']).replace('more than', '>')} sure"
            if row["confidence"] >= 0.01
            else ""
        )
        here = {advice["tickler_turns_now"]: "now"}.get(row["turns"], "")
        best = "best" if row["turns"] == advice["tickler_turns_best"] else ""
        mark = ", ".join(filter(None, ["yes" if row["in_window"] else "no", sure, here, best]))
        rows.append((f"{row['turns']:g}", *mine, mark))
    yield from _lines(rows)


def _smoothness(plan: Plan, rows: list[dict[str, Any]], everything: bool) -> Iterator[str]:
    """What one degree cancels at onset, with the present control and with others."""
    control = plan.receiver.control
    if not rows or not any(slope is not None for row in rows for slope in row["slope_per_deg"]):
        return
    if not everything:
        for row in rows:
            known = [slope for slope in row["slope_per_deg"] if slope is not None]
            if row["present"] and known:
                yield (
                    f"  Smoothness: one degree cancels {_share(min(known))} to {_share(max(known))} % of the loss at onset;"
                )
                yield f"  that is with {row['turns']:g} turns; for other controls: `fit --all`."
        return
    yield "  Smoothness: share of the tank's loss that one degree cancels at onset;"
    yield "  other controls with the turns that suit them, and whether inside the window"
    lines = []
    for row in rows:
        known = [slope for slope in row["slope_per_deg"] if slope is not None]
        angles = [angle for angle in row["angles_deg"] if angle is not None]
        steep = f"{_share(min(known))} to {_share(max(known))} %" if known else "never starts"
        run = f"onset {control.clock(min(angles))} to {control.clock(max(angles))}" if angles else ""
        some = "" if len(angles) == len(row["angles_deg"]) or not angles else ", at some frequencies never"
        lines.append(
            (
                row["control"] + (" (now)" if row["present"] else ""),
                f"{row['turns']:g} turn{'' if row['turns'] == 1 else 's'}",
                steep,
                run + some,
                "inside" if row["in_window"] else "",
            )
        )
    yield from _lines(lines, left=True)


def _share(share: float) -> str:
    return f"{100 * share:.2g}" if share < 0.995 else f"{100 * share:.0f}"


def _lines(rows: Sequence[tuple[str, ...]], left: bool = False) -> Iterator[str]:
    """Cells in columns; the last one is free."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]) - 1)]
    for row in rows:
        cells = [c.ljust(w) if left else c.rjust(w) for c, w in zip(row, widths, strict=False)]
        yield ("  " + "  ".join([*cells, row[-1]])).rstrip()


def _onset_table(plan: Plan, coil: dict[str, Any]) -> Iterator[str]:
    from bench.quantities import show

    control = plan.receiver.control
    if not coil["onset"]:
        return

    def angle(value: float | None, u: float | None = None) -> tuple[str, str]:
        if value is None:
            return "", ""
        return f"{value:.1f}°" + (f" ± {u:.1f}" if u is not None else ""), control.clock(value)

    rows = [("frequency", "onset", "", "drop-out", "", "backlash", "fitted", "loss/°")]
    for at in coil["onset"]:
        slope, backlash = at["slope_per_deg"], at["backlash_deg"]
        onset = ("never", "") if at.get("never") else angle(at["measured_deg"], at["measured_u_deg"])
        rows.append(
            (
                show(at["f_hz"], "frequency", plan.show.frequency),
                *onset,
                *angle(at["dropout_deg"]),
                "" if backlash is None else f"{backlash:.1f}°",
                angle(at["fitted_deg"])[0],
                "" if slope is None else f"{100 * slope:.2f} %",
            )
        )
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    for row in rows:
        yield ("  " + "  ".join(cell.rjust(width) for cell, width in zip(row, widths, strict=True))).rstrip()
