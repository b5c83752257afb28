"""The units, as systemd's own judge reads them: no complaint, and no more exposed than promised."""

from __future__ import annotations

import re
import shutil
import subprocess
from configparser import RawConfigParser
from pathlib import Path

import pytest

from lastbubble.guard.claim import CLAIM
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
        text = (
            unit.read_text(encoding="utf-8").replace(COMMAND_LINK, "/bin/true").replace("/usr/bin/python3", "/bin/true")
        )
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


def test_a_dead_guard_is_followed_by_the_opener() -> None:
    (line,) = entries("lastbubble-guard", "Service", "ExecStopPost")
    (folder,) = entries("lastbubble-guard", "Service", "RuntimeDirectory")
    words = line.split()
    # "+": outside the sandbox, so that nothing of it can fail; "-I -S": nothing of an environment is looked at.
    assert words == [
        "+/usr/bin/python3",
        "-I",
        "-S",
        OPENER,
        f"/run/{folder}/{CLAIM}",
        "--reset",
        "/proc/sysrq-trigger",
    ]
    assert entries("lastbubble-guard", "Service", "RuntimeDirectoryPreserve") == ["yes"]


def test_the_guard_is_started_again_for_ever_and_no_failed_start_resets_the_machine() -> None:
    assert entries("lastbubble-guard", "Service", "Restart") == ["always"]
    assert entries("lastbubble-guard", "Unit", "StartLimitIntervalSec") == ["0"]
    assert entries("lastbubble-guard", "Unit", "FailureAction") == []
    assert float(entries("lastbubble-guard", "Service", "WatchdogSec")[0]) <= 2


def test_only_the_thermometer_and_the_service_may_touch_a_bus() -> None:
    devices = {path.stem: entries(path.stem, "Service", "DeviceAllow") for path in UNITS}
    assert devices["lastbubble-guard"] == ["char-gpiochip rw"]
    assert "char-spidev rw" in devices["lastbubble-thermometer"]


def test_the_kernels_watchdog_waits_no_longer_than_a_pi_can() -> None:
    # Raspberry Pi's watchdog counts at most 15 s (its driver; systemd issue 27427 on what a longer time does).
    drop_in = RawConfigParser()
    drop_in.read(ROOT / "systemd" / "system.conf.d" / "lastbubble-watchdog.conf")
    assert 0 < int(drop_in["Manager"]["RuntimeWatchdogSec"]) <= 15
