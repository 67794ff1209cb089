"""How near the measured comes to the simulated truth: for the demo and the benchmarks, never for a fit or a reading."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

# One standard deviation of setting a dial by eye, as a share of its span; belongs to what f0 at a dial reading can tell.
DIAL_SETTING = 0.001


@dataclass(frozen=True)
class Score:
    """One found value beside its truth, in SI or degrees, with its standard uncertainty."""

    what: str
    coil: str
    where: str
    true: float
    found: float
    u: float

    @property
    def z(self) -> float:
        """Error in standard uncertainties."""
        return (self.found - self.true) / self.u

    @property
    def inside(self) -> bool:
        """Whether the truth lies inside ±2u."""
        return abs(self.z) <= 2.0


def score(
    rows: Sequence[Mapping[str, Any]], fit: Mapping[str, Any], truth: Mapping[str, Any], dial_span: float
) -> list[Score]:
    """Hold a measured and fitted session against the truth file.

    Parameters
    ----------
    rows
        Resonance rows of the session, withdrawn ones left out.
    fit
        What `fit` found (fit.json).
    truth
        The virtual bench's truth file.
    dial_span
        Length of the dial, in its own divisions.
    """
    scores: list[Score] = []
    fitted = {coil["name"]: coil for coil in fit["coils"]}
    for coil in truth["coils"]:
        mine = [row for row in rows if row["coil"] == coil["name"] and not row["added_c_f"]]
        scores += _tank(coil, mine, dial_span)
        found = fitted.get(coil["name"])
        if found is None:
            continue
        if found["l_h"] is not None:
            scores.append(Score("L", coil["name"], "", coil["l_h"], found["l_h"], found["l_u_h"]))
        if found["gm_m"] is not None and found["gm_m"]["value_sh"] is not None:
            gm_m = found["gm_m"]
            scores.append(Score("gm·M", coil["name"], "", coil["gm_m_sh"], gm_m["value_sh"], gm_m["u_sh"]))
        scores += _onset(coil, found)
    return scores


def _tank(coil: Mapping[str, Any], rows: Iterable[Mapping[str, Any]], dial_span: float) -> list[Score]:
    dials = [at["dial"] for at in coil["dials"]]
    slope = dict(zip(dials, np.gradient([at["f0_hz"] for at in coil["dials"]], dials), strict=True))
    scores = []
    for row in rows:
        at = min(coil["dials"], key=lambda at: abs(at["dial"] - row["dial"]))
        where = f"dial {at['dial']:g}"
        setting_u = abs(slope[at["dial"]]) * DIAL_SETTING * dial_span
        f0_u = float(np.hypot(row["f0_u_hz"], setting_u))
        scores.append(Score("f0", coil["name"], where, at["f0_hz"], row["f0_hz"], f0_u))
        if row["q"] is not None:
            scores.append(Score("Q", coil["name"], where, at["q"], row["q"], row["q_u"]))
    return scores


def _onset(coil: Mapping[str, Any], found: Mapping[str, Any]) -> list[Score]:
    scores = []
    for at in coil["onset"]:
        near = [o for o in found["onset"] if abs(o["f_hz"] / at["f_hz"] - 1) < 0.01]
        if at["onset_deg"] and near and near[0]["measured_deg"] is not None:
            where = f"{at['f_hz'] / 1e6:g} MHz"
            measured = near[0]
            scores.append(
                Score(
                    "onset",
                    coil["name"],
                    where,
                    at["onset_deg"],
                    measured["measured_deg"],
                    measured["measured_u_deg"],
                )
            )
    return scores


@dataclass(frozen=True)
class Summary:
    """All scores of one quantity: how many, the root mean square error (relative, or degrees), the share inside ±2u."""

    what: str
    count: int
    rms_error: float
    worst_error: float
    median_u: float
    inside: float
    unit: str


def summarise(scores: Iterable[Score]) -> list[Summary]:
    """One summary for each quantity, in the order first met. Onset errors in degrees, all others relative."""
    groups: dict[str, list[Score]] = {}
    for one in scores:
        groups.setdefault(one.what, []).append(one)
    summaries = []
    for what, group in groups.items():
        scale = np.array([1.0 if what == "onset" else one.true for one in group])
        error = np.array([one.found - one.true for one in group]) / scale
        u = np.array([one.u for one in group]) / np.abs(scale)
        unit = "deg" if what == "onset" else "%"
        factor = 1.0 if what == "onset" else 100.0
        summaries.append(
            Summary(
                what,
                len(group),
                factor * float(np.sqrt(np.mean(error**2))),
                factor * float(np.max(np.abs(error))),
                factor * float(np.median(u)),
                float(np.mean([one.inside for one in group])),
                unit,
            )
        )
    return summaries
