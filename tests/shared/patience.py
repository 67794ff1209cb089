"""Time limits of tests on a machine that may stand still for a moment.

What must come is waited for long; what must not come is not, and a mishap that only a limit ends is met with a short one first.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress

import pytest

from drivers.errors import WireError

LONG_S = 30.0


def with_longer_limits(
    scenario: Callable[[float], None], limits_s: tuple[float, ...] = (0.12, 1.0, 5.0)
) -> None:
    """Run a scenario with a short time limit and, where that fails, with longer ones.

    A program at fault fails with the longest too; a machine that stood still does not.
    """
    *short, longest = limits_s
    for limit_s in short:
        with suppress(AssertionError, WireError, pytest.fail.Exception):
            scenario(limit_s)
            return
    scenario(longest)
