"""A short run of tests/benchmarks/fuzz.py: whatever comes, a parser ends in its documented errors, and soon."""

from __future__ import annotations

from pathlib import Path

import fuzz
import pytest

INPUTS = {"plan": 60}


@pytest.mark.parametrize("parser", fuzz.SHARES)
def test_a_parser_ends_in_its_documented_errors(parser: str) -> None:
    tally = fuzz.fuzz((parser, INPUTS.get(parser, 200), 29))
    assert not tally.faults
    assert tally.accepted >= 1
    # Frames are not refused but passed over.
    assert tally.refused >= 1 or parser == "frames"


def test_a_parser_that_lets_a_foreign_error_through_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    real = fuzz.targets

    def broken(place: Path) -> dict[str, object]:
        found = real(place)
        found["frames"].parse = lambda data: data[999_999_999]
        return found  # type: ignore[no-any-return]

    monkeypatch.setattr(fuzz, "targets", broken)
    assert len(fuzz.fuzz(("frames", 10, 1)).faults) == 10
