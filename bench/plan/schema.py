"""plan.toml to checked objects. Values are SI floats once loaded."""

from __future__ import annotations

import functools
import hashlib
import json
import unicodedata
from collections.abc import Iterator, Sequence
from itertools import pairwise
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, ConfigDict, Field, ValidationError

from bench.errors import PlanError
from bench.plan import text as plan_text
from bench.plan.control import Control as Control
from bench.plan.control import ControlKind as ControlKind
from bench.plan.control import TaperName as TaperName
from bench.plan.parts import (
    MOST_ENTRIES,
    Farad,
    Henry,
    Hertz,
    Metre,
    Ohm,
    Part,
    Points,
    Problem,
    Siemens,
    Turns,
    Volt,
    Wire,
    fits,
)
from bench.plan.tapped import Tap, feedback_problems

DeviceKind = Literal["triode", "pentode", "fet", "bipolar"]
TopologyName = Literal["tickler", "cathode-tap"]


class Tuning(Part):
    dial: tuple[float, float] = (0.0, 100.0)
    capacitance: tuple[Farad, Farad]

    def problems(self) -> Iterator[Problem]:
        if self.dial[0] == self.dial[1]:
            yield "dial", "the two ends of the dial are the same; write for example dial = [0, 100]"
        if max(abs(end) for end in self.dial) > 1e6:
            yield "dial", "no dial is marked so high; write for example dial = [0, 100]"
        if 0 in self.capacitance or self.capacitance[0] == self.capacitance[1]:
            yield (
                "capacitance",
                'two different values, one at each end of the dial, for example ["160 pF", "12 pF"]',
            )


class Feedback(Part):
    capacitor: Farad = 0.0
    choke: Henry | None = None
    choke_capacitance: Farad = 0.0
    plate_capacitance: Farad = 0.0
    grid_plate_capacitance: Farad = 0.0
    winding_capacitance: Farad = 0.0

    def problems(self) -> Iterator[Problem]:
        yield from self.positive("choke")


class Antenna(Part):
    coupling_capacitor: Farad
    resistance: Ohm
    capacitance: Farad

    def problems(self) -> Iterator[Problem]:
        yield from self.positive("coupling_capacitor", "capacitance")


class Receiver(Part):
    name: Annotated[str, Field(max_length=200)] = ""
    topology: TopologyName = "tickler"
    device: DeviceKind = "triode"
    gm: Siemens | None = None
    rp: Ohm | None = None
    grid_leak: Ohm | None = None
    current_gain: Annotated[float, Field(gt=0, le=1e6)] | None = None
    transition_frequency: Hertz | None = None
    supply: Volt | None = None
    tuning: Tuning
    control: Control
    feedback: Feedback = Feedback()
    antenna: Antenna | None = None

    def problems(self) -> Iterator[Problem]:
        yield from self.positive("gm", "rp", "grid_leak", "transition_frequency")
        if self.topology == "cathode-tap" and self.control.kind != "supply":
            yield (
                "control.kind",
                'with a cathode tap the control sets the screen voltage: write kind = "supply"',
            )
        for name in ("current_gain", "transition_frequency"):
            if getattr(self, name) is not None and self.device != "bipolar":
                yield name, f'a {self.device} has none; it belongs to device = "bipolar"'


