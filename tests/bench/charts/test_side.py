"""The sheet of side checks: what stands on it, and where its files go."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.text import Text

from bench.charts.side import draw_into, draw_side
from bench.session.folder import Session
from bench.sidechecks import present_rows, runs, side_checks

Row = tuple[str, dict[str, Any]]


def curve(angle_deg: float, dial: float, end_deg: float) -> Row:
    q = 100.0 / (1.0 - angle_deg / end_deg)
    return "curve", {"angle_deg": angle_deg, "f_hz": 5e6 + 1e4 * dial, "q": q, "q_u": 0.01 * q, "dial": dial}


@pytest.fixture
def session(make_session: Callable[..., Session]) -> Session:
    share = (0.0, 0.4, 0.6, 0.75, 0.85)
    rows = [curve(110.0 * s, 20.0, 110.0) for s in share] + [curve(160.0 * s, 80.0, 160.0) for s in share]
    hand = {"position": "lid $x$", "f0_hz": 7e6, "f0_u_hz": 3.0, "shift_hz": -620.0, "shift_u_hz": 5.0}
    return make_session("sheet", [*rows, ("body", hand)])


def test_the_sheet_says_where_each_run_points_and_every_sentence(session: Session) -> None:
    found = runs(session.plan, present_rows(session.plan, "K", session.rows("curve")))
    assert len(found) == 2
    checks = [check for check in side_checks(session) if check.rows]
    figure = draw_side(session, "K", checks, found)
    texts = [text for text in figure.findobj(Text) if isinstance(text, Text) and text.get_text()]
    keys = [text.get_text() for text in texts if text.get_gid() == "key"]
    assert "starts at 110.0°" in keys[0]
    assert "starts at 160.0°" in keys[1]
    words = " ".join(text.get_text() for text in texts if text.get_gid() == "sentence")
    for check in checks:
        assert check.sentence.split(".")[0][:40] in words
    # Nothing runs off the paper.
    box = figure.bbox
    renderer = FigureCanvasAgg(figure).get_renderer()
    for text in texts:
        where = text.get_window_extent(renderer)
        assert box.x0 <= where.x0
        assert where.x1 <= box.x1


def test_files_stand_in_the_session_s_charts(session: Session) -> None:
    files = draw_into(session)
    assert sorted(f.name for f in files) == ["side-K.pdf", "side-K.png", "side-K.svg"]
    assert all(f.parent == session.charts_dir and f.stat().st_size > 1000 for f in files)


def test_a_coil_without_side_readings_gets_no_sheet(make_session: Callable[..., Session]) -> None:
    assert draw_into(make_session("bare")) == []
