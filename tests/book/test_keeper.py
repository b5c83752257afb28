"""What may be asked of the book: kept as it was told, refused in words."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest

from lastbubble.book.asks import BOOK_ASKS
from lastbubble.book.keeper import Keeper
from lastbubble.book.lots_view import lot_lines
from lastbubble.book.pieces import PIECE_FIELDS
from lastbubble.book.story import summary_lines
from lastbubble.desk import checked
from lastbubble.errors import BadInput
from lastbubble.ledger.shelf import deeds, lot_events, snapshot
from lastbubble.ledger.store import Ledger
from tests.book.conftest import UTC_0, Wall, fill


def ask(keeper: Keeper, name: str, **fields: object) -> dict[str, object]:
    """As the desk would: checked first."""
    kind, told = checked({"ask": name, **fields})
    answer = keeper.answer(kind, told)
    return json.loads(json.dumps(answer, allow_nan=False))  # type: ignore[no-any-return]


def test_every_field_of_a_piece_can_be_told() -> None:
    assert set(PIECE_FIELDS) <= set(BOOK_ASKS["batch_piece"].fields)


def test_a_piece_grows_as_it_becomes_known(keeper: Keeper, ledger: Ledger) -> None:
    number = fill(ledger, pieces=[])
    ask(keeper, "batch_piece", label="1", shape="slab", thickness="22 mm", length="120 mm", width="80 mm", dry="95.2 g")
    ask(keeper, "batch_piece", label="1", wet="215.1 g", who="first of two")
    found = ask(keeper, "batch_piece", batch=str(number), label="1", cured="208.8 g")
    assert found["pieces"] == [
        {"label": "1", "shape": "slab", "thickness": "22 mm", "length": "120 mm", "width": "80 mm", "dry": "95.2 g",
         "wet": "215.1 g", "cured": "208.8 g"}
    ]  # fmt: skip
    one = found["uptake"][0]  # type: ignore[index]
    # The batch's material counts where the piece tells none.
    assert one["material"] == "spalted maple"
    assert one["uptake_wet"]["value"] == pytest.approx(119.9 / 95.2)
    assert any("1.3" in line or "125.9 %" in line for line in summary_lines(found))
    assert [deed.who for deed in deeds(ledger, number)] == ["", "first of two", ""]
    ask(keeper, "batch_piece", label="1", remove=True)
    assert ledger.batch(number).pieces == []
    with pytest.raises(BadInput, match="has no piece '9'"):
        ask(keeper, "batch_piece", label="9", remove=True)


def test_earlier_batches_of_the_same_material_are_compared(keeper: Keeper, ledger: Ledger) -> None:
    base = {"label": "1", "shape": "slab", "thickness": "20 mm", "length": "100 mm", "width": "50 mm", "dry": "45.9 g"}
    for day, wet in enumerate(("100.0 g", "104.0 g", "108.0 g")):
        fill(ledger, opened=UTC_0 + timedelta(days=day), pieces=[{**base, "wet": wet}])
    stone = [{**base, "material": "chalk turquoise", "wet": "50.0 g", "porosity": "30 %"}]
    fill(ledger, opened=UTC_0 + timedelta(days=5), pieces=stone)
    found = ask(keeper, "batch_show", batch=3)
    rows = {row["what"]: row for row in found["compared"]}  # type: ignore[attr-defined]
    assert rows["uptake_wet"]["batches"] == [1, 2]
    assert rows["uptake_wet"]["here"] == pytest.approx(62.1 / 45.9)
    assert rows["uptake_wet"]["before"] == pytest.approx((54.1 + 58.1) / 2 / 45.9)
    assert rows["uptake_wet"]["rank"] == 2
    assert set(rows) == {"uptake_wet", "pores_filled_wet"}
    assert ask(keeper, "batch_show", batch=4)["compared"] == []


def test_notes_and_photos_by_path(keeper: Keeper, ledger: Ledger) -> None:
    number = fill(ledger)
    ask(keeper, "batch_note", text="resin ran cloudy", who="second of two")
    ask(keeper, "batch_photo", path="/photos/before.jpg", sha256="ab", note="before")
    ask(keeper, "batch_photo", path="/photos/before.jpg", note="before the oven")
    book = ledger.batch(number).book
    assert [(note["text"], note["who"]) for note in book["notes"]] == [("resin ran cloudy", "second of two")]
    assert [photo["note"] for photo in book["photos"]] == ["before the oven"]
    with pytest.raises(BadInput, match="beginning with /"):
        ask(keeper, "batch_photo", path="before.jpg")
    with pytest.raises(BadInput, match="not in the ledger"):
        ask(keeper, "batch_note", batch=77, text="x")


def test_a_lot_from_its_opening_to_its_end(keeper: Keeper, ledger: Ledger, wall: Wall) -> None:
    wall.now = UTC_0 + timedelta(days=2)
    ask(keeper, "resin_open", lot="spring", mass="2.0 kg", keeps="180 d", when="2026-02-20", memory=True)
    number = fill(ledger)
    told = ask(keeper, "batch_resin", lot="spring", who="first of two")
    assert told["batch"] == number
    lot = told["lot"]
    # 211.7 g were taken up by the two pieces that were weighed.
    assert lot["mass_kg"] == pytest.approx(2.0 - 0.2117)  # type: ignore[index]
    assert lot["vacuum_s"] == pytest.approx(8400 - 45.25)  # type: ignore[index]
    # Three hours in the chamber, at the junction's 23.5 degC, were recorded.
    assert lot["temperatures_s"]["recorded"] == pytest.approx(10800 - 45.25, rel=0.01)  # type: ignore[index]
    assert lot["from_memory"] == ["opened 2026-02-20"]  # type: ignore[index]
    ask(keeper, "resin_event", lot="spring", kind="moved", place="pump", minutes="40 min", temperature="34 degC",
        when="2 h ago")  # fmt: skip
    ask(keeper, "resin_event", lot="spring", kind="measured", place="fridge", temperature="41 degF")
    event = lot_events(ledger, "spring")[1]
    assert (event.detail["minutes"], event.utc) == (40, wall.now - timedelta(hours=2))
    ask(keeper, "resin_event", lot="spring", kind="contaminated", what="red dye")
    shown = ask(keeper, "resin_show")["lots"]
    lines = "\n".join(lot_lines(shown[0]))  # type: ignore[index]
    for words in ("CONTAMINATED", "red dye", "from memory: opened 2026-02-20", "under vacuum", "told for this lot"):
        assert words in lines
    ask(keeper, "resin_event", lot="spring", kind="ended")
    assert ask(keeper, "resin_show", lot="spring")["lots"][0]["level"] == "ended"  # type: ignore[index]


def test_a_new_batch_takes_over_lot_and_settings(keeper: Keeper, ledger: Ledger) -> None:
    ask(keeper, "resin_open", lot="spring")
    fill(ledger)
    ask(keeper, "batch_resin", lot="spring")
    book = keeper.new_book()
    assert (book["resin_lot"], book["resin_lot_taken_over"]) == ("spring", True)
    number = ledger.open_batch(context=_context(), opened_utc=UTC_0 + timedelta(days=3), book=book)
    assert ledger.flush()
    assert snapshot(ledger, ledger.batch(number).book["settings"]) == {"station": "shed-bench"}
    assert ask(keeper, "batch_show", batch=number)["settings"] == {"station": "shed-bench"}
    ask(keeper, "batch_resin", batch=number, lot="spring")
    assert "resin_lot_taken_over" not in ledger.batch(number).book
    ask(keeper, "resin_event", lot="spring", kind="ended")
    assert "resin_lot" not in keeper.new_book()


def _context() -> object:
    from lastbubble.context import Context

    return Context()


@pytest.mark.parametrize(
    ("name", "fields", "said"),
    [
        ("resin_open", {"lot": ""}, "another name is wanted"),
        ("resin_open", {"lot": "a", "mass": "2"}, "mass.*no unit"),
        ("resin_open", {"lot": "a", "place": "attic"}, "allowed: freezer, fridge"),
        ("resin_open", {"lot": "a", "initiator": "magic"}, "known: AIBN"),
        ("resin_open", {"lot": "a", "keeps": "9 years"}, "no unit of duration"),
        ("resin_open", {"lot": "a", "when": "2027-01-01"}, "still to come"),
        ("resin_open", {"lot": "a", "when": "last spring"}, "write such as '40 min ago'"),
        ("resin_event", {"lot": "none", "kind": "moved"}, "there is no resin lot 'none'"),
        ("batch_resin", {"lot": "none"}, "there is no resin lot 'none'"),
        ("resin_event", {"lot": "spring", "kind": "boiled"}, "allowed: topped_up"),
        ("resin_event", {"lot": "spring", "kind": "moved", "place": "chamber"}, "known from the batches"),
        ("resin_event", {"lot": "spring", "kind": "measured", "place": "fridge"}, "temperature is missing"),
        ("resin_event", {"lot": "spring", "kind": "contaminated"}, "with what"),
        ("resin_event", {"lot": "spring", "kind": "moved", "place": "pump", "temperature": "300 degC"}, "80 degC"),
        ("batch_piece", {"label": "1", "dry": "3 s"}, "dry: .*unit of mass"),
        ("batch_note", {"text": "  "}, "write the note"),
        ("plan", {}, "cannot be asked here"),
    ],
)
def test_refusals_name_what_is_allowed(
    keeper: Keeper, ledger: Ledger, name: str, fields: dict[str, object], said: str
) -> None:
    fill(ledger)
    ask(keeper, "resin_open", lot="spring")
    with pytest.raises(BadInput, match=said):
        ask(keeper, name, **fields)


def test_a_name_is_given_once(keeper: Keeper) -> None:
    ask(keeper, "resin_open", lot="spring")
    with pytest.raises(BadInput, match="another name"):
        ask(keeper, "resin_open", lot="spring")
