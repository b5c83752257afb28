"""Frames on their way from the thermometer to the guard: exact there and back, one documented error for junk."""

from __future__ import annotations

import math
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastbubble.frames import FRAME_BYTES, FrameMessage, unpack

seconds = st.floats(allow_nan=False, allow_infinity=False)
messages = st.one_of(
    st.builds(FrameMessage, st.integers(0, 7), st.integers(0, 2**32 - 1), seconds, st.binary(min_size=4, max_size=4)),
    st.builds(
        FrameMessage,
        st.integers(0, 7),
        st.integers(0, 2**32 - 1),
        seconds,
        st.none(),
        st.text(st.characters(min_codepoint=32, max_codepoint=126), min_size=1, max_size=32).map(lambda t: "x" + t[1:]),
    ),
)


@given(messages)
def test_there_and_back(message: FrameMessage) -> None:
    assert unpack(message.pack()) == message
    assert len(message.pack()) == FRAME_BYTES == 56


@given(st.binary(max_size=80))
def test_junk_is_one_documented_error(datagram: bytes) -> None:
    try:
        message = unpack(datagram)
    except ValueError:
        return
    assert message.pack() == datagram


def test_every_single_bit_flip_gives_a_message_or_the_error() -> None:
    whole = FrameMessage(1, 7, 12.5, b"\x01\x90\x19\x00").pack()
    for bit in range(8 * len(whole)):
        flipped = bytearray(whole)
        flipped[bit // 8] ^= 1 << (bit % 8)
        try:
            message = unpack(bytes(flipped))
        except ValueError:
            continue
        assert math.isfinite(message.time_s)
        assert (message.raw is None) == bool(message.error)


def test_a_million_bytes_of_junk_never_raise_anything_else() -> None:
    rng = random.Random(1)
    for _ in range(20_000):
        with pytest.raises(ValueError, match="frame datagram"):
            unpack(rng.randbytes(FRAME_BYTES))


def test_a_long_error_is_cut_at_a_character() -> None:
    message = unpack(FrameMessage(0, 0, 0.0, None, "é" * 40).pack())
    assert message.error == "é" * 16
    odd = unpack(FrameMessage(0, 0, 0.0, None, "x" + "é" * 40).pack())
    assert odd.error == "x" + "é" * 15


@pytest.mark.parametrize(
    ("fields", "text"),
    [
        ((8, 0, 0.0, b"1234"), "probe is 8; allowed 0 to 7"),
        ((-1, 0, 0.0, b"1234"), "probe is -1"),
        ((0, 2**32, 0.0, b"1234"), "seq is 4294967296"),
        ((0, 0, math.nan, b"1234"), "time_s is nan"),
        ((0, 0, math.inf, b"1234"), "time_s is inf"),
        ((0, 0, 0.0, b"123"), "raw has 3 bytes"),
        ((0, 0, 0.0, None), "either a frame or an error"),
        ((0, 0, 0.0, b"1234", "also"), "either a frame or an error"),
    ],
)
def test_a_wrong_field_is_named(fields: tuple, text: str) -> None:
    with pytest.raises(ValueError, match=text.replace("*", r"\*")):
        FrameMessage(*fields)
