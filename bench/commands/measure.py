"""`regenbench measure`."""

from __future__ import annotations

import click

from bench.commands.options import page_options, reading_options


@click.command("measure")
@click.argument("session")
@reading_options
@click.option("--virtual", is_flag=True, help="On the virtual bench: simulated set, instruments and hands.")
@click.option("--page", is_flag=True, help="Ask at the live page in a browser in place of the terminal.")
@page_options
def command(
    session: str,
    coils: tuple[str, ...],
    kinds: tuple[str, ...],
    cold: bool,
    virtual: bool,
    page: bool,
    port: int,
    closed: str,
    open_browser: bool,
) -> None:
    """Take the readings that SESSION's plan still lacks. Stop at any time; run again to go on."""
    from contextlib import ExitStack

    from bench.measuring.run import measure
    from bench.session.folder import Session
    from bench.session.place import PLAN

    opened = Session.open(session)
    with ExitStack() as stack:
        bench = None
        if virtual:
            from bench.virtual.hands import VirtualBench

            bench = stack.enter_context(VirtualBench(opened.path / PLAN))
        seat = None
        if page:
            from bench.page.run import seated, served

            desk = stack.enter_context(served(port=port, closed=closed, open_browser=open_browser))
            seat = stack.enter_context(seated(opened, desk, cold=cold))
        outcome = measure(opened, kinds=kinds, coils=coils, cold=cold, bench=bench, seat=seat)
    again = session if " " not in session else f'"{session}"'
    if outcome.recorded == 0:
        click.echo(f"Nothing is lacking in {opened.name}. Next: regenbench fit {again}")
        return
    rest = f"; {outcome.lacking} still lacking" if outcome.lacking else ""
    virtually = " --virtual" if virtual else ""
    follow = f"regenbench measure {again}{virtually}" if outcome.lacking else f"regenbench fit {again}"
    click.echo(f"{outcome.recorded} readings recorded in {opened.path}{rest}.\nNext: {follow}")
