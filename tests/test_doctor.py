"""The doctor against machines that are folders: each illness alone is found, and a well machine has none."""

from __future__ import annotations

import json
import socket
import sqlite3
import threading
from collections.abc import Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from lastbubble.cli import main
from lastbubble.context import Context
from lastbubble.data import data_path
from lastbubble.doctor import CHECKS, WEIGHTS, Finding, Patient, examine, guard_findings, ledger_fault, sorted_findings
from lastbubble.guard.protocol import GuardStatus, ProbeStatus, TripStatus, status_line
from lastbubble.ledger.store import Ledger
from lastbubble.machine import Machine
from lastbubble.records import Sample
from lastbubble.settings import load_text

TEXT = data_path("config", "serial-gauge.yaml").read_text(encoding="utf-8")


class StillClock:
    def __init__(self, year: int = 2026) -> None:
        self._utc = datetime(year, 3, 1, tzinfo=UTC)

    def now(self) -> float:
        return 0.0

    def utc(self) -> datetime:
        return self._utc

    def sleep_until(self, wake_s: float) -> None:
        raise AssertionError(f"nothing here waits, and not until {wake_s}")

    def sleep(self, duration_s: float) -> None:
        raise AssertionError(f"nothing here waits, and not for {duration_s}")


class Bench(Machine):
    """A machine in a folder, whose libraries, programs and hosts are what the test says."""

    __slots__ = ("bad_hosts", "bad_imports", "programs")

    def __init__(self, root: Path) -> None:
        super().__init__(root)
        object.__setattr__(self, "bad_imports", {})
        object.__setattr__(self, "bad_hosts", {})
        object.__setattr__(self, "programs", {})

    def import_fault(self, module: str) -> str:
        return str(self.bad_imports.get(module, ""))  # type: ignore[attr-defined]  # set above

    def connection_fault(self, host: str, port: int, *, tls: bool = False, ca_file: str | None = None) -> str:
        del tls, ca_file
        return str(self.bad_hosts.get((host, port), ""))  # type: ignore[attr-defined]  # set above

    def run(self, argv: object) -> tuple[int, str] | None:
        return self.programs.get(tuple(argv))  # type: ignore[attr-defined,call-overload,no-any-return]  # set above

    def write(self, path: str, text: str = "") -> Path:
        file = self.path(path)
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(text, encoding="utf-8")
        return file


WELL = GuardStatus(time_s=1.0, state="withheld", relay_closed=False, watchdog=True)


class Voice:
    """Answers on a local socket with one status to everybody."""

    def __init__(self, path: Path, status: GuardStatus | None) -> None:
        path.parent.mkdir(parents=True, exist_ok=True)
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_STREAM)
        self._socket.bind(str(path))
        self._socket.listen(8)
        self._status = status
        self._thread = threading.Thread(target=self._answer, daemon=True)
        self._thread.start()

    def _answer(self) -> None:
        while True:
            try:
                link, _ = self._socket.accept()
            except OSError:
                return
            with link:
                try:
                    # Nothing comes from somebody who only knocks.
                    asked = link.recv(4096)
                    if asked and self._status is not None:
                        link.sendall(status_line(self._status))
                except OSError:
                    continue

    def close(self) -> None:
        self._socket.shutdown(socket.SHUT_RDWR)
        self._socket.close()
        self._thread.join(5)


@pytest.fixture
def bench(tmp_path: Path) -> Iterator[Bench]:
    """A Raspberry Pi on which everything is as it should be."""
    machine = Bench(tmp_path)
    machine.write("/proc/device-tree/model", "Raspberry Pi 4 Model B Rev 1.4\0")
    machine.write("/boot/firmware/config.txt", "# ours\ndtparam=spi=on\ndtparam=strict_gpiod\ngpio=17=op,dl  # relay\n")
    machine.write("/sys/module/pinctrl_bcm2835/parameters/persist_gpio_outputs", "N\n")
    machine.write("/sys/class/watchdog/watchdog0/state", "active\n")
    machine.write("/sys/devices/platform/soc/soc:firmware/get_throttled", "0\n")
    machine.write("/dev/spidev0.0")
    machine.write("/dev/serial/by-id/usb-gauge")
    machine.write("/proc/mounts", f"root / ext4 rw 0 0\ncard {tmp_path} ext4 rw,noatime 0 0\n")
    machine.write("/run/systemd/timesync/synchronized")
    machine.write("/etc/lastbubble/mqtt-password", "x").chmod(0o600)
    base = sqlite3.connect(machine.write("/var/lib/lastbubble/ledger.db"))
    base.execute("CREATE TABLE one (a)")
    base.close()
    voices = [Voice(machine.path(f"/run/lastbubble/{name}.sock"), WELL) for name in ("guard", "bench", "service")]
    try:
        yield machine
    finally:
        for voice in voices:
            voice.close()


