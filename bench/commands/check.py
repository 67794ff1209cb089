"""`regenbench check`."""

from __future__ import annotations

import click

MOST_LISTED = 1000


@click.command("check")
@click.argument("session")
@click.option("--json", "as_json", is_flag=True, help="One JSON document on stdout.")
def command(session: str, as_json: bool) -> None:
    """Is every file of SESSION whole and every row valid; says which row is not."""
    from bench.errors import SessionError
    from bench.session.checking import check_session

    report = check_session(session)
    if as_json:
        import json

        facts = {
            "session": str(report.path),
            "files": report.files,
            "faults": report.faults,
            "remarks": report.remarks,
        }
        click.echo(json.dumps(facts, indent=2))
    else:
        for line in report.files:
            click.echo(line)
        for line in report.remarks:
            click.echo(f"remark: {line}")
        for line in report.faults[:MOST_LISTED]:
            click.echo(f"fault: {line}")
        if len(report.faults) > MOST_LISTED:
            click.echo(f"… and {len(report.faults) - MOST_LISTED} more")
    if report.faults:
        count = len(report.faults)
        raise SessionError(
            f"{count} fault{'s' if count > 1 else ''} in {report.path}; the first: {_with_next_move(report.faults[0])}"
        )
    if not as_json:
        click.echo(f"{report.path} is whole.")


def _with_next_move(fault: str) -> str:
    """A fault as a sentence; a fault that is one already says what to do itself."""
    if fault.endswith("."):
        return fault
    return f"{fault}. Correct it with an editor, or take the line out and keep it elsewhere."
