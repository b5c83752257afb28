"""The page of a whole station in a real Chromium: guard, thermometer and service as processes, on a simulated bench.

Everything runs by the machine's own clock. What a test needs of the bench it brings about at the bench.
"""

from __future__ import annotations

import os
import re
import shutil
import signal
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from lastbubble.desk import ask_desk
from lastbubble.errors import BadInput
from lastbubble.guard.client import ask_guard, read_status
from lastbubble.guard.protocol import BENCH_SOCKET
from lastbubble.ledger.reader import Reader
from lastbubble.ledger.series import marks
from tests.outlets.brokers import free_port, wait_for
from tests.outlets.browser import PHONE, Watched, axe_findings, chromium, shot
from tools.plant.wire.bench import LASTBUBBLE, Bench
from tools.plant.wire.children import Child, Children
from tools.plant.wire.station_file import BenchWiring
from tools.tryout.receiver import Receiver

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page


class Workshop:
    """A station on its bench, with a page on a port and a phone that listens."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.receiver = Receiver(folder / "notices.jsonl")
        self.port = free_port()
        wiring = BenchWiring(
            page=self.port, phone=(self.receiver.url,), extra={"guard": {"require_commissioning": False}}
        )
        self.bench = Bench(folder, world="tests.tools.standin:make", clock="real", wiring=wiring).start()
        self.children = Children()
        self.start("guard", "guard", "run")
        self.start("thermometer", "thermometer")
        self.start("service", "serve")
        self.bench.go()
        wait_for(self.answers, "the service never answered", 60)
        wait_for(lambda: not read_status(self.guard).hindrances, "the heat could never be permitted", 60)

    def start(self, name: str, *argv: str) -> None:
        command = [*LASTBUBBLE, *argv, "--settings", str(self.bench.settings)]
        self.children.add(Child(name, command, self.folder / f"{name}.log", self.bench.env()))

    def answers(self) -> bool:
        try:
            return ask_desk(self.folder / "run" / "service.sock", {"ask": "status"}, 5.0)["passes"] > 0
        except BadInput:
            return False

    @property
    def guard(self) -> Path:
        return self.folder / "run" / BENCH_SOCKET

    @property
    def url(self) -> str:
        return f"http://localhost:{self.port}/"

    def close(self) -> None:
        self.children.end_all()
        self.bench.close()
        self.receiver.close()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as made:
        yield made


@pytest.fixture(scope="module")
def workshop(browser: Browser) -> Iterator[Workshop]:  # noqa: ARG001  # no browser, no workshop
    folder = Path(tempfile.mkdtemp(prefix="lb-"))  # sockets want a short path
    made = Workshop(folder)
    yield made
    made.close()
    shutil.rmtree(folder)


@pytest.fixture
def watched(browser: Browser) -> Iterator[Watched]:
    made = Watched(browser, PHONE)
    yield made
    made.close()


def heat(page: Page) -> str:
    return page.locator(".heat-state").inner_text()


def test_news_of_the_bench_come_by_themselves(workshop: Workshop, watched: Watched) -> None:
    page = watched.open(workshop.url)
    page.locator("#link", has_text="Live").wait_for()
    assert page.locator("h1").inner_text() == "Idle"
    loads = len([url for url in watched.requests if url == workshop.url])
    oven = page.locator("[data-field=oven_number]", has_text=re.compile(r"\d"))
    oven.wait_for()
    before = oven.inner_text()
    assert 15 < float(before) < 30, "the simulated room"
    answer = ask_guard(workshop.guard, {"ask": "permit"})
    assert answer.ok, answer.why
    page.locator(".heat-state", has_text="Heat is permitted, relay closed").wait_for()
    assert page.locator(".heat").get_attribute("data-tone") == "on"
    assert len([url for url in watched.requests if url == workshop.url]) == loads, "without loading the page again"
    assert axe_findings(page) == []
    watched.sound()


def test_one_tap_cuts_the_heat_at_the_pin(workshop: Workshop, watched: Watched) -> None:
    ask_guard(workshop.guard, {"ask": "permit"})
    page = watched.open(workshop.url)
    page.locator(".heat-state", has_text="relay closed").wait_for()
    assert workshop.bench.state()["heat"] is True
    shot(page, "alive-heat-on")
    page.get_by_role("button", name="Cut the heat").tap()
    page.locator("#said", has_text="The cut is asked for").wait_for()
    page.locator(".heat-state", has_text="Heat is withheld").wait_for()
    assert workshop.bench.wait(lambda state: state["heat"] is False, 20)
    assert read_status(workshop.guard).state == "withheld"
    watched.sound()


def test_a_mark_can_be_taken_back_while_it_is_held(workshop: Workshop, watched: Watched) -> None:
    page = watched.open(workshop.url)
    page.locator("#link", has_text="Live").wait_for()
    page.get_by_role("button", name="Pump on").tap()
    page.locator(".held", has_text="Noted: pump on").wait_for()
    shot(page, "alive-mark-held")
    page.get_by_role("button", name="Undo").tap()
    page.locator("#said", has_text="Taken back").wait_for()
    assert not page.locator(".held").is_visible()
    page.get_by_label("Dial set to").fill("230")
    page.get_by_label("Scale of the dial").select_option("F")
    page.get_by_role("button", name="Set", exact=True).tap()
    page.locator(".held", has_text="dial=230F").wait_for()
    page.reload()
    assert page.locator(".held", has_text="dial=230F").is_visible(), "and whoever looks sees that it is held"
    page.get_by_role("button", name="Undo").tap()
    page.locator(".held").wait_for(state="hidden")
    reader = Reader(workshop.folder / "ledger.db")
    try:
        assert marks(reader, reader.batches()[-1].id) == [], "what is held is no part of the log yet"
    finally:
        reader.close()
    watched.sound()


def test_an_alarm_is_said_on_the_page_and_silenced_there(workshop: Workshop, watched: Watched) -> None:
    page = watched.open(workshop.url)
    page.locator("#link", has_text="Live").wait_for()
    workshop.bench.probe_fault("oven", "zeros")
    alarm = page.locator(".alarm")
    alarm.wait_for(timeout=60_000)
    shot(page, "alive-alarm")
    assert axe_findings(page) == []
    wait_for(lambda: workshop.receiver.notices, "the phone was told too", 60)
    page.get_by_role("button", name="I have seen it").tap()
    alarm.wait_for(state="hidden", timeout=60_000)
    assert ask_desk(workshop.folder / "run" / "service.sock", {"ask": "status"})["alarms"] == []
    workshop.bench.probe_fault("oven", "none")
    watched.sound()


def test_no_batch_is_begun_over_a_cure_that_is_watched(workshop: Workshop, watched: Watched) -> None:
    """From the page, and under heat; after the cut it is."""
    watched.expected = ("400 (Bad Request)",)  # that is the refusal
    socket = workshop.folder / "run" / "service.sock"
    before = ask_desk(socket, {"ask": "status"})["batch"]
    wait_for(lambda: not read_status(workshop.guard).hindrances, "the heat could never be permitted", 60)
    assert ask_guard(workshop.guard, {"ask": "permit"}).ok
    wait_for(lambda: ask_desk(socket, {"ask": "status"})["heat_state"] == "permitted", "the service never heard", 20)

    def begin() -> None:
        page.get_by_text("Begin a batch").first.tap()
        page.get_by_label("Name").fill("slabs 8")
        page.get_by_label("Thickness of the thickest piece").fill("12 mm")
        page.get_by_role("button", name="Begin the batch").tap()

    page = watched.open(f"{workshop.url}book")
    begin()
    page.get_by_text("cut the heat first").wait_for()
    assert page.get_by_label("Name").input_value() == "slabs 8"
    assert ask_desk(socket, {"ask": "status"})["batch"] == before
    page.goto(workshop.url)
    page.get_by_role("button", name="Cut the heat").tap()
    page.locator(".heat-state", has_text="Heat is withheld").wait_for()
    page.goto(f"{workshop.url}book")
    begin()
    page.get_by_text("Kept at").wait_for()
    told = ask_desk(socket, {"ask": "status"})
    assert (told["batch"], told["batch_name"]) == (before + 1, "slabs 8")
    page.get_by_role("link", name="slabs 8").tap()
    page.locator("dd", has_text="12 mm").wait_for()
    watched.sound()


def test_an_outage_is_seen_and_the_page_comes_back_by_itself(workshop: Workshop, watched: Watched) -> None:
    page = watched.open(workshop.url)
    page.locator("#link", has_text="Live").wait_for()
    workshop.children["service"].process.kill()
    workshop.children.end("service")
    old = page.locator("#old", has_text="OLD: no news since")
    old.wait_for(timeout=30_000)
    shot(page, "alive-outage")
    assert page.title().startswith("OLD ")
    assert "is-old" in (page.locator("body").get_attribute("class") or "")
    assert axe_findings(page) == []
    page.get_by_role("button", name="Cut the heat").tap()
    page.locator("#said", has_text="NOT CUT: the station does not answer. Pull the oven's plug.").wait_for()
    shot(page, "alive-outage-not-cut")
    workshop.start("service", "serve")
    old.wait_for(state="hidden", timeout=60_000)
    page.locator("#link", has_text="Live").wait_for()
    assert not page.title().startswith("OLD ")
    assert "is-old" not in (page.locator("body").get_attribute("class") or "")
    watched.expected = ("ERR_CONNECTION_REFUSED", "ERR_INCOMPLETE_CHUNKED_ENCODING", "ERR_CONNECTION_RESET")
    watched.sound()


def test_a_frozen_station_is_seen_as_one(workshop: Workshop, watched: Watched) -> None:
    """Connections stand, and nothing comes: as with a process that hangs, or a phone behind a dead access point."""
    page = watched.open(workshop.url)
    page.locator("#link", has_text="Live").wait_for()
    pid = workshop.children["service"].pid
    os.kill(pid, signal.SIGSTOP)
    try:
        page.locator("#old", has_text="OLD: no news since").wait_for(timeout=30_000)
        assert heat(page), "the last words stay readable"
    finally:
        os.kill(pid, signal.SIGCONT)
    page.locator("#old").wait_for(state="hidden", timeout=60_000)
    watched.sound()
