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
    "kits found": "/kits?kit=trim",
    "kit": "/kits/Q-TRM-212",
    "service classes": "/service-classes",
    "service class": "/service-classes/BFW-LETDOWN",
    "valves": "/valves",
    "valves found": "/valves?tag=FV-10",
    "valve": "/valves/FV-1001",
    "rebuild sheet": "/valves/FV-1001/rebuild-sheet",
    "rebuild sheet, judged": "/valves/FV-1001/rebuild-sheet?pressure_drop_kpa=690&as_left_ml_per_min=0,3",
    "record a rebuild": "/valves/FV-1001/record-rebuild",
    "shutdowns": "/turnarounds",
    "shutdown": "/turnarounds/TA-2027-A",
    "shutdown, the next": "/turnarounds/TA-2026-D",
    "record": "/record",
    "findings of a kind": "/record?kind=unknown_start",
    "past forecasts": "/past-forecasts",
    "sign-in": "/sign-in",
}
PLAIN_PAGES = {"what a problem means": "/problems/not-found", "no such kit": "/kits/none"}
"""They say nothing of the plant."""
SENDS_SOMEONE = (
    "order today",
    "kit",
    "valves found",
    "valve",
    "rebuild sheet",
    "record a rebuild",
    "shutdown",
    "record",
    "findings of a kind",
)
STRUCTURE = """() => {
  const wrong = [];
  const levels = [...document.querySelectorAll('h1, h2, h3, h4')].map(heading => Number(heading.tagName[1]));
  if (levels.filter(level => level === 1).length !== 1 || levels[0] !== 1) wrong.push('not one h1 first');
  levels.forEach((level, place) => { if (place && level > levels[place - 1] + 1) wrong.push('a level is skipped'); });
  for (const table of document.querySelectorAll('table')) {
    if (!table.caption || !table.caption.textContent.trim()) wrong.push('a table without a caption');
    if (table.querySelector('th:not([scope])')) wrong.push('a header without a scope');
    if (!table.querySelector('tbody th')) wrong.push('rows without a header: ' + table.caption.textContent);
  }
  for (const field of document.querySelectorAll('input:not([type=hidden]), select, textarea'))
    if (!field.labels.length) wrong.push('a field without a label: ' + field.name);
  return wrong;
}"""
FOCUSABLE = "main :is(a[href], button, input:not([type=hidden]), select, textarea, summary)"
WHERE_FOCUS_IS = """focusable => {
  const at = document.activeElement, box = at.getBoundingClientRect();
  const seen = box.bottom > 0 && box.top < innerHeight && getComputedStyle(at).outlineStyle !== 'none';
  return [[...document.querySelectorAll(focusable)].findIndex(one => one === at), seen];
}"""
STEPS = 12
"""Key presses on each page; a group of choices is one."""
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


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", [*PAGES, *PLAIN_PAGES])
def test_a_page_reads_at_every_width_and_fetches_nothing_from_elsewhere(
    page: Page, served_demo: ServedDemo, name: str, width: str
) -> None:
    asked: list[str] = []

    def note(request: Request) -> None:
        asked.append(request.url)

    page.on("request", note)
    page.set_viewport_size({"width": WIDTHS[width], "height": 900})
    answer = page.goto(served_demo.address + (PAGES | PLAIN_PAGES)[name])
    assert answer is not None
    assert answer.status == (404 if name == "no such kit" else 200)
    assert page.evaluate("document.documentElement.scrollWidth") <= WIDTHS[width]
    found = Axe().run(page, options=RULES)
    assert len(found.response["passes"]) > 5
    assert found.violations_count == 0, found.generate_report()
    pictures = page.locator("main svg, main img")
    named = [pictures.nth(number).get_attribute("aria-label") or "" for number in range(pictures.count())]
    assert all(len(words) > 20 for words in named), named
    page.remove_listener("request", note)
    assert {url for url in asked if not url.startswith((served_demo.address, "data:"))} == set()


@pytest.mark.parametrize("name", PAGES)
def test_a_page_is_headed_labelled_and_walked_through_with_the_keyboard(
    page: Page, served_demo: ServedDemo, name: str
) -> None:
    """What it is made from stands on it; each press of the key goes on in the page's order, and it is seen where."""
    page.set_viewport_size({"width": WIDTHS["desk"], "height": 900})
    page.goto(served_demo.address + PAGES[name])
    said = page.inner_text("body")
    assert "Invented plant" in said
    assert re.search(r"Forecast \d+, from the record up to 2026-06-30, (today|yesterday|\d+ days ago)\.", said)
    sends = name.partition(",")[0] in SENDS_SOMEONE
    assert ("Prove isolation and zero pressure on both sides" in said) == sends
    assert page.evaluate(STRUCTURE) == []
    page.locator(".skip").press("Enter")
    places = []
    for _ in range(min(STEPS, page.locator(FOCUSABLE).count())):
        page.keyboard.press("Tab")
        place, seen = page.evaluate(WHERE_FOCUS_IS, FOCUSABLE)
        if place < 0:
            break
        assert seen
        places.append(place)
    assert places == sorted(places)
    assert places[:1] == [0] * min(1, page.locator(FOCUSABLE).count())


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
