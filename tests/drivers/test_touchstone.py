"""Sweep files in and out: what scikit-rf wrote is read back, what is damaged is refused in one clear line.

Layouts follow the Touchstone specifications, versions 1.1 and 2.0 (IBIS Open Forum, 2002 and 2009).
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import skrf
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from drivers.errors import SweepFileError
from drivers.touchstone import MOST_POINTS, read_sweep, sweep_text

F_HZ = np.linspace(3.4e6, 3.6e6, 21)
SHIPPED = Path(skrf.__file__).parent / "data"


def reflection(points: int = 21) -> np.ndarray:
    random = np.random.default_rng(11)
    return np.asarray(0.5 * (random.normal(size=points) + 1j * random.normal(size=points)))


def network(ports: int = 1, z0: float = 50.0) -> skrf.Network:
    s = np.zeros((21, ports, ports), dtype=complex)
    s[:, 0, 0] = reflection()
    if ports == 2:
        s[:, 1, 0] = s[:, 0, 1] = 0.3
        s[:, 1, 1] = 0.1j
    return skrf.Network(f=F_HZ, f_unit="hz", s=s, z0=z0)


@pytest.mark.parametrize("form", ["ri", "ma", "db"])
@pytest.mark.parametrize("ports", [1, 2])
@pytest.mark.parametrize("z0", [50.0, 75.0])
def test_what_scikit_rf_wrote_reads_back(tmp_path: Path, form: str, ports: int, z0: float) -> None:
    network(ports, z0).write_touchstone("sweep", dir=str(tmp_path), form=form, r_ref=z0)
    f_hz, s11 = read_sweep(tmp_path / f"sweep.s{ports}p")
    assert f_hz == pytest.approx(F_HZ, rel=1e-12)
    assert np.abs(s11 - reflection()).max() < 1e-9


@pytest.mark.parametrize("ports", [1, 2])
@pytest.mark.parametrize("name", ["sweep.ts", "sweep.s{ports}p"])
def test_version_2_reads_back(tmp_path: Path, ports: int, name: str) -> None:
    text = network(ports).write_touchstone("x", return_string=True, form="ri", version="2.0")
    path = tmp_path / name.format(ports=ports)
    path.write_text(text, encoding="ascii")
    f_hz, s11 = read_sweep(path)
    assert f_hz == pytest.approx(F_HZ, rel=1e-12)
    assert np.abs(s11 - reflection()).max() < 1e-9


@pytest.mark.parametrize(("unit", "hertz"), [("Hz", 1.0), ("kHz", 1e3), ("MHz", 1e6), ("GHz", 1e9)])
def test_units_of_the_option_line(tmp_path: Path, unit: str, hertz: float) -> None:
    path = tmp_path / "sweep.s1p"
    path.write_text(f"! by hand\n# {unit} S MA R 50\n1 0.5 90\n2 0.25 -90 ! last\n", encoding="ascii")
    f_hz, s11 = read_sweep(path)
    assert f_hz == pytest.approx([hertz, 2 * hertz])
    assert s11 == pytest.approx([0.5j, -0.25j])


def test_impedance_in_place_of_reflection(tmp_path: Path) -> None:
    """Version 1: Z is relative to R. 1 + 1j is 75 + 75j ohm, S11 = 1j/(2 + 1j)."""
    path = tmp_path / "sweep.s1p"
    path.write_text("# MHz Z RI R 75\n1 1 1\n2 1 0\n", encoding="ascii")
    assert read_sweep(path)[1] == pytest.approx([1j / (2 + 1j), 0.0])


@pytest.mark.parametrize("option", ["# MHz Y RI R 75", "#MHz y ri r 75"])
def test_admittance_in_place_of_reflection(tmp_path: Path, option: str) -> None:
    """Version 1: Y is relative to 1/R. 1 + 1j is (1 + 1j)/75 S, S11 = -1j/(2 + 1j)."""
    path = tmp_path / "sweep.s1p"
    path.write_text(f"{option}\n1 1 1\n2 1 0\n", encoding="ascii")
    assert read_sweep(path)[1] == pytest.approx([-1j / (2 + 1j), 0.0])


@pytest.mark.parametrize(("mark", "end"), [(b"\xef\xbb\xbf", b"\n"), (b"", b"\r\n"), (b"", b"\r")])
def test_byte_order_marks_and_any_line_end_read(tmp_path: Path, mark: bytes, end: bytes) -> None:
    path = tmp_path / "sweep.s1p"
    path.write_bytes(mark + end.join([b"! by hand", b"# MHz S MA R 50", b"1 0.5 90", b"2 0.25 -90", b""]))
    assert read_sweep(path)[1] == pytest.approx([0.5j, -0.25j])


def test_falling_frequencies_are_turned_round(tmp_path: Path) -> None:
    path = tmp_path / "sweep.s1p"
    path.write_text("# MHz S RI R 50\n3 0.3 0\n2 0.2 0\n1 0.1 0\n", encoding="ascii")
    f_hz, s11 = read_sweep(path)
    assert list(f_hz) == [1e6, 2e6, 3e6]
    assert s11 == pytest.approx([0.1, 0.2, 0.3])


def test_every_one_or_two_port_file_that_scikit_rf_ships_reads() -> None:
    files = [*SHIPPED.glob("*.s1p"), *SHIPPED.glob("*.s2p")]
    assert len(files) > 10
    for file in files:
        expected = skrf.Network(str(file))
        f_hz, s11 = read_sweep(file)
        assert np.array_equal(f_hz, expected.f)
        assert np.array_equal(s11, expected.s[:, 0, 0])


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.floats(1.0, 1e12), min_size=1, max_size=30, unique=True),
    st.integers(0, 2**32 - 1),
)
def test_own_text_keeps_every_digit(
    tmp_path_factory: pytest.TempPathFactory, places: list[float], seed: int
) -> None:
    f_hz = np.array(sorted(places))
    random = np.random.default_rng(seed)
    s11 = random.normal(size=len(f_hz)) + 1j * random.normal(size=len(f_hz))
    path = tmp_path_factory.mktemp("own") / "own.s1p"
    path.write_text(sweep_text(f_hz, s11, ["coil B, dial 20", "two\nlines"]), encoding="utf-8")
    f_back, s_back = read_sweep(path)
    assert np.array_equal(f_back, f_hz)
    assert np.array_equal(s_back, s11)


def test_own_text_is_plain_touchstone() -> None:
    text = sweep_text([1e6, 1.5e6], [0.5 + 0j, -0.25j], ["note"])
    assert text.splitlines() == ["! note", "# Hz S RI R 50", "1000000 0.5 0.0", "1500000 -0.0 -0.25"]
    assert text.endswith("\n")


@pytest.mark.parametrize(
    ("f_hz", "s11"),
    [([], []), ([1e6], [1, 2]), ([2e6, 1e6], [1, 1]), ([1e6, 1e6], [1, 1]), ([1e6], [np.nan])],
)
def test_text_of_what_is_no_sweep_is_refused(f_hz: list[float], s11: list[complex]) -> None:
    with pytest.raises(ValueError, match=r"sweep|rise"):
        sweep_text(f_hz, s11)


HEAD = "# MHz S RI R 50\n"
V2 = "[Version] 2.0\n# MHz S RI R 50\n[Number of Ports] 1\n[Number of Frequencies] 2\n[Network Data]\n"


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("a.s1p", "", "empty"),
        ("a.s1p", "1 0.5 0\n2 0.5 0\n", "option line"),
        ("a.s1p", HEAD, "no points"),
        ("a.s1p", HEAD + "1 0.5 0\n2 0.5\n", "line 3"),
        ("a.s1p", HEAD + "1 0.5 0\n2\n", "cut short"),
        ("a.s1p", HEAD + "1 0.5 0\n2 0.5 -\n", "cannot be read|can be read"),
        ("a.s1p", HEAD + "1 0.5 0\n2 nan 0\n", "point 2 of 2 is not a finite number"),
        ("a.s1p", HEAD + "1 0.5 0\n2 inf 0\n", "not a finite number"),
        ("a.s1p", HEAD + "1 0.5 0\n1 0.6 0\n2 0.5 0\n", "do not rise"),
        ("a.s1p", HEAD + "1 0.5 0\n3 0.6 0\n2 0.5 0\n", "do not rise"),
        ("a.s1p", HEAD + "0 0.5 0\n1 0.6 0\n", "zero or negative"),
        ("a.s1p", HEAD + "-2 0.5 0\n-1 0.6 0\n", "zero or negative"),
        ("a.s1p", HEAD + "1 0.5 0\n2e300 0.6 0\n", "above 1e\\+13 Hz"),
        ("a.s1p", "hello\n# world\n", "can be read|values where"),
        ("a.s1p", "# parsecs S RI R 50\n1 0.5 0\n", "can be read"),
        ("a.s2p", HEAD + "1 0.5 0 1 0 1 0 0 0\n2 0.5 0 1 0\n", "can be read"),
        ("a.s3p", HEAD + "1 0.5 0\n", "3 ports"),
        ("a.csv", HEAD + "1 0.5 0\n", "does not end like"),
        ("a.ts", V2 + "1 0.5 0\n2 0.5 0\n[End]\n", ""),
        ("a.ts", V2 + "1 0.5 0\n[End]\n", "1 of 2 points"),
        ("a.ts", V2 + "1 0.5 0\n2 0.5 0\n", "cut short"),
        ("a.ts", V2.replace("Ports] 1", "Ports] 900000000"), "900000000 ports"),
        ("a.ts", V2.replace("[Number of Ports] 1\n", ""), "no stated number of ports"),
    ],
)
def test_damaged_files_are_told_in_one_line(tmp_path: Path, name: str, text: str, says: str) -> None:
    path = tmp_path / name
    path.write_text(text, encoding="ascii")
    if not says:
        assert len(read_sweep(path)[0]) == 2
        return
    with pytest.raises(SweepFileError, match=says) as caught:
        read_sweep(path)
    line = str(caught.value)
    assert line.startswith(str(path))
    assert "\n" not in line


@pytest.mark.parametrize(("last", "whole"), [
    ("2 0.500 0.250\n", True),
    ("2 0.500 0.250 ", True),
    ("2 0.500 0.250 ! done", True),
    ("2 0.500 0.250\n! done", True),
    ("2 0.500 0.250", True),  # as many digits as in every other row
    ("2 0.500 -0.250", True),
    ("2 0.500 0.25", False),
    ("2 0.500 0.", False),
    ("2 0.500 0", False),
])  # fmt: skip
def test_a_last_number_that_may_have_lost_digits_is_told(tmp_path: Path, last: str, whole: bool) -> None:
    path = tmp_path / "a.s1p"
    path.write_text(HEAD + "1 0.500 0.125\n1.5 0.500 0.375\n" + last, encoding="ascii")
    if whole:
        assert len(read_sweep(path)[0]) == 3
        return
    with pytest.raises(SweepFileError, match=r"last line does not end.*cut short"):
        read_sweep(path)


def test_numbers_of_uneven_length_need_the_end_of_their_line(tmp_path: Path) -> None:
    """Cut at any byte, a file with every digit kept is refused, or every number that is read is the saved one."""
    whole = sweep_text(F_HZ, reflection())
    path = tmp_path / "a.s1p"
    read = 0
    for at in range(len(whole) - 200, len(whole) + 1):
        path.write_text(whole[:at], encoding="ascii")
        try:
            f_hz, s11 = read_sweep(path)
        except SweepFileError:
            continue
        read += 1
        assert np.array_equal(f_hz, F_HZ[: len(f_hz)])
        assert np.array_equal(s11, reflection()[: len(f_hz)])
    assert read >= 3


def test_no_file_a_folder_and_too_large_a_file_are_told(tmp_path: Path) -> None:
    with pytest.raises(SweepFileError, match="no such file"):
        read_sweep(tmp_path / "none.s1p")
    with pytest.raises(SweepFileError, match="is a folder"):
        read_sweep(tmp_path)
    path = tmp_path / "large.s1p"
    path.write_bytes(b"!" * 20_000_001)
    with pytest.raises(SweepFileError, match="20 MB"):
        read_sweep(path)
    path.write_text(HEAD + "".join(f"{i} 0 0\n" for i in range(1, MOST_POINTS + 2)), encoding="ascii")
    with pytest.raises(SweepFileError, match="more than one sweep"):
        read_sweep(path)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.sampled_from(["a.s1p", "a.s2p", "a.ts"]),
    st.one_of(
        st.binary(max_size=300),
        st.text(alphabet="#!.[]0123456789eE+- \nSRIMAdBkHzVersionNumbrofPtsDau", max_size=300).map(
            lambda text: ("# Hz S RI R 50\n" + text).encode()
        ),
    ),
)
def test_rubbish_raises_nothing_but_its_own_error(tmp_path: Path, name: str, content: bytes) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    try:
        f_hz, s11 = read_sweep(path)
    except SweepFileError:
        return
    assert len(f_hz) == len(s11) > 0
    assert np.isfinite(s11).all()
    assert (np.diff(f_hz) > 0).all()


@pytest.mark.parametrize(
    ("name", "text", "says"),
    [
        ("h.s1p", "# Hz H RI R 50\n1e6 0.5 0\n2e6 0.4 0\n", "hybrid"),
        ("g.s2p", "# MHz G RI R 50\n1 0.5 0 0 0 0 0 0 0\n2 0.4 0 0 0 0 0 0 0\n", "hybrid"),
        ("v3.ts", "[Version] 3.0\n# Hz S RI R 50\n[Number of Ports] 1\n", "version '3.0' is not known"),
    ],
)
def test_what_is_not_a_sweep_of_s_in_a_known_version_is_named(
    name: str, text: str, says: str, tmp_path: Path
) -> None:
    (tmp_path / name).write_text(text)
    with pytest.raises(SweepFileError, match=says):
        read_sweep(tmp_path / name)


@pytest.mark.parametrize("word", ["0", "-50", "nan", "inf", "fifty", ""])
def test_a_reference_that_is_no_resistance_is_refused(word: str, tmp_path: Path) -> None:
    """Touchstone File Format Specification 1.1 and 2.0: R n, n "a positive number of ohms" ([Reference] likewise)."""
    old, new = tmp_path / "old.s1p", tmp_path / "new.ts"
    old.write_text(f"# Hz S RI R {word}\n1e6 0.5 0\n2e6 0.4 0\n")
    new.write_text(
        "[Version] 2.0\n# Hz S RI R 50\n[Number of Ports] 1\n[Number of Frequencies] 2\n"
        f"[Reference] {word or 'none'}\n[Network Data]\n1e6 0.5 0\n2e6 0.4 0\n[End]\n"
    )
    for path in (old, new):
        with pytest.raises(SweepFileError, match=r"reference resistance.*must be more than 0 ohm"):
            read_sweep(path)
        path.write_text(
            path.read_text().replace(f"R {word}\n", "R 75\n").replace(f"] {word or 'none'}\n", "] 75\n")
        )
        assert read_sweep(path)[1].tolist() == [0.5, 0.4]
