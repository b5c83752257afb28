"""The plug is pulled while the ledger is being written, again and again, on one and the same disk.

What the ledger said was kept is told to the host over a port of its own before the plug goes; after each cut the disk
is mounted by a fresh machine, the ledger opened as the service opens it, and everything told so far is looked for.

It loses what the guest had not handed to its disk. It models no card that lies about having written.
"""

from __future__ import annotations

import json
import pathlib
import random
from dataclasses import dataclass

from tools.vm.machine import VM, Timeout
from tools.vm.station import BENCH, must, say

__all__ = ["Cuts", "cut_power"]

_DB = "/mnt/ledger.db"
_MOUNT = "blockdev --flushbufs /dev/vdb && mount -t ext4 -o errors=remount-ro /dev/vdb /mnt"


@dataclass(frozen=True, slots=True)
class Cuts:
    """cuts : made and looked at;  kept : samples that the ledger had said were kept;  faults : what was wrong"""

    cuts: int
    kept: int
    faults: tuple[str, ...]


def cut_power(warm: pathlib.Path, disk: pathlib.Path, cuts: int, seed: int = 1) -> Cuts:
    """Pull the plug `cuts` times, on `disk` (made anew)."""
    chance = random.Random(seed)
    with disk.open("wb") as file:
        file.truncate(128 << 20)
    told: dict[int, int] = {}
    faults: list[str] = []
    for number in range(cuts + 1):
        with VM(warm=warm, second_disk=disk) as vm:
            must(vm, "systemctl stop lastbubble lastbubble-thermometer lastbubble-guard")
            if number == 0:
                must(vm, "mkfs.ext4 -q /dev/vdb")
            must(vm, _MOUNT)
            if number > 0:
                fault = _look(vm, told)
                if fault:
                    faults.append(f"cut {number}: {fault}")
                say(
                    f"power cut {number} of {cuts}: {fault or 'nothing lost'}; {sum(told.values())} samples kept so far"
                )
            if number < cuts:
                vm.spawn(f"/opt/venv/bin/python {BENCH}/ledger_write.py {_DB} /dev/virtio-ports/lastbubble.told")
                if not vm.told.wait(lambda heard: len(heard) > 1, 120):
                    raise Timeout("the ledger keeps nothing")
                vm.told.wait(lambda _: False, chance.uniform(0.2, 3.0))
            vm.cut_power()
            for _, line in vm.told.heard():
                _, batch, n = line.split()
                told[int(batch)] = max(told.get(int(batch), 0), int(n))
    return Cuts(cuts, sum(told.values()), tuple(faults))


def _look(vm: VM, told: dict[int, int]) -> str:
    """What is wrong with the ledger, "" when nothing is."""
    done = vm.run(f"/opt/venv/bin/python {BENCH}/ledger_check.py {_DB}", 300)
    try:
        found = json.loads(done.out)
    except ValueError:
        return f"the ledger does not open: {done.err[-400:]}"
    if not found["opens"] or found["damage"] != "ok" or found["aside"]:
        return f"damaged: {found}"
    kept = {int(batch): n for batch, n in found["kept"].items()}
    lost = {batch: n - kept.get(batch, 0) for batch, n in told.items() if kept.get(batch, 0) < n}
    return f"lost samples that were kept, a batch: {lost}" if lost else ""
