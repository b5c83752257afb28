"""What the rooms are given: nothing is lost on the way, defaults are the rooms' own, and both judge alike."""

from __future__ import annotations

import json
import subprocess
import sys
from dataclasses import fields
from pathlib import Path
from typing import Any, get_args
from zoneinfo import ZoneInfo

import pytest
import yaml
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from lastbubble.context import context_from_header, context_header
from lastbubble.data import data_path
from lastbubble.errors import SettingsError
from lastbubble.guard.config import GuardSettings, guard_settings_from_json
from lastbubble.guard.rules import SETTINGS
from lastbubble.ledger.store import LedgerSettings
from lastbubble.outlets.mqtt import MqttSettings
from lastbubble.outlets.phone import PhoneSettings
from lastbubble.pipeline.isolation_schedule import ScheduleSettings
from lastbubble.sensing import adc_gauge, gauge, modbus_gauge
from lastbubble.sensing.adc_gauge import AdcGaugeSettings
from lastbubble.sensing.modbus_gauge import ModbusGaugeSettings, RegisterMap
from lastbubble.sensing.serial_gauge import SerialGaugeSettings
from lastbubble.sensing.thermocouple import Calibration
from lastbubble.settings import Settings, load_settings, load_text
from lastbubble.settings import gauges as keys
from lastbubble.settings.__main__ import main
from lastbubble.settings.heat import RULE_KEYS
from lastbubble.thermometer import ThermometerProbe, ThermometerSettings, settings_from_json
from tools.plant.wire.station_file import BenchWiring, write_settings

EXAMPLES = sorted(data_path("config").glob("*.yaml"))
OVEN: dict[str, Any] = {
    "station": "shed-bench",
    "oven": {"probes": [{"name": "oven", "select_pin": 5}]},
    "guard": {"limit": "125 degC", "relay_pin": 17},
}


def made(**more: Any) -> Settings:
    return load_text(yaml.safe_dump(OVEN | more), "s.yaml").settings


def chamber(**own: Any) -> dict[str, Any]:
    return {"gauge": {"reads": "absolute"} | own}


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_every_room_takes_every_example(path: Path) -> None:
    station = load_settings(path)
    assert guard_settings_from_json(json.dumps(station.guard_json())) == station.to_guard()
    assert settings_from_json(json.dumps(station.thermometer_json())) == station.to_thermometer()
    assert (station.to_gauge() is None) == (station.chamber is None)
    assert (station.to_gauge_scale() is None) == (station.chamber is None)
    context = station.to_context()
    assert context_from_header(context_header(context)) == context
    assert context.station == station.station
    assert station.to_display().barometer_pa == station.barometer_pa


def test_the_guard_is_told_what_was_written() -> None:
    station = made(
        guard={
            "limit": "257 degF",
            "relay_pin": 22,
            "drive": "pulsed",
            "lease": "45 s",
            "min_off": "12 s",
            "feedback_pin": 23,
            "stop_pin": 24,
            "permit_pin": 25,
            "reset_pin": 26,
            "lamp_pin": 27,
            "cutoff_pin": 21,
            "state_dir": "/x/latch",
            "frame_users": ["t"],
            "service_users": ["s"],
            "bench_users": ["@bench"],
            "socket_group": "g",
            "rules": {"rise_rate": "36 degF/min", "apart": "9 degF", "overshoot": "4 min", "fault_run": 7},
        },
        oven={
            "probes": [
                {"name": "witness", "select_pin": 6},
                {"name": "oven", "select_pin": 5, "calibration": [{"shown": "33 degF", "actual": "32 degF"}]},
            ]
        },
        runtime_dir="/run/x",
    )
    told = station.to_guard()
    assert told.limits["limit_c"] == pytest.approx(125)
    assert told.limits["rise_k_min"] == pytest.approx(20)
    assert told.limits["apart_k"] == pytest.approx(5)
    assert (told.limits["overshoot_s"], told.limits["fault_run"]) == (240, 7)
    assert [probe.name for probe in told.probes] == ["witness", "oven"]
    assert told.probes[1].calibration == ((pytest.approx(0.5556, abs=1e-4), 0.0),)
    expected = {
        "relay_pin": 22,
        "drive": "pulsed",
        "lease_s": 45.0,
        "min_off_s": 12.0,
        "feedback_pin": 23,
        "stop_pin": 24,
        "permit_pin": 25,
        "reset_pin": 26,
        "lamp_pin": 27,
        "cutoff_pin": 21,
        "state_dir": "/x/latch",
        "frame_users": ("t",),
        "service_users": ("s",),
        "bench_users": ("@bench",),
        "socket_group": "g",
        "runtime_dir": "/run/x",
        "simulated": False,
    }
    assert {name: getattr(told, name) for name in expected} == expected
    assert station.to_thermometer().probes == (ThermometerProbe("witness", 6), ThermometerProbe("oven", 5))


