"""The phone's pages in a real browser as a phone has it: touch, 390 px, a slow network, an offline moment, two tabs."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "phone"))
from bench import PHOTOS, Running

from tests.chromium import PHONE, network

#: Of the network, ms.
LATENCY_MS = 100
#: Everything that is waited for, ms.
PATIENCE_MS = 60_000

Open = Callable[..., Any]


@pytest.fixture
def running(tmp_path: Path) -> Iterator[Running]:
    command = Running(tmp_path)
    yield command
    command.kill()


@pytest.fixture
def phone(browser: Any, running: Running) -> Iterator[Any]:
    """A phone that has scanned the code; what its pages complain of, or ask of other machines, fails the test."""
    context = browser.new_context(**PHONE)
    context.set_default_timeout(PATIENCE_MS)
    troubles: list[str] = []
    ours = f"http://127.0.0.1:{running.port}/"

    def refuse(dialog: Any) -> None:
        troubles.append(f"dialog: {dialog.message}")
        dialog.dismiss()

    def watch(page: Any) -> None:
        page.on("pageerror", lambda error: troubles.append(f"error: {error}"))
        page.on("dialog", refuse)
        page.on("console", lambda m: None if "Failed to load" in m.text else troubles.append(f"console: {m.text}"))
        page.on("request", lambda r: None if r.url.startswith((ours, "data:", "blob:")) else troubles.append(r.url))

    context.on("page", watch)
    yield context
    context.close()
    assert troubles == []


def scanned(context: Any, running: Running) -> Any:
    page = context.new_page()
    page.goto(running.link)
    return page


def begin(page: Any) -> None:
    page.get_by_role("link", name="Measure a rotor").tap()
    page.get_by_role("button", name="Start").tap()
    page.wait_for_selector(".wanted")


def choose(page: Any, path: Path, name: str = "Take the photograph") -> None:
    with page.expect_file_chooser() as chooser:
        page.get_by_role("button", name=name).tap()
    chooser.value.set_files(str(path))


def fits(page: Any) -> None:
    """Nothing is wider than the screen, and what is tapped is large (WCAG 2.2, 2.5.8 wants 24 px; here 40)."""
    page.wait_for_load_state()  # sizes are those of the style sheet
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    for element in page.locator("button:visible, a:visible, summary:visible, select:visible").all():
        box = element.bounding_box()
        assert box and box["height"] >= 40, element.inner_text()


def has_photographs(folder: Path) -> set[str]:
    return {p.name for p in (folder / "rotors" / "rotor-1").glob("*.jpg")}


@pytest.mark.slow
def test_the_whole_way_by_touch(phone: Any, running: Running, tmp_path: Path) -> None:
    page = scanned(phone, running)
    assert page.url == f"http://127.0.0.1:{running.port}/", "the secret does not stay in the address"
    fits(page)
    begin(page)
    fits(page)
    assert page.locator("#camera").get_attribute("capture") == "environment"
    assert page.locator("#library").get_attribute("capture") is None
    choose(page, PHOTOS / "outlet.jpg")
    page.get_by_role("heading", name="Good", exact=True).wait_for()
    page.get_by_role("heading", name="Inlet end up, from straight above").wait_for()
    choose(page, PHOTOS / "outlet.jpg")
    page.get_by_role("heading", name="Take it again").wait_for()
    page.wait_for_selector("#sending", state="hidden")
    fits(page)
    choose(page, PHOTOS / "inlet.jpg", "Take it again")
    page.get_by_role("link", name="Open the report").wait_for()
    fits(page)
    assert (tmp_path / "rotors" / "rotor-1" / "inlet.jpg").read_bytes() == (PHOTOS / "inlet.jpg").read_bytes()
    page.get_by_role("link", name="Open the report").tap()
    page.get_by_role("heading", name=re.compile("Blade angles")).wait_for()
    viewer = page.locator(".viewer").first
    page.get_by_role("button", name="Zoom in").first.tap()
    assert viewer.locator("svg").get_attribute("viewBox").split()[0] != "0", "the report's own script runs"
    page.go_back()
    page.get_by_role("link", name="Open the report").wait_for()


@pytest.mark.slow
def test_reloaded_and_offline_amid_a_slow_upload_the_photograph_arrives(
    phone: Any, running: Running, tmp_path: Path
) -> None:
    page = scanned(phone, running)
    begin(page)
    becomes = network(page, LATENCY_MS)
    becomes(400)
    choose(page, PHOTOS / "outlet.jpg")
    page.wait_for_selector("#sending-bar[value^='0.1'], #sending-bar[value^='0.2'], #sending-bar[value^='0.3']")
    page.reload()  # the phone has closed the tab and opens it again: the photograph is in the browser's own store
    page.wait_for_selector("#sending:not([hidden])")
    becomes(0)
    page.get_by_text("No connection to the bench computer.").wait_for()
    assert has_photographs(tmp_path) == set()
    becomes(-1)
    page.get_by_role("heading", name="Good", exact=True).wait_for()
    page.wait_for_selector("#offline", state="hidden")
    page.wait_for_selector("#sending", state="hidden")
    assert (tmp_path / "rotors" / "rotor-1" / "outlet.jpg").read_bytes() == (PHOTOS / "outlet.jpg").read_bytes()
    page.reload()
    page.get_by_role("heading", name="Inlet end up, from straight above").wait_for()
    assert has_photographs(tmp_path) == {"outlet.jpg"}, "it was sent once"


@pytest.mark.slow
def test_the_command_is_killed_amid_an_upload_and_the_page_goes_on(
    phone: Any, running: Running, tmp_path: Path
) -> None:
    page = scanned(phone, running)
    begin(page)
    network(page, LATENCY_MS)(500)
    choose(page, PHOTOS / "outlet.jpg")
    page.wait_for_selector("#sending-bar[value^='0.2'], #sending-bar[value^='0.3'], #sending-bar[value^='0.4']")
    running.kill()
    page.get_by_text("No connection to the bench computer.").wait_for()
    again = Running(tmp_path, running.port)
    try:
        page.get_by_role("heading", name="Good", exact=True).wait_for()
    finally:
        again.kill()
    assert (tmp_path / "rotors" / "rotor-1" / "outlet.jpg").read_bytes() == (PHOTOS / "outlet.jpg").read_bytes()


@pytest.mark.slow
def test_two_tabs_show_the_same_and_send_a_photograph_once(phone: Any, running: Running, tmp_path: Path) -> None:
    one = scanned(phone, running)
    begin(one)
    two = phone.new_page()
    two.goto(one.url)
    network(one, LATENCY_MS)(700)
    choose(one, PHOTOS / "outlet.jpg")
    one.wait_for_selector("#sending-bar[value^='0.']:not([value='0'])")
    two.reload()  # finds the photograph in the store that both share, and sends it too
    for tab in (one, two):
        tab.get_by_role("heading", name="Inlet end up, from straight above").wait_for()
        tab.wait_for_selector("#sending", state="hidden")
    assert has_photographs(tmp_path) == {"outlet.jpg"}
    assert not (tmp_path / "rotors" / "rotor-1" / "set-aside").exists()
    assert len(list((tmp_path / ".phone" / "uploads").iterdir())) == 1


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_everybody_can_use_the_pages(running: Running, axe_source: str, browser: Any, scheme: str) -> None:
    """axe-core finds nothing (WCAG 2.2 A and AA); it is let past the policy, which the other tests are not."""
    context = browser.new_context(**PHONE, color_scheme=scheme, bypass_csp=True)
    try:
        page = scanned(context, running)

        def sound() -> None:
            page.evaluate(axe_source)
            options = {"runOnly": ["wcag2a", "wcag2aa", "wcag21aa", "wcag22aa", "best-practice"]}
            found = page.evaluate("options => axe.run(document, options)", options)
            assert [(v["id"], [n["html"] for n in v["nodes"]]) for v in found["violations"]] == []

        sound()
        page.get_by_role("link", name="Measure a rotor").tap()
        page.wait_for_selector(".new")
        sound()
        page.get_by_role("button", name="Start").tap()
        page.wait_for_selector(".wanted")
        sound()
        choose(page, PHOTOS / "outlet.jpg")
        page.get_by_role("heading", name="Good", exact=True).wait_for()
        page.wait_for_selector("#sending", state="hidden")
        page.locator("summary").tap()
        sound()
    finally:
        context.close()
