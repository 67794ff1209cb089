"""Marks and curves of a scale, against scipy and against counting by hand."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.interpolate import PchipInterpolator

from bench.charts.scale import round_marks, smooth


@pytest.mark.parametrize("seed", range(8))
def test_smooth_is_the_published_monotone_cubic(seed: int) -> None:
    # scipy's PCHIP is the same published method, made by others.
    rng = np.random.default_rng(seed)
    x = np.cumsum(rng.uniform(0.1, 2.0, 9))
    y = np.cumsum(rng.uniform(0.0, 3.0, 9)) if seed % 2 else rng.normal(size=9)
    at = np.linspace(x[0], x[-1], 301)
    np.testing.assert_allclose(smooth(x, y, at), PchipInterpolator(x, y)(at), atol=1e-12)


def test_smooth_with_few_points() -> None:
    np.testing.assert_allclose(smooth([2.0], [7.0], [0.0, 2.0, 9.0]), 7.0)
    np.testing.assert_allclose(
        smooth([1.0, 3.0], [10.0, 20.0], [0.0, 1.0, 2.0, 3.0, 4.0]), [5, 10, 15, 20, 25]
    )


def test_smooth_runs_straight_on_beyond_its_points() -> None:
    beyond = smooth([0.0, 1.0, 2.0], [0.0, 1.0, 3.0], [2.0, 3.0, 4.0, 5.0])
    assert beyond[0] == pytest.approx(3.0)
    assert np.ptp(np.diff(beyond)) < 1e-12


def test_an_even_scale_is_graduated_like_a_ruler() -> None:
    marks = round_marks(0, 100, lambda v: 1.5 * v, stroke_gap=0.9, number_gap=11.0)
    assert [m.value for m in marks] == list(range(101))
    assert [m.value for m in marks if m.rank == 0] == list(range(0, 101, 10))
    assert [m.value for m in marks if m.rank == 1] == list(range(5, 100, 10))
    assert [m.place for m in marks] == pytest.approx([1.5 * v for v in range(101)])


def test_whole_divisions_are_not_split() -> None:
    marks = round_marks(0, 10, lambda v: 15.0 * v, stroke_gap=0.9, number_gap=11.0, whole=True)
    assert [m.value for m in marks] == list(range(11))


@settings(max_examples=80, deadline=None)
@given(
    low=st.floats(0.3, 30_000.0),
    ratio=st.floats(1.05, 6.0),
    power=st.sampled_from([-2.0, -1.0, 0.5, 1.0]),
    backwards=st.booleans(),
)
def test_marks_are_round_apart_and_dense(low: float, ratio: float, power: float, backwards: bool) -> None:
    high, length, stroke, number = low * ratio, 160.0, 1.0, 11.0

    def place(value: np.ndarray) -> np.ndarray:
        share = (value**power - low**power) / (high**power - low**power)
        return length * (1 - share if backwards else share)

    marks = round_marks(low, high, place, stroke_gap=stroke, number_gap=number)
    values = np.array([m.value for m in marks])
    assert np.all(np.diff(values) > 0)
    assert values[0] >= low * (1 - 1e-9)
    assert values[-1] <= high * (1 + 1e-9)
    at = np.sort(place(values))
    assert np.min(np.diff(at)) >= stroke * (1 - 1e-9)
    # Never so sparse that one could not place a pointer: steps shrink by no more than 1 to 5 at once.
    assert np.max(np.diff(at)) < 12 * stroke
    numbered = np.sort([m.place for m in marks if m.rank == 0])
    assert len(numbered) >= 2
    assert np.min(np.diff(numbered)) >= number / 2 * (1 - 1e-9)
    for m in marks:
        assert len(f"{m.value:.12g}".replace(".", "").strip("0")) <= 5, m