def patient(bench: Bench, text: str = TEXT, year: int = 2026) -> Patient:
    return Patient(bench, load_text(text, "s.yaml").settings, StillClock(year))


def found(bench: Bench, text: str = TEXT, year: int = 2026) -> list[tuple[str, str]]:
    findings = examine(patient(bench, text, year))
    assert all(finding.found and finding.mend for finding in findings)
    assert [WEIGHTS.index(one.weight) for one in findings] == sorted(WEIGHTS.index(one.weight) for one in findings)
    return [(finding.weight, finding.about) for finding in findings]


def test_a_well_machine_has_nothing(bench: Bench) -> None:
    assert found(bench) == []


ILLNESSES = {
    "the kernel keeps a dead owner's level": (
        lambda bench: bench.write("/sys/module/pinctrl_bcm2835/parameters/persist_gpio_outputs", "Y"),
        [("danger", "relay line")],
    ),
    "strict_gpiod is not in the boot settings": (
        lambda bench: bench.write("/boot/firmware/config.txt", "#dtparam=strict_gpiod\ngpio=17=op,dl\n"),
        [("danger", "relay line")],
    ),
    "the pin is not low before Linux": (
        lambda bench: bench.write("/boot/firmware/config.txt", "dtparam=strict_gpiod\ngpio=18=op,dl\n"),
        [("poor", "relay line")],
    ),
    "no hardware watchdog": (
        lambda bench: (
            bench.path("/sys/class/watchdog/watchdog0/state").unlink(),
            bench.path("/sys/class/watchdog/watchdog0").rmdir(),
        ),
        [("poor", "watchdog")],
    ),
    "a watchdog that nobody pets": (
        lambda bench: bench.write("/sys/class/watchdog/watchdog0/state", "inactive\n"),
        [("danger", "watchdog")],
    ),
    "a library that cannot be imported": (
        lambda bench: bench.bad_imports.update(lgpio="No module named 'lgpio'"),
        [("broken", "libraries")],
    ),
    "the bus is off": (lambda bench: bench.path("/dev/spidev0.0").unlink(), [("broken", "thermocouple bus")]),
    "the adapter is unplugged": (
        lambda bench: bench.path("/dev/serial/by-id/usb-gauge").unlink(),
        [("broken", "gauge")],
    ),
    "a modem manager": (
        lambda bench: bench.programs.update({("systemctl", "is-active", "ModemManager"): (0, "active\n")}),
        [("note", "gauge")],
    ),
    "no guard": (
        lambda bench: [bench.path(f"/run/lastbubble/{name}.sock").unlink() for name in ("guard", "bench")],
        [("broken", "guard")],
    ),
    "nobody can hear it": (lambda bench: bench.path("/run/lastbubble/guard.sock").unlink(), [("broken", "guard")]),
    "nobody can permit": (lambda bench: bench.path("/run/lastbubble/bench.sock").unlink(), [("broken", "guard")]),
    "no service": (lambda bench: bench.path("/run/lastbubble/service.sock").unlink(), [("broken", "service")]),
    "no ledger yet": (lambda bench: bench.path("/var/lib/lastbubble/ledger.db").unlink(), [("note", "ledger")]),
    "a damaged ledger": (
        lambda bench: bench.path("/var/lib/lastbubble/ledger.db").write_bytes(b"\0" * 8192),
        [("broken", "ledger")],
    ),
    "a card that went read-only": (
        lambda bench: bench.write("/proc/mounts", f"root / ext4 rw 0 0\ncard {bench.root} ext4 ro,noatime 0 0\n"),
        [("broken", "ledger")],
    ),
    "the broker is away": (
        lambda bench: bench.bad_hosts.update({("localhost", 1883): "Connection refused"}),
        [("broken", "broker")],
    ),
    "the broker's password is open to all": (
        lambda bench: bench.path("/etc/lastbubble/mqtt-password").chmod(0o644),
        [("poor", "broker")],
    ),
    "the broker's password is not there": (
        lambda bench: bench.path("/etc/lastbubble/mqtt-password").unlink(),
        [("broken", "broker")],
    ),
    "the clock was not set by the network": (
        lambda bench: bench.path("/run/systemd/timesync/synchronized").unlink(),
        [("note", "clock")],
    ),
    "too little voltage now": (
        lambda bench: bench.write("/sys/devices/platform/soc/soc:firmware/get_throttled", "50005"),
        [("broken", "power")],
    ),
    "too little voltage once": (
        lambda bench: bench.write("/sys/devices/platform/soc/soc:firmware/get_throttled", "50000"),
        [("poor", "power")],
    ),
}


