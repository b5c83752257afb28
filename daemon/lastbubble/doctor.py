"""What is wrong with this station, the most important first, and the mend. Asks only, changes nothing.

A check is a row: what it is about, and a judge of machine and settings that yields findings. A finding's weight says
how much it matters: `danger` (heat could stay on, or be judged wrongly), `broken` (a part does not work), `poor`
(works, and will fail one day), `note` (good to know).
"""

from __future__ import annotations

import os
import re
import sqlite3
from collections.abc import Callable, Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path
from typing import Final, Literal

from lastbubble.clock import Clock
from lastbubble.errors import LastbubbleError
from lastbubble.guard.client import read_status
from lastbubble.guard.protocol import BENCH_SOCKET, GUARD_SOCKET, GuardStatus
from lastbubble.machine import Machine
from lastbubble.settings import Settings

__all__ = ["CHECKS", "Finding", "Patient", "examine", "sorted_findings"]

Weight = Literal["danger", "broken", "poor", "note"]
WEIGHTS: Final[tuple[Weight, ...]] = ("danger", "broken", "poor", "note")


@dataclass(frozen=True, slots=True)
class Finding:
    """weight : one of WEIGHTS;  about : the part;  found : what was seen;  mend : what to do"""

    weight: Weight
    about: str
    found: str
    mend: str


@dataclass(frozen=True, slots=True)
class Patient:
    """What is examined: the machine, its settings, and a clock."""

    machine: Machine
    settings: Settings
    clock: Clock


Judge = Callable[[Patient], Iterator[Finding]]


@dataclass(frozen=True, slots=True)
class Check:
    """about : the part of the station;  judge : yields its findings"""

    about: str
    judge: Judge


CHECKS: Final[list[Check]] = []


def check(about: str) -> Callable[[Judge], Judge]:
    """Enter a judge into the table."""

    def enter(judge: Judge) -> Judge:
        CHECKS.append(Check(about, judge))
        return judge

    return enter


def examine(patient: Patient) -> list[Finding]:
    """Every finding, the heaviest first, and within a weight in the order of the table."""
    return sorted_findings([finding for row in CHECKS for finding in row.judge(patient)])


def sorted_findings(findings: list[Finding]) -> list[Finding]:
    return sorted(findings, key=lambda finding: WEIGHTS.index(finding.weight))


CONFIG_TXT: Final = ("/boot/firmware/config.txt", "/boot/config.txt")


def _config_lines(machine: Machine) -> list[str] | None:
    """The lines of the Raspberry Pi's boot settings that count on every model; None where there are none."""
    for path in CONFIG_TXT:
        text = machine.text(path)
        if text is not None:
            return [line.split("#")[0].strip() for line in text.splitlines()]
    return None


def _on_a_pi(machine: Machine) -> bool:
    return "Raspberry Pi" in (machine.text("/proc/device-tree/model") or "")


@check("simulation")
def _simulation(patient: Patient) -> Iterator[Finding]:
    if patient.settings.simulated and _on_a_pi(patient.machine):
        yield Finding(
            "danger",
            "simulation",
            "the settings say simulated: true, and this is a Raspberry Pi",
            "delete the line from the settings before a real oven is connected",
        )


