"""`regenbench chart`: the calibration chart of each coil and the overview of the set."""

from __future__ import annotations

import click

from bench.conventions import CHART_FORMATS


def _formats(ctx: click.Context, param: click.Parameter, value: str) -> tuple[str, ...]:
    asked = [part.strip().lower() for part in value.split(",") if part.strip()]
    for part in asked:
        if part not in CHART_FORMATS:
            raise click.BadParameter(
                f'"{part}" is none of {", ".join(CHART_FORMATS)}; write for example pdf,png'
            )
    if not asked:
        raise click.BadParameter("name at least one, for example pdf,png")
    return tuple(dict.fromkeys(asked))


@click.command(short_help="The calibration chart of each coil.")
@click.argument("session")
@click.option(
    "--coil", "coils", multiple=True, metavar="NAME", help="Only this coil's chart (may be given again)."
)
@click.option(
    "--format",
    "formats",
    default=",".join(CHART_FORMATS),
    metavar="pdf,png,svg",
    callback=_formats,
    help="Which kinds of file; all three if left out.",
)
@click.option(
    "--paper",
    type=click.Choice(["a5", "half-letter"]),
    default="a5",
    help="Size of a coil's chart; the overview is twice as large.",
)
def command(session: str, coils: tuple[str, ...], formats: tuple[str, ...], paper: str) -> None:
    """Draw each coil's calibration chart and the overview of the set into SESSION's charts folder."""
    from bench.charts import draw_session
    from bench.fit.kept import bring_up_to_date
    from bench.session.folder import Session

    opened = Session.open(session)
    for name in coils:
        opened.plan.coil_named(name)
    bring_up_to_date(opened, lambda text: click.echo(text, err=True))
    for path in draw_session(opened, coils, formats, paper):
        click.echo(str(path))
