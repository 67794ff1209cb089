"""`regenbench page`."""

from __future__ import annotations

import click

from bench.commands.options import page_options, reading_options


@click.command("page")
@click.argument("session")
@reading_options
@click.option("--virtual", is_flag=True, help="On the virtual bench: you press, its hands turn and plug.")
@click.option("--watch", is_flag=True, help="Only show what another run records.")
@page_options
def command(
    session: str,
    coils: tuple[str, ...],
    kinds: tuple[str, ...],
    cold: bool,
    virtual: bool,
    watch: bool,
    port: int,
    closed: str,
    open_browser: bool,
) -> None:
    """Measure SESSION with a browser page in place of the terminal: large type, one key for each answer.

    Where another run holds the session, the page shows what that run records. The page stays until it is told to end, or
    until Ctrl-C.
    """
    from contextlib import ExitStack

    from bench.page.run import run_page, served
    from bench.session.folder import Session
    from bench.session.place import PLAN

    opened = Session.open(session)
    for name in coils:
        opened.plan.coil_named(name)
    with ExitStack() as stack:
        bench = None
        if virtual and not watch:
            from bench.virtual.hands import VirtualBench

            bench = stack.enter_context(VirtualBench(opened.path / PLAN))
        desk = stack.enter_context(served(port=port, closed=closed, open_browser=open_browser))
        run_page(opened, desk, kinds=kinds, coils=coils, cold=cold, watch=watch, bench=bench)