@check("guard")
def _guard(patient: Patient) -> Iterator[Finding]:
    if patient.settings.guard is None:
        return
    folder = patient.settings.runtime_dir
    fault = patient.machine.socket_fault(f"{folder}/{GUARD_SOCKET}")
    bench_fault = patient.machine.socket_fault(f"{folder}/{BENCH_SOCKET}")
    if fault and bench_fault:
        yield Finding(
            "broken",
            "guard",
            f"nobody answers at {folder}/{GUARD_SOCKET} ({fault}); heat is off as long as no guard runs",
            "systemctl status lastbubble-guard; its last lines say why. If it runs, join the group of its socket",
        )
        return
    # Who works at the bench is answered at the bench's door, the service's account at its own, root at both.
    status, said = None, ""
    for name in (BENCH_SOCKET, GUARD_SOCKET):
        try:
            status = read_status(patient.machine.path(f"{folder}/{name}"))
            break
        except LastbubbleError as exc:
            said = said or str(exc)
    if status is None:
        yield Finding(
            "broken",
            "guard",
            said,
            "join the group lastbubble-bench, or ask as root; if that changes nothing: systemctl restart "
            "lastbubble-guard opens the relay and starts anew",
        )
        return
    yield from guard_findings(status)
    if bench_fault:
        yield Finding(
            "broken",
            "guard",
            f"{folder}/{BENCH_SOCKET} cannot be reached ({bench_fault}): you cannot permit heat here",
            "join the group lastbubble-bench; if it is not there at all, restart the guard",
        )
    if fault:
        yield Finding(
            "broken",
            "guard",
            f"{folder}/{GUARD_SOCKET} cannot be reached ({fault}): the service may not hear the guard either",
            "look at the folder's group (lastbubble); if it is not there at all, restart the guard",
        )


def guard_findings(status: GuardStatus) -> Iterator[Finding]:
    """What the guard itself says is wrong."""
    if status.alarm:
        yield Finding("danger", "guard", status.alarm, "do that first, then look for the reason")
    if status.relay_closed and not status.heat_wanted:
        yield Finding(
            "danger",
            "relay",
            "the line reads closed and nobody commands it",
            "pull the oven's plug; another program may drive the pin, or the wiring is wrong",
        )
    if status.trip is not None:
        yield Finding(
            "broken",
            "guard",
            f"tripped: {status.trip.cause}. {status.trip.text}".strip(),
            "mend the cause; when the oven is cool: lastbubble guard reset, at the bench",
        )
    if not status.watchdog and not status.simulated:
        yield Finding(
            "danger",
            "watchdog",
            "the guard runs without a watchdog: if it freezes, nobody opens the relay",
            "run it by its unit (lastbubble install), not by hand",
        )
    for probe in status.probes:
        if probe.quality == "bad":
            yield Finding(
                "broken",
                f"probe {probe.name}",
                f"no usable reading: {probe.cause}",
                probe.detail or "see docs/troubleshooting.md",
            )
    for text in status.hindrances:
        yield Finding("poor", "permit", text, "heat is refused as long as this lasts")
    for text in status.cautions:
        yield Finding("poor", "guard", text, "see docs/troubleshooting.md")


@check("relay line")
def _line_without_an_owner(patient: Patient) -> Iterator[Finding]:
    guard = patient.settings.guard
    if guard is None or patient.settings.simulated or not _on_a_pi(patient.machine):
        return
    lines = _config_lines(patient.machine)
    where = "/boot/firmware/config.txt"
    if "Y" in persisting(patient.machine) or (lines is not None and "dtparam=strict_gpiod" not in lines):
        yield Finding(
            # A pulsed driver drops out by itself when the edges stop, whatever level the line keeps.
            "poor" if guard.drive == "pulsed" else "danger",
            "relay line",
            "the kernel keeps a dead owner's last level: heat would stay on if the guard were killed",
            f"write dtparam=strict_gpiod into {where} and restart the machine",
        )
    low = re.compile(rf"gpio=(?:.*,)?{guard.relay_pin}(?:,.*)?=(?:.*,)?op,dl(?:,.*)?|gpio={guard.relay_pin}=.*dl.*")
    if lines is not None and not any(low.fullmatch(line) for line in lines):
        yield Finding(
            "poor",
            "relay line",
            f"pin {guard.relay_pin} is not set low before Linux runs",
            f"write gpio={guard.relay_pin}=op,dl into {where}",
        )


def persisting(machine: Machine) -> list[str]:
    """Each pin driver's own word on whether it keeps a released output at its level: "Y" or "N"."""
    found = []
    for module in machine.names("/sys/module"):
        text = machine.text(f"/sys/module/{module}/parameters/persist_gpio_outputs")
        if text is not None:
            found.append("Y" if text.upper() in ("Y", "1") else "N")
    return found


