"""The latch: whole or not at all on the card, and what cannot be understood is a trip."""

from __future__ import annotations

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
