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


@pytest.mark.skipif(os.name == "nt", reason="needs a pseudo-terminal")
@pytest.mark.parametrize(
    "words", [("predict", "plan.toml"), ("winding", "--turns", "9", "--length", "1in", "--at", "90MHz")]
)
def test_notes_are_wrapped_at_terminals_only(tmp_path: Path, words: tuple[str, ...]) -> None:
    import pty

    text = (EXAMPLE / "plan.toml").read_text(encoding="utf-8")
    kept = [line for line in text.splitlines() if not line.startswith(("gm =", "rp ="))]
    (tmp_path / "plan.toml").write_text("\n".join(kept), encoding="utf-8")
    if words[0] == "winding":
        words = (*words, "--diameter", "32mm", "--wire", "0.4mm")
    done = call(tmp_path, "utf-8", *words)
    lines = done.stderr.decode().splitlines()
    assert done.returncode == 0
    assert lines
    assert all(line.endswith(".") for line in lines)
    assert any(len(line) >= 80 for line in lines)
    ours, theirs = pty.openpty()
    try:
        with subprocess.Popen(
            [sys.executable, "-c", "from bench.cli import main; main()", *words],
            cwd=tmp_path,
            env={**os.environ, "PYTHONIOENCODING": "utf-8", "PYTHONPATH": os.pathsep.join(sys.path)},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=theirs,
        ):
            os.close(theirs)
            shown = b""
            while True:
                try:
                    piece = os.read(ours, 4096)
                except OSError:  # so Linux tells that nobody holds the other end any more
                    break
                if not piece:
                    break
                shown += piece
    finally:
        os.close(ours)
    assert all(len(line) < 80 for line in shown.decode().splitlines())
    assert shown.decode().split() == done.stderr.decode().split()
