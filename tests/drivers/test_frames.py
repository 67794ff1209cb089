"""The sensor's frames: decoding, and everything that can be wrong with a stream."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers import frames
from drivers.frames import Frame, FrameDecoder, Identity

BOARD = Identity("board", "1.0", 100, 4095, False)


def nmea_checksum(sentence: str) -> str:
    """NMEA 0183's rule, written out on its own: exclusive or of all characters between $ and *."""
    total = 0
    for character in sentence[sentence.index("$") + 1 : sentence.index("*")]:
        total ^= ord(character)
    return f"{total:02X}"


# Widely printed example sentences of the open standard NMEA 0183 (from memory, not looked up).
@pytest.mark.parametrize(
    ("sentence", "digits"),
    [
        ("$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47", "47"),
        ("$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A", "6A"),
    ],
)
def test_the_checksum_is_that_of_nmea_0183(sentence: str, digits: str) -> None:
    body = sentence[1 : sentence.index("*")].encode()
    assert f"{frames.checksum(body):02X}" == digits == nmea_checksum(sentence)


def frame(slot: int, **changes: object) -> Frame:
    values: dict[str, object] = {
        "sequence": slot % 65536,
        "clock_ms": slot * 10 % frames.CLOCK_MODULUS_MS,
        "angle": slot % 4096,
        "level": slot * 7 % 4096,
        "mark": slot % 3 == 0,
    }
    return Frame(**{**values, **changes})  # type: ignore[arg-type]


def met() -> FrameDecoder:
    decoder = FrameDecoder()
    decoder.feed(frames.encode_identity(BOARD))
    return decoder


def stream(slots: list[int]) -> bytes:
    return b"".join(frames.encode(frame(slot)) for slot in slots)


