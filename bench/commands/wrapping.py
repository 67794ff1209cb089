"""Sentences broken to the width of an eighty-column terminal."""

from __future__ import annotations

import textwrap

COLUMNS = 80


def wrapped(text: str, indent: str = "  ", hang: str = "") -> str:
    """`text` within 80 columns, `indent` before each line and `hang` more before all but the first."""
    return textwrap.fill(
        text,
        COLUMNS - 1,
        initial_indent=indent,
        subsequent_indent=indent + hang,
        break_long_words=False,
        break_on_hyphens=False,
    )
