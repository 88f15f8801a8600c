"""Every page in a real browser: at three widths, by axe-core, with nothing fetched from elsewhere, on paper."""

import re
import shutil
from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, Request, sync_playwright

from tests.desktop.conftest import ServedDemo, serving

WIDTHS = {"phone": 320, "tablet": 768, "desk": 1280}
PAGES = {
    "order today": "/",
    "order today, one storeroom": "/?storeroom=ST-WEST",
    "kits": "/kits",
    "kit": "/kits/Q-TRM-212",
    "service classes": "/service-classes",
    "service class": "/service-classes/BFW-LETDOWN",
    "valves": "/valves",
    "valves found": "/valves?tag=FV-10",
    "valve": "/valves/FV-1001",
    "rebuild sheet": "/valves/FV-1001/rebuild-sheet",
    "record a rebuild": "/valves/FV-1001/record-rebuild",
    "shutdowns": "/turnarounds",
    "shutdown": "/turnarounds/TA-2027-A",
    "record": "/record",
    "findings of a kind": "/record?kind=unknown_start",
    "past forecasts": "/past-forecasts",
    "sign-in": "/sign-in",
}
RULES = {"runOnly": {"type": "tag", "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa"]}}


@pytest.fixture(scope="module")
def browser(chromium_path: str) -> Iterator[Browser]:
    """Start one browser for all pages."""
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path, args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.fixture(scope="module")
def page(browser: Browser) -> Iterator[Page]:
    """Open one window, which takes axe-core's script in although the pages allow none."""
    context = browser.new_context(bypass_csp=True)
    yield context.new_page()
    context.close()


@pytest.mark.parametrize("name", PAGES)
def test_a_page_reads_at_every_width_and_fetches_nothing_from_elsewhere(
    page: Page, served_demo: ServedDemo, name: str
) -> None:
    asked: list[str] = []

    def note(request: Request) -> None:
        asked.append(request.url)

    page.on("request", note)
    for width in WIDTHS.values():
        page.set_viewport_size({"width": width, "height": 900})
        answer = page.goto(served_demo.address + PAGES[name])
        assert answer is not None
        assert answer.status == 200
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        found = Axe().run(page, options=RULES)
        assert len(found.response["passes"]) > 10
        assert found.violations_count == 0, found.generate_report()
        pictures = page.locator("main svg, main img")
        named = [pictures.nth(number).get_attribute("aria-label") or "" for number in range(pictures.count())]
        assert all(len(words) > 20 for words in named), named
    page.remove_listener("request", note)
    assert {url for url in asked if not url.startswith((served_demo.address, "data:"))} == set()
    assert "invented plant" in page.inner_text("body").casefold()


@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_read_without_scripts_and_goes_on_paper(
    browser: Browser, served_demo: ServedDemo, tmp_path: Path, name: str
) -> None:
    context = browser.new_context(java_script_enabled=False)
    page = context.new_page()
    page.goto(served_demo.address + PAGES[name])
    assert len(page.inner_text("main")) > 30
    page.pdf(path=tmp_path / "page.pdf", format="A4")
    context.close()
    assert (tmp_path / "page.pdf").stat().st_size > 5_000


def test_a_page_is_used_with_the_keyboard_alone(page: Page, served_demo: ServedDemo) -> None:
    """The first key press goes to a link past the navigation, and what has the focus is seen to have it."""
    page.set_viewport_size({"width": WIDTHS["desk"], "height": 900})
    page.goto(served_demo.address)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.getAttribute('href')").startswith("#")
    page.keyboard.press("Enter")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.closest('main') !== null")
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") != "none"


def test_the_rebuild_sheet_goes_on_two_sides_of_paper(page: Page, served_demo: ServedDemo) -> None:
    page.goto(served_demo.address + PAGES["rebuild sheet"])
    assert len(re.findall(rb"/Type\s*/Page[^s]", page.pdf(format="A4"))) <= 2


def test_a_rebuild_recorded_on_a_phone_with_two_presses_is_one_event(
    browser: Browser, demo_database: Path, tmp_path: Path
) -> None:
    """The kit is proposed from the tag; the second press, and going back to press again, record nothing more."""
    copy = tmp_path / "demo.sqlite"
    shutil.copy(demo_database, copy)
    with serving(copy) as served, httpx.Client(base_url=served.address, trust_env=False) as client:
        before = client.get("/v1/valves/FV-1001/events", params={"limit": 100}).json()["value"]
        context = browser.new_context(viewport={"width": 390, "height": 844}, java_script_enabled=False)
        page = context.new_page()
        page.goto(f"{served.address}/valves/FV-1001/record-rebuild")
        page.get_by_label("Why").select_option("failure")
        page.get_by_role("group", name="Packing, as found").get_by_label("failed").check()
        page.get_by_label("packing renewed").check()
        page.get_by_label("Kits Q-PAC-106 used").fill("1")
        page.get_by_role("button", name="Record it").dblclick()
        page.get_by_role("status").wait_for()
        page.go_back()
        page.get_by_role("button", name="Record it").click()
        page.get_by_role("status").wait_for()
        context.close()
        after = client.get("/v1/valves/FV-1001/events", params={"limit": 100}).json()["value"]
    assert len(after) == len(before) + 1
    [event] = [row for row in after if row not in before]
    assert (event["as_found"], event["renewed"]) == ({"packing": "failed"}, ["packing"])
    assert event["kits_used"] == {"Q-PAC-106": 1}
