"""A commented plan.toml from what the user said."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field

from bench.errors import BenchError
from bench.plan.schema import Coil, Plan, parse_plan


@dataclass
class CoilAnswers:
    """One coil, in the user's own words."""

    name: str
    turns: float
    diameter: str
    length: str
    wire: str
    tickler_turns: float
    gap: str
    tickler_wire: str
    onset_at: Sequence[str] = ()


@dataclass
class Answers:
    """What the questions of `start` bring out; empty texts are unknown, quantities as the user wrote them."""

    name: str = ""
    device: str = "triode"
    supply: str = ""
    gm: str = ""
    rp: str = ""
    dial: tuple[float, float] = (0.0, 100.0)
    tuning: tuple[str, str] = ("", "")
    control: str = "divider"
    resistance: str = ""
    throttle: tuple[str, str] | None = None
    taper: str = "linear"
    travel_deg: float = 300.0
    direction: str = "clockwise"
    capacitor: str = ""
    choke: str = ""
    antenna: tuple[str, str, str] | None = None
    coils: list[CoilAnswers] = field(default_factory=list)
    added_capacitor: str = ""
    analyzer: str = ""
    sensor: str = ""


def _text(value: str) -> str:
    return json.dumps(value, ensure_ascii=False)


def _line(key: str, value: str, remark: str = "") -> str:
    shown = f"{key} = {value}"
    return f"{shown:<34} # {remark}" if remark else shown


def _maybe(key: str, value: str, remark: str, example: str) -> str:
    """The key, or where it is unknown a commented line that shows how to write it later."""
    return _line(key, _text(value), remark) if value else _line(f"# {key}", _text(example), remark)


def plan_from(answers: Answers) -> str:
    """The text of a plan; frequencies to look for onset at are chosen where a coil has none.

    Raises
    ------
    PlanError
        The answers do not make a plan together.
    """
    text = _written(answers)
    plan = parse_plan(text)
    if all(coil.onset_at for coil in plan.coil):
        return text
    for said, coil in zip(answers.coils, plan.coil, strict=True):
        said.onset_at = said.onset_at or onset_frequencies(plan, coil)
    text = _written(answers)
    parse_plan(text)
    return text


def onset_frequencies(plan: Plan, coil: Coil, count: int = 5) -> list[str]:
    """Frequencies spread over what the coil should tune, by equal ratios, a little inside its ends."""
    from bench.model import coil_model

    try:
        l_h = coil_model(plan, coil).l_h
    except BenchError:
        return []
    stray_f = 12e-12
    ends = sorted(0.159154943 / (l_h * (c + stray_f)) ** 0.5 for c in plan.receiver.tuning.capacitance)
    low, high = ends[0] * 1.06, ends[1] / 1.06
    if low >= high:
        low = high = (ends[0] * ends[1]) ** 0.5
        count = 1
    steps = max(count - 1, 1)
    return [f"{low * (high / low) ** (i / steps) / 1e6:.3g} MHz" for i in range(count)]


def _written(answers: Answers) -> str:
    old_units = any("mmf" in text.lower() for text in answers.tuning)
    inches = any(
        text.rstrip().endswith(("in", '"', "inch")) for c in answers.coils for text in (c.diameter, c.length)
    )
    old_frequencies = any("c" in text.lower() for c in answers.coils for text in c.onset_at)
    parts = [
        _receiver(answers),
        _control(answers),
        _feedback(answers),
        *(_coil(coil, answers.dial) for coil in answers.coils),
        _readings(answers),
        _instruments(answers),
        "\n".join(
            [
                "[show]                             # how you like to see values",
                _line("frequency", '"kc"' if old_frequencies else '"kHz"', "kHz, MHz, kc, Mc"),
                _line("capacitance", '"mmf"' if old_units else '"pF"', "pF, mmf"),
                _line("length", '"in"' if inches else '"mm"', "mm, in"),
            ]
        ),
    ]
    head = (
        "# What is on the bench, and what to measure. Yours to change: the program never rewrites this file.\n"
        '# Every value carries its unit, in quotes: "3.5 MHz" or "3500 kc", "140 pF" or "140 mmf", "32 mm" or "1.25 in".'
    )
    return "\n\n".join([head, *filter(None, parts)]) + "\n"


def _receiver(a: Answers) -> str:
    return "\n".join(
        [
            "[receiver]",
            _line("name", _text(a.name)),
            _line("# topology", '"cathode-tap"', "with tap = { turns = 2 } in place of each tickler"),
            _line("device", _text(a.device), "triode, pentode, fet, bipolar"),
            _maybe("gm", a.gm, "transconductance where oscillation starts", "0.65 mS"),
            _maybe("rp", a.rp, "plate (drain, collector) resistance", "25 kohm"),
            _maybe("supply", a.supply, "above 50 V, or unknown, cautions are shown first", "60 V"),
            "",
            "[receiver.tuning]",
            _line("dial", f"[{a.dial[0]:g}, {a.dial[1]:g}]", "the two ends of the dial"),
            _line(
                "capacitance",
                f"[{_text(a.tuning[0])}, {_text(a.tuning[1])}]",
                "the tuning capacitor at each of them",
            ),
        ]
    )


