"""Every page in a real Chromium, at every moment that matters: reachable, readable, and asking nobody else."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import pytest

from lastbubble.clock import RealClock
from lastbubble.ledger.store import Ledger
from lastbubble.outlets.page.auth import hash_password
from lastbubble.outlets.page.server import PageServer, PageSettings
from lastbubble.units import Display
from tests.book.conftest import SMALL, fill
from tests.outlets.brokers import wait_for
from tests.outlets.browser import DESKTOP, PHONE, Watched, axe_findings, chromium, shot
from tests.outlets.moments import MOMENTS, Told
from tests.outlets.shelf import Shelf

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as made:
        yield made


class Site:
    """A page server on a port, telling what its source is set to."""

    def __init__(self, password: str = "", source: Told | None = None) -> None:
        self.source = Told() if source is None else source
        stored = hash_password(password) if password else ""
        self._settings = PageSettings(port=0, password=stored, every_s=0.05)
        self.server = PageServer(self._settings, "demo-workshop", Display(), RealClock(), self.source)
        self.server.start()

    def restart(self) -> None:
        """On the same port; nobody is signed in any more."""
        self.server.close()
        self._settings = replace(self._settings, port=self.server.port)
        self.server = PageServer(self._settings, "demo-workshop", Display(), RealClock(), self.source)
        self.server.start()

    def url(self, path: str = "/") -> str:
        return f"http://127.0.0.1:{self.server.port}{path}"


@pytest.fixture(scope="module")
def site() -> Iterator[Site]:
    made = Site()
    yield made
    made.server.close()


Opener = Callable[..., Watched]


@pytest.fixture
def opened(browser: Browser) -> Iterator[Opener]:
    made: list[Watched] = []

    def one(size: Mapping[str, Any] = PHONE, **more: Any) -> Watched:
        made.append(Watched(browser, size, **more))
        return made[-1]

    yield one
    for watched in made:
        watched.close()


#: Each pair of size and scheme that people hold; the two others share their rules.
LOOKS = {"phone by day": (PHONE, False), "desk at night": (DESKTOP, True)}


@pytest.mark.timeout(600)  # many pages, on a machine that may be busy
@pytest.mark.parametrize("look", LOOKS)
def test_every_moment_is_accessible_and_asks_nobody_else(site: Site, opened: Opener, look: str) -> None:
    size, dark = LOOKS[look]
    watched = opened(size, dark=dark)
    page = watched.open(site.url())
    for name, moment in MOMENTS.items():
        site.source.state = dict(moment)
        page.goto(site.url())
        page.locator("body[data-chart-ms]").wait_for()
        page.locator("#link", has_text="Live").wait_for()
        shot(page, f"{look}-{name}")
        shot(page, f"{look}-{name}-whole", whole=True)
        assert axe_findings(page) == [], name
        wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wide == 0, f"{name}: the page is wider than the screen by {wide}"
    watched.sound()


@pytest.fixture(scope="module")
def shelf(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Site]:
    """A site whose book is a ledger: two batches with pieces, two lots of resin, a plan."""
    ledger = Ledger.open(tmp_path_factory.mktemp("shelf") / "ledger.db", SMALL)
    fill(ledger, name="maple blanks")
    fill(ledger, name="maple blanks, thicker")
    source = Shelf(ledger)
    source.ask({"ask": "resin_open", "lot": "spring 1", "mass": "2.1 kg"})
    source.ask({"ask": "resin_open", "lot": "old tin"})
    source.ask({"ask": "resin_event", "lot": "old tin", "kind": "contaminated", "what": "red dye"})
    source.ask({"ask": "batch_note", "batch": "2", "text": "Cloudy after rocking."})
    made = Site(source=source)
    yield made
    made.server.close()
    ledger.close()


#: Every page but the station's own, with what shows that it is there: part of the plan is refused on purpose.
PAGES = {
    "/plan?material=spalted+maple&thickness=22+mm&length=120+mm&width=80+mm": "When you are needed",
    "/plan?material=spalted+maple&thickness=22": "has no unit",
    "/plan": "Plan for other pieces",
    "/resin": "Contaminated",
    "/book": "Begin a batch",
    "/batch/2": "Cloudy after rocking.",
    "/batch/2?kept=02:14:09": "Kept at 02:14:09.",
    "/report/2": "Pieces and uptake",
    "/history": "The second came",
    "/history?a=1&b=2": "The second came",
    "/sign-in": "Password of this station",
    "/batch/99": "To the station page",
}


@pytest.mark.timeout(600)  # many pages, on a machine that may be busy
@pytest.mark.parametrize("look", LOOKS)
def test_the_other_pages_are_accessible_too(shelf: Site, opened: Opener, look: str) -> None:
    size, dark = LOOKS[look]
    watched = opened(size, dark=dark)
    watched.expected = ("400 (Bad Request)",)  # the batch that is not there
    for path, words in PAGES.items():
        page = watched.open(shelf.url(path))
        if "/batch/2" in path or "/history" in path:
            page.locator("body[data-chart-ms]").wait_for()
        page.get_by_text(words).first.wait_for()
        # What is folded away is there for everybody who opens it.
        page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
        shot(page, f"{look}{path.partition('?')[0].replace('/', '-')}-{len(path)}", whole=True)
        assert axe_findings(page) == [], path
        assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth"), path
    watched.sound()


@pytest.mark.timeout(600)  # many pages, on a machine that may be busy
def test_nothing_is_cut_off_on_a_small_screen(shelf: Site, opened: Opener) -> None:
    """WCAG 1.4.10 asks for 320 points; the letters that somebody made larger leave fewer."""
    size = {"viewport": {"width": 256, "height": 568}, "device_scale_factor": 2, "is_mobile": True, "has_touch": True}
    watched = opened(size)
    watched.expected = ("400 (Bad Request)",)
    moments = [("/", MOMENTS[name]) for name in ("bubbling", "tripped", "still closed")]
    for path, moment in [*moments, *((path, MOMENTS["curing"]) for path in PAGES)]:
        shelf.source.state = dict(moment)
        page = watched.open(shelf.url(path))
        page.evaluate("document.querySelectorAll('details').forEach(one => { one.open = true; })")
        if path == "/" or "/batch/2" in path:
            page.locator("body[data-chart-ms]").wait_for()
        shot(page, f"narrow{path.partition('?')[0].replace('/', '-')}-{moment['stage']}", whole=True)
        wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
        assert wide <= 0, f"{path} {moment['stage']}: wider than the screen by {wide}"
        if path == "/":
            cut = page.get_by_role("button", name="Cut the heat")
            box = cut.bounding_box() if cut.is_visible() else None
            assert box is None or box["y"] + box["height"] <= 568
    watched.sound()


def test_every_page_that_is_served_has_been_looked_at(shelf: Site) -> None:
    """The list above is held to the router's own."""
    looked_at = {path.partition("?")[0] for path in PAGES} | {"/"}
    for path in shelf.server.addresses("GET"):
        if path.endswith(".json") or path.startswith("/static") or path == "/live":
            continue
        assert any(re.fullmatch(re.sub(r"\{[^}]*\}", r"\\d+", path), one) for one in looked_at), path


