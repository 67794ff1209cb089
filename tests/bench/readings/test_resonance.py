"""A resonance reading from cold: found, zoomed in on, and stopped when known; the analyzer is a circuit worked out here."""

from __future__ import annotations

import numpy as np
import pytest

from bench.errors import ReadingError
from bench.physics import sweep_design as design
from bench.physics.resonance import fit_sweep
from bench.readings.resonance_run import Guess, measure_resonance, merged
from drivers.roles import AnalyzerLimits, Floats, Sweep


class Bench:
    """Loop, coupled tank and metre of cable by circuit theory; uniform sweeps of at most 101 points, with noise."""

    limits = AnalyzerLimits(1e5, 60e6, 101, 1e-3)

    def __init__(self, f0_hz: float, q: float, beta: float, *, noise: float = 1e-3, seed: int = 1) -> None:
        self.f0_hz, self.q, self.beta, self.noise = f0_hz, q, beta, noise
        self.random = np.random.default_rng(seed)
        self.points = 0
        self.sweeps = 0
        self.even = 0

    def identify(self) -> str:
        return "test analyzer"

    def close(self) -> None:
        return None

    def sweep(self, start_hz: float, stop_hz: float, points: int) -> Sweep:
        assert points <= 101
        self.even += 1
        return self._seen(np.linspace(start_hz, stop_hz, points))

    def sweep_at(self, f_hz: Floats) -> Sweep:
        assert 2 <= len(f_hz) <= self.limits.list_points
        return self._seen(f_hz)

    def _seen(self, f_hz: Floats) -> Sweep:
        points = len(f_hz)
        omega, omega0 = 2 * np.pi * f_hz, 2 * np.pi * self.f0_hz
        l_h, loop_h, loop_ohm = 12e-6, 0.4e-6, 0.3
        own_ohm = omega0 * l_h / self.q
        port = 50 + loop_ohm
        mutual = np.sqrt(self.beta * own_ohm * (port**2 + (omega0 * loop_h) ** 2) / port) / omega0
        tank = own_ohm + 1j * (omega * l_h - omega0**2 * l_h / omega)
        z = loop_ohm + 1j * omega * loop_h + (omega * mutual) ** 2 / tank
        s11 = (z - 50) / (z + 50) * np.exp(-2j * omega / (0.66 * 299792458.0))
        self.points += points
        self.sweeps += 1
        return Sweep(
            f_hz, s11 + self.noise * (self.random.normal(size=points) + 1j * self.random.normal(size=points))
        )


class Lister(Bench):
    """The same, taking free lists of frequencies."""

    limits = AnalyzerLimits(1e5, 60e6, 101, 1e-3, 101)


@pytest.mark.parametrize(("q", "beta"), [(30.0, 0.5), (100.0, 0.05), (300.0, 0.15)])
def test_free_lists_take_fewer_points_where_the_instrument_has_them(q: float, beta: float) -> None:
    for seed, f0_hz in enumerate((3.3e6, 8.2e6)):
        for guess in (
            None,
            Guess(f0_hz * (1 + 0.3 / q), q / (1 + beta), 0.3 * f0_hz / q, 2 * beta / (1 + beta)),
        ):
            lister, even = (kind(f0_hz, q, beta, seed=seed) for kind in (Lister, Bench))
            found = measure_resonance(lister, 3e6, 9e6, q_goal=0.01, guess=guess).resonance
            measure_resonance(even, 3e6, 9e6, q_goal=0.01, guess=guess)
            assert lister.even == 0
            if guess is None:
                assert lister.points < even.points
            # Foretold, one sweep of more points is worth more than two of fewer.
            assert guess is None or (lister.sweeps, lister.points) <= (even.sweeps, even.points)
            assert found.q is not None
            assert found.q_u is not None
            assert found.q_u < 0.01 * found.q
            assert abs(found.q / q - 1) < 0.04


def test_an_instrument_of_short_lists_is_swept_evenly() -> None:
    bench = Lister(5e6, 100.0, 0.15)
    bench.limits = AnalyzerLimits(1e5, 60e6, 101, 1e-3, 11)
    reading = measure_resonance(bench, 3e6, 9e6, q_goal=0.01)
    assert bench.even == bench.sweeps == len(reading.sweeps)


def test_lists_too_short_for_a_band_still_zoom() -> None:
    bench = Lister(5e6, 100.0, 0.15)
    bench.limits = AnalyzerLimits(1e5, 60e6, 101, 1e-3, 20)
    found = measure_resonance(bench, 3e6, 9e6, q_goal=0.01).resonance
    assert bench.even == 1
    assert found.q == pytest.approx(100.0, rel=0.04)


def test_a_list_beside_the_resonance_is_no_reading_of_it() -> None:
    """Foretold wrongly, by two to twenty bandwidths: found all the same, and right."""
    for off in (-20.0, -4.0, 2.0, 8.0):
        bench = Lister(5e6, 100.0, 0.15, seed=3)
        guess = Guess(5e6 * (1 + off / 87.0), 87.0, 2e4)
        found = measure_resonance(bench, 3e6, 9e6, q_goal=0.01, guess=guess).resonance
        assert found.f0_hz == pytest.approx(5e6, rel=1e-3)
        assert found.q == pytest.approx(100.0, rel=0.04)


