"""What all tests share: property tests that say the same on every machine."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

# No time limit, since a machine may stand still, and the same examples each time: new ones are looked for by
# tests/benchmarks/fuzz.py.
settings.register_profile(
    "steady", deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow]
)
settings.load_profile("steady")