def test_the_batchs_own_pages_are_one_tap_away_and_follow_it(site: Site, opened: Opener) -> None:
    site.source.state = dict(MOMENTS["bubbling"])
    page = opened(PHONE).open(site.url())
    page.locator("#link", has_text="Live").wait_for()
    report = page.get_by_role("link", name="Report")
    assert report.get_attribute("href") == "/report/7"
    site.source.state = {**MOMENTS["bubbling"], "batch": 8}
    page.locator('a[href="/report/8"]').wait_for()
    page.get_by_role("link", name="Weigh, note").tap()
    page.wait_for_url("**/batch/8")


def test_a_pressure_that_stands_still_has_an_axis_and_a_pump_down_after_it_too(opened: Opener) -> None:
    source = Told()
    falling = source.series
    still = [(60.0 * n, 99000.0 + n % 3) for n in range(100)]
    source.series = lambda batch, points: {**falling(batch, points), "chamber_pa": still}  # type: ignore[method-assign]
    made = Site(source=source)
    try:
        page = opened(DESKTOP).open(made.url())
        page.locator("body[data-chart-ms]").wait_for()

        def axis() -> list[float]:
            """The numbers of the axis, from the top down."""
            told = page.locator("#chart-pressure .dygraph-axis-label-y").all()
            places = [(one.bounding_box(), one.inner_text()) for one in told]
            return [float(text) for _, text in sorted(places, key=lambda at: at[0]["y"]) if text]  # type: ignore[index]

        assert axis() == sorted(axis(), reverse=True)
        assert axis()[0] > 990 > axis()[-1] > 100
        made.server._curves.clear()
        source.series = falling  # type: ignore[method-assign]
        page.emulate_media(color_scheme="dark")  # which draws anew, as the next quarter of a minute would
        page.locator("#chart-pressure .dygraph-axis-label-y", has_text=re.compile("^10$")).wait_for()
        assert axis() == sorted(axis(), reverse=True)
    finally:
        made.server.close()


