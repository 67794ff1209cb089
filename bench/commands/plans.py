"""A plan as commands are given one: a file or a session, with values changed for one run."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from bench.plan.schema import Plan


def plan_path(given: str) -> Path:
    """The plan file that a path, a session's folder or a session's bare name stands for.

    Raises
    ------
    PlanError
        None of them is there.
    """
    from bench.errors import PlanError, SessionError
    from bench.session.place import PLAN, find

    try:
        path = Path(given)
        if path.is_file():
            return path
        folder = path if path.is_dir() else find(given)
        if (folder / PLAN).is_file():
            return folder / PLAN
        if folder.is_dir():
            raise PlanError(f"{given[:200]} has no {PLAN}; give the path of a plan.toml, or a session.")
    except (SessionError, ValueError, OSError):
        pass
    raise PlanError(
        f"{given[:200]} is neither a plan nor a session; give the path of a plan.toml, or a session."
    )


def plan_with(path: Path, sets: Sequence[str]) -> Plan:
    """The plan of a file with ``--set`` texts applied.

    Raises
    ------
    PlanError
        The file itself is at fault.
    click.UsageError
        A ``--set`` is.
    """
    from bench.errors import PlanError
    from bench.plan.schema import load_plan

    try:
        return load_plan(path, sets)
    except PlanError as problem:
        if not sets:
            raise
        load_plan(path)  # where the file itself is at fault, that is the error to show
        text = str(problem)
        raise click.UsageError(text if "--set " in text else f"--set {' '.join(sets)}: {text}") from problem
