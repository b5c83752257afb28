"""A station as a person would have it on that machine: the wheel, `lastbubble install`, settings, an oven that is hot.

Made once and frozen with the heat on, so that every fault is put into a machine that is seconds away.
"""

from __future__ import annotations

import pathlib
import subprocess
import sys
import tempfile
import time
from typing import Final

from tools.vm.machine import VM, Timeout

__all__ = ["BENCH", "LEASE_S", "LINE", "build_wheel", "make_warm", "say", "speed", "watch_line"]

ROOT: Final = pathlib.Path(__file__).resolve().parents[2]
BENCH: Final = "/usr/local/share/bench"
LINE: Final = 17
#: Short, so that a case that waits for its end is short; the station's own is a minute [s].
LEASE_S: Final = 10
SETTINGS: Final = f"""\
station: bench-machine
oven:
  probes:
    - name: oven
      select_pin: 5
guard:
  limit: 120 degC
  relay_pin: {LINE}
  lease: {LEASE_S} s
"""
#: What a Raspberry Pi has of itself: its name for the pin libraries, in the place where the units look.
AS_ON_A_PI: Final = """\
[Service]
Environment=BLINKA_FORCECHIP=BCM2XXX BLINKA_FORCEBOARD=RASPBERRY_PI_4B
BindReadOnlyPaths=/run/cpuinfo:/proc/cpuinfo
"""
#: Lamp test and two-point check, dated today: what a person does once with the oven in hand.
COMMISSIONED: Final = """\
from datetime import UTC, datetime
from pathlib import Path
from lastbubble.guard.memory import CheckPoint, Memory, store_memory
day = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
points = {"oven": (CheckPoint(0.0, 0.25, day), CheckPoint(100.0, 99.75, day))}
store_memory(Path("/var/lib/lastbubble-guard"), Memory(lamp_utc=day, proof_utc=day, points=points))
"""


def say(text: str) -> None:
    """Progress, on stderr: the table alone is the answer."""
    print(text, file=sys.stderr, flush=True)


def build_wheel(folder: pathlib.Path) -> pathlib.Path:
    """The project's wheel, built into `folder`."""
    subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "-q", "--disable-pip-version-check", "--no-deps", "-w", folder, ROOT],
        check=True,
    )
    (wheel,) = folder.glob("*.whl")
    return wheel


def must(vm: VM, command: str, timeout_s: float = 300) -> str:
    """Run it in the guest; RuntimeError with what it said when it fails."""
    done = vm.run(command, timeout_s)
    if done.rc != 0:
        raise RuntimeError(f"{command}\nended with {done.rc}: {done.out}{done.err}")
    return done.out


def main_pid(vm: VM, unit: str) -> int:
    """The unit's own process."""
    return int(must(vm, f"systemctl show -p MainPID --value {unit}"))


def watch_line(vm: VM) -> None:
    """Have every change of the relay's line told over the port `lines`, beginning with what it is now."""
    before = len(vm.lines.heard())
    must(
        vm,
        "systemctl stop lines 2>/dev/null; systemctl reset-failed lines 2>/dev/null; "
        "systemd-run -q --unit=lines -p Nice=-5 -p DefaultDependencies=no "
        f"python3 {BENCH}/linewatch.py {LINE} /dev/virtio-ports/lastbubble.lines",
    )
    if not vm.lines.wait(lambda heard: len(heard) > before, 60):
        raise Timeout("nobody tells the line's level")