def test_a_probe_is_as_good_as_its_wire_until_it_is_checked_at_two_points() -> None:
    def point(shown: int, actual: int) -> dict[str, str]:
        return {"shown": f"{shown} degC", "actual": f"{actual} degC"}

    station = made(
        oven={
            "probes": [
                {"name": "oven", "select_pin": 5, "calibration": [point(1, 0), point(101, 99)]},
                {"name": "oven2", "select_pin": 16, "calibration": [point(2, 0)], "wire": "class 1"},
                {"name": "witness", "select_pin": 6},
            ]
        }
    )
    assert station.to_grades() == {"oven": "checked", "oven2": "class_1", "witness": "class_2"}
    context = station.to_context()
    assert (context.oven_grade, context.witness_grade) == ("checked", "class_2")


@pytest.mark.parametrize(("written", "told"), [({}, ""), ({"fan": True}, "yes"), ({"fan": False}, "no")])
def test_a_fan_is_told_or_not_known(written: dict[str, bool], told: str) -> None:
    station = made(oven={"probes": [{"name": "oven", "select_pin": 5}], **written})
    assert station.to_context().oven_fan == told


def test_no_field_of_the_guard_is_forgotten() -> None:
    """A new field of the guard's settings must be mapped, or said here to be no person's business."""
    not_for_a_person = {"period_s"}
    mapped = set(made().guard_json())
    assert mapped == {field.name for field in fields(GuardSettings)}
    source = Path(sys.modules["lastbubble.settings.rooms"].__file__ or "").read_text(encoding="utf-8")
    for field in fields(GuardSettings):
        assert f"{field.name}=" in source or field.name in not_for_a_person, field.name


@pytest.mark.parametrize("rule", RULE_KEYS, ids=lambda rule: rule.key)
def test_each_rules_bounds_reach_the_guard_unchanged(rule: Any) -> None:
    section = type(made().guard.rules)  # type: ignore[union-attr]  # the guard is in OVEN
    quantity = section.model_fields[rule.key].metadata[0]
    for bound, si in zip(rule.setting.allowed, (quantity.low, quantity.high), strict=True):
        assert rule.table_value(si) == bound
    assert rule.table_value(section.model_fields[rule.key].default) == pytest.approx(rule.setting.default, rel=1e-12)


def test_every_number_of_the_rules_can_be_set() -> None:
    assert {rule.setting.name for rule in RULE_KEYS} | {"limit_c"} == set(SETTINGS)
    assert len({rule.key for rule in RULE_KEYS}) == len(RULE_KEYS)


def test_what_is_not_written_is_the_rooms_own_default() -> None:
    told = made().to_guard()
    own = GuardSettings(relay_pin=17, limits={"limit_c": 125.0})
    assert told == own
    assert made().to_thermometer() == ThermometerSettings((ThermometerProbe("oven", 5),))
    assert made().to_ledger() == LedgerSettings()
    assert made(mqtt={}).to_mqtt() == MqttSettings(station="shed-bench")
    serial = made(chamber=chamber(kind="serial", port="/dev/x", unit="mbar")).to_gauge()
    assert serial == SerialGaugeSettings("/dev/x", "mbar")
    modbus = made(chamber=chamber(kind="modbus", port="/dev/x", unit="Pa", address=0)).to_gauge()
    assert modbus == ModbusGaugeSettings("/dev/x", RegisterMap())
    wire = {"kind": "adc", "signal": "ratiometric", "divider": 1.6, "low": "-1 bar", "high": "0 bar"}
    assert made(chamber=chamber(**wire)).to_gauge() == AdcGaugeSettings(-1e5, 0.0, divider=1.6)


