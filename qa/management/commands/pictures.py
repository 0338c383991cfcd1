"""``manage.py pictures``: the README's pictures, taken of the demo lab in headless Chromium."""

from __future__ import annotations

import json
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandError
from django.urls import reverse
from playwright.sync_api import Page, sync_playwright

from production.models import Build
from qa.models import MeshCheck

FOLDER = settings.BASE_DIR / "docs" / "pictures"
BROWSER_FLAGS = [
    "--no-sandbox", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--enable-unsafe-swiftshader",
]  # fmt: skip
PATIENCE_S = 60
# The heading that a picture begins with, where it is not the page's own.
TOP_AT = {"trends": "When does a tank go bad, by days?"}


class Command(BaseCommand):
    help = "Load the demo lab if need be and take the README's pictures of it (needs Chromium)."

    def handle(self, *args: Any, **options: Any) -> None:
        browser = shutil.which("chromium") or shutil.which("chromium-browser")
        if browser is None:
            raise CommandError("Chromium is not installed. On Debian: apt-get install chromium")
        call_command("demo", no_serve=True, stdout=self.stderr)
        pages = {
            "check": reverse("qa:check", args=[_telling_check().mesh_id]),
            "build": reverse("production:build", args=[_finished_build().number]),
            "trends": f"{reverse('qa:trends')}?from={date.today() - timedelta(days=270)}&to={date.today()}",
        }
        FOLDER.mkdir(parents=True, exist_ok=True)
        with _server() as address, sync_playwright() as playwright:
            chromium = playwright.chromium.launch(executable_path=browser, args=BROWSER_FLAGS)
            page = chromium.new_page(viewport={"width": 1280, "height": 900}, color_scheme="light")
            _sign_in(page, address)
            for name, path in pages.items():
                _take(page, address + path, FOLDER / f"{name}.png", top_at=TOP_AT.get(name, ""))
                self.stdout.write(f"docs/pictures/{name}.png")
            chromium.close()


def _telling_check() -> MeshCheck:
    """A check with something to say."""
    check = MeshCheck.objects.filter(verdict="fail").order_by("pk").first()
    if check is None:
        raise CommandError("The demo lab has no failed check to show.")
    return check


def _finished_build() -> Build:
    build = Build.objects.filter(state="finished", parts__outcome="scrapped").order_by("-number").first()
    if build is None:
        raise CommandError("The demo lab has no finished build to show.")
    return build


def _sign_in(page: Page, address: str) -> None:
    people = json.loads((settings.DATA_DIR / "secrets" / "demo-sign-ins.json").read_text(encoding="utf-8"))
    manager = next(person for person in people if person["role"] == "manager")
    page.goto(address + reverse("accounts:sign-in"))
    page.fill("input[name=username]", manager["username"])
    page.fill("input[name=password]", manager["password"])
    page.press("input[name=password]", "Enter")
    page.wait_for_url(address + "/")


def _take(page: Page, url: str, path: Path, *, top_at: str) -> None:
    page.goto(url)
    page.wait_for_load_state("networkidle")
    if top_at:
        page.get_by_role("heading", name=top_at).evaluate("heading => heading.scrollIntoView()")
    page.screenshot(path=path)


@contextmanager
def _server() -> Iterator[str]:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    program = subprocess.Popen(  # noqa: S603 - our own web server
        [sys.executable, "-m", "gunicorn", "labtrack.wsgi:application", "--bind", f"127.0.0.1:{port}",
         "--threads", "4", "--log-level", "error", "--no-control-socket"],
        cwd=settings.BASE_DIR,
    )  # fmt: skip
    try:
        address = f"http://127.0.0.1:{port}"
        _wait_for(address + reverse("health"))
        yield address
    finally:
        program.terminate()
        program.wait()


def _wait_for(url: str) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while True:
        try:
            with urllib.request.urlopen(url, timeout=2):  # noqa: S310 - this machine's own server
                return
        except (urllib.error.URLError, OSError):
            if time.monotonic() > deadline:
                raise CommandError("The web server did not start.") from None
            time.sleep(0.1)
