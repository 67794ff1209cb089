"""Windings against published tables and against integrals that the module does not use."""

from __future__ import annotations

import csv
import math
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from scipy import special

from bench.physics import medhurst, winding
from bench.physics.bandspread import Bandspread
from bench.physics.winding import Winding, WindingError
from bench.physics.wire import COPPER_RESISTIVITY_20C, MU_0

REFERENCE = Path(__file__).parents[2] / "reference"
INCH = 0.0254


def table(name: str) -> list[dict[str, str]]:
    with (REFERENCE / name).open(newline="") as file:
        return list(csv.DictReader(file))


# --- inductance ---------------------------------------------------------------------------------------------


# Nagaoka 1909, table p. 31 (seen in two transcriptions); the row flagged as a slip of the press is left out.
@pytest.mark.parametrize(
    "row",
    [row for row in table("nagaoka_k.csv") if row["K_published"] and "slip" not in row["note"]],
    ids=lambda row: row["diameter_over_length"],
)
def test_nagaoka_published(row: dict[str, str]) -> None:
    ratio = float(row["diameter_over_length"])
    assert float(winding.nagaoka(ratio)) == pytest.approx(float(row["K_published"]), abs=3e-5)


def test_nagaoka_between_the_published_points() -> None:
    rows = table("nagaoka_k.csv")
    ratio = [float(row["diameter_over_length"]) for row in rows]
    computed = [float(row["K_computed"]) for row in rows]
    np.testing.assert_allclose(winding.nagaoka(ratio), computed, atol=1e-6)


def test_nagaoka_keeps_its_digits_at_both_ends() -> None:
    """Long: 1 - 4x/(3 pi) + x^2/8 (Nagaoka 1909, from memory). Short: L of a thin band, mu0 a (ln(8a/l) - 1/2)."""
    x = 1e-4
    assert float(winding.nagaoka(x)) == pytest.approx(1 - 4 * x / (3 * math.pi) + x**2 / 8, rel=1e-12)
    a, length = 1.0, 1e-3
    band = MU_0 * a * (math.log(8 * a / length) - 0.5)
    sheet = MU_0 * math.pi * a**2 * float(winding.nagaoka(2 * a / length)) / length
    assert sheet == pytest.approx(band, rel=1e-5)


def test_rosa_a() -> None:
    for row in table("rosa_a_table.csv"):
        assert float(winding.rosa_a(float(row["wire_diameter_over_pitch"]))) == pytest.approx(
            float(row["A_from_formula"]), abs=6e-5
        )


def test_rosa_b_published() -> None:
    """Rosa and Grover 1911 (as recalled): four places up to 15 turns, up to 0.0011 high beyond."""
    for row in table("rosa_b_table.csv"):
        turns = float(row["turns"])
        tolerance = 6e-5 if turns <= 10 else 1.2e-3
        if row["B_published"]:
            assert float(winding.rosa_b(turns)) == pytest.approx(float(row["B_published"]), abs=tolerance)
        assert float(winding.rosa_b(turns)) == pytest.approx(float(row["B_computed"]), abs=6e-6)


def ring_sum(w: Winding) -> float:
    """Inductance as a sum over rings: Maxwell's first form by complete K and E, ring self-inductance
    mu0 a (ln(8a/r) - 1.75) (Rosa and Grover 1911; both in tests/reference/README.md)."""
    a, turns = w.diameter_m / 2, round(w.turns)
    own = turns * MU_0 * a * (math.log(8 * a / (w.wire_m / 2)) - 1.75)
    apart = np.arange(1, turns)
    k2 = 4 * a * a / (4 * a * a + (apart * w.pitch_m) ** 2)
    k = np.sqrt(k2)
    pair = MU_0 * a * ((2 / k - k) * special.ellipk(k2) - 2 / k * special.ellipe(k2))
    return own + float(np.sum(2 * (turns - apart) * pair))


@pytest.mark.parametrize(
    ("turns", "diameter_mm", "length_mm", "wire_mm"),
    [
        (27, 32, 24, 0.4),
        (10, 32, 7, 0.6),
        (5, 32, 20, 1.0),
        (100, 50, 50, 0.4),
        (143, 32, 41, 0.255),
        (60, 20, 80, 0.5),
        (3, 40, 6, 1.0),
        (12, 90, 12, 0.9),
    ],
)
def test_inductance_against_rings(turns: float, diameter_mm: float, length_mm: float, wire_mm: float) -> None:
    w = Winding(turns, diameter_mm / 1e3, length_mm / 1e3, wire_mm / 1e3)
    assert winding.inductance(w) == pytest.approx(ring_sum(w), rel=3e-3)


