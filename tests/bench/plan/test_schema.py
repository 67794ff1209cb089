"""plan.toml: the contract's example value by value, every refusal with file, line and key, and hostile texts."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from bench.errors import PlanError
from bench.plan.schema import Plan, load_plan, parse_plan, recipe
from bench.plan.text import key_lines
from drivers.registry import DRIVERS

# The contract's own plan, with its remarks and both forms of a coil.
CONTRACT = """\
[receiver]
name = "…"
device = "triode"                  # triode, pentode, fet, bipolar
gm = "0.65 mS"                     # at onset, if known; else leave out
rp = "25 kohm"
supply = "60 V"

[receiver.tuning]
dial = [0, 100]                    # the two ends of the dial
capacitance = ["160 pF", "12 pF"]  # the tuning capacitor at each of them
[receiver.control]
kind = "divider"                   # divider, shunt, throttle, supply, swing, measured: see physics.md
resistance = "10 kohm"             # or capacitance = ["10 pF", "100 pF"] for throttle
taper = "linear"                   # linear, log, reverse-log, or a list of [travel share, value share]
travel_deg = 300
window = ["10:00", "2:00"]
# dead_deg = [5, 5], direction = "anticlockwise", law = […] where they apply
[receiver.feedback]                # capacitances left out are 0
capacitor = "270 pF"
choke = "2.5 mH"
choke_capacitance = "2 pF"
plate_capacitance = "6 pF"
grid_plate_capacitance = "2 pF"
winding_capacitance = "2 pF"       # tickler to grid winding
[receiver.antenna]                 # leave out when none is connected
coupling_capacitor = "10 pF"
resistance = "75 ohm"
capacitance = "200 pF"

[[coil]]
name = "B"
grid = { turns = 27, diameter = "32 mm", length = "24 mm", wire = "0.4 mm" }
tickler = { turns = 5, gap = "2.5 mm", wire = "0.25 mm" }
dials = [0, 20, 40, 60, 80, 100]   # where to read resonance
onset_at = ["2.3 MHz", "2.8 MHz", "3.4 MHz", "4.1 MHz", "4.9 MHz"]

[[coil]]
name = "C.2"
grid = { inductance = "22 uH", q = [[2e6, 120], [5e6, 135]] }
tickler = { turns = 6, inductance = "1.0 uH", k = 0.32 }

[readings]
repeats = 3                        # approaches each way at each frequency
q_uncertainty = 0.01               # stop sweeping when Q is known this well
added_capacitor = "100 pF"         # known capacitor for the inductance, if there is one

[instruments.analyzer]
driver = "scpi-analyzer"           # names and keys: instruments.md
address = "TCPIP::127.0.0.1::5025::SOCKET"
[instruments.angle]
driver = "sensor"
port = "…"

[show]                             # how the user likes to see values
frequency = "kHz"                  # kHz, MHz, kc, Mc
capacitance = "pF"                 # pF, mmf
length = "mm"                      # mm, in
[virtual]                          # the virtual bench only
seed = 1
speed = 30                         # times faster than life
"""


def changed(old: str, new: str) -> str:
    """The contract's plan with one place changed."""
    assert old in CONTRACT
    return CONTRACT.replace(old, new, 1)


def refusal(text: str, sets: tuple[str, ...] = ()) -> PlanError:
    with pytest.raises(PlanError) as problem:
        parse_plan(text, "plan.toml", sets)
    return problem.value


def test_contract_example() -> None:
    plan = parse_plan(CONTRACT)
    receiver, coil = plan.receiver, plan.coil[0]
    assert (receiver.gm, receiver.rp, receiver.supply) == (0.65e-3, 25e3, 60.0)
    assert receiver.tuning.dial == (0.0, 100.0)
    assert receiver.tuning.capacitance == (160e-12, 12e-12)
    assert (receiver.control.kind, receiver.control.resistance, receiver.control.taper) == (
        "divider",
        10e3,
        "linear",
    )
    assert receiver.control.window_deg == (90.0, 210.0)
    assert receiver.feedback.capacitor == 270e-12
    assert receiver.feedback.choke == 2.5e-3
    assert receiver.antenna is not None
    assert receiver.antenna.resistance == 75.0
    assert (coil.grid.turns, coil.grid.diameter, coil.grid.length, coil.grid.wire) == (
        27,
        0.032,
        0.024,
        0.0004,
    )
    assert (coil.tickler.turns, coil.tickler.gap, coil.tickler.wire) == (5, 0.0025, 0.00025)
    assert coil.onset_at == (2.3e6, 2.8e6, 3.4e6, 4.1e6, 4.9e6)
    assert plan.coil_named("C.2").grid.q == ((2e6, 120.0), (5e6, 135.0))
    assert plan.coil_named("C.2").tickler.k == 0.32
    assert plan.readings.added_capacitor == 100e-12
    assert plan.instruments["analyzer"].model_extra == {"address": "TCPIP::127.0.0.1::5025::SOCKET"}
    assert plan.show.frequency == "kHz"
    assert (plan.virtual.seed, plan.virtual.speed) == (1, 30.0)


