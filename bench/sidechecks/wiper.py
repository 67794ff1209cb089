"""The wiper's noise."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from bench.sidechecks.parts import Check, Row, credible

# A wiper that makes the noise grow by less is not heard; by more, it is heard in the headphones (common practice, no source).
QUIET_DB, SCRATCHY_DB = 3.0, 10.0


def wiper(coil: str, rows: Sequence[Row], measure: str) -> Check:
    """Noise of the moving control against at rest."""
    out = [
        {key: row[key] for key in ("rest_v", "moving_v", "ratio_db", "speed_deg_s")}
        for row in rows
        if credible(row, "ratio_db")
    ]
    if not out:
        return Check(
            "wiper",
            coil,
            (),
            "The wiper has not been listened to with this coil.",
            f"{measure} --reading wiper",
        )
    ratio = float(np.mean([row["ratio_db"] for row in out]))
    if ratio < QUIET_DB:
        heard = "the wiper is quiet"
    elif ratio < SCRATCHY_DB:
        heard = "the wiper is heard, as most are"
    else:
        heard = "the wiper is scratchy: clean it, or keep direct current out of it"
    return Check(
        "wiper",
        coil,
        tuple(out),
        f"While the control moves, the detector's noise is {abs(ratio):.1f} dB {'above' if ratio >= 0 else 'below'} what it is at rest: {heard}. Direct current through "
        "a wiper makes it scratchy (common practice, no source); nothing but this reading tells.",
    )