def test_charts_have_the_time_of_day(shelf: Site, opened: Opener) -> None:
    """Of a batch alone; two over each other are counted from their pump-downs."""
    watched = opened(PHONE)
    for path, words, ticks in (("/", "time of day", r"\d\d:\d\d"), ("/batch/2", "time of day", r"\d\d:\d\d"),
                               ("/history", "hours since pump-down", r"\d+")):  # fmt: skip
        page = watched.open(shelf.url(path))
        page.locator("body[data-chart-ms]").wait_for()
        assert page.locator(".dygraph-xlabel").first.inner_text() == words
        told = page.locator("#chart-pressure .dygraph-axis-label-x").all_inner_texts()
        assert any(re.fullmatch(ticks, text) for text in told), (path, told)
    watched.sound()


def test_the_curves_are_numbers_too(shelf: Site, opened: Opener) -> None:
    page = opened(PHONE).open(shelf.url("/batch/2"))
    page.locator("body[data-chart-ms]").wait_for()
    page.get_by_text("The curves as numbers").tap()
    table = page.get_by_role("table").filter(has_text="Oven air")
    assert table.get_by_role("columnheader").all_inner_texts() == ["After", "Chamber", "Oven air", "Core"]
    rows = table.get_by_role("row").all_inner_texts()
    assert len(rows) == 26
    assert "mbar" in rows[1]
    assert "°C" in rows[1]


def test_a_form_that_is_not_taken_loses_nothing_and_shows_where(shelf: Site, opened: Opener) -> None:
    watched = opened(PHONE)
    watched.expected = ("400 (Bad Request)",)  # that is the refusal
    page = watched.open(shelf.url("/batch/2"))
    page.get_by_text("Weigh or describe a piece").tap()
    page.get_by_label("Name of the piece").fill("B")
    page.get_by_label("Dry mass").fill("95,2")
    page.get_by_label("Wet mass").fill("120.4 g")
    page.get_by_role("button", name="Keep it").first.tap()
    page.get_by_role("heading", name="Not kept").wait_for()
    shot(page, "refused")
    assert axe_findings(page) == []
    dry = page.get_by_label("Dry mass")
    assert dry.input_value() == "95,2"
    assert dry.get_attribute("aria-invalid") == "true"
    assert page.evaluate("document.activeElement.name") == "dry", "the finger is led there"
    assert dry.is_visible()
    assert page.get_by_label("Wet mass").input_value() == "120.4 g"
    dry.fill("95.2 g")
    page.get_by_role("button", name="Keep it").first.tap()
    page.get_by_text("Kept at").wait_for()
    assert page.get_by_role("heading", name="Piece B").is_visible()
    assert page.get_by_text("26.5 %").is_visible(), "its uptake"
    watched.sound()


