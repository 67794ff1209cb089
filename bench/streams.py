"""stdin, stdout and stderr as they come: closed, or of an encoding that does not know all our signs."""

from __future__ import annotations

import codecs
import io
import os
import sys

_PLAIN = {
    "±": "+/-",
    "°": " deg",
    "µ": "u",
    "μ": "u",
    "Ω": "ohm",
    "·": "*",
    "×": "x",
    "√": "sqrt ",
    "½": " 1/2",
    "≤": "<=",
    "≥": ">=",
    "−": "-",
    "–": "-",
    "—": "-",
    "…": "...",
    "→": "->",
    "’": "'",
    "‘": "'",
    "“": '"',
    "”": '"',
}
_HANDLER = "regenbench-plain"


def _plain(problem: UnicodeError) -> tuple[str, int]:
    if not isinstance(problem, UnicodeEncodeError):
        raise problem
    lost = problem.object[problem.start : problem.end]
    return "".join(_PLAIN.get(letter, "?") for letter in lost), problem.end


def told_at_terminal() -> bool:
    """Whether stderr is looked at by a person."""
    return sys.stderr is not None and sys.stderr.isatty()


def tell(text: str) -> None:
    """A note to stderr: within a terminal's columns, on one line where another program reads it."""
    import click

    if told_at_terminal():
        from bench.wrapping import wrapped

        text = "\n".join(wrapped(line, "") for line in text.splitlines())
    click.echo(text, err=True)


def prepare() -> None:
    """Put nothing where a stream is closed; have stdout and stderr write plain letters for what they cannot encode."""
    if sys.stdin is None:
        sys.stdin = open(os.devnull, encoding="utf-8")  # noqa: SIM115, PTH123
    for name in ("stdout", "stderr"):
        if getattr(sys, name) is None:
            setattr(sys, name, open(os.devnull, "w", encoding="utf-8"))  # noqa: SIM115, PTH123
    codecs.register_error(_HANDLER, _plain)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper) and stream.encoding.lower().replace("-", "") != "utf8":
            stream.reconfigure(errors=_HANDLER)
