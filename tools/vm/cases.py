"""The faults of a whole machine, one a row: what is done to it, what has to be seen, in what time.

The level of the relay's line is the kernel's (gpio-sim's own file), told by a program that has nothing to do with the
station; a machine that is reset has no line at all, and counts as low from the moment of the reset. Times are the
machine's own, from the moment before the blow; where the machine dies of it, its clock is read from outside, and the
way into it (a shell that is started there) counts as well.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from tools.vm.machine import VM, Timeout
from tools.vm.station import BENCH, LEASE_S, LINE, journal, main_pid, must

__all__ = ["CASES", "Case", "Outcome", "judge"]


#: How long what ought to come is waited for, by the host's clock: a busy host lets the machine crawl [s].
PATIENCE_S: Final = 1800


@dataclass(frozen=True, slots=True)
class Outcome:
    """low_s : from the blow to the line low, None when it stayed high;  seen : what else was seen, in words"""

    low_s: float | None
    seen: str


@dataclass(frozen=True, slots=True)
class Case:
    """name : for --only;  does : to the machine;  within_s : the line has to be low;  blow : does it, from hot
    resets : the machine starts anew
    """

    name: str
    does: str
    within_s: float
    blow: Callable[[VM], Outcome]
    resets: bool = False


def judge(case: Case, vm: VM) -> tuple[bool, Outcome]:
    """Put the fault in; safe when the line is low in time and stays so, nothing permits heat again, and it was hot."""
    if vm.gpio(LINE) != 1:
        return False, Outcome(None, "the heat was not on: nothing was tried")
    outcome = case.blow(vm)
    safe = outcome.low_s is not None and outcome.low_s <= case.within_s
    return safe and vm.gpio(LINE) == 0, outcome


def low_after(vm: VM, since_s: float, timeout_s: float) -> float | None:
    """Seconds of the guest's clock from `since_s` to the first low after it; None when there was none in time."""
    found: list[float] = []

    def told(heard: list[tuple[float, str]]) -> bool:
        for _, line in heard:
            at, _, level = line.partition(" ")
            if level == "0" and float(at) >= since_s:
                found.append(float(at))
                return True
        return False

    return found[0] - since_s if vm.lines.wait(told, timeout_s) else None


def signalled(vm: VM, name: str, unit: str, timeout_s: float = PATIENCE_S) -> float | None:
    """The unit's process gets the signal; seconds until the line is low."""
    pid = main_pid(vm, unit)
    since_s = float(must(vm, f"python3 {BENCH}/inject.py {name} {pid}"))
    return low_after(vm, since_s, timeout_s)


def back_cold(vm: VM, unit: str = "lastbubble-guard", timeout_s: float = PATIENCE_S, boot: str = "same boot") -> str:
    """Wait for the unit to run again; what it is, and whether the relay has stayed open."""
    deadline = time.monotonic() + timeout_s
    while vm.run(f"systemctl is-active {unit}").out.strip() != "active":
        if time.monotonic() > deadline:
            return f"{unit} does not come back"
        time.sleep(0.5)
    again = "relay open" if vm.gpio(LINE) == 0 else "RELAY CLOSED AGAIN"
    return f"{unit} is back, {again}, {boot}"


def opener_said(vm: VM) -> str:
    """The newest sentence of the opener, "" when it said none."""
    text = vm.run("journalctl -q -o cat --no-pager -u lastbubble-guard | grep '^opener: ' | tail -1").out.strip()
    return f"; {text}" if text else ""


def guard_signal(name: str, keep: bool) -> Callable[[VM], Outcome]:
    def blow(vm: VM) -> Outcome:
        vm.write("/sys/module/gpio_sim/parameters/persist_outputs", "1" if keep else "0")
        low_s = signalled(vm, name, "lastbubble-guard")
        return Outcome(low_s, back_cold(vm) + opener_said(vm))

    return blow


