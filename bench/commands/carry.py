"""`regenbench carry`: readings stand after the plan was corrected."""

from __future__ import annotations

import click


@click.command("carry")
@click.argument("session")
@click.option("--coil", "coils", multiple=True, metavar="NAME", help="Only this coil (may be repeated).")
@click.option("--recipe", "old", metavar="DIGITS", help="Which earlier recipe, where a coil has several.")
def command(session: str, coils: tuple[str, ...], old: str | None) -> None:
    """Let SESSION's readings of an earlier recipe count under the plan's present one.

    For a plan that was wrong about a set that is still the same: a gm or a capacitance learned later, a gap measured again. Never
    after the coil or the set itself was changed: such readings belong to what it was.
    """
    from bench.session.carrying import carry
    from bench.session.folder import Session

    for done in carry(Session.open(session), coils, old):
        listed = ", ".join(f"{count} {table}" for table, count in done.rows.items())
        click.echo(f"Coil {done.coil}: carried over from recipe {done.recipe}: {listed}.")
        if done.typed_angles:
            click.echo(
                "Its angles that were typed as clock positions were counted with the old plan's travel:\n"
                "if travel_deg or direction is what you corrected, withdraw and type them again.",
                err=True,
            )