def test_inductance_against_the_reference_rings() -> None:
    for row in table("self_inductance_round_wire_computed.csv"):
        turns = float(row["turns"])
        length = turns * float(row["pitch_mm"]) / 1e3
        w = Winding(turns, float(row["mean_diameter_mm"]) / 1e3, length, float(row["wire_diameter_mm"]) / 1e3)
        assert winding.inductance(w) * 1e6 == pytest.approx(
            float(row["L_filament_sum_low_freq_uH"]), rel=3e-3
        )


@pytest.mark.parametrize(
    "row",
    table("self_inductance_published.csv"),
    ids=lambda row: f"{row['core_diameter_in']}in-{row['turns']}-{row['L_published_uH']}uH",
)
def test_inductance_published_1922(row: dict[str, str]) -> None:
    """Mills, Letters of a Radio-Engineer to His Son (1922), Letter 21: 26 s.s.c. wire (0.0159 in bare), 54 turns to the inch.

    His text says that he calculated them. Short coils come out within the 6 percent of his own table, the others within
    2 percent and the half turn to which he rounded.
    """
    turns = float(row["turns"])
    pitch = INCH / float(row["turns_per_in"])
    diameter = (float(row["core_diameter_in"]) + 0.0175) * INCH
    w = Winding(turns, diameter, turns * pitch, 0.0159 * INCH)
    short = turns <= 44
    half_turn = winding.inductance(Winding(turns + 0.5, diameter, (turns + 0.5) * pitch, 0.0159 * INCH))
    tolerance = 0.06 if short else 0.02 + half_turn / winding.inductance(w) - 1
    assert winding.inductance(w) == pytest.approx(float(row["L_published_uH"]) * 1e-6, rel=tolerance)


def test_inductance_against_a_magnetics_library() -> None:
    """Flux of every other turn's field through each turn, field by magpylib, and each ring's own inductance.

    A ring of round wire with its current over the whole section: mu0 a (ln(8a/r) - 7/4) (tests/reference/README.md).
    """
    magpylib = pytest.importorskip("magpylib", reason="needs the Python package magpylib")
    w = Winding(20, 32e-3, 24e-3, 0.4e-3)
    a, r = w.diameter_m / 2, w.wire_m / 2
    ring = magpylib.current.Circle(current=1.0, diameter=w.diameter_m)
    node, weight = np.polynomial.legendre.leggauss(60)
    radius = (node + 1) / 2 * a
    area = 2 * np.pi * radius * weight / 2 * a
    total = 20 * MU_0 * a * (math.log(8 * a / r) - 1.75)
    for apart in range(1, 20):
        points = np.stack([radius, 0 * radius, np.full_like(radius, apart * w.pitch_m)], axis=1)
        total += 2 * (20 - apart) * float(area @ ring.getB(points)[:, 2])
    assert winding.inductance(w) == pytest.approx(total, rel=3e-3)


@pytest.mark.parametrize(
    "row", table("tuning_ranges_mills_1922.csv"), ids=lambda row: f"{row['turns']}-{row['C_max_pF']}"
)
def test_tuning_ranges_published_1922(row: dict[str, str]) -> None:
    """Mills 1922, Letter 21, after Table III: coil and condenser against wavelength, printed to 10 m; his short coil is 5 % low."""
    pitch = INCH / float(row["turns_per_in"])
    turns = float(row["turns"])
    w = Winding(turns, (float(row["core_diameter_in"]) + 0.0175) * INCH, turns * pitch, 0.0159 * INCH)
    for c, published in (
        (row["C_min_pF"], row["wavelength_min_published_m"]),
        (row["C_max_pF"], row["wavelength_max_published_m"]),
    ):
        if "sic" in published:
            continue
        f_hz = Bandspread(math.inf, 0.0).frequency(winding.inductance(w), 0.0, float(c) * 1e-12)
        assert 299.792458e6 / f_hz == pytest.approx(float(published), rel=0.05)