def test_left_out_is_unknown_not_zero() -> None:
    text = changed('gm = "0.65 mS"', "").replace('rp = "25 kohm"\n', "").replace('choke = "2.5 mH"\n', "")
    plan = parse_plan(text.split("[receiver.antenna]")[0] + text[text.index("[[coil]]") :])
    assert plan.receiver.gm is None
    assert plan.receiver.rp is None
    assert plan.receiver.feedback.choke is None
    assert plan.receiver.antenna is None


def test_packaged_example_is_sound() -> None:
    plan = load_plan(Path(__file__).parents[3] / "bench" / "plan" / "example.toml")
    assert [coil.name for coil in plan.coil] == ["B", "C"]


@pytest.mark.parametrize(
    ("old", "new", "line", "says"),
    [
        ('resistance = "10 kohm"', 'resistence = "10 kohm"', 13, "receiver.control.resistence.*nearest known key: resistance"),
        ("[receiver.control]", "[receiver.contrl]", 11, "receiver.contrl.*nearest known key: control"),
        ('resistance = "10 kohm"', "resistance = 10", 13, r'receiver.control.resistance: 10 has no unit.*"10kohm"'),
        ('resistance = "10 kohm"', 'resistance = "10"', 13, r"receiver.control.resistance: .*no unit.*10kohm"),
        ('resistance = "10 kohm"', "resistance = 10 kohm", 13, r'resistance: .*in quotes: resistance = "10 kohm"'),
        ('resistance = "10 kohm"', "", 11, "receiver.control.resistance: a divider needs"),
        ('kind = "divider"', 'kind = "shunt"\nresistence = "1 ohm"', 13, "resistence"),
        ('kind = "divider"', 'kind = "throttle"', 11, "receiver.control.capacitance: a throttle needs"),
        ('kind = "divider"', 'kind = "measured"', 11, "receiver.control.law: a measured control needs"),
        ('kind = "divider"', 'kind = "dividr"', 12, "receiver.control.kind.*nearest: divider"),
        ('kind = "divider"', 'kind = "divider"\nlaw = [[0, 0.1], [150, 0.4], [140, 1]]', 13, "receiver.control.law"),
        ('kind = "divider"', 'kind = "divider"\nlaw = [[0, 0.5], [150, 0.4], [300, 1]]', 13, "receiver.control.law"),
        ('kind = "divider"', 'kind = "divider"\ncapacitance = ["100 pF", "10 pF"]', 13, "receiver.control.capacitance"),
        ('kind = "divider"', 'kind = "divider"\ndead_deg = [150, 150]', 13, "receiver.control.dead_deg"),
        ('kind = "divider"', 'kind = "divider"\ntopology = "cathode-tap"', 13, "receiver.control.topology: unknown key"),
        ('device = "triode"', 'topology = "crystal"', 3, '"crystal" is not modelled'),
        ('device = "triode"', 'device = "tetrode"', 3, "receiver.device.*nearest: .*triode"),
        ('taper = "linear"', 'taper = "audio"', 14, "receiver.control.taper.*linear, log, reverse-log"),
        ('taper = "linear"', "taper = [[0, 0], [0.6, 0.5], [0.5, 0.6], [1, 1]]", 14, "receiver.control.taper"),
        ('taper = "linear"', "taper = [[0, 0], [nan, 0.5], [1, 1]]", 14, "receiver.control.taper"),
        ('taper = "linear"', "taper = 3", 14, "receiver.control.taper"),
        ("travel_deg = 300", "travel_deg = 0", 15, "receiver.control.travel_deg"),
        ("travel_deg = 300", "travel_deg = inf", 15, "receiver.control.travel_deg.*finite"),
        ("travel_deg = 300", "travel_deg = 3600", 16, "receiver.control.window.*degrees"),
        ('window = ["10:00", "2:00"]', 'window = ["10:00", "6:00"]', 16, "beyond the end stops"),
        ('window = ["10:00", "2:00"]', 'window = ["2:00", "2:00"]', 16, "receiver.control.window.*the same"),
        ('window = ["10:00", "2:00"]', 'window = ["10:00"]', 16, "receiver.control.window"),
        ("dial = [0, 100]", "dial = [50, 50]", 9, "receiver.tuning.dial.*the same"),
        ('["160 pF", "12 pF"]', '["12 pF", "12 pF"]', 10, "receiver.tuning.capacitance"),
        ('["160 pF", "12 pF"]', '["160 pF"]', 10, "receiver.tuning.capacitance"),
        ('["160 pF", "12 pF"]', '["160 pF", "12 mF"]', 10, "receiver.tuning.capacitance.*milli"),
        ('gm = "0.65 mS"', 'gm = "0.65 MS"', 4, "receiver.gm.*mega"),
        ('gm = "0.65 mS"', 'gm = "0 mS"', 4, "receiver.gm: must be more than 0"),
        ('gm = "0.65 mS"', 'gm = "0.65 V"', 4, "receiver.gm.*that is a voltage"),
        ('name = "C.2"', 'name = "b"', 38, 'coil.b.name: a coil "B" is there already'),
        ('name = "C.2"', 'name = "B"', 38, 'coil.B.name: a coil "B" is there already'),
        ('name = "C.2"', 'name = "../C"', 38, "coil.*name"),
        ('name = "C.2"', 'name = ".C"', 38, "coil.*dot"),
        ('name = "C.2"', 'name = "C/2"', 38, "coil.*letters, digits, space"),
        ('name = "C.2"', f'name = "{"C" * 41}"', 38, "coil.*1 to 40 characters"),
        ('name = "C.2"', 'name = ""', 38, "coil.*1 to 40 characters"),
        ('name = "C.2"', "name = 2", 38, "coil.*text in quotes"),
        ("turns = 27", "turns = 0", 32, "coil.B.grid.turns"),
        ("turns = 27", "turns = -27", 32, "coil.B.grid.turns"),
        ("turns = 27", "turns = true", 32, "coil.B.grid.turns: a number is wanted"),
        ("turns = 27", 'turns = "27"', 32, "coil.B.grid.turns: a number is wanted"),
        ("turns = 27", "turns = 270", 32, "coil.B.grid.length: 270 turns .* need 108 mm"),
        ("turns = 27, ", "", 32, "coil.B.grid.turns: turns needed.*inductance"),
        ('diameter = "32 mm"', 'diameter = "32 mm", form_diameter = "31 mm"', 32, "coil.B.grid.form_diameter"),
        ('gap = "2.5 mm", ', "", 33, "coil.B.tickler.gap: a tickler needs gap and wire"),
        ("k = 0.32", "k = 1", 40, "coil.C.2.tickler.k"),
        ("k = 0.32", "k = 0", 40, "coil.C.2.tickler.k"),
        (", k = 0.32", "", 40, "coil.C.2.tickler"),
        ("[[2e6, 120], [5e6, 135]]", "[[5e6, 120], [2e6, 135]]", 39, "coil.C.2.grid.q"),
        ("dials = [0, 20", "dials = [-1, 20", 34, "coil.B.dials: -1 is outside the dial"),
        ('"2.3 MHz"', '"2.3 mHz"', 35, r"coil.B.onset_at \(entry 1\).*milli"),
        ('"2.3 MHz"', "2.3e6", 35, r"coil.B.onset_at \(entry 1\).*has no unit"),
        ("repeats = 3", "repeats = 0", 43, "readings.repeats"),
        ("repeats = 3", "repeats = 2.5", 43, "readings.repeats: a whole number"),
        ("q_uncertainty = 0.01", "q_uncertainty = 0", 44, "readings.q_uncertainty"),
        ("[instruments.analyzer]", "[instruments.analyser]", 47, "instruments.analyser: unknown key; nearest: analyzer"),
        ('driver = "scpi-analyzer"', 'driver = "scpi-analyser"', 48, "instruments.analyzer.driver.*nearest: scpi-analyzer"),
        ('driver = "sensor"', 'driver = "scpi-generator"', 51, "instruments.angle.driver.*no driver for it"),
        ("address = ", "adress = ", 49, "instruments.analyzer.adress: unknown key.*nearest known key: address"),
        ('frequency = "kHz"', 'frequency = "khz"', 55, "show.frequency.*nearest: kHz"),
        ("seed = 1", "seed = -1", 59, "virtual.seed"),
    ],
)  # fmt: skip
def test_refusals_name_file_line_and_key(old: str, new: str, line: int, says: str) -> None:
    problem = refusal(changed(old, new))
    lines = str(problem).split("\n")
    assert any(re.search(f"^plan.toml, line {line}: .*{says}", said) for said in lines), lines
    assert problem.exit_code == 1


