"""Saved sweeps: Touchstone files in and out.

Files are read by scikit-rf; what it returns is checked here, since a file that was cut short or damaged often still
parses.
"""

from __future__ import annotations

import io
import re
import warnings
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from drivers.errors import SweepFileError

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]

MOST_BYTES = 20_000_000
MOST_POINTS = 100_001
MOST_HZ = 1e13
SUFFIX = re.compile(r"\.(s([1-9]\d?)p|ts)$", re.IGNORECASE)
SAVE_AGAIN = "Save the sweep again as Touchstone (.s1p, .s2p or .ts)."


def read_sweep(path: Path | str) -> tuple[Floats, Complexes]:
    """Frequencies in Hz (n,), rising, and complex S11 (n,) of a Touchstone file, version 1.x or 2.0.

    Of a file with two ports, S11 is taken. S11 stays relative to the file's own reference resistance.

    Raises
    ------
    SweepFileError
        The file is missing, unreadable, cut short, or holds no usable sweep; the message says what and what to do.
    """
    path = Path(path)
    text = _text(path)
    _check_whole(path, text)
    try:
        network = _parse(path.name, text)
        f_hz = np.asarray(network.f, dtype=np.float64)
        s11 = np.asarray(network.s[:, 0, 0], dtype=np.complex128)
    except SweepFileError:
        raise
    # scikit-rf lets anything through that its parser trips over; all of it means the same to the user.
    except Exception as problem:
        raise SweepFileError(
            f"{path}: not a Touchstone file that can be read ({_first_line(problem)}). {SAVE_AGAIN}"
        ) from problem
    return _checked(path, f_hz, s11)


def sweep_text(f_hz: ArrayLike, s11: ArrayLike, notes: Iterable[str] = ()) -> str:
    """A one-port sweep as the text of a Touchstone 1.1 file, every digit kept.

    Parameters
    ----------
    f_hz : (n,) Hz, strictly rising.
    s11 : (n,) complex.
    notes : lines of comment for the head of the file.

    Raises
    ------
    ValueError
        The arrays do not match, the frequencies do not rise, or a value is not finite.
    """
    f = np.asarray(f_hz, dtype=np.float64)
    s = np.asarray(s11, dtype=np.complex128)
    if f.ndim != 1 or f.shape != s.shape or not f.size:
        raise ValueError("a sweep needs as many reflections as frequencies, and at least one")
    if not (np.isfinite(f).all() and np.isfinite(s).all()):
        raise ValueError("a sweep holds a value that is not a finite number")
    if (np.diff(f) <= 0).any():
        raise ValueError("the frequencies of a sweep must rise")
    head = [f"! {line}" for note in notes for line in note.splitlines()]
    rows = [f"{_digits(x)} {y.real!r} {y.imag!r}" for x, y in zip(f.tolist(), s.tolist(), strict=True)]
    return "\n".join([*head, "# Hz S RI R 50", *rows, ""])


def _digits(f_hz: float) -> str:
    return str(int(f_hz)) if f_hz.is_integer() and f_hz < 2**53 else repr(f_hz)


def _first_line(problem: BaseException) -> str:
    lines = str(problem).strip().splitlines()
    return lines[0][:120] if lines else type(problem).__name__


def _text(path: Path) -> str:
    suffix = SUFFIX.search(path.name)
    try:
        if not path.is_file():
            what = "is a folder" if path.is_dir() else "there is no such file"
            raise SweepFileError(f"{path}: {what}. Give the name of a saved sweep.")
        size = path.stat().st_size
        if not size:
            raise SweepFileError(f"{path}: the file is empty. {SAVE_AGAIN}")
        if suffix is None:
            raise SweepFileError(f"{path}: the name does not end like a Touchstone file. {SAVE_AGAIN}")
        if size > MOST_BYTES:
            raise SweepFileError(
                f"{path}: {size / 1e6:.0f} MB is more than one sweep (at most {MOST_BYTES / 1e6:.0f} MB). "
                "Save one sweep in one file."
            )
        text = path.read_bytes().decode("utf-8-sig", errors="replace")
        return text.replace("\r\n", "\n").replace("\r", "\n")
    except OSError as problem:
        raise SweepFileError(f"{path}: cannot be read ({problem.strerror or problem}).") from problem


