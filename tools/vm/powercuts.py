"""The plug is pulled while the ledger is being written, again and again, on one and the same disk.

What the ledger said was kept is told to the host over a port of its own before the plug goes; after each cut the disk
is mounted by a fresh machine, the ledger opened as the service opens it, and everything told so far is looked for.

It loses what the guest had not handed to its disk. It models no card that lies about having written.

The machine is frozen a second time before the cuts, with the station stopped and both programs loaded and waiting, so
that a cut costs seconds.
"""

from __future__ import annotations

import json
import pathlib
import random
import tempfile
from dataclasses import dataclass

from tools.vm.machine import SECOND_DISK_B, VM, Timeout
from tools.vm.station import BENCH, main_pid, must, say

__all__ = ["Cuts", "cut_power"]

_DB = "/mnt/ledger.db"
_ANSWER = "/run/answer"
_GUEST = pathlib.Path(__file__).with_name("guest")
_MOUNT = "blockdev --flushbufs /dev/vdb && mount -t ext4 -o errors=remount-ro /dev/vdb /mnt"


@dataclass(frozen=True, slots=True)
class Cuts:
    """cuts : made and looked at;  kept : samples that the ledger had said were kept;  faults : what was wrong"""

    cuts: int
    kept: int
    faults: tuple[str, ...]


def make_ready(warm: pathlib.Path, folder: pathlib.Path) -> None:
    """Freeze the machine into `folder` once more, with only the writer and the checker, which wait for a word."""
    with VM(warm=warm) as vm:
        must(vm, "systemctl stop lastbubble lastbubble-thermometer lastbubble-guard oven lines; mkdir -p /run/bench")
        for name, words in (("write", "/dev/virtio-ports/lastbubble.told"), ("check", _ANSWER)):
            program = f"{BENCH}/ledger_{name}.py"
            # This checkout's, whatever the machine was built with.
            vm.write(program, (_GUEST / program.lstrip("/")).read_bytes())
            must(
                vm,
                f"mkfifo /run/bench/{name} && systemd-run -q --unit=ledger-{name} /bin/sh -c "
                f"'exec /opt/venv/bin/python {program} {_DB} {words} <>/run/bench/{name}'",
            )
        # Loaded, and waiting for their word.
        for name in ("write", "check"):
            pid = main_pid(vm, f"ledger-{name}")
            must(vm, f"until grep -q pipe /proc/{pid}/wchan; do sleep 0.5; done")
        must(vm, "sync")
        vm.freeze(folder)


def cut_power(warm: pathlib.Path, disk: pathlib.Path, cuts: int, seed: int = 1) -> Cuts:
    """Pull the plug `cuts` times, on `disk` (made anew)."""
    chance = random.Random(seed)
    with disk.open("wb") as file:
        file.truncate(SECOND_DISK_B)
    told: dict[int, int] = {}
    faults: list[str] = []
    looked = kept = 0
    with tempfile.TemporaryDirectory(prefix="lbcuts.") as place:
        ready = pathlib.Path(place)
        try:
            make_ready(warm, ready)
            for number in range(cuts + 1):
                with VM(warm=ready, second_disk=disk) as vm:
                    must(vm, _MOUNT if number > 0 else f"mkfs.ext4 -q /dev/vdb && {_MOUNT}")
                    if number > 0:
                        fault = _look(vm, told)
                        if fault:
                            faults.append(f"cut {number}: {fault}")
                        looked, kept = number, sum(told.values())
                        say(f"power cut {number} of {cuts}: {fault or 'nothing lost'}; {kept} samples kept so far")
                    if number < cuts:
                        _cut_while_it_writes(vm, chance.uniform(0.2, 3.0), told)
        except (Timeout, RuntimeError, OSError) as exc:
            # The machine that is cut gave up, not the ledger: what was looked at until then stands.
            return Cuts(looked, kept, tuple(faults), f"{type(exc).__name__}: {exc}")
    return Cuts(looked, kept, tuple(faults))


def _cut_while_it_writes(vm: VM, after_s: float, told: dict[int, int]) -> None:
    """Have it write, pull the plug so many seconds after the first group was kept, add to what was told."""
    must(vm, "echo go >/run/bench/write")
    if not vm.told.wait(lambda heard: len(heard) > 1, 1800):
        raise Timeout("the ledger keeps nothing")
    vm.told.wait(lambda _: False, after_s)
    vm.cut_power()
    for _, line in vm.told.heard():
        _, batch, n = line.split()
        told[int(batch)] = max(told.get(int(batch), 0), int(n))


def _look(vm: VM, told: dict[int, int]) -> str:
    """What is wrong with the ledger, "" when nothing is."""
    done = vm.run(
        f"echo go >/run/bench/check; while systemctl -q is-active ledger-check; do sleep 0.2; done; cat {_ANSWER} || "
        "journalctl -q -o cat --no-pager -u ledger-check -n 8",
        1800,
    )
    try:
        found = json.loads(done.out)
    except ValueError:
        return f"the ledger does not open: {done.out[-400:]}"
    if not found["opens"] or found["damage"] != "ok" or found["aside"]:
        return f"damaged: {found}"
    kept = {int(batch): n for batch, n in found["kept"].items()}
    lost = {batch: n - kept.get(batch, 0) for batch, n in told.items() if kept.get(batch, 0) < n}
    return f"lost samples that were kept, a batch: {lost}" if lost else ""
