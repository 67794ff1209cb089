"""Writing that survives a pulled plug: whole files at once, or one line more; never half of either."""

from __future__ import annotations

import errno
import os
import tempfile
from contextlib import suppress
from pathlib import Path

from bench.errors import SessionError

_REASONS = {
    errno.ENOSPC: "the disk is full. What was recorded before is kept; free some space and run the same command again.",
    errno.EDQUOT: "the disk quota is used up. What was recorded before is kept; free some space and run again.",
    errno.EROFS: "the disk is read-only. Copy the session to one that can be written.",
    errno.EACCES: "it may not be written. Change its permissions, or copy the session to a folder of your own.",
    errno.EPERM: "it may not be written. Change its permissions, or copy the session to a folder of your own.",
    errno.ENAMETOOLONG: "the name is too long. Choose a shorter one.",
    errno.EISDIR: "it is a folder where a file belongs. Move the folder elsewhere.",
    errno.ENOTDIR: "a part of its path is a file, not a folder. Give another path.",
    errno.ELOOP: "its links lead in a circle. Give the folder's own path.",
    errno.EIO: "the disk gives errors. Copy the session to another disk as soon as you can.",
    errno.EMFILE: "too many files are open. Close other programs, then run the same command again.",
    errno.ENFILE: "too many files are open. Close other programs, then run the same command again.",
    errno.ENOMEM: "there is no memory left. Close other programs, then run the same command again.",
}
_READ_REASONS = {
    errno.EACCES: "it may not be read. Change its permissions, or copy the session as a user who may read it.",
    errno.EPERM: "it may not be read. Change its permissions, or copy the session as a user who may read it.",
}


def cannot_write(path: Path, problem: OSError) -> SessionError:
    """The error for a file that could not be written: what, why, and the next move."""
    reason = _REASONS.get(
        problem.errno or 0,
        f"{problem.strerror or problem}. What was recorded before is kept; put that right, then run the same command again.",
    )
    return SessionError(f"{path}: {reason}")


def cannot_read(path: Path | str, problem: OSError) -> SessionError:
    """The error for a file that could not be read: what, why, and the next move."""
    known = _REASONS | _READ_REASONS
    reason = known.get(
        problem.errno or 0, f"{problem.strerror or problem}. Put that right, then run the same command again."
    )
    return SessionError(f"{path} cannot be read: {reason}")


def refused(problem: OSError) -> str:
    """What to say of a refusal by the system that nothing nearer to it has put into words."""
    reason = _REASONS.get(
        problem.errno or 0,
        f"{problem.strerror or problem}. What was recorded is kept; put that right, then run the same command again.",
    )
    name = problem.filename
    shown = str(name) if isinstance(name, str | os.PathLike) else ""
    if len(shown) > 100:
        shown = f"{shown[:100]}…"
    return f"{shown}: {reason}" if shown else f"The system refused: {reason}"


def _sync_folder(folder: Path) -> None:
    # Windows has no way to sync a folder, and does not need it.
    with suppress(OSError, AttributeError):
        handle = os.open(folder, os.O_RDONLY | getattr(os, "O_DIRECTORY", 0))
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _write_all(handle: int, data: bytes) -> None:
    view = memoryview(data)
    while view:
        view = view[os.write(handle, view) :]


def write_whole(path: Path, data: bytes | str) -> None:
    """Put a file in place whole, or leave what was there.

    Raises
    ------
    SessionError
        It could not be written.
    """
    raw = data.encode("utf-8") if isinstance(data, str) else data
    try:
        handle, temporary = tempfile.mkstemp(prefix=".part-", dir=path.parent)
        try:
            try:
                _write_all(handle, raw)
                os.fsync(handle)
            finally:
                os.close(handle)
            # mkstemp makes files that only their owner can read; a session is shared like any other file.
            mask = os.umask(0)
            os.umask(mask)
            Path(temporary).chmod(0o666 & ~mask)
            Path(temporary).replace(path)
        except BaseException:
            with suppress(OSError):
                Path(temporary).unlink()
            raise
        _sync_folder(path.parent)
    except OSError as problem:
        raise cannot_write(path, problem) from problem


def append(path: Path, data: bytes, *, sync: bool = True) -> None:
    """Add bytes to a file's end and see them onto the disk; on failure the file is as long as it was.

    Raises
    ------
    SessionError
        It could not be written.
    """
    try:
        handle = os.open(path, os.O_WRONLY | os.O_APPEND | os.O_CREAT | getattr(os, "O_BINARY", 0), 0o666)
        try:
            size = os.fstat(handle).st_size
            try:
                _write_all(handle, data)
                if sync:
                    os.fsync(handle)
            except OSError:
                with suppress(OSError):
                    os.ftruncate(handle, size)
                raise
        finally:
            os.close(handle)
    except OSError as problem:
        raise cannot_write(path, problem) from problem


def tail(path: Path) -> tuple[int, bytes]:
    """Where the bytes after the last line end begin, and those bytes (empty where the file is whole or is not there)."""
    try:
        with path.open("rb") as stream:
            end = stream.seek(0, os.SEEK_END)
            kept = b""
            position = end
            while position > 0:
                step = min(position, 65536)
                position -= step
                stream.seek(position)
                kept = stream.read(step) + kept
                place = kept.rfind(b"\n")
                if place >= 0:
                    return position + place + 1, kept[place + 1 :]
            return 0, kept
    except FileNotFoundError:
        return 0, b""
    except OSError as problem:
        raise cannot_read(path, problem) from problem


def cut(path: Path, size: int) -> None:
    """Shorten a file to a size, durably."""
    try:
        with path.open("r+b") as stream:
            stream.truncate(size)
            os.fsync(stream.fileno())
    except OSError as problem:
        raise cannot_write(path, problem) from problem