def used(decoder: FrameDecoder, data: bytes) -> list[int]:
    """Slots of the frames that were handed on, by the unwrapped clock."""
    return [ms // 10 for ms, _ in decoder.feed(data)]


@given(
    st.integers(0, 65535),
    st.integers(0, frames.CLOCK_MODULUS_MS - 1),
    st.integers(0, 65535),
    st.integers(0, 65535),
    st.booleans(),
    st.none() | st.integers(0, 65535),
)
def test_what_is_encoded_is_decoded(
    sequence: int, clock: int, angle: int, level: int, mark: bool, dial: int | None
) -> None:
    one = Frame(sequence, clock, angle, level, mark, dial)
    line = frames.encode(one)
    assert line.endswith(b"\r\n")
    assert line[-4:-2].decode() == nmea_checksum(line.decode())
    assert frames.parse(line.rstrip()) == one


def test_many_are_encoded_as_one_by_one() -> None:
    rng = np.random.default_rng(1)
    n = 200
    sequence, angle, level, dial = (rng.integers(0, 65536, n) for _ in range(4))
    clock = rng.integers(0, frames.CLOCK_MODULUS_MS, n)
    mark = rng.random(n) < 0.5
    for dials in (None, dial):
        one_by_one = b"".join(
            frames.encode(
                Frame(
                    int(sequence[i]),
                    int(clock[i]),
                    int(angle[i]),
                    int(level[i]),
                    bool(mark[i]),
                    None if dials is None else int(dials[i]),
                )
            )
            for i in range(n)
        )
        assert frames.encode_many(sequence, clock, angle, level, mark, dials) == one_by_one


@given(st.data())
@settings(max_examples=60)
def test_the_cut_of_the_chunks_does_not_matter(data: st.DataObject) -> None:
    whole = stream([1, 2, 3, 5, 5, 8, 7, 9]) + b"$S,garbage*00\r\n" + stream([10, 11])
    at_once = met()
    expected = at_once.feed(whole)
    cuts = sorted(data.draw(st.lists(st.integers(0, len(whole)), max_size=40)))
    pieces = met()
    got = []
    for start, end in zip([0, *cuts], [*cuts, len(whole)], strict=True):
        got += pieces.feed(whole[start:end])
    assert got == expected
    assert pieces.counts == at_once.counts


def test_bytes_one_at_a_time() -> None:
    decoder = met()
    got = [item for byte in stream(list(range(20))) for item in decoder.feed(bytes([byte]))]
    assert [f.sequence for _, f in got] == list(range(20))


def test_lost_late_and_repeated_frames_are_counted_and_not_used() -> None:
    decoder = met()
    assert used(decoder, stream([1, 2, 3, 7, 5, 8, 8, 9])) == [1, 2, 3, 7, 8, 9]
    counts = decoder.counts
    assert (counts.lost, counts.late, counts.repeated, counts.damaged, counts.restarts) == (3, 1, 1, 0, 0)
    assert counts.used == 6
    assert counts.faults == 5


def test_a_frame_that_comes_twice_later_on_is_late() -> None:
    decoder = met()
    assert used(decoder, stream([1, 2, 3, 2, 4])) == [1, 2, 3, 4]
    assert decoder.counts.late == 1


@pytest.mark.parametrize("position", range(36))
def test_no_single_damaged_character_gets_through(position: int) -> None:
    line = bytearray(frames.encode(frame(500)))
    good = frames.parse(bytes(line).rstrip())
    for value in range(256):
        if value in (line[position], 10, 13):
            continue
        spoiled = bytes(line[:position]) + bytes([value]) + bytes(line[position + 1 :])
        parsed = frames.parse(spoiled.rstrip(b"\r\n"))
        assert parsed is None or parsed == good


def test_damaged_frames_leave_a_gap() -> None:
    decoder = met()
    bad = frames.encode(frame(3)).replace(b",", b";", 1)
    assert used(decoder, stream([1, 2]) + bad + stream([4])) == [1, 2, 4]
    assert (decoder.counts.damaged, decoder.counts.lost) == (1, 1)


@pytest.mark.parametrize(
    "body",
    [
        b"S,00003,0000000030,04096,00000,0",  # above the full scale of 4095
        b"S,00003,0000000030,00001,00000,2",  # a switch is 0 or 1
        b"S,00003,0000000030,00001,00000,0,00005",  # a dial that the board does not have
        b"S,00003,0000000030,1,00000,0",  # widths are fixed
        b"S,65536,0000000030,00001,00000,0",  # the sequence number goes round before
        b"S,00003,1073741824,00001,00000,0",  # the clock too
        b"S,00003,0000009000,00001,00000,0",  # the clock disagrees with the sequence number
        b"S,00003,0000000030,nan00,00000,0",
        b"S,00003,0000000030,-0001,00000,0",
        b"",
    ],
)
def test_a_right_checksum_does_not_make_a_wrong_frame_right(body: bytes) -> None:
    decoder = met()
    assert used(decoder, stream([1, 2]) + frames.seal(body) + stream([4])) == [1, 2, 4]
    assert decoder.counts.damaged == 1


def test_sequence_number_and_clock_go_round() -> None:
    decoder = met()
    start = frames.CLOCK_MODULUS_MS // 10 - 5
    first = decoder.feed(stream([start]))[0][0]
    got = decoder.feed(stream([start + k for k in range(1, 20)]))
    assert [ms - first for ms, _ in got] == pytest.approx([10 * k for k in range(1, 20)], abs=10)
    assert decoder.counts.faults == 0


def test_a_gap_of_more_than_a_round_of_numbers_is_counted_by_the_clock() -> None:
    decoder = met()
    assert used(decoder, stream([1, 2, 2 + 65536 + 10])) == [1, 2, 65548]
    assert decoder.counts.lost == 65545


def test_a_restarted_board_is_noticed_and_followed() -> None:
    decoder = met()
    decoder.feed(stream(list(range(1000, 1100))))
    got = decoder.feed(stream(list(range(30))))
    assert decoder.counts.restarts == 1
    assert [f.sequence for _, f in got] == list(range(4, 30))
    assert got[-1][0] == 290


def test_joining_in_mid_line_is_no_damage() -> None:
    decoder = FrameDecoder()
    decoder.feed(frames.encode(frame(1))[17:] + stream([2, 3]))
    assert decoder.counts.damaged == 0
    assert decoder.counts.used == 2


def test_reset_forgets_the_gap() -> None:
    decoder = met()
    decoder.feed(stream([1, 2]) + b"$S,000")
    decoder.reset()
    assert used(decoder, b"03,junk\r\n" + stream([900, 901])) == [900, 901]
    assert decoder.counts.faults == 0


def test_memory_stays_bounded_on_a_line_that_never_ends() -> None:
    decoder = met()
    for _ in range(2000):
        assert decoder.feed(b"7" * 1024) == []
    assert len(decoder._lines.unfinished) <= frames.LONGEST_LINE
    assert used(decoder, b"\n" + stream([5])) == [5]
    assert decoder.counts.damaged == 1


@given(st.binary(max_size=400))
def test_any_bytes_are_taken(data: bytes) -> None:
    decoder = met()
    decoder.feed(data)
    decoder.feed(b"\n")
    assert decoder.counts.used <= data.count(b"$S,")


@given(st.text(max_size=30), st.integers(-5, 70000))
def test_identities_survive_or_are_refused(name: str, rate: int) -> None:
    try:
        line = frames.encode_identity(Identity(name, "1", rate, 4095, True))
    except UnicodeEncodeError:
        return
    parsed = frames.parse(line.rstrip(b"\r\n"))
    assert parsed is None or parsed == Identity(name, "1", rate, 4095, True)


def test_the_number_of_a_question_comes_back_and_is_no_frame() -> None:
    assert frames.parse(frames.encode_token(417).rstrip()) == frames.Token(417)
    decoder = met()
    assert used(decoder, stream([1]) + frames.encode_token(417) + stream([2])) == [1, 2]
    assert decoder.counts.faults == 0


def test_identity_is_read() -> None:
    assert frames.parse(frames.encode_identity(BOARD).rstrip()) == BOARD
    assert met().identity == BOARD
