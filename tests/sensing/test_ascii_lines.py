"""Bytes to lines to numbers."""

from __future__ import annotations

import math
import random
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lastbubble.sensing.ascii_lines import DEFAULT_PATTERN, LineFormat, LineSplitter
from lastbubble.sensing.gauge import Fault
from tests.sensing.amounts import RANDOM_BYTES

NAMED = r"P=\s*(?P<value>[-+]?\d+\.\d+) (?P<unit>\w+)"
ENDS = {"CRLF": b"\r\n", "LF": b"\n", "CR": b"\r"}


@given(st.binary(max_size=400), st.lists(st.integers(0, 400), max_size=8), st.sampled_from(list(ENDS.values())))
def test_fed_whole_or_in_pieces_the_same_lines_come_out(data: bytes, cuts: list[int], end: bytes) -> None:
    data = data.replace(b"\0", end)  # so that ends are there at all
    whole = LineSplitter(end, 20).feed(data)
    pieces, splitter, last = [], LineSplitter(end, 20), 0
    for cut in [*sorted(cut for cut in cuts if cut < len(data)), len(data)]:
        pieces += splitter.feed(data[last:cut])
        last = cut
    single, splitter = [], LineSplitter(end, 20)
    for at in range(len(data)):
        single += splitter.feed(data[at : at + 1])
    assert whole == pieces == single


def test_only_a_line_with_its_end_counts() -> None:
    splitter = LineSplitter(b"\r\n")
    assert splitter.feed(b"1013") == []  # would parse, 100 times too low
    assert splitter.feed(b"25.0\r") == []
    assert splitter.feed(b"\n17") == [b"101325.0"]


def test_a_line_without_end_is_given_up_once_and_its_rest_is_no_line() -> None:
    splitter = LineSplitter(b"\n", 8)
    assert splitter.feed(b"x" * 9) == [None]
    assert splitter.feed(b"y" * 5000) == []
    assert splitter.feed(b"1.0\n2.0\n") == [b"2.0"]


@pytest.mark.parametrize("end", [b"\n", b"\r\n"])
def test_the_longest_line_is_a_line(end: bytes) -> None:
    assert LineSplitter(end, 8).feed(b"12345678" + end + b"123456789" + end + b"1" + end) == [b"12345678", None, b"1"]


def test_after_a_resync_the_first_line_is_missing_its_beginning() -> None:
    splitter = LineSplitter(b"\n")
    splitter.feed(b"10")
    splitter.resync()
    assert splitter.feed(b"13.25\n1013.26\n") == [b"1013.26"]
    splitter.resync()
    splitter.clear()
    assert splitter.feed(b"7\n") == [b"7"]


@pytest.mark.parametrize(("end", "longest"), [(b"", 10), (b"\n", 0)])
def test_a_splitter_that_cannot_be(end: bytes, longest: int) -> None:
    with pytest.raises(ValueError, match="allowed"):
        LineSplitter(end, longest)


# -- one line -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "pascal"),
    [
        ("1013.25", 101325.0),
        ("  +1013.25 \t", 101325.0),
        ("-5", -500.0),
        ("1.01325E+03", 101325.0),
        ("0", 0.0),
    ],
)
def test_numbers(text: str, pascal: float) -> None:
    assert LineFormat("mbar").shown_pa(text.encode()) == pytest.approx(pascal)


@pytest.mark.parametrize(
    "line",
    [
        b"", b"nan", b"inf", b"1e400", b"1_000", b"0x10", b"1013,25", b"1013.25 mbar", b"10 13", b"--.--", b"OVER",
        "١٠١٣".encode(), "\uff11\uff10".encode(), b"\xff\x00\x80", b"1013.25\x00\x07", b"1.2.3", b"1e", b"+", b"\0",
    ],
)  # fmt: skip
def test_anything_else_is_no_number(line: bytes) -> None:
    found = LineFormat("mbar").shown_pa(line)
    assert isinstance(found, Fault)
    assert found.cause == "garbled"


def test_a_generous_pattern_does_not_let_a_bad_number_in() -> None:
    """`float` would take these; the person's pattern did."""
    anything = LineFormat("Pa", r"(?P<value>.*)")
    for text in ("nan", "inf", "-Infinity", "1_0", "1e999", "", " ", "1e4000"):
        assert isinstance(anything.shown_pa(text.encode()), Fault)
    assert anything.shown_pa(b"12.5") == 12.5
    optional = LineFormat("Pa", r"(?:P(?P<value>\d+))?.*")
    assert isinstance(optional.shown_pa(b"x"), Fault)