def test_only_the_alarm_that_is_seen_is_acknowledged(site: Site, opened: Opener) -> None:
    """One that comes in as the finger falls sounds on; what the guard shouts stays until it is mended."""
    site.source.state = dict(MOMENTS["tripped"])
    page = opened(PHONE).open(site.url())
    page.locator("#link", has_text="Live").wait_for()
    page.get_by_role("button", name="I have seen it").tap()
    page.locator("#said", has_text="silenced").wait_for()
    assert site.source.asked[-1] == {"ask": "acknowledge", "notices": "12"}
    later = {"notice": 13, "title": "Vacuum is being lost", "text": "Vacuum is being lost since 02:20."}
    shout = {"notice": 0, "title": "guard", "text": "Pull the oven's plug: the relay has not opened."}
    site.source.state = {**MOMENTS["tripped"], "alarms": [shout, later]}
    page.get_by_text("Vacuum is being lost").wait_for()
    page.get_by_text("It stays until it is mended at the bench.").wait_for()
    page.get_by_role("button", name="I have seen it").tap()
    page.locator("#said", has_text="silenced").wait_for()
    assert site.source.asked[-1] == {"ask": "acknowledge", "notices": "13"}
    site.source.state = {**MOMENTS["tripped"], "alarms": [shout]}
    page.get_by_text("Vacuum is being lost").wait_for(state="detached")
    assert not page.get_by_role("button", name="I have seen it").is_visible(), "there is nothing to silence"
    assert page.get_by_text("Pull the oven's plug").is_visible()


def test_the_buttons_are_made_for_wet_gloves(site: Site, opened: Opener) -> None:
    site.source.state = dict(MOMENTS["tripped"])
    page = opened(PHONE).open(site.url())
    for button in page.get_by_role("button").all():
        box = button.bounding_box()
        assert box is not None
        assert box["height"] >= 56, button.inner_text()
        assert box["width"] >= 56, button.inner_text()
    screen = page.evaluate("innerHeight")
    cut = page.get_by_role("button", name="Cut the heat").bounding_box()
    assert cut is not None
    assert cut["y"] + cut["height"] <= screen, "the cut is on the screen without scrolling"
    assert cut["height"] >= 64
    page.evaluate("scrollTo(0, document.body.scrollHeight / 2)")
    cut = page.get_by_role("button", name="Cut the heat").bounding_box()
    assert cut is not None
    assert 0 <= cut["y"] <= screen - cut["height"], "and wherever the page is scrolled to"


def test_the_words_can_be_read_at_arms_length(site: Site, opened: Opener) -> None:
    site.source.state = dict(MOMENTS["curing"])
    page = opened(PHONE).open(site.url())
    sizes = {
        name: float(page.locator(name).first.evaluate("node => parseFloat(getComputedStyle(node).fontSize)"))
        for name in ("h1", ".todo", ".when", ".now dd", ".heat-state", ".mark button", "body")
    }
    assert sizes["h1"] >= 40
    assert min(sizes[".todo"], sizes[".when"]) >= 26
    assert sizes[".now dd"] >= 30
    assert min(sizes[".heat-state"], sizes[".mark button"]) >= 20
    assert sizes["body"] >= 18


def test_every_control_is_reached_by_keyboard_and_is_seen_when_it_is(site: Site, opened: Opener) -> None:
    site.source.state = dict(MOMENTS["tripped"])
    page = opened(DESKTOP).open(site.url())
    wanted = page.evaluate(
        "[...document.querySelectorAll('a[href], button, input:not([type=hidden]), select, summary')]"
        ".filter(node => node.checkVisibility()).length"
    )
    seen = []
    for _ in range(wanted):
        page.keyboard.press("Tab")
        seen.append(
            page.evaluate(
                "() => { const node = document.activeElement, box = node.getBoundingClientRect(),"
                " at = document.elementFromPoint(box.x + box.width / 2, box.y + box.height / 2);"
                " return [node.tagName + ':' + (node.innerText || node.id), getComputedStyle(node).outlineStyle,"
                " at === node || node.contains(at)]; }"
            )
        )
    assert len({name for name, _, _ in seen}) == wanted, seen
    assert all(outline == "solid" for _, outline, _ in seen), seen
    assert all(on_top for _, _, on_top in seen), f"hidden below something: {[one for one in seen if not one[2]]}"
    cut = page.get_by_role("button", name="Cut the heat")
    cut.focus()
    page.keyboard.press("Enter")
    page.locator("#said", has_text="The cut is asked for").wait_for()
    assert site.source.asked[-1] == {"ask": "cut", "reason": "from the page"}


