"""Every page in a real browser: at three widths, by axe-core, with nothing fetched from elsewhere, on paper."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, Request, sync_playwright

from tests.desktop.conftest import ServedDemo

WIDTHS = {"phone": 320, "tablet": 768, "desk": 1280}
PAGES = {
    "order today": "/",
    "kits": "/kits",
    "kit": "/kits/Q-TRM-212",
    "service classes": "/service-classes",
    "service class": "/service-classes/BFW-LETDOWN",
    "valves": "/valves",
    "valve": "/valves/FV-1001",
    "rebuild sheet": "/valves/FV-1001/rebuild-sheet",
    "record a rebuild": "/valves/FV-1001/record-rebuild",
    "record": "/record",
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
