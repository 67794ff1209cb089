"""An invented set with laws in closed form, so that a chart can be checked without the chart's own curves."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from bench.plan.schema import Plan, parse_plan

PLAN = """
[receiver]
name = {name}
device = "triode"
supply = "60 V"
[receiver.tuning]
dial = {dial}
capacitance = ["160 pF", "12 pF"]
[receiver.control]
kind = "divider"
resistance = "10 kohm"
travel_deg = {travel}
window = {window}
direction = "{direction}"
[receiver.feedback]
capacitor = "270 pF"
choke = "2.5 mH"
[show]
frequency = "{frequency}"
capacitance = "{capacitance}"
length = "{length}"
"""
COIL = """
[[coil]]
name = "{name}"
grid = {{ turns = {turns}, diameter = "32 mm", length = "24 mm", wire = "0.4 mm" }}
tickler = {{ turns = 6, gap = "2.5 mm", wire = "0.25 mm" }}
"""


@dataclass
class Bench:
    """A plan, rows and a fit that belong together, and the closed forms they came from."""

    plan: Plan
    tables: dict[str, list[dict[str, Any]]]
    fit: dict[str, Any]
    inductance_h: dict[str, float]
    stray_f: float

    def f_hz(self, coil: str, dial: float) -> float:
        return resonance(self.plan, self.inductance_h[coil], self.stray_f, dial)

    def coil(self, name: str) -> dict[str, Any]:
        entry: dict[str, Any] = next(c for c in self.fit["coils"] if c["name"] == name)
        return entry


def resonance(plan: Plan, l_h: float, stray_f: float, dial: float) -> float:
    first, last = plan.receiver.tuning.dial
    most, least = plan.receiver.tuning.capacitance
    share = (dial - first) / (last - first)
    c_f = least + (most - least) * (1 - share) ** 1.4 + stray_f
    return float(1 / (2 * np.pi * np.sqrt(l_h * c_f)))


@dataclass
class Wishes:
    coils: dict[str, float] = field(
        default_factory=lambda: {"A": 120e-6, "B": 23e-6, "C": 4.4e-6, "D": 0.85e-6}
    )
    name: str = "Harbour Hall evening class set"
    dial: Sequence[float] = (0, 100)
    travel: float = 300
    window: Sequence[str] = ("10:00", "2:00")
    direction: str = "clockwise"
    frequency: str = "kHz"
    capacitance: str = "pF"
    length: str = "mm"
    stray_f: float = 22e-12
    n_dial: int = 6
    n_onset: int = 5
    first_dial: float = 0.08
    silent: Sequence[int] = ()
    warnings: Sequence[str] = ()
    verdict: str = "fewer turns"


Maker = Callable[..., Bench]


@pytest.fixture
def bench() -> Maker:
    """Make a bench; keyword arguments are those of `Wishes`."""
    return lambda **wishes: make(Wishes(**wishes))


def make(w: Wishes) -> Bench:
    text = PLAN.format(
        name=json.dumps(w.name, ensure_ascii=False),
        dial=[float(d) for d in w.dial],
        travel=w.travel,
        window=json.dumps(list(w.window)),
        direction=w.direction,
        frequency=w.frequency,
        capacitance=w.capacitance,
        length=w.length,
    )
    text += "".join(COIL.format(name=n, turns=20 + i) for i, n in enumerate(w.coils))
    plan = parse_plan(text)
    tables: dict[str, list[dict[str, Any]]] = {"resonance": [], "onset": []}
    coils = [_coil(w, plan, name, l_h, tables, i) for i, (name, l_h) in enumerate(w.coils.items())]
    overlaps = []
    for a, b in pairwise(coils):
        ends = sorted((min(b["dial_law"]["f_hz"]), max(a["dial_law"]["f_hz"])))
        gap = min(b["dial_law"]["f_hz"]) > max(a["dial_law"]["f_hz"])
        overlaps.append({"coils": [a["name"], b["name"]], "low_hz": ends[0], "high_hz": ends[1], "gap": gap})
    fit = {
        "session": "harbour-hall-march",
        "made_at": "2031-03-20T09:00:00.000Z",
        "program_version": "0.1.0",
        "dial": [],
        "coils": coils,
        "overlaps": overlaps,
        "warnings": [],
    }
    return Bench(plan, tables, fit, dict(w.coils), w.stray_f)


def _coil(
    w: Wishes, plan: Plan, name: str, l_h: float, tables: dict[str, list[dict[str, Any]]], index: int
) -> dict[str, Any]:
    low, high = sorted(float(d) for d in w.dial)
    common = {"coil": name, "recipe": "", "valve": "working", "antenna": "no"}
    for i, dial in enumerate(np.linspace(low + w.first_dial * (high - low), high, w.n_dial)):
        f = resonance(plan, l_h, w.stray_f, dial)
        tables["resonance"].append(
            common
            | {
                "time": f"2031-03-{9 + index:02d}T19:{10 + i:02d}:00.000Z",
                "dial": float(dial),
                "f0_hz": f * (1 + 1.5e-4 * (-1) ** i),
                "f0_u_hz": 1e-4 * f,
                "q": 115 * (1 + 0.01 * (-1) ** i),
                "q_u": 1.4,
                "added_c_f": None,
            }
        )
    dials = np.arange(low, high + 0.5)
    law = [resonance(plan, l_h, w.stray_f, d) for d in dials]
    f_low, f_high = min(law), max(law)
    onset = []
    for i, f in enumerate(np.geomspace(1.04 * f_low, 0.97 * f_high, w.n_onset)):
        angle = w.travel * (0.28 + 0.33 * (f_high / f - 1) / (f_high / f_low - 1))
        quiet = i in w.silent
        onset.append(
            {
                "f_hz": float(f),
                "measured_deg": None if quiet else float(angle + 1.5 * (-1) ** i),
                "measured_u_deg": None if quiet else 1.2,
                "dropout_deg": None if quiet else float(angle - 6),
                "backlash_deg": None if quiet else 6.0 + 1.5 * (-1) ** i,
                "fitted_deg": None if quiet else float(angle),
                "slope_per_deg": 0.01,
            }
        )
        for direction, off in (("onset", 0.0), ("drop-out", -6.0)):
            for _ in range(3):
                tables["onset"].append(
                    common
                    | {
                        "time": f"2031-03-{9 + index:02d}T20:00:00.000Z",
                        "dial": 50.0,
                        "f_hz": float(f),
                        "direction": direction,
                        "angle_deg": None if quiet else float(angle + off),
                        "angle_u_deg": 2.0,
                    }
                )
    now, best = 6, {"fewer turns": 5, "more turns": 7.5}.get(w.verdict, 6)
    moved = [None if o["fitted_deg"] is None else o["fitted_deg"] * 1.1 for o in onset]
    f_q = np.geomspace(f_low, f_high, 9)
    return {
        "name": name,
        "l_h": l_h,
        "l_u_h": 0.006 * l_h,
        "c_stray_f": w.stray_f,
        "c_stray_u_f": 0.8e-12,
        "q_law": {
            "f_hz": f_q.tolist(),
            "q": [115.0 + i for i in range(9)],
            "q_u": [1.0 + 0.1 * i for i in range(9)],
        },
        "dial_law": {
            "dial": dials.tolist(),
            "f_hz": law,
            "khz_per_division": (np.gradient(law, dials) / 1e3).tolist(),
        },
        "onset": onset,
        "gm_m": {"value_sh": 7.15e-10, "u_sh": 0.12e-10},
        "mutual_h": 1.10e-6,
        "mutual_u_h": 0.02e-6,
        "k": 0.312,
        "k_u": 0.006,
        "residual_deg": 1.5,
        "warnings": list(w.warnings),
        "advice": {
            "tickler_turns_now": now,
            "tickler_turns_best": best,
            "predicted": [
                {
                    "turns": now,
                    "angles_deg": [o["fitted_deg"] for o in onset],
                    "in_window": w.verdict == "keep",
                },
                {"turns": best, "angles_deg": moved, "in_window": True},
            ][: 1 if now == best else 2],
            "verdict": w.verdict,
            "levers": [
                {
                    "what": "feedback capacitor",
                    "change": "270 pF to 180 pF",
                    "effect": "onset 20 degrees later",
                }
            ],
            "reasons": [],
        },
    }


class Look:
    """What is on a drawn figure: artists by their id, texts, and texts that touch one another."""

    def __init__(self, figure: Any) -> None:
        self.figure = figure
        self.sheet = figure.axes[0]

    def axes(self, label: str) -> Any:
        return next(a for a in self.figure.axes if a.get_label() == label)

    def has(self, gid: str) -> bool:
        return bool(self.figure.findobj(lambda a: a.get_gid() == gid))

    def one(self, gid: str) -> Any:
        found = self.figure.findobj(lambda a: a.get_gid() == gid)
        assert len(found) == 1, f"{len(found)} of {gid}"
        return found[0]

    def texts(self, gid: str) -> list[Any]:
        return self.figure.findobj(lambda a: a.get_gid() == gid)

    def words(self, gid: str) -> list[str]:
        return [t.get_text().replace("\u00a0", " ") for t in self.texts(gid)]

    def everything(self) -> str:
        from matplotlib.text import Text

        return "\n".join(t.get_text().replace("\u00a0", " ") for t in self.figure.findobj(Text))

    def segments(self, gid: str) -> list[Any]:
        return [np.asarray(s) for a in self.texts(gid) for s in a.get_segments()]

    @cached_property
    def boxes(self) -> list[tuple[Any, Any, np.ndarray]]:
        from matplotlib.backends.backend_agg import FigureCanvasAgg
        from matplotlib.text import Text

        self.figure.set_dpi(144)
        canvas = FigureCanvasAgg(self.figure)
        # Tick labels of a second axis find their places only while drawing.
        canvas.draw()
        renderer = canvas.get_renderer()
        boxes = []
        for text in self.figure.findobj(Text):
            if not text.get_visible() or not text.get_text().strip() or _idle(text):
                continue
            angle = text.get_rotation()
            text.set_rotation(0)
            box = text.get_window_extent(renderer)
            text.set_rotation(angle)
            corners = np.array([[box.x0, box.y0], [box.x1, box.y0], [box.x1, box.y1], [box.x0, box.y1]])
            # Rotated texts of the charts turn about their anchor.
            anchor = text.get_transform().transform(text.get_position())
            turn = np.radians(angle)
            matrix = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
            boxes.append((text, box, (corners - anchor) @ matrix + anchor if angle else corners))
        return boxes

    def touching(self) -> list[tuple[str, str]]:
        """Pairs of texts that overlap, by the separating axis theorem on their turned boxes."""
        boxes = self.boxes
        pairs = []
        for i, (a, _, p) in enumerate(boxes):
            for b, _, q in boxes[i + 1 :]:
                if not _apart(p, q):
                    pairs.append((a.get_text(), b.get_text()))
        return pairs

    def outside(self) -> list[str]:
        """Texts that reach beyond the page's frame."""
        boxes = self.boxes
        frame = self.sheet.transData.transform(np.vstack(self.segments("frame")))
        low, high = frame.min(axis=0), frame.max(axis=0)
        return [t.get_text() for t, _, c in boxes if np.any(c < low) or np.any(c > high)]

    def sizes(self) -> list[float]:
        return [text.get_fontsize() for text, _, _ in self.boxes]


def _idle(text: Any) -> bool:
    """Tick labels outside an axis's limits are made but never drawn."""
    axes = text.axes
    if axes is None:
        return False
    for axis in (axes.xaxis, axes.yaxis):
        for tick in axis.get_major_ticks():
            if text in (tick.label1, tick.label2):
                low, high = sorted(axis.get_view_interval())
                return not (low <= tick.get_loc() <= high)
    return text in (axes.title, axes._left_title, axes._right_title)


def _apart(p: np.ndarray, q: np.ndarray, slack: float = 0.5) -> bool:
    for shape in (p, q):
        for i in range(4):
            edge = shape[(i + 1) % 4] - shape[i]
            normal = np.array([-edge[1], edge[0]]) / (np.hypot(*edge) or 1.0)
            a, b = p @ normal, q @ normal
            if a.max() <= b.min() + slack or b.max() <= a.min() + slack:
                return True
    return False


@pytest.fixture
def look() -> type[Look]:
    return Look