@pytest.mark.parametrize("name", ILLNESSES)
def test_each_illness_is_found_and_nothing_else(name: str, bench: Bench) -> None:
    make, wanted = ILLNESSES[name]
    make(bench)
    assert found(bench) == wanted


def test_a_simulated_bench_on_a_real_board_is_a_danger(bench: Bench) -> None:
    assert ("danger", "simulation") in found(bench, TEXT + "simulated: true\n")
    bench.write("/proc/device-tree/model", "some desktop")
    assert found(bench, TEXT + "simulated: true\n") == []


def test_a_pulsed_driver_forgives_a_kept_level(bench: Bench) -> None:
    bench.write("/sys/module/pinctrl_rp1/parameters/persist_gpio_outputs", "1")
    assert found(bench) == [("danger", "relay line")]
    assert found(bench, TEXT.replace("  relay_pin: 17", "  relay_pin: 17\n  drive: pulsed")) == [("poor", "relay line")]


def test_a_clock_from_before_the_program_is_told(bench: Bench) -> None:
    assert found(bench, year=1970) == [("poor", "clock")]


def test_a_name_that_changes_is_told(bench: Bench) -> None:
    bench.write("/dev/ttyUSB0")
    text = TEXT.replace("/dev/serial/by-id/usb-gauge", "/dev/ttyUSB0")
    assert found(bench, text) == [("poor", "gauge")]


def test_what_does_not_exist_is_not_examined(bench: Bench) -> None:
    """An oven-only station has no gauge, broker, phone or page to be wrong."""
    for path in ("/dev/serial/by-id/usb-gauge", "/etc/lastbubble/mqtt-password"):
        bench.path(path).unlink()
    bench.bad_imports.update(apprise="no", aiohttp="no", serial="no")  # type: ignore[attr-defined]  # set in Bench
    assert found(bench, data_path("config", "oven-only.yaml").read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    ("change", "wanted"),
    [
        ({}, []),
        ({"alarm": "Pull the oven's plug"}, [("danger", "guard")]),
        ({"relay_closed": True}, [("danger", "relay")]),
        ({"relay_closed": True, "heat_wanted": True, "state": "permitted"}, []),
        ({"watchdog": False}, [("danger", "watchdog")]),
        ({"watchdog": False, "simulated": True}, []),
        ({"state": "tripped", "trip": TripStatus("over_temperature", 3.0)}, [("broken", "guard")]),
        ({"probes": (ProbeStatus("oven", cause="open"),)}, [("broken", "probe oven")]),
        ({"probes": (ProbeStatus("oven", 1.0, 20.0, 22.0, "good", ""),)}, []),
        ({"hindrances": ("the lamp test is not on record",)}, [("poor", "permit")]),
        ({"cautions": ("junction_warm: 52 degC",)}, [("poor", "guard")]),
    ],
)
def test_what_the_guard_says_is_passed_on(change: dict[str, object], wanted: list[tuple[str, str]]) -> None:
    findings = list(guard_findings(replace(WELL, **change)))  # type: ignore[arg-type]  # fields of GuardStatus
    assert [(one.weight, one.about) for one in findings] == wanted


