"""Loaded by the interpreter of a service under test, before anything of the service.

LASTBUBBLE_CASE_PINS makes the simulated board's pins those of the process, where a board's own would be found.

LASTBUBBLE_LEDGER_FAILS makes one operation of the ledger's file fail ("N": the Nth only), or every one from there on
("N-"). Below the ledger, above the disk: each statement and each commit of every SQLite connection is counted, and the
chosen one raises what SQLite raises when the disk does. Statements that only read count too: a dying card fails those
as well.
"""

import os
import sqlite3
import sys
import threading

if os.environ.get("LASTBUBBLE_CASE_PINS"):
    from gpiozero import Device

    from tools.plant.wire.pins import BenchFactory

    Device.pin_factory = BenchFactory()

_asked = os.environ.get("LASTBUBBLE_LEDGER_FAILS", "")

if _asked:
    _first = int(_asked.rstrip("-"))
    _last = float("inf") if _asked.endswith("-") else _first
    _lock = threading.Lock()
    _count = 0

    def _one_more() -> None:
        global _count
        with _lock:
            _count += 1
            count = _count
        if _first <= count <= _last:
            if count == _first:
                print(f"case: operation {count} of the ledger fails", file=sys.stderr, flush=True)
            failure = sqlite3.OperationalError("disk I/O error")
            failure.sqlite_errorcode = 10  # SQLITE_IOERR
            failure.sqlite_errorname = "SQLITE_IOERR"
            raise failure

    class _Connection(sqlite3.Connection):
        def execute(self, *args, **kwargs):
            _one_more()
            return super().execute(*args, **kwargs)

        def executemany(self, *args, **kwargs):
            _one_more()
            return super().executemany(*args, **kwargs)

        def executescript(self, *args, **kwargs):
            _one_more()
            return super().executescript(*args, **kwargs)

        def commit(self):
            _one_more()
            super().commit()

    _connect = sqlite3.connect

    def _failing(*args, **kwargs):
        kwargs.setdefault("factory", _Connection)
        return _connect(*args, **kwargs)

    sqlite3.connect = _failing
