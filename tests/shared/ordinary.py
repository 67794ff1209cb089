"""Commands called as somebody who may not write wherever he likes, also where the tests are run by the administrator."""

from __future__ import annotations

import functools
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Sequence

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


_PROGRAM = """
import contextlib, io, json, sys
from bench.cli import main
done = []
for words in json.load(sys.stdin):
    out, err, code = io.StringIO(), io.StringIO(), 0
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        try:
            main(words)
        except SystemExit as stop:
            code = stop.code or 0
    done.append((code, out.getvalue(), err.getvalue()))
print(json.dumps(done))
"""


def regenbench(*commands: Sequence[str]) -> list[tuple[int, str, str]]:
    """Exit code, stdout and stderr of commands, one after another in a process of their own; skips where nobody can be bound."""
    prefix = _prefix()
    if prefix is None:
        pytest.skip("the administrator may write anywhere, and cannot be bound here")
    done = subprocess.run(
        [*prefix, sys.executable, "-c", _PROGRAM],
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        input=json.dumps(commands),
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return [(code, out, err) for code, out, err in json.loads(done.stdout)]