class GridWinding(Part):
    turns: Turns | None = None
    diameter: Metre | None = None
    form_diameter: Metre | None = None
    length: Metre | None = None
    wire: Wire | None = None
    insulated: Metre | None = None
    inductance: Henry | None = None
    q: Annotated[Points, Field(max_length=MOST_ENTRIES)] | None = None

    @property
    def has_geometry(self) -> bool:
        """Whether inductance can be worked out from the winding's measures."""
        return (
            None not in (self.turns, self.length, self.wire)
            and (self.diameter or self.form_diameter) is not None
        )

    def problems(self) -> Iterator[Problem]:
        yield from self.positive("diameter", "form_diameter", "length", "insulated", "inductance")
        if self.diameter is not None and self.form_diameter is not None:
            yield "form_diameter", "give either diameter (of the wire's centre line) or form_diameter"
        if not self.has_geometry and self.inductance is None:
            needs = [name for name in ("turns", "length", "wire") if getattr(self, name) is None]
            needs += [] if self.diameter or self.form_diameter else ["diameter"]
            lacks = " and ".join(filter(None, [", ".join(needs[:-1]), needs[-1]]))
            yield needs[0], f'{lacks} needed, or the inductance instead, for example inductance = "22 uH"'
        yield from fits(self.turns, self.length, self.wire, self.insulated)
        if self.q is not None and (
            not self.q
            or any(f <= 0 or q <= 0 for f, q in self.q)
            or not all(a[0] < b[0] for a, b in pairwise(self.q))
        ):
            yield "q", "pairs of [Hz, Q], frequencies rising, for example [[2e6, 120], [5e6, 135]]"


class TicklerWinding(Part):
    turns: Turns
    gap: Metre | None = None
    diameter: Metre | None = None
    length: Metre | None = None
    wire: Wire | None = None
    insulated: Metre | None = None
    inductance: Henry | None = None
    k: Annotated[float, Field(gt=0, lt=1)] | None = None

    @property
    def has_geometry(self) -> bool:
        """Whether inductance and coupling can be worked out from the winding's measures."""
        return self.gap is not None and self.wire is not None

    def problems(self) -> Iterator[Problem]:
        yield from self.positive("diameter", "length", "insulated", "inductance")
        if not self.has_geometry and (self.inductance is None or self.k is None):
            key = next(name for name in ("gap", "wire") if getattr(self, name) is None)
            yield (
                key,
                (
                    'a tickler needs gap and wire, or inductance and k instead, for example inductance = "1.0 uH", k = 0.32'
                ),
            )
        yield from fits(self.turns, self.length, self.wire, self.insulated)


def coil_name(value: Any) -> Any:
    """A coil's name, if files can be named after it; else ValueError."""
    if not isinstance(value, str):
        raise ValueError('a coil\'s name is text in quotes, for example "B"')  # noqa: TRY004
    name = unicodedata.normalize("NFC", value)
    if not 1 <= len(name) <= 40 or name[0] == "." or name != name.strip():
        raise ValueError(
            "a coil's name has 1 to 40 characters, no space at its ends, and no dot at its start"
        )
    if not all(letter.isalpha() or letter.isdecimal() or letter in " -_." for letter in name):
        raise ValueError(
            "a coil's name has letters, digits, space, - _ and . only, since files are named after it"
        )
    return name


class Coil(Part):
    name: Annotated[str, BeforeValidator(coil_name)]
    grid: GridWinding
    tickler: TicklerWinding | None = None
    tap: Tap | None = None
    dials: Annotated[tuple[float, ...], Field(max_length=MOST_ENTRIES)] = ()
    onset_at: Annotated[tuple[Hertz, ...], Field(max_length=MOST_ENTRIES)] = ()

    @property
    def feedback_turns(self) -> float:
        """Turns of the tickler, or of the part of the coil between tap and ground."""
        turns = self.tickler.turns if self.tickler is not None else None
        if self.tap is not None:
            turns = self.tap.turns_of(self.grid.turns)
        return turns or 0.0

    def problems(self) -> Iterator[Problem]:
        if self.tap is not None:
            yield from self.tap.unfit(self.grid.turns, measured=self.grid.has_geometry)
        tickler = self.tickler
        if (
            tickler is not None
            and not self.grid.has_geometry
            and (tickler.k is None or tickler.inductance is None)
        ):
            yield "tickler.k", "a grid winding without its measures needs the tickler's inductance and k"


# Where a hand is held, in the user's own words.
Place = Annotated[str, Field(min_length=1, max_length=60, pattern=r"^[^\x00-\x1f\x7f]+$")]


