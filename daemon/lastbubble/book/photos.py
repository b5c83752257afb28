"""Photos that come over the page: kept in a folder of their own beside the ledger, and told to the book by their path.

A photo of the command line stays where its owner has it; one that a phone sends has no place yet, so it gets one here.
It comes in pieces, goes to the card as it comes, and stands under its name only when all of it is there.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import secrets
import threading
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

from lastbubble.errors import BadInput

__all__ = ["LARGEST_B", "Incoming", "PhotoShelf", "kind_of"]

#: The largest photo that is taken from the page and laid into a report [B].
LARGEST_B: Final = 10_000_000
#: Bytes that tell what a file is.
_HEAD_B: Final = 16
_COMING: Final = ".coming-"
_TAKEN: Final = "a JPEG, PNG or WebP picture is taken"


def kind_of(head: bytes) -> str:
    """The suffix of a picture by its first bytes (16 are enough): ".jpg", ".png", ".webp"; "" for anything else."""
    if head.startswith(b"\xff\xd8\xff"):
        return ".jpg"
    if head.startswith(b"\x89PNG\r\n\x1a\n"):
        return ".png"
    if head[:4] == b"RIFF" and head[8:12] == b"WEBP":
        return ".webp"
    return ""


def _no_photo(head: bytes) -> BadInput:
    if not head:
        return BadInput("photo is empty; choose a photo again")
    if head[4:8] == b"ftyp":
        # What many phones keep, and no browser but their own shows: in the report it would be a hole.
        return BadInput(f"photo is of a kind that not every browser shows (HEIF); {_TAKEN}: set the camera to JPEG")
    return BadInput(f"photo is no photo, whatever its name says; {_TAKEN}")


class PhotoShelf:
    """A folder of photos, made when the first one comes. All methods may be called from any thread.

    folder : where they are kept;  ask : one of the desk's requests (`batch_photo`), `{"ok": ..., "why": ...}`
    least_room_b : bytes that stay free on the card, for the ledger
    """

    def __init__(
        self, folder: Path, ask: Callable[[Mapping[str, Any]], dict[str, Any]], least_room_b: int = 500_000_000
    ) -> None:
        self._folder = folder.absolute()
        self._ask = ask
        self._least_room_b = least_room_b
        # What a power cut left; who can read neither it nor the folder can have left nothing there.
        with contextlib.suppress(OSError):
            for path in self._folder.glob(f"{_COMING}*"):
                path.unlink()

    def coming(self, batch: int) -> Incoming:
        """A place for a photo of that batch. Raises BadInput where the card has no room or cannot be written."""
        try:
            self._folder.mkdir(parents=True, exist_ok=True)
            told = os.statvfs(self._folder)
            path = self._folder / f"{_COMING}{secrets.token_hex(8)}"
            if told.f_bavail * told.f_frsize < self._least_room_b + LARGEST_B:
                raise BadInput(
                    f"photo is not taken: the card has {told.f_bavail * told.f_frsize / 1e6:.0f} MB left, and "
                    f"{(self._least_room_b + LARGEST_B) / 1e6:.0f} MB must be free, so that the ledger has room; "
                    "make room on it"
                )
            return Incoming(batch, path, self._ask)
        except OSError as exc:
            raise _unwritten(self._folder, exc) from exc


def _unwritten(path: Path, exc: OSError) -> BadInput:
    return BadInput(
        f"photo is not kept: {path} cannot be written ({exc.strerror}); look at the card, its room and the rights"
    )


class Incoming:
    """One photo that is coming in: `write` its bytes, then `keep` it; `drop` ends it, and after `keep` does nothing.

    Raises OSError when its file cannot be made.
    """

    def __init__(self, batch: int, path: Path, ask: Callable[[Mapping[str, Any]], dict[str, Any]]) -> None:
        self._batch = batch
        self._path = path
        self._ask = ask
        self._head = b""
        self._size_b = 0
        self._digest = hashlib.sha256()
        # Who gives up while a piece is being written waits for that piece: the file is never closed under the writer.
        self._lock = threading.Lock()
        self._file: int | None = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_CLOEXEC, 0o660)

    def write(self, data: bytes) -> None:
        """The next bytes. Raises BadInput as soon as they are too many or no picture, or the card cannot be written."""
        with self._lock:
            if self._file is None:
                raise BadInput("photo is not taken any more; send it again")
            self._size_b += len(data)
            if self._size_b > LARGEST_B:
                raise BadInput(
                    f"photo is larger than {LARGEST_B // 1_000_000} MB, which is the most that is taken; choose a "
                    "smaller size in the camera's settings"
                )
            if len(self._head) < _HEAD_B:
                self._head += data[: _HEAD_B - len(self._head)]
                if len(self._head) == _HEAD_B and not kind_of(self._head):
                    raise _no_photo(self._head)
            self._digest.update(data)
            try:
                left = memoryview(data)
                while left:
                    left = left[os.write(self._file, left) :]
            except OSError as exc:
                raise _unwritten(self._path.parent, exc) from exc

    def keep(self, note: str, who: str) -> dict[str, Any]:
        """Put it in its place and tell the book; the book's answer, `{"ok": ..., "why": ...}`.

        Where the book refuses, nothing of it stays. Raises BadInput for an empty file, for no picture, and where the
        card cannot be written.
        """
        with self._lock:
            if self._file is None:
                raise BadInput("photo is not taken any more; send it again")
            kind = kind_of(self._head)
            if not kind:
                raise _no_photo(self._head)
            digest = self._digest.hexdigest()
            # By its content, so that a photo that is sent twice is one.
            path = self._path.with_name(f"batch-{self._batch}-{digest[:16]}{kind}")
            new = not path.exists()
            try:
                os.fsync(self._file)
                os.replace(self._path, path)
                _sync_folder(path.parent)
            except OSError as exc:
                raise _unwritten(self._path.parent, exc) from exc
            self._shut()
        told = {"batch": self._batch, "path": str(path), "sha256": digest, "note": note, "who": who}
        answer = self._ask({"ask": "batch_photo", **told})
        if new and not answer.get("ok") and not self._in_book(str(path)):
            path.unlink(missing_ok=True)
        return answer

    def _in_book(self, path: str) -> bool:
        """Whether the book may tell this path: a card that is slow is a refusal too, of what is noted already."""
        book = self._ask({"ask": "batch_show", "batch": self._batch})
        return not book.get("ok") or any(photo.get("path") == path for photo in book.get("photos", ()))

    def drop(self) -> None:
        """Leave nothing of a photo that was not kept; dropping twice is fine."""
        with self._lock:
            if self._file is not None:
                self._shut()
                self._path.unlink(missing_ok=True)

    def _shut(self) -> None:
        assert self._file is not None
        os.close(self._file)
        self._file = None


def _sync_folder(folder: Path) -> None:
    """Have the new name on the card before the book tells it."""
    link = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(link)
    finally:
        os.close(link)
