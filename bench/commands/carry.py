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
    from bench.streams import tell

    carried = carry(Session.open(session), coils, old)
    for done in carried:
        listed = ", ".join(f"{count} {table}" for table, count in done.rows.items())
        click.echo(f"Coil {done.coil}: carried over from recipe {done.recipe}: {listed}.")
    if any(done.angles for done in carried):
        tell(
            "Angles were counted with the old plan's travel_deg, clock positions with its direction too: if one of these is what you "
            "corrected, withdraw them and read or type them again."
        )
