"""`regenbench measure`."""

from __future__ import annotations

import click

from bench.measuring.kinds import KINDS


@click.command("measure")
@click.argument("session")
@click.option("--coil", "coils", multiple=True, metavar="NAME", help="Only this coil (may be given again).")
@click.option(
    "--reading",
    "kinds",
    multiple=True,
    metavar="KIND",
    type=click.Choice(list(KINDS)),
    help=f"Only readings of this kind: {', '.join(KINDS)} (may be given again).",
)
@click.option(
    "--cold", is_flag=True, help="Resonance with the valve cold: for a set that oscillates at angle 0."
)
@click.option("--virtual", is_flag=True, help="On the virtual bench: simulated set, instruments and hands.")
def command(session: str, coils: tuple[str, ...], kinds: tuple[str, ...], cold: bool, virtual: bool) -> None:
    """Take the readings that SESSION's plan still lacks. Stop at any time; run again to go on."""
    from contextlib import ExitStack

    from bench.measuring.run import measure
    from bench.session.folder import Session

    opened = Session.open(session)
    with ExitStack() as stack:
        bench = None
        if virtual:
            from bench.virtual.hands import VirtualBench

            settings = opened.plan.virtual
            bench = stack.enter_context(
                VirtualBench(opened.path / "plan.toml", seed=settings.seed, speed=settings.speed)
            )
        outcome = measure(opened, kinds=kinds, coils=coils, cold=cold, bench=bench)
    if outcome.recorded == 0:
        click.echo(f"Nothing is lacking in {opened.name}. Next: regenbench fit {session}")
        return
    rest = f"; {outcome.lacking} still lacking" if outcome.lacking else ""
    virtually = " --virtual" if virtual else ""
    follow = f"regenbench measure {session}{virtually}" if outcome.lacking else f"regenbench fit {session}"
    click.echo(f"{outcome.recorded} readings recorded in {opened.path}{rest}. Next: {follow}")
