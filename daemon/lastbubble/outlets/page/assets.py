"""The few files that are served: our own, and the chart library as its wheel ships it. Nothing else is looked up.

Kept in memory, packed once: a phone on a weak network fetches a third of the bytes, and no request opens a file.
"""

from __future__ import annotations

import functools
import gzip
import hashlib
import importlib.util
from dataclasses import dataclass
from pathlib import Path
from typing import Final

__all__ = ["Asset", "asset", "has_charts"]

_FOLDER: Final = Path(__file__).with_name("static")
_TYPES: Final = {".js": "text/javascript", ".css": "text/css", ".svg": "image/svg+xml"}
#: A name that is not here is not looked up anywhere.
_OWN: Final = {path.name: path for path in sorted(_FOLDER.iterdir()) if path.suffix in _TYPES}


@dataclass(frozen=True, slots=True)
class Asset:
    """One file: as it is, packed with gzip, its type, and a tag that changes with its content."""

    plain: bytes
    packed: bytes
    content_type: str
    tag: str


def _chart_library() -> Path | None:
    """The chart library's script (never imported: only served)."""
    spec = importlib.util.find_spec("dygraphs")
    if spec is None or not spec.submodule_search_locations:
        return None
    path = Path(next(iter(spec.submodule_search_locations))) / "assets" / "dygraph-combined.js"
    return path if path.is_file() else None


@functools.cache
def has_charts() -> bool:
    """Whether the chart library is installed."""
    return _chart_library() is not None


@functools.lru_cache(maxsize=16)
def asset(name: str) -> Asset | None:
    """The file of that name, or None."""
    path = _chart_library() if name == "chart.js" else _OWN.get(name)
    if path is None:
        return None
    plain = path.read_bytes()
    return Asset(
        plain,
        gzip.compress(plain, 9, mtime=0),
        _TYPES[path.suffix],
        hashlib.sha256(plain).hexdigest()[:16],
    )
