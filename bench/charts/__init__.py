"""Charts of a session: each coil's page and the overview of the set. They read plan, tables and fit.json only."""

from __future__ import annotations

import gc
import os
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from bench.conventions import CHART_FORMATS
from bench.errors import SessionError

if TYPE_CHECKING:
    from bench.session.folder import Session

OVERVIEW = "overview"
_READ = ("resonance", "onset")


def draw_session(
    session: Session,
    coils: Sequence[str] = (),
    formats: Sequence[str] = CHART_FORMATS,
    paper: str = "a5",
) -> list[Path]:
    """Draw a session's charts into its `charts` folder.

    Parameters
    ----------
    session : Session
    coils : sequence of str
        Only these coils, and no overview; all coils and the overview when empty.
    formats : sequence of {"pdf", "png", "svg"}
    paper : {"a5", "half-letter"}

    Returns
    -------
    list of Path
        The files, chart by chart.

    Raises
    ------
    BenchError
        No such coil, a damaged table or fit, or a folder that cannot be written.
    """
    # Named here rather than on top: whoever asks only for a name must not wait for matplotlib.
    from bench.charts.page import coil_page, set_page
    from bench.plan.schema import recipe

    plan = session.plan
    chosen = list(dict.fromkeys(plan.coil_named(name).name for name in coils)) or [c.name for c in plan.coil]
    stems = file_stems([c.name for c in plan.coil])
    tables = {name: session.rows(name) for name in _READ}
    fit = session.read_fit()
    recipes = {c.name: recipe(plan, c.name) for c in plan.coil}
    folder = session.charts_dir
    try:
        jobs: list[tuple[Path, Any]] = [
            (folder / stems[name], coil_page(plan, tables, fit, name, recipes[name], session.name))
            for name in chosen
        ]
        if not coils:
            jobs.append((folder / OVERVIEW, set_page(plan, tables, fit, recipes, session.name)))
    except (AttributeError, TypeError, ValueError, KeyError) as problem:
        # Tables are checked when read; only a fit edited by hand can hold what is none of its own.
        raise SessionError(
            f"{session.path / 'fit.json'} holds something that no fit writes ({problem}). "
            "Delete it and run `regenbench fit` again."
        ) from problem
    return _write(jobs, formats, paper)


def _write(jobs: Sequence[tuple[Path, Any]], formats: Sequence[str], paper: str) -> list[Path]:
    """Draw and save, on two cores where there is enough to do to be worth a second start of Python."""
    workers = min(os.cpu_count() or 1, len(jobs) // 2, 4)
    tasks = [(stem, page, tuple(formats), paper) for stem, page in jobs]
    if workers > 1:
        from concurrent.futures import ProcessPoolExecutor
        from concurrent.futures.process import BrokenProcessPool
        from multiprocessing import get_context

        try:
            # Spawned, not forked: a fork of a process with threads (numpy starts some) may hang.
            with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
                return [path for paths in pool.map(_draw, tasks) for path in paths]
        except (BrokenProcessPool, PermissionError, NotImplementedError):
            pass  # No second process to be had here; one will do.
    return [path for task in tasks for path in _draw(task)]


def _draw(task: tuple[Path, Any, tuple[str, ...], str]) -> list[Path]:
    from bench.charts.coil import draw_coil
    from bench.charts.overview import draw_set
    from bench.charts.page import CoilPage
    from bench.charts.style import save

    stem, page, formats, paper = task
    collecting = gc.isenabled()
    # A figure is many small objects that all live to its end: looking through them again and again takes a tenth of the time.
    gc.disable()
    try:
        figure = draw_coil(page, paper) if isinstance(page, CoilPage) else draw_set(page, paper)
        return save(figure, stem, formats)
    except OSError as problem:
        raise SessionError(
            f"The chart {stem.name} cannot be written into {stem.parent}: {problem.strerror or problem}."
        ) from problem
    finally:
        if collecting:
            gc.enable()


def file_stems(names: Sequence[str]) -> dict[str, str]:
    """A file name, without its ending, for each coil: spaces made underscores, no two alike on any system."""
    taken = {OVERVIEW}
    stems: dict[str, str] = {}
    for name in names:
        base = (
            "".join(c if c.isascii() and (c.isalnum() or c in "._-") else "_" for c in name).strip(".")
            or "coil"
        )
        # Windows keeps these names for devices, whatever the ending.
        if base.split(".")[0].lower() in _DEVICES:
            base = f"coil_{base}"
        stem, count = base, 1
        while stem.lower() in taken:
            count += 1
            stem = f"{base}_{count}"
        taken.add(stem.lower())
        stems[name] = stem
    return stems


_DEVICES = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))}
