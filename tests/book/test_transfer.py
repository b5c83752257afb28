"""Everything out and in again: not a digit is lost."""

from __future__ import annotations

import csv
import json
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest

from lastbubble.book.keeper import Keeper
from lastbubble.book.transfer import export_everything, import_everything
from lastbubble.context import Context
from lastbubble.errors import LastbubbleError, LogError
from lastbubble.ledger.store import Ledger
from lastbubble.records import Event, Sample
from tests.book.conftest import UTC_0, fill

Opener = Callable[..., Ledger]


def whole(ledger: Ledger, keeper: Keeper) -> None:
    """A ledger with one of everything."""
    keeper.answer("resin_open", {"lot": "spring", "mass": "2.1 kg", "memory": True})
    fill(ledger, book=keeper.new_book())
    keeper.answer("batch_resin", {"lot": "spring", "who": "first of two"})
    keeper.answer("batch_note", {"text": 'cloudy, "milky"; ü\u2028'})
    keeper.answer("batch_photo", {"path": "/photos/a b.jpg"})
    keeper.answer("resin_event", {"lot": "spring", "kind": "contaminated", "what": "dye, red"})
    second = ledger.open_batch(
        Context(station="shed"), opened_utc=UTC_0 + timedelta(days=1, microseconds=7), extra=("their_col",), boot="b",
        zero_now_s=0.1 + 0.2, source="import",
    )  # fmt: skip
    ledger.append(second, Sample(1e-3, oven_c=0.1 + 0.2, marks=("vented", "dial=260F"), trip="over"), extra=('x,"y',))
    ledger.append(second, Sample(2.5, isolated=True), [Event(2.5, "vented", since=1 / 3)], extra=("",))
    ledger.set_fact("oven_learnt", '{"a":1}')
    ledger.execute(
        "INSERT INTO notices (key, batch, urgency, title, text, happened_utc, state, acknowledged_utc, detail) "
        "VALUES ('k1', 1, 'alarm', 't', 'x', '2026-03-01T09:00:00Z', 'done', '', '{}')"
    )
    assert ledger.flush()


def files(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in sorted(folder.iterdir())}


def test_out_in_and_out_again_is_the_same_byte_for_byte(
    ledger: Ledger, keeper: Keeper, opener: Opener, tmp_path: Path
) -> None:
    whole(ledger, keeper)
    told = export_everything(ledger, tmp_path / "one")
    assert (told["batches"], told["lots"], told["samples"], told["records"]) == (2, 1, 292, 16)
    other = opener("other.db")
    assert import_everything(other, tmp_path / "one")["batches"] == {1: 1, 2: 2}
    assert other.flush()
    export_everything(other, tmp_path / "two")
    assert files(tmp_path / "one") == files(tmp_path / "two")
    # And as rows, not only as files.
    assert list(other.rows(2)) == list(ledger.rows(2))
    assert other.estimates(1) == ledger.estimates(1)
    assert len(other.estimates(1)) == 290
    assert [stored.line for stored in other.records(1)] == [stored.line for stored in ledger.records(1)]


def test_what_comes_in_is_no_news(ledger: Ledger, keeper: Keeper, opener: Opener, tmp_path: Path) -> None:
    whole(ledger, keeper)
    export_everything(ledger, tmp_path / "one")
    other = opener("other.db")
    import_everything(other, tmp_path / "one")
    assert other.flush()
    assert other.records_after(0) == []
    assert other.open_batch_row() is None
    assert other.query("SELECT count(*) FROM notices WHERE state = 'open'") == [(0,)]


def test_into_a_ledger_that_has_batches_of_its_own(
    ledger: Ledger, keeper: Keeper, opener: Opener, tmp_path: Path
) -> None:
    whole(ledger, keeper)
    export_everything(ledger, tmp_path / "one")
    other = opener("other.db")
    fill(other, name="their own")
    mine = Keeper(other, lambda: UTC_0 + timedelta(days=2), lambda: 1)
    mine.answer("resin_open", {"lot": "spring", "mass": "1 kg"})
    told = import_everything(other, tmp_path / "one")
    assert told["batches"] == {1: 2, 2: 3}
    assert other.flush()
    assert other.batch(1).name == "their own"
    assert other.batch(2).book["resin_lot"] == "spring (imported)"
    assert {state.name for state in mine.lot_states()} == {"spring", "spring (imported)"}
    assert len(list(other.samples(2))) == 290
    # Twice the same is twice the batches, and one lot.
    assert import_everything(other, tmp_path / "one")["batches"] == {1: 4, 2: 5}
    assert {state.name for state in mine.lot_states()} == {"spring", "spring (imported)"}
    assert other.open_batch(Context(), opened_utc=UTC_0) == 6


def test_tables_for_people_hold_si_numbers(ledger: Ledger, keeper: Keeper, tmp_path: Path) -> None:
    whole(ledger, keeper)
    export_everything(ledger, tmp_path / "one", [1])
    assert not (tmp_path / "one" / "batch-2.csv").exists()
    with open(tmp_path / "one" / "pieces.csv", encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["label"] for row in rows] == ["1", "2"]
    assert float(rows[0]["dry_kg"]) == pytest.approx(0.0952)
    assert float(rows[0]["uptake_wet_1"]) == pytest.approx(119.9 / 95.2)
    assert rows[1]["cured_kg"] == ""


def test_faults_are_said(ledger: Ledger, opener: Opener, keeper: Keeper, tmp_path: Path) -> None:
    whole(ledger, keeper)
    export_everything(ledger, tmp_path / "one")
    with pytest.raises(LogError, match="is not empty"):
        export_everything(ledger, tmp_path / "one")
    with pytest.raises(LastbubbleError, match="batch 9 is not in the ledger"):
        export_everything(ledger, tmp_path / "nine", [9])
    other = opener("other.db")
    with pytest.raises(LogError, match="cannot be read"):
        import_everything(other, tmp_path / "nothing")
    (tmp_path / "one" / "batch-1.jsonl").unlink()
    with pytest.raises(LogError, match="is the folder whole"):
        import_everything(other, tmp_path / "one")
    path = tmp_path / "one" / "ledger.json"
    told = json.loads(path.read_text(encoding="utf-8"))
    for broken, said in (("[]", "is wanted"), ("{", "not JSON"), (json.dumps({**told, "form": "x"}), "form is 'x'"),
                         (json.dumps({k: v for k, v in told.items() if k != "lots"}), "missing")):  # fmt: skip
        path.write_text(broken, encoding="utf-8")
        with pytest.raises(LogError, match=said):
            import_everything(other, tmp_path / "one")
