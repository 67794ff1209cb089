"""A coil's chart: is everything on it, and where it belongs? Places are worked out here from the closed forms."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.optimize import brentq

from bench.charts import words
from bench.charts.coil import draw_coil
from bench.charts.page import coil_page
from bench.charts.style import TINY

PER = {"kHz": 1e3, "kc": 1e3, "MHz": 1e6, "Mc": 1e6}


def number(text: str) -> float:
    return float(text.replace("\u00a0", "").replace(" ", ""))


def dial_at(b: Any, coil: str, f_hz: float) -> float:
    """The dial reading for a frequency, by bisection on the closed form."""
    first, last = b.plan.receiver.tuning.dial
    root = brentq(lambda d: b.f_hz(coil, d) - f_hz, first, last, xtol=1e-9)
    return float(root)


class Arc:
    """The dial's arc as drawn: its circle found from three points of the line, its ends from the divisions."""

    def __init__(self, seen: Any, ends: tuple[float, float]) -> None:
        gids = ("dial measured range", "dial beyond measured range", "dial line")
        points = np.vstack([s for gid in gids for s in seen.segments(gid)])
        a = np.column_stack([2 * points, np.ones(len(points))])
        x, y, c = np.linalg.lstsq(a, (points**2).sum(axis=1), rcond=None)[0]
        self.centre, self.radius = np.array([x, y]), float(np.sqrt(c + x * x + y * y))
        angles = self.degrees(points)
        self.low, self.high = angles.min(), angles.max()
        self.ends = ends

    def degrees(self, points: Any) -> np.ndarray:
        """Clockwise from straight up."""
        d = np.atleast_2d(points) - self.centre
        return np.degrees(np.arctan2(d[:, 0], d[:, 1]))

    def dial(self, point: Any) -> float:
        share = (float(self.degrees(point)[0]) - self.low) / (self.high - self.low)
        return self.ends[0] + share * (self.ends[1] - self.ends[0])

    def distance(self, point: Any) -> float:
        return float(np.hypot(*(np.asarray(point) - self.centre)) - self.radius)


CASES: dict[str, dict[str, Any]] = {
    "plain": {},
    "reversed dial in MHz": {"dial": (100, 0), "frequency": "MHz", "length": "in", "capacitance": "mmf"},
    "180 divisions, 12 onsets": {"dial": (0, 180), "n_onset": 12, "n_dial": 12, "travel": 270},
    "3 to 1": {"stray_f": 6e-12, "n_onset": 7, "frequency": "kc"},
    "two onsets": {"n_onset": 2, "n_dial": 3},
    "never at the bottom": {"silent": (0,), "n_onset": 6},
    "never anywhere": {"silent": (0, 1, 2, 3, 4)},
    "anticlockwise": {"direction": "anticlockwise", "window": ("10:00", "1:00")},
    "half a turn": {"travel": 180, "window": ("10:30", "1:30"), "frequency": "Mc"},
    "multi-turn": {"travel": 3600, "window": ("900 deg", "2400 deg")},
    "warnings": {
        "warnings": (
            "Coil B: 6 resonance rows left out: of another recipe (0123abcd) than the plan's present one (89abcdef).",
            "Coil B: onset reading o0012 left out: 190.2 degrees at 2 744 kHz, where its repeats say 160.1.",
            "third",
            "fourth",
        ),
        "verdict": "another lever",
    },
    "long name": {
        "name": "The Lighthouse Keepers' Association of Wireless Amateurs, evening class, set fourteen"
    },
}
RANGES = {"B": 23e-6, "500 kHz": 560e-6, "20 MHz": 1.6e-6}


NARROW = ("3 to 1", "warnings", "long name", "180 divisions, 12 onsets")


@pytest.mark.parametrize(
    ("case", "paper"), [*((c, "a5") for c in CASES), *((c, "half-letter") for c in NARROW)]
)
def test_no_text_touches_another_or_the_frame_and_none_is_too_small(
    bench: Any, look: Any, case: str, paper: str
) -> None:
    b = bench(**CASES[case])
    for coil in ("B", "D") if case in ("plain", "3 to 1") else ("B",):
        seen = look(
            draw_coil(coil_page(b.plan, b.tables, b.fit, coil, session="a-long-session-name-of-march"), paper)
        )
        assert seen.touching() == []
        assert seen.outside() == []
        assert min(seen.sizes()) >= TINY == 6.5


