"""The wiring of a plan's set and instruments, drawn as SVG: what `start` puts beside the plan.

Shows the circuit that the program takes the set to be, with the plan's own control in its place, and where each instrument
is connected: loosely, and never to the plate.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Any

from bench.charts.words import shown
from bench.plan.schema import Plan

Point = tuple[float, float]

# Columns and heights, in the drawing's own units.
TUNING_X, COIL_X, LOOP_X, LEAK_X, GRID_X = 0.0, 2.2, 3.4, 5.0, 5.8
TICKLER_X, CONTROL_X, FEEDBACK_X = 9.6, 11.6, 13.6
GROUND, SUPPLY_Y, COLD_Y, GRID_Y, WIPER_Y, PLATE_Y, SENSOR_Y = 0.0, 1.2, 4.4, 5.0, 6.2, 8.0, 10.2


def wiring_svg(plan: Plan) -> str:
    """The whole drawing as SVG text; black on white, nothing depends on colour."""
    import schemdraw

    schemdraw.use("svg")
    drawing: Any = schemdraw.Drawing(show=False)
    drawing.config(unit=2.0, fontsize=11, font="DejaVu Sans, sans-serif", lw=1.6, bgcolor="white", margin=0.6)
    sketch = _Sketch(drawing, plan)
    sketch.tank()
    if plan.receiver.topology == "cathode-tap":
        sketch.tapped()
    else:
        sketch.device()
        sketch.feedback()
    sketch.instruments()
    sketch.cautions()
    return str(drawing.get_imagedata("svg").decode("utf-8"))


class _Sketch:
    """The drawing as it grows."""

    def __init__(self, drawing: Any, plan: Plan) -> None:
        from schemdraw import elements

        self.elm: Any = elements
        self.drawing, self.plan = drawing, plan
        self.unit = plan.show.capacitance

    # Strokes

    def line(self, *points: Point, dashed: bool = False) -> None:
        for start, end in pairwise(points):
            self.drawing.add(self.elm.Line(ls="--" if dashed else "-").at(start).to(end))

    def part(self, element: Any, start: Point, end: Point, label: str = "", loc: str = "top") -> Any:
        placed = element.at(start).to(end)
        return self.drawing.add(placed.label(label, loc=loc) if label else placed)

    def ground(self, at: Point) -> None:
        self.drawing.add(self.elm.GroundChassis().at(at))

    def dot(self, at: Point) -> None:
        self.drawing.add(self.elm.Dot().at(at))

    def text(self, at: Point, text: str, align: str = "left") -> None:
        self.drawing.add(self.elm.Label().at(at).label(text, halign=align, valign="center"))

    def box(self, low: Point, high: Point, text: str) -> None:
        (left, bottom), (right, top) = low, high
        self.line((left, bottom), (right, bottom), (right, top), (left, top), (left, bottom))
        self.text(((left + right) / 2, (bottom + top) / 2), text, "center")

    def value(self, farad: float | None) -> str:
        return shown(farad, "capacitance", self.unit) if farad else ""

    # Parts of the set

    def tank(self) -> None:
        low, high = sorted(self.plan.receiver.tuning.capacitance)
        span = f"tuning\n{self.value(low)} to\n{self.value(high)}"
        self.part(self.elm.CapacitorVar(), (TUNING_X, GROUND), (TUNING_X, GRID_Y), span)
        self.part(self.elm.Inductor2(loops=5), (COIL_X, GROUND), (COIL_X, GRID_Y), "grid\nwinding")
        self.line((TUNING_X, GRID_Y), (COIL_X, GRID_Y))
        self.line((TUNING_X, GROUND), (COIL_X, GROUND))
        self.ground((COIL_X / 2, GROUND))
        self.part(self.elm.Capacitor(), (COIL_X, GRID_Y), (LEAK_X, GRID_Y), "grid leak")
        self.part(self.elm.Resistor(), (LEAK_X, GRID_Y), (LEAK_X, GROUND))
        self.ground((LEAK_X, GROUND))
        self.dot((LEAK_X, GRID_Y))
        self.line((LEAK_X, GRID_Y), (GRID_X, GRID_Y))
        antenna = self.plan.receiver.antenna
        if antenna is not None:
            name = f"antenna\n{self.value(antenna.coupling_capacitor)}"
            self.part(self.elm.Capacitor(), (TUNING_X - 2.4, GRID_Y), (TUNING_X, GRID_Y), name)
            self.drawing.add(self.elm.Antenna().at((TUNING_X - 2.4, GRID_Y)))

    def device(self, *, cathode_to: Point | None = None) -> Point:
        """The valve or transistor; returns its plate."""
        kind = self.plan.receiver.device
        if kind == "bipolar":
            placed = self.drawing.add(self.elm.BjtNpn().right().anchor("base").at((GRID_X, GRID_Y)))
            plate, cathode = placed.collector, placed.emitter
        elif kind == "fet":
            placed = self.drawing.add(self.elm.JFetN().right().reverse().anchor("gate").at((GRID_X, GRID_Y)))
            plate, cathode = placed.drain, placed.source
        else:
            made = self.elm.Triode() if kind == "triode" else self.elm.Pentode()
            grid = "grid" if kind == "triode" else "control"
            placed = self.drawing.add(made.right().anchor(grid).at((GRID_X, GRID_Y)))
            plate, cathode = placed.anode, placed.cathode
        at, low = (float(plate[0]), float(plate[1])), (float(cathode[0]), float(cathode[1]))
        if cathode_to is None:
            self.line(low, (low[0], GROUND))
            self.ground((low[0], GROUND))
        else:
            self.line(low, (low[0], cathode_to[1]), cathode_to)
        return at

    def choke(self, start: Point, end: Point, loc: str = "top") -> None:
        choke = self.plan.receiver.feedback.choke
        name = f"choke\n{shown(choke, 'inductance')}" if choke else "choke"
        self.part(self.elm.Inductor(), start, end, name, loc)

    def supply(self, at: Point, align: str = "left") -> None:
        volts = self.plan.receiver.supply
        self.text(at, f"to the supply{f', {volts:g} V' if volts is not None else ''}", align)

    def feedback(self) -> None:
        """Tickler, control, feedback capacitor and choke, by the plan's kind of control."""
        plate = self.device()
        self.line(plate, (plate[0], PLATE_Y), (TICKLER_X, PLATE_Y))
        kind = self.plan.receiver.control.kind
        tickler = self.elm.Inductor2(loops=3)
        name = "tickler,\nthat turns" if kind == "swing" else "tickler"
        self.part(tickler, (TICKLER_X, COLD_Y), (TICKLER_X, PLATE_Y), name)
        ohm = self.plan.receiver.control.resistance
        value = shown(ohm, "resistance") if ohm else ""
        cold = (TICKLER_X, COLD_Y)
        if kind in ("divider", "shunt", "measured"):
            self.line((TICKLER_X, PLATE_Y), (CONTROL_X, PLATE_Y))
            self.line(cold, (CONTROL_X, COLD_Y))
            self.dot((TICKLER_X, PLATE_Y))
            self.dot(cold)
        if kind == "divider":
            self.part(self.elm.Potentiometer(), (CONTROL_X, PLATE_Y), (CONTROL_X, COLD_Y))
            self.text((CONTROL_X + 0.4, PLATE_Y - 0.4), f"regeneration, {value}")
            self.line((CONTROL_X + 0.72, WIPER_Y), (FEEDBACK_X, WIPER_Y))
        elif kind in ("shunt", "measured"):
            made = self.elm.ResistorVar() if kind == "shunt" else self.elm.RBox()
            self.part(made, (CONTROL_X, COLD_Y), (CONTROL_X, PLATE_Y))
            name = f"regeneration, {value}" if kind == "shunt" else "regeneration, as measured"
            self.text((CONTROL_X + 0.5, PLATE_Y - 0.4), name)
        top = (FEEDBACK_X, WIPER_Y if kind == "divider" else COLD_Y)
        if kind != "divider":
            self.line(cold if kind not in ("shunt", "measured") else (CONTROL_X, COLD_Y), top)
            self.dot(cold)
        self._feedback_capacitor(top, kind)
        if kind == "throttle":
            self.choke((TICKLER_X, PLATE_Y), (TICKLER_X, PLATE_Y + 1.5))
            self.dot((TICKLER_X, PLATE_Y))
            self.supply((TICKLER_X - 0.2, PLATE_Y + 1.6), "right")
            return
        self.choke(cold, (TICKLER_X, SUPPLY_Y), "bottom")
        if kind == "supply":
            self._supply_control((TICKLER_X, SUPPLY_Y))
        else:
            self.line((TICKLER_X, SUPPLY_Y), (TICKLER_X + 0.6, SUPPLY_Y))
            self.supply((TICKLER_X + 0.7, SUPPLY_Y))

    def _feedback_capacitor(self, top: Point, kind: str) -> None:
        control = self.plan.receiver.control
        if kind == "throttle" and control.capacitance is not None:
            low, high = control.capacitance
            name = f"regeneration\n{self.value(low)} to\n{self.value(high)}"
            self.part(self.elm.CapacitorVar(), top, (FEEDBACK_X, GROUND), name, "bottom")
        else:
            name = f"feedback\n{self.value(self.plan.receiver.feedback.capacitor)}"
            self.part(self.elm.Capacitor(), top, (FEEDBACK_X, GROUND), name, "bottom")
        self.ground((FEEDBACK_X, GROUND))

    def _supply_control(self, start: Point) -> None:
        """A potentiometer on the supply, its wiper to the plate (or screen)."""
        x = CONTROL_X + 0.4
        self.part(self.elm.Potentiometer(), (x, SUPPLY_Y - 1.2), (x, SUPPLY_Y + 1.2))
        self.line(start, (x - 0.72, SUPPLY_Y))
        self.ground((x, SUPPLY_Y - 1.2))
        self.text((x, SUPPLY_Y + 1.5), "supply", "center")
        self.text((x - 0.5, SUPPLY_Y - 0.7), "regeneration", "right")

    def tapped(self) -> None:
        """The cathode on a tap of the tank coil, the plate at ground for radio frequency, the screen's voltage as control."""
        tap = (COIL_X, 2.1)
        plate = self.device(cathode_to=tap)
        self.dot(tap)
        top = (plate[0], PLATE_Y)
        self.line(plate, top, (TICKLER_X, PLATE_Y))
        self.part(self.elm.Capacitor(), (TICKLER_X, PLATE_Y), (TICKLER_X, GROUND), "by-pass", "bottom")
        self.ground((TICKLER_X, GROUND))
        self.dot((TICKLER_X, PLATE_Y))
        self.choke((TICKLER_X, PLATE_Y), (TICKLER_X + 2.6, PLATE_Y))
        self.supply((TICKLER_X + 2.8, PLATE_Y))
        x = CONTROL_X + 1.0
        self.part(self.elm.Potentiometer(), (x, GROUND), (x, WIPER_Y - 0.4))
        self.ground((x, GROUND))
        self.text((x + 0.3, WIPER_Y - 0.2), "supply")
        self.text((x + 0.4, 2.9), "regeneration:\nthe screen's voltage")
        self.line((x - 0.72, 2.9), (TICKLER_X + 1.0, 2.9))
        self.text((TICKLER_X + 0.9, 2.0), "to the screen")

    # What is connected to it

    def instruments(self) -> None:
        named = {role: one.driver for role, one in self.plan.instruments.items() if one.driver != "typed"}
        loop = next((role for role in ("analyzer", "generator") if role in named), None)
        if loop is not None:
            low, high = (LOOP_X, 0.2), (LOOP_X, 1.6)
            self.part(self.elm.Inductor2(loops=2), low, high)
            self.line(high, (LOOP_X + 0.8, 1.6), (LOOP_X + 0.8, -1.4))
            self.line(low, (LOOP_X, -1.4))
            where = "saves files into a folder" if named[loop] == "folder" else named[loop]
            self.box((LOOP_X - 1.6, -2.8), (LOOP_X + 2.4, -1.4), f"{loop}\n({where})")
            self.text((LOOP_X - 0.3, -0.5), "pick-up loop,", "right")
            self.text((LOOP_X - 0.3, -1.0), "touches nothing", "right")
        if "angle" in named:
            at, y, side = self._shaft()
            # Beside the part, never along a lead of it: a shaft is no wire.
            x = at + 0.75 * side
            self.line((at + 0.25 * side, y), (x, y), (x, SENSOR_Y), dashed=True)
            words = "sensor board: its own potentiometer\non the same shaft, nothing else in common"
            self.box((x - 4.2, SENSOR_Y), (x + 4.2, SENSOR_Y + 1.5), words)
        level = named.get("level")
        if level is not None:
            how = (
                "sound card, through an isolating transformer"
                if level == "sound"
                else "sensor board, through a capacitor"
            )
            self.box(
                (TICKLER_X - 2.6, -2.8),
                (TICKLER_X + 6.0, -1.4),
                f"level: the set's audio or detector\nto the {how}",
            )

    def _shaft(self) -> tuple[float, float, float]:
        """Where the regeneration control is, and on which side of it there is room for its shaft (-1 left, 1 right)."""
        if self.plan.receiver.topology == "cathode-tap":
            return CONTROL_X + 1.0, 3.3, -1.0
        return {
            "throttle": (FEEDBACK_X, COLD_Y / 2, -1.0),
            "supply": (CONTROL_X + 0.4, SUPPLY_Y, 1.0),
            "swing": (TICKLER_X, WIPER_Y, 1.0),
        }.get(self.plan.receiver.control.kind, (CONTROL_X, WIPER_Y, -1.0))

    def cautions(self) -> None:
        lines = (
            "Local codes and licensed practice come first. Valve sets carry lethal voltages, also after switch-off.",
            "Instruments by a pick-up loop, or through a capacitor rated for the supply; never to the plate.",
        )
        for number, line in enumerate(lines):
            self.text((TUNING_X - 2.4, -3.8 - 0.6 * number), line)
