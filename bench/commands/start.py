"""`regenbench start`."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from bench.plan.schema import Plan

WIRING = "wiring.svg"


@click.command("start")
@click.argument("session")
@click.option("--plan", "plan_file", metavar="FILE", help="Take the plan from this file.")
@click.option("--like", metavar="OLD", help="Take the plan from an older session, to be compared with it.")
@click.option("--example", is_flag=True, help="Begin with the commented example of a plan, to be edited.")
def command(session: str, plan_file: str | None, like: str | None, example: bool) -> None:
    """Make the folder of SESSION and its plan.toml; at a terminal, asks what it needs.

    SESSION is a name (the folder is then made under sessions) or a path.
    """
    from bench.charts.wiring import wiring_svg
    from bench.errors import SessionError
    from bench.plan.schema import read_plan_text
    from bench.session import disk
    from bench.session.folder import Session
    from bench.session.place import PLAN, find

    if sum([plan_file is not None, like is not None, example]) > 1:
        raise click.UsageError("Say one of --plan FILE, --like OLD and --example.")
    folder = find(session)
    if folder.exists():
        raise SessionError(
            f"{folder} is there already. Choose another name, or go on with it: measure, enter, take."
        )
    source: Path | None = None
    if plan_file is not None:
        source = Path(plan_file).parent
        text, kind = _sound(Path(plan_file)), "as given"
    elif like is not None:
        source = Session.open(like).path
        text, kind = _sound(Session.open(like).path / PLAN), f"like {like}"
    elif example:
        text, kind = (
            read_plan_text(Path(__file__).parents[1] / "plan" / "example.toml"),
            "the example, to be edited",
        )
    else:
        text, kind = _asked(folder.name), "from your answers"
    made = Session.create(folder if folder.is_absolute() else session, text, like=like)
    again = session if " " not in session else f'"{session}"'
    disk.write_whole(made.path / WIRING, wiring_svg(made.plan))
    beside = _descriptions(made.plan, source) if source is not None else []
    for description in beside:
        disk.write_whole(made.path / description.name, description.read_bytes())
    click.echo(
        f"Made {made.path}, its plan.toml {kind}, {', '.join([*(d.name for d in beside), ''])}and {WIRING}:\nhow the plan takes the set to be wired."
    )
    click.echo(f"Read {made.path / PLAN} through.\nNext: regenbench predict {again}")
    click.echo("says where each coil should start to oscillate, before anything is wound.")


def _descriptions(plan: Plan, source: Path) -> list[Path]:
    """Instrument descriptions that lie beside the plan they are named in: without them the new session reads nothing."""
    names = {str(part.model_dump().get("description") or "") for part in plan.instruments.values()}
    return [
        source / name
        for name in sorted(names)
        if name and Path(name).name == name and (source / name).is_file()
    ]


def _sound(path: Path) -> str:
    """The text of a plan that can be used; errors name this file, not the copy."""
    from bench.plan.schema import parse_plan, read_plan_text

    text = read_plan_text(path)
    parse_plan(text, str(path))
    return text


def _asked(name: str) -> str:
    import sys

    if sys.stdin is None or not sys.stdin.isatty():
        raise click.UsageError(
            "Questions are asked at a terminal only: say --plan FILE, --like OLD, or --example for a plan to edit."
        )
    from bench.plan.questions import ask_everything
    from bench.plan.writing import plan_from

    return plan_from(ask_everything(name))