@pytest.mark.parametrize("case", ["plain", "reversed dial in MHz", "180 divisions, 12 onsets", "3 to 1"])
@pytest.mark.parametrize("coil", ["B", "500 kHz", "20 MHz"])
def test_frequencies_stand_where_the_dial_law_puts_them(bench: Any, look: Any, case: str, coil: str) -> None:
    b = bench(**CASES[case], coils={coil: RANGES[coil]})
    page = coil_page(b.plan, b.tables, b.fit, coil)
    seen = look(draw_coil(page))
    arc = Arc(seen, page.scale.ends)
    per = PER[page.show.frequency]
    numbers = seen.texts("frequency number")
    assert len(numbers) >= 4
    for text in numbers:
        expected = dial_at(b, coil, number(text.get_text()) * per)
        assert arc.dial(text.get_position()) == pytest.approx(
            expected, abs=0.1 * abs(np.ptp(page.scale.ends)) / 100
        )
        assert arc.distance(text.get_position()) > 4
    strokes = [s for rank in range(3) for s in seen.segments(f"frequency marks {rank}")]
    # Each stroke's frequency, read back through the closed form, is a round number of the unit.
    for stroke in strokes:
        f = b.f_hz(coil, arc.dial(stroke[0])) / per
        grain = 10.0 ** np.floor(np.log10(f) - 3.6)
        assert abs(f / grain - round(f / grain)) * grain / f < 2e-4
        assert 0 < arc.distance(stroke[0]) < arc.distance(stroke[1])
    # Dense enough to set the dial to better than a division: no two strokes are further apart than 6 mm of arc,
    # and on average at least one falls on every second division.
    at = np.sort(arc.degrees(np.array([s[0] for s in strokes])))
    assert np.max(np.diff(at)) * np.pi / 180 * arc.radius < 6.0
    assert len(strokes) > 60


@pytest.mark.parametrize("case", ["plain", "reversed dial in MHz", "180 divisions, 12 onsets"])
def test_the_dials_own_divisions_are_even_and_in_the_plans_direction(
    bench: Any, look: Any, case: str
) -> None:
    b = bench(**CASES[case])
    page = coil_page(b.plan, b.tables, b.fit, "B")
    seen = look(draw_coil(page))
    arc = Arc(seen, page.scale.ends)
    numbers = seen.texts("dial number")
    assert len(numbers) >= 10
    for text in numbers:
        assert arc.dial(text.get_position()) == pytest.approx(float(text.get_text()), abs=1e-6)
        assert arc.distance(text.get_position()) < -3
    divisions = sorted(arc.dial(s[0]) for s in seen.segments("dial divisions"))
    low, high = sorted(page.scale.ends)
    assert divisions == pytest.approx(list(np.arange(low, high + 1)), abs=1e-6)
    first = next(t for t in numbers if float(t.get_text()) == page.scale.ends[0])
    assert first.get_position()[0] < arc.centre[0]


def test_readings_are_marked_and_what_lies_beyond_them_is_dashed(bench: Any, look: Any) -> None:
    b = bench(first_dial=0.2)
    page = coil_page(b.plan, b.tables, b.fit, "B")
    seen = look(draw_coil(page))
    arc = Arc(seen, page.scale.ends)
    marks = seen.one("dial readings").get_xydata()
    assert [arc.dial(m) for m in marks] == pytest.approx([20, 36, 52, 68, 84, 100], abs=1e-6)
    assert [arc.distance(m) for m in marks] == pytest.approx([0] * 6, abs=1e-6)
    solid, dashed = seen.one("dial measured range"), seen.one("dial beyond measured range")
    assert solid.get_linestyle()[0][1] is None
    assert dashed.get_linestyle()[0][1] is not None
    for line, ends in ((solid, [20, 100]), (dashed, [0, 20])):
        dials = [arc.dial(p) for s in line.get_segments() for p in s]
        assert [min(dials), max(dials)] == pytest.approx(ends, abs=1e-6)
    assert "beyond the readings" in seen.everything()
    assert "read on the set (6)" in seen.everything()


def test_uncertainty_of_the_scale_is_told(bench: Any, look: Any) -> None:
    b = bench(first_dial=0.0)
    law = b.coil("B")["dial_law"]
    law["f_u_hz"] = [200.0 if d % 20 == 0 else 1_500.0 for d in law["dial"]]
    told = look(draw_coil(coil_page(b.plan, b.tables, b.fit, "B"))).words("dial uncertainty")
    # The dial is slowest at its low end, the first division by the closed form.
    slowest = b.f_hz("B", 1) - b.f_hz("B", 0)
    assert told[0].startswith("at the readings ± 0.20 kHz, 0.01")
    assert told[1] == f"between them at most ± 1.5 kHz, {1_500 / slowest:.2f} of a division"
    law["f_u_hz"] = [700.0] * len(law["dial"])
    told = look(draw_coil(coil_page(b.plan, b.tables, b.fit, "B"))).words("dial uncertainty")
    assert told == [f"frequency good to ± 0.70 kHz, {700 / slowest:.3f} of a division"]