@check("watchdog")
def _watchdog(patient: Patient) -> Iterator[Finding]:
    if patient.settings.guard is None or patient.settings.simulated:
        return
    machine = patient.machine
    if not machine.there("/sys/class/watchdog/watchdog0"):
        yield Finding(
            "poor",
            "watchdog",
            "the machine has no hardware watchdog, or its driver is not loaded",
            "on a Raspberry Pi write dtparam=watchdog=on into /boot/firmware/config.txt",
        )
        return
    state = machine.text("/sys/class/watchdog/watchdog0/state")
    if state is not None and state != "active":
        yield Finding(
            "danger",
            "watchdog",
            f"the hardware watchdog is {state}: a dead kernel would leave the line as it is",
            "lastbubble install sets RuntimeWatchdogSec=10; more than 15 s are refused by this hardware, silently",
        )


@check("sensor libraries")
def _libraries(patient: Patient) -> Iterator[Finding]:
    settings = patient.settings
    wanted: list[tuple[str, str, Weight, str]] = []
    if settings.oven is not None and not settings.simulated:
        wanted.append(("lgpio", "the relay's line", "broken", "pip install lgpio, or apt install python3-lgpio"))
        wanted.append(("gpiozero", "the relay's line", "broken", "pip install gpiozero"))
        wanted.append(
            ("adafruit_max31855", "the thermocouples", "broken", "pip install adafruit-circuitpython-max31855")
        )
    gauge = settings.chamber.gauge if settings.chamber else None
    if gauge is not None:
        module, package = {
            "serial": ("serial", "pyserial"),
            "modbus": ("minimalmodbus", "minimalmodbus"),
            "adc": ("gpiozero", "gpiozero"),
        }[gauge.kind]
        wanted.append((module, "the gauge", "broken", f"pip install {package}"))
    if settings.mqtt is not None:
        wanted.append(("paho.mqtt.client", "the broker", "broken", "pip install paho-mqtt"))
    if settings.phone is not None:
        wanted.append(("apprise", "the phone", "broken", "pip install 'lastbubble[phone]'"))
    if settings.page is not None:
        wanted.append(("aiohttp", "the page", "broken", "pip install 'lastbubble[page]'"))
    if settings.metrics is not None:
        wanted.append(("prometheus_client", "the metrics", "broken", "pip install 'lastbubble[metrics]'"))
    for module, use, weight, mend in dict.fromkeys(wanted):
        fault = patient.machine.import_fault(module)
        if fault:
            yield Finding(weight, "libraries", f"{module}, for {use}, cannot be used: {fault}", mend)


@check("thermocouple bus")
def _bus(patient: Patient) -> Iterator[Finding]:
    if patient.settings.oven is None or patient.settings.simulated:
        return
    if not any(name.startswith("spidev") for name in patient.machine.names("/dev")):
        yield Finding(
            "broken",
            "thermocouple bus",
            "there is no /dev/spidev*: the SPI bus is off",
            "write dtparam=spi=on into /boot/firmware/config.txt and restart the machine",
        )


@check("gauge")
def _gauge(patient: Patient) -> Iterator[Finding]:
    chamber = patient.settings.chamber
    if chamber is None or chamber.gauge.kind == "adc":
        return
    port = chamber.gauge.port
    machine = patient.machine
    if not machine.there(port):
        others = [f"/dev/serial/by-id/{name}" for name in machine.names("/dev/serial/by-id")]
        yield Finding(
            "broken",
            "gauge",
            f"{port} is not there"
            + (f"; there is {', '.join(others)}" if others else ", and no other serial adapter is"),
            "plug the adapter in, or write its stable name into chamber.gauge.port",
        )
    elif not machine.may(port, os.R_OK | os.W_OK):
        yield Finding(
            "note",
            "gauge",
            f"{port} may not be opened by this user",
            "the service's own user needs the group dialout; lastbubble install sees to it",
        )
    if re.fullmatch(r"/dev/tty(USB|ACM)\d+", port):
        yield Finding(
            "poor",
            "gauge",
            f"{port} is a name that changes when adapters are replugged",
            "use the stable name below /dev/serial/by-id/",
        )
    managed = machine.run(["systemctl", "is-active", "ModemManager"])
    if managed is not None and managed[1].strip() == "active":
        yield Finding(
            "note",
            "gauge",
            "a modem manager runs, and probes every new serial port for ten seconds",
            "lastbubble install puts in a udev rule that keeps it off; or: systemctl disable --now ModemManager",
        )