@pytest.mark.parametrize(
    ("silent", "expected"),
    [(("guard",), []), (("bench",), []), (("guard", "bench"), [("broken", "guard")])],
    ids=["a person of the bench asks", "the service's account asks", "hangs up on everybody"],
)
def test_the_guard_is_asked_at_whichever_door_answers(
    bench: Bench, silent: tuple[str, ...], expected: list[tuple[str, str]]
) -> None:
    # A guard that does not admit a user closes the connection without a word.
    voices = []
    for name in silent:
        path = bench.path(f"/run/lastbubble/{name}.sock")
        path.unlink()
        voices.append(Voice(path, None))
    try:
        assert found(bench) == expected
    finally:
        for voice in voices:
            voice.close()


def test_findings_keep_the_tables_order_within_a_weight() -> None:
    findings = [
        Finding(weight, str(index), "f", "m") for index, weight in enumerate(("note", "danger", "poor", "danger"))
    ]
    assert [one.about for one in sorted_findings(findings)] == ["1", "3", "2", "0"]


def test_the_table_begins_with_what_is_dangerous() -> None:
    assert [row.about for row in CHECKS][:3] == ["simulation", "guard", "relay line"]


def test_ledger_fault_reads_and_never_writes(tmp_path: Path) -> None:
    file = tmp_path / "ledger.db"
    assert ledger_fault(file) != ""
    assert not file.exists()


def test_the_machine_itself(tmp_path: Path) -> None:
    machine = Machine()
    assert machine.import_fault("json") == ""
    assert "no_such_module_here" in machine.import_fault("no_such_module_here")
    assert machine.run(["/no/such/program"]) is None
    assert machine.connection_fault("127.0.0.1", 1) != ""
    assert machine.connection_fault("bad host name", 1883) != ""
    assert (machine.free_bytes(str(tmp_path / "a" / "b")) or 0) > 0
    assert machine.socket_fault(str(tmp_path / "none.sock")) == "No such file or directory"


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "station.yaml"
    assert main(["doctor", "--settings", str(file)]) == 1
    assert "copy an example" in capsys.readouterr().out
    file.write_text("station: a b\n", encoding="utf-8")
    assert main(["doctor", "--settings", str(file), "--json"]) == 1
    said = json.loads(capsys.readouterr().out)
    assert said["well"] is False
    assert said["findings"][0]["about"] == "settings"
    text = data_path("config", "oven-only.yaml").read_text(encoding="utf-8")
    file.write_text(f"{text}runtime_dir: {tmp_path}\nledger: {{path: {tmp_path}/ledger.db}}\n", encoding="utf-8")
    assert main(["doctor", "--settings", str(file), "--json"]) == 1
    about = {one["about"] for one in json.loads(capsys.readouterr().out)["findings"]}
    assert {"guard", "service"} <= about


def warmed(bench: Bench, *rates_k_min: float) -> None:
    """A ledger of batches in which the oven warmed from cold at these rates."""
    path = bench.path("/var/lib/lastbubble/ledger.db")
    path.unlink()
    ledger = Ledger.open(path)
    for rate in rates_k_min:
        batch = ledger.open_batch(Context(), opened_utc=datetime(2026, 3, 1, tzinfo=UTC), name=f"at {rate:g}")
        for second in range(0, 600, 5):
            ledger.append(batch, Sample(float(second), oven_c=20.0 + rate * second / 60, heat=True))
        ledger.close_batch(batch, datetime(2026, 3, 1, 1, tzinfo=UTC))
    ledger.close()


@pytest.mark.parametrize(
    ("rates", "told", "weights", "words"),
    [
        ((3.0, 3.2, 3.4), "", ["note"], 'expected_rate: "3.2 K/min"'),
        ((3.0,), "", [], ""),
        ((2.0, 9.0), "", [], ""),
        ((3.0, 3.2), "3 K/min", [], ""),
        ((3.0, 3.2), "9 K/min", ["poor"], "the guard expects 9.0"),
    ],
)
def test_how_fast_the_oven_warms_stands_beside_what_the_guard_expects(
    bench: Bench, rates: tuple[float, ...], told: str, weights: list[str], words: str
) -> None:
    warmed(bench, *rates)
    text = TEXT.replace("guard:", f'guard:\n  rules: {{expected_rate: "{told}"}}', 1) if told else TEXT
    found = [one for one in examine(patient(bench, text)) if one.about == "oven"]
    assert [one.weight for one in found] == weights
    assert words in "".join(one.found + one.mend for one in found)
