"""One coil's side checks on a sheet: 1/Q falling to the onset along the control, and a sentence for each check."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from bench.charts import file_stems, words
from bench.charts.graphs import nice_ticks
from bench.charts.style import (
    ACCENT,
    BODY,
    EDGE,
    HAIR,
    INK,
    LINE,
    PAD,
    PAPERS,
    SMALL,
    SOFT,
    TINY,
    Sheet,
    fit_size,
    save,
    settings,
    shorten,
    wrap,
)
from bench.physics.onset_curve import CurveOnset
from bench.session.disk import cannot_write
from bench.session.folder import Session
from bench.sidechecks import TITLES, Check, onset_of_run, present_rows, runs, side_checks

HEADER = 15.0
GRAPH = 74.0
LEADING = 3.7
KEY = 3.9
MARKERS = ("o", "s", "^", "D", "v", "P")

Run = Sequence[Mapping[str, Any]]


def draw_into(session: Session, coils: Sequence[str] = (), paper: str = "a5") -> list[Path]:
    """Draw ``side-COIL`` for each coil that has side readings, into the session's charts, in every format.

    Raises
    ------
    SessionError
        The folder cannot be written.
    """
    names = [c.name for c in session.plan.coil if not coils or c.name in coils]
    stems = file_stems([c.name for c in session.plan.coil])
    files: list[Path] = []
    for name in names:
        checks = [check for check in side_checks(session, (name,)) if check.rows]
        if not checks:
            continue
        found = runs(session.plan, present_rows(session.plan, name, session.rows("curve")))
        figure = draw_side(session, name, checks, found, paper)
        try:
            session.charts_dir.mkdir(exist_ok=True)
            with settings():
                files += save(figure, session.charts_dir / f"side-{stems[name]}")
        except OSError as problem:
            raise cannot_write(session.charts_dir, problem) from problem
    return files


def draw_side(
    session: Session, coil: str, checks: Sequence[Check], found: Sequence[Run], paper: str = "a5"
) -> Figure:
    """The sheet of one coil; taller where the sentences need it."""
    with settings():
        width, height = PAPERS[paper]
        inner = width - 2 * EDGE - 2 * PAD
        paragraphs = [(TITLES[check.name], wrap(check.sentence, inner, BODY)) for check in checks]
        text = sum(LEADING * (len(lines) + 1) + 2.0 for _, lines in paragraphs)
        graph = GRAPH + 10.0 + KEY * len(found) if found else 0.0
        sheet = Sheet(width, max(height, 2 * EDGE + HEADER + graph + text + 10.0))
        x0, x1, y0, y1 = EDGE, width - EDGE, EDGE, sheet.height_mm - EDGE
        sheet.lines([[(x0, y0), (x1, y0), (x1, y1), (x0, y1), (x0, y0)]], 1.0, gid="frame")
        title = f"Coil {coil}: side checks"
        sheet.text(
            x0 + PAD,
            y1 - 9.5,
            title,
            fit_size(title, 0.6 * inner, 17.0, 10.0, "bold"),
            weight="bold",
            gid="title",
        )
        name = shorten(
            f"{session.plan.receiver.name or 'the set'}, session {session.name}", 0.55 * inner, SMALL
        )
        sheet.text(x1 - PAD, y1 - 13.0, name, SMALL, ha="right", color=SOFT, gid="session")
        y = y1 - HEADER
        sheet.lines([[(x0, y), (x1, y)]], 0.6)
        if found:
            _draw_runs(sheet, session, found, x0 + PAD, y - 4.0, inner)
            y -= graph
        for heading, lines in paragraphs:
            y -= LEADING + 1.0
            sheet.heading(x0 + PAD, y, heading)
            for line in lines:
                y -= LEADING
                sheet.text(x0 + PAD, y, line, BODY, gid="sentence")
            y -= 1.0
        sheet.text(x0 + PAD, y0 + 1.8, words.CAUTION, TINY, color=SOFT, gid="caution")
        sheet.text(x1 - PAD, y0 + 1.8, words.UNCERTAINTY, TINY, color=SOFT, ha="right", gid="uncertainty")
        return sheet.figure


def _draw_runs(
    sheet: Sheet, session: Session, found: Sequence[Run], x: float, top: float, width: float
) -> None:
    sheet.heading(x, top - 2.0, "1/Q along the control, as a share of its first; dashed to the onset")
    left, bottom, height = x + 8.0, top - GRAPH, GRAPH - 5.0
    axes = sheet.graph(left, bottom, width - 9.0, height, "1/Q against angle")
    travel = session.plan.receiver.control.travel_deg
    onsets = [onset_of_run(run) for run in found]
    ends = [float(run[-1]["angle_deg"]) for run in found]
    ends += [o.angle_deg + o.angle_u_deg for o in onsets if o is not None]
    right = min(travel, max(ends) + 0.08 * travel) if max(ends) < travel else max(ends) + 5.0
    axes.set_xlim(-0.02 * right, right)
    shares = [max(float(run[0]["q"]) / float(r["q"]) for r in run) for run in found]
    axes.set_ylim(0.0, 1.12 * max(shares))
    axes.set_xticks(nice_ticks(0.0, right, 8), [f"{t:g}°" for t in nice_ticks(0.0, right, 8)])
    ticks = nice_ticks(0.0, 1.12 * max(shares), 6)
    axes.set_yticks(ticks, [f"{t:g}" for t in ticks])
    for tick in ticks[1:]:
        axes.axhline(tick, color=HAIR, lw=0.4, zorder=0)
    for number, (run, onset) in enumerate(zip(found, onsets, strict=True)):
        _draw_run(axes, run, onset, MARKERS[number % len(MARKERS)])
    _key(sheet, session, found, onsets, left + 1.0, bottom - 4.5)


def _draw_run(axes: Axes, run: Run, onset: CurveOnset | None, marker: str) -> None:
    from scipy.interpolate import PchipInterpolator

    first = float(run[0]["q"])
    angle = np.array([float(r["angle_deg"]) for r in run])
    share = np.array([first / float(r["q"]) for r in run])
    u = share * np.array([float(r["q_u"] or 0.0) / float(r["q"]) for r in run])
    x, y = angle, share
    if onset is not None:
        x, y = np.append(angle, onset.angle_deg), np.append(share, 0.0)
    apart = np.concatenate([[True], np.diff(x) > 0.05])
    if apart.sum() > 2:
        law = PchipInterpolator(x[apart], y[apart])
        read = np.linspace(angle[0], angle[-1], 200)
        axes.plot(read, law(read), color=LINE, lw=0.8, zorder=2)
        if onset is not None:
            beyond = np.linspace(angle[-1], onset.angle_deg, 40)
            axes.plot(beyond, law(beyond), color=ACCENT, lw=0.9, ls=(0, (3, 2)), zorder=2)
    axes.errorbar(
        angle, share, u, fmt=marker, ms=3.6, mfc=INK, mec=INK, ecolor=INK, elinewidth=0.7, capsize=0, zorder=4
    )
    if onset is not None:
        axes.errorbar(
            [onset.angle_deg],
            [0.0],
            xerr=[2.0 * onset.angle_u_deg],
            fmt=marker,
            ms=5.0,
            mfc="white",
            mec=ACCENT,
            ecolor=ACCENT,
            elinewidth=1.2,
            capsize=2.0,
            zorder=5,
            clip_on=False,
        )


def _key(
    sheet: Sheet,
    session: Session,
    found: Sequence[Run],
    onsets: Sequence[CurveOnset | None],
    x: float,
    y: float,
) -> None:
    show = session.plan.show.frequency
    clock = session.plan.receiver.control.clock
    for number, (run, onset) in enumerate(zip(found, onsets, strict=True)):
        y -= KEY
        sheet.dots([(x, y + 0.9)], MARKERS[number % len(MARKERS)], 3.6)
        f = f"{words.frequency(float(run[0]['f_hz']), show)} {show}"
        told = (
            "points nowhere"
            if onset is None
            else f"starts at {onset.angle_deg:.1f}° ({clock(onset.angle_deg)})"
        )
        line = f"{f}, Q {float(run[0]['q']):.0f} to {float(run[-1]['q']):.0f}: {told}"
        sheet.text(x + 3.0, y, line, SMALL, gid="key")
