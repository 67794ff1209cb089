"""Values as the trade writes them, against pint's own definitions, published wire tables and the GUM's examples."""

from __future__ import annotations

import csv
import math
from pathlib import Path

import pint
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.errors import QuantityError
from bench.quantities import (
    EXAMPLES,
    KINDS,
    Kind,
    angle_to_clock,
    clock_to_angle,
    parse,
    parse_wire,
    show,
    show_number,
)

REFERENCE = Path(__file__).parents[1] / "reference"


# The contract's own examples, and units by their definitions: inch 25.4 mm, mil 0.001 in (NIST SP 811, appendix B);
# 1 mho = 1 S, cycle (per second) = 1 Hz, micromicrofarad = pF (NIST SP 811, B.8; SI Brochure for the prefixes).
@pytest.mark.parametrize(
    ("text", "kind", "si"),
    [
        ("3.5MHz", "frequency", 3.5e6),
        ("3500kc", "frequency", 3.5e6),
        ("3.5 Mc", "frequency", 3.5e6),
        ("3500 kilocycles", "frequency", 3.5e6),
        ("3500 KHZ", "frequency", 3.5e6),
        ("3 512.4 kHz", "frequency", 3.5124e6),
        ("140pF", "capacitance", 140e-12),
        ("140mmf", "capacitance", 140e-12),
        ("140 mmfd", "capacitance", 140e-12),
        ("140 MMFD", "capacitance", 140e-12),
        ("140 uuF", "capacitance", 140e-12),
        ("140 µµF", "capacitance", 140e-12),
        ("140 μμF", "capacitance", 140e-12),
        ("0.001 mfd", "capacitance", 1e-9),
        (".001 MFD", "capacitance", 1e-9),
        ("0.001µF", "capacitance", 1e-9),
        ("2.5mH", "inductance", 2.5e-3),
        ("22 uH", "inductance", 22e-6),
        ("22µH", "inductance", 22e-6),
        ("25 kohm", "resistance", 25e3),
        ("25kΩ", "resistance", 25e3),
        ("25KΩ", "resistance", 25e3),
        ("2 meg", "resistance", 2e6),
        ("2 megohm", "resistance", 2e6),
        ("2Mohm", "resistance", 2e6),
        ("75 Ω", "resistance", 75.0),
        ("0.65 mS", "conductance", 0.65e-3),
        ("650 micromhos", "conductance", 0.65e-3),
        ("650 µmho", "conductance", 0.65e-3),
        ("0.65 mA/V", "conductance", 0.65e-3),
        ("60 V", "voltage", 60.0),
        ("1.25in", "length", 0.03175),
        ('1.25"', "length", 0.03175),
        ("1 1/4 in", "length", 0.03175),
        ("1-1/4in", "length", 0.03175),
        ("3/8 inch", "length", 0.009525),
        ("32 mm", "length", 0.032),
        ("10 mils", "length", 0.000254),
        ("130deg", "angle", 130.0),
        ("130°", "angle", 130.0),
        ("200 ms", "time", 0.2),
        ("  3.5   MHz ", "frequency", 3.5e6),
        ("3.5e3 kc", "frequency", 3.5e6),
    ],
)
def test_trade_units(text: str, kind: Kind, si: float) -> None:
    assert parse(text, kind) == si


@pytest.mark.parametrize(
    ("kind", "units"),
    [
        ("frequency", ["Hz", "kHz", "MHz", "GHz"]),
        ("capacitance", ["pF", "nF", "uF"]),
        ("inductance", ["nH", "uH", "mH", "H"]),
        ("resistance", ["ohm", "kohm", "Mohm"]),
        ("conductance", ["uS", "mS", "S"]),
        ("length", ["mm", "cm", "m", "in", "ft", "um"]),
        ("angle", ["deg"]),
        ("time", ["us", "ms", "s"]),
    ],
)
def test_agrees_with_the_definitions_that_pint_ships(kind: Kind, units: list[str]) -> None:
    published = pint.UnitRegistry()
    bases = dict(
        zip(
            KINDS,
            ["hertz", "farad", "henry", "ohm", "siemens", "volt", "meter", "degree", "second"],
            strict=True,
        )
    )
    for unit in units:
        expected = published.Quantity(7.25, unit).to(bases[kind]).magnitude
        assert parse(f"7.25 {unit}", kind) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize(
    "text",
    [
        "35",
        "",
        " ",
        "MHz",
        "nan",
        "nan MHz",
        "inf pF",
        "-5 MHz",
        "-5pF",
        "5 parsec",
        "5 MHz MHz",
        "5**9 m",
        "1e999 V",
        "0x5 V",
        "5e99999999 V",
        "5" * 100,
        "() mm",
        "3,5 mm",
        "1_0 mm",
        "5 k",
        "5 M",
        "1/0 in",
        "\x00",
        "٣ mm",
    ],
)
def test_refused_with_an_example(text: str, kind: Kind) -> None:
    with pytest.raises(QuantityError) as problem:
        parse(text, kind)
    assert EXAMPLES[kind].split(" or ")[0] in str(problem.value)
    assert "\n" not in str(problem.value)