@pytest.mark.parametrize("row", table("lc_product_collins_1922.csv"), ids=lambda row: row["wavelength_m"])
def test_lc_products_published_1922(row: dict[str, str]) -> None:
    """Collins 1922, appendix: LC in cm times microfarads (1000 cm = 1 uH); he took light at 300,000 km/s."""
    lc = float(row["LC_published_cm_uF"]) * 1e-9 * 1e-6
    f_hz = Bandspread(math.inf, 0.0).frequency(1e-6, 0.0, lc / 1e-6)
    assert 3e8 / f_hz == pytest.approx(float(row["wavelength_m"]), rel=2e-3)


@pytest.mark.parametrize(
    "row", table("tuning_ranges_collins_1922_compact_coils.csv"), ids=lambda row: row["L_published_mH"]
)
def test_ranges_of_compact_coils_published_1922(row: dict[str, str]) -> None:
    """Collins 1922, ch. XII: inductance and the longest wave with 0.001 uF, printed to two or three digits."""
    f_hz = Bandspread(math.inf, 0.0).frequency(float(row["L_published_mH"]) * 1e-3, 0.0, 1000e-12)
    assert 3e8 / f_hz == pytest.approx(float(row["wavelength_max_published_m"]), rel=0.04)


def helix_mutual(a: Winding, b: Winding, gap_m: float, points: int = 180) -> float:
    """Neumann's double integral over two helices that run away from the gap, mean over their places on the circle."""

    def line(w: Winding, sign: float, start: float) -> tuple[np.ndarray, np.ndarray]:
        edges = np.linspace(0, w.turns, round(points * w.turns) + 1)
        angle = 2 * np.pi * edges + start
        z = sign * (edges * w.pitch_m + gap_m / 2)
        path = np.stack([w.diameter_m / 2 * np.cos(angle), w.diameter_m / 2 * np.sin(angle), z], axis=1)
        return (path[1:] + path[:-1]) / 2, np.diff(path, axis=0)

    def at(start: float) -> float:
        middle_a, step_a = line(a, -1.0, 0.0)
        middle_b, step_b = line(b, 1.0, start)
        distance = np.linalg.norm(middle_a[:, None, :] - middle_b[None, :, :], axis=2)
        return float(np.sum((step_a @ step_b.T) / distance)) * MU_0 / (4 * np.pi)

    return float(np.mean([at(start) for start in np.arange(6) * np.pi / 3]))


def test_part_turns_against_neumann() -> None:
    """A part turn as a weighted ring, against the helix itself.

    Few coarse turns close together: rings are half a percent below helices there. The course over part turns agrees
    ten times better.
    """
    a = Winding(3, 32e-3, 6e-3, 0.4e-3)
    ratios = []
    for turns in (2.0, 2.25, 2.5, 3.0):
        b = Winding(turns, 32e-3, turns * 1.5e-3, 0.4e-3)
        ratios.append(winding.mutual(a, b, 3e-3) / helix_mutual(a, b, 3e-3))
    assert ratios[0] == pytest.approx(1.0, abs=7e-3)
    np.testing.assert_allclose(np.array(ratios) / ratios[0], 1.0, atol=1e-3)


@pytest.mark.parametrize("turns", [0.5, 1.0, 5.0, 27.0])
def test_turns_may_vary_smoothly(turns: float) -> None:
    grid = Winding(27, 32e-3, 24e-3, 0.4e-3)

    def values(n: float) -> tuple[float, float]:
        w = winding.close_wound(n, 32e-3, 0.25e-3)
        return winding.inductance(w), winding.mutual(grid, w, 2.5e-3)

    below, at, above = (values(turns * (1 + shift)) for shift in (-1e-6, 0, 1e-6))
    for low, middle, high in zip(below, at, above, strict=True):
        assert low < middle < high
        assert high / low - 1 < 1e-5


# --- mutual inductance --------------------------------------------------------------------------------------


def test_circles_published() -> None:
    """Rosa and Grover 1911, Grover 1946 (answers from memory, confirmed by NIST DLMF 19.34.5)."""
    for row in table("mutual_circles.csv"):
        sizes = [float(row[key]) / 100 for key in ("radius_A_cm", "radius_a_cm", "axial_distance_cm")]
        m_nh = float(winding.mutual_circles(*sizes)) * 1e9
        assert m_nh == pytest.approx(float(row["M_dlmf_19_34_5_nH"]), rel=1e-6)
        if row["M_published_nH"]:
            assert m_nh == pytest.approx(float(row["M_published_nH"]), rel=6e-6)