def test_the_isolation_valve_is_told_when_to_shut() -> None:
    with_gauge = chamber(kind="serial", port="/dev/x", unit="mbar")
    assert made(chamber=with_gauge).to_valve() is None
    usual = made(chamber=with_gauge | {"valve": {"pin": 6}})
    assert usual.to_valve() == ScheduleSettings()
    own = made(chamber=with_gauge | {"valve": {"pin": 6, "every": "30 min", "shut": "5 min"}})
    assert own.to_valve() == ScheduleSettings(every_s=1800.0, fine_s=300.0, other_s=300.0)


def test_the_phone_is_told_what_was_written() -> None:
    assert made().to_phone() is None
    urls = ["json://hub.lan:8080/bench"]
    assert made(phone={"urls": urls}).to_phone() == PhoneSettings(tuple(urls))
    told = made(
        phone={"urls": urls, "quiet_from": "22:30", "quiet_to": "06:05", "repeat": "10 min", "zone": "UTC"}
    ).to_phone()
    assert told == PhoneSettings(tuple(urls), 22 * 60 + 30, 6 * 60 + 5, 600.0, zone=ZoneInfo("UTC"))


def test_the_page_gets_its_own_defaults() -> None:
    server = pytest.importorskip("lastbubble.outlets.page.server")
    assert made(page={}).to_page() == server.PageSettings()
    proxies = ["127.0.0.1", "fd00::2"]
    assert made(page={"proxies": proxies}).to_page() == server.PageSettings(proxies=tuple(proxies))


def test_words_are_the_rooms_own() -> None:
    assert get_args(keys.RegisterType) == get_args(modbus_gauge.RegisterType)
    assert get_args(keys.WordOrder) == get_args(modbus_gauge.WordOrder)
    assert get_args(keys.Chip) == get_args(adc_gauge.Chip)
    assert get_args(keys.Signal) == get_args(adc_gauge.Signal)
    assert get_args(gauge.Reads) == ("absolute", "gauge", "vacuum")


def test_gauges_are_told_what_was_written() -> None:
    serial = {
        "kind": "serial",
        "port": "/dev/x",
        "unit": "Torr",
        "baud": 19200,
        "frame": "7E1",
        "query": "PR1",
        "line_end": "CR",
    }
    told = made(chamber=chamber(**serial, every="2 s", silence="30 s", zero="1 mbar", span=1.01))
    assert told.to_gauge() == SerialGaugeSettings(
        "/dev/x", "Torr", 19200, "7E1", line_end="CR", query="PR1", every_s=2.0, silence_s=30.0
    )
    scale = told.to_gauge_scale()
    assert scale is not None
    assert (scale.reads, scale.zero_pa, scale.span) == ("absolute", 100.0, 1.01)
    modbus = {"kind": "modbus", "port": "/dev/x", "unit": "kPa", "address": 0x10, "type": "f32", "words": "low first"}
    told = made(chamber=chamber(**modbus, function=4, device=9, scale=0.1, offset=-2.0, no_value=[0x7FC00000]))
    where = RegisterMap(4, 16, "f32", "low first", 0.1, -2.0, "kPa", (0x7FC00000,))
    assert told.to_gauge() == ModbusGaugeSettings("/dev/x", where, device=9)


def test_the_air_of_the_day() -> None:
    assert made().barometer_pa == 101325.0
    assert made().to_context().barometer_pa is None
    assert made(barometer="990 hPa").barometer_pa == 99000.0
    # ISO 2533, table 1: 89874.6 Pa at 1000 m geopotential, which is 1000.16 m geometric.
    assert made(altitude="1000.157 m").barometer_pa == pytest.approx(89874.6, abs=0.5)
    assert made(altitude="1000.157 m").to_context().barometer_pa == made(altitude="1000.157 m").barometer_pa


