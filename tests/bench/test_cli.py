"""What every command shares: its text on terminals and in files that know few signs."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

EXAMPLE = Path(__file__).parents[2] / "sessions" / "example"


def call(place: Path, encoding: str, *words: str) -> subprocess.CompletedProcess[bytes]:
    return subprocess.run(
        [sys.executable, "-c", "from bench.cli import main; main()", *words],
        cwd=place,
        env={**os.environ, "PYTHONIOENCODING": encoding, "PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True,
        stdin=subprocess.DEVNULL,
        check=False,
    )


@pytest.mark.parametrize("encoding", ["cp437", "cp1252"])
def test_signs_that_an_encoding_lacks_are_written_plainly(tmp_path: Path, encoding: str) -> None:
    """cp1252 is what Windows gives a program whose output goes into a file."""
    shutil.copytree(EXAMPLE, tmp_path / "s")
    done = call(tmp_path, encoding, "dial", "./s", "--band", "3.5MHz", "3.8MHz")
    assert (done.returncode, done.stderr) == (0, b"")
    told = done.stdout.decode(encoding)
    assert "sqrt" in told or encoding == "cp437"
    assert "?" not in told


def test_json_reads_the_same_whatever_the_encoding(tmp_path: Path) -> None:
    shutil.copytree(EXAMPLE, tmp_path / "s")
    written = [
        call(tmp_path, encoding, "sidechecks", "./s", "--json").stdout for encoding in ("utf-8", "cp1252")
    ]
    assert written[0] == written[1]
    assert json.loads(written[0].decode("ascii"))


@pytest.mark.skipif(os.name == "nt", reason="closes descriptors by a shell")
@pytest.mark.parametrize("closed", ["<&-", ">&-", "2>&-", "<&- >&- 2>&-"])
def test_a_closed_stream_is_no_reason_to_fail(tmp_path: Path, closed: str) -> None:
    shutil.copytree(EXAMPLE, tmp_path / "a")
    shutil.copytree(EXAMPLE, tmp_path / "b")
    program = f"{sys.executable} -c 'from bench.cli import main; main()'"
    done = subprocess.run(
        ["sh", "-c", f"{program} compare ./a ./b --no-chart {closed}"],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)},
        capture_output=True,
        check=False,
    )
    assert (done.returncode, done.stderr) == (0, b"")