class Readings(Part):
    repeats: Annotated[int, Field(ge=1, le=100)] = 3
    q_uncertainty: Annotated[float, Field(gt=0, le=0.5)] = 0.01
    added_capacitor: Farad | None = None
    also: Annotated[tuple[Literal["curve", "body", "wiper"], ...], Field(max_length=3)] = ()
    hand_at: Annotated[tuple[Place, ...], Field(max_length=20)] = ("dial", "panel", "cabinet", "coil")

    def problems(self) -> Iterator[Problem]:
        yield from self.positive("added_capacitor")
        if len({place.casefold() for place in self.hand_at}) < len(self.hand_at):
            yield "hand_at", "a place stands in it twice"


class Instrument(Part):
    model_config = ConfigDict(extra="allow", frozen=True, strict=True)
    driver: str


class Show(Part):
    frequency: Literal["kHz", "MHz", "kc", "Mc"] = "kHz"
    capacitance: Literal["pF", "mmf"] = "pF"
    length: Literal["mm", "in"] = "mm"


class Virtual(Part):
    seed: Annotated[int, Field(ge=0, le=2**63 - 1)] = 1
    speed: Annotated[float, Field(gt=0, le=1e6)] = 30.0


Role = Literal["analyzer", "generator", "angle", "level", "dial"]


class Plan(Part):
    receiver: Receiver
    coil: Annotated[tuple[Coil, ...], Field(min_length=1, max_length=200)]
    readings: Readings = Readings()
    instruments: dict[Role, Instrument] = Field(default_factory=dict)
    show: Show = Show()
    virtual: Virtual = Virtual()

    def coil_named(self, name: str) -> Coil:
        """The coil of this name.

        Raises
        ------
        PlanError
            None has it; the message names the nearest.
        """
        for coil in self.coil:
            if coil.name == name:
                return coil
        names = [coil.name for coil in self.coil]
        raise PlanError(
            f'There is no coil "{name[:60]}" in the plan; nearest: "{plan_text.nearest(name, names)}" '
            f"(coils: {', '.join(names)})."
        )

    def problems(self) -> Iterator[Problem]:
        seen: dict[str, str] = {}
        low, high = sorted(self.receiver.tuning.dial)
        for index, coil in enumerate(self.coil):
            if (same := seen.get(coil.name.casefold())) is not None:
                yield (
                    f"coil.{index}.name",
                    f'a coil "{same}" is there already; names also differ without capitals',
                )
            seen.setdefault(coil.name.casefold(), coil.name)
            for key, message in feedback_problems(self.receiver.topology, coil.tickler, coil.tap):
                yield f"coil.{index}.{key}", message
            for dial in coil.dials:
                if not low <= dial <= high:
                    yield (
                        f"coil.{index}.dials",
                        f"{dial:g} is outside the dial, which goes from {low:g} to {high:g}",
                    )
        yield from self._instrument_problems()

    def _instrument_problems(self) -> Iterator[Problem]:
        from drivers.registry import DRIVERS, is_range

        for role, instrument in self.instruments.items():
            driver = DRIVERS.get(instrument.driver)
            usable = [name for name, known in DRIVERS.items() if role in known.roles]
            if driver is None or role not in driver.roles:
                yield (
                    f"instruments.{role}.driver",
                    f'"{instrument.driver[:40]}" is no driver for it; nearest: '
                    f"{plan_text.nearest(instrument.driver, usable)} (known: {', '.join(usable)})",
                )
                continue
            for key in instrument.model_extra or {}:
                if key not in driver.keys:
                    near = plan_text.nearest(key, driver.keys)
                    known = (
                        f"nearest known key: {near} (known: {', '.join(driver.keys)})"
                        if near
                        else "it takes none"
                    )
                    yield f"instruments.{role}.{key[:80]}", f"unknown key of {instrument.driver}; {known}"
            extra = instrument.model_extra or {}
            if not is_range(extra.get("coupling", (0.0, 0.0)), 0.0, 1.0):
                yield (
                    f"instruments.{role}.coupling",
                    "the least and the most that the loop may take of the tank's own loss, for example [0.02, 0.1]",
                )
            settle = extra.get("settle_s", 0.0)
            if isinstance(settle, bool) or not isinstance(settle, int | float) or not 0 <= settle <= 60:
                yield f"instruments.{role}.settle_s", "seconds from 0 to 60, for example 0.05"
            if not isinstance(extra.get("calibrated", True), bool):
                yield (
                    f"instruments.{role}.calibrated",
                    "write calibrated = false where the analyzer returns raw data, else true or nothing",
                )


