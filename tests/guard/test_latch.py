"""The latch: whole or not at all on the card, and what cannot be understood is a trip."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from lastbubble.guard.latch import LATCH_FILE, load_latch, store_latch
from lastbubble.guard.protocol import TripStatus

TRIP = TripStatus("over_temperature", 123.5, "2026-03-01T12:00:00Z", 131.25, "oven", "oven reads 131", stored=True)


def test_there_and_back(tmp_path: Path) -> None:
    assert load_latch(tmp_path) is None
    store_latch(tmp_path, TRIP)
    assert load_latch(tmp_path) == TRIP
    store_latch(tmp_path, None)
    assert load_latch(tmp_path) is None


@settings(deadline=None)
@given(st.binary(max_size=200))
def test_what_is_not_a_latch_is_a_trip(tmp_path_factory: pytest.TempPathFactory, data: bytes) -> None:
    folder = tmp_path_factory.mktemp("latch")
    (folder / LATCH_FILE).write_bytes(data)
    found = load_latch(folder)
    assert found is not None
    assert found.cause == "latch_unreadable"


def test_every_cut_of_a_written_latch_is_a_trip(tmp_path: Path) -> None:
    store_latch(tmp_path, TRIP)
    whole = (tmp_path / LATCH_FILE).read_bytes()
    for length in range(len(whole) - 1):
        (tmp_path / LATCH_FILE).write_bytes(whole[:length])
        assert load_latch(tmp_path) is not None


@pytest.mark.parametrize("step", ["open", "write", "fsync", "rename"])
def test_a_write_that_fails_leaves_the_old_latch_whole(
    step: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    store_latch(tmp_path, TRIP)

    def fail(*_: object, **__: object) -> None:
        raise OSError(28, "no space left")

    with monkeypatch.context() as patched:
        patched.setattr(os, step, fail)
        with pytest.raises(OSError, match="no space"):
            store_latch(tmp_path, None)
    assert load_latch(tmp_path) == TRIP


# -- how it is written ---------------------------------------------------------------------------------------------


def test_it_is_on_the_card_before_it_takes_the_old_ones_place_and_so_is_its_place(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Order of the steps: bytes, their fsync, the rename, the folder's fsync; everything is closed again."""
    steps: list[str] = []
    names: dict[int, str] = {}
    real = {name: getattr(os, name) for name in ("open", "write", "fsync", "rename", "close")}

    def opened(path: str | Path, flags: int, mode: int = 0o777) -> int:
        descriptor: int = real["open"](path, flags, mode)
        is_folder = bool(flags & os.O_DIRECTORY)
        assert flags & os.O_CLOEXEC, "no child may inherit it"
        assert is_folder or (flags & os.O_TRUNC and flags & os.O_CREAT and flags & os.O_WRONLY and mode == 0o640)
        names[descriptor] = "folder" if is_folder else "file"
        return descriptor

    def noted(name: str, descriptor: int, *rest: object) -> object:
        steps.append(f"{name} {names[descriptor]}")
        return real[name](descriptor, *rest)

    def renamed(old: Path, new: Path) -> None:
        assert old.name == f"{LATCH_FILE}.new"
        steps.append("rename")
        real["rename"](old, new)

    def short_write(descriptor: int, data: bytes) -> object:
        return noted("write", descriptor, bytes(data)[:50])

    with monkeypatch.context() as patched:
        patched.setattr(os, "open", opened)
        patched.setattr(os, "write", short_write)
        patched.setattr(os, "fsync", lambda descriptor: noted("fsync", descriptor))
        patched.setattr(os, "close", lambda descriptor: noted("close", descriptor))
        patched.setattr(os, "rename", renamed)
        store_latch(tmp_path, TRIP)
    writes = steps.count("write file")
    assert writes > 1, "a card may take a part at a time"
    assert steps == ["write file"] * writes + ["fsync file", "close file", "rename", "fsync folder", "close folder"]
    assert load_latch(tmp_path) == TRIP
    assert (tmp_path / LATCH_FILE).stat().st_mode & 0o777 in (0o640, 0o600)


def test_a_longer_rest_of_an_earlier_try_does_no_harm(tmp_path: Path) -> None:
    (tmp_path / f"{LATCH_FILE}.new").write_bytes(b"x" * 5000)
    store_latch(tmp_path, TRIP)
    assert load_latch(tmp_path) == TRIP