def test_the_context_is_in_its_own_units() -> None:
    told = made(
        chamber=chamber(kind="serial", port="/dev/x", unit="Pa")
        | {"volume": "9 L", "pump_speed": "4.2 m3/h", "base": "2 mbar", "leak": "0.6 mbar"},
        cure={"target_core": "200 degF", "hold": "0.5 h", "soak": "8 h", "initiator": "AIBN"},
    ).to_context()
    assert told.chamber_volume_l == pytest.approx(9)
    assert told.pump_l_min == pytest.approx(70)
    assert (told.base_pa, told.leak_pa_s) == (pytest.approx(200), pytest.approx(1))
    assert (told.target_core_c, told.hold_min, told.soak_min) == (pytest.approx(93.333, abs=1e-3), 30.0, 480.0)
    assert (told.gauge_kind, told.initiator) == ("absolute", "AIBN")


@pytest.mark.parametrize("end", ["low", "high"])
def test_the_widest_settings_are_within_what_a_log_may_say(end: str) -> None:
    wide = {
        "low": (
            {"volume": "0.05 L", "pump_speed": "0.1 L/min", "base": "0 Pa", "leak": "0 Pa"},
            "30 degC",
            "0 s",
            "-430 m",
        ),
        "high": (
            {"volume": "1 m3", "pump_speed": "10000 L/min", "base": "500 mbar", "leak": "6000 mbar"},
            "142 degC",
            "48 h",
            "5000 m",
        ),
    }
    size, target, time, altitude = wide[end]
    rules = {"permitted": "72 h"}
    station = made(
        chamber=chamber(kind="serial", port="/dev/x", unit="Pa") | size,
        cure={"target_core": target, "hold": time, "soak": time},
        guard={"limit": "150 degC", "relay_pin": 17, "rules": rules},
        altitude=altitude,
    )
    context = station.to_context()
    assert context_from_header(context_header(context)) == context


@pytest.mark.parametrize("kind", ["serial", "asked", "modbus", ""])
def test_a_simulated_bench_writes_settings_that_can_be_used(kind: str, tmp_path: Path) -> None:
    wiring = BenchWiring(gauge=kind, broker=("localhost", 1883), phone=("json://localhost:1",), page=8087)
    folder = Path("/tmp/bench")
    station = load_settings(
        write_settings(tmp_path / "s.yaml", folder, wiring, {"chamber": {"volume": "9 L"}} if kind else {})
    )
    assert station.simulated
    assert station.to_guard().pin_factory == "tools.plant.wire.pins:BenchFactory"
    assert station.to_thermometer().bus == "tools.plant.wire.spi:bench_bus"
    assert (station.to_gauge() is None) == (kind == "")
    assert station.to_mqtt() is not None


def test_a_password_file_is_read_and_its_absence_told(tmp_path: Path) -> None:
    file = tmp_path / "password"
    station = made(mqtt={"username": "a", "password_file": str(file)})
    with pytest.raises(SettingsError, match=r"mqtt\.password_file is .*cannot be read"):
        station.to_mqtt()
    file.write_text("\n", encoding="utf-8")
    with pytest.raises(SettingsError, match="first line is empty"):
        station.to_mqtt()
    file.write_text("open sesame\r\nanother\n", encoding="utf-8")
    told = station.to_mqtt()
    assert told is not None
    assert told.password == "open sesame"


def accepted(make: Any) -> bool:
    try:
        make()
    except ValueError:
        return False
    return True


TEMPERATURES = st.integers(-20, 300)


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(st.lists(st.tuples(TEMPERATURES, TEMPERATURES | st.none()), max_size=2), st.integers(-16, 16))
def test_settings_and_probe_judge_a_calibration_alike(points: list[tuple[int, int | None]], off: int) -> None:
    pairs = tuple((float(shown), float(shown + off if actual is None else actual)) for shown, actual in points)
    pairs = tuple((shown, min(max(actual, -20.0), 300.0)) for shown, actual in pairs)
    written = [{"shown": f"{shown} degC", "actual": f"{actual} degC"} for shown, actual in pairs]
    probes = [{"name": "oven", "select_pin": 5, "calibration": written}]
    assert accepted(lambda: made(oven={"probes": probes})) == accepted(lambda: Calibration(pairs))


