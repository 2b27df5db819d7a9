"""A real browser for tests of the pages: headless Chromium that may open files and nothing else."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, Route, sync_playwright

NAMES = ("chromium", "chromium-browser", "google-chrome")
# Addresses that stay on the machine.
ALLOWED = ("file:", "data:", "blob:", "about:")
MISSING = "no Chromium was found (Debian: apt-get install chromium)"
# Of axe-core's four levels of impact the two that shut somebody out.
GRAVE = ("serious", "critical")


@dataclass
class Watch:
    """What a page asked for that leaves the machine, and what it complained of."""

    refused: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)


def chromium_path() -> str:
    """The installed browser; without it the test is skipped, or fails where the tests must not skip (CI is set)."""
    found = next((path for name in NAMES if (path := shutil.which(name))), None)
    if found is None:
        (pytest.fail if os.environ.get("CI") else pytest.skip)(MISSING)
    return str(found)


@contextmanager
def started_browser() -> Iterator[Browser]:
    """A running browser, closed at the end."""
    path = chromium_path()
    # Chromium's own sandbox does not start for root, which containers run as.
    arguments = ["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=path, args=arguments)
        try:
            yield browser
        finally:
            browser.close()


@contextmanager
def opened_page(
    browser: Browser, path: Path, *, width_px: int = 1280, height_px: int = 900, **options: Any
) -> Iterator[tuple[Page, Watch]]:
    """A page opened from a file, as from a stick; every request that leaves the machine is refused and noted."""
    watch = Watch()
    context = browser.new_context(viewport={"width": width_px, "height": height_px}, **options)

    def decide(route: Route) -> None:
        if route.request.url.startswith(ALLOWED):
            route.continue_()
        else:
            watch.refused.append(route.request.url)
            route.abort()

    try:
        context.route("**/*", decide)
        page = context.new_page()
        page.on("console", lambda message: watch.complaints.append(message.text) if message.type == "error" else None)
        page.on("pageerror", lambda error: watch.complaints.append(str(error)))
        page.goto(path.resolve().as_uri())
        yield page, watch
    finally:
        context.close()


def grave_violations(page: Page) -> list[str]:
    """What axe-core finds in the page that is serious or critical, one line each."""
    found = Axe().run(page).response["violations"]
    return [f"{one['id']}: {one['help']}: {one['nodes'][0]['html'][:200]}" for one in found if one["impact"] in GRAVE]