@check("service")
def _service(patient: Patient) -> Iterator[Finding]:
    path = f"{patient.settings.runtime_dir}/service.sock"
    fault = patient.machine.socket_fault(path)
    if fault:
        yield Finding(
            "broken",
            "service",
            f"nobody answers at {path} ({fault}): no batch is followed",
            "systemctl status lastbubble; its last lines say why",
        )


LOW_ROOM_B: Final = 500_000_000
LEAST_ROOM_B: Final = 100_000_000


@check("ledger")
def _ledger(patient: Patient) -> Iterator[Finding]:
    path = patient.settings.ledger.path
    machine = patient.machine
    free = machine.free_bytes(path)
    if free is not None and free < LOW_ROOM_B:
        weight: Weight = "broken" if free < LEAST_ROOM_B else "poor"
        yield Finding(
            weight,
            "ledger",
            f"{free / 1e6:.0f} MB are free where the ledger is; it wants {LOW_ROOM_B / 1e6:.0f} MB",
            "delete what is not needed (journalctl --vacuum-size=100M), or take a larger card",
        )
    if not machine.there(path):
        yield Finding("note", "ledger", f"{path} is not there yet", "the service makes it at its first start")
        return
    fault = ledger_fault(machine.path(path))
    if fault:
        yield Finding(
            "broken",
            "ledger",
            f"{path}: {fault}",
            "copy the file and its -wal and -shm away first; the service puts a damaged one aside and begins anew",
        )
    mounts = machine.text("/proc/mounts") or ""
    if _read_only(str(machine.path(path)), mounts):
        yield Finding(
            "broken",
            "ledger",
            "its disk is mounted read-only: the kernel has met errors on the card",
            "copy what is there and exchange the card",
        )


def ledger_fault(path: Path) -> str:
    """What SQLite's own quick check says against the file, "" when it is well. Opens it for reading only."""
    try:
        with closing(sqlite3.connect(f"{path.as_uri()}?mode=ro", uri=True, timeout=5)) as base:
            rows = [str(row[0]) for row in base.execute("PRAGMA quick_check(3)")]
    except sqlite3.Error as exc:
        return str(exc)
    return "" if rows == ["ok"] else "; ".join(rows)


def _read_only(path: str, mounts: str) -> bool:
    best, options = "", ""
    for line in mounts.splitlines():
        parts = line.split()
        if len(parts) >= 4 and (path + "/").startswith(parts[1].rstrip("/") + "/") and len(parts[1]) >= len(best):
            best, options = parts[1], parts[3]
    return "ro" in options.split(",")


#: Batches whose rise is looked at, the latest; and how far into each [s].
RATE_BATCHES: Final = 4
RATE_WITHIN_S: Final = 8 * 3600.0


@check("oven")
def _usual_rate(patient: Patient) -> Iterator[Finding]:
    """How fast the oven warms from cold, by its batches, beside what the guard was told to expect."""
    guard = patient.settings.guard
    if guard is None or not patient.machine.there(patient.settings.ledger.path):
        return
    from lastbubble.ledger.reader import Reader
    from lastbubble.warming import usual_rate, warming_k_min

    rates = []
    try:
        with closing(Reader(patient.machine.path(patient.settings.ledger.path))) as reader:
            for row in reader.batches()[-RATE_BATCHES:]:
                rate = warming_k_min(reader.samples(row.id, until_s=RATE_WITHIN_S))
                if rate is not None:
                    rates.append(rate)
    except LastbubbleError:
        return  # said where the ledger is looked at
    usual = usual_rate(rates)
    if usual is None or usual.sessions < 2:
        return
    told = patient.settings.to_guard().limits["expected_k_min"]
    seen = f"from cold it warms by {usual.rate_k_min:.1f} K a minute ({usual.low_k_min:.1f} to {usual.high_k_min:.1f})"
    mend = f'write expected_rate: "{usual.rate_k_min:.1f} K/min" below guard.rules: a probe half out then shows itself'
    if told == 0 and usual.even:
        yield Finding("note", "oven", f"{seen}, and the guard does not know", mend)
    elif told > 0 and not told / 1.5 <= usual.rate_k_min <= told / 0.7:
        seen += f", and the guard expects {told:.1f}"
        yield Finding("poor", "oven", seen, f"look at probe and element, or {mend}")


