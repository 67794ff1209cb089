"""Sentences on an eighty-column terminal."""

from __future__ import annotations

import pytest

from bench.wrapping import COLUMNS, wrapped


@pytest.mark.parametrize(
    "held",
    [
        "3 117.240 ± 0.084 kHz",
        "20 000 kHz",
        "15.1 ± 0.1 µH",
        "--stray 12pF",
        "12 pF",
        "2.7 %",
        "4.57 ± 0.12 mS",
    ],
)
def test_what_belongs_together_stays_on_a_line(held: str) -> None:
    for before in range(COLUMNS - 30, COLUMNS):
        lines = wrapped(f"{'x' * before} and then {held} and so on", "", "  ").splitlines()
        assert all(len(line) < COLUMNS for line in lines)
        assert any(held in line for line in lines), lines


def test_nothing_is_lost_and_words_are_not_broken() -> None:
    text = "A sentence of 3 words or 1200 of them, 1 000 times over, `fit --all` included. " * 5
    assert wrapped(text, "").split() == text.split()
