"""`regenbench compare`: two sessions side by side, before and after a change to the set."""

from __future__ import annotations

import sys
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

if TYPE_CHECKING:
    from rich.console import Console

    from bench.compare.parts import CoilComparison, Comparison, Difference, OnsetRow, Single, TankRow
    from bench.quantities import Kind

# Where the output is no terminal, lines are this long.
PLAIN_WIDTH = 80


@click.command(short_help="Two sessions side by side.")
@click.argument("before", metavar="BEFORE")
@click.argument("after", metavar="AFTER")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
@click.option("--chart/--no-chart", default=True, help="Draw the comparison into AFTER's charts folder.")
@click.pass_context
def command(ctx: click.Context, before: str, after: str, as_json: bool, chart: bool) -> None:
    """What changed from session BEFORE to session AFTER, and which differences are real.

    Coils are compared by name, resonance and Q at the same dial settings (within half a percent of the dial, the difference
    taken off by the dial's slope), onset at the same frequencies (within 1 %), readings of like conditions with each other.
    What only one session has is listed. Where AFTER takes no chart, the comparison is printed all the same.
    """
    from bench.session.folder import Session

    sessions = [Session.open(name) for name in (before, after)]
    if sessions[0].path.resolve() == sessions[1].path.resolve():
        raise click.UsageError(
            "BEFORE and AFTER are one and the same session; name the one from before the change first."
        )
    from bench.compare.sessions import compare_sessions
    from bench.compare.words import document

    found = compare_sessions(*sessions)
    if as_json:
        import json

        click.echo(json.dumps(document(found), indent=2, allow_nan=False))
    else:
        _print(found)
    if not chart:
        return
    from bench.charts.comparison import draw_into, drawable
    from bench.errors import SessionError

    if not drawable(found):
        click.echo("No onset in either session's common coils: no chart.", err=True)
        return
    try:
        drawn = draw_into(found, sessions[1].charts_dir)
    except SessionError as problem:
        if ctx.get_parameter_source("chart") is click.core.ParameterSource.COMMANDLINE:
            raise
        # The comparison itself is done; the chart was nobody's wish.
        click.echo(f"No chart: {problem}", err=True)
        return
    click.echo("Chart:", err=True)
    for path in drawn:
        click.echo(f"  {_short(path)}", err=True)


def _short(path: Path) -> Path:
    try:
        return path.relative_to(Path.cwd())
    except ValueError:
        return path


def _print(c: Comparison) -> None:
    from rich.console import Console

    from bench.compare.words import summary

    # Names and notes are people's own words: nothing in them is markup.
    console = Console(
        file=sys.stdout,
        markup=False,
        highlight=False,
        emoji=False,
        soft_wrap=False,
        width=None if sys.stdout.isatty() else PLAIN_WIDTH,
    )
    console.print(f"Before: {_plain(c.before.name)}    After: {_plain(c.after.name)}")
    console.print()
    _print_plan(console, c)
    for coil in c.coils:
        _print_coil(console, c, coil)
    for note in c.notes:
        console.print(f"! {_plain(note)}")
    if c.notes:
        console.print()
    console.print(_plain(summary(c)))


def _plain(text: str) -> str:
    """Text without characters that would steer a terminal."""
    return "".join(letter if letter.isprintable() or letter == "\n" else "?" for letter in text)


