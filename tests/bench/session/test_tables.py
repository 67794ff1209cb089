"""Tables as text: the contract's columns, and what other programs (Python's csv, pandas, frictionless) make of them."""

from __future__ import annotations

import csv
import io
import math
from datetime import UTC, datetime

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from bench.errors import SessionError
from bench.session import files as table_files
from bench.session.files import cell_text, cell_value, faults, take_apart, values, written
from bench.session.frames import frame
from bench.session.tables import TABLES

# contract.md, "The session folder", word for word
COMMON = ["reading", "time", "coil", "recipe", "dial", "valve", "antenna"]
OWN = {
    "resonance": "f0_hz f0_u_hz q_loaded q_loaded_u q q_u beta added_c_f method sweep",
    "onset": "f_hz direction angle_deg angle_u_deg method trace",
    "curve": "angle_deg f_hz q q_u sweep",
    "body": "position f0_hz f0_u_hz shift_hz shift_u_hz sweep",
    "wiper": "rest_v moving_v ratio_db speed_deg_s trace",
}
# behind the contract's, "more columns at the end"
LATER = {"onset": "jump_v jump_u_v slope_per_deg slope_u_per_deg"}
RESONANCE = TABLES["resonance"]
HEADER = table_files.header_text(RESONANCE.header)
ROW = "r00001,2026-01-31T19:30:00.250Z,B,0123abcd,20,working,no,3512400,12.5,90,1,100,1.5,0.1,1e-10,reflection,sweeps/r00001.s1p,,\n"


def test_columns_of_the_contract() -> None:
    assert list(TABLES) == list(OWN)
    for name, own in OWN.items():
        contract = [*COMMON, *own.split(), "withdrawn", "note"]
        assert list(TABLES[name].expected) == contract
        assert list(TABLES[name].header) == [*contract, *LATER.get(name, "").split()]


def test_units_are_in_the_names() -> None:
    ends = {"Hz": "_hz", "F": "_f", "degree": "_deg", "degree/s": "_deg_s", "V": "_v", "dB": "_db"}
    for table in TABLES.values():
        for column in table.columns:
            if column.unit in ends:
                assert column.name.endswith(ends[column.unit])
            assert column.description
            assert column.type != "number" or column.unit


def content_of(text: str) -> table_files.Content:
    return take_apart(text, RESONANCE, "resonance.csv")


def test_typed_rows() -> None:
    (row,) = values(content_of(HEADER + ROW), RESONANCE)
    assert (row["dial"], row["f0_hz"], row["added_c_f"]) == (20.0, 3512400.0, 1e-10)
    assert (row["coil"], row["method"], row["note"], row["withdrawn"]) == ("B", "reflection", None, None)


def test_pandas_reads_the_same(tmp_path: object) -> None:
    text = HEADER + ROW + ROW.replace("r00001,", "r00002,").replace("3512400", "3.6e6")
    theirs = pd.read_csv(io.StringIO(text))
    ours = frame(content_of(text), RESONANCE)
    assert list(ours.columns) == list(theirs.columns)
    for name in ("dial", "f0_hz", "q", "q_u", "beta", "added_c_f"):
        assert ours[name].tolist() == theirs[name].tolist()
    assert ours["time"].iloc[0] == pd.Timestamp("2026-01-31T19:30:00.250Z")
    assert ours["note"].tolist() == [None, None]


def test_withdrawn_readings_are_gone() -> None:
    withdrawal = written(
        RESONANCE.header, {"reading": "r00001", "time": "2026-01-31T20:00:00.000Z", "withdrawn": "true"}
    )
    text = HEADER + ROW + ROW.replace("r00001,", "r00002,") + withdrawal
    content = content_of(text)
    assert [row["reading"] for row in values(content, RESONANCE)] == ["r00002"]
    assert frame(content, RESONANCE)["reading"].tolist() == ["r00002"]
    assert not faults(content, RESONANCE, "resonance.csv")


def test_columns_added_at_the_end_are_tolerated() -> None:
    text = HEADER.replace("\n", ",humidity\n") + ROW.replace("\n", ",40\n")
    content = content_of(text)
    assert not faults(content, RESONANCE, "resonance.csv")
    assert frame(content, RESONANCE)["humidity"].tolist() == ["40"]
    assert next(values(content, RESONANCE))["humidity"] == "40"


def test_empty_table() -> None:
    empty = frame(content_of(HEADER), RESONANCE)
    assert len(empty) == 0
    assert empty["f0_hz"].dtype == "float64"
    assert empty["withdrawn"].dtype == "bool"


@pytest.mark.parametrize(
    ("old", "new", "line", "says"),
    [
        ("3512400", "3.5 MHz", 2, "f0_hz: '3.5 MHz' is not a number"),
        ("3512400", "nan", 2, "f0_hz: 'nan' is not a number"),
        ("3512400", "inf", 2, "f0_hz: 'inf' is not a number"),
        ("3512400", "1e999", 2, "f0_hz: '1e999' is not a number"),
        ("3512400", "3_512_400", 2, "f0_hz"),
        ("3512400", "0", 2, "f0_hz: 0 is less than 1"),
        ("3512400", " 3512400", 2, "f0_hz"),
        ("12.5", "-12.5", 2, "f0_u_hz: -12.5 is less than 0"),
        ("3512400,12.5", '"3512400,12.5"', 2, "has 18 cells, the header 19"),
        ("12.5", "12,5", 2, "has 20 cells, the header 19"),
        ("working", "hot", 2, "valve: 'hot' is not one of working, cold"),
        ("reflection", "magic", 2, "method: 'magic' is not one of"),
        ("0123abcd", "0123ABCD", 2, "recipe: '0123ABCD' is not eight hexadecimal digits"),
        ("2026-01-31T19:30:00.250Z", "31.1.2026", 2, "time: '31.1.2026' is not a time"),
        ("2026-01-31T19:30:00.250Z", "2026-01-31T19:30:00", 2, "UTC"),
        (",,\n", ",yes,\n", 2, "withdrawn: 'yes' is neither true nor empty"),
        ("r00001", 'r0"0"001', 3, "f0_hz"),
        ("r00001", '"r00001', 2, "quotes do not match"),
    ],
)  # fmt: skip
def test_damage_is_named_with_its_line(old: str, new: str, line: int, says: str) -> None:
    good = ROW.replace("3512400", "abc") if line == 3 else ROW
    found = faults(content_of(HEADER + ROW.replace(old, new, 1) + good), RESONANCE, "resonance.csv")
    assert found[0].line == line
    assert says in found[0].what
    assert str(found[0]).startswith(f"resonance.csv, line {line}: ")


