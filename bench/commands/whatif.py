"""`regenbench whatif`: a measured set with values of its plan changed, the onset then beside the onset now."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from bench.advice.whatif import CoilWhatIf
    from bench.plan.changes import PlanChange
    from bench.plan.schema import Plan

ENDINGS = (".pdf", ".png", ".svg")


@click.command(short_help="A measured set, something changed.")
@click.argument("session_name", metavar="SESSION")
@click.option(
    "--set",
    "sets",
    metavar="KEY=VALUE",
    multiple=True,
    help="Change a plan value: receiver.control.resistance=10kohm",
)
@click.option(
    "--turns", metavar="COIL=N", multiple=True, help="Other tickler turns (or turns below the tap): B=4"
)
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
@click.option(
    "--chart", "chart", type=click.Path(path_type=Path), help="Draw it into this .pdf, .png or .svg file."
)
def command(
    session_name: str, sets: tuple[str, ...], turns: tuple[str, ...], as_json: bool, chart: Path | None
) -> None:
    """Where the coils of SESSION would start to oscillate with values of its plan changed, beside where they start now.

    The session's own fit is what is changed, not the plan alone: measured Q, fitted coupling. Nothing is written but the
    chart that is asked for.
    """
    import json

    from bench.advice.whatif import told, what_if
    from bench.commands.plans import plan_with
    from bench.errors import ReadingError
    from bench.fit.fitting import fit_parts
    from bench.plan.changes import plan_changes
    from bench.session.folder import Session
    from bench.session.place import PLAN

    if chart is not None and chart.suffix.lower() not in ENDINGS:
        raise click.UsageError(
            f"--chart {chart}: the name ends in {', '.join(ENDINGS[:-1])} or {ENDINGS[-1]}."
        )
    session = Session.open(session_name)
    plan = session.plan
    every = (*sets, *(_turns_set(plan, text) for text in turns))
    if not every:
        raise click.UsageError(
            "Say what to change: --turns B=4, or --set receiver.control.resistance=10kohm."
        )
    then = plan_with(session.path / PLAN, every)
    changes = plan_changes(plan, then, *_data(session.path / PLAN, every))
    found = fit_parts(plan, {name: session.frame(name) for name in ("resonance", "onset", "curve")})
    if found.coupling is None:
        raise ReadingError(
            f"Session {session.name} has no fitted onset to start from. Read onset with `regenbench measure {session_name}`, "
            "or ask the plan alone with `regenbench predict`."
        )
    coils = what_if(plan, then, changes, found.coupling, found.coils)
    if all(change.key.startswith("coil.") for change in changes):
        # What is changed in one coil leaves the others as they are.
        coils = [one for one in coils if any(c.key.startswith(f"coil.{one.name}.") for c in changes)]
    notes = told(plan, then, changes, found.coupling, found.coils)
    if as_json:
        click.echo(json.dumps(_document(session.name, coils, notes), indent=2, allow_nan=False))
    else:
        for line in _report(then, coils, notes):
            click.echo(line)
    if chart is not None:
        from bench.charts.whatif import draw_whatif

        draw_whatif(session, then, changes, coils, chart)
        click.echo(f"Chart: {chart}", err=True)


def _turns_set(plan: Plan, text: str) -> str:
    """``B=4`` as a --set; a coil's name may hold dots and spaces."""
    from bench.errors import PlanError

    name, equals, count = text.rpartition("=")
    try:
        turns = float(count)
        coil = plan.coil_named(name.strip())
    except ValueError:
        equals = ""
    except PlanError as problem:
        raise click.UsageError(f"--turns {text[:80]}: {problem}") from problem
    if not equals or not turns > 0:
        raise click.UsageError(
            f"--turns {text[:80]}: write COIL=N, for example --turns {plan.coil[0].name}=4."
        )
    if coil.tap is not None and coil.tap.share is not None:
        raise click.UsageError(
            f"--turns {text[:80]}: this coil's tap is given as a share; write --set coil.{coil.name}.tap.share=0.15."
        )
    return f"coil.{coil.name}.{'tap' if coil.tap is not None else 'tickler'}.turns={turns:g}"


def _data(path: Path, sets: Sequence[str]) -> tuple[dict[str, Any], dict[str, Any]]:
    """The plan's TOML data as written, and with the values set."""
    from bench.plan.schema import read_plan_text
    from bench.plan.text import apply_sets, read_toml

    text = read_plan_text(path)
    changed = read_toml(text, str(path))
    apply_sets(changed, sets)
    return read_toml(text, str(path)), changed