def _table(console: Console, title: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    from rich.table import Table

    listed = [[_plain(cell) for cell in row] for row in rows]
    if not listed:
        return
    # A column that says nothing anywhere is left out.
    kept = [i for i in range(len(heads)) if any(row[i] for row in listed)]
    table = Table(box=None, padding=(0, 2, 0, 0), pad_edge=False, header_style="dim")
    table.add_column("", width=0)
    for i in kept:
        table.add_column(heads[i], justify="left", overflow="fold")
    for row in listed:
        table.add_row("", *(row[i] for i in kept))
    console.print(title)
    console.print(table)
    console.print()


def _print_plan(console: Console, c: Comparison) -> None:
    if not c.plan_changes:
        console.print("The two plans are alike.\n")
        return
    rows = [
        (change.key, _value(change.old), _value(change.new)) for change in c.plan_changes if change.physical
    ]
    _table(console, "Changed in the set", ("key", "before", "after"), rows)
    if not rows:
        console.print("Nothing of the set or its coils was changed in the plan.\n")
    rows = [
        (change.key, _value(change.old), _value(change.new))
        for change in c.plan_changes
        if not change.physical
    ]
    _table(console, "Changed in what is asked and how", ("key", "before", "after"), rows)


def _value(value: Any) -> str:
    if value is None:
        return "-"
    if isinstance(value, dict):
        return ", ".join(f"{key} {_value(item)}" for key, item in value.items())
    if isinstance(value, list | tuple):
        return f"[{', '.join(_value(item) for item in value)}]"
    return f"{value:g}" if isinstance(value, float) else str(value)


def _print_coil(console: Console, c: Comparison, coil: CoilComparison) -> None:
    from bench.compare.words import onset_verdict, verdict_of

    if not (coil.onset or coil.tank or coil.only_before or coil.only_after or coil.notes):
        return  # the sentences below the tables say so
    control, unit = c.after.plan.receiver.control, c.after.plan.show.frequency
    console.print(_plain(f"Coil {coil.name}"))
    _table(
        console,
        "Onset, degrees",
        (unit, "before", "after", "clock", "difference", "it comes", "window", "foreseen"),
        [
            (
                _frequency(row.f_hz, unit).rpartition(" ")[0],
                _angle(row, 0),
                _angle(row, 1),
                "" if row.angle.after is None else control.clock(row.angle.after),
                _shift_deg(row.angle),
                onset_verdict(row),
                _in(row, 0) if _in(row, 0) == _in(row, 1) else f"{_in(row, 0)} → {_in(row, 1)}",
                "" if row.predicted_deg is None else f"{row.predicted_deg:.0f}",
            )
            for row in coil.onset
        ],
    )
    both = [row for row in coil.onset if row.dropout.value is not None]
    for title, head, differences, words in (
        ("Drop-out, degrees", "it comes", [row.dropout for row in both], ("later", "earlier")),
        ("Backlash, degrees", "it is", [row.backlash for row in both], ("more", "less")),
    ):
        _table(
            console,
            title,
            (unit, "before", "after", "difference", head),
            [
                (
                    _frequency(row.f_hz, unit).rpartition(" ")[0],
                    _degrees(d.before, d.before_u),
                    _degrees(d.after, d.after_u),
                    _shift_deg(d),
                    verdict_of(d, *words),
                )
                for row, d in zip(both, differences, strict=True)
            ],
        )
    states = {(row.before, row.after) for row in coil.tank}
    _table(
        console,
        f"Resonance, {unit}",
        ("dial", "state", "before", "after", "difference", "it is"),
        [
            (
                _dial(row),
                row.before.words() if len(states) > 1 else "",
                _frequency(row.f0.before, unit, row.f0.u),
                _frequency(row.f0.after, unit, row.f0.u),
                _shift(row.f0, unit),
                verdict_of(row.f0, "higher", "lower"),
            )
            for row in coil.tank
        ],
    )
    _table(
        console,
        "Q",
        ("dial", "state", "before", "after", "it is"),
        [
            (
                _dial(row),
                row.before.words() if len(states) > 1 else "",
                _number(row.q.before, row.q.before_u),
                _number(row.q.after, row.q.after_u),
                verdict_of(row.q, "higher", "lower") if row.q.value is not None else "",
            )
            for row in coil.tank
            if row.q.before is not None or row.q.after is not None
        ],
    )
    _fits(console, coil)
    for singles, where in ((coil.only_before, c.before.name), (coil.only_after, c.after.name)):
        if singles:
            console.print(_plain(f"Only in {where}: {'; '.join(_singles(singles, unit))}."))
    for note in coil.notes:
        console.print(f"! {_plain(note)}")
    console.print()


def _dial(row: TankRow) -> str:
    """The setting before, and the one after where it shows."""
    before, after = f"{row.dial:.4g}", f"{row.dial_after:.4g}"
    return before if before == after else f"{before} ({after})"


def _fits(console: Console, coil: CoilComparison) -> None:
    from bench.compare.words import verdict

    def row(name: str, d: Difference, real: bool | None, kind: Kind | None, per: float) -> list[str]:
        from bench.quantities import show, show_number

        def text(value: float | None, u: float | None) -> str:
            if value is None:
                return "-"
            if kind is not None:
                return show(value, kind, None, u)
            return show_number(value / per, None if u is None else u / per)

        word = verdict(real, (d.value or 0.0) > 0, "more", "less")
        return [name, text(d.before, d.before_u), text(d.after, d.after_u), word]

    rows = []
    if coil.inductance.value is not None:
        line = row("inductance", coil.inductance, coil.inductance_real, "inductance", 1.0)
        ratio = coil.ratio
        rows.append([*line, "" if ratio is None else f"{ratio.value:.4f} ± {ratio.u:.4f}"])
    if coil.gm_m.value is not None:
        rows.append([*row("gm·M, mS·µH", coil.gm_m, coil.gm_m.real, None, 1e-9), ""])
    _table(console, "By the fits", ("", "before", "after", "it is", "ratio by dial"), rows)


def _frequency(f_hz: float | None, unit: str, u_hz: float | None = None) -> str:
    """A frequency with the digits that its uncertainty allows, its unit left out where the heading says it."""
    from bench.quantities import show

    if f_hz is None:
        return "-"
    if u_hz is None:
        return show(float(f"{f_hz:.4g}"), "frequency", unit)
    return show(f_hz, "frequency", unit, u_hz).partition(" ±")[0]


def _shift(d: Difference, unit: str) -> str:
    from bench.quantities import show

    if d.value is None:
        return "-"
    text = show(d.value, "frequency", unit, d.u).rpartition(" ")[0]
    return text if d.value < 0 else f"+{text}"


def _number(value: float | None, u: float | None) -> str:
    from bench.quantities import show_number

    return "-" if value is None else show_number(value, u)


def _degrees(value: float | None, u: float | None, sign: str = "") -> str:
    """Degrees to a tenth: nobody sets a control any closer."""
    if value is None:
        return "-"
    # Nothing, rounded, has no sign of its own.
    tenths = round(value, 1) or 0.0
    return f"{tenths:{sign}.1f}" + ("" if u is None else f" ± {u:.1f}")


def _shift_deg(d: Difference) -> str:
    return _degrees(d.value, d.u, "+")


def _angle(row: OnsetRow, which: int) -> str:
    if row.states[which] == "starts":
        d = row.angle
        return _degrees(*((d.before, d.before_u) if which == 0 else (d.after, d.after_u)))
    return {"never": "never", "always": "already at 0", "not read": "-"}[row.states[which]]


def _in(row: OnsetRow, which: int) -> str:
    inside = row.in_window[which]
    if inside is None:
        return "-"
    return ("in" if inside else "out") + (", at edge" if row.at_edge[which] else "")


def _singles(singles: Iterable[Single], unit: str) -> list[str]:
    """Those of like conditions together."""
    found: dict[tuple[str, str], list[str]] = {}
    for one in singles:
        if one.tank is not None:
            found.setdefault(("resonance at dial", one.state.words()), []).append(f"{one.tank.dial:g}")
            continue
        assert one.onset is not None
        at = _frequency(one.onset.f_hz, unit)
        found.setdefault(("onset at", one.state.words(valve=False)), []).append(at)
    return [f"{what} {', '.join(places)} ({state})" for (what, state), places in found.items()]
