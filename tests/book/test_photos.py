"""Photos that come over the page: kept whole or not at all, known by content, told to the book by their path."""

from __future__ import annotations

import hashlib
import os
from collections.abc import Mapping
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from lastbubble.book import photos as photos_module
from lastbubble.book.photos import LARGEST_B, PhotoShelf, kind_of
from lastbubble.errors import BadInput

JPEG = b"\xff\xd8\xff\xe0" + bytes(range(256)) * 8
PNG = b"\x89PNG\r\n\x1a\n" + b"\x00" * 40
WEBP = b"RIFF\x24\x00\x00\x00WEBPVP8 " + b"\x00" * 40


class Book:
    """Answers as the desk does: keeps what it is told, or refuses."""

    def __init__(self) -> None:
        self.kept: list[dict[str, Any]] = []
        self.why = ""
        self.late = False

    def ask(self, request: Mapping[str, Any]) -> dict[str, Any]:
        if request["ask"] == "batch_show":
            return {"ok": True, "photos": self.kept}
        if not self.why or self.late:
            self.kept.append(dict(request))
        return {"ok": False, "why": self.why} if self.why else {"ok": True, "photos": len(self.kept)}


@pytest.fixture
def book() -> Book:
    return Book()


@pytest.fixture
def shelf(tmp_path: Path, book: Book) -> PhotoShelf:
    return PhotoShelf(tmp_path / "photos", book.ask, 0)


def names(tmp_path: Path) -> list[str]:
    return sorted(path.name for path in (tmp_path / "photos").iterdir())


@pytest.mark.parametrize(("data", "suffix"), [(JPEG, ".jpg"), (PNG, ".png"), (WEBP, ".webp")])
def test_a_photo_is_kept_under_its_kind_whatever_the_pieces(
    tmp_path: Path, shelf: PhotoShelf, book: Book, data: bytes, suffix: str
) -> None:
    coming = shelf.coming(7)
    for at in range(0, len(data), 5):
        coming.write(data[at : at + 5])
    assert coming.keep("before", "me")["ok"]
    coming.drop()
    digest = hashlib.sha256(data).hexdigest()
    (name,) = names(tmp_path)
    assert name == f"batch-7-{digest[:16]}{suffix}"
    assert (tmp_path / "photos" / name).read_bytes() == data
    told = {"ask": "batch_photo", "batch": 7, "path": str(tmp_path / "photos" / name), "sha256": digest,
            "note": "before", "who": "me"}  # fmt: skip
    assert book.kept == [told]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "is empty"),
        (b"\xff\xd8", "is no photo"),
        (b"<html><script>alert(1)</script></html>", "is no photo"),
        (b"GIF89a" + b"\x00" * 40, "is no photo"),
        (b"RIFF\x24\x00\x00\x00WAVEfmt " + b"\x00" * 40, "is no photo"),
        (b"\x00\x00\x00\x18ftypheic" + b"\x00" * 40, "set the camera to JPEG"),
    ],
    ids=["empty", "two bytes", "a page", "another picture", "a sound", "a phone's own kind"],
)
def test_what_is_no_photo_leaves_nothing(
    tmp_path: Path, shelf: PhotoShelf, book: Book, data: bytes, words: str
) -> None:
    coming = shelf.coming(7)

    def whole() -> None:
        coming.write(data)
        coming.keep("", "")

    with pytest.raises(BadInput, match=words) as refused:
        whole()
    assert str(refused.value).startswith("photo is "), "so that the refusal stands at its field"
    coming.drop()
    assert names(tmp_path) == []
    assert book.kept == []


def test_too_large_is_known_before_it_is_all_here(tmp_path: Path, shelf: PhotoShelf) -> None:
    coming = shelf.coming(7)
    coming.write(JPEG)
    with pytest.raises(BadInput, match="larger than 10 MB"):
        coming.write(bytes(LARGEST_B - len(JPEG) + 1))
    coming.drop()
    assert names(tmp_path) == []
    other = shelf.coming(7)
    other.write(JPEG)
    other.write(bytes(LARGEST_B - len(JPEG)))
    assert other.keep("", "")["ok"], "and the largest itself is taken"


