"""The units, as systemd's own judge reads them: no complaint, and no more exposed than promised."""

from __future__ import annotations

import re
import shlex
import shutil
import subprocess
from configparser import RawConfigParser
from pathlib import Path

import pytest

from lastbubble.guard.claim import CLAIM
from lastbubble.guard.realtime import FIFO_PRIORITY
from lastbubble.installation import COMMAND_LINK, OPENER

ROOT = Path(__file__).resolve().parents[2]
UNITS = sorted((ROOT / "systemd").glob("*.service"))
#: Most exposure, as `systemd-analyze security` scores it from 0 to 10.
EXPOSURE = {"lastbubble-guard": 1.5, "lastbubble-thermometer": 1.5, "lastbubble": 2.5}

needs_judge = pytest.mark.skipif(shutil.which("systemd-analyze") is None, reason="there is no systemd-analyze here")


def entries(unit: str, section: str, key: str) -> list[str]:
    """Every value of a key, in order (a unit may say one more than once)."""
    here, out = "", []
    for line in (ROOT / "systemd" / f"{unit}.service").read_text(encoding="utf-8").splitlines():
        if line.startswith("["):
            here = line.strip("[]")
        elif here == section and line.startswith(f"{key}="):
            out.append(line.partition("=")[2])
    return out


@needs_judge
@pytest.mark.parametrize("path", UNITS, ids=lambda path: path.stem)
def test_systemd_has_nothing_to_say(path: Path, tmp_path: Path) -> None:
    for unit in UNITS:
        # The command is not installed where tests run; everything else stays as it is.
        text = unit.read_text(encoding="utf-8").replace(COMMAND_LINK, "/bin/true").replace("/bin/sh -c", "/bin/true")
        (tmp_path / unit.name).write_text(text, encoding="utf-8")
    done = subprocess.run(
        ["systemd-analyze", "verify", "--man=no", str(tmp_path / path.name)],
        capture_output=True, text=True, check=False, timeout=60, env={"PATH": "/usr/bin:/bin", "LC_ALL": "C"},
    )  # fmt: skip
    assert (done.returncode, done.stdout + done.stderr) == (0, "")


@needs_judge
@pytest.mark.parametrize("path", UNITS, ids=lambda path: path.stem)
def test_the_units_are_no_more_exposed_than_promised(path: Path) -> None:
    done = subprocess.run(
        ["systemd-analyze", "security", "--no-pager", "--offline=true", str(path)],
        capture_output=True, text=True, check=False, timeout=60, env={"PATH": "/usr/bin:/bin", "LC_ALL": "C"},
    )  # fmt: skip
    found = re.search(r"Overall exposure level for \S+: ([0-9.]+)", done.stdout)
    assert found is not None, done.stdout + done.stderr
    assert float(found[1]) <= EXPOSURE[path.stem]


def after_the_guard() -> list[str]:
    """The program that follows every end of the guard, as systemd runs it ("$$" is its word for "$")."""
    (line,) = entries("lastbubble-guard", "Service", "ExecStopPost")
    # "+": outside the sandbox, so that nothing of it can fail.
    assert line.startswith("+/bin/sh -c '")
    return [word.replace("$$", "$") for word in shlex.split(line[1:])]


def test_a_dead_guard_is_followed_by_the_opener() -> None:
    (folder,) = entries("lastbubble-guard", "Service", "RuntimeDirectory")
    # "-I -S": nothing of an environment is looked at.
    words = f"/usr/bin/python3 -I -S {OPENER} /run/{folder}/{CLAIM} --reset /proc/sysrq-trigger ||"
    assert after_the_guard()[2].startswith(words)
    assert entries("lastbubble-guard", "Service", "RuntimeDirectoryPreserve") == ["yes"]


