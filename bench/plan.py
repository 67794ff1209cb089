"""plan.toml to checked objects. Values are SI floats once loaded."""

from __future__ import annotations

from collections.abc import Callable
from typing import Annotated, Any, Literal

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from bench import quantities

DeviceKind = Literal["triode", "pentode", "fet", "bipolar"]
ControlKind = Literal["divider", "shunt", "throttle", "supply", "swing", "measured"]


def _quantity(kind: quantities.Kind) -> Callable[[Any], Any]:
    def check(value: Any) -> Any:
        return quantities.parse(value, kind)

    return check


Hertz = Annotated[float, BeforeValidator(_quantity("frequency"))]
Farad = Annotated[float, BeforeValidator(_quantity("capacitance"))]
Henry = Annotated[float, BeforeValidator(_quantity("inductance"))]
Ohm = Annotated[float, BeforeValidator(_quantity("resistance"))]
Siemens = Annotated[float, BeforeValidator(_quantity("conductance"))]
Volt = Annotated[float, BeforeValidator(_quantity("voltage"))]
Metre = Annotated[float, BeforeValidator(_quantity("length"))]
Wire = Annotated[float, BeforeValidator(quantities.parse_wire)]


class Part(BaseModel):
    """A table of the plan: unknown keys are refused, values never change."""

    model_config = ConfigDict(extra="forbid", frozen=True)


class Tuning(Part):
    dial: tuple[float, float] = (0.0, 100.0)
    capacitance: tuple[Farad, Farad]


class Control(Part):
    kind: ControlKind = "divider"
    resistance: Ohm | None = None
    capacitance: tuple[Farad, Farad] | None = None
    taper: Literal["linear", "log", "reverse-log"] | tuple[tuple[float, float], ...] = "linear"
    travel_deg: float = 300.0
    window: tuple[str, str] = ("10:00", "2:00")
    dead_deg: tuple[float, float] = (0.0, 0.0)
    direction: Literal["clockwise", "anticlockwise"] = "clockwise"
    law: tuple[tuple[float, float], ...] | None = None

    @property
    def window_deg(self) -> tuple[float, float]:
        """The window as travel in degrees, low end first."""
        a, b = (quantities.clock_to_angle(text, self.travel_deg) for text in self.window)
        return min(a, b), max(a, b)


class Feedback(Part):
    capacitor: Farad = 0.0
    choke: Henry | None = None
    choke_capacitance: Farad = 0.0
    plate_capacitance: Farad = 0.0
    grid_plate_capacitance: Farad = 0.0
    winding_capacitance: Farad = 0.0


class Antenna(Part):
    coupling_capacitor: Farad
    resistance: Ohm
    capacitance: Farad


class Receiver(Part):
    name: str = ""
    device: DeviceKind = "triode"
    gm: Siemens | None = None
    rp: Ohm | None = None
    supply: Volt | None = None
    tuning: Tuning
    control: Control
    feedback: Feedback = Feedback()
    antenna: Antenna | None = None


class GridWinding(Part):
    turns: float | None = None
    diameter: Metre | None = None
    form_diameter: Metre | None = None
    length: Metre | None = None
    wire: Wire | None = None
    insulated: Metre | None = None
    inductance: Henry | None = None
    q: tuple[tuple[float, float], ...] | None = None


class TicklerWinding(Part):
    turns: float
    gap: Metre | None = None
    diameter: Metre | None = None
    length: Metre | None = None
    wire: Wire | None = None
    insulated: Metre | None = None
    inductance: Henry | None = None
    k: float | None = None


class Coil(Part):
    name: str
    grid: GridWinding
    tickler: TicklerWinding
    dials: tuple[float, ...] = ()
    onset_at: tuple[Hertz, ...] = ()


class Readings(Part):
    repeats: int = 3
    q_uncertainty: float = 0.01
    added_capacitor: Farad | None = None


class Instrument(Part):
    model_config = ConfigDict(extra="allow", frozen=True)
    driver: str


class Show(Part):
    frequency: Literal["kHz", "MHz", "kc", "Mc"] = "kHz"
    capacitance: Literal["pF", "mmf"] = "pF"
    length: Literal["mm", "in"] = "mm"


class Virtual(Part):
    seed: int = 1
    speed: float = 30.0


class Plan(Part):
    receiver: Receiver
    coil: tuple[Coil, ...] = Field(min_length=1)
    readings: Readings = Readings()
    instruments: dict[Literal["analyzer", "generator", "angle", "level", "dial"], Instrument] = Field(default_factory=dict)
    show: Show = Show()
    virtual: Virtual = Virtual()