def test_the_table_tells_the_frequency_at_each_tenth_division(bench: Any, look: Any) -> None:
    b = bench()
    seen = look(draw_coil(coil_page(b.plan, b.tables, b.fit, "B")))
    shown = [number(t) for t in seen.words("table frequency")]
    assert shown == pytest.approx([b.f_hz("B", d) / 1e3 for d in range(0, 101, 10)], abs=0.51)


@pytest.mark.parametrize("direction", ["clockwise", "anticlockwise"])
@pytest.mark.parametrize("travel", [300.0, 270.0])
def test_the_knob(bench: Any, look: Any, direction: str, travel: float) -> None:
    b = bench(direction=direction, travel=travel)
    seen = look(draw_coil(coil_page(b.plan, b.tables, b.fit, "B")))
    travelled = np.vstack(seen.segments("knob travel"))
    body = seen.one("knob body").get_xy()
    centre = (body.max(axis=0) + body.min(axis=0)) / 2

    def degrees(points: Any) -> np.ndarray:
        d = np.atleast_2d(points) - centre
        return np.degrees(np.arctan2(d[:, 0], d[:, 1]))

    def turned(angle_deg: float) -> float:
        """Where the pointer stands, clockwise from 12 o'clock: mid-travel at 12:00."""
        off = angle_deg - travel / 2
        return off if direction == "clockwise" else -off

    assert [degrees(travelled).min(), degrees(travelled).max()] == pytest.approx(
        [-travel / 2, travel / 2], abs=0.05
    )
    onsets = [float(degrees(s[-1])[0]) for s in seen.segments("knob onset")]
    assert onsets == pytest.approx([turned(o["measured_deg"]) for o in b.coil("B")["onset"]], abs=0.05)
    drops = [float(degrees(s[-1])[0]) for s in seen.segments("knob drop-out")]
    assert drops == pytest.approx([turned(o["dropout_deg"]) for o in b.coil("B")["onset"]], abs=0.05)
    window = degrees(seen.one("knob window").get_xy())
    # 10:00 and 2:00 are 60 degrees either side of 12:00 on any clock.
    assert [window.min(), window.max()] == pytest.approx([-60, 60], abs=0.05)
    for text in seen.texts("knob hour"):
        hour = int(text.get_text())
        assert float(degrees(text.get_position())[0]) == pytest.approx(
            (hour * 30 + 180) % 360 - 180, abs=0.01
        )
    tip = seen.one("knob arrow").get_xy()[0]
    assert (tip[0] > centre[0]) == (direction == "clockwise")
    labels = seen.words("knob frequency")
    assert len(labels) == 5
    by_frequency = {round(o["f_hz"] / 1e3): turned(o["measured_deg"]) for o in b.coil("B")["onset"]}
    for label, text in zip(labels, seen.texts("knob frequency"), strict=True):
        assert float(degrees(text.get_position())[0]) == pytest.approx(
            by_frequency[round(number(label))], abs=12
        )


def test_onset_against_frequency(bench: Any, look: Any) -> None:
    b = bench(n_onset=6)
    page = coil_page(b.plan, b.tables, b.fit, "B")
    seen = look(draw_coil(page))
    entries = b.coil("B")["onset"]
    f = [o["f_hz"] for o in entries]
    onset, drop = seen.one("onset readings"), seen.one("drop-out readings")
    np.testing.assert_allclose(onset.get_xydata(), np.column_stack([f, [o["measured_deg"] for o in entries]]))
    np.testing.assert_allclose(drop.get_xydata(), np.column_stack([f, [o["dropout_deg"] for o in entries]]))
    assert onset.get_marker() != drop.get_marker()
    curve = seen.one("fitted onset").get_xydata()
    assert [curve[0, 0], curve[-1, 0]] == pytest.approx([f[0], f[-1]])
    assert np.interp(f, curve[:, 0], curve[:, 1]) == pytest.approx(
        [o["fitted_deg"] for o in entries], abs=0.1
    )
    window = seen.one("window")
    assert [window.get_y(), window.get_y() + window.get_height()] == pytest.approx(page.window_deg)
    bars = next(c for c in seen.axes("onset").containers if c.lines[0] is onset).lines[2][0].get_segments()
    assert [(s[1, 1] - s[0, 1]) / 2 for s in bars] == pytest.approx([1.2] * 6)


