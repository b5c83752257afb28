"""Cards that are full, read-only or damaged: nothing crashes, the person is told, and what could be kept is kept."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest

from lastbubble.context import Context
from lastbubble.ledger import schema, writer
from lastbubble.ledger.card import Card
from lastbubble.ledger.schema import APPLICATION_ID, MIGRATIONS, SCHEMA_VERSION
from lastbubble.ledger.store import Health, Ledger, LedgerRefused, Reader
from lastbubble.records import Event, Sample
from tests.ledger.conftest import SMALL, UTC_0, Opener, said, sample
from tests.ledger.test_store import fill, wait_for


@pytest.fixture(autouse=True)
def quick_retries(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(writer, "_RETRY_S", (0.02, 0.05))


def link_of(ledger: Ledger) -> sqlite3.Connection:
    link = ledger._writer._link
    assert link is not None
    return link


def seconds(ledger: Ledger, batch: int) -> list[float]:
    return [one.time_s for one in ledger.samples(batch)]


def test_a_full_card_loses_nothing_and_is_made_good(opener: Opener) -> None:
    heard: list[Health] = []
    ledger = opener(heard=heard)
    batch = fill(ledger, range(100))
    assert ledger.flush()
    link_of(ledger).execute("PRAGMA max_page_count=1")  # SQLite answers SQLITE_FULL from now on
    fill(ledger, range(100, 400), batch)
    wait_for(lambda: ledger.health.cause == "full")
    assert ledger.health.waiting > 200
    assert "delete old files" in ledger.health.text
    assert len(seconds(ledger, batch)) == 400, "readers see what waits in memory"
    assert len(ledger.records_after(0)) == sum(len(said(second)) for second in range(400))
    link_of(ledger).execute("PRAGMA max_page_count=1000000")
    wait_for(lambda: ledger.health.well)
    assert ledger.flush()
    assert [health.cause for health in heard] == ["full", ""]
    ledger.close()
    again = opener()
    assert list(again.samples(batch)) == [sample(second) for second in range(400)]


def test_the_ballast_makes_room_for_the_last_records(opener: Opener, tmp_path: Path) -> None:
    ledger = opener(settings=replace(SMALL, ballast_b=1 << 16))
    ballast = tmp_path / "ledger.db.ballast"
    assert ballast.stat().st_size == 1 << 16
    batch = fill(ledger, range(10))
    assert ledger.flush()
    link_of(ledger).execute("PRAGMA max_page_count=1")
    fill(ledger, range(10, 400), batch)
    wait_for(lambda: not ballast.exists())
    link_of(ledger).execute("PRAGMA max_page_count=1000000")


def test_little_room_is_told_and_hardly_any_keeps_records_only(opener: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    room = [400_000_000]
    monkeypatch.setattr(Card, "room_b", lambda _: room[0])
    heard: list[Health] = []
    ledger = opener(settings=replace(SMALL, low_room_b=500_000_000, least_room_b=100_000_000), heard=heard)
    batch = fill(ledger, range(20))
    assert ledger.flush()
    assert ledger.health.cause == "low_room"
    room[0] = 50_000_000
    fill(ledger, range(20, 60), batch)
    wait_for(lambda: ledger.health.cause == "no_room")
    other = Reader(ledger.path)
    try:
        wait_for(lambda: other.record_count(batch) == sum(len(said(second)) for second in range(60)))
        assert len(list(other.samples(batch))) == 20
    finally:
        other.close()
    assert len(seconds(ledger, batch)) == 60
    room[0] = 10**12
    assert ledger.flush()
    wait_for(lambda: ledger.health.well)
    assert [health.cause for health in heard] == ["low_room", "no_room", ""]
    ledger.close()
    assert seconds(opener(), batch) == [second + 0.125 for second in range(60)]


def test_samples_held_back_are_kept_at_a_clean_end(opener: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    ledger = opener(settings=replace(SMALL, least_room_b=100_000_000))
    batch = fill(ledger, range(0))
    assert ledger.flush()
    monkeypatch.setattr(Card, "room_b", lambda _: 50_000_000)
    fill(ledger, range(30), batch)
    ledger.close()
    assert len(seconds(opener(), batch)) == 30


def test_a_card_gone_read_only_loses_nothing(opener: Opener) -> None:
    ledger = opener()
    batch = fill(ledger, range(10))
    assert ledger.flush()
    opened = ledger._writer._card.open
    ledger._writer._card.open = lambda: refuse()  # type: ignore[method-assign]

    def refuse() -> sqlite3.Connection:
        link = opened()
        link.execute("PRAGMA query_only=1")  # SQLite answers SQLITE_READONLY
        return link

    link_of(ledger).execute("PRAGMA query_only=1")
    fill(ledger, range(10, 60), batch)
    wait_for(lambda: ledger.health.cause == "read_only")
    assert "read-only" in ledger.health.text
    ledger._writer._card.open = opened  # type: ignore[method-assign]
    wait_for(lambda: ledger.health.well)
    assert ledger.flush()
    assert len(seconds(ledger, batch)) == 60


def test_another_program_that_holds_the_file_is_waited_for(opener: Opener) -> None:
    ledger = opener()
    batch = fill(ledger, range(10))
    assert ledger.flush()
    link_of(ledger).execute("PRAGMA busy_timeout=10")
    holder = sqlite3.connect(ledger.path, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    fill(ledger, range(10, 60), batch)
    wait_for(lambda: ledger.health.cause == "busy")
    holder.execute("ROLLBACK")
    holder.close()
    wait_for(lambda: ledger.health.well)
    assert ledger.flush()
    assert len(seconds(ledger, batch)) == 60


def test_memory_has_a_bound_and_the_story_goes_last(opener: Opener) -> None:
    ledger = opener(settings=replace(SMALL, ram_samples=50))
    batch = fill(ledger, range(5))
    assert ledger.flush()
    link_of(ledger).execute("PRAGMA busy_timeout=10")
    holder = sqlite3.connect(ledger.path, isolation_level=None)
    holder.execute("BEGIN IMMEDIATE")
    ledger.append(batch, sample(5, marks=("rocked",)), wait_s=0)
    ledger.append(batch, sample(6, trip="over_temperature"), wait_s=0)
    for second in range(7, 207):
        ledger.append(batch, sample(second), said(second), wait_s=0.01)
    assert ledger.health.lost == 152
    kept = seconds(ledger, batch)
    assert kept[5:7] == [5.125, 6.125], "the mark and the trip"
    assert kept[7:] == [second + 0.125 for second in range(159, 207)], "and the newest"
    assert ledger.record_count(batch) == sum(len(said(second)) for second in range(7, 207)), (
        "records are never given up"
    )
    holder.execute("ROLLBACK")
    holder.close()
    assert ledger.flush()


def test_a_row_that_the_table_refuses_does_not_hold_up_the_others(opener: Opener) -> None:
    ledger = opener()
    batch = fill(ledger, range(3))
    ledger.append(batch, sample(2))  # that time is taken
    ledger.execute("INSERT INTO facts VALUES (?, ?)", (None, None))
    fill(ledger, range(3, 6), batch)
    assert ledger.flush()
    assert ledger.health.well
    assert seconds(ledger, batch) == [second + 0.125 for second in range(6)]


def test_a_listener_that_fails_stops_nothing(tmp_path: Path) -> None:
    def broken(_: Health) -> None:
        raise RuntimeError("listener")

    ledger = Ledger.open(tmp_path / "ledger.db", SMALL, broken)
    try:
        batch = fill(ledger, range(10))
        assert ledger.flush()
        link_of(ledger).execute("PRAGMA max_page_count=1")
        fill(ledger, range(10, 400), batch)
        wait_for(lambda: ledger.health.cause == "full")
        link_of(ledger).execute("PRAGMA max_page_count=1000000")
        wait_for(lambda: ledger.health.well)
        assert ledger.flush()
    finally:
        ledger.close()


def test_a_ledger_that_can_not_be_made_lives_in_memory(opener: Opener, monkeypatch: pytest.MonkeyPatch) -> None:
    real = schema.connect

    def refused(*_: object, **__: object) -> sqlite3.Connection:
        raise sqlite3.OperationalError("unable to open database file")

    monkeypatch.setattr(schema, "connect", refused)
    ledger = opener()
    assert not ledger.health.well
    batch = fill(ledger, range(60))
    assert (batch, len(seconds(ledger, batch))) == (1, 60)
    assert ledger.open_batch_row() == ledger.batch(batch)
    assert [row.id for row in ledger.batches()] == [1]
    assert len(ledger.records_after(0)) == sum(len(said(second)) for second in range(60))
    monkeypatch.setattr(schema, "connect", real)
    wait_for(lambda: ledger.health.well)
    assert ledger.flush()
    ledger.close()
    assert len(seconds(opener(), batch)) == 60


# -- damage -------------------------------------------------------------------------------------------------------


def made(path: Path, seconds: int = 4000) -> int:
    ledger = Ledger.open(path, SMALL)
    batch = fill(ledger, range(seconds))
    ledger.close()
    assert not path.with_name(path.name + "-wal").exists()
    return batch


def zero_page_1(path: Path) -> None:
    with path.open("r+b") as file:
        file.write(bytes(4096))


def zero_a_leaf(path: Path) -> None:
    with path.open("r+b") as file:
        file.seek(20 * 4096)
        file.write(bytes(4096))


def cut(path: Path) -> None:
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size // 2 // 4096 * 4096)


def scramble(path: Path) -> None:
    with path.open("r+b") as file:
        file.seek(20 * 4096)
        file.write(bytes(range(256)) * 16)


def no_database(path: Path) -> None:
    path.write_bytes(b"this is a text, and a long one" * 400)


@pytest.mark.parametrize("damage", [zero_page_1, zero_a_leaf, cut, scramble, no_database])
def test_a_damaged_ledger_is_put_aside_and_told(damage: Callable[[Path], None], opener: Opener, tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    made(path)
    damage(path)
    broken = path.read_bytes()
    heard: list[Health] = []
    ledger = opener(heard=heard)
    assert heard[0].cause == "damaged"
    assert heard[0].aside == f"{path}.damaged-1"
    assert Path(heard[0].aside).read_bytes() == broken, "nothing of it is thrown away"
    batch = fill(ledger, range(10))
    assert ledger.flush()
    assert len(seconds(ledger, batch)) == 10
    wait_for(lambda: ledger.health.well)
    assert "put aside as" in ledger.health.text
    ledger.close()
    assert opener().health == Health()


def test_an_empty_file_is_a_new_ledger(opener: Opener, tmp_path: Path) -> None:
    (tmp_path / "ledger.db").touch()
    ledger = opener()
    assert ledger.health == Health()
    fill(ledger, range(3))
    assert ledger.flush()


def test_damage_while_it_runs_begins_anew_with_the_open_batch(opener: Opener, tmp_path: Path) -> None:
    heard: list[Health] = []
    ledger = opener(heard=heard)
    batch = fill(ledger, range(1000))
    ledger.set_cursor("mqtt", 7)
    assert ledger.flush()
    last = ledger.last_seq()
    path = tmp_path / "ledger.db"
    link_of(ledger).execute("PRAGMA wal_checkpoint(TRUNCATE)")
    no_database(path)
    link_of(ledger).execute("PRAGMA shrink_memory")
    fill(ledger, range(1000, 1100), batch)
    wait_for(lambda: bool(ledger.health.aside) and ledger.health.well)
    assert "damaged" in [health.cause for health in heard]
    assert ledger.flush()
    ledger.close()
    again = opener()
    row = again.open_batch_row()
    assert row is not None
    assert (row.id, row.name) == (batch, "maple blanks")
    assert seconds(again, batch)[-100:] == [second + 0.125 for second in range(1000, 1100)]
    assert again.cursor("mqtt") == 7
    assert again.records_after(0)[0].seq > last, "record numbers go on rising"


# -- what is not ours -----------------------------------------------------------------------------------------------


def test_a_database_of_something_else_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    with sqlite3.connect(path) as link:
        link.execute("CREATE TABLE photos (id)")
    link.close()
    with pytest.raises(LedgerRefused, match="of something else"):
        Ledger.open(path, SMALL)
    with pytest.raises(LedgerRefused, match="of something else"):
        Reader(path)


def test_a_newer_ledger_is_refused_and_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    made(path, 10)
    with sqlite3.connect(path) as link:
        link.execute(f"PRAGMA user_version={SCHEMA_VERSION + 1}")
    link.close()
    with pytest.raises(LedgerRefused, match=f"newer version of this program \\(schema {SCHEMA_VERSION + 1}"):
        Ledger.open(path, SMALL)
    with sqlite3.connect(path) as link:
        assert link.execute("SELECT count(*) FROM samples").fetchone() == (10,)
    link.close()


def test_a_place_that_can_not_be_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").touch()
    with pytest.raises(LedgerRefused, match="a place inside a folder"):
        Ledger.open(tmp_path / "file" / "ledger.db", SMALL)


@pytest.mark.parametrize("version", range(1, SCHEMA_VERSION))
def test_a_ledger_of_every_earlier_version_is_brought_up(version: int, opener: Opener, tmp_path: Path) -> None:
    path = tmp_path / "ledger.db"
    link = schema.connect(path, write=True)
    for script in MIGRATIONS[:version]:
        for statement in script.split(";"):
            link.execute(statement)
    link.execute(f"PRAGMA application_id={APPLICATION_ID}")
    link.execute(f"PRAGMA user_version={version}")
    link.execute(
        "INSERT INTO batches VALUES (3, 'old', 'live', '2026-01-01T00:00:00Z', '', '{}', '[]', '{}', '', '[]', 0,"
        "'', 5, '')"
    )
    link.execute("INSERT INTO samples (batch, time_s, oven_c, marks) VALUES (3, 5.5, 20.5, 'vented;drained')")
    link.execute(
        'INSERT INTO records VALUES (41, 3, 5.5, \'event\', \'{"t":5.5,"kind":"event","name":"vented","since":5.0}\')'
    )
    link.close()
    ledger = opener()
    assert list(ledger.samples(3)) == [Sample(5.5, oven_c=20.5, marks=("vented", "drained"))]
    assert ledger.records_after(0)[0].record == Event(5.5, "vented", since=5.0)
    assert (ledger.last_seq(), ledger.open_batch(Context(), opened_utc=UTC_0)) == (41, 4)
    assert ledger.flush()
    with sqlite3.connect(path) as link:
        assert link.execute("PRAGMA user_version").fetchone() == (SCHEMA_VERSION,)
    link.close()
