# MicroPython has no typing module to name types with.
# mypy: ignore-errors
"""The board's USB serial port, under MicroPython."""

import select
import sys

_poll = select.poll()
_poll.register(sys.stdin, select.POLLIN)


def hear():
    """One byte that has come in, or nothing; never waits."""
    if _poll.poll(0):
        return sys.stdin.buffer.read(1)
    return None


def say(text):
    """Send text as it is."""
    sys.stdout.buffer.write(text.encode())
