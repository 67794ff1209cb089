"""A short run of tests/benchmarks/fuzz.py: whatever comes, a parser ends in its documented errors, and soon."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType

import pytest


def _fuzz() -> ModuleType:
    path = Path(__file__).parents[1] / "benchmarks" / "fuzz.py"
    spec = importlib.util.spec_from_file_location("fuzz", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["fuzz"] = module
    spec.loader.exec_module(module)
    return module


FUZZ = _fuzz()
INPUTS = {"plan": 60}


@pytest.mark.parametrize("parser", FUZZ.SHARES)
def test_a_parser_ends_in_its_documented_errors(parser: str) -> None:
    tally = FUZZ.fuzz((parser, INPUTS.get(parser, 200), 29))
    assert not tally.faults
    assert tally.accepted >= 1
    # Frames are not refused but passed over.
    assert tally.refused >= 1 or parser == "frames"


def test_a_parser_that_lets_a_foreign_error_through_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    real = FUZZ.targets

    def broken(place: Path) -> dict[str, object]:
        found = real(place)
        found["frames"].parse = lambda data: data[999_999_999]
        return found  # type: ignore[no-any-return]

    monkeypatch.setattr(FUZZ, "targets", broken)
    assert len(FUZZ.fuzz(("frames", 10, 1)).faults) == 10