def test_a_damaged_row_does_not_hide_the_next() -> None:
    lines = [ROW, '"' + ROW, ROW, ROW.replace("3512400", "x"), "r1,2\n", "\n", ROW]
    content = content_of(HEADER + "".join(lines))
    assert [damage.line for damage in faults(content, RESONANCE, "t.csv")] == [3, 5, 6]
    assert content.lines == [2, 4, 5, 8]


def test_notes_with_line_ends_keep_line_numbers() -> None:
    noted = ROW.replace(",,\n", ',,"two\nlines"\n')
    content = content_of(HEADER + noted + ROW.replace("3512400", "x"))
    assert content.lines == [2, 4]
    assert [damage.line for damage in faults(content, RESONANCE, "t.csv")] == [4]


@pytest.mark.parametrize(
    "text",
    [
        "",
        "\n",
        "a;b;c\n",
        HEADER.replace(",", ";") + ROW,
        ROW,
        "reading,reading,time,coil,dial\n",
        '"reading',
    ],
)
def test_not_the_tables_header(text: str) -> None:
    with pytest.raises(SessionError, match=r"resonance.csv, line 1: "):
        content_of(text)


def test_read_as_a_spreadsheet_saves() -> None:
    raw = b"\xef\xbb\xbf" + (HEADER + ROW).replace("\n", "\r\n").encode()
    content = content_of(table_files.decode(raw, "resonance.csv"))
    assert not faults(content, RESONANCE, "resonance.csv")
    assert next(values(content, RESONANCE))["f0_hz"] == 3512400.0


def test_not_utf8_names_the_line() -> None:
    with pytest.raises(SessionError, match=r"resonance.csv, line 2: not UTF-8"):
        table_files.decode(HEADER.encode() + b"r\xff\n", "resonance.csv")


def column(name: str) -> table_files.Column:
    found = RESONANCE.column(name)
    assert found is not None
    return found


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=1.0, max_value=1e15))
def test_numbers_keep_every_digit(value: float) -> None:
    assert cell_value(column("f0_hz"), cell_text(column("f0_hz"), value)) == value


def test_unknown_is_empty() -> None:
    assert cell_text(column("q"), None) == cell_text(column("q"), math.nan) == ""
    assert cell_value(column("q"), "") is None


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("f0_hz", math.inf),
        ("f0_hz", "many"),
        ("f0_hz", -1.0),
        ("valve", "hot"),
        ("method", "x"),
        ("recipe", "zz"),
        ("time", "noon"),
    ],
)
def test_wrong_values_are_not_recorded(name: str, value: object) -> None:
    with pytest.raises(SessionError, match=rf"{name}: .*nothing was recorded"):
        cell_text(column(name), value)


@given(st.text(max_size=60))
def test_any_note_makes_one_harmless_line_that_reads_back(note: str) -> None:
    cell = cell_text(column("note"), note)
    line = written(RESONANCE.header, {"reading": "r1", "coil": "B", "note": cell})
    assert line.count("\n") == 1
    assert line.endswith("\n")
    # an independent reader sees one row, and no cell that a spreadsheet would run (the list of OWASP, "CSV Injection", from memory)
    (row,) = list(csv.reader(io.StringIO(line, newline="")))
    assert not row[-1].startswith(("=", "+", "-", "@", "\t", "\r"))
    (back,) = values(content_of(HEADER + line), RESONANCE)
    said = table_files._CONTROL.sub(" ", note.encode("utf-8", "replace").decode()).strip()
    assert (back["note"] or "") == said


@pytest.mark.parametrize(
    "note",
    ["=1+1", "+49", "-x", "@cmd", "'=1+1", "''=1", "'quoted'", 'say "so", twice', "Ω µ é", "\uff1d1+1"],
)
def test_notes_by_example(note: str) -> None:
    assert cell_value(column("note"), cell_text(column("note"), note)) == note


def test_a_coils_name_is_never_escaped() -> None:
    assert cell_text(column("coil"), "-B") == "-B"


def test_time_is_utc_with_milliseconds() -> None:
    moment = datetime(2026, 1, 31, 19, 30, 0, 250999, tzinfo=UTC)
    assert cell_text(column("time"), moment) == "2026-01-31T19:30:00.250Z"


@given(st.text(alphabet=st.sampled_from('",\n\r ax1\x00'), max_size=200))
def test_any_text_is_taken_apart(text: str) -> None:
    content = content_of(HEADER + text)
    found = faults(content, RESONANCE, "t.csv")
    assert all(damage.line >= 2 for damage in found)
    assert all(len(cells) == len(RESONANCE.header) for cells in content.cells)
