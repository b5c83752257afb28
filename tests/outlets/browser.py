"""A real Chromium for the page's tests: the distribution's, steered from Python; and what a page must never do."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlsplit

import pytest

if TYPE_CHECKING:
    from playwright.sync_api import Browser, ConsoleMessage, Page, Request

__all__ = ["CHROMIUM", "DESKTOP", "PHONE", "SHOTS", "Watched", "axe_findings", "chromium", "shot"]

CHROMIUM: Final = shutil.which("chromium") or shutil.which("chromium-browser")
#: A small phone held upright, and a desk's screen.
PHONE: Final[Mapping[str, Any]] = {
    "viewport": {"width": 390, "height": 844},
    "device_scale_factor": 2,
    "is_mobile": True,
    "has_touch": True,
}
DESKTOP: Final[Mapping[str, Any]] = {"viewport": {"width": 1280, "height": 900}}
#: Pictures are kept only where somebody asks for them; git knows nothing of them.
SHOTS: Final = os.environ.get("LASTBUBBLE_SHOTS", "")
#: The rules of WCAG 2.2 AA that a program can check, by the engine's tags.
WCAG: Final = ("wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice")


@contextmanager
def chromium() -> Iterator[Browser]:
    """The browser; the test is skipped, saying what is missing, where there is none."""
    if CHROMIUM is None:
        pytest.skip("chromium is missing (apt-get install chromium)")
    api = pytest.importorskip("playwright.sync_api", reason="playwright is missing (pip install playwright)")
    with api.sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=["--disable-gpu"])
        try:
            yield browser
        finally:
            browser.close()


class Watched:
    """A page whose every misdeed is written down: errors, what it asks of others, what its own rules forbid.

    `sound()` fails when there is any; `expected` are parts of messages that a test brings about on purpose.
    """

    def __init__(self, browser: Browser, size: Mapping[str, Any], *, dark: bool = False, scripts: bool = True) -> None:
        self.context = browser.new_context(
            **size, color_scheme="dark" if dark else "light", java_script_enabled=scripts, reduced_motion="reduce"
        )
        self.context.set_default_timeout(20_000)
        self.page: Page = self.context.new_page()
        self.misdeeds: list[str] = []
        self.requests: list[str] = []
        self.expected: tuple[str, ...] = ()
        self._home = ""
        self.page.on("console", self._said)
        self.page.on("pageerror", lambda error: self.misdeeds.append(f"error in a script: {error}"))
        self.page.on("request", self._asked)

    def _said(self, message: ConsoleMessage) -> None:
        if message.type in ("error", "warning"):
            self.misdeeds.append(f"{message.type} on the console: {message.text} ({message.location.get('url', '')})")

    def _asked(self, request: Request) -> None:
        self.requests.append(request.url)
        if urlsplit(request.url).scheme in ("data", "blob"):
            return
        if self._home and urlsplit(request.url).netloc != self._home:
            self.misdeeds.append(f"asks another site: {request.url}")

    def open(self, url: str) -> Page:
        self._home = urlsplit(url).netloc
        self.page.goto(url)
        return self.page

    def sound(self) -> None:
        found = [text for text in self.misdeeds if not any(part in text for part in self.expected)]
        assert not found, "\n".join(found)

    def close(self) -> None:
        self.context.close()


def axe_findings(page: Page) -> list[str]:
    """What the accessibility engine has against the page as it stands, one line each."""
    axe = pytest.importorskip("axe_playwright_python.base", reason="axe is missing (pip install axe-playwright-python)")
    page.evaluate(axe.AXE_SCRIPT)
    told = page.evaluate(
        "tags => axe.run(document, { runOnly: { type: 'tag', values: tags }, resultTypes: ['violations'] })", list(WCAG)
    )
    assert told["passes"], "the engine looked at nothing"
    return [
        f"{violation['id']}: {violation['help']}: {node['html'][:120]} {node.get('failureSummary', '')[:200]}"
        for violation in told["violations"]
        for node in violation["nodes"]
    ]


def shot(page: Page, name: str, *, whole: bool = False) -> None:
    """Keep a picture, where `LASTBUBBLE_SHOTS` names a folder."""
    if SHOTS:
        Path(SHOTS).mkdir(parents=True, exist_ok=True)
        page.screenshot(path=str(Path(SHOTS) / f"{name}.png"), full_page=whole)