def test_the_rest_of_the_marks_are_one_tap_away_and_follow_the_stage(site: Site, opened: Opener) -> None:
    site.source.state = dict(MOMENTS["bubbling"])
    page = opened(PHONE).open(site.url())
    near = page.locator("#near button")
    page.locator("#link", has_text="Live").wait_for()
    assert "Rocked" in near.all_inner_texts()
    assert not page.get_by_role("button", name="Oven unloaded").is_visible()
    page.get_by_text("Other marks").tap()
    assert page.get_by_role("button", name="Oven unloaded").is_visible()
    site.source.state = dict(MOMENTS["curing"])
    page.locator("#near button", has_text="Oven unloaded").wait_for()
    assert near.all_inner_texts() == ["Oven unloaded"]
    assert page.locator("[data-mark]").count() == 13


def test_without_scripts_the_page_says_and_does_everything(site: Site, opened: Opener) -> None:
    site.source.state = dict(MOMENTS["tripped"])
    page = opened(PHONE, scripts=False).open(site.url())
    for words in ("Warming to the core", "TRIPPED: the relay is open", "Look at the oven: its probe does not read."):
        assert page.get_by_text(words).first.is_visible()
    for button, asked in (
        ("I have seen it", {"ask": "acknowledge", "notices": "12"}),
        ("Undo", {"ask": "mark_undo"}),
        ("Oven loaded", {"ask": "mark", "mark": "oven_loaded"}),
        ("Cut the heat", {"ask": "cut", "reason": "from the page"}),
    ):
        with page.expect_navigation():
            page.get_by_role("button", name=button).first.tap()
        assert site.source.asked[-1] == asked


def test_a_photo_is_added_by_a_finger_without_scripts(shelf: Site, opened: Opener, tmp_path: Path) -> None:
    # Too large for one piece, and one that is refused while most of it is still to come.
    photo, text = tmp_path / "IMG 7.jpg", tmp_path / "page.jpg"
    photo.write_bytes(b"\xff\xd8\xff\xe0" + bytes(6_000_000))
    text.write_bytes(b"no photo " * 900_000)
    page = opened(PHONE, scripts=False).open(shelf.url("/batch/1"))
    page.get_by_text("Add a photo").tap()
    page.get_by_label("What it shows").fill("before <the> resin")
    for chosen, words in ((text, "is no photo, whatever its name says"), (photo, "Kept at")):
        page.locator("#photo-photo").set_input_files(chosen)
        page.locator("#photo-photo").locator("xpath=ancestor::form").get_by_text("Keep it").tap()
        page.get_by_text(words).first.wait_for()
        if chosen is text:
            shot(page, "photo-refused", whole=True)
            assert page.get_by_label("What it shows").input_value() == "before <the> resin"
    assert page.get_by_text(re.compile(r"Photo: .*batch-1-[0-9a-f]{16}\.jpg before <the> resin")).is_visible()


def test_a_page_that_scripts_may_not_enter(site: Site, opened: Opener) -> None:
    """What people type is shown as they typed it, and the page's own rules forbid what would still get through."""
    watched = opened(PHONE)
    evil = "<img src=x onerror=\"document.title='taken'\"><script>document.title='taken'</script>"
    site.source.state = {**MOMENTS["bubbling"], "batch_name": evil, "cautions": [{"text": evil}], "next_action": evil}
    page = watched.open(site.url())
    page.locator("#link", has_text="Live").wait_for()
    assert page.locator(".todo").inner_text() == evil
    watched.sound()
    page.evaluate(
        "document.body.append(Object.assign(document.createElement('script'), {textContent: 'window.x = 1'}))"
    )
    assert page.evaluate("window.x === undefined")
    assert any("Content Security Policy" in text for text in watched.misdeeds)
    assert "taken" not in page.title()


