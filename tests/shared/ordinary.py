"""Commands called as somebody who may not write wherever he likes, also where the tests are run by the administrator."""

from __future__ import annotations

import functools
import os
import shutil
import subprocess
import sys

import pytest

# Without this capability the administrator is bound by a folder's permissions like its owner.
_BOUND = ("setpriv", "--bounding-set", "-dac_override", "--inh-caps", "-dac_override")


@functools.cache
def _prefix() -> tuple[str, ...] | None:
    if not hasattr(os, "geteuid"):
        return None
    if os.geteuid():
        return ()
    if shutil.which("setpriv") is None:
        return None
    tried = subprocess.run([*_BOUND, "true"], capture_output=True, check=False)
    return _BOUND if tried.returncode == 0 else None


def regenbench(*words: str) -> tuple[int, str, str]:
    """Exit code, stdout and stderr of a command in a process of its own; skips where nobody can be bound."""
    prefix = _prefix()
    if prefix is None:
        pytest.skip("the administrator may write anywhere, and cannot be bound here")
    done = subprocess.run(
        [*prefix, sys.executable, "-c", "from bench.cli import main; main()", *words],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    return done.returncode, done.stdout, done.stderr