def test_every_fault_is_listed_one_a_line() -> None:
    text = (
        changed('gm = "0.65 mS"', "gm = 0.65")
        .replace("turns = 27", "turnz = 27")
        .replace("repeats = 3", "repeats = 0")
    )
    lines = str(refusal(text)).split("\n")
    assert "line 4: receiver.gm" in lines[0]
    assert any("line 32: coil.B.grid.turnz" in line for line in lines)
    assert any("line 43: readings.repeats" in line for line in lines)
    assert re.fullmatch(r"\d things to correct in plan.toml; the first: line 4: receiver.gm: .*", lines[-1])


@pytest.mark.parametrize(
    "text",
    [
        "",
        "receiver",
        "a = 1\na = 2",
        "x = " + "[" * 5000 + "]" * 5000,
        "x = " + "{a=" * 200 + "1" + "}" * 200,
        "x = " + "9" * 6000,
        "x = 1979-99-99",
        "\x00",
        "[receiver]\n" + "y = 1\n" * 3,
        "z" * 300_000,
        CONTRACT.replace("[[coil]]", "[coil]", 1).split("[[coil]]")[0],
        CONTRACT.replace("[receiver]", "[[receiver]]"),
        "coil = 5\nreceiver = 'x'",
        "coil = [1, 2]\nreceiver = []",
        "[receiver]\ntuning = 1\ncontrol = []\n[[coil]]\n",
        '"\ud7ff" = 1',
    ],
)
def test_hopeless_texts_are_refused_with_the_file(text: str) -> None:
    for line in str(refusal(text)).split("\n"):
        assert "plan.toml" in line
        assert len(line) < 500


