"""A real Chromium for tests: Debian's, driven from outside, on the screens of a phone and of a desk."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
FLAGS = ["--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--disable-background-networking", "--lang=en-GB"]
PHONE, DESK = (360, 740), (1280, 900)
SCHEMES = ("light", "dark")
SERIOUS = ("moderate", "serious", "critical")
LEAST_TARGET_PX = 44
"""Own choice, from WCAG 2.2 success criterion 2.5.5 (enhanced): 44 by 44 CSS pixels."""

TARGETS = "button, input:not([type=hidden]), select, .button, nav a, summary"
TOO_SMALL = """([least, targets]) => [...document.querySelectorAll(targets)]
  .filter((e) => e.offsetParent !== null)
  .map((e) => [e.closest("label.choice") ?? e, e])
  .filter(([target]) => target.getBoundingClientRect().height < least - 0.5)
  .map(([target, e]) => e.outerHTML.slice(0, 80) + " " + target.getBoundingClientRect().height)"""
"""What a thumb has to hit; links inside running text are excepted, as in that criterion."""


@contextmanager
def chromium() -> Iterator[Browser]:
    assert CHROMIUM is not None
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def screen(
    browser: Browser, size: tuple[int, int] = PHONE, scheme: str = "light", script: bool = True
) -> Iterator[Page]:
    """A page on a screen of this size; what it complains about in its console fails the test."""
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]},
        color_scheme="dark" if scheme == "dark" else "light",
        java_script_enabled=script,
        locale="en-GB",
        reduced_motion="reduce",
    )
    page = context.new_page()
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda message: complaints.append(message.text) if "Content Security" in message.text else None)
    try:
        yield page
        assert complaints == []
    finally:
        context.close()


def serious_findings(page: Page) -> list[str]:
    """What the accessibility rules of axe-core find that is more than minor, with the element."""
    found: dict[str, Any] = Axe().run(page).response
    return [
        f"{rule['id']}: {node['html'][:120]} {node.get('failureSummary', '')[:200]}"
        for rule in found["violations"]
        if rule["impact"] in SERIOUS
        for node in rule["nodes"]
    ]


def too_small_targets(page: Page) -> list[str]:
    """Buttons, fields and page links lower than a thumb needs."""
    found: list[str] = page.evaluate(TOO_SMALL, [LEAST_TARGET_PX, TARGETS])
    return found


def wider_than_screen_px(page: Page) -> int:
    """How far the page reaches beyond its screen; 0 is as it should be."""
    beyond: int = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    return beyond