def test_the_pattern_must_fit_the_whole_line() -> None:
    """A number found somewhere in a garbled line would be an invented reading."""
    assert isinstance(LineFormat("mbar").shown_pa(b"10\x7f13.25"), Fault)
    assert LineFormat("mbar", NAMED).shown_pa(b"P=  1013.25 mbar") == pytest.approx(101325.0)
    assert isinstance(LineFormat("mbar", NAMED).shown_pa(b"x P=  1013.25 mbar"), Fault)


def test_another_unit_in_the_line_is_told_at_once() -> None:
    found = LineFormat("mbar", NAMED).shown_pa(b"P= 760.00 Torr")
    assert isinstance(found, Fault)
    assert found.cause == "unit"
    assert "'Torr'" in found.detail
    assert "mbar" in found.detail
    assert LineFormat("Torr", NAMED).shown_pa(b"P= 760.00 torr") == pytest.approx(101325.0)
    assert LineFormat("mbar", NAMED).shown_pa(b"P= 1013.25 hPa") == pytest.approx(101325.0)  # the same unit
    assert isinstance(LineFormat("mbar", NAMED).shown_pa(b"P= 1013.25 parsec"), Fault)
    assert LineFormat("mbar", NAMED).shown_pa(b"P= 1013.25 MBAR") == pytest.approx(101325.0)


def test_what_was_too_long_is_told() -> None:
    found = LineFormat("mbar").shown_pa(None)
    assert isinstance(found, Fault)
    assert "line_end" in found.detail


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"unit": "cmHg"}, "no unit of pressure"),
        ({"unit": "Pa", "pattern": "("}, "no regular expression"),
        ({"unit": "Pa", "pattern": r"\d+"}, "names no group"),
        ({"unit": "Pa", "pattern": r"(?P<pressure>\d+)"}, "names pressure"),
        ({"unit": "Pa", "pattern": r"(?P<value>\d+)(?P<other>x)"}, "allowed: one group `value`"),
        ({"unit": "Pa", "line_end": "LFCR"}, "allowed: CRLF, LF, CR"),
    ],
)
def test_a_format_that_cannot_be(wrong: dict[str, str], said: str) -> None:
    with pytest.raises(ValueError, match=said):
        LineFormat(**wrong)


@given(st.binary(max_size=300), st.sampled_from([DEFAULT_PATTERN, NAMED, r"(?P<value>.*)", r".*?(?P<value>\S*)"]))
def test_any_line_gives_a_finite_number_or_a_fault(line: bytes, pattern: str) -> None:
    found = LineFormat("mbar", pattern).shown_pa(line)
    if isinstance(found, Fault):
        assert found.cause in ("garbled", "unit")
        assert found.detail
    else:
        assert math.isfinite(found)
        # Nothing invented: the number's digits stand in the line.
        assert re.search(rb"\d", line)


@pytest.mark.timeout(900)
def test_random_bytes_never_raise_and_never_invent() -> None:
    """By default a part of the 10 MB that LASTBUBBLE_LONG=1 takes."""
    chance = random.Random(1200)
    layout = LineFormat("mbar", NAMED, "LF")
    splitter = LineSplitter(layout.end)
    lines = faults = 0
    for _ in range(RANDOM_BYTES // 1000):
        for line in splitter.feed(chance.randbytes(1000)):
            lines += 1
            faults += isinstance(layout.shown_pa(line), Fault)
    # A line that fits by chance needs "P=", digits, a point and a unit: nobody has to wait for that.
    assert lines == faults
    assert lines > RANDOM_BYTES / 1000


@pytest.mark.timeout(900)
def test_a_noisy_line_gives_only_numbers_that_stand_in_it() -> None:
    """One byte in twenty is wrong: what comes through is a line that fits the pattern, digit for digit."""
    chance = random.Random(9600)
    layout = LineFormat("mbar", NAMED)
    splitter = LineSplitter(layout.end)
    told = 0
    for _ in range(RANDOM_BYTES // 18):
        line = b"P= 1013.25 mbar\r\n"
        spoilt = bytes(chance.randrange(256) if chance.random() < 0.05 else byte for byte in line)
        for whole in splitter.feed(spoilt):
            found = layout.shown_pa(whole)
            if not isinstance(found, Fault):
                told += 1
                assert whole is not None
                assert re.fullmatch(rb"\s*P=\s*[-+]?\d+\.\d+ (mbar|hPa|MBAR)\s*", whole, re.IGNORECASE)
    assert told > RANDOM_BYTES // 18 // 4
