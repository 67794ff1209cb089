"""The chart of a what-if: onset now and then against frequency, on the comparison's sheet."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from bench.advice.turns import Window, percent
from bench.advice.whatif import CoilWhatIf
from bench.charts.comparison import Wording, draw_comparison
from bench.charts.style import save
from bench.compare.parts import CoilComparison, Comparison, Difference, OnsetRow, Side, StateOfOnset
from bench.session.disk import cannot_write

if TYPE_CHECKING:
    from bench.plan.changes import PlanChange
    from bench.plan.schema import Plan
    from bench.session.folder import Session


def draw_whatif(
    session: Session, then: Plan, changes: Sequence[PlanChange], coils: Sequence[CoilWhatIf], file: Path
) -> None:
    """Draw a what-if into a file whose ending says how (.pdf, .png, .svg).

    Raises
    ------
    SessionError
        The file cannot be written.
    """
    now = Side(session.name, session.plan, {}, {}, None)
    later = Side(session.name, then, {}, {}, None)
    comparison = Comparison(now, later, tuple(changes), tuple(_coil(one) for one in coils), (), (), ())
    sentences = {one.name: _sentences(one) for one in coils}
    wording = Wording(
        title="now and what if",
        before="now",
        after="then",
        real="moves",
        none="moves within its uncertainty",
        foot="then is worked out from the fit of the readings, not read",
        sides=(f"now: session {session.name}, as fitted", "then: the plan changed as told here"),
        sentences=lambda coil, unit: sentences[coil.name],
    )
    try:
        save(draw_comparison(comparison, wording=wording), file.with_suffix(""), (file.suffix[1:].lower(),))
    except OSError as problem:
        raise cannot_write(file, problem) from problem


def _coil(one: CoilWhatIf) -> CoilComparison:
    nothing = Difference(None, None, None, None)
    rows = tuple(_row(one, i) for i in range(len(one.f_hz)))
    return CoilComparison(one.name, (), rows, nothing, None, nothing, (), (), ())


def _row(one: CoilWhatIf, i: int) -> OnsetRow:
    angles = one.angle(0, i), one.angle(1, i)
    states: list[StateOfOnset] = ["never" if a is None else "always" if a == 0 else "starts" for a in angles]
    read = [a if state == "starts" else None for a, state in zip(angles, states, strict=True)]
    us = [float(one.spread.u[k, i]) if read[k] is not None else None for k in (0, 1)]
    none = Difference(None, None, None, None)
    low, high = (_in(one.windows[k], read[k]) for k in (0, 1))
    return OnsetRow(
        f_hz=float(one.f_hz[i]),
        antenna=("", ""),
        states=(states[0], states[1]),
        angle=Difference(read[0], us[0], read[1], us[1], joint_u=float(one.difference_u[i])),
        dropout=none,
        backlash=none,
        in_window=(low, high),
        at_edge=(False, False),
        travel_deg=(one.windows[0].travel_deg, one.windows[1].travel_deg),
        readings=((), ()),
    )


def _in(window: Window, angle: float | None) -> bool:
    return angle is not None and window.low_deg <= angle <= window.high_deg


def _sentences(one: CoilWhatIf) -> list[str]:
    said = []
    for k, when in ((0, "Now"), (1, "Then")):
        verdict = "all inside the window" if one.inside(k) else "not all inside the window"
        said.append(
            f"{when}: {one.windows[k].run(one.spread.angles[k])}, {verdict} ({percent(one.sure[k])} sure)."
        )
    return said
