"""Disks that are full, read-only, slow to die or already dead; a latch that cannot be read."""

from __future__ import annotations

import os
import resource
import subprocess
from pathlib import Path
from typing import Any, Final

from lastbubble.desk import ask_desk
from lastbubble.errors import BadInput
from lastbubble.guard.latch import LATCH_FILE
from lastbubble.ledger.reader import Reader
from lastbubble.station import SERVICE_SOCKET
from tools.fault_cases.judge import opens
from tools.fault_cases.plan import NOTHING, Act, Case, Opens, Outcome, Setup
from tools.fault_cases.rig import Rig

__all__ = ["CASES"]

_DEAD_BUS: Final = ("no_usable_reading", "faults_in_a_row")
_LEASE_S: Final = 66.0
#: What is not in the ledger's file after this has not been written: a group is committed in five seconds.
_FRESH_S: Final = 30.0


def _limit(name: str, size_b: int | None) -> Act:
    """No file of this process may grow beyond so many bytes: what a full disk does, without one (EFBIG for ENOSPC)."""

    def act(rig: Rig) -> None:
        size = resource.RLIM_INFINITY if size_b is None else size_b
        hard = resource.prlimit(rig.children[name].pid, resource.RLIMIT_FSIZE)[1]
        resource.prlimit(rig.children[name].pid, resource.RLIMIT_FSIZE, (size, hard))

    return act


def _own_disk(rig: Rig, folder: Path, size: str) -> None:
    """A disk of its own for that folder, in memory. Needs root; Rig's end takes it off."""
    folder.mkdir(parents=True, exist_ok=True)
    subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", str(folder)], check=True, capture_output=True
    )
    rig.undo(lambda: subprocess.run(["umount", "-l", str(folder)], check=False, capture_output=True) and None)


def _fill(folder: Path) -> None:
    """Until the disk takes nothing more."""
    descriptor = os.open(folder / "filler", os.O_WRONLY | os.O_CREAT)
    try:
        while True:
            os.write(descriptor, bytes(4096))
    except OSError:
        pass
    finally:
        os.close(descriptor)


def _health(rig: Rig) -> list[str]:
    try:
        return list(ask_desk(rig.folder / "run" / SERVICE_SOCKET, {"ask": "status"}, timeout_s=5.0).get("health", []))
    except BadInput:
        return []


def _still_safe(rig: Rig) -> Outcome:
    """Heat goes on only while samples are kept (in memory at least) and the person is told; else the lease runs out.

    Then a dead bus, which must trip whatever the disk does.
    """
    rig.later(_LEASE_S, rig.line)
    health = [text for text in _health(rig) if text.startswith("ledger")]
    if not rig.line():
        outcome = opens(rig, Opens(_LEASE_S, ("lease_expired",), "withheld"))
        outcome.reaction = "lease runs out, hold"
        return outcome
    rig.strike(lambda rig: rig.probe_fault("zeros"))
    after_s = rig.wait_open(2.0)
    status = rig.status()
    rig.wait_told(("latch",), ("bench", "phone"), status)
    wrong = [] if health else ["nobody is told that the ledger does not take what it is given"]
    if after_s is None or status.state != "tripped":
        wrong.append("a dead bus did not trip")
    told = (*rig.told(status), *(("ledger's health",) if health else ()))
    return Outcome(
        not wrong,
        "ledger: " + ("told" if health else "not told"),
        "heat goes on, told; a dead bus then: trip",
        after_s,
        recorded=rig.recorded(),
        told=told,
        finding="; ".join(wrong),
    )


def _nth(which: str) -> Outcome | Any:
    """Start the service anew with a ledger whose Nth operation fails; see what becomes of the heat."""

    def expect(rig: Rig) -> Outcome:
        rig.start_again("service", env={"LASTBUBBLE_LEDGER_FAILS": which})
        rig.later(_LEASE_S + 10, rig.line)
        alive = rig.children["service"].alive
        said = f"case: operation {which.rstrip('-')} of the ledger fails"
        if said not in (rig.folder / "service.log").read_text(encoding="utf-8"):
            return Outcome(False, finding="the service has never come to that operation: nothing was tried")
        if not rig.line():
            outcome = opens(rig, Opens(_LEASE_S + 10, ("lease_expired",), "withheld"))
            outcome.reaction = f"service {'mute' if alive else 'ended'}, lease runs out, hold"
            return outcome
        health = [text for text in _health(rig) if text.startswith("ledger")]
        kept = alive and (bool(health) or _written(rig))
        return Outcome(
            kept,
            "service" if health else "",
            f"heat goes on, {'told' if health else 'tried again: samples are in the ledger'}",
            recorded=() if health else ("ledger",),
            told=("ledger's health",) if health else (),
            finding="" if kept else "heat goes on and nothing is kept",
        )

    return expect


def _written(rig: Rig) -> bool:
    """Whether the ledger's file, read by another process than the service, ends near now."""
    reader = Reader(rig.folder / "ledger.db")
    try:
        row = reader.batches()[-1]
    finally:
        reader.close()
    return row.last_time_s is not None and rig.now() - row.zero_now_s - row.last_time_s < _FRESH_S