def test_circles_in_maxwells_table() -> None:
    """Maxwell, Treatise, appendix to ch. XIV: log10 M/(4 pi sqrt(Aa)) in c.g.s. units; the angle's sine is the modulus."""
    for row in table("mutual_maxwell_log_table.csv"):
        sine = math.sin(math.radians(float(row["gamma_deg"])))
        distance = 2 * math.sqrt(1 / sine**2 - 1)
        m = float(winding.mutual_circles(1.0, 1.0, distance))
        assert math.log10(m / (4e-7 * math.pi)) == pytest.approx(
            float(row["log10_M_over_4pi_sqrt_Aa_published"]), abs=2e-7
        )


def test_far_circles_are_dipoles() -> None:
    a, b, z = 0.016, 0.013, 30.0
    dipoles = MU_0 * math.pi * a**2 * b**2 / (2 * z**3)
    assert float(winding.mutual_circles(a, b, z)) == pytest.approx(dipoles, rel=1e-6)


@pytest.mark.parametrize(
    "row", table("mutual_solenoids_equal_radius.csv"), ids=lambda row: row["M_from_published_K_uH"]
)
def test_pairs_published(row: dict[str, str]) -> None:
    """Nagaoka's published K by the self-inductance method (Rosa and Grover 1911, formula 34), which is of current
    sheets: ten times the turns, wound as fine, come close to one."""
    diameter, length_a, gap, length_b = (
        float(row[key]) / 1e3 for key in ("diameter_mm", "length_A_mm", "gap_mm", "length_B_mm")
    )
    turns_a, turns_b = float(row["turns_A"]), float(row["turns_B"])

    def pair(finer: int) -> float:
        a = Winding(turns_a * finer, diameter, length_a, 50e-6)
        b = Winding(turns_b * finer, diameter, length_b, 50e-6)
        return winding.mutual(a, b, gap) * 1e6 / finer**2

    assert pair(10) == pytest.approx(float(row["M_from_published_K_uH"]), rel=1e-3)
    assert pair(1) == pytest.approx(float(row["M_filament_sum_uH"]), rel=1e-5)


def test_pair_against_a_magnetics_library() -> None:
    """The flux of the grid winding's field through every turn of the tickler, field by magpylib."""
    magpylib = pytest.importorskip("magpylib", reason="needs the Python package magpylib")
    a = Winding(27, 32e-3, 24e-3, 0.4e-3)
    b = Winding(5, 30e-3, 1.5e-3, 0.25e-3)
    gap = 2.5e-3
    loops = magpylib.Collection(
        *(
            magpylib.current.Circle(
                current=1.0, diameter=a.diameter_m, position=(0, 0, -(i + 0.5) * a.pitch_m)
            )
            for i in range(27)
        )
    )
    node, weight = np.polynomial.legendre.leggauss(40)
    radius = (node + 1) / 2 * b.diameter_m / 2
    ring = 2 * np.pi * radius * weight / 2 * b.diameter_m / 2
    flux = 0.0
    for turn in range(5):
        z = gap + (turn + 0.5) * b.pitch_m
        points = np.stack([radius, np.zeros_like(radius), np.full_like(radius, z)], axis=1)
        flux += float(ring @ loops.getB(points)[:, 2])
    assert winding.mutual(a, b, gap) == pytest.approx(flux, rel=5e-3)


def test_mutual_is_mutual_and_below_unity() -> None:
    a = Winding(27, 32e-3, 24e-3, 0.4e-3)
    b = winding.close_wound(5.5, 31e-3, 0.25e-3)
    assert winding.mutual(a, b, 1e-3) == pytest.approx(winding.mutual(b, a, 1e-3), rel=1e-12)
    k = winding.coupling(winding.mutual(a, b, 0.0), winding.inductance(a), winding.inductance(b))
    assert 0.2 < k < 1


def test_many_turns_in_pieces() -> None:
    """Enough turns that the sum is taken piece by piece, against the current sheets they are close to."""
    a = winding.close_wound(1500, 32e-3, 20e-6)
    gap, length = 5e-3, a.length_m

    def sheet(turns: float, of: float) -> float:
        return (
            MU_0 * turns**2 * math.pi * a.diameter_m**2 / 4 * float(winding.nagaoka(a.diameter_m / of)) / of
        )

    density = 1500 / length
    both, wide, bare = (sheet(density * of, of) for of in (2 * length + gap, length + gap, gap))
    assert winding.mutual(a, a, gap) == pytest.approx((both + bare - 2 * wide) / 2, rel=1e-4)


