"""Readings of unlike conditions are never fitted together: onset with the antenna on, Q with it off, no antenna in the plan."""

from __future__ import annotations

from pathlib import Path

import pytest

from bench.fit.fitting import fit_session
from bench.session.folder import Session

EXAMPLE = Path(__file__).parents[3] / "sessions" / "example"


@pytest.mark.parametrize("antenna", ["no", "yes"])
def test_onset_in_another_antenna_state_is_shown_and_not_fitted(tmp_path: Path, antenna: str) -> None:
    session = Session.create(tmp_path / "evening", (EXAMPLE / "plan.toml").read_text(encoding="utf-8"))
    recorded = Session.open(EXAMPLE)
    with session.lock():
        for row in recorded.rows("resonance"):
            session.append("resonance", {**row, "sweep": None, "recipe": ""})
        for row in recorded.rows("onset"):
            session.append("onset", {**row, "trace": None, "recipe": "", "antenna": antenna})
    for coil in fit_session(session)["coils"]:
        assert coil["onset"][0]["measured_deg"] is not None
        told = any("unlike" in text or "antenna on, resonance" in text for text in coil["warnings"])
        assert told is (antenna == "yes")
        if antenna == "yes":
            assert coil["gm_m"] is None or coil["gm_m"]["value_sh"] is None
            assert coil["onset"][0]["fitted_deg"] is None
        else:
            assert coil["gm_m"]["value_sh"] is not None
