"""A headless Chromium for the page's tests, and pages opened in it."""

from __future__ import annotations

import shutil
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

ARGUMENTS = (
    "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking "
    "--disable-component-update --disable-sync"
).split()


@dataclass
class Opened:
    """A page in the browser, and what it asked for and complained of."""

    page: Any
    requests: list[str] = field(default_factory=list)
    complaints: list[str] = field(default_factory=list)

    def choose(self, name: str) -> None:
        self.page.get_by_role("radio", name=name).check()


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    playwright = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    chromium = shutil.which("chromium")
    if chromium is None:
        pytest.skip("chromium is not installed")
    with playwright.sync_playwright() as running:
        browser = running.chromium.launch(executable_path=chromium, args=ARGUMENTS)
        yield browser
        browser.close()


@pytest.fixture
def opened(browser: Any, tmp_path: Path) -> Iterator[Callable[..., Opened]]:
    """Open HTML text as a file; every call is a browser context of its own."""
    contexts = []

    def open_text(text: str, *, width: int = 1280, height: int = 800, script: bool = True) -> Opened:
        file = tmp_path / "map.html"
        file.write_text(text, encoding="utf-8")
        context = browser.new_context(viewport={"width": width, "height": height}, java_script_enabled=script)
        contexts.append(context)
        opened = Opened(context.new_page())
        opened.page.on("request", lambda request: opened.requests.append(request.url))
        opened.page.on("console", lambda message: opened.complaints.append(message.text))
        opened.page.on("pageerror", lambda error: opened.complaints.append(str(error)))
        opened.page.goto(file.as_uri())
        return opened

    yield open_text
    for context in contexts:
        context.close()