# --- capacitance, resistance, Q -----------------------------------------------------------------------------


def test_medhurst_h_table() -> None:
    rows = table("medhurst_h.csv")
    ratio = np.array([float(row["length_over_diameter"]) for row in rows])
    published = np.array([float(row["H_pF_per_cm"]) for row in rows])
    np.testing.assert_allclose(medhurst.h(ratio), published, rtol=1e-9)
    between = np.sqrt(ratio[1:] * ratio[:-1])
    # His closed form (from memory) follows his table within 8 percent.
    np.testing.assert_allclose(
        medhurst.h(between), 0.1126 * between + 0.08 + 0.27 / np.sqrt(between), rtol=0.09
    )


def test_medhurst_h_has_no_steps() -> None:
    ratio = np.geomspace(0.02, 200, 4000)
    h = medhurst.h(ratio)
    assert np.max(np.abs(np.diff(np.log(h)))) < 1.2 * math.log(ratio[1] / ratio[0])


def test_self_capacitance() -> None:
    """H = 0.46 at a length of one diameter: 1.472 pF for 3.2 cm (Medhurst 1947)."""
    w = Winding(40, 32e-3, 32e-3, 0.4e-3)
    assert winding.self_capacitance(w) == pytest.approx(0.46 * 3.2e-12, rel=1e-6)


def test_medhurst_phi_table() -> None:
    """Table VIII, but for the one cell on which the transcriptions differ (tests/reference/README.md)."""
    for row in table("medhurst_phi.csv"):
        spacing = float(row["wire_diameter_over_pitch"])
        for key, text in row.items():
            if key is None or not key.startswith("length_over_diameter_"):
                continue
            ratio = float(key.rpartition("_")[2])
            if (spacing, ratio) == (0.4, 0.0):
                continue
            assert float(medhurst.phi(ratio, spacing)) == pytest.approx(float(text), rel=1e-9)


def test_medhurst_phi_between_the_points() -> None:
    spacing = np.linspace(0, 1, 201)
    ratio = np.concatenate([np.linspace(0, 12, 300), [1e3, np.inf]])
    surface = medhurst.phi(ratio[:, None], spacing)
    assert np.all(np.diff(surface, axis=1) > 0)
    assert np.allclose(surface[:, 0], 1.0)
    assert np.max(np.abs(np.diff(surface[:300], axis=0))) < 0.12
    assert np.abs(surface[-1] - surface[-2]).max() < 0.01
    # Nowhere outside the four published values around it by more than 3 percent.
    rows = [0.0, *medhurst.PHI]
    values = np.array([[1.0] * 12, *medhurst.PHI.values()])
    for i, (s0, s1) in enumerate(pairwise(rows)):
        for j, (r0, r1) in enumerate(pairwise(medhurst.PHI_LENGTH_OVER_DIAMETER)):
            corners = values[i : i + 2, j : j + 2]
            inside = medhurst.phi(np.linspace(r0, min(r1, 50.0), 9)[:, None], np.linspace(s0, s1, 9))
            assert inside.max() < corners.max() * 1.03
            assert inside.min() > corners.min() * 0.97


@pytest.mark.parametrize(
    "row", table("q_predictions_no_measurement.csv"), ids=lambda row: row["Q_from_medhurst_phi"]
)
def test_q_published_forms(row: dict[str, str]) -> None:
    """Medhurst's Phi on a current sheet where the skin is thin, and Callendar's closed form (Wireless Engineer 24, 1947;
    from memory), which agrees within 7 percent.

    Many fine turns at a very high frequency are such a sheet; Q then goes with the square root of frequency.
    """
    diameter, length = float(row["mean_diameter_cm"]) / 100, float(row["length_cm"]) / 100
    turns, f_hz = 400.0, 1e13
    w = Winding(turns, diameter, length, float(row["wire_diameter_over_pitch"]) * length / turns)
    q = float(winding.q(w, f_hz)) * math.sqrt(float(row["frequency_MHz"]) * 1e6 / f_hz)
    assert q == pytest.approx(float(row["Q_from_medhurst_phi"]), rel=0.01)
    assert q == pytest.approx(float(row["Q_from_callendar_1947"]), rel=0.08)


