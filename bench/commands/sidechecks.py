"""`regenbench sidechecks`: a hand near the set, the wiper, the control's pull, the antenna, and whether readings agree."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from bench.sidechecks import Check

_SHORT = {
    "body": "hand",
    "wiper": "wiper",
    "pull": "pull",
    "steepness": "steepness",
    "antenna": "antenna",
    "agreement": "onset in two ways",
}
# The kind of reading that gives a check.
READINGS = {"body": "body", "wiper": "wiper", "pull": "curve", "steepness": "curve", "agreement": "curve"}


@click.command("sidechecks", short_help="A hand near the set, the wiper, the control's pull, the antenna.")
@click.argument("session")
@click.option("--coil", "coils", multiple=True, metavar="NAME", help="Only this coil (may be given again).")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
@click.option("--chart", is_flag=True, help="Draw a sheet for each coil, too, into the session's charts.")
def command(session: str, coils: tuple[str, ...], as_json: bool, chart: bool) -> None:
    """What else SESSION's readings say, a table and a sentence each; and what was not read, with the command that reads it.

    A hand near the set detunes it; the wiper makes noise; the control pulls the dial; the antenna loads the tank. Onsets
    read in several ways should agree.
    """
    from bench.session.folder import Session
    from bench.sidechecks import side_checks

    opened = Session.open(session)
    for name in coils:
        opened.plan.coil_named(name)
    found = side_checks(opened, coils)
    if as_json:
        import json

        document = {"session": opened.name, "checks": [check.document() for check in found]}
        click.echo(json.dumps(document, indent=2, allow_nan=False))
    else:
        _print_all(found, session)
    if chart:
        from bench.charts.side import draw_into

        for path in draw_into(opened, coils):
            click.echo(f"Drawn: {path}", err=True)


def _print_all(found: list[Check], session: str) -> None:
    """What was read, in full; what was not, one sentence a coil; at the end, how the antenna is read."""
    from bench.wrapping import wrapped

    for coil in dict.fromkeys(check.coil for check in found):
        mine = [check for check in found if check.coil == coil]
        for check in mine:
            if check.rows:
                _print(check)
                click.echo()
        lacking = [check for check in mine if not check.rows]
        if lacking:
            click.echo(
                wrapped(
                    f"Coil {coil}, not read yet: {', '.join(_SHORT[check.name] for check in lacking)}.",
                    "",
                    "  ",
                )
            )
    antenna = next((check.missing for check in found if check.name == "antenna" and not check.rows), "")
    unread = {READINGS[check.name] for check in found if not check.rows and check.name in READINGS}
    if unread:
        names = " ".join(f"--reading {name}" for name in sorted(unread))
        click.echo(wrapped(f"Next: regenbench measure {session} {names}", "", "  "))
    if antenna:
        click.echo(wrapped(f"For the antenna: {antenna}", "", "  "))


def _print(check: Check) -> None:
    from bench.sidecheck_table import as_table
    from bench.sidechecks import TITLES
    from bench.wrapping import wrapped

    click.echo(f"Coil {check.coil}: {TITLES[check.name]}")
    if check.rows:
        heads, rows = as_table(check)
        table = [heads, *rows]
        widths = [max(len(line[i]) for line in table) for i in range(len(heads))]
        for line in table:
            click.echo("  " + "  ".join(cell.rjust(width) for cell, width in zip(line, widths, strict=True)))
    click.echo(wrapped(check.sentence))
    if check.missing:
        click.echo(wrapped(f"Still to read: {check.missing}", "  ", "  "))