def out_of_memory(vm: VM) -> Outcome:
    pid = main_pid(vm, "lastbubble-guard")
    since_s = float(
        must(
            vm,
            f'echo 1000 >/proc/{pid}/oom_score_adj; python3 -c "import time; print(time.monotonic()); '
            "open('/proc/sysrq-trigger', 'w').write('f')\"",
        )
    )
    low_s = low_after(vm, since_s, PATIENCE_S)
    killed = vm.run("journalctl -q -k -o cat --no-pager | grep -c 'Killed process'").out.strip()
    return Outcome(low_s, f"kernel killed {killed} process; {back_cold(vm)}")


def stopped(vm: VM) -> Outcome:
    since_s = float(must(vm, "python3 -c 'import time; print(time.monotonic())'; systemctl stop lastbubble-guard"))
    low_s = low_after(vm, since_s, PATIENCE_S)
    return Outcome(low_s, f"unit is {vm.run('systemctl is-active lastbubble-guard').out.strip()}, no reset")


def bus_hangs(vm: VM) -> Outcome:
    since_s = float(
        must(
            vm,
            'python3 -c "import time; print(time.monotonic()); '
            "open('/sys/module/bench_spi/parameters/delay_ms', 'w').write('3600000')\"",
        )
    )
    low_s = low_after(vm, since_s, PATIENCE_S)
    time.sleep(8)
    state = vm.run(f"cut -d' ' -f3 /proc/{main_pid(vm, 'lastbubble-thermometer') or 1}/stat").out.strip()
    return Outcome(low_s, f"thermometer in state {state}, guard {vm.run('systemctl is-active lastbubble-guard').out}")


def stays_dead(vm: VM, unit: str) -> None:
    """Nobody starts the unit again when it ends (a runtime mask does not count against a unit's file in /etc)."""
    folder = f"/run/systemd/system/{unit}.service.d"
    must(vm, f"mkdir -p {folder}; printf '[Service]\\nRestart=no\\n' >{folder}/dead.conf; systemctl daemon-reload")
    if must(vm, f"systemctl show -p Restart --value {unit}").strip() != "no":
        raise RuntimeError(f"{unit} would be started again")


def thermometer_killed(vm: VM) -> Outcome:
    stays_dead(vm, "lastbubble-thermometer")
    low_s = signalled(vm, "KILL", "lastbubble-thermometer")
    return Outcome(low_s, back_cold(vm))


def service_killed(vm: VM) -> Outcome:
    stays_dead(vm, "lastbubble")
    low_s = signalled(vm, "KILL", "lastbubble", PATIENCE_S)
    return Outcome(low_s, back_cold(vm))


def service_hangs(vm: VM) -> Outcome:
    low_s = signalled(vm, "STOP", "lastbubble", PATIENCE_S)
    return Outcome(low_s, back_cold(vm))


def reset_after(vm: VM, command: str, timeout_s: float, low_before: bool = False) -> Outcome:
    """Do it; the machine has to be reset, and to come back with the relay open."""
    boot = must(vm, "cat /proc/sys/kernel/random/boot_id")
    before = len(vm.lines.heard())
    guest_s = float(must(vm, "python3 -c 'import time; print(time.monotonic())'"))
    vm.events.clear()
    begun_s = vm.now_s()
    vm.spawn(command)
    try:
        low_s = vm.until_reset(timeout_s) - begun_s
    except Timeout:
        return Outcome(None, f"no reset within {timeout_s:.0f} s\n{journal(vm) if vm.gpio(LINE) else ''}")
    why = f"reset by {'the hardware watchdog' if any(e['event'] == 'WATCHDOG' for e in vm.events) else 'software'}"
    if low_before:
        told = [line.split() for _, line in vm.lines.heard()[before:]]
        falls = [float(at) - guest_s for at, level in told if level == "0"]
        why += f" after {low_s:.1f} s"
        low_s = falls[0] if falls else low_s
    vm.wait_answer(PATIENCE_S)
    anew = must(vm, "cat /proc/sys/kernel/random/boot_id") != boot
    return Outcome(low_s, f"{why}; {back_cold(vm, boot='new boot' if anew else 'SAME BOOT')}")


