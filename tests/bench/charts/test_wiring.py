"""The drawing beside a plan: the plan's own control and values in it, the cautions always."""

from __future__ import annotations

import re
from itertools import pairwise
from xml.etree import ElementTree

import pytest
from matplotlib.font_manager import FontProperties
from matplotlib.textpath import TextPath

from bench.charts.wiring import wiring_svg
from bench.demo import demo_plan
from bench.plan.schema import parse_plan

FONT = FontProperties(family="DejaVu Sans")


def drawn(text: str) -> tuple[str, int]:
    """All words of the drawing on one line, and how many strokes it has."""
    root = ElementTree.fromstring(wiring_svg(parse_plan(text)))
    words = " ".join(
        part.strip() for one in root.iter() if one.tag.endswith("text") for part in one.itertext()
    )
    strokes = sum(one.tag.endswith(("path", "line", "circle", "ellipse", "polygon")) for one in root.iter())
    return re.sub(r"\s+", " ", words.replace("\u00a0", " ")), strokes


def plan(kind: str = "divider", device: str = "triode") -> str:
    text = (
        demo_plan(1)
        .replace('kind = "divider"', f'kind = "{kind}"')
        .replace('device = "triode"', f'device = "{device}"')
    )
    if kind == "throttle":
        text = re.sub(r"(?m)^resistance = .*$", 'capacitance = ["9 pF", "87 pF"]', text, count=1)
    if kind == "measured":
        text = re.sub(r"(?m)^resistance = .*$", "law = [[0, 0.1], [150, 0.4], [300, 1]]", text, count=1)
    return text


@pytest.mark.parametrize("device", ["triode", "pentode", "fet", "bipolar"])
@pytest.mark.parametrize("kind", ["divider", "shunt", "throttle", "supply", "swing", "measured"])
def test_every_control_and_device_is_drawn_with_its_cautions(kind: str, device: str) -> None:
    words, strokes = drawn(plan(kind, device))
    assert strokes > 60
    assert "Local codes and licensed practice come first" in words
    assert "lethal voltages" in words
    assert "never to the plate" in words
    assert "touches nothing" in words
    told = {"throttle": "9 pF to 87 pF", "swing": "that turns", "measured": "as measured", "supply": "supply"}
    assert told.get(kind, "4 kohm") in words


def test_two_controls_are_two_drawings() -> None:
    drawings = {drawn(plan(kind)) for kind in ("divider", "shunt", "throttle", "supply", "swing", "measured")}
    assert len(drawings) == 6


def test_a_cathode_tap_has_no_tickler() -> None:
    text = plan("supply", "pentode").replace("[receiver]", '[receiver]\ntopology = "cathode-tap"', 1)
    text = re.sub(r"tickler = \{[^}]*\}", "tap = { turns = 3 }", text)
    words, _ = drawn(text)
    assert "tickler" not in words
    assert "screen" in words


def test_what_is_not_in_the_plan_is_not_drawn() -> None:
    bare = plan()[: plan().index("[instruments")]
    words, _ = drawn(bare)
    assert "touches nothing" not in words
    assert "sensor board" not in words
    assert "antenna" not in words
    with_antenna = (
        bare
        + '[receiver.antenna]\ncoupling_capacitor = "7 pF"\nresistance = "75 ohm"\ncapacitance = "200 pF"\n'
    )
    assert "antenna 7 pF" in drawn(with_antenna)[0]


@pytest.mark.parametrize("kind", ["divider", "shunt", "throttle", "supply", "swing", "measured"])
def test_the_sensor_s_shaft_runs_along_no_wire(kind: str) -> None:
    """What is joined mechanically only (the cautions) must not look joined to the plate or the supply."""
    root = ElementTree.fromstring(wiring_svg(parse_plan(plan(kind))))
    upright: dict[bool, set[float]] = {True: set(), False: set()}
    for one in root.iter():
        ends = [tuple(map(float, point)) for point in re.findall(r"([\d.-]+)[, ]([\d.-]+)", one.get("d", ""))]
        dashed = re.search(r"dasharray:\s*\d", one.get("style", "")) is not None
        for (x0, y0), (x1, y1) in pairwise(ends):
            if abs(x0 - x1) < 0.5 and abs(y0 - y1) > 20:
                upright[dashed].add(round(x0))
    assert len(upright[True]) == 1
    assert len(upright[False]) > 3
    assert all(abs(shaft - wire) > 5 for shaft in upright[True] for wire in upright[False])


@pytest.mark.parametrize("kind", ["divider", "shunt", "throttle", "supply", "swing", "measured"])
def test_no_words_are_cut_off_at_the_edge(kind: str) -> None:
    """Widths by the font itself; without instruments the control's name stands outermost."""
    text = plan(kind)
    root = ElementTree.fromstring(wiring_svg(parse_plan(text[: text.index("[instruments")])))
    left, _, width, _ = map(float, root.get("viewBox", "").split())
    for one in root.iter():
        if not one.tag.endswith("text"):
            continue
        size = float(one.get("font-size", "11"))
        long = max(
            TextPath((0, 0), t, size=size, prop=FONT).get_extents().width for t in one.itertext() if t.strip()
        )
        share = {"start": 0.0, "middle": 0.5, "end": 1.0}[one.get("text-anchor", "start")]
        x = float(one.get("x", "0")) - share * long
        assert left <= x, "".join(one.itertext())
        assert x + long <= left + width, "".join(one.itertext())