def recipe(plan: Plan, coil_name: str) -> str:
    """Eight hexadecimal digits that change when anything physical of the coil or the receiver does.

    A hash of the coil's windings and the receiver; names, the window and what to read are left out, and so is a value
    written as its default or in another unit.
    """
    return _recipe_of(plan.receiver, plan.coil_named(coil_name))


@functools.lru_cache(maxsize=256)
def _recipe_of(receiver: Receiver, coil: Coil) -> str:
    # Asked for with every row that is looked at.
    parts = receiver.model_dump(exclude_defaults=True, exclude={"name": True, "control": {"window"}})
    windings = coil.model_dump(exclude_defaults=True, include={"grid", "tickler", "tap"})
    text = json.dumps(_canonical({"receiver": parts, **windings}), sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(text.encode()).hexdigest()[:8]


def _canonical(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _canonical(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_canonical(item) for item in value]
    # Nine digits: "24 mm" and "0.024 m" may differ in a float's last bit.
    return f"{value:.9g}" if isinstance(value, int | float) else value


def load_plan(path: Path, sets: Sequence[str] = ()) -> Plan:
    """Read and check a plan file.

    Parameters
    ----------
    path : Path
    sets : sequence of str
        ``KEY=VALUE`` texts that change a value for this run.

    Raises
    ------
    PlanError
        The file cannot be read or says something that cannot be used; one line for each thing to correct.
    """
    return parse_plan(read_plan_text(path), str(path), sets)


def read_plan_text(path: Path) -> str:
    """The text of a plan file.

    Raises
    ------
    PlanError
        No such file, not a plain file, too large, or not UTF-8.
    """
    try:
        if not path.is_file():
            what = "is not a plain file" if path.exists() else "does not exist"
            raise PlanError(f"{path} {what}; give the path of a plan.toml.")
        with path.open("rb") as stream:
            raw = stream.read(plan_text.MOST_BYTES + 1)
    except (OSError, ValueError) as problem:
        reason = getattr(problem, "strerror", None) or problem
        raise PlanError(
            f"{str(path)[:200]} cannot be read: {reason}. Give a plan.toml that can be."
        ) from problem
    if len(raw) > plan_text.MOST_BYTES:
        raise PlanError(f"{path} is larger than a plan can be ({plan_text.MOST_BYTES // 1024} kB).")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        line = raw.count(b"\n", 0, problem.start) + 1
        raise PlanError(f"{path}, line {line}: not UTF-8 text; save the file as UTF-8.") from None


def parse_plan(text: str, file: str = "plan.toml", sets: Sequence[str] = ()) -> Plan:
    """Check a plan's text; `file` is what error messages call it. Raises as `load_plan`."""
    from bench.plan.errors import explain

    data = plan_text.read_toml(text, file)
    sources = plan_text.apply_sets(data, sets)
    try:
        return Plan.model_validate(plan_text.freeze(data))
    except ValidationError as problem:
        lines = plan_text.key_lines(text)
        kind = plan_text.SetError if sources else PlanError
        messages, from_sets = explain(problem, data, file, lines, sources)
        raise (kind if from_sets else PlanError)("\n".join(messages)) from None
