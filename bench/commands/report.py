"""`regenbench report`: one web page and one PDF with everything a session says."""

from __future__ import annotations

import click


@click.command("report")
@click.argument("session")
def command(session: str) -> None:
    """Write report.html and report.pdf into SESSION: charts, readings, fits, advice, cautions, how it was measured.

    The page needs no network and no other file; the tables it links to lie beside it.
    """
    from bench.commands.fit import nothing_read
    from bench.errors import ReadingError
    from bench.fit.kept import bring_up_to_date
    from bench.report import as_html, as_pdf
    from bench.report.contents import document
    from bench.session import disk
    from bench.session.folder import Session

    opened = Session.open(session)
    bring_up_to_date(opened, lambda text: click.echo(text, err=True))
    fit = opened.read_fit()
    if not fit or not fit["coils"]:
        raise ReadingError(nothing_read(opened, session, "report"))
    whole = document(opened, fit)
    for name, data in (("report.html", as_html.write(whole)), ("report.pdf", as_pdf.write(whole))):
        disk.write_whole(opened.path / name, data)
        click.echo(str(opened.path / name))
