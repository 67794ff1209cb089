"""`regenbench shaft`: the angle sensor held against the control's pointer."""

from __future__ import annotations

import click


@click.command("shaft")
@click.argument("session")
@click.option("--virtual", is_flag=True, help="On the virtual bench: simulated set, sensor and hands.")
@click.option("--json", "as_json", is_flag=True, help="Print one JSON document.")
def command(session: str, virtual: bool, as_json: bool) -> None:
    """Hold SESSION's angle sensor against the pointer on the control: end stops, direction, bow, play of the coupling.

    Takes two minutes, once for each mounting of the sensor. A clear bow is taken out of every angle from then on.
    """
    import json
    import sys
    from contextlib import ExitStack
    from dataclasses import asdict

    from bench.errors import ReadingError
    from bench.measuring.instruments import Instruments
    from bench.measuring.operator import ConsoleOperator, Operator, VirtualOperator
    from bench.measuring.progress import Reporter
    from bench.readings.shaft import measure_shaft
    from bench.session import shaft as kept
    from bench.session.folder import Session
    from bench.session.place import PLAN
    from bench.virtual.hands import VirtualBench

    opened = Session.open(session)
    control = opened.plan.receiver.control
    screen = Reporter(0)
    with ExitStack() as stack:
        stack.enter_context(opened.lock())
        bench = None
        operator: Operator = ConsoleOperator(control, screen.ask, screen.say)
        if virtual:
            bench = stack.enter_context(VirtualBench(opened.path / PLAN))
            operator = VirtualOperator(bench.hands)
        instruments = Instruments(opened.plan, bench.addresses if bench else None, opened.path)
        stack.callback(instruments.close)
        if not instruments.has("angle"):
            raise ReadingError(
                "The plan has no [instruments.angle] to hold against the pointer. Write one first."
            )
        reading = measure_shaft(instruments.sensor(), operator, control.travel_deg, screen.say)
        kept.keep(opened, reading)
    found = reading.shaft
    if as_json:
        click.echo(json.dumps(asdict(reading), indent=2, allow_nan=False))
        return
    way = "grows" if reading.high > reading.low else "falls"
    click.echo(
        f"The sensor's reading {way} with regeneration: {reading.low:.3f} to {reading.high:.3f} of its range."
    )
    most = max(abs(found.bow[0]) / 4.0, abs(found.bow[1]) / 10.4) * control.travel_deg
    click.echo(
        f"Bow: up to {most:.1f}° at its middle; taken out of every angle from now on."
        if any(found.bow)
        else "Bow: none that shows beside the setting of the pointer."
    )
    click.echo(f"Play of the coupling: {found.play_deg:.1f}° ± {2 * found.play_u_deg:.1f}°.")
    click.echo(f"Pointer settings scatter by {found.residual_deg:.1f}°.")
    if found.play_deg > 3.0 and found.play_deg > 2 * found.play_u_deg:
        print("The coupling has much play: tighten it, then run this again.", file=sys.stderr)
    click.echo(f"Next: regenbench measure {session}")
