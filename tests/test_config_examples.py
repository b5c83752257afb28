"""The annotated examples can be used as they stand, and nothing in them says more than the models."""

from __future__ import annotations

import os
import pwd
import re
import shutil
import subprocess
import tomllib
from pathlib import Path

import pytest

from lastbubble.cli import main
from lastbubble.data import data_path
from lastbubble.outlets.homie import NODES
from lastbubble.settings import load

EXAMPLES = sorted(data_path("config").glob("*.yaml"))


def test_there_is_one_for_each_kind_of_station() -> None:
    kinds = {}
    for path in EXAMPLES:
        chamber = load(path).settings.chamber
        kinds[path.name] = chamber.gauge.kind if chamber else "none"
    assert kinds == {
        "adc-gauge.yaml": "adc",
        "modbus-gauge.yaml": "modbus",
        "oven-only.yaml": "none",
        "serial-gauge.yaml": "serial",
    }


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_checks_clean_and_without_a_remark(path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["settings", "check", str(path)]) == 0
    said = capsys.readouterr()
    assert (said.out, said.err) == (f"{path}: good\n", "")


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.name)
def test_is_explained(path: Path) -> None:
    lines = path.read_text(encoding="utf-8").splitlines()
    assert lines[0].startswith("# ")
    assert max(map(len, lines)) <= 120
    loaded = load(path).settings
    assert not loaded.simulated


def test_the_history_store_asks_for_numbers_that_are_published() -> None:
    told = tomllib.loads(data_path("config", "history-store.toml").read_text(encoding="utf-8"))
    for topic in told["inputs"]["mqtt_consumer"][0]["topics"]:
        domain, version, station, node, name = topic.split("/")
        assert (domain, version, station) == ("homie", "5", "+")
        assert NODES[node][1][name].datatype == "float"


def test_the_brokers_example_is_understood_by_the_broker(tmp_path: Path) -> None:
    program = shutil.which("mosquitto", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
    if program is None:
        pytest.skip("mosquitto is not installed")
    text = data_path("config", "mosquitto.conf").read_text(encoding="utf-8")
    passwords = tmp_path / "passwd"
    passwords.write_text("", encoding="utf-8")
    text = re.sub(r"^listener .*$", f"listener 0 {tmp_path}/sock", text, flags=re.M)
    text = text.replace("/etc/mosquitto/bench.passwd", str(passwords)).replace("/var/lib/mosquitto/", f"{tmp_path}/")
    # Only with root's rights it changes to a user of its own, who could not read this folder.
    text += f"user {pwd.getpwuid(os.getuid()).pw_name}\n"
    file = tmp_path / "mosquitto.conf"
    file.write_text(text, encoding="utf-8")
    with subprocess.Popen(
        [program, "-c", str(file), "-v"], stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as broker:
        assert broker.stdout is not None
        seen = []
        for line in broker.stdout:
            seen.append(line)
            if "running" in line or "Error" in line:
                break
        # Not terminate(): just after saying "running" it forgets a SIGTERM.
        broker.kill()
    assert any("running" in line for line in seen), "".join(seen)
