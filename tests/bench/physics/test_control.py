"""The control: taper, travel, dead ends, and what each kind puts into the network."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from bench.physics.control import (
    COLD,
    CONTACT_OHM,
    GROUND,
    KINDS,
    PLATE,
    WIPER,
    Control,
    Feedback,
    Part,
    share,
    stamp,
)

REFERENCE = Path(__file__).parents[2] / "reference"
FEEDBACK = Feedback(270e-12, 2.5e-3, 2e-12, 8e-12)


def pot(taper="linear", **more):
    return Control("divider", 4e3, taper=taper, **more)


def test_audio_taper_at_half_travel_as_sold():
    # tests/reference/potentiometer_tapers.csv: sold as 15A; a forum posting, marked "seen".
    with (REFERENCE / "potentiometer_tapers.csv").open() as file:
        rows = list(csv.DictReader(file))
    sold = next(float(row["value"]) for row in rows if "15A" in row["item"])
    assert share(pot("log"), 150.0) == pytest.approx(sold / 100, rel=1e-12)
    assert share(pot("reverse-log"), 150.0) == pytest.approx(1 - sold / 100, rel=1e-12)


@pytest.mark.parametrize("taper", ["linear", "log", "reverse-log", ((0.0, 0.0), (0.3, 0.7), (1.0, 1.0))])
def test_tapers_run_from_nothing_to_all_and_never_turn_back(taper):
    value = share(pot(taper), np.linspace(0, 300, 601))
    assert value[0] == pytest.approx(0, abs=1e-12)
    assert value[-1] == pytest.approx(1, abs=1e-12)
    assert np.all(np.diff(value) > 0)


def test_log_taper_is_an_exponential():
    # Equal steps of angle multiply the slope by equal factors: the definition of an exponential taper.
    slope = np.diff(share(pot("log"), np.linspace(0, 300, 11)))
    assert slope[1:] / slope[:-1] == pytest.approx(np.full(9, slope[1] / slope[0]), rel=1e-9)


def test_mirror_image():
    angle = np.linspace(0, 300, 31)
    assert share(pot("reverse-log"), angle) == pytest.approx(1 - share(pot("log"), 300 - angle), abs=1e-12)


def test_nothing_changes_in_the_dead_ends():
    control = pot(travel_deg=300.0, dead_deg=(10.0, 20.0))
    assert share(control, [0.0, 5.0, 10.0]) == pytest.approx([0, 0, 0])
    assert share(control, [280.0, 290.0, 300.0]) == pytest.approx([1, 1, 1])
    assert share(control, 10 + 270 / 2) == pytest.approx(0.5)


def test_points_are_joined_by_straight_lines():
    control = pot(((0.0, 0.0), (0.5, 0.2), (1.0, 1.0)))
    assert share(control, [75.0, 150.0, 225.0]) == pytest.approx([0.1, 0.2, 0.6])


def test_measured_law_passes_its_points_and_stays_monotone():
    law = ((0.0, 0.1), (100.0, 0.12), (150.0, 0.8), (200.0, 0.82), (300.0, 1.0))
    control = Control("measured", law=law)
    angle, value = np.array(law).T
    assert share(control, angle) == pytest.approx(value, abs=1e-12)
    fine = share(control, np.linspace(0, 300, 3001))
    assert np.all(np.diff(fine) >= 0)
    assert fine.max() <= 1 + 1e-12


@pytest.mark.parametrize(
    ("control", "word"),
    [
        ({"kind": "reaction"}, "reaction"),
        ({"kind": "divider"}, "resistance_ohm"),
        ({"kind": "throttle"}, "capacitance_f"),
        ({"kind": "measured"}, "law"),
        ({"kind": "swing", "taper": "audio"}, "audio"),
        ({"kind": "swing", "dead_deg": (200.0, 100.0)}, "dead ends"),
    ],
)
def test_what_cannot_be_is_refused_by_name(control, word):
    with pytest.raises(ValueError, match=word):
        Control(**control)


def parts(control, theta, device="triode"):
    mark = stamp(np.array(theta), control, FEEDBACK, device)
    return mark, {(part.a, part.b): part for part in mark.parts}


def test_divider_keeps_its_total_resistance_and_its_contacts():
    for theta in (0.0, 0.25, 1.0):
        _, part = parts(pot(), theta)
        upper, lower = (1 / part[pair].conductance_s for pair in ((PLATE, WIPER), (WIPER, COLD)))
        assert upper + lower == pytest.approx(4e3 + 2 * CONTACT_OHM)
        assert upper == pytest.approx(4e3 * theta + CONTACT_OHM)
        assert part[WIPER, GROUND].capacitance_f == 270e-12
        assert part[COLD, GROUND].per_inductance == pytest.approx(1 / 2.5e-3)


def test_throttle_hangs_the_choke_on_the_plate():
    control = Control("throttle", capacitance_f=(10e-12, 100e-12))
    _, part = parts(control, 0.5)
    assert part[COLD, GROUND].capacitance_f == pytest.approx(55e-12)
    assert part[PLATE, GROUND].per_inductance == pytest.approx(1 / 2.5e-3)


def test_supply_follows_the_three_halves_law():
    # Child 1911 and Langmuir 1913: i = P (vg + vp/mu)^(3/2). gm and 1/rp are its slopes; the grid is at 0 V.
    def current(vg, vp, mu=9.0, perveance=2e-4):
        return perveance * (vg + vp / mu) ** 1.5

    def slopes(vp, d=1e-5):
        return (
            (current(d, vp) - current(-d, vp)) / (2 * d),
            (current(0, vp + d) - current(0, vp - d)) / (2 * d),
        )

    full, half = slopes(90.0), slopes(37.0)
    mark, _ = parts(Control("supply"), 37 / 90)
    assert mark.gm == pytest.approx(half[0] / full[0], rel=1e-6)
    assert mark.plate_conductance == pytest.approx(half[1] / full[1], rel=1e-6)


def test_supply_of_a_bipolar_is_proportional():
    # gm = I/Vt, with the current set by the supply.
    mark, _ = parts(Control("supply"), 0.3, "bipolar")
    assert mark.gm == pytest.approx(0.3)


def test_swing_is_the_cosine_of_the_angle_between_the_axes():
    for theta in (0.0, 1 / 3, 1.0):
        mark, _ = parts(Control("swing"), theta)
        assert mark.mutual == pytest.approx(math.cos(math.radians(90 * (1 - theta))), abs=1e-12)


def test_every_kind_stamps_arrays():
    made = {
        "divider": pot(),
        "shunt": Control("shunt", 4e3),
        "throttle": Control("throttle", capacitance_f=(1e-12, 1e-10)),
        "supply": Control("supply"),
        "swing": Control("swing"),
        "measured": Control("measured", law=((0.0, 0.0), (300.0, 1.0))),
    }
    assert set(made) == set(KINDS)
    for control in made.values():
        mark = stamp(np.linspace(0, 1, 5), control, FEEDBACK, "triode")
        assert all(isinstance(part, Part) for part in mark.parts)
