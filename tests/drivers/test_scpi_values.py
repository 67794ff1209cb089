"""SCPI answers to values: what IEEE 488.2 and SCPI-1999 allow is read, everything else is refused."""

from __future__ import annotations

import contextlib
import struct

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import scpi_values as values
from drivers.errors import Misuse, ProtocolError


# Forms of IEEE 488.2, 8.7.2 to 8.7.4 (NR1, NR2, NR3).
@pytest.mark.parametrize(
    ("answer", "value"),
    [
        (b"0", 0.0),
        (b"-17", -17.0),
        (b"+3.5", 3.5),
        (b"3500000.0\r", 3.5e6),
        (b"+3.5E+06", 3.5e6),
        (b"-1.25E-03", -1.25e-3),
        (b".5", 0.5),
    ],
)
def test_numbers_of_the_standard_are_read(answer: bytes, value: float) -> None:
    assert values.parse_number(answer) == value


@pytest.mark.parametrize(
    "answer",
    # 9.9E37 and 9.91E37 are SCPI-1999's infinity and not-a-number (volume 1, 7.2.1.4).
    [
        b"",
        b"nan",
        b"NAN",
        b"inf",
        b"1_0",
        b"0x10",
        b"1,2",
        b"1 2",
        b"--1",
        b"9.9E37",
        b"9.91E37",
        b"1e999",
        b"\xff",
        b"1" * 100,
        b"#14",
        b"1E",
        b"E5",
        b"ON",
    ],
)
def test_what_is_no_number_is_refused(answer: bytes) -> None:
    with pytest.raises(ProtocolError):
        values.parse_number(answer)


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=-1e30, max_value=1e30))
def test_numbers_are_written_so_that_they_are_read_back(value: float) -> None:
    text = values.format_number(value)
    assert len(text) < 30
    assert values.parse_number(text.encode()) == pytest.approx(value, rel=1e-14)


def test_lists_are_counted() -> None:
    assert list(values.parse_numbers(b"+1.0E+0,-2,3.5", 3)) == [1.0, -2.0, 3.5]
    for bad in (
        b"1,2",
        b"1,2,3,4",
        b"1,2,",
        b",1,2",
        b"1,2,nan",
        b"1,2,9.91E37",
        b"1;2;3",
        b"1,2,3,\n4",
        b"",
    ):
        with pytest.raises(ProtocolError):
            values.parse_numbers(bad, 3)


def test_the_message_quotes_the_offending_bytes() -> None:
    with pytest.raises(ProtocolError, match=r"1\.5,-2\.Z5"):
        values.parse_numbers(b"1,1.5,-2.Z5,3", 4)


@given(st.lists(st.floats(-1e9, 1e9), min_size=1, max_size=200), st.sampled_from(["normal", "swapped"]))
@settings(max_examples=50)
def test_blocks_are_read_in_both_orders(numbers: list[float], order: values.ByteOrder) -> None:
    # Packed by the standard library, after IEEE 488.2, 8.7.9: '#', digit count, byte count, bytes.
    data = struct.pack((">" if order == "normal" else "<") + f"{len(numbers)}d", *numbers)
    length = str(len(data))
    answer = f"#{len(length)}{length}".encode() + data
    assert list(values.parse_block(answer, len(numbers), order)) == numbers
    assert list(values.parse_block(b"#9%09d" % len(data) + data, len(numbers), order)) == numbers


@pytest.mark.parametrize(
    "answer",
    [
        b"",
        b"#",
        b"#2",
        b"#216",
        b"#216" + bytes(15),
        b"#216" + bytes(17),
        b"#215" + bytes(15),
        b"#9999999999" + bytes(16),
        b"#0" + bytes(16),
        b"#A16" + bytes(16),
        b"216" + bytes(16),
        b"#2x6" + bytes(16),
        b"1.0,2.0",
        b"#216" + struct.pack(">2d", 1.0, float("nan")),
        b"#216" + struct.pack(">2d", 1.0, float("inf")),
        b"#216" + struct.pack(">2d", 9.91e37, 0.0),
    ],
)
def test_a_block_that_is_not_the_expected_one_is_refused(answer: bytes) -> None:
    with pytest.raises(ProtocolError):
        values.parse_block(answer, 2)


def test_a_damaged_head_cannot_ask_for_gigabytes() -> None:
    with pytest.raises(ProtocolError, match="announced"):
        values.block_start(b"#9999999999", 2)
    assert values.block_start(b"#2", 2) is None
    assert values.block_start(b"#216", 2) == 4
    assert values.block_start(b"#900000001", 2) is None


@given(st.binary(max_size=60), st.integers(1, 4))
def test_any_bytes_end_in_a_value_or_a_protocol_error(answer: bytes, count: int) -> None:
    for parse in (values.parse_number, values.parse_bool, values.parse_error, values.parse_identity):
        with contextlib.suppress(ProtocolError):
            parse(answer)
    for parse_many in (values.parse_numbers, values.parse_block):
        try:
            got = parse_many(answer, count)
        except ProtocolError:
            continue
        assert len(got) == count
        assert np.all(np.isfinite(got))


def test_error_queue_entries() -> None:
    assert values.parse_error(b'0,"No error"') == (0, "No error")
    assert values.parse_error(b'-113,"Undefined header; say ""what"""\r') == (
        -113,
        'Undefined header; say "what"',
    )
    for bad in (b"0", b"No error", b'0,"No error', b'x,"y"', b"0,1,2"):
        with pytest.raises(ProtocolError):
            values.parse_error(bad)


def test_headers_from_a_plan_are_one_line_of_scpi() -> None:
    assert values.check_header("data", "CALC:DATA? SDAT") == "CALC:DATA? SDAT"
    for bad in ("A\nB", "A;*RST", 7, "x" * 200, "A\x00", "{}"):
        with pytest.raises(Misuse):
            values.check_header("data", bad)
