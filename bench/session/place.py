"""Where a session lies: its folder by path or by bare name."""

from __future__ import annotations

import difflib
import os
import re
from contextlib import suppress
from pathlib import Path

from bench.errors import SessionError

SESSIONS = Path("sessions")
PLAN = "plan.toml"

_BARE = re.compile(r"[^\W.][\w .+-]{0,79}")


def find(name: str | Path) -> Path:
    """Folder of a session given by its path or by its bare name under ``sessions``.

    Raises
    ------
    SessionError
        A bare name that no folder should have.
    """
    text = str(name)
    if any(ord(letter) < 32 for letter in text):
        raise SessionError(f"{text[:80]!r} cannot be a session's name: it holds a control character.")
    path = Path(text)
    if path.is_absolute() or len(path.parts) > 1 or text.startswith(("./", ".\\")) or text in (".", ".."):
        # "new/../old" is old, whether or not there is a new.
        return Path(os.path.normpath(path))
    with suppress(OSError):
        if (path / PLAN).is_file() and not (SESSIONS / path / PLAN).is_file():
            return path
    if not _BARE.fullmatch(text) or text != text.strip():
        raise SessionError(
            f"{text[:80]!r} cannot be a session's name: use at most 80 letters, digits, space, - _ + and ., beginning with "
            "a letter or digit; or give a path."
        )
    return SESSIONS / path


def no_session(folder: Path) -> str:
    near = ""
    with suppress(OSError):
        names = [
            entry.name
            for entry in os.scandir(folder.parent)
            if entry.is_dir() and not entry.name.startswith(".")
        ]
        close = difflib.get_close_matches(folder.name, names, n=1, cutoff=0.5)
        near = f" Did you mean {folder.parent / close[0]}?" if close else ""
    return f"There is no session {folder}.{near} Make it with `regenbench start {folder.name}`."
