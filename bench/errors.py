"""What can go wrong in the user's own work, as one small tree.

BenchError            exit code 1: it could not be done
├── PlanError         plan.toml says something that cannot be used
├── QuantityError     a value is not written as the trade writes it
├── SessionError      a session folder is missing, held by another run, or damaged
└── ReadingError      a reading did not come out; nothing was recorded

Errors on a wire have a tree of their own in `drivers.errors`.
"""

from __future__ import annotations


class BenchError(Exception):
    """Base of all errors that end a command with one clear line."""

    exit_code = 1


class PlanError(BenchError):
    """plan.toml says something that cannot be used."""


class QuantityError(BenchError, ValueError):
    """A value is not written as the trade writes it."""

    exit_code = 2


class SessionError(BenchError):
    """A session folder is missing, held by another run, or damaged."""


class ReadingError(BenchError):
    """A reading did not come out; nothing was recorded."""
