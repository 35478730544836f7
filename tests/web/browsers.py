"""A real Chromium without a window, at the size of a phone, for tests that act as a person."""

import shutil
from collections.abc import Iterator
from contextlib import contextmanager

from playwright.sync_api import Browser, BrowserContext, Page, Playwright

from tests.web.house import House

PHONE = {"width": 412, "height": 839}
SMALL = {"width": 320, "height": 640}
DESK = {"width": 1280, "height": 800}
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--disable-extensions",
]


@contextmanager
def chromium(driver: Playwright, *flags: str) -> Iterator[Browser]:
    """One browser; each phone is a context of its own in it."""
    path = shutil.which("chromium") or shutil.which("chromium-browser")
    assert path, "chromium is not installed; deploy/test installs it"
    browser = driver.chromium.launch(executable_path=path, args=[*FLAGS, *flags])
    try:
        yield browser
    finally:
        browser.close()


def phone(
    browser: Browser,
    house: House,
    cookie: str = "",
    *,
    size: dict[str, int] = PHONE,
    dark: bool = False,
    script: bool = True,
    strict: bool = False,
) -> BrowserContext:
    """A phone of its own, signed in if a cookie is given."""
    context = browser.new_context(
        viewport=size,
        has_touch=size is not DESK,
        is_mobile=size is not DESK,
        device_scale_factor=2,
        color_scheme="dark" if dark else "light",
        java_script_enabled=script,
        base_url=house.url,
        ignore_https_errors=not strict,
    )
    context.set_default_timeout(10_000)
    if cookie:
        context.add_cookies([{"name": "condmon", "value": cookie, "url": house.url}])
    return context


def errors_of(page: Page) -> list[str]:
    """A list that fills with whatever the browser complains about."""
    found: list[str] = []
    page.on("pageerror", lambda error: found.append(str(error)))
    page.on(
        "console",
        lambda message: found.append(message.text) if message.type == "error" else None,
    )
    return found
