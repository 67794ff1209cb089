"""The recorded example in sessions/ stays whole, and today's program still reads it as the program that recorded it did."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from bench.fit.fitting import fit_session
from bench.session.folder import Session
from drivers.touchstone import read_sweep

EXAMPLE = Path(__file__).parents[2] / "sessions" / "example"


@pytest.fixture
def copy(tmp_path: Path) -> Session:
    shutil.copytree(EXAMPLE, tmp_path / "example")
    return Session.open(tmp_path / "example")


def test_every_row_names_a_raw_file_that_is_there(copy: Session) -> None:
    for row in copy.rows("resonance"):
        f_hz, _ = read_sweep(copy.path / row["sweep"])
        assert f_hz[0] < row["f0_hz"] < f_hz[-1]
    for row in copy.rows("onset"):
        assert (copy.path / row["trace"]).is_file()


def test_the_fit_is_still_the_recorded_one(copy: Session) -> None:
    recorded = json.loads((EXAMPLE / "fit.json").read_text(encoding="utf-8"))
    for now, then in zip(fit_session(copy)["coils"], recorded["coils"], strict=True):
        assert now["name"] == then["name"]
        for key, u in (("l_h", "l_u_h"), ("c_stray_f", "c_stray_u_f")):
            assert abs(now[key] - then[key]) < then[u]
        assert abs(now["gm_m"]["value_sh"] - then["gm_m"]["value_sh"]) < then["gm_m"]["u_sh"]
        assert now["advice"]["tickler_turns_best"] == then["advice"]["tickler_turns_best"]
