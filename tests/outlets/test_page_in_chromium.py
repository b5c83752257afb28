"""Every page in a real Chromium, at every moment that matters: reachable, readable, and asking nobody else."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from typing import TYPE_CHECKING, Any

import pytest

from lastbubble.clock import RealClock
from lastbubble.outlets.page.auth import hash_password
from lastbubble.outlets.page.server import PageServer, PageSettings
from lastbubble.units import Display
from tests.outlets.browser import DESKTOP, PHONE, Watched, axe_findings, chromium, shot
from tests.outlets.moments import MOMENTS, Told

if TYPE_CHECKING:
    from playwright.sync_api import Browser


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as made:
        yield made


class Site:
    """A page server on a port, telling what its source is set to."""

    def __init__(self, password: str = "") -> None:
        self.source = Told()
        stored = hash_password(password) if password else ""
        settings = PageSettings(port=0, password=stored, every_s=0.05)
        self.server = PageServer(settings, "demo-workshop", Display(), RealClock(), self.source)
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


@pytest.mark.parametrize("look", LOOKS)
def test_the_other_pages_are_accessible_too(site: Site, opened: Opener, look: str) -> None:
    size, dark = LOOKS[look]
    watched = opened(size, dark=dark)
    for path in ("/book", "/batch/7", "/history", "/sign-in"):
        page = watched.open(site.url(path))
        if path in ("/batch/7", "/history"):
            page.locator("body[data-chart-ms]").wait_for()
        shot(page, f"{look}{path.replace('/', '-')}", whole=True)
        assert axe_findings(page) == [], path
        assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth"), path
    watched.sound()


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
        ("I have seen it", {"ask": "acknowledge"}),
        ("Undo", {"ask": "mark_undo"}),
        ("Oven loaded", {"ask": "mark", "mark": "oven_loaded"}),
        ("Cut the heat", {"ask": "cut", "reason": "from the page"}),
    ):
        with page.expect_navigation():
            page.get_by_role("button", name=button).first.tap()
        assert site.source.asked[-1] == asked


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
