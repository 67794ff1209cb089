"""`regenbench ports`: what is connected and what answers there."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from drivers.ports import Report


@click.command("ports")
@click.option("--json", "as_json", is_flag=True, help="One JSON list on standard output.")
@click.option(
    "--address",
    "addresses",
    multiple=True,
    metavar="ADDR",
    help="Ask this VISA address or socket://HOST:PORT too; may be given again.",
)
@click.option("--list-only", is_flag=True, help="Only list; send nothing to anything.")
@click.option("--baud", type=click.IntRange(300, 4_000_000), help="Ask serial ports at this speed only.")
@click.option(
    "--wait",
    "wait_s",
    type=click.FloatRange(0.05, 60.0),
    default=1.0,
    show_default=True,
    metavar="SECONDS",
    help="How long to wait for each answer.",
)
@click.option(
    "--ask", "ask_port", metavar="PORT", help="Send the lines you type to PORT; shows every byte that comes."
)
@click.option(
    "--line-end",
    type=click.Choice(["crlf", "lf", "cr"]),
    default="crlf",
    show_default=True,
    help="What ends a typed line, with --ask.",
)
@click.option(
    "--try", "description", metavar="FILE", help="Take one sweep by this description; needs --port."
)
@click.option("--port", "try_port", metavar="PORT", help="Where the described instrument is.")
def command(
    as_json: bool,
    addresses: tuple[str, ...],
    list_only: bool,
    baud: int | None,
    wait_s: float,
    ask_port: str | None,
    line_end: str,
    description: str | None,
    try_port: str | None,
) -> None:
    """Serial ports and instruments, and what answers on each.

    Looks at this machine's serial ports and USB instruments; the network is asked nothing but the addresses you name.
    """
    if ask_port is not None:
        _ask_lines(ask_port, baud or 115200, line_end, wait_s)
        return
    if description is not None or try_port is not None:
        if description is None or try_port is None:
            raise click.UsageError("--try and --port go together.")
        _try(description, try_port)
        return

    from concurrent.futures import ThreadPoolExecutor

    from drivers import ports

    found = ports.serial_ports() + ports.usb_instruments()
    found += [ports.Found(address, "address", "as given") for address in addresses]
    bauds = (115200, 9600) if baud is None else (baud,)
    if list_only:
        reports = [ports.Report(one.port, one.kind, one.description) for one in found]
    else:
        with ThreadPoolExecutor(max_workers=8) as pool:
            reports = list(pool.map(lambda one: ports.ask(one, bauds=bauds, timeout_s=wait_s), found))
    if as_json:
        import json
        from dataclasses import asdict

        click.echo(json.dumps([asdict(report) for report in reports], indent=2))
        return
    if not reports:
        click.echo("No serial port and no USB instrument is connected.")
        click.echo(
            "Plug one in and try again, or ask an address: "
            "regenbench ports --address TCPIP::192.0.2.7::5025::SOCKET",
            err=True,
        )
        return
    for report in reports:
        click.echo(_text(report))


def _text(report: Report) -> str:
    from bench.wrapping import wrapped

    lines = [f"{report.port}  ({report.description})"]
    if report.answer is not None:
        lines.append(f"    answers: {report.answer}")
    if report.list_points is not None:
        lines.append(
            f"    takes free lists of up to {report.list_points} frequencies: fewer points for each reading"
        )
    if report.problem is not None:
        lines.append(wrapped(report.problem, "    "))
    if report.plan:
        lines.append("    for the plan:")
        lines += [f"        {line}" for line in report.plan]
    return "\n".join(lines)


def _ask_lines(port: str, baud: int, line_end: str, wait_s: float) -> None:
    """Typed lines out, bytes back, until the end of input."""
    from drivers import trying
    from drivers.transport import open_transport

    transport = open_transport(port, baud=baud)
    try:
        click.echo(
            f"{port} is open at {baud} baud. Type a line; Ctrl-D or an empty Ctrl-Z line ends.", err=True
        )
        for shown in trying.show_bytes(trying.listen(transport, 0.2)):
            click.echo(f"  {shown}")
        for typed in sys.stdin:
            line = typed.rstrip("\r\n")
            data = trying.ask_line(transport, line, trying.LINE_ENDS[line_end], wait_s)
            click.echo(f"> {line}")
            for shown in trying.show_bytes(data):
                click.echo(f"  {shown}")
            for hint in trying.suggestions(data, line):
                click.echo(hint, err=True)
    finally:
        transport.close()


def _try(description: str, port: str) -> None:
    """One sweep, drawn, and what is wrong with it."""
    from drivers import trying
    from drivers.description import load_description

    described = load_description(description)
    who, sweep = trying.try_sweep(port, described)
    click.echo(f"{who}: {len(sweep.f_hz)} points")
    for line in trying.draw(sweep):
        click.echo(line)
    for doubt in trying.doubts(sweep) or ["Nothing looks wrong with it."]:
        click.echo(doubt)
    if described.listed is not None:
        listed = trying.try_list(port, described)
        how = "one at a time" if described.listed.one_by_one else "in one request"
        click.echo(
            f"It takes free lists of frequencies: {len(listed.f_hz)} unevenly spread, {how}, came back as asked."
        )
