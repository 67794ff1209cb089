"""Two ways of reading one onset: expected values worked out by hand."""

from __future__ import annotations

from typing import Any

import pytest

from bench.measuring.agreement import disagreements, onset_of_way, sigmas_apart


def rows(method: str, *angles: float | None, u: float = 0.5) -> list[dict[str, Any]]:
    return [{"method": method, "angle_deg": angle, "angle_u_deg": u} for angle in angles]


def test_distance_counts_both_uncertainties() -> None:
    # 3-4-5: a difference of 10 against an uncertainty of 5.
    assert sigmas_apart(110.0, 3.0, 120.0, 4.0) == pytest.approx(2.0)


def test_ways_within_their_uncertainties_agree() -> None:
    assert disagreements([*rows("level", 120.0, 120.4, 119.8), *rows("curve", 121.0)]) == []
    assert disagreements(rows("level", 120.0, 120.4)) == []
    assert disagreements([*rows("level", 120.0), *rows("typed", 128.0, u=5.0)]) == []


def test_ways_far_apart_are_told_with_both_values_and_the_next_move() -> None:
    (told,) = disagreements(
        [*rows("curve", 131.0), *rows("level", 120.0, 120.4, 119.6), *rows("level", None)]
    )
    assert "by level (120.0" in told
    assert "by curve (131.0" in told
    assert "disagree by 11.0°" in told
    assert "withdraw" in told


def test_approaches_share_what_their_scatter_does_not_show() -> None:
    _, u = onset_of_way(rows("level", *[120.0] * 100, u=0.1))
    assert u >= 0.25