def test_a_full_card_is_kept_for_the_ledger(tmp_path: Path, book: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    shelf = PhotoShelf(tmp_path / "photos", book.ask, 500_000_000)
    monkeypatch.setattr(os, "statvfs", lambda _: SimpleNamespace(f_bavail=509_999, f_frsize=1000))
    with pytest.raises(BadInput, match="510 MB left, and 510 MB must be free"):
        shelf.coming(7)
    monkeypatch.setattr(os, "statvfs", lambda _: SimpleNamespace(f_bavail=510_000, f_frsize=1000))
    shelf.coming(7).drop()
    assert names(tmp_path) == []


def test_a_card_that_fails_is_told_with_its_place(
    tmp_path: Path, shelf: PhotoShelf, monkeypatch: pytest.MonkeyPatch
) -> None:
    def full(*_: object) -> int:
        raise OSError(28, "No space left on device")

    coming = shelf.coming(7)
    monkeypatch.setattr(photos_module.os, "write", full)
    with pytest.raises(BadInput, match=r"photos cannot be written .No space left on device."):
        coming.write(JPEG)
    monkeypatch.undo()
    monkeypatch.setattr(photos_module.os, "fsync", full)
    coming.write(JPEG)
    with pytest.raises(BadInput, match="cannot be written"):
        coming.keep("", "")
    coming.drop()
    assert names(tmp_path) == []


def test_a_folder_that_cannot_be_made_is_told(tmp_path: Path, book: Book) -> None:
    (tmp_path / "file").write_text("x")
    with pytest.raises(BadInput, match=r"photo is not kept: .*file/photos cannot be written"):
        PhotoShelf(tmp_path / "file" / "photos", book.ask, 0).coming(7)


def test_what_the_book_refuses_leaves_nothing_but_what_it_noted_stays(
    tmp_path: Path, shelf: PhotoShelf, book: Book
) -> None:
    book.why = "note is too long"
    coming = shelf.coming(7)
    coming.write(JPEG)
    assert coming.keep("", "") == {"ok": False, "why": "note is too long"}
    assert names(tmp_path) == []
    # A slow card: the book has it, and says so as a refusal.
    book.why, book.late = "noted, but not on the card yet", True
    coming = shelf.coming(7)
    coming.write(JPEG)
    assert not coming.keep("", "")["ok"]
    assert len(names(tmp_path)) == 1


def test_a_photo_that_is_sent_twice_is_one_and_a_refusal_takes_the_first_not_away(
    tmp_path: Path, shelf: PhotoShelf, book: Book
) -> None:
    for why in ("", "", "refused"):
        book.why = why
        coming = shelf.coming(7)
        coming.write(JPEG)
        assert coming.keep("", "")["ok"] is (why == "")
        if why == "":
            book.kept.clear()
    assert len(names(tmp_path)) == 1


def test_what_a_power_cut_left_is_cleared_away(tmp_path: Path, shelf: PhotoShelf, book: Book) -> None:
    shelf.coming(7).write(JPEG)
    kept = shelf.coming(8)
    kept.write(JPEG)
    kept.keep("", "")
    assert len(names(tmp_path)) == 2
    PhotoShelf(tmp_path / "photos", book.ask, 0)
    (name,) = names(tmp_path)
    assert name.startswith("batch-8-")


def test_after_giving_up_nothing_more_is_taken(shelf: PhotoShelf) -> None:
    coming = shelf.coming(7)
    coming.drop()
    coming.drop()
    for late in (lambda: coming.write(JPEG), lambda: coming.keep("", "")):
        with pytest.raises(BadInput, match="not taken any more"):
            late()


def test_a_kind_is_told_by_sixteen_bytes() -> None:
    assert [kind_of(data[:16]) for data in (JPEG, PNG, WEBP, b"", b"x" * 16)] == [".jpg", ".png", ".webp", "", ""]