@pytest.mark.parametrize("direction", ["clockwise", "anticlockwise"])
def test_the_right_axis_reads_as_a_clock(bench: Any, look: Any, direction: str) -> None:
    b = bench(direction=direction)
    axes = look(draw_coil(coil_page(b.plan, b.tables, b.fit, "B"))).axes("onset")
    right = axes.child_axes[0]
    assert right.get_ylim() == axes.get_ylim()
    labels = dict(zip(right.get_yticks(), (t.get_text() for t in right.get_yticklabels()), strict=True))
    # The contract: with 300 degrees of travel 0 is 7:00, 150 is 12:00, 210 is 2:00; mirrored when it turns the other way.
    clockwise = {90.0: "10:00", 120.0: "11:00", 150.0: "12:00", 180.0: "1:00", 210.0: "2:00"}
    mirrored = {300.0 - angle: text for angle, text in clockwise.items()}
    expected = clockwise if direction == "clockwise" else mirrored
    shown = {a: t for a, t in labels.items() if a in expected}
    assert len(shown) >= 4
    assert shown == {a: expected[a] for a in shown}


def test_q_against_frequency(bench: Any, look: Any) -> None:
    b = bench()
    seen = look(draw_coil(coil_page(b.plan, b.tables, b.fit, "B")))
    law = b.coil("B")["q_law"]
    curve = seen.one("Q law").get_xydata()
    assert np.interp(law["f_hz"], curve[:, 0], curve[:, 1]) == pytest.approx(law["q"], abs=0.05)
    band = seen.one("Q uncertainty").get_paths()[0].vertices
    assert band[:, 1].max() == pytest.approx(law["q"][-1] + law["q_u"][-1])
    assert band[:, 1].min() == pytest.approx(law["q"][0] - law["q_u"][0])
    points = seen.one("Q readings").get_xydata()
    rows = [r for r in b.tables["resonance"] if r["coil"] == "B"]
    np.testing.assert_allclose(points, [[r["f0_hz"], r["q"]] for r in rows])


def test_both_graphs_share_their_frequencies(bench: Any, look: Any) -> None:
    b = bench()
    seen = look(draw_coil(coil_page(b.plan, b.tables, b.fit, "B")))
    onset, q = seen.axes("onset"), seen.axes("Q")
    assert onset.get_xlim() == q.get_xlim()
    assert list(onset.get_xticks()) == list(q.get_xticks())
    assert [number(t.get_text()) * 1e3 for t in q.get_xticklabels()] == pytest.approx(list(q.get_xticks()))


def test_what_is_written(bench: Any, look: Any) -> None:
    b = bench(warnings=("Coil B: one thing is odd.",))
    seen = look(draw_coil(coil_page(b.plan, b.tables, b.fit, "B")))
    everything = seen.everything()
    for part in (
        "Coil B",
        "Harbour Hall evening class set",
        "10 March 2031",
        "session harbour-hall-march",
        "MF / HF",
        "21 turns, wire 0.4 mm",
        "32 mm mean dia., 24 mm long",
        "6 turns, wire 0.25 mm",
        "gap 2.5 mm",
        "23.00 ± 0.14 µH",
        "22.00 ± 0.80 pF",
        "0.715 ± 0.012 mS·µH",
        "k 0.31",
        "! Coil B: one thing is odd.",
        "not a safety assessment",
        "standard uncertainty",
        "drop-out",
        "window",
    ):
        assert part in everything, part
    assert seen.words("range") == [
        f"{b.f_hz('B', 0) / 1e3:,.0f} to {b.f_hz('B', 100) / 1e3:,.0f} kHz".replace(",", " ")
    ]
    assert " ".join(seen.words("advice")).startswith("Take off 1 tickler turn (6 to 5): onset from")


def test_the_units_are_those_of_the_plan(bench: Any, look: Any) -> None:
    b = bench(frequency="Mc", length="in", capacitance="mmf")
    everything = look(draw_coil(coil_page(b.plan, b.tables, b.fit, "B"))).everything()
    assert "1.26 in mean dia., 0.945 in long" in everything
    assert "22.00 ± 0.80 mmf" in everything
    assert "kHz" not in everything
    assert "pF" not in everything