def opener_gone(vm: VM) -> Outcome:
    """What should open a dead guard's line cannot run: a file that is not there stands for every reason."""
    must(vm, "rm /usr/local/lib/lastbubble/opener.py")
    return reset_after(vm, f"kill -KILL {main_pid(vm, 'lastbubble-guard')}", 60)


def card_hangs(vm: VM) -> Outcome:
    """A write that never ends in the guard's own helper thread; then the guard is killed and cannot end."""
    must(
        vm,
        "systemctl stop lastbubble-guard; mkfs.ext4 -q /dev/vdb; cp -a /var/lib/lastbubble-guard /root/kept; "
        "mount /dev/vdb /var/lib/lastbubble-guard; cp -a /root/kept/. /var/lib/lastbubble-guard/; "
        "systemctl start lastbubble-guard",
    )
    before = len(vm.lines.heard())
    must(vm, "fsfreeze -f /var/lib/lastbubble-guard")
    deadline = time.monotonic() + 400
    while vm.run("/opt/venv/bin/lastbubble guard permit").rc != 0:
        if time.monotonic() > deadline:
            return Outcome(None, "no permit: nothing was tried\n" + journal(vm))
        time.sleep(1)
    if not vm.lines.wait(lambda heard: any(line.endswith(" 1") for _, line in heard[before:]), 300):
        return Outcome(None, "the heat did not come on: nothing was tried")
    pid = main_pid(vm, "lastbubble-guard")
    tasks = f"cat /proc/{pid}/task/*/stat | cut -d' ' -f3 | tr -d '\\n'"
    hung = must(vm, f"until {tasks} | grep -q D; do sleep 0.1; done; {tasks}", 300)
    outcome = reset_after(vm, f"kill -KILL {pid}", 60)
    return Outcome(outcome.low_s, f"threads {hung}; {outcome.seen}")


CASES: Final = (
    Case("kill", "guard: SIGKILL, the kernel keeps the level (as a Pi's does)", 1.0, guard_signal("KILL", True)),
    Case("kill-free", "guard: SIGKILL, the kernel lets the line go", 1.0, guard_signal("KILL", False)),
    Case("segv", "guard: SIGSEGV, level kept", 1.0, guard_signal("SEGV", True)),
    Case("oom", "guard: killed by the kernel for want of memory, level kept", 1.0, out_of_memory),
    Case("freeze", "guard: SIGSTOP past the watchdog, level kept", 2.5, guard_signal("STOP", True)),
    Case("stop", "guard: systemctl stop", 1.0, stopped),
    Case("bus", "thermometer: its bus hangs where no signal reaches it", 1.5, bus_hangs),
    Case("thermometer", "thermometer: SIGKILL and kept from coming back", 1.5, thermometer_killed),
    Case("service", f"service: SIGKILL and kept from coming back (lease {LEASE_S} s)", LEASE_S + 0.5, service_killed),
    Case("service-freeze", f"service: SIGSTOP (lease {LEASE_S} s)", LEASE_S + 0.5, service_hangs),
    Case("reboot", "systemctl reboot", 5.0, lambda vm: reset_after(vm, "systemctl reboot", 120, True), True),
    Case("no-opener", "guard: SIGKILL, and its opener cannot run", 12.0, opener_gone, True),
    Case("card", "guard: its card hangs in a write, then SIGKILL: it cannot end", 12.0, card_hangs, True),
    Case(
        "panic", "kernel: panics and stays there", 12.0,
        lambda vm: reset_after(vm, "echo c >/proc/sysrq-trigger", 60), True,
    ),
    Case(
        "hang", "kernel: every processor stands still, interrupts off", 12.0,
        lambda vm: reset_after(vm, "modprobe bench_hang", 60), True,
    ),
    Case("pid1", "PID 1 crashes (SIGSEGV)", 12.0, lambda vm: reset_after(vm, "kill -SEGV 1", 60), True),
)  # fmt: skip