@pytest.mark.parametrize("value", [35, 3.5e6, True, None, [], {}, float("nan"), b"5mm"])
def test_only_text_is_a_quantity(value: object) -> None:
    for kind in KINDS:
        with pytest.raises(QuantityError, match=r"write"):
            parse(value, kind)


def test_wrong_kind_is_named() -> None:
    with pytest.raises(QuantityError, match=r"that is a capacitance, and a frequency is wanted"):
        parse("140pF", "frequency")
    with pytest.raises(QuantityError, match=r"that is an inductance"):
        parse("22uH", "capacitance")


@pytest.mark.parametrize(
    ("text", "kind", "says"),
    [
        ("3.5 mHz", "frequency", "3.5MHz"),
        ("3.5mhz", "frequency", "3.5MHz"),
        ("3.5 mc", "frequency", "3.5Mc"),
        ("2 mohm", "resistance", "2megohm"),
        ("2mΩ", "resistance", "2megohm"),
        ("22 MH", "inductance", "2.5mH"),
        ("0.65 MS", "conductance", "0.65mS"),
        ("1 mF", "capacitance", "mfd"),
        ("1 MF", "capacitance", "mfd"),
        ("1 mf", "capacitance", "mfd"),
        ("32 Mm", "length", "32mm"),
        ("5 MV", "voltage", "20mV"),
    ],
)
def test_doubtful_case_is_asked_about(text: str, kind: Kind, says: str) -> None:
    with pytest.raises(QuantityError, match=r"(milli|mega)") as problem:
        parse(text, kind)
    assert says in str(problem.value)


@given(st.text(max_size=80), st.sampled_from(KINDS))
def test_any_text_parses_or_is_refused(text: str, kind: Kind) -> None:
    try:
        value = parse(text, kind)
    except QuantityError:
        return
    assert math.isfinite(value)
    assert value >= 0


@given(
    st.floats(min_value=1e-3, max_value=999, allow_nan=False).map(lambda x: f"{x:.6g}"),
    st.sampled_from(
        [
            ("kHz", "frequency", 1e3),
            ("pF", "capacitance", 1e-12),
            ("mm", "length", 1e-3),
            ("mS", "conductance", 1e-3),
        ]
    ),
    st.sampled_from(["", " "]),
)
def test_number_and_unit_round_trip(number: str, unit: tuple[str, Kind, float], space: str) -> None:
    name, kind, factor = unit
    if kind == "frequency" and float(number) * factor < 1:
        return
    assert parse(f"{number}{space}{name}", kind) == pytest.approx(float(number) * factor, rel=1e-15)


@given(st.floats(min_value=1e3, max_value=1e9), st.sampled_from(["kHz", "MHz", "kc", "Mc", None]))
def test_shown_frequency_reads_back(f_hz: float, unit: str | None) -> None:
    assert parse(show(f_hz, "frequency", unit), "frequency") == pytest.approx(f_hz, rel=5.1e-5)


def test_shown_as_the_trade_does() -> None:
    assert show(3512400.0, "frequency") == "3 512.4 kHz"
    assert show(3512400.0, "frequency", "Mc") == "3.5124 Mc"
    assert show(3512400.0, "frequency", "kHz", 123.0) == "3 512.40 ± 0.12 kHz"
    assert show(140e-12, "capacitance", "mmf") == "140 mmf"
    assert show(2.2314e-5, "inductance", uncertainty=1.2e-7) == "22.31 ± 0.12 µH"
    assert show(0.03175, "length", "in") == "1.25 in"
    assert show(10e3, "resistance") == "10 kohm"
    assert show(None, "frequency") == show(math.nan, "frequency") == "unknown"
    assert show_number(105.275, 0.024) == "105.275 ± 0.024"