@pytest.mark.parametrize("claimed", [True, False], ids=["line held before", "no line yet"])
@pytest.mark.parametrize(
    ("opener", "resets"),
    [
        ("exit 0", False),
        ("exit 1", True),
        ("exit 2", True),
        ("exit 3", False),
        ("kill -SEGV $$", True),
        (None, True),
    ],
    ids=["low", "not low, and no reset", "file gone", "another program's line", "crashes", "no interpreter"],
)
def test_an_opener_that_cannot_do_its_work_resets_the_machine(
    opener: str | None, resets: bool, claimed: bool, tmp_path: Path
) -> None:
    stand_in, note, reset = tmp_path / "python3", tmp_path / CLAIM, tmp_path / "sysrq"
    if opener is not None:
        stand_in.write_text(f"#!/bin/sh\n{opener}\n", encoding="utf-8")
        stand_in.chmod(0o755)
    if claimed:
        note.touch()
    (folder,) = entries("lastbubble-guard", "Service", "RuntimeDirectory")
    shell, option, text = after_the_guard()
    for word, place in (
        ("/usr/bin/python3", stand_in),
        (f"/run/{folder}/{CLAIM}", note),
        ("/proc/sysrq-trigger", reset),
    ):
        assert word in text
        text = text.replace(word, str(place))
    subprocess.run([shell, option, text], check=False, timeout=60, capture_output=True)
    # Without a note nothing was ever held, and a reset would come again after every start.
    assert reset.exists() == (resets and claimed)
    if reset.exists():
        assert reset.read_text(encoding="utf-8") == "b\n"


def test_the_guards_memory_can_be_locked_and_its_start_may_take_long() -> None:
    # mlockall counts what is mapped: with threads and their heaps a few hundred MiB.
    assert entries("lastbubble-guard", "Service", "LimitMEMLOCK") == ["infinity"]
    assert int(entries("lastbubble-guard", "Service", "TimeoutStartSec")[0]) >= 60
    assert int(entries("lastbubble-thermometer", "Service", "TimeoutStartSec")[0]) >= 60


def test_the_guard_is_started_again_for_ever_and_no_failed_start_resets_the_machine() -> None:
    assert entries("lastbubble-guard", "Service", "Restart") == ["always"]
    assert entries("lastbubble-guard", "Unit", "StartLimitIntervalSec") == ["0"]
    assert entries("lastbubble-guard", "Unit", "FailureAction") == []
    assert float(entries("lastbubble-guard", "Service", "WatchdogSec")[0]) <= 2


def test_the_guards_loop_goes_first_and_then_the_thermometer() -> None:
    # All of a process in real time would be its start and its log too: the loop asks for itself, and may.
    assert [path.stem for path in UNITS if entries(path.stem, "Service", "CPUSchedulingPolicy")] == []
    assert int(entries("lastbubble-guard", "Service", "LimitRTPRIO")[0]) == FIFO_PRIORITY
    assert not any(
        "~" in line and "@resources" in line for line in entries("lastbubble-guard", "Service", "SystemCallFilter")
    )
    assert entries("lastbubble-thermometer", "Service", "RestrictRealtime") == ["yes"]
    nice = {path.stem: int((entries(path.stem, "Service", "Nice") or ["0"])[0]) for path in UNITS}
    assert nice["lastbubble-thermometer"] < nice["lastbubble"]


def test_only_the_thermometer_and_the_service_may_touch_a_bus() -> None:
    devices = {path.stem: entries(path.stem, "Service", "DeviceAllow") for path in UNITS}
    assert devices["lastbubble-guard"] == ["char-gpiochip rw"]
    assert "char-spi rw" in devices["lastbubble-thermometer"]


def test_devices_are_named_as_the_kernel_lists_them() -> None:
    # First argument of register_chrdev or the driver's name in the kernel's source: drivers/spi/spidev.c ("spi", not
    # "spidev"), drivers/gpio/gpiolib.c, drivers/usb/serial/usb-serial.c, drivers/usb/class/cdc-acm.c,
    # drivers/tty/serial/amba-pl011.c, drivers/tty/serial/8250/8250_core.c. systemd takes any other name without a word.
    known = {"spi", "gpiochip", "ttyUSB", "ttyACM", "ttyAMA", "ttyS"}
    named = {line.split()[0] for path in UNITS for line in entries(path.stem, "Service", "DeviceAllow")}
    assert named <= {f"char-{name}" for name in known}


def test_the_kernels_watchdog_waits_no_longer_than_a_pi_can() -> None:
    # Raspberry Pi's watchdog counts at most 15 s (its driver; systemd issue 27427 on what a longer time does).
    drop_in = RawConfigParser()
    drop_in.read(ROOT / "systemd" / "system.conf.d" / "lastbubble-watchdog.conf")
    assert 0 < int(drop_in["Manager"]["RuntimeWatchdogSec"]) <= 15
    # Seen with systemd 252: its crash leaves the card disarmed, and the machine without anybody who restarts the guard.
    assert drop_in["Manager"]["CrashReboot"] == "yes"
