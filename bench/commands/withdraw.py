"""`regenbench withdraw`: take a reading back."""

from __future__ import annotations

import click


@click.command("withdraw")
@click.argument("session")
@click.argument("reading")
@click.option("--note", default="", metavar="TEXT", help="Why, for the log.")
def command(session: str, reading: str, note: str) -> None:
    """Withdraw READING (such as r00012) from SESSION: it stays in its table and counts no more."""
    from bench.errors import SessionError
    from bench.session.folder import Session
    from bench.session.tables import TABLES

    opened = Session.open(session)
    for table in TABLES:
        if any(row["reading"] == reading for row in opened.rows(table)):
            with opened.lock():
                opened.withdraw(table, reading, note)
            click.echo(
                f"{reading} of {TABLES[table].file} is withdrawn.\nTo take it again: regenbench measure {session}"
            )
            return
    raise SessionError(
        f"{opened.name} has no reading {reading[:40]!r} that counts; the first column of its tables names them."
    )