def test_rounds_as_the_gum_does() -> None:
    # JCGM 100:2008, 7.2.6: 10.057 62 ohm with 27 milliohm is 10.058 ohm; 7.2.2: 100.021 47 g with 0.35 mg.
    assert show(10.05762, "resistance", "ohm", 0.027) == "10.058 ± 0.027 ohm"
    assert show_number(100.02147, 0.00035) == "100.02147 ± 0.00035"
    # an uncertainty that rounds up a decade, and one larger than the unit's ones
    assert show_number(130.0, 0.996) == "130.0 ± 1.0"
    assert show_number(123456.0, 1234.0) == "123 500 ± 1 200"


def test_wire_gauges_against_published_tables() -> None:
    # tests/reference/awg.csv (ASTM B258); the Standard Wire Gauge is checked with bench.physics.wire
    with (REFERENCE / "awg.csv").open(encoding="utf-8") as stream:
        rows = [row for row in csv.DictReader(stream) if row["diameter_published_in"]]
    assert len(rows) > 10
    for row in rows:
        inches = float(row["diameter_published_in"])
        assert parse_wire(f"{row['AWG']}AWG") == pytest.approx(inches * 0.0254, rel=2e-3)
    # BS 3737: 28 SWG is 0.0148 in, 7/0 is half an inch
    assert parse_wire("28SWG") == pytest.approx(0.0148 * 0.0254)
    assert parse_wire("7/0 SWG") == pytest.approx(0.0127)
    assert parse_wire("0.4 mm") == 0.0004
    assert parse_wire("0.02 in") == 0.000508
    assert parse_wire("24 B&S") == parse_wire("#24 AWG") == parse_wire("AWG 24") == parse_wire("24awg")
    # AWG 4/0 is 0.46 in by definition (ASTM B258)
    assert parse_wire("4/0 AWG") == parse_wire("0000 AWG") == pytest.approx(0.46 * 0.0254)


@pytest.mark.parametrize(
    "text", ["24", "0.4", "60AWG", "51 SWG", "24 gauge", "5 m", "0 mm", "140pF", "", "wire", 24, None, 0.4]
)
def test_wire_refused_with_an_example(text: object) -> None:
    with pytest.raises(QuantityError, match=r"24AWG"):
        parse_wire(text)


@pytest.mark.parametrize(
    ("clock", "travel_deg", "angle_deg"),
    # contract: 300 degrees of travel, 0 is 7:00, 150 is 12:00, 210 is 2:00
    [
        ("7:00", 300, 0),
        ("12:00", 300, 150),
        ("2:00", 300, 210),
        ("10 o'clock", 300, 90),
        ("11:20", 300, 130),
        ("5:00", 300, 300),
        ("10 o’clock", 300, 90),
        ("12:00", 270, 135),
        ("7:30", 270, 0),
        ("3:00", 180, 180),
    ],
)
def test_clock_positions(clock: str, travel_deg: float, angle_deg: float) -> None:
    assert clock_to_angle(clock, travel_deg) == pytest.approx(angle_deg)
    # a knob that turns the other way has its pointer mirrored
    assert clock_to_angle(clock, travel_deg, "anticlockwise") == pytest.approx(travel_deg - angle_deg)


@given(st.floats(min_value=30, max_value=359), st.floats(min_value=0, max_value=1), st.booleans())
def test_clock_round_trip_within_half_a_minute(travel_deg: float, share: float, clockwise: bool) -> None:
    direction = "clockwise" if clockwise else "anticlockwise"
    angle_deg = share * travel_deg
    clock = angle_to_clock(angle_deg, travel_deg, direction)
    assert clock_to_angle(clock, travel_deg, direction) == pytest.approx(angle_deg, abs=0.26)


@pytest.mark.parametrize(
    "clock",
    ["11", "13:00", "0:30", "11:60", "25 o'clock", "noon", "", "11.20", "5:30", "6:00", "-1:00", None, 11],
)
def test_no_clock_position(clock: object) -> None:
    with pytest.raises(QuantityError):
        clock_to_angle(clock, 300)  # type: ignore[arg-type]


def test_clock_needs_one_turn() -> None:
    with pytest.raises(QuantityError, match="degrees"):
        clock_to_angle("11:20", 3600)
    with pytest.raises(QuantityError, match="degrees"):
        clock_to_angle("6:00", 360)