@check("broker")
def _broker(patient: Patient) -> Iterator[Finding]:
    mqtt = patient.settings.mqtt
    if mqtt is None:
        return
    port = mqtt.port or (8883 if mqtt.tls else 1883)
    fault = patient.machine.connection_fault(mqtt.host, port, tls=mqtt.tls, ca_file=mqtt.ca_file)
    if fault:
        yield Finding(
            "broken",
            "broker",
            f"{mqtt.host}:{port} cannot be reached: {fault}",
            "systemctl status mosquitto, or correct mqtt.host and mqtt.port; batches go on without it",
        )
    if mqtt.password_file is not None:
        mode = patient.machine.mode(mqtt.password_file)
        if mode is None:
            yield Finding(
                "broken",
                "broker",
                f"{mqtt.password_file} is not there, or may not be seen",
                "write the password into it",
            )
        elif mode & 0o077:
            yield Finding(
                "poor",
                "broker",
                f"{mqtt.password_file} can be read by others (mode {mode:o})",
                f"chmod 640 {mqtt.password_file} and give it to the service's group",
            )
    if mqtt.password is not None and not mqtt.tls and mqtt.host not in ("localhost", "127.0.0.1", "::1"):
        yield Finding("poor", "broker", "its password crosses the network in the clear", "set mqtt.tls: true")


@check("commissioning")
def _commissioning(patient: Patient) -> Iterator[Finding]:
    """What of commissioning is due, in the order of its importance."""
    settings = patient.settings
    if settings.simulated:
        return
    from lastbubble.commissioning.book import read
    from lastbubble.commissioning.steps import due, wanted

    socket = patient.machine.path(f"{settings.runtime_dir}/service.sock")
    ledger = patient.machine.path(settings.ledger.path)
    try:
        records = read(settings, socket, ledger)
    except LastbubbleError:
        return  # said where service and ledger are looked at: without them nothing is known
    for one in due(wanted(settings), records, patient.clock.utc()):
        weight = one.step.weight
        if one.state == "overdue":
            weight = "poor" if weight == "broken" else "note"
        yield Finding(
            weight,
            "commissioning",
            f"{one.step.title}: {one.text}",
            f"lastbubble commission {one.step.name}",
        )


@check("clock")
def _clock(patient: Patient) -> Iterator[Finding]:
    year = patient.clock.utc().year
    if year < OLDEST_YEAR:
        yield Finding(
            "poor",
            "clock",
            f"the clock says {year}: it has not been set since the board was switched on",
            "connect the network once, or fit a battery clock; batches are timed by another clock and stay right",
        )
    elif patient.machine.there("/run/systemd/timesync") and not patient.machine.there(
        "/run/systemd/timesync/synchronized"
    ):
        yield Finding(
            "note",
            "clock",
            "the network has not set the clock yet",
            "times of day are labels only; nothing in a batch depends on them",
        )


#: No version of this program is older.
OLDEST_YEAR: Final = 2025


@check("power")
def _power(patient: Patient) -> Iterator[Finding]:
    text = patient.machine.text("/sys/devices/platform/soc/soc:firmware/get_throttled")
    try:
        bits = int(text or "0", 16)
    except ValueError:
        return
    if bits & 0x1:
        yield Finding("broken", "power", "the supply's voltage is too low now", "a stronger supply, a shorter cable")
    elif bits & 0x10000:
        yield Finding(
            "poor",
            "power",
            "the supply's voltage was too low since the start",
            "a stronger supply; adapters and cards fail first",
        )