def test_a_password_opens_the_page_in_this_browser_only(opened: Opener) -> None:
    site = Site("correct horse")
    try:
        first, second = opened(PHONE), opened(PHONE)
        first.expected = ("403",)  # the answer to the wrong password
        page = first.open(site.url())
        assert page.url == site.url("/sign-in")
        assert axe_findings(page) == []
        page.get_by_label("Password of this station").fill("wrong horse")
        page.get_by_role("button", name="Sign in").tap()
        page.get_by_text("That is not the password").wait_for()
        assert axe_findings(page) == []
        page.get_by_label("Password of this station").fill("correct horse")
        page.get_by_role("button", name="Sign in").tap()
        page.locator("#link", has_text="Live").wait_for()
        (cookie,) = first.context.cookies()
        assert (cookie["httpOnly"], cookie["sameSite"]) == (True, "Strict")
        assert page.evaluate("document.cookie") == ""
        assert second.open(site.url()).url == site.url("/sign-in")
        page.get_by_role("button", name="Sign out").tap()
        page.wait_for_url("**/sign-in")
        first.sound()
    finally:
        site.server.close()


@pytest.mark.parametrize("scripts", [False, True], ids=["without scripts", "with scripts"])
def test_what_is_typed_outlives_the_session(opened: Opener, scripts: bool) -> None:
    site = Site("correct horse")
    source = site.source
    try:
        watched = opened(PHONE, scripts=scripts)
        watched.expected = ("401", "ERR_", "/live")  # the session's end is what this is about

        def sign_in() -> None:
            page.get_by_label("Password of this station").fill("correct horse")
            page.get_by_role("button", name="Sign in").tap()

        page = watched.open(site.url())
        sign_in()
        page.get_by_label("Dial set to").fill("262")
        site.restart()
        if scripts:
            page.wait_for_event("response", lambda told: told.url == site.url("/now.json") and told.status == 401)
            page.wait_for_timeout(300)
            assert page.url == site.url(), "what is typed is not left behind"
        page.locator("form.dial").get_by_role("button").tap()
        page.get_by_text("what you typed comes back").wait_for()
        assert axe_findings(page) == [] if scripts else True
        sign_in()
        page.get_by_text("send it yourself").first.wait_for()
        assert page.get_by_label("Dial set to").input_value() == "262"
        assert not any(asked["ask"] == "mark" for asked in source.asked)
        page.locator("form.dial").get_by_role("button").tap()
        wait_for(lambda: any(asked["ask"] == "mark" for asked in source.asked), "it is sent by hand")
        watched.sound()
    finally:
        site.server.close()


def test_another_site_in_the_same_browser_can_ask_nothing(site: Site, opened: Opener) -> None:
    """A form, a fetch and a stream from another origin, as a hostile page would send them."""
    other = Site()
    try:
        watched = opened(DESKTOP)
        watched.expected = ("",)  # the browser's and our own refusals are what this is about
        page = watched.open(other.url().replace("127.0.0.1", "localhost"))
        asked = len(site.source.asked)
        told = page.evaluate(
            "async url => { const got = []; for (const mode of ['no-cors', 'cors']) { try { const answer = await"
            " fetch(url + 'ask', {method: 'POST', mode, body: new URLSearchParams({ask: 'cut'})});"
            " got.push(answer.type); } catch { got.push('refused'); } } return got; }",
            site.url(),
        )
        assert set(told) <= {"refused", "opaque"}
        page.goto("about:blank")
        page.set_content(
            f'<form method="post" action="{site.url("/ask")}"><input name="ask" value="cut"><button>Win</button></form>'
        )
        with page.expect_navigation():
            page.get_by_role("button").click()
        assert "A change must come from this page itself" in page.inner_text("body")
        assert len(site.source.asked) == asked
    finally:
        other.server.close()