def _control(a: Answers) -> str:
    lines = [
        "[receiver.control]",
        _line("kind", _text(a.control), "divider, shunt, throttle, supply, swing, measured"),
    ]
    if a.throttle is not None:
        lines.append(
            _line("capacitance", f"[{_text(a.throttle[0])}, {_text(a.throttle[1])}]", "least and most")
        )
    if a.resistance:
        lines.append(_line("resistance", _text(a.resistance)))
    lines += [
        _line("taper", _text(a.taper), "linear, log, reverse-log, or points"),
        _line("travel_deg", f"{a.travel_deg:g}", "from stop to stop; mid-travel is 12 o'clock"),
        _line("window", _window(a.travel_deg), "where oscillation should start"),
        _line("direction", _text(a.direction), "which way the knob turns for more regeneration"),
        _line("# dead_deg", "[5, 5]", "degrees at the two ends where turning changes nothing"),
    ]
    return "\n".join(lines)


def _window(travel_deg: float) -> str:
    if 120 < travel_deg <= 360:
        return '["10:00", "2:00"]'
    return f'["{travel_deg * 0.3:g} deg", "{travel_deg * 0.7:g} deg"]'


def _feedback(a: Answers) -> str:
    from bench.circuits import USUAL_STRAYS_PF

    lines = [
        "[receiver.feedback]                # what is left out counts as nothing",
        _maybe("capacitor", a.capacitor, "feedback capacitor to ground", "270 pF"),
        _maybe("choke", a.choke, "RF choke", "2.5 mH"),
        _line("choke_capacitance" if a.choke else "# choke_capacitance", '"2 pF"', "usual"),
        *(
            _line(
                key,
                _text(f"{value:g} pF"),
                f"usual for a {a.device} with its socket and wiring: look yours up",
            )
            for key, value in USUAL_STRAYS_PF[a.device].items()
        ),
        _line("winding_capacitance", '"1 pF"', "tickler to grid winding; usual"),
        "",
    ]
    mark = "" if a.antenna else "# "
    coupling, resistance, capacitance = a.antenna or ("10 pF", "75 ohm", "200 pF")
    return "\n".join(
        [
            *lines,
            f"{mark}[receiver.antenna]".ljust(35)
            + "# only while it is connected; an oscillating detector radiates",
            _line(f"{mark}coupling_capacitor", _text(coupling)),
            _line(f"{mark}resistance", _text(resistance)),
            _line(f"{mark}capacitance", _text(capacitance)),
        ]
    )


def _coil(c: CoilAnswers, dial: tuple[float, float]) -> str:
    dials = ", ".join(f"{dial[0] + (dial[1] - dial[0]) * i / 5:g}" for i in range(6))
    onset = ", ".join(_text(text) for text in c.onset_at)
    return "\n".join(
        [
            "[[coil]]",
            f"name = {_text(c.name)}",
            f"grid = {{ turns = {c.turns:g}, diameter = {_text(c.diameter)}, length = {_text(c.length)}, "
            f"wire = {_text(c.wire)} }}",
            f"tickler = {{ turns = {c.tickler_turns:g}, gap = {_text(c.gap)}, wire = {_text(c.tickler_wire)} }}",
            f"dials = [{dials}]   # where to read resonance",
            f"onset_at = [{onset}]   # where to look for the start of oscillation",
        ]
    )


def _readings(a: Answers) -> str:
    return "\n".join(
        [
            "[readings]",
            _line("repeats", "3", "approaches each way at each frequency"),
            _line("q_uncertainty", "0.01", "stop sweeping when Q is known this well"),
            _maybe(
                "added_capacitor", a.added_capacitor, "a known capacitor settles the inductance", "100 pF"
            ),
        ]
    )


def _instruments(a: Answers) -> str:
    mark = "" if a.analyzer else "# "
    lines = [
        "# `regenbench ports` shows what answers, and the lines to write here. What has no instrument, you type.",
        f"{mark}[instruments.analyzer]",
        f'{mark}driver = "scpi-analyzer"',
        f"{mark}address = {_text(a.analyzer or 'TCPIP::192.0.2.7::5025::SOCKET')}",
        "# calibrated = false               # where it returns raw data: then `regenbench calibrate` first",
    ]
    lines += [
        "# Without an analyzer, a generator and a detector on the level input read resonance and Q:",
        "# [instruments.generator]",
        '# driver = "scpi-generator"',
        '# address = "TCPIP::192.0.2.7::5025::SOCKET"',
        "# most_dbm = 0                     # never ask for more than this",
        "# settle_s = 0.05                  # how long the detector takes to follow",
        "# coupling = [0.02, 0.1]           # what the loop takes of the tank's own loss, at least and at most, if known",
    ]
    mark = "" if a.sensor else "# "
    for role in ("angle", "level"):
        lines += [
            f"{mark}[instruments.{role}]",
            f'{mark}driver = "sensor"',
            f"{mark}port = {_text(a.sensor or '/dev/ttyACM0')}",
        ]
    return "\n".join(lines)
