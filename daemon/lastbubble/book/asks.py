"""What may be asked of the batch book: rows for the desk. Knows nobody, so that the desk may know it.

A field's kind is one of: text (at most 200 characters), long (4000), flag, batch (a number, or "" for the open one).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

__all__ = ["BOOK_ASKS", "Ask"]


@dataclass(frozen=True, slots=True)
class Ask:
    """does : for help;  fields : name -> kind;  must : those that have to come;  page : the page may ask it too"""

    does: str
    fields: Mapping[str, str]
    must: tuple[str, ...] = ()
    page: bool = True


_PIECE: Final = dict.fromkeys(
    (
        "label", "count", "material", "shape", "thickness", "length", "width", "volume", "solid", "dry", "wet", "cured",
        "porosity", "grain", "note",
    ),
    "text",
)  # fmt: skip

BOOK_ASKS: Final[Mapping[str, Ask]] = {
    "batch_piece": Ask(
        "keep a piece, or what has become known of it",
        {"batch": "batch", "who": "text", "remove": "flag", **_PIECE},
        ("label",),
    ),
    "batch_note": Ask("write a note into a batch", {"batch": "batch", "text": "long", "who": "text"}, ("text",)),
    "batch_photo": Ask(
        "keep where a photo of a batch is",
        {"batch": "batch", "path": "long", "note": "text", "sha256": "text", "who": "text"},
        ("path",),
        page=False,
    ),
    "batch_resin": Ask("say which lot is in the chamber", {"batch": "batch", "lot": "text", "who": "text"}, ("lot",)),
    "batch_show": Ask("a batch as the book has it, with uptake and earlier ones", {"batch": "batch"}),
    "resin_show": Ask("the resin lots, how old they are and what to do", {"lot": "text"}),
    "resin_open": Ask(
        "begin a lot of resin",
        {
            "lot": "text", "mass": "text", "density": "text", "initiator": "text", "keeps": "text", "keeps_at": "text",
            "place": "text", "when": "text", "memory": "flag", "who": "text", "note": "text",
        },
        ("lot",),
    ),
    "resin_event": Ask(
        "say what befell a lot",
        {
            "lot": "text", "kind": "text", "place": "text", "minutes": "text", "temperature": "text", "mass": "text",
            "from": "text", "what": "text", "when": "text", "memory": "flag", "who": "text",
        },
        ("lot", "kind"),
    ),
    "plan": Ask(
        "when each moment that needs a person comes, and when to start",
        {
            "pieces": "long", "material": "text", "shape": "text", "thickness": "text", "length": "text",
            "width": "text", "count": "text", "porosity": "text", "vessel_diameter": "text", "vessel_length": "text",
            "vessel_width": "text", "vessel_height": "text", "cover": "text", "standing": "flag", "soak": "text",
            "hold": "text", "target_core": "text", "start": "text", "keep": "flag", "lot": "text",
        },
    ),
}  # fmt: skip
