"""Breaks a whole machine: a small Debian in QEMU with real systemd, a kernel's GPIO line and a hardware watchdog.

    ./tools/faults --vm [--only NAME ...] [--cuts N] [--list]      (or: python -m tools.faults_vm)

The first run builds the machine (tools/vm/README.md: what it needs, root, minutes); every run installs the wheel and
the units of this checkout into it, permits heat, and puts each fault into a copy of that hot machine. The relay's line
is read from the kernel, from outside the processes. Prints the table and `N injected, N safe, 0 unsafe`; exit code 1
when anything was unsafe.
"""

from __future__ import annotations

import argparse
import pathlib
import signal
import subprocess
import sys
import tempfile
import time

from tools.vm.cases import CASES, Outcome, judge
from tools.vm.machine import HOME, VM, Timeout
from tools.vm.powercuts import cut_power
from tools.vm.station import journal, make_warm, say, speed

__all__ = ["main"]

CUTS = 100


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="faults --vm", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument(
        "--only", nargs="+", metavar="NAME", help="these faults (see --list); `cuts` are the power cuts"
    )
    parser.add_argument(
        "--cuts", type=int, default=CUTS, help=f"power cuts while the ledger is written, default {CUTS}"
    )
    parser.add_argument("--list", action="store_true", help="name the faults and end")
    parser.add_argument("--speed", action="store_true", help="say how fast the machine is, by its own clock, and end")
    parser.add_argument("--build", action="store_true", help="build the machine anew first")
    parser.add_argument(
        "--warm",
        type=pathlib.Path,
        metavar="FOLDER",
        help="keep the hot machine there, and use it when it is there; empty it after a build, and when what is "
        "installed has changed",
    )
    return parser


def main(argv: list[str] | None = None) -> int:
    """The command. Exit code 0 all safe, 1 something unsafe or not tried, 2 wrong use."""
    parser = _parser()
    args = parser.parse_args(argv)
    names = [case.name for case in CASES] + ["cuts"]
    if args.list:
        for case in CASES:
            print(f"{case.name:<16} {case.does}; line low within {case.within_s:g} s")
        print(f"{'cuts':<16} power cut while the ledger is written; nothing kept is lost, the ledger opens")
        return 0
    unknown = sorted(set(args.only or ()) - set(names))
    if unknown:
        parser.error(f"{', '.join(unknown)}: no such fault; known: {', '.join(names)}")
    # Ended by a signal it takes its machines with it.
    signal.signal(signal.SIGTERM, lambda number, _frame: sys.exit(128 + number))
    wanted = args.only or names
    if args.build or not (HOME / "base.img").exists():
        build = pathlib.Path(__file__).with_name("vm") / "build.sh"
        if subprocess.run(["bash", build, *(["--fresh"] if args.build else [])], check=False).returncode != 0:
            say("the machine could not be built; tools/vm/README.md says what it needs")
            return 1
    with tempfile.TemporaryDirectory(prefix="lbwarm.") as place:
        folder = args.warm or pathlib.Path(place)
        folder.mkdir(parents=True, exist_ok=True)
        if not (folder / "memory").exists():
            try:
                make_warm(folder)
            except (RuntimeError, Timeout, subprocess.CalledProcessError) as exc:
                say(f"no station to break: {exc}")
                return 1
        if args.speed:
            with VM(warm=folder) as vm:
                print(speed(vm))
            return 0
        return _break(folder, pathlib.Path(place), wanted, args.cuts)


def _break(warm: pathlib.Path, place: pathlib.Path, wanted: list[str], cuts: int) -> int:
    print("| fault | line low after, s | aim, s | seen | |\n|---|---|---|---|---|", flush=True)
    injected = safe = 0
    whole = True
    for case in CASES:
        if case.name not in wanted:
            continue
        begun = time.monotonic()
        with VM(warm=warm) as vm:
            try:
                good, outcome = judge(case, vm)
            except (Timeout, RuntimeError, OSError) as exc:
                good, outcome = False, Outcome(None, f"{type(exc).__name__}: {exc}")
            if not good:
                say(f"--- {case.name}: {outcome}\n{_last_words(vm)}")
        say(f"{case.name}: {time.monotonic() - begun:.0f} s in all")
        injected += 1
        safe += good
        low = "never" if outcome.low_s is None else f"{outcome.low_s:.2f}"
        seen = " ".join(outcome.seen.split()).replace("|", "/")
        print(f"| {case.does} | {low} | {case.within_s:g} | {seen} | {'safe' if good else 'UNSAFE'} |", flush=True)
    if "cuts" in wanted and cuts > 0:
        done = cut_power(warm, place / "ledger.img", cuts)
        injected += done.cuts
        safe += done.cuts - len(done.faults)
        seen = f"{done.kept} samples said to be kept, {'none lost' if not done.faults else '; '.join(done.faults)}"
        verdict = "safe" if not done.faults else "UNSAFE"
        print(f"| power cut while the ledger is written, {done.cuts} times | - | - | {seen} | {verdict} |", flush=True)
        if done.cuts < cuts:
            say(f"{cuts - done.cuts} of {cuts} power cuts were not made")
            whole = False
    print(f"\n{injected} injected, {safe} safe, {injected - safe} unsafe")
    return 0 if whole and injected == safe else 1


def _last_words(vm: VM) -> str:
    try:
        return journal(vm, 40)
    except (Timeout, RuntimeError, OSError):
        return vm.console_log.read_text(errors="replace")[-1500:]


if __name__ == "__main__":
    sys.exit(main())
