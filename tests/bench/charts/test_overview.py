"""The overview of a set: ranges, overlaps and gaps, curves, table."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from bench.charts.overview import draw_set
from bench.charts.page import set_page
from bench.charts.style import TINY


def draw(b: Any, look: Any, paper: str = "a5") -> Any:
    return look(draw_set(set_page(b.plan, b.tables, b.fit), paper))


TWELVE = {f"Number {i} coil": 900e-6 / 2.1**i for i in range(12)}


@pytest.mark.parametrize(
    "wishes",
    [
        {},
        {
            "coils": {"A": 120e-6, "B": 15e-6, "C": 4.4e-6, "D": 0.5e-6},
            "frequency": "MHz",
            "direction": "anticlockwise",
        },
        {"coils": {"only": 23e-6}},
        {"coils": {"high": 10e-6, "low": 34e-6}},
        {"coils": TWELVE},
        {"silent": (0, 1)},
        {
            "name": "The Lighthouse Keepers' Association of Wireless Amateurs, evening class, set fourteen",
            "length": "in",
        },
    ],
)
@pytest.mark.parametrize("paper", ["a5", "half-letter"])
def test_no_text_touches_the_frame_and_none_is_too_small(
    bench: Any, look: Any, wishes: Any, paper: str
) -> None:
    b = bench(**wishes)
    b.fit["warnings"] = ["The set: something is odd."] * 4
    seen = draw(b, look, paper)
    assert seen.outside() == []
    assert min(seen.sizes()) >= TINY
    if len(b.plan.coil) < 10:
        assert seen.touching() == []


def test_each_coil_has_a_bar_over_its_range(bench: Any, look: Any) -> None:
    b = bench()
    seen = draw(b, look)
    for row, name in enumerate("ABCD"):
        bar = seen.one(f"range {name}")
        ends = [bar.get_x(), bar.get_x() + bar.get_width()]
        assert ends == pytest.approx([b.f_hz(name, 0), b.f_hz(name, 100)])
        assert bar.get_y() < row < bar.get_y() + bar.get_height()
    assert seen.axes("coils").get_xscale() == "log"
    assert seen.axes("coils").get_xlim() == seen.axes("onset").get_xlim() == seen.axes("Q").get_xlim()


def test_overlaps_and_gaps_are_marked_and_told_apart(bench: Any, look: Any) -> None:
    b = bench(coils={"A": 120e-6, "B": 15e-6, "C": 4.4e-6})
    seen = draw(b, look)
    gap, overlap = seen.one("gap"), seen.one("overlap")
    assert [gap.get_x(), gap.get_x() + gap.get_width()] == pytest.approx([b.f_hz("A", 100), b.f_hz("B", 0)])
    assert [overlap.get_x(), overlap.get_x() + overlap.get_width()] == pytest.approx(
        [b.f_hz("C", 0), b.f_hz("B", 100)]
    )
    assert overlap.get_hatch()
    assert not gap.get_hatch()
    assert f"gap {(b.f_hz('B', 0) - b.f_hz('A', 100)) / 1e3:.0f}"[:6] in seen.everything()
    assert "overlap 1 400 kHz" in seen.everything()


def test_onset_and_q_of_every_coil(bench: Any, look: Any) -> None:
    b = bench()
    seen = draw(b, look)
    markers, lines = set(), set()
    for name in "ABCD":
        entries = b.coil(name)["onset"]
        dots = seen.one(f"onset readings {name}")
        np.testing.assert_allclose(dots.get_xydata(), [[o["f_hz"], o["measured_deg"]] for o in entries])
        curve = seen.one(f"onset law {name}")
        x, y = curve.get_xydata().T
        f, angle = [o["f_hz"] for o in entries], [o["fitted_deg"] for o in entries]
        assert np.interp(f, x, y) == pytest.approx(angle, abs=0.2)
        markers.add((dots.get_marker(), dots.get_markerfacecolor()))
        lines.add(str(curve._unscaled_dash_pattern))
        law = b.coil(name)["q_law"]
        x, y = seen.one(f"Q law {name}").get_xydata().T
        assert np.interp(law["f_hz"], x, y) == pytest.approx(law["q"], abs=0.1)
        assert len(seen.one(f"Q readings {name}").get_xydata()) == 6
    # Told apart without colour.
    assert len(markers) == len(lines) == 4
    window = seen.one("window")
    assert [window.get_y(), window.get_y() + window.get_height()] == pytest.approx([90, 210])


def test_where_a_coil_never_starts_is_seen_on_the_wall(bench: Any, look: Any) -> None:
    """A coil of which half the band is dead must not look like one that starts near mid-travel."""
    b = bench(silent=(0, 1))
    seen = draw(b, look)
    crosses = [c.get_xydata().tolist() for c in seen.texts("never starts")]
    assert crosses == [[[o["f_hz"], 300.0] for o in b.coil(name)["onset"][:2]] for name in "ABCD"]
    assert "B never starts" in seen.everything()
    cells = seen.words("table cell")
    assert all(cells[11 * i + 8].endswith(", 2 of 5 never") for i in range(4))


def test_the_table(bench: Any, look: Any) -> None:
    b = bench(verdict="keep")
    seen = draw(b, look)
    cells = seen.words("table cell")
    assert len(cells) == 4 * 11
    row = cells[11:22]
    assert row[0] == "B"
    assert row[1] == f"{b.f_hz('B', 0) / 1e3:,.0f} to {b.f_hz('B', 100) / 1e3:,.0f}".replace(",", " ")
    assert row[2:5] == ["21", "0.4 mm", "6"]
    assert row[5] == "23.00 ± 0.14"
    assert row[6] == "22.00 ± 0.80"
    assert row[7] == "115 to 123"
    assert row[9] == "0.715 ± 0.012"
    assert row[10] == "keep"


def test_band_edges_are_those_of_the_radio_regulations(bench: Any, look: Any) -> None:
    # ITU Radio Regulations, No. 2.1: 3 MHz between MF and HF.
    seen = draw(bench(coils={"A": 120e-6, "B": 23e-6}), look)
    assert {tuple(line.get_xdata()) for line in seen.texts("ITU band edge")} == {(3e6, 3e6)}
    assert seen.words("ITU band") == ["MF", "HF"]


def test_a_set_of_which_nothing_is_known_yet(bench: Any, look: Any) -> None:
    b = bench()
    seen = look(draw_set(set_page(b.plan, {}, None)))
    everything = seen.everything()
    assert "A: frequency not calibrated yet" in everything
    assert "No onset read yet" in everything
    assert "No Q read yet" in everything
    assert not seen.has("range A")


def test_a_coil_not_read_yet_leaves_the_others_whole(bench: Any, look: Any) -> None:
    b = bench()
    b.fit["coils"] = [c for c in b.fit["coils"] if c["name"] != "B"]
    b.fit["overlaps"] = b.fit["overlaps"][2:]
    b.tables = {k: [r for r in v if r["coil"] != "B"] for k, v in b.tables.items()}
    seen = draw(b, look)
    assert "B: frequency not calibrated yet" in seen.everything()
    assert all(seen.has(f"onset law {name}") for name in "ACD")
    assert not seen.has("onset law B")
    assert seen.words("table cell")[33:36] == ["B", "-", "21"]


def test_long_names_give_way_to_numbers_in_the_graphs(bench: Any, look: Any) -> None:
    seen = draw(bench(coils=TWELVE), look)
    assert "12  Number 11 coil" in seen.everything()
    assert seen.words("table cell")[11] == "2  Number 1 coil"
