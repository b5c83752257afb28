"""`lastbubble settings ...` as a person and a script see it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from lastbubble.cli import main
from lastbubble.data import data_path
from lastbubble.settings import load_settings
from lastbubble.settings.reference import markdown

OVEN_ONLY = data_path("config", "oven-only.yaml")


def run(*words: str, capsys: pytest.CaptureFixture[str]) -> tuple[int, str, str]:
    code = main(["settings", *words])
    said = capsys.readouterr()
    return code, said.out, said.err


def test_check_names_every_fault_and_leaves_with_1(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "station.yaml"
    file.write_text(OVEN_ONLY.read_text(encoding="utf-8") + "extra: 1\nlog_level: loud\n", encoding="utf-8")
    code, out, err = run("check", str(file), capsys=capsys)
    assert (code, out) == (1, "")
    lines = err.splitlines()
    assert [line.split(" is ")[0].split(":")[-1].strip() for line in lines[:2]] == ["extra", "log_level"]
    assert lines[2] == "2 faults; nothing was started with these settings"
    code, out, err = run("check", "--json", str(file), capsys=capsys)
    assert (code, err) == (1, "")
    assert json.loads(out)["ok"] is False
    assert json.loads(out)["faults"] == lines[:2]


def test_check_says_loudly_that_a_bench_is_simulated(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "bench.yaml"
    file.write_text(OVEN_ONLY.read_text(encoding="utf-8") + "simulated: true\n", encoding="utf-8")
    code, out, err = run("check", str(file), capsys=capsys)
    assert (code, out) == (0, f"{file}: good\n")
    line = file.read_text(encoding="utf-8").count("\n")
    assert err.startswith(f"{file}:{line}: simulated: SIMULATED BENCH")
    assert json.loads(run("check", "--json", str(file), capsys=capsys)[1])["remarks"] == [err.strip()]


@pytest.mark.parametrize(
    ("old", "new", "line", "says"),
    [
        ("/dev/serial/by-id/usb-gauge", "/dev/ttyUSB0", "    port:", "chamber.gauge.port: /dev/ttyUSB0 may be another"),
        ('"130 degC"', '"145 degC"', "  limit:", "guard.limit: it is 52 K above"),
        ("password_file: /etc/lastbubble/mqtt-password", "password: x", "  password:", "mqtt.password: it crosses"),
    ],
)
def test_check_says_what_a_person_should_know(
    old: str, new: str, line: str, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    text = (
        data_path("config", "serial-gauge.yaml").read_text(encoding="utf-8").replace("host: localhost", "host: hub.lan")
    )
    assert old in text
    file = tmp_path / "station.yaml"
    file.write_text(text.replace(old, new), encoding="utf-8")
    code, _, err = run("check", str(file), capsys=capsys)
    number = next(at for at, one in enumerate(file.read_text(encoding="utf-8").splitlines(), 1) if one.startswith(line))
    assert code == 0
    assert err.startswith(f"{file}:{number}: {says}")
    assert err.count("\n") == 1


def test_show_tells_si_values_and_where_they_came_from(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run("show", "--json", str(OVEN_ONLY), capsys=capsys)
    assert code == 0
    rows = {row["key"]: row for row in json.loads(out)}
    line = OVEN_ONLY.read_text(encoding="utf-8").splitlines().index('  target_core: "200 degF"') + 1
    target = rows["cure.target_core"]
    assert target == {
        "key": "cure.target_core",
        "value": pytest.approx(93.3333, abs=1e-4),
        "unit": "degC",
        "line": line,
        "written": "200 degF",
    }
    assert (rows["log_level"]["value"], rows["log_level"]["line"]) == ("info", None)
    _, out, _ = run("show", str(OVEN_ONLY), capsys=capsys)
    words = next(row for row in out.splitlines() if row.startswith("cure.target_core")).split()
    assert words == ["cure.target_core", "93.33333333", "degC", "line", f"{line}:", "200", "degF"]


def test_show_hides_what_is_secret(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "station.yaml"
    text = OVEN_ONLY.read_text(encoding="utf-8")
    text += "mqtt: {host: localhost, username: a, password: open-sesame}\nphone: {urls: ['json://key-of-mine@hub']}\n"
    file.write_text(text, encoding="utf-8")
    for words in (("show",), ("show", "--json")):
        code, out, err = run(*words, str(file), capsys=capsys)
        assert code == 0
        assert "hidden" in out
        assert "open-sesame" not in out + err
        assert "key-of-mine" not in out + err
    assert "open-sesame" not in repr(load_settings(file))
    assert "key-of-mine" not in repr(load_settings(file))


def test_a_secret_that_is_wrong_is_not_shown_either(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "station.yaml"
    text = OVEN_ONLY.read_text(encoding="utf-8")
    file.write_text(text + "phone: {urls: [key-of-mine]}\nmqtt: {password: [open-sesame]}\n", encoding="utf-8")
    code, out, err = run("check", str(file), capsys=capsys)
    assert (code, out) == (1, "")
    assert "key-of-mine" not in err
    assert "open-sesame" not in err
    assert "phone.urls[0]" in err


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda path: path.with_name("other").touch(), "cannot be read (No such file or directory)"),
        (lambda path: path.mkdir(), "cannot be read (Is a directory)"),
        (lambda path: path.write_bytes(b"station: a\nunits: \xff\xfe\n"), "2: byte 0xff is not UTF-8"),
        (lambda path: path.write_bytes(b"a" * 10_000_000), "characters; allowed: up to"),
        (lambda path: path.symlink_to("/dev/zero"), "characters; allowed: up to"),
    ],
    ids=["absent", "folder", "not UTF-8", "huge", "endless"],
)
def test_a_file_that_is_none(make: object, says: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "station.yaml"
    assert callable(make)
    make(file)
    code, out, err = run("check", str(file), capsys=capsys)
    assert (code, out) == (1, "")
    assert says in err


def test_a_name_that_no_file_can_have(capsys: pytest.CaptureFixture[str]) -> None:
    code, _, err = run("check", "a\0b", capsys=capsys)
    assert code == 1
    assert "is no name that a file can have" in err


def test_without_a_file_name_the_installed_settings_are_meant(capsys: pytest.CaptureFixture[str]) -> None:
    run("check", capsys=capsys)
    with pytest.raises(SystemExit):
        main(["settings", "check", "--help"])
    assert "/etc/lastbubble/station.yaml" in capsys.readouterr().out


def test_wrong_use_leaves_with_2(capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as caught:
        main(["settings"])
    assert caught.value.code == 2
    assert "usage" in capsys.readouterr().err


def test_the_schema_is_printed(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run("schema", capsys=capsys)
    assert code == 0
    schema = json.loads(out)
    assert schema["required"] == ["station"]
    cure = schema["properties"]["cure"]
    assert cure.get("default", {}).get("target_core") == "93 degC"
    assert "x-unit" not in out


def test_the_settings_page_of_the_documentation_is_current(capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run("reference", capsys=capsys)
    assert code == 0
    assert out == markdown()
    page = Path(__file__).resolve().parents[1] / "docs" / "settings.md"
    assert page.read_text(encoding="utf-8") == out, "run: lastbubble settings reference > docs/settings.md"


def test_the_schema_beside_the_data_is_current(capsys: pytest.CaptureFixture[str]) -> None:
    _, out, _ = run("schema", capsys=capsys)
    file = data_path("shared", "schemas/settings.schema.json")
    assert file.read_text(encoding="utf-8") == out, (
        "run: lastbubble settings schema > shared/schemas/settings.schema.json"
    )
