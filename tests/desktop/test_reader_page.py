"""The reader page of the API description, in a real browser that reaches nothing but this computer."""

from dataclasses import dataclass

from playwright.sync_api import Browser, Request, sync_playwright

from tests.e2e.test_description import FEWEST_ROUTES, served

# Every name but that of this computer is unknown to the browser, as it is with the network off.
OFFLINE = "--host-resolver-rules=MAP * ~NOTFOUND, EXCLUDE 127.0.0.1"
MILLISECONDS = 30_000
ROUTE = "/v1/reorder-points/{storeroom}/{kit}"
SHAPE = "ReorderPointOut"


@dataclass(frozen=True, kw_only=True)
class Read:
    """What the browser showed, what it asked for, and what it complained about."""

    routes: int
    example: str
    fields: str
    asked: list[str]
    complaints: list[str]


def test_the_description_is_read_with_the_network_off(chromium_path: str, sqlite_url: str) -> None:
    """Every route is on the page; one opened shows meaning and unit of its fields; nothing from elsewhere was asked."""
    with served(sqlite_url) as address, sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium_path, args=["--no-sandbox", OFFLINE])
        read = _read(browser, address)
        browser.close()
    assert read.routes >= FEWEST_ROUTES
    assert '"kit": "Q-TRM-216"' in read.example
    assert "Order when the stock position falls to this [kits]" in read.fields
    assert {url for url in read.asked if not url.startswith((address, "data:", "blob:"))} == set()
    assert len(read.asked) > 3
    assert read.complaints == []


def _read(browser: Browser, address: str) -> Read:
    asked: list[str] = []
    complaints: list[str] = []
    page = browser.new_page()
    page.set_default_timeout(MILLISECONDS)

    def note(request: Request) -> None:
        asked.append(request.url)

    page.on("request", note)
    page.on("pageerror", lambda error: complaints.append(str(error)))
    page.on("console", lambda message: complaints.append(message.text) if message.type == "error" else None)
    page.goto(f"{address}/schema")
    page.wait_for_selector(".opblock")
    routes = page.locator(".opblock").count()
    route = page.locator(".opblock", has=page.locator(f'[data-path="{ROUTE}"]')).first
    route.locator(".opblock-summary").click()
    route.locator(".example").first.wait_for()
    shape = page.locator(".models .json-schema-2020-12", has=page.get_by_text(SHAPE, exact=True)).first
    shape.locator(".json-schema-2020-12-expand-deep-button").first.click()
    shape.locator(".json-schema-2020-12-property .json-schema-2020-12-keyword--description").first.wait_for()
    return Read(
        routes=routes, example=route.inner_text(), fields=shape.inner_text(), asked=asked, complaints=complaints
    )
