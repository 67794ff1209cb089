"""`regenbench demo`."""

from __future__ import annotations

import click


@click.command("demo")
@click.option("--into", metavar="DIR", help="Where to make the session folder (default: sessions/demo).")
@click.option("--seed", type=click.IntRange(min=0), default=1, show_default=True, help="Which simulated set.")
def command(into: str | None, seed: int) -> None:
    """The whole job on the virtual bench, over real serial and socket links: measure, fit, chart."""
    from bench.demo import run_demo

    run_demo(into, seed, click.echo)
