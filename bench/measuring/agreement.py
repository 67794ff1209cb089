"""Whether onsets read in different ways agree, and what to say where they do not."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from bench.conventions import SAME_FREQUENCY, TYPED_U_DEG
from bench.measuring.wanted import counts
from bench.physics.uncertainty import weighted_mean

if TYPE_CHECKING:
    from bench.measuring.bench import Bench
    from bench.measuring.kinds import Wanted

# Beyond this many standard uncertainties two ways of reading the same onset hardly differ by chance (one in eighty).
DISAGREE_SIGMAS = 2.5
# What approaches of one way share and their scatter does not show: play, bow of the sensor, a hand that hurries.
# A judgement (GUM, type B), no published value. A curve's row has its own share of it already.
SHARED_U_DEG = 0.25

WAYS = {"listen": "by listening", "level": "by level", "curve": "by curve", "typed": "as typed"}


def onset_of_way(rows: Sequence[Mapping[str, Any]]) -> tuple[float, float]:
    """One way's onset, degrees, and its standard uncertainty: claims and scatter, and what its approaches share."""
    angle = np.array([float(row["angle_deg"]) for row in rows])
    u = np.array([float(row["angle_u_deg"] or TYPED_U_DEG) for row in rows])
    mean = weighted_mean(angle, np.maximum(u, 1e-3))
    counted = all(row.get("method") == "curve" for row in rows)
    return mean.value, mean.u if counted else float(np.hypot(mean.u, SHARED_U_DEG))


def sigmas_apart(a: float, a_u: float, b: float, b_u: float) -> float:
    """Difference of two values in standard uncertainties of that difference."""
    return abs(a - b) / float(np.hypot(a_u, b_u))


def disagreements(rows: Iterable[Mapping[str, Any]]) -> list[str]:
    """A sentence for each two ways of reading one onset that do not agree.

    Parameters
    ----------
    rows : onset rows of one coil, frequency and state, direction `onset`; those without an angle are left out.
    """
    by_way: dict[str, list[Mapping[str, Any]]] = {}
    for row in rows:
        if row["angle_deg"] is not None and row["method"]:
            by_way.setdefault(str(row["method"]), []).append(row)
    found = {way: onset_of_way(own) for way, own in by_way.items()}
    told = []
    for one, other in combinations(sorted(found, key=list(WAYS).index), 2):
        (a, a_u), (b, b_u) = found[one], found[other]
        apart = sigmas_apart(a, a_u, b, b_u)
        if apart > DISAGREE_SIGMAS:
            told.append(
                f"onset {WAYS[one]} ({a:.1f} ± {a_u:.1f}°) and {WAYS[other]} ({b:.1f} ± {b_u:.1f}°) disagree by "
                f"{abs(a - b):.1f}°, {apart:.1f} times what their uncertainties allow: look at the loop (away for listening and "
                "level), the supply and the control's coupling, withdraw the wrong one and read again"
            )
    return told


def tell_disagreements(bench: Bench, item: Wanted, f_hz: float) -> None:
    """Say at once where onsets read in different ways at this frequency do not agree."""
    rows = [
        row
        for row in bench.session.rows("onset")
        if counts(row, bench.plan, item.coil, bench.antenna)
        and row["direction"] == "onset"
        and row["f_hz"]
        and abs(row["f_hz"] / f_hz - 1) < SAME_FREQUENCY
    ]
    for sentence in disagreements(rows):
        bench.reporter.say(f"  {item.words()}: {sentence}")
        bench.session.log("disagree", reading=item.words(), what=sentence)
