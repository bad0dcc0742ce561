"""A real Chromium for the pages, and the accessibility checker axe-core from npm; skipped, saying why, where missing.

`CHROMIUM` names the browser's program, `AXE_CORE` a file axe.min.js; without them both are looked for.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.chromium import program

sys.path.insert(0, str(Path(__file__).resolve().parent.parent))  # invented_record

AXE_VERSION = "4.14.1"
#: Chromium in a container without a screen, and without asking anything of a network.
FLAGS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="session")
def browser() -> Iterator[Any]:
    """One headless Chromium for all tests."""
    api = pytest.importorskip("playwright.sync_api", reason="the Python package playwright is not installed")
    found = program()
    if found is None:
        pytest.skip("no Chromium on this machine (Debian package chromium)")
    with api.sync_playwright() as playwright:
        chromium = playwright.chromium.launch(executable_path=found, args=FLAGS)
        yield chromium
        chromium.close()


def refuse(dialog: Any, troubles: list[str]) -> None:
    """Note a dialog, and close it: the page waits for it."""
    troubles.append(f"dialog: {dialog.message}")
    dialog.dismiss()


@pytest.fixture
def open_page(browser: Any) -> Iterator[Callable[..., Any]]:
    """`open_page(path, width, scheme)`: a page on which any console message, error or request fails the test."""
    contexts, troubles = [], []

    def opened(path: Path, width: int = 1200, scheme: str = "light", **options: Any) -> Any:
        size = {"width": width, "height": 800}
        context = browser.new_context(viewport=size, color_scheme=scheme, accept_downloads=True, **options)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(10_000)
        page.on("console", lambda message: troubles.append(f"console: {message.text}"))
        page.on("pageerror", lambda error: troubles.append(f"error: {error}"))
        page.on("dialog", lambda dialog: refuse(dialog, troubles))
        page.on(
            "request",
            lambda r: None if r.url.startswith(("file:", "data:", "blob:")) else troubles.append(f"request: {r.url}"),
        )
        page.goto(path.as_uri())
        return page

    yield opened
    for context in contexts:
        context.close()
    assert troubles == []


@pytest.fixture(scope="session")
def axe_source(request: pytest.FixtureRequest) -> str:
    """The text of axe-core, from `AXE_CORE`, the tests' cache or the npm registry."""
    if given := os.environ.get("AXE_CORE"):
        return Path(given).read_text(encoding="utf-8")
    folder = request.config.cache.mkdir(f"axe-core-{AXE_VERSION}")
    script = folder / "node_modules" / "axe-core" / "axe.min.js"
    if not script.is_file():
        npm = shutil.which("npm")
        if npm is None:
            pytest.skip("npm is not installed, and AXE_CORE is not set")
        words = [npm, "install", "--no-save", "--ignore-scripts", "--no-audit", "--no-fund", "--prefix", str(folder)]
        done = subprocess.run([*words, f"axe-core@{AXE_VERSION}"], capture_output=True, text=True, timeout=120)
        if done.returncode != 0 or not script.is_file():
            pytest.skip(f"npm could not install axe-core: {done.stderr.strip()[-200:]}")
    return script.read_text(encoding="utf-8")
