"""What the charts print."""

from __future__ import annotations

from typing import Any

import pytest

from bench.charts import words
from bench.plan.schema import Show, parse_plan
from bench.quantities import parse_wire


def plain(text: str) -> str:
    return text.replace("\u00a0", " ")


@pytest.mark.parametrize(
    ("f_hz", "unit", "text"),
    [
        (3.5124e6, "kHz", "3 512.4"),
        (3.5e6, "kc", "3 500"),
        (3.5e6, "MHz", "3.5"),
        (12.345678e6, "Mc", "12.346"),
        (550e3, "kHz", "550"),
    ],
)
def test_frequency(f_hz: float, unit: str, text: str) -> None:
    assert plain(words.frequency(f_hz, unit)) == text


def test_frequency_range_keeps_the_places_that_are_known() -> None:
    assert plain(words.frequency_range(2.2123e6, 5.0314e6, "kHz")) == "2 212 to 5 031 kHz"
    assert plain(words.frequency_range(2.2123e6, 5.0314e6, "MHz", 30e3)) == "2.21 to 5.03 MHz"


@pytest.mark.parametrize(
    ("low", "high", "names"),
    [
        # ITU Radio Regulations, No. 2.1: MF 300 to 3 000 kHz, HF 3 to 30 MHz, lower limit exclusive, upper inclusive.
        (550e3, 1.6e6, "MF"),
        (2.2e6, 5.0e6, "MF / HF"),
        (3.1e6, 7e6, "HF"),
        (2.0e6, 3.0e6, "MF"),
        (200e3, 400e3, "LF / MF"),
        (20e6, 40e6, "HF / VHF"),
    ],
)
def test_band_names(low: float, high: float, names: str) -> None:
    assert words.itu_bands(low, high) == names


@pytest.mark.parametrize(
    ("stamp", "text"),
    [
        ("2031-05-14T20:01:02.123Z", "14 May 2031"),
        ("2031-12-01 20:01:02+00:00", "1 December 2031"),
        ("", ""),
        (None, ""),
        ("2031-13-01T00:00:00Z", ""),
    ],
)
def test_date(stamp: str | None, text: str) -> None:
    assert words.date(stamp) == text


@pytest.mark.parametrize(("count", "text"), [(5, "5"), (4.5, "4½"), (0.5, "½"), (2.25, "2¼"), (27.3, "27.3")])
def test_turns(count: float, text: str) -> None:
    assert words.turns(count) == text


def test_lengths_in_the_unit_asked_for() -> None:
    # 1 inch is 25.4 mm exactly (international yard and pound agreement, 1959).
    assert plain(words.length(0.03175, Show(length="in"))) == "1.25 in"
    assert plain(words.length(0.03175, Show(length="mm"))) == "31.75 mm"


def test_small_frequencies_stay_in_thousands() -> None:
    assert plain(words.small_frequency(2_340.0, "MHz")) == "2.3 kHz"
    assert plain(words.small_frequency(170.0, "Mc")) == "0.17 kc"


def test_value_and_uncertainty_share_their_last_place() -> None:
    assert plain(words.with_u(22.314e-6, 0.123e-6, 1e-6)) == "22.31 ± 0.12"
    assert words.with_u(None, None, 1e-6) == "-"
    assert words.with_u(22.314e-6, None, 1e-6) == "22.31"


def test_known_is_only_what_is_a_number() -> None:
    assert [words.known(v) for v in (1, "2.5", None, "x", float("nan"), True, [])] == [1.0, 2.5] + [None] * 5


def control(direction: str = "clockwise", travel: float = 300) -> Any:
    return parse_plan(
        f"""
[receiver]
tuning = {{ capacitance = ["160 pF", "12 pF"] }}
[receiver.control]
kind = "divider"
resistance = "10 kohm"
travel_deg = {travel}
direction = "{direction}"
[[coil]]
name = "A"
grid = {{ inductance = "20 uH" }}
tickler = {{ turns = 6, inductance = "1 uH", k = 0.3 }}
"""
    ).receiver.control


