"""A coil's readings of Q below onset, as the coupling fit takes them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from bench.conventions import SAME_FREQUENCY
from bench.fit import selection
from bench.physics.coupling import Curve
from bench.session.plausible import F_HZ, Q_SPAN

if TYPE_CHECKING:
    import pandas as pd

    from bench.plan.schema import Plan

COLUMNS = {**selection.COMMON, "angle_deg": "number", "f_hz": "number", "q": "number", "q_u": "number"}


@dataclass(frozen=True)
class Curves:
    """The readings, their names, the frequencies whose onset is told by nothing else, and what was left out."""

    curve: Curve
    names: tuple[str, ...]
    extrapolated_hz: tuple[float, ...]
    warnings: tuple[str, ...]


def curves_of(plan: Plan, rows: pd.DataFrame, onset: pd.DataFrame, coil: str) -> Curves:
    """One coil's curve rows that can be used.

    Parameters
    ----------
    rows, onset
        The coil's rows of the curve table, and of the onset table: an onset that was itself extrapolated from these curves
        must not count a second time.
    """
    kept = selection.of_coil(plan, rows, coil, "curve")
    rows, warnings = kept.rows, list(kept.warnings)
    travel = plan.receiver.control.travel_deg
    sound = (
        rows["f_hz"].between(*F_HZ)
        & rows["q"].between(*Q_SPAN)
        & rows["angle_deg"].between(-10.0, travel + 10.0)
        & (rows["valve"] != "cold")
    )
    if not sound.all():
        names = ", ".join(str(name) or "?" for name in rows.loc[~sound, "reading"][:4])
        warnings.append(
            f"{int((~sound).sum())} curve rows left out: no usable angle, frequency or Q, or a cold valve ({names})."
        )
        rows = rows[sound]
    q = rows["q"].to_numpy(float)
    given = rows["q_u"].to_numpy(float)
    q_u = np.clip(np.where(given > 0, given, selection.TYPED_Q_SHARE_U * q), 1e-4 * q, q)
    curve = Curve(
        np.clip(rows["angle_deg"].to_numpy(float), 0.0, travel),
        rows["f_hz"].to_numpy(float),
        q,
        q_u,
        antenna=plan.receiver.antenna is not None and kept.antenna == "yes",
    )
    return Curves(
        curve,
        tuple(str(name) for name in rows["reading"]),
        _extrapolated(onset, curve) if len(q) else (),
        tuple(f"Coil {coil}: {text}" for text in warnings),
    )


def _extrapolated(onset: pd.DataFrame, curve: Curve) -> tuple[float, ...]:
    starts = onset[(onset["direction"] == "onset") & onset["f_hz"].between(*F_HZ)]
    f_hz = starts["f_hz"].to_numpy(float)
    by_curve = (starts["method"] == "curve").to_numpy(bool)

    def near(f: float, others: selection.Floats) -> bool:
        return bool((np.abs(others / f - 1) <= 2 * SAME_FREQUENCY).any())

    return tuple(
        float(f) for f in f_hz[by_curve] if near(f, curve.f_hz) and not near(float(f), f_hz[~by_curve])
    )
