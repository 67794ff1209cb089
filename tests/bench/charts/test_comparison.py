"""The chart of a comparison: every reading stands where its angle is, and nothing is lost, cut off or told by colour."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.figure import Figure

from bench.charts.comparison import draw_comparison, draw_into, drawable
from bench.compare.sessions import compare_sessions
from bench.session.folder import Session

Make = Callable[..., Session]
Rows = Callable[..., Any]


def named(figure: Figure, gid: str) -> list[Any]:
    """Artists of this name."""
    return list(figure.findobj(lambda artist: artist.get_gid() == gid))


def points(figure: Figure, gid: str) -> list[tuple[float, float]]:
    """Where a set of marks stands, in Hz and degrees."""
    (line,) = named(figure, gid)
    return sorted(zip(line.get_xdata(), line.get_ydata(), strict=True))


def texts(figure: Figure) -> list[str]:
    return [artist.get_text() for artist in figure.findobj(lambda a: hasattr(a, "get_text"))]


@pytest.fixture
def two_coils(make_session: Make, plan_of: Callable[..., str], onset: Rows) -> Figure:
    """Coil K: one real change, one none, one that never started, drop-outs; coil M: each frequency in one session only."""
    before = make_session(
        "spring",
        [
            onset(5e6, 80.0, 1.5),
            onset(5e6, 76.0, direction="drop-out"),
            onset(6e6, 100.0),
            onset(8e6, None),
            onset(5e6, 110.0, coil="M"),
        ],
        plan_of(K=(20, 6), M=(9, 3)),
    )
    after = make_session(
        "summer",
        [
            onset(5e6, 120.0, 2.5),
            onset(5e6, 118.0, direction="drop-out"),
            onset(6e6, 101.0),
            onset(8e6, 200.0),
            onset(7e6, 130.0, coil="M"),
        ],
        plan_of(K=(20, 5), M=(9, 3)).replace('window = ["10:00", "2:00"]', 'window = ["10:30", "2:00"]'),
    )
    return draw_comparison(compare_sessions(before, after))


def test_marks_stand_at_their_angles(two_coils: Figure) -> None:
    """Beside their frequency by less than a thirtieth of the panel, before on the left, after on the right."""
    span = 3e6 / 0.85
    for gid, expected in (
        ("onset before K", [(5e6, 80.0), (6e6, 100.0)]),
        ("onset after K", [(5e6, 120.0), (6e6, 101.0), (8e6, 200.0)]),
        ("never before K", [(8e6, 300.0)]),
        ("drop-out before K", [(5e6, 76.0)]),
        ("drop-out after K", [(5e6, 118.0)]),
    ):
        found = points(two_coils, gid)
        assert [y for _, y in found] == pytest.approx([y for _, y in expected])
        for (x, _), (f, _) in zip(found, expected, strict=True):
            assert 0 < (f - x if "before" in gid else x - f) < span / 30
    assert [y for _, y in points(two_coils, "onset before M")] == [110.0]
    assert [y for _, y in points(two_coils, "onset after M")] == [130.0]


def test_error_bars_are_one_standard_uncertainty(two_coils: Figure) -> None:
    (axes,) = (a for a in two_coils.axes if a.get_label() == "onset K")
    bars = [
        segment
        for container in axes.containers
        for collection in container.lines[2]
        for segment in collection.get_segments()
    ]
    reaches = sorted(
        (round(float(y[0]), 3), round(float(y[1]), 3)) for y in (np.array(b)[:, 1] for b in bars)
    )
    assert reaches == [(78.5, 81.5), (99.0, 101.0), (100.0, 102.0), (117.5, 122.5), (199.0, 201.0)]


def test_arrows_only_where_the_change_is_real(two_coils: Figure) -> None:
    assert len(named(two_coils, "real K")) == 2
    assert len(named(two_coils, "none seen K")) == 1
    assert not named(two_coils, "real M")
    assert not named(two_coils, "none seen M")


def test_both_windows_are_drawn(two_coils: Figure) -> None:
    """10:30 is 45 degrees before 12:00, which is 150: 105. 10:00 is 90."""
    window = named(two_coils, "window")[0]
    box = window.get_bbox() if hasattr(window, "get_bbox") else window.get_path().get_extents()
    assert (box.y0, box.y1) == (105.0, 210.0)
    assert {line.get_ydata()[0] for line in named(two_coils, "window before")} == {90.0, 210.0}


def test_what_is_written(two_coils: Figure) -> None:
    written = texts(two_coils)
    for words in ("Coil K", "Coil M", "tickler turns 6 to 5", "coil as before", "never starts", "kHz"):
        assert words in written
    assert any("Lighthouse keepers' set" in text for text in written)
    assert any(text.startswith("before: session spring") for text in written)
    assert any("Lethal voltages" in text for text in written)


def test_before_and_after_differ_without_colour(two_coils: Figure) -> None:
    """Filled against open, in tones that are grey already or nearly so."""
    (before,), (after,) = named(two_coils, "onset before K"), named(two_coils, "onset after K")
    brightness = [sum(to_rgb(line.get_markerfacecolor())) / 3 for line in (before, after)]
    assert brightness[0] - brightness[1] > 0.8
    canvas = FigureCanvasAgg(two_coils)
    canvas.draw()
    pixels = np.asarray(canvas.buffer_rgba())[:, :, :3].astype(int)
    assert int((pixels.max(axis=2) - pixels.min(axis=2)).max()) < 8


def test_nothing_leaves_the_sheet(make_session: Make, plan_of: Callable[..., str], onset: Rows) -> None:
    """Twenty coils of long names, long set name, long session names: all texts inside the sheet, none on another."""
    names = [f"coil of the long wave set {i:02d}" for i in range(20)]
    plan = plan_of().split("[[coil]]")[0].replace("Lighthouse keepers' set", "W" * 150)
    coils = "".join(
        f'[[coil]]\nname = "{n}"\ngrid = {{ inductance = "20 uH" }}\n'
        f'tickler = {{ turns = 5, inductance = "1 uH", k = 0.3 }}\n'
        for n in names
    )
    sessions = [
        make_session(
            f"{which} {'x' * 60}",
            [onset(f, a, coil=n) for n in names for f, a in ((3e6, first), (5e6, None), (9e6, 0.0))],
            plan + coils,
        )
        for which, first in (("b", 20.0), ("a", 280.0))
    ]
    figure = draw_comparison(compare_sessions(*sessions))
    canvas: Any = FigureCanvasAgg(figure)
    canvas.draw()
    whole = figure.bbox
    boxes = []
    for artist in figure.findobj(lambda a: hasattr(a, "get_text")):
        if artist.get_text() and artist.get_visible():
            box = artist.get_window_extent(canvas.get_renderer())
            assert box.x0 >= whole.x0
            assert box.x1 <= whole.x1
            assert box.y0 >= whole.y0
            assert box.y1 <= whole.y1
            if artist.get_gid():
                boxes.append((artist.get_text(), box))
    assert len([text for text, _ in boxes if text.startswith("Coil ")]) == 20
    for i, (text, box) in enumerate(boxes):
        for other, that in boxes[i + 1 :]:
            touching = (
                min(box.x1, that.x1) - max(box.x0, that.x0) > 1
                and min(box.y1, that.y1) - max(box.y0, that.y0) > 1
            )
            assert not touching, (text, other)


def test_files_are_the_same_each_time(make_session: Make, onset: Rows, tmp_path: Path) -> None:
    sessions = [
        make_session(name, [onset(5e6, angle)])
        for name, angle in (("b/ü".replace("/", " "), 90.0), ("a", 99.0))
    ]
    found = compare_sessions(*sessions)
    assert drawable(found)
    first, second = (draw_into(found, tmp_path / folder) for folder in ("one", "two"))
    assert [path.suffix for path in first] == [".pdf", ".png", ".svg"]
    assert all(path.name.startswith("compare-b_") for path in first)
    assert [path.read_bytes() for path in first] == [path.read_bytes() for path in second]
    assert all(path.stat().st_size < 200_000 for path in first)