def test_a_frequency_that_never_starts_is_marked_as_such(bench: Any, look: Any) -> None:
    b = bench(silent=(0, 1))
    seen = look(draw_coil(coil_page(b.plan, b.tables, b.fit, "B")))
    crosses = list(seen.texts("never starts"))
    assert [c.get_xydata().tolist() for c in crosses] == [
        [[o["f_hz"], 300.0] for o in b.coil("B")["onset"][:2]]
    ]
    assert "never starts" in seen.everything()
    assert seen.one("onset range").get_text().endswith(", 2 of 5 never")
    assert len(seen.one("onset readings").get_xydata()) == 3


def test_a_set_that_oscillates_at_the_stop_is_marked_as_such(bench: Any, look: Any) -> None:
    b = bench()
    b.coil("B")["onset"][-1] |= {
        "measured_deg": 0.0,
        "measured_u_deg": None,
        "dropout_deg": None,
        "fitted_deg": 0.0,
    }
    seen = look(draw_coil(coil_page(b.plan, b.tables, b.fit, "B")))
    assert seen.one("already at the stop").get_xydata()[0, 1] == 0.0
    assert "already at the stop" in seen.everything()
    assert seen.touching() == []


def _nothing(b: Any) -> Any:
    return coil_page(b.plan, {}, None, "B")


def _one_reading(b: Any) -> Any:
    return coil_page(b.plan, {"resonance": b.tables["resonance"][6:7], "onset": []}, None, "B")


def _unfitted(b: Any) -> Any:
    return coil_page(b.plan, b.tables, None, "B")


def _no_onset(b: Any) -> Any:
    b.coil("B").update(onset=[], gm_m={"value_sh": None, "u_sh": None}, mutual_h=None, k=None, advice=None)
    return coil_page(b.plan, {"resonance": b.tables["resonance"]}, b.fit, "B")


def _no_q(b: Any) -> Any:
    b.coil("B")["q_law"] = {"f_hz": [], "q": [], "q_u": []}
    rows = [r | {"q": None, "q_u": None} for r in b.tables["resonance"]]
    return coil_page(b.plan, {"resonance": rows, "onset": b.tables["onset"]}, b.fit, "B")


def _one_onset(b: Any) -> Any:
    b.coil("B")["onset"] = b.coil("B")["onset"][:1]
    return coil_page(b.plan, b.tables, b.fit, "B")


@pytest.mark.parametrize(
    ("gather", "told", "missing"),
    [
        (
            _nothing,
            ["three dial settings", "Onset at two frequencies", "No Q read yet", "No advice yet"],
            ["Q law"],
        ),
        (_one_reading, ["Read at one dial setting so far. Resonance at two", "No onset read yet"], ["Q law"]),
        (_unfitted, ["no dial law was fitted"], ["fitted onset", "Q law", "dial measured range"]),
        (_no_onset, ["Onset at two frequencies", "onset not read yet", "No advice yet"], ["onset readings"]),
        (_no_q, ["No Q read yet"], ["Q law", "Q readings"]),
        (_one_onset, ["onset"], ["fitted onset"]),
    ],
)
def test_missing_parts_leave_a_sentence_that_says_what_fills_them(
    bench: Any, look: Any, gather: Any, told: list[str], missing: list[str]
) -> None:
    seen = look(draw_coil(gather(bench())))
    everything = " ".join(seen.everything().split())
    for part in told:
        assert part in everything
    for gid in missing:
        assert not seen.has(gid)
    assert seen.touching() == []
    assert seen.outside() == []


def test_a_missing_curve_would_be_noticed(bench: Any, look: Any) -> None:
    # The ids that the other tests look for are all there on a whole page, and each is something drawn.
    b = bench()
    seen = look(draw_coil(coil_page(b.plan, b.tables, b.fit, "B")))
    for gid in (
        "fitted onset",
        "Q law",
        "Q uncertainty",
        "Q readings",
        "onset readings",
        "drop-out readings",
        "window",
    ):
        assert seen.one(gid).get_visible(), gid
    for gid in ("knob onset", "knob drop-out", "knob window ends", "knob end stops", "dial divisions"):
        assert seen.segments(gid), gid


def test_names_from_outside_are_written_as_they_stand(bench: Any, look: Any) -> None:
    b = bench(name="Cost $5 and $6 \\frac_{x} 電波")
    seen = look(draw_coil(coil_page(b.plan, b.tables, b.fit, "B")))
    assert seen.words("set name") == ["Cost $5 and $6 \\frac_{x} ??"]
    assert words.CAUTION in seen.everything()