def test_resistance_in_the_three_ways_it_comes_about() -> None:
    w = Winding(27, 32e-3, 24e-3, 0.4e-3)
    turn = math.hypot(math.pi * 32e-3, 24e-3 / 27)
    assert winding.wire_length(w) == pytest.approx(27 * turn, rel=1e-12)
    direct = COPPER_RESISTIVITY_20C * 27 * turn / (math.pi * 0.2e-3**2)
    assert winding.r_dc(w) == pytest.approx(direct, rel=1e-12)
    # 0.00393 a kelvin (IEC 60028)
    assert winding.r_dc(w, 45.0) / winding.r_dc(w) == pytest.approx(1 + 0.00393 * 25, rel=1e-12)
    # Thin skin: a tube one skin depth thick under the surface; 66.1 um at 1 MHz, at 100 MHz a tenth of it
    depth = 66.085e-6 / 10
    tube = COPPER_RESISTIVITY_20C * 27 * turn / (math.pi * depth * (0.4e-3 - depth))
    phi = float(medhurst.phi(24 / 32, 0.4 * 27 / 24))
    assert float(winding.resistance(w, 100e6)) == pytest.approx(tube * phi, rel=2e-3)


def test_any_winding_that_can_exist_has_values() -> None:
    """No size within the limits gives a value that is not positive and finite, or a coupling of one."""
    rng = np.random.default_rng(7)
    for _ in range(300):
        wire = 10 ** rng.uniform(-5, -2)
        diameter = wire * 10 ** rng.uniform(0.1, 4.9)
        turns = 10 ** rng.uniform(-2, 2.5)
        w = Winding(turns, diameter, turns * wire * 10 ** rng.uniform(0, 3), wire)
        other = winding.close_wound(10 ** rng.uniform(-2, 2), diameter, wire)
        f_hz = 10 ** rng.uniform(0, 11)
        found = [winding.inductance(w), winding.self_capacitance(w), winding.wire_length(w), winding.r_dc(w)]
        found += [float(winding.resistance(w, f_hz)), float(winding.q(w, f_hz))]
        m = winding.mutual(w, other, diameter * 10 ** rng.uniform(-3, 2))
        found.append(m)
        assert all(math.isfinite(value) and value > 0 for value in found)
        assert winding.coupling(m, winding.inductance(w), winding.inductance(other)) < 1


# --- what cannot be wound -----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("sizes", "says"),
    [
        ((27, 32e-3, 24e-3, 1e-3), "need 27 mm.*only 24 mm"),
        ((27, 32e-3, 24e-3, 0.4e-3, 0.9e-3), "0.9 mm wire need 24.3 mm"),
        ((0, 32e-3, 24e-3, 0.4e-3), "turns must be more than zero"),
        ((-3, 32e-3, 24e-3, 0.4e-3), "turns"),
        ((27, math.nan, 24e-3, 0.4e-3), "diameter"),
        ((27, 32e-3, math.inf, 0.4e-3), "length"),
        ((27, 32e-3, 24e-3, 0.0), "wire"),
        ((27, 32e-3, 24e-3, 0.4e-3, 0.3e-3), "thinner than its copper"),
        ((2, 1e-3, 24e-3, 1e-3), "no form"),
        ((1e6, 32e-3, 1e6, 0.4e-3), "0.01 to 2000 turns"),
        ((1e-9, 32e-3, 24e-3, 0.4e-3), "0.01 to 2000 turns"),
        ((3, 1e3, 24e-3, 0.4e-3), "too thin"),
    ],
)
def test_refused(sizes: tuple[float, ...], says: str) -> None:
    with pytest.raises(WindingError, match=says):
        Winding(*sizes)


def test_just_fits() -> None:
    assert winding.close_wound(27, 32e-3, 0.4e-3, 0.44e-3).length_m == pytest.approx(27 * 0.44e-3)
    assert Winding(24, 32e-3, 24e-3, 1e-3).pitch_m == pytest.approx(1e-3)


def test_windings_may_overlap_only_where_one_clears_the_other() -> None:
    grid = Winding(27, 32e-3, 24e-3, 0.4e-3)
    with pytest.raises(WindingError, match="overlap"):
        winding.mutual(grid, winding.close_wound(5, 32e-3, 0.4e-3), -2e-3)
    over = winding.close_wound(5, 34e-3, 0.4e-3)
    assert winding.mutual(grid, over, -10e-3) > winding.mutual(grid, over, 0.0)
    with pytest.raises(WindingError, match="gap"):
        winding.mutual(grid, over, math.nan)