def make_warm(folder: pathlib.Path) -> list[str]:
    """Install the station, permit heat, freeze the machine into `folder`; what was seen on the way."""
    seen = []
    with tempfile.TemporaryDirectory() as place:
        wheel = build_wheel(pathlib.Path(place))
        with VM() as vm:
            say(f"up in {vm.boot_s:.0f} s; installing")
            vm.write(f"/root/{wheel.name}", wheel.read_bytes())
            must(vm, f"/opt/venv/bin/pip install -q --no-deps --no-index /root/{wheel.name}")
            must(vm, "mkdir -p /etc/lastbubble")
            vm.write("/etc/lastbubble/station.yaml", SETTINGS)
            must(vm, "/opt/venv/bin/lastbubble install --no-start")
            say("installed; starting the units")
            for unit in ("lastbubble-guard", "lastbubble-thermometer"):
                must(vm, f"mkdir -p /etc/systemd/system/{unit}.service.d")
                vm.write(f"/etc/systemd/system/{unit}.service.d/as-on-a-pi.conf", AS_ON_A_PI)
            vm.write("/root/commissioned.py", COMMISSIONED)
            must(
                vm,
                "install -d -m 750 -o lastbubble-guard -g lastbubble /var/lib/lastbubble-guard && "
                "/opt/venv/bin/python /root/commissioned.py && chown -R lastbubble-guard: /var/lib/lastbubble-guard",
            )
            must(vm, f"systemd-run -q --unit=oven python3 {BENCH}/oven.py {LINE}")
            # A Raspberry Pi's kernel keeps a dead owner's level: the worse case is the one to begin with.
            vm.write("/sys/module/gpio_sim/parameters/persist_outputs", "1")
            started = vm.run(
                "systemctl daemon-reload; systemctl enable --now lastbubble-guard lastbubble-thermometer lastbubble"
            )
            if started.rc != 0:
                raise RuntimeError(f"the units do not start: {started.err}\n{journal(vm, 60)}")
            for path, user in (("frames", "lastbubble-thermometer"), ("guard", "lastbubble")):
                seen.append(f"{path}.sock serves {user}, as installed, no setting edited")
            watch_line(vm)
            say("units started; waiting for a permit")
            _permit(vm)
            seen.append(must(vm, "systemd-analyze security --no-pager lastbubble-guard | tail -1").strip())
            must(vm, "sync")
            # A machine that has just been loaded is slower than one that has settled.
            time.sleep(5)
            watch_line(vm)
            if vm.gpio(LINE) != 1:
                raise RuntimeError("the heat does not stay on:\n" + journal(vm))
            say("hot; freezing the machine")
            vm.freeze(folder)
    return seen


def speed(vm: VM, times: int = 10) -> str:
    """What the machine takes for the small programs that a dead guard's line waits for, by its own clock, in words."""
    opener = "/usr/bin/python3 -I -S /usr/local/lib/lastbubble/opener.py"
    programs = {
        "/bin/true": "/bin/true",
        "the interpreter alone (/usr/bin/python3 -I -S -c pass)": "/usr/bin/python3 -I -S -c pass",
        "the opener with no line to open": f"{opener} /nowhere",
    }
    said = []
    for name, command in programs.items():
        out = must(
            vm,
            f"bash -c 'for i in $(seq {times}); do a=$(date +%s%N); {command} 2>/dev/null; b=$(date +%s%N); "
            "echo $((b - a)); done'",
        )
        taken_ms = sorted(int(line) / 1e6 for line in out.split())
        said.append(f"{name}: {taken_ms[0]:.1f} / {taken_ms[len(taken_ms) // 2]:.1f} / {taken_ms[-1]:.1f} ms")
    return f"least / median / most of {times} runs, the station running: " + "; ".join(said)


def journal(vm: VM, lines: int = 25) -> str:
    """The newest lines of the three units' journal."""
    return vm.run(f"journalctl -q -o cat --no-pager -n {lines} -u 'lastbubble*'").out


def _permit(vm: VM, timeout_s: float = 240) -> None:
    deadline = time.monotonic() + timeout_s
    while True:
        done = vm.run("/opt/venv/bin/lastbubble guard permit", 120)
        if done.rc == 0 and vm.lines.wait(lambda heard: heard[-1][1].endswith(" 1"), 15):
            return
        if time.monotonic() > deadline:
            raise RuntimeError(f"no permit: {done.out}{done.err}\n{journal(vm, 60)}")
        time.sleep(2)