def _unlatched_trip(rig: Rig) -> Outcome:
    """The guard's own disk takes nothing: the relay opens all the same, and no permit until the latch is stored."""
    rig.strike(lambda rig: rig.probe_fault("zeros"))
    after_s = rig.wait_open(2.0)
    rig.later(3.0)
    status = rig.status()
    rig.wait_told((), ("bench", "phone"), status)
    wrong: list[str] = []
    if after_s is None or status.state != "tripped":
        wrong.append("a dead bus did not trip")
    if status.trip is not None and status.trip.stored:
        wrong.append("it says that the trip is on the disk")
    return Outcome(
        not wrong,
        ", ".join(rig.causes(status)[:1]),
        "trip, told as not stored, written as soon as the disk takes it",
        after_s,
        recorded=rig.recorded(),
        told=rig.told(status),
        finding="; ".join(wrong),
    )


def _broken_latch(content: bytes) -> Act:
    def act(rig: Rig) -> None:
        rig.children.end("guard")
        path = rig.folder / "guard" / LATCH_FILE
        path.parent.mkdir(exist_ok=True)
        path.write_bytes(content)
        rig.start("guard")
        rig.bench.go()
        rig.bench.wait_joined("guard")

    return act


def _stands_tripped(rig: Rig) -> Outcome:
    rig.later(5.0)
    status = rig.status()
    answer = rig.ask("permit")
    rig.later(2.0)
    wrong: list[str] = []
    if status.state != "tripped":
        wrong.append(f"it is {status.state}")
    if answer.ok or rig.line():
        wrong.append("heat was permitted")
    cause = "" if status.trip is None else status.trip.cause
    rig.wait_told((), ("bench", "phone"), status)
    return Outcome(
        not wrong, cause, "tripped from the start, no permit", told=rig.told(status), finding="; ".join(wrong)
    )


def _guard_disk(rig: Rig) -> None:
    """The guard's folder on a disk of its own from here on: seen by it only at its next write, by path."""
    _own_disk(rig, rig.folder / "guard", "64k")


CASES = (
    Case("ledger_disk_full", ("F-91",), "the ledger's disk is full", _limit("service", 0), _still_safe),
    Case(
        "ledger_disk_full_later",
        ("F-91", "F-93"),
        "the ledger's disk fills up while it runs (64 KiB more)",
        lambda rig: _limit("service", (rig.folder / "ledger.db").stat().st_size + 65536)(rig),
        _still_safe,
    ),
    *(
        Case(
            f"ledger_fails_at_{number}",
            ("F-95", "F-92", "F-94"),
            f"the ledger's operation {number} after a start fails",
            NOTHING,
            _nth(str(number)),
        )
        for number in (1, 2, 3, 5, 8, 13, 21, 34)
    ),
    *(
        Case(
            f"ledger_fails_from_{number}",
            ("F-89", "F-95"),
            f"every operation of the ledger from {number} after a start fails",
            NOTHING,
            _nth(f"{number}-"),
        )
        for number in (1, 13, 34)
    ),
    Case(
        "guard_disk_full",
        ("F-91",),
        "the guard's disk is full when it trips",
        _limit("guard", 0),
        _unlatched_trip,
        covered="nothing on disk could forget the trip but a restart, and after every start heat is withheld",
    ),
    Case(
        "guard_disk_read_only",
        ("F-89",),
        "the guard's disk has been remounted read-only when it trips",
        lambda rig: (
            _guard_disk(rig),
            subprocess.run(["mount", "-o", "remount,ro", str(rig.folder / "guard")], check=True),
        ),
        _unlatched_trip,
        covered="as for a full one",
        needs_root=True,
    ),
    Case(
        "ledger_small_disk_full",
        ("F-91",),
        "a small disk of the ledger's own fills up under it",
        NOTHING,
        lambda rig: _own_ledger_disk(rig, read_only=False),
        Setup(parts=("guard", "thermometer")),
        needs_root=True,
    ),
    Case(
        "ledger_disk_read_only",
        ("F-89",),
        "the ledger's disk is read-only when the service is started again",
        NOTHING,
        lambda rig: _own_ledger_disk(rig, read_only=True),
        Setup(parts=("guard", "thermometer")),
        needs_root=True,
    ),
    Case(
        "latch_scrambled",
        ("F-95", "F-90"),
        "the latch on the disk is garbage",
        _broken_latch(b"\x00\xff" * 40),
        _stands_tripped,
        Setup(permit=False),
    ),
    Case(
        "latch_empty",
        ("F-92",),
        "the latch is an empty file after a power cut",
        _broken_latch(b""),
        _stands_tripped,
        Setup(permit=False),
    ),
    Case(
        "latch_cut_short",
        ("F-92",),
        "the latch is cut short",
        _broken_latch(b'{"tripped": fal'),
        _stands_tripped,
        Setup(permit=False),
    ),
)


def _own_ledger_disk(rig: Rig, *, read_only: bool) -> Outcome:
    """The ledger on a disk of its own, which fills up under the running service, or is read-only at its next start."""
    disk = rig.folder / "disk"
    _own_disk(rig, disk, "24m")
    text = rig.bench.settings.read_text(encoding="utf-8")
    own = str(disk / "ledger.db")
    rig.bench.settings.write_text(text.replace(str(rig.folder / "ledger.db"), own), encoding="utf-8")
    rig.start_again("service")
    rig.later(20.0)
    if read_only:
        rig.children.end("service")
        subprocess.run(["mount", "-o", "remount,ro", str(disk)], check=True, capture_output=True)
        rig.start_again("service")
        if not rig.children["service"].alive:
            outcome = opens(rig, Opens(_LEASE_S + 30, ("lease_expired",), "withheld"))
            outcome.reaction = "service refuses to start, lease runs out, hold"
            return outcome
    else:
        _fill(disk)
    return _still_safe(rig)
