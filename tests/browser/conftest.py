"""Headless Chromium on a live server, and a lab for people to work in."""

from __future__ import annotations

import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.conftest import PASSWORD
from tests.production.shop import Shop

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
# A machine that works for others at the same time is slow, not wrong.
WAIT_MS = 20_000
ARGUMENTS = [
    "--no-sandbox",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--use-gl=angle",
    "--use-angle=swiftshader",
    "--enable-unsafe-swiftshader",
]


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Every test of this folder needs Chromium and commits for real, so that the server sees it."""
    here = Path(__file__).parent
    for item in items:
        if here in item.path.parents:
            item.add_marker(pytest.mark.browser)
            item.add_marker(
                pytest.mark.skipif(
                    CHROMIUM is None, reason="needs Chromium: no chromium program on this machine's path"
                )
            )


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    from playwright.sync_api import expect, sync_playwright

    expect.set_options(timeout=WAIT_MS)
    # Playwright runs a loop in this thread; the database is asked by the server's threads and, between
    # visits, by the test itself.
    os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"] = "true"
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=CHROMIUM, args=ARGUMENTS)
        yield browser
        browser.close()
    del os.environ["DJANGO_ALLOW_ASYNC_UNSAFE"]


def _complains(told: Any) -> bool:
    """Whether it is an error; a form that comes back with its refusal is none."""
    return told.type == "error" and "the server responded with a status of 422" not in told.text


@pytest.fixture
def visit(chromium: Any, live_server: Any, people: Any) -> Iterator[Callable[..., Any]]:
    """Open a page signed in as ``username``; ``page.said`` collects what the console complained of."""
    contexts = []

    def open_page(username: str = "", *, scheme: str = "light", width: int = 820) -> Any:
        context = chromium.new_context(
            base_url=live_server.url, color_scheme=scheme, viewport={"width": width, "height": 900}
        )
        context.set_default_timeout(WAIT_MS)
        contexts.append(context)
        page = context.new_page()
        page.said = []
        page.on("console", lambda told: page.said.append(told.text) if _complains(told) else None)
        page.on("pageerror", lambda error: page.said.append(str(error)))
        if username:
            page.goto("/sign-in/")
            page.get_by_label("Sign-in name").fill(username)
            page.get_by_label("Password").fill(PASSWORD)
            page.keyboard.press("Enter")
            page.wait_for_selector(".who")
        return page

    yield open_page
    for context in contexts:
        context.close()


@pytest.fixture
def store(settings: Any, tmp_path: Path) -> Path:
    """An empty file store."""
    folder = tmp_path / "files"
    (folder / "incoming").mkdir(parents=True)
    settings.FILE_STORE = folder
    settings.FILE_UPLOAD_TEMP_DIR = str(folder / "incoming")
    return folder


@pytest.fixture
def shop(actors: Any, store: Path) -> Shop:
    return Shop(actors)