def _document(
    name: str, coils: Sequence[CoilWhatIf], notes: Sequence[tuple[PlanChange, bool, str]]
) -> dict[str, Any]:
    return {
        "session": name,
        "changes": [
            {"key": c.key, "old": c.old, "new": c.new, "estimated_by_fit": estimated, "note": note}
            for c, estimated, note in notes
        ],
        "coils": [
            {
                "name": coil.name,
                "onset": [_row(coil, i) for i in range(len(coil.f_hz))],
                "window_before_deg": [coil.windows[0].low_deg, coil.windows[0].high_deg],
                "window_after_deg": [coil.windows[1].low_deg, coil.windows[1].high_deg],
                "in_window_before": coil.inside(0),
                "in_window_after": coil.inside(1),
                "confidence_before": coil.sure[0],
                "confidence_after": coil.sure[1],
            }
            for coil in coils
        ],
    }


def _row(coil: CoilWhatIf, i: int) -> dict[str, Any]:
    before, after = coil.angle(0, i), coil.angle(1, i)
    both = bool(before) and bool(after)
    return {
        "f_hz": float(coil.f_hz[i]),
        "before_deg": before,
        "before_u_deg": _known(coil.spread.u[0, i]) if before else None,
        "after_deg": after,
        "after_u_deg": _known(coil.spread.u[1, i]) if after else None,
        "difference_deg": after - before if both and after and before else None,
        "difference_u_deg": _known(coil.difference_u[i]) if both else None,
        "in_window_before": _in(coil, 0, before),
        "in_window_after": _in(coil, 1, after),
        "slope_before_per_deg": _known(coil.slopes[0, i]),
        "slope_after_per_deg": _known(coil.slopes[1, i]),
    }


def _in(coil: CoilWhatIf, which: int, angle: float | None) -> bool:
    return (
        angle is not None
        and angle > 0
        and coil.windows[which].low_deg <= angle <= coil.windows[which].high_deg
    )


def _known(value: Any) -> float | None:
    import math

    return float(value) if math.isfinite(value) else None


def _report(
    then: Plan, coils: Sequence[CoilWhatIf], notes: Sequence[tuple[PlanChange, bool, str]]
) -> Iterator[str]:
    from bench.advice.turns import percent
    from bench.quantities import show
    from bench.wrapping import wrapped

    for change, _, note in notes:
        yield wrapped(f"{change.key}: {_value(change.old)} to {_value(change.new)}; {note}.", "", "  ")
    if not notes:
        yield "The plan says the same already: nothing would change."
    control = then.receiver.control
    for coil in coils:
        yield ""
        yield f"Coil {coil.name}"
        for k, when in ((0, "now"), (1, "then")):
            window = coil.windows[k]
            where = window.run(coil.spread.angles[k])
            verdict = "all inside the window" if coil.inside(k) else "not all inside the window"
            yield wrapped(
                f"{when.capitalize()}: {where}, {verdict} ({percent(coil.sure[k])} sure).", "  ", "  "
            )
        rows = [("frequency", "now", "onset then", "clock", "moves by", "%/° now", "then")]
        for i in range(len(coil.f_hz)):
            row = _row(coil, i)
            after, moved = row["after_deg"], row["difference_deg"]
            rows.append(
                (
                    show(row["f_hz"], "frequency", then.show.frequency),
                    f"{_angle(row['before_deg'], None)} {'in' if row['in_window_before'] else 'out':>3}",
                    f"{_angle(after, row['after_u_deg'])} {'in' if row['in_window_after'] else 'out':>3}",
                    "" if not after else control.clock(after),
                    "" if moved is None else f"{moved:+.1f}° ± {max(row['difference_u_deg'] or 0, 0.1):.1f}",
                    _steep(row["slope_before_per_deg"]),
                    _steep(row["slope_after_per_deg"]),
                )
            )
        widths = [max(len(row[k]) for row in rows) for k in range(len(rows[0]))]
        for cells in rows:
            yield ("  " + "  ".join(cell.rjust(w) for cell, w in zip(cells, widths, strict=True))).rstrip()


def _angle(value: float | None, u: float | None) -> str:
    if value is None:
        return "never"
    if value == 0:
        return "already at 0"
    return f"{value:.1f}°" + ("" if u is None else f" ± {max(u, 0.1):.1f}")


def _steep(slope: float | None) -> str:
    return "" if slope is None else f"{100 * slope:.2f}"


def _value(value: Any) -> str:
    if value is None:
        return "none"
    if isinstance(value, dict):
        return ", ".join(f"{key} {_value(item)}" for key, item in value.items())
    if isinstance(value, list | tuple):
        return f"[{', '.join(_value(item) for item in value)}]"
    return f"{value:g}" if isinstance(value, float) else str(value)