F_HZ = [2.3e6, 3.4e6, 4.9e6]


def advice(
    verdict: str | None, best: float | None, angles: list[float | None], inside: bool
) -> dict[str, Any]:
    return {
        "tickler_turns_now": 6,
        "tickler_turns_best": best,
        "predicted": [{"turns": best, "angles_deg": angles, "in_window": inside}],
        "verdict": verdict,
        "levers": [
            {"what": "feedback capacitor", "change": "from 270 pF to 180 pF", "effect": "onset 20° later"}
        ],
        "reasons": ["No number of tickler turns will do."],
    }


@pytest.mark.parametrize(
    ("given", "text"),
    [
        (
            # With 300 degrees of travel 90 is 10:00 and 210 is 2:00 (the contract's own example).
            advice("fewer turns", 5, [210.0, 150.0, 90.0], True),
            "Take off 1 tickler turn (6 to 5): onset from 10:00 to 2:00, inside the window at every frequency.",
        ),
        (
            advice("more turns", 7.5, [240.0, 150.0, 90.0], False),
            "Add 1½ tickler turns (6 to 7½): onset from 10:00 to 3:00, outside the window at 2 300 kHz.",
        ),
        (
            advice("more turns", 8, [None, 150.0, 90.0], False),
            "Add 2 tickler turns (6 to 8): onset from 10:00 to 12:00, outside the window at 2 300 kHz.",
        ),
        (
            advice("keep", 6, [150.0, 120.0, 90.0], True),
            "Keep the 6 tickler turns: onset from 10:00 to 12:00, inside the window at every frequency.",
        ),
        (
            # What the present turns do is told, not what the slightly better ones would.
            advice("keep", 5, [180.0, 130.0, 90.0], True)
            | {
                "predicted": [
                    {"turns": n, "angles_deg": [a, 120.0, 90.0], "in_window": True}
                    for n, a in ((5, 180.0), (6, 150.0))
                ]
            },
            "Keep the 6 tickler turns: onset from 10:00 to 12:00, inside the window at every frequency.",
        ),
        (
            advice("another lever", 6, [None, None, None], False),
            "Turns alone will not do: feedback capacitor from 270 pF to 180 pF; onset 20° later.",
        ),
        (advice("another lever", 6, [], False) | {"levers": []}, "No number of tickler turns will do."),
    ],
)
def test_advice_in_one_sentence(given: dict[str, Any], text: str) -> None:
    sentence = words.advice_sentence(given, F_HZ, control(), "kHz")
    assert sentence is not None
    assert plain(sentence) == text


def test_no_verdict_no_sentence() -> None:
    assert words.advice_sentence(None, F_HZ, control(), "kHz") is None
    assert words.advice_sentence(advice(None, None, [], False), F_HZ, control(), "kHz") is None
    assert words.advice_short(None) == "-"


def test_clock_positions_follow_the_direction_and_the_travel() -> None:
    assert plain(words.angle_range([210.0, 90.0], control("anticlockwise"))) == "2:00 to 10:00"
    assert words.angle_range([150.0, 150.0], control()) == "12:00"


@pytest.mark.parametrize(
    ("written", "unit", "shown"),
    [
        ("24AWG", "in", "24\u00a0AWG"),
        ("24AWG", "mm", "24\u00a0AWG"),
        ("2/0 AWG", "mm", "2/0\u00a0AWG"),
        ("28 SWG", "mm", "28\u00a0SWG"),
        ("0.4 mm", "mm", "0.4\u00a0mm"),
        ("0.51 mm", "mm", "0.51\u00a0mm"),
        ("0.02 in", "in", "0.02\u00a0in"),
    ],
)
def test_a_wire_is_called_as_it_was_written(written: str, unit: str, shown: str) -> None:
    show = Show.model_validate({"length": unit})
    assert words.wire(parse_wire(written), show) == shown
