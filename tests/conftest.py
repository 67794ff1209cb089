"""What all tests share: property tests that say the same on every machine; the longest tests begin first."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, settings

# No time limit, since a machine may stand still, and the same examples each time: new ones are looked for by
# tests/benchmarks/fuzz.py.
settings.register_profile(
    "steady", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("steady")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """One that takes long and begins last leaves all processors but one idle."""
    items.sort(key=lambda item: item.get_closest_marker("slow") is None)
