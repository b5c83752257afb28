"""Keep samples as fast as the card takes them, tell each group once it is said to be kept: ledger_write.py DB PORT

Begins, with all that it needs already loaded, when a line comes on its standard input.
"""

import sys
from datetime import UTC, datetime

from lastbubble.context import Context
from lastbubble.ledger.store import Ledger, LedgerSettings
from lastbubble.records import Sample, Stage

path, port = sys.argv[1:]
sys.stdin.readline()
ledger = Ledger.open(path, LedgerSettings(low_room_b=0, least_room_b=0, ballast_b=0))
batch = ledger.open_batch(Context(), opened_utc=datetime.now(UTC), name="power cuts")
with open(port, "w", buffering=1) as wire:
    wire.write(f"batch {batch} 0\n")
    n = 0
    while True:
        for _ in range(5):
            n += 1
            records = [Stage(float(n), "degassing", since=float(n))] if n % 25 == 0 else []
            ledger.append(batch, Sample(float(n), chamber_pa=3000.0 - n / 7, oven_c=20.0 + n / 3), records)
        if ledger.flush():
            wire.write(f"kept {batch} {n}\n")