@pytest.mark.parametrize(
    ("second_hz", "told"), [(5.15e6, ("two resonances",)), (5.6e6, ("two resonances", "stray"))]
)
def test_two_resonances_are_told_from_lists_too(second_hz: float, told: tuple[str, ...]) -> None:
    """Near by they are resolved; far off, a first look has but a point or two on the other."""

    class Two(Lister):
        def _seen(self, f_hz: Floats) -> Sweep:
            sweep = super()._seen(f_hz)
            second = 0.15 / (1 + 2j * 87.0 * (f_hz / second_hz - 1))
            return Sweep(f_hz, sweep.s11 + second * np.exp(-4j * np.pi * f_hz / (0.66 * 299792458.0)))

    found = measure_resonance(Two(5e6, 100.0, 0.15), 3e6, 9e6, q_goal=0.01).resonance
    assert any(found.says(name) for name in told)
    assert found.f0_hz is not None
    assert min(abs(found.f0_hz - 5e6), abs(found.f0_hz - second_hz)) < 5e3


@pytest.mark.parametrize("beta", [0.05, 0.15, 0.5])
@pytest.mark.parametrize("q", [30.0, 100.0, 300.0])
def test_from_cold_over_a_band_of_three_to_one(q: float, beta: float) -> None:
    for seed, f0_hz in enumerate((3.3e6, 5.1e6, 8.2e6)):
        bench = Bench(f0_hz, q, beta, seed=seed)
        reading = measure_resonance(bench, 3e6, 9e6, q_goal=0.01)
        found = reading.resonance
        assert found.q is not None
        assert found.q_u is not None
        assert found.f0_hz is not None
        # quality.md: no error above 5 %.
        assert abs(found.q / q - 1) < 0.05
        # With a tight loop the circuit is no longer one circle: up to 2 % off, and told.
        off = abs(found.q - q)
        assert off < 4 * found.q_u or (off < 0.02 * q and any("loosen" in w for w in found.warnings))
        # The loop's reactance pulls f0 by up to about beta/(2Q).
        assert abs(found.f0_hz / f0_hz - 1) < beta / q
        # The saved sweep, read again, gives the row's numbers.
        again = fit_sweep(*merged(reading.sweeps))
        assert again.q == found.q


def test_where_nothing_resonates_it_says_so_and_what_to_do() -> None:
    with pytest.raises(ReadingError, match="loop nearer to the coil"):
        measure_resonance(Bench(20e6, 100.0, 0.1), 3e6, 5e6, q_goal=0.01)


@pytest.mark.parametrize("off", [-9.0, -7.0, 0.5, 7.0, 9.0])
def test_a_resonance_beside_the_foretold_sweep_is_found_by_its_skirts(off: float) -> None:
    # Three bandwidths (k = 1) of doubt, and the truth up to three of these away: no search of the band.
    f0_hz, q, beta = 5e6, 120.0, 0.2
    width = f0_hz * (1 + beta) / q
    for seed in range(3):
        bench = Bench(f0_hz, q, beta, seed=seed)
        guess = Guess(f0_hz - off * width, q / (1 + beta), 3.0 * width)
        reading = measure_resonance(bench, 3e6, 9e6, q_goal=0.01, guess=guess)
        found = reading.resonance
        assert found.q is not None
        assert found.q_u is not None
        assert abs(found.q - q) < 4 * found.q_u + 0.01 * q
        assert not reading.search
        assert bench.sweeps == (1 if off == 0.5 else 2)
        assert bench.points <= 41 or off != 0.5


class Disturbed(Bench):
    """Something else is heard at one point of the first sweep."""

    def _seen(self, f_hz: Floats) -> Sweep:
        seen = super()._seen(f_hz)
        if self.sweeps == 1:
            at = int(np.argmin(np.abs(f_hz - self.f0_hz))) + 2
            seen.s11[at] += 0.1 + 0.1j
        return seen


def test_one_sweep_with_a_stray_point_is_not_taken_at_its_word() -> None:
    for seed in range(3):
        guess = Guess(5e6, 100.0, 1e4)
        plain, disturbed = Bench(5e6, 110.0, 0.1, seed=seed), Disturbed(5e6, 110.0, 0.1, seed=seed)
        measure_resonance(plain, 3e6, 9e6, q_goal=0.01, guess=guess)
        found = measure_resonance(disturbed, 3e6, 9e6, q_goal=0.01, guess=guess).resonance
        assert plain.sweeps == 1
        assert disturbed.sweeps == 2
        assert found.q is not None
        assert found.q_u is not None
        assert abs(found.q - 110.0) < 4 * found.q_u


@pytest.mark.parametrize("q_goal", [0.0030, 0.0033, 0.0036])
def test_how_often_one_sweep_falls_short_is_foretold(q_goal: float) -> None:
    # The same sweep again and again with other noise: how often the fit states more than the goal.
    f_hz = np.linspace(4.9e6, 5.1e6, 41)
    fits = [
        fit_sweep(f_hz, Bench(5e6, 100.0, 0.15, seed=seed).sweep(4.9e6, 5.1e6, 41).s11) for seed in range(150)
    ]
    shares = np.array([found.q_u / found.q for found in fits if found.q and found.q_u])
    foretold = design.falls_short(np.array([np.median(shares)]), q_goal, 41)[0]
    assert len(shares) == 150
    assert abs(np.mean(shares > q_goal) - foretold) < 0.12


def test_hopeless_noise_is_no_reading() -> None:
    with pytest.raises(ReadingError):
        measure_resonance(Bench(4e6, 100.0, 0.02, noise=0.1), 3e6, 6e6, q_goal=0.01)


def test_sweeping_stops_when_q_is_known() -> None:
    easy = Bench(4e6, 100.0, 0.15, noise=1e-4)
    measure_resonance(easy, 3e6, 6e6, q_goal=0.01)
    hard = Bench(4e6, 100.0, 0.15, noise=6e-3)
    measure_resonance(hard, 3e6, 6e6, q_goal=0.01)
    assert easy.sweeps == 2
    assert hard.points > easy.points