def _check_whole(path: Path, text: str) -> None:
    """What scikit-rf would pass over in silence or choke on: binary rubbish, more ports, a file cut short."""
    if "\x00" in text or text.count("\ufffd") > len(text) // 20:
        raise SweepFileError(f"{path}: this is not text, so not a Touchstone file. {SAVE_AGAIN}")
    if not re.search(r"^\s*#", text, re.MULTILINE):
        raise SweepFileError(
            f'{path}: the option line that says the units (such as "# Hz S RI R 50") is missing. {SAVE_AGAIN}'
        )
    option = re.search(r"^\s*#([^!\n]*)", text, re.MULTILINE)
    kind = {word.upper() for word in option[1].split()} & {"H", "G"} if option else set()
    if kind:
        raise SweepFileError(
            f"{path}: it holds hybrid ({kind.pop()}) parameters, not S. Save S11 as Touchstone."
        )
    told = re.search(r"^\s*\[version\]\s*(\S*)", text, re.MULTILINE | re.IGNORECASE)
    if told is not None and not told[1].startswith("2."):
        raise SweepFileError(
            f"{path}: Touchstone version {told[1][:20]!r} is not known. Save it as version 1.1 or 2.0."
        )
    version_2 = told is not None
    wrong = next((word for word in _references(text, option) if not _is_resistance(word)), None)
    if wrong is not None:
        raise SweepFileError(
            f"{path}: its reference resistance is {wrong[:20]!r}, and must be more than 0 ohm. Correct it in the option line "
            '(such as "# Hz S RI R 50") or under [Reference], or save the sweep again.'
        )
    named = SUFFIX.search(path.name)
    ports = _keyword(text, "number of ports") if version_2 else int(named.group(2) or 0) if named else 0
    if ports not in (1, 2):
        raise SweepFileError(
            f"{path}: a one-port or two-port sweep is needed, this has {ports if ports else 'no stated number of'} "
            "ports. Save S11 alone."
        )
    rows = [
        (number, cells)
        for number, line in enumerate(text.splitlines(), start=1)
        if (cells := line.split("!")[0].split()) and cells[0][0] not in "#["
    ]
    if version_2:
        stated = _keyword(text, "number of frequencies")
        if (
            stated is None
            or len(rows) < stated
            or not re.search(r"^\s*\[end\]", text, re.MULTILINE | re.IGNORECASE)
        ):
            raise SweepFileError(
                f"{path}: {len(rows)} of {stated or 'an unknown number of'} points are there, or its end is missing; "
                "the file may be cut short. Save or copy it again."
            )
        return
    if ports == 1:
        for number, cells in rows:
            if len(cells) != 3:
                raise SweepFileError(
                    f"{path}, line {number}: {len(cells)} values where a frequency and two numbers belong; "
                    "the file may be cut short. Save or copy it again."
                )
    if not _ends_whole(text, [cells for _, cells in rows]):
        raise SweepFileError(
            f"{path}: the last line does not end, so its last number may have lost digits: the file may be cut short. "
            "Save or copy it again; if you know it is whole, end its last line with the Enter key."
        )


def _references(text: str, option: re.Match[str] | None) -> list[str]:
    """What stands for reference resistances: after R in the option line, and under version 2's keyword."""
    words = option[1].split() if option else []
    found = [(*words, "nothing")[at + 1] for at, word in enumerate(words) if word.upper() == "R"]
    told = re.search(r"^\s*\[reference\]([^\[]*)", text, re.MULTILINE | re.IGNORECASE)
    lines = told[1].splitlines() if told else []
    return found + [word for line in lines for word in line.split("!")[0].split("#")[0].split()]


def _is_resistance(word: str) -> bool:
    try:
        return 0.0 < float(word) < float("inf")
    except ValueError:
        return False


def _ends_whole(text: str, rows: Sequence[Sequence[str]]) -> bool:
    """Whether the last number is all there: something follows it, or it is written like the last of every other row."""
    if not rows or text[-1].isspace() or "!" in text.splitlines()[-1]:
        return True
    *forms, last = [_form(cells[-1]) for cells in rows[-20:]]
    return last != "" and set(forms) == {last}


def _form(number: str) -> str:
    """How the digits after the decimal point and the exponent are written: each digit as 0."""
    _, point, tail = number.lower().partition(".")
    return re.sub(r"[0-9]", "0", tail.replace("-", "+")) if point else ""


def _keyword(text: str, name: str) -> int | None:
    found = re.search(rf"^\s*\[{name}\]\s*(\d{{1,9}})\b", text, re.MULTILINE | re.IGNORECASE)
    return int(found.group(1)) if found else None


def _parse(name: str, text: str) -> Any:
    import skrf

    # Version 1 holds y = Y R, but scikit-rf multiplies it by R once more. Read as z, the reflection is the negative.
    option = re.search(r"^\s*#.*$", text, re.MULTILINE)
    version_2 = re.search(r"^\s*\[version\]", text, re.MULTILINE | re.IGNORECASE) is not None
    admittance = re.search(r"(?<!\S)Y(?!\S)", option.group().split("!")[0], re.IGNORECASE) if option else None
    turned = False
    if option is not None and admittance is not None and not version_2:
        turned = True
        at = option.start() + admittance.start()
        text = f"{text[:at]}Z{text[at + 1 :]}"
    file = io.StringIO(text)
    file.name = name  # scikit-rf tells the number of ports by it
    with warnings.catch_warnings(), np.errstate(all="ignore"):
        warnings.simplefilter("ignore")
        network = skrf.Network()
        network.read_touchstone(file)
        if turned:
            network.s = -network.s
        return network


def _checked(path: Path, f_hz: Floats, s11: Complexes) -> tuple[Floats, Complexes]:
    if not f_hz.size or f_hz.shape != s11.shape:
        raise SweepFileError(f"{path}: there are no points in it. {SAVE_AGAIN}")
    if f_hz.size > MOST_POINTS:
        raise SweepFileError(f"{path}: {f_hz.size} points are more than one sweep (at most {MOST_POINTS}).")
    bad = ~(np.isfinite(f_hz) & np.isfinite(s11))
    if bad.any():
        raise SweepFileError(
            f"{path}: point {int(np.argmax(bad)) + 1} of {f_hz.size} is not a finite number. Take the sweep again."
        )
    if (f_hz <= 0).any():
        raise SweepFileError(f"{path}: a frequency is zero or negative. Check the unit in the option line.")
    if (f_hz > MOST_HZ).any():
        raise SweepFileError(
            f"{path}: a frequency is above {MOST_HZ:.0e} Hz. Check the unit in the option line."
        )
    if f_hz.size > 1 and f_hz[0] > f_hz[-1]:
        f_hz, s11 = f_hz[::-1], s11[::-1]
    steps = np.diff(f_hz)
    if (steps <= 0).any():
        raise SweepFileError(
            f"{path}: the frequencies do not rise (point {int(np.argmax(steps <= 0)) + 2}). "
            "The file may be damaged or hold several sweeps: save one sweep in one file."
        )
    return np.ascontiguousarray(f_hz), np.ascontiguousarray(s11)
