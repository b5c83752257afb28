"""Lots, deeds and settings in the ledger: in a new one, and in one of every earlier version."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import pytest

from lastbubble.context import Context
from lastbubble.ledger import schema
from lastbubble.ledger.schema import APPLICATION_ID, MIGRATIONS, SCHEMA_VERSION
from lastbubble.ledger.shelf import (
    Deed,
    LotEvent,
    LotRow,
    deeds,
    lot_events,
    lots,
    put_deed,
    put_event,
    put_lot,
    put_snapshot,
    snapshot,
)
from tests.ledger.conftest import UTC_0, Opener


@pytest.mark.parametrize("version", range(SCHEMA_VERSION + 1))
def test_what_is_put_on_the_shelf_is_there(version: int, opener: Opener, tmp_path: Path) -> None:
    """0: a new file."""
    if version:
        link = schema.connect(tmp_path / "ledger.db", write=True)
        for script in MIGRATIONS[:version]:
            for statement in script.split(";"):
                link.execute(statement)
        link.execute(f"PRAGMA application_id={APPLICATION_ID}")
        link.execute(f"PRAGMA user_version={version}")
        link.close()
    ledger = opener()
    lot = LotRow("spring", {"keeps_s": 1e7})
    event = LotEvent("spring", UTC_0 - timedelta(days=3), UTC_0, "moved", {"place": "pump"}, memory=True, who="one")
    batch = ledger.open_batch(Context(), opened_utc=UTC_0)
    deed = Deed(batch, UTC_0, 12.5, "mark vented", "one", "page")
    put_lot(ledger, lot)
    put_lot(ledger, replace(lot, facts={"keeps_s": 2e7}))
    put_event(ledger, replace(event, kind="note", utc=UTC_0, detail={}))
    put_event(ledger, event)
    put_deed(ledger, deed)
    digest = put_snapshot(ledger, {"station": "shed"})
    assert put_snapshot(ledger, {"station": "shed"}) == digest
    assert ledger.flush()
    assert lots(ledger) == [LotRow("spring", {"keeps_s": 2e7})]
    assert [found.kind for found in lot_events(ledger, "spring")] == ["moved", "note"], "by when it happened"
    assert lot_events(ledger)[0] == event
    assert deeds(ledger, batch) == [deed]
    assert snapshot(ledger, digest) == {"station": "shed"}
    assert snapshot(ledger, "none") == {}
    ledger.close_batch(batch, UTC_0)
    ledger.remove_batch(batch)
    assert ledger.flush()
    assert deeds(ledger, batch) == []
    assert lots(ledger) != []


def test_a_batch_taken_in_never_writes_over_another(opener: Opener) -> None:
    ledger = opener()
    own = ledger.open_batch(Context(), opened_utc=UTC_0, name="own")
    row = replace(ledger.batch(own), name="theirs", source="import:live")
    with pytest.raises(ValueError, match="not live"):
        ledger.put_batch(replace(row, source="live"))
    assert ledger.put_batch(row) == own + 1
    assert ledger.put_batch(replace(row, id=40)) == 40
    assert ledger.open_batch(Context(), opened_utc=UTC_0) == 41
    assert ledger.flush()
    assert [(one.id, one.name) for one in ledger.batches()] == [(1, "own"), (2, "theirs"), (40, "theirs"), (41, "")]