def test_it_can_be_read_by_a_person(tmp_path: Path) -> None:
    store_latch(tmp_path, TripStatus("cut", 1.5, text="µ und Ö", source="oven"))
    text = (tmp_path / LATCH_FILE).read_text(encoding="utf-8")
    assert text == (
        '{"tripped": true, "cause": "cut", "time_s": 1.5, "utc": "", "reading": null, "source": "oven", '
        '"text": "µ und Ö"}\n'
    )
    store_latch(tmp_path, None)
    assert (tmp_path / LATCH_FILE).read_text() == '{"tripped": false}\n'


@pytest.mark.parametrize("number", [float("nan"), float("inf")])
def test_no_number_is_never_written(tmp_path: Path, number: float) -> None:
    store_latch(tmp_path, TRIP)
    with pytest.raises(ValueError, match="JSON compliant"):
        store_latch(tmp_path, TripStatus("x", 1.0, reading=number))
    assert load_latch(tmp_path) == TRIP


# -- how it is read ------------------------------------------------------------------------------------------------

WHOLE = {"tripped": True, "cause": "c", "time_s": 5, "utc": "u", "reading": 7, "source": "s", "text": "t"}


def read_of(folder: Path, data: bytes) -> TripStatus | None:
    (folder / LATCH_FILE).write_bytes(data)
    return load_latch(folder)


def test_what_is_read_is_of_its_kind_and_stored(tmp_path: Path) -> None:
    found = read_of(tmp_path, json.dumps(WHOLE | {"cause": 3, "utc": 4, "source": 5, "text": 6}).encode())
    assert found == TripStatus("3", 5.0, "4", 7.0, "5", "6", stored=True)
    assert type(found.time_s) is float
    assert type(found.reading) is float
    assert read_of(tmp_path, json.dumps(WHOLE | {"reading": None}).encode()) == TripStatus(
        "c", 5.0, "u", None, "s", "t", stored=True
    )


@pytest.mark.parametrize(
    ("data", "why"),
    [
        (b'{"tripped": 1}', "tripped is 1"),
        (b'{"tripped": null}', "tripped is None"),
        (b'{"tripped": "no"}', "tripped is 'no'"),
        (b'{"tripped": false, "cause": "x"}', "tripped is False"),
        (b"{}", "'tripped'"),
        (b"[]", "list indices"),
        (b"null", "subscriptable"),
        (b'{"tripped": true}', "'reading'"),
        (json.dumps(WHOLE | {"time_s": "soon"}).encode(), "could not convert"),
        (json.dumps(WHOLE | {"time_s": float("nan")}).encode(), "a number is not finite"),
        (json.dumps(WHOLE | {"time_s": float("inf")}).encode(), "a number is not finite"),
        (json.dumps(WHOLE | {"reading": float("nan")}).encode(), "a number is not finite"),
        (json.dumps(WHOLE).encode() + b" " * 70000, "it is longer than any latch"),
        (b"[" * 60000, "recursion"),
    ],
)
def test_what_cannot_be_understood_says_where_and_why(tmp_path: Path, data: bytes, why: str) -> None:
    found = read_of(tmp_path, data)
    assert found is not None
    head, _, tail = found.text.partition(" cannot be understood (")
    assert head == str(tmp_path / LATCH_FILE)
    assert why in tail
    assert tail.endswith("); taken as a trip. Look at the oven and at the card, then reset")
    assert found == TripStatus("latch_unreadable", 0.0, text=found.text, stored=True)


def test_a_number_is_not_finite_is_all_that_is_said_of_one(tmp_path: Path) -> None:
    found = read_of(tmp_path, json.dumps(WHOLE | {"reading": float("inf")}).encode())
    assert found is not None
    assert " cannot be understood (a number is not finite); " in found.text


def test_the_longest_latch_is_read_and_one_byte_more_is_not(tmp_path: Path) -> None:
    whole = json.dumps(WHOLE).encode()
    longest = read_of(tmp_path, whole + b" " * (65536 - len(whole)))
    assert longest is not None
    assert longest.cause == "c"
    too_long = read_of(tmp_path, whole + b" " * (65537 - len(whole)))
    assert too_long is not None
    assert too_long.cause == "latch_unreadable"
    assert " cannot be understood (it is longer than any latch); " in too_long.text


def test_a_card_that_cannot_be_read_is_a_trip_that_says_so(tmp_path: Path) -> None:
    (tmp_path / LATCH_FILE).mkdir()
    found = load_latch(tmp_path)
    assert found is not None
    assert found.cause == "latch_unreadable"
    assert found.text.startswith(f"{tmp_path / LATCH_FILE} cannot be understood ([Errno 21] Is a directory")