@settings(max_examples=50, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(
    chip=st.sampled_from(get_args(keys.Chip)),
    channel=st.integers(0, 7),
    supply_channel=st.none() | st.integers(0, 7),
    divider=st.sampled_from([1.0, 1.3, 1.4, 1.5, 2.0]),
    supply=st.sampled_from([3.3, 5.0]),
    pins=st.permutations([16, 18, 19, 20, 21]),
    low=st.sampled_from([-100, 0, 100]),
)
def test_settings_and_converter_judge_a_transducer_alike(
    chip: Any,
    channel: int,
    supply_channel: int | None,
    divider: float,
    supply: float,
    pins: list[int],
    low: int,
) -> None:
    names = ("select_pin", "clock_pin", "mosi_pin", "miso_pin")
    own = dict(zip(names, pins, strict=False))
    written: dict[str, Any] = {
        "kind": "adc",
        "chip": chip,
        "channel": channel,
        "signal": "ratiometric",
        "divider": divider,
        "supply": f"{supply} V",
        "low": f"{low} kPa",
        "high": "0 kPa",
        **own,
    }
    if supply_channel is not None:
        written["supply_channel"] = supply_channel
    assert accepted(lambda: made(chamber=chamber(**written))) == accepted(
        lambda: AdcGaugeSettings(
            low * 1e3, 0.0, chip, channel, divider=divider, supply_channel=supply_channel, supply_v=supply, **own
        )
    )


@pytest.mark.parametrize("shunt", [None, 100, 150, 157, 158, 200])
def test_settings_and_converter_judge_a_loop_alike(shunt: int | None) -> None:
    written: dict[str, Any] = {"kind": "adc", "signal": "4-20 mA", "low": "0 kPa", "high": "100 kPa"}
    if shunt is not None:
        written["shunt"] = f"{shunt} ohm"
    assert accepted(lambda: made(chamber=chamber(**written))) == accepted(
        lambda: AdcGaugeSettings(0.0, 1e5, signal="4-20 mA", shunt_ohm=shunt)
    )


@pytest.mark.parametrize("room", ["guard", "thermometer"])
def test_a_lean_process_gets_its_line(room: str, capsys: pytest.CaptureFixture[str]) -> None:
    path = data_path("config", "serial-gauge.yaml")
    assert main([room, str(path)]) == 0
    line = capsys.readouterr().out
    assert line.count("\n") == 1
    values = json.loads(line)
    assert line == json.dumps(values, sort_keys=True, separators=(",", ":")) + "\n"
    read: Any = guard_settings_from_json if room == "guard" else settings_from_json
    station = load_settings(path)
    assert read(line) == (station.to_guard() if room == "guard" else station.to_thermometer())


def test_a_lean_process_gets_every_fault_and_no_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "s.yaml"
    file.write_text("station: a b\nguard: {limit: 1}\n", encoding="utf-8")
    assert main(["guard", str(file)]) == 1
    said = capsys.readouterr()
    assert said.out == ""
    assert len(said.err.splitlines()) == 4
    file.write_text("station: a\naltitude: '1 m'\nchamber: {gauge: {kind: serial, port: /x, unit: Pa, reads: gauge}}\n")
    assert main(["thermometer", str(file)]) == 1
    assert "no oven" in capsys.readouterr().err


def test_the_module_runs_as_the_guard_starts_it() -> None:
    path = data_path("config", "oven-only.yaml")
    done = subprocess.run(
        [sys.executable, "-m", "lastbubble.settings", "guard", str(path)], capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stderr) == (0, "")
    assert guard_settings_from_json(done.stdout) == load_settings(path).to_guard()


def test_reading_settings_imports_no_hardware_and_no_network(tmp_path: Path) -> None:
    """The guard's helper runs before every start of the guard: it must neither wait for a board nor load much."""
    code = (
        "import sys\nfrom pathlib import Path\nfrom lastbubble.settings import load_settings\n"
        f"load_settings(Path({str(data_path('config', 'serial-gauge.yaml'))!r})).guard_json()\n"
        "print(' '.join(sorted({name.split('.')[0] for name in sys.modules})))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=tmp_path)
    assert not {"serial", "minimalmodbus", "gpiozero", "board", "aiohttp", "paho", "numpy", "apprise"} & set(
        done.stdout.split()
    )