NEWS = st.text(max_size=12) | st.sampled_from(
    [
        "[",
        "]",
        "[[coil]]",
        "= ",
        '"',
        "nan",
        "1e400",
        "'''",
        "#",
        "\r",
        "\ufeff",
        "-1",
        "9" * 400,
        "true",
        "[receiver]",
        "{ }",
    ]
)


@settings(max_examples=1000, deadline=None)
@given(st.lists(st.tuples(st.integers(0, len(CONTRACT)), st.integers(0, 12), NEWS), min_size=1, max_size=4))
def test_damaged_plans_are_plans_or_refused(cuts: list[tuple[int, int, str]]) -> None:
    text = CONTRACT
    for at, length, new in cuts:
        text = text[:at] + new + text[at + length :]
    try:
        plan = parse_plan(text)
    except PlanError:
        return
    assert isinstance(plan, Plan)
    assert re.fullmatch("[0-9a-f]{8}", recipe(plan, plan.coil[0].name))


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda folder: folder / "none.toml", "does not exist"),
        (lambda folder: folder, "not a plain file"),
        (lambda folder: Path("/dev/zero"), "not a plain file"),
    ],
)
def test_no_such_file(tmp_path: Path, make: object, says: str) -> None:
    with pytest.raises(PlanError, match=says):
        load_plan(make(tmp_path))  # type: ignore[operator]


def test_file_not_utf8_names_the_line(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_bytes(CONTRACT.encode().replace(b"pentode", b"p\xe9ntode", 1))
    with pytest.raises(PlanError, match=r"plan.toml, line 3: not UTF-8"):
        load_plan(tmp_path / "plan.toml")


def test_file_from_a_windows_editor(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_bytes(b"\xef\xbb\xbf" + CONTRACT.replace("\n", "\r\n").encode())
    assert load_plan(tmp_path / "plan.toml") == parse_plan(CONTRACT)


def test_set_changes_values() -> None:
    plan = parse_plan(
        CONTRACT,
        sets=(
            "receiver.control.resistance=50kohm",
            "coil.B.tickler.turns=4.5",
            "coil.C.2.tickler.k = 0.4",
            "coil.B.onset_at=[2.5MHz, 3000kc]",
            "receiver.control.window=['9:00', '3:00']",
            "readings.repeats=5",
        ),
    )
    assert plan.receiver.control.resistance == 50e3
    assert plan.coil_named("B").tickler.turns == 4.5
    assert plan.coil_named("C.2").tickler.k == 0.4
    assert plan.coil_named("B").onset_at == (2.5e6, 3e6)
    assert plan.receiver.control.window_deg == (60.0, 240.0)
    assert plan.readings.repeats == 5


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("receiver.control.resistance=50", "receiver.control.resistance: 50 has no unit"),
        ("receiver.control.resistence=50kohm", "nearest known key: resistance"),
        ("coil.D.tickler.turns=5", "no coil 'D'"),
        ("coil.B.tickler.trns=5", "nearest known key: turns"),
        ("receiver.name.x=5", "receiver.name holds no keys"),
        ("nothing", "KEY=VALUE"),
        ("=5", "KEY=VALUE"),
        ("receiver.control.kind=5\nshow.length='in'", "receiver.control.kind"),
    ],
)
def test_set_refusals_are_wrong_usage(text: str, says: str) -> None:
    problem = refusal(CONTRACT, (text,))
    assert says in str(problem)
    assert "--set" in str(problem)
    assert problem.exit_code == 2


