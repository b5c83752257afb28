"""What a ledger holds after a power cut, as one line of JSON: ledger_check.py DB ANSWER

Begins, with all that it needs already loaded, when a line comes on its standard input; the answer is a file.

opens : as the service opens it;  damage : what SQLite's own full check says;  kept : samples a batch, counted while
they are the ones that were written, without a gap
"""

import json
import sqlite3
import sys
from contextlib import closing
from pathlib import Path

from lastbubble.ledger.store import Ledger, LedgerSettings

path, answer = Path(sys.argv[1]), Path(sys.argv[2])
sys.stdin.readline()
found = {"opens": False, "damage": "", "kept": {}, "aside": 0}
if path.exists():
    with closing(Ledger.open(path, LedgerSettings(low_room_b=0, least_room_b=0, ballast_b=0))) as ledger:
        found["opens"] = True
        for row in ledger.batches():
            found["kept"].setdefault(row.id, 0)
    with closing(sqlite3.connect(path)) as file:
        found["damage"] = file.execute("pragma integrity_check").fetchone()[0]
        for batch in found["kept"]:
            n = 0
            for time_s, chamber_pa, oven_c in file.execute(
                "select time_s, chamber_pa, oven_c from samples where batch = ? order by time_s", (batch,)
            ):
                if (time_s, chamber_pa, oven_c) != (n + 1.0, 3000.0 - (n + 1) / 7, 20.0 + (n + 1) / 3):
                    break
                n += 1
            found["kept"][batch] = n
    # A ledger that was put aside as damaged would look like an empty one.
    found["aside"] = sum(1 for other in path.parent.iterdir() if other.name.startswith(path.name + ".damaged"))
answer.write_text(json.dumps(found))