def test_no_such_coil_names_the_nearest() -> None:
    with pytest.raises(PlanError, match=r'no coil "C2" in the plan; nearest: "C.2" \(coils: B, C.2\)'):
        parse_plan(CONTRACT).coil_named("C2")


def test_recipe_follows_what_is_physical() -> None:
    plan = parse_plan(CONTRACT)
    same = [
        changed('name = "…"', 'name = "another name"'),
        changed('window = ["10:00", "2:00"]', 'window = ["9:00", "3:00"]'),
        changed("dials = [0, 20, 40, 60, 80, 100]", "dials = [10]"),
        changed('"2.3 MHz", ', ""),
        changed('length = "mm"', 'length = "in"'),
        changed('length = "24 mm"', 'length = "0.024 m"'),
        changed('rp = "25 kohm"', 'rp = "0.025 Mohm"'),
        changed('device = "triode" ', ""),
        changed('name = "C.2"', 'name = "C"'),
        changed("turns = 6", "turns = 7"),
    ]
    other = [
        changed("turns = 27", "turns = 28"),
        changed("turns = 5,", "turns = 6,"),
        changed('wire = "0.25 mm"', 'wire = "0.3 mm"'),
        changed('resistance = "10 kohm"', 'resistance = "11 kohm"'),
        changed('choke = "2.5 mH"', 'choke = "2.6 mH"'),
        changed('coupling_capacitor = "10 pF"', 'coupling_capacitor = "11 pF"'),
        changed('taper = "linear"', 'taper = "log"'),
    ]
    present = recipe(plan, "B")
    assert re.fullmatch("[0-9a-f]{8}", present)
    assert {recipe(parse_plan(text), "B") for text in same} == {present}
    changed_recipes = {recipe(parse_plan(text), "B") for text in other}
    assert len(changed_recipes) == len(other)
    assert present not in changed_recipes
    assert recipe(plan, "C.2") != present


def test_anticlockwise_knob_is_mirrored() -> None:
    control = parse_plan(
        changed("travel_deg = 300", 'travel_deg = 300\ndirection = "anticlockwise"')
    ).receiver.control
    assert control.angle("5:00") == 0.0
    assert control.angle("2:00") == 90.0
    assert control.clock(0.0) == "5:00"
    assert control.angle("120 deg") == 120.0


def test_window_in_degrees_for_a_control_of_many_turns() -> None:
    text = changed("travel_deg = 300", "travel_deg = 3600").replace(
        '["10:00", "2:00"]', '["1200 deg", "2400 deg"]'
    )
    assert parse_plan(text).receiver.control.window_deg == (1200.0, 2400.0)


def test_lines_of_keys() -> None:
    lines = key_lines(
        "a = '''\nb = 1\n'''\nc = [\n  1, # ]\n  \"]\",\n]\n[x.'y z']\nq.r = 1\n[[t]]\n[[t]]\nu = { v = 1 }\n[t.w]\n"
    )
    assert lines == {
        ("a",): 1,
        ("c",): 4,
        ("x", "y z"): 8,
        ("x", "y z", "q", "r"): 9,
        ("t", 0): 10,
        ("t", 1): 11,
        ("t", 1, "u"): 12,
        ("t", 1, "w"): 13,
    }


def test_every_driver_of_the_registry_is_known() -> None:
    for name, driver in DRIVERS.items():
        role = driver.roles[0]
        text = CONTRACT[: CONTRACT.index("[instruments.analyzer]")]
        assert parse_plan(f'{text}[instruments.{role}]\ndriver = "{name}"\n').instruments[role].driver == name
