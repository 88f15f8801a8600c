"""Browsers: signing in with a key, forms of ours and of others, signing out."""

import re
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from litestar.testing import TestClient

from models.engine import Engines
from service.app import SIGN_INS_PER_MINUTE
from service.form_tokens import LASTS, form_token, is_token
from service.settings import Settings
from service.use_cases import manage_keys

Client = TestClient[Any]
Connect = Callable[[Settings], AbstractContextManager[Client]]
NOON = datetime(2026, 3, 1, 12, tzinfo=UTC)
BROWSER = {"Accept": "text/html,application/xhtml+xml"}


@pytest.fixture
def guarded(sqlite_url: str, connect: Connect) -> Iterator[Client]:
    """Connect to a server that asks for keys."""
    with connect(Settings(database_url=sqlite_url)) as client:
        yield client


def key_of(engines: Engines, role: str) -> tuple[int, str]:
    made = manage_keys.create_key(engines, role=role, holder=f"holder of {role}", expires_at=None)
    assert isinstance(made.key, str)
    return made.id, made.key


def token_on(page: str, action: str) -> str:
    found = re.search(rf'action="{action}">\s*<input type="hidden" name="form_token" value="([^"]+)"', page)
    assert found is not None, page
    return found.group(1)


def sign_in(client: Client, key: str, *, then: str = "/kits", headers: dict[str, str] | None = None) -> Any:
    token = token_on(client.get("/sign-in", headers=headers).text, "/sign-in")
    form = {"key": key, "form_token": token, "next": then}
    return client.post("/sign-in", data=form, headers=headers, follow_redirects=False)


def test_a_key_is_exchanged_for_a_cookie_that_no_script_reads(guarded: Client, sqlite_engines: Engines) -> None:
    answer = sign_in(guarded, key_of(sqlite_engines, "reader")[1])
    assert (answer.status_code, answer.headers["location"]) == (303, "/kits")
    named, *attributes = answer.headers["set-cookie"].split("; ")
    assert named.startswith("valve-kits-session=")
    assert attributes == ["Path=/", "HttpOnly", "SameSite=Strict"]
    assert "Signed in: holder of reader, role reader." in guarded.get("/").text


def test_away_from_this_computer_the_cookie_needs_https(guarded: Client, sqlite_engines: Engines) -> None:
    answer = sign_in(guarded, key_of(sqlite_engines, "reader")[1], headers={"Host": "kits.example.com"})
    assert answer.headers["set-cookie"].startswith("__Host-valve-kits-session=")
    assert answer.headers["set-cookie"].endswith("; Secure")


def test_who_is_not_signed_in_is_led_to_the_form_and_back(guarded: Client) -> None:
    answer = guarded.get("/valves?tag=FV", headers=BROWSER, follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in?next=%2Fvalves%3Ftag%3DFV")
    assert guarded.get("/v1/valves", headers=BROWSER).status_code == 401


@pytest.mark.parametrize("elsewhere", ["https://example.com/", "//example.com", "/\\example.com", "javascript:x"])
def test_nobody_is_led_to_another_site(guarded: Client, sqlite_engines: Engines, elsewhere: str) -> None:
    assert sign_in(guarded, key_of(sqlite_engines, "reader")[1], then=elsewhere).headers["location"] == "/"


def test_a_key_for_spreadsheets_and_an_unknown_one_sign_nobody_in(guarded: Client, sqlite_engines: Engines) -> None:
    for key in (key_of(sqlite_engines, "sheet")[1], "vk_nonsense", ""):
        answer = sign_in(guarded, key)
        assert (answer.status_code, "set-cookie" in answer.headers) == (403, False)
        assert "This key lets nobody in here" in answer.text


def test_sign_ins_are_limited(guarded: Client) -> None:
    statuses = [sign_in(guarded, "vk_guess").status_code for _ in range(SIGN_INS_PER_MINUTE + 1)]
    assert statuses == [403] * SIGN_INS_PER_MINUTE + [429]


def test_a_sign_in_reads_but_changes_nothing_under_v1(guarded: Client, sqlite_engines: Engines) -> None:
    sign_in(guarded, key_of(sqlite_engines, "admin")[1])
    assert guarded.get("/v1/valves").status_code == 200
    for answer in (
        guarded.post("/v1/valves", json={"tag": "FV-1"}),
        guarded.post("/v1/imports/valves", content=b"tag\nFV-1\n", headers={"Content-Type": "text/csv"}),
        guarded.delete("/v1/valves/FV-1"),
    ):
        assert (answer.status_code, answer.json()["type"]) == (403, "/problems/refused")
    assert guarded.get("/v1/valves").json()["value"] == []


def test_a_form_needs_the_token_of_this_session_and_this_address(guarded: Client, sqlite_engines: Engines) -> None:
    key = key_of(sqlite_engines, "reader")[1]
    sign_in(guarded, key)
    page = guarded.get("/").text
    out, everywhere = token_on(page, "/sign-out"), token_on(page, "/sign-out-everywhere")
    for token in ("", "x", everywhere, out[:-1] + ("0" if out[-1] != "0" else "1"), out.replace(".", "", 1)):
        assert guarded.post("/sign-out", data={"form_token": token}).status_code == 403
    sign_in(guarded, key)
    assert guarded.post("/sign-out", data={"form_token": out}).status_code == 403, "of the session before"
    assert "Signed in" in guarded.get("/").text


@pytest.mark.parametrize(
    "headers",
    [
        {"Sec-Fetch-Site": "cross-site"},
        {"Sec-Fetch-Site": "same-site"},
        {"Origin": "https://evil.example.com"},
        {"Origin": "null"},
    ],
)
def test_the_page_of_another_site_posts_in_vain(
    guarded: Client, sqlite_engines: Engines, headers: dict[str, str]
) -> None:
    sign_in(guarded, key_of(sqlite_engines, "reader")[1])
    token = token_on(guarded.get("/").text, "/sign-out")
    assert guarded.post("/sign-out", data={"form_token": token}, headers=headers).status_code == 403
    assert "Signed in" in guarded.get("/").text


def test_signing_out_ends_this_browser_only(guarded: Client, sqlite_engines: Engines) -> None:
    key = key_of(sqlite_engines, "reader")[1]
    first = sign_in(guarded, key).headers["set-cookie"].partition(";")[0]
    sign_in(guarded, key)
    page = guarded.get("/").text
    answer = guarded.post("/sign-out", data={"form_token": token_on(page, "/sign-out")}, follow_redirects=False)
    assert (answer.status_code, "Max-Age=0" in answer.headers["set-cookie"]) == (303, True)
    assert guarded.get("/").status_code == 401
    assert guarded.get("/", headers={"Cookie": first}).status_code == 200


def test_signing_out_everywhere_ends_every_browser(guarded: Client, sqlite_engines: Engines) -> None:
    key = key_of(sqlite_engines, "reader")[1]
    cookies = [sign_in(guarded, key).headers["set-cookie"].partition(";")[0] for _ in range(2)]
    token = token_on(guarded.get("/").text, "/sign-out-everywhere")
    guarded.post("/sign-out-everywhere", data={"form_token": token}, follow_redirects=False)
    assert [guarded.get("/", headers={"Cookie": cookie}).status_code for cookie in cookies] == [401, 401]


def test_a_revoked_key_ends_its_sessions(guarded: Client, sqlite_engines: Engines) -> None:
    key_id, key = key_of(sqlite_engines, "reader")
    sign_in(guarded, key)
    manage_keys.revoke_key(sqlite_engines, key_id)
    assert guarded.get("/").status_code == 401


def test_open_access_needs_no_sign_in_and_takes_no_forwarded_or_foreign_page(sqlite_client: Client) -> None:
    assert "no sign-in is needed" in sqlite_client.get("/sign-in").text
    for headers in (
        {"X-Forwarded-For": "10.0.0.1"},
        {"Forwarded": "for=10.0.0.1"},
        {"Host": "evil.example.com"},
        {"Origin": "https://evil.example.com"},
    ):
        assert sqlite_client.get("/", headers=headers).status_code == 403
        assert sqlite_client.post("/sign-in", data={}, headers=headers).status_code == 403


def test_a_token_is_good_for_its_form_for_half_a_day() -> None:
    token = form_token("secret", "/here", at=NOON)
    assert is_token("secret", "/here", token, at=NOON + LASTS)
    assert not is_token("secret", "/here", token, at=NOON + LASTS + timedelta(seconds=1))
    assert not is_token("secret", "/there", token, at=NOON)
    assert not is_token("other", "/here", token, at=NOON)
    assert form_token("secret", "/here", at=NOON) != token


def test_a_form_replayed_after_signing_out_records_nothing(guarded: Client, sqlite_engines: Engines) -> None:
    key = key_of(sqlite_engines, "admin")[1]
    bearer = {"Authorization": f"Bearer {key}"}
    assert guarded.post("/v1/valves", json={"tag": "FV-1"}, headers=bearer).status_code == 201
    cookie = sign_in(guarded, key).headers["set-cookie"].partition(";")[0]
    form = "/valves/FV-1/record-rebuild"
    filled = {"form_token": token_on(guarded.get(form).text, form), "done_on": "2026-02-01"}
    guarded.post("/sign-out", data={"form_token": token_on(guarded.get("/").text, "/sign-out")})
    assert guarded.post(form, data=filled, headers={"Cookie": cookie}).status_code == 401
    sign_in(guarded, key)
    assert guarded.post(form, data=filled).status_code == 403
    assert guarded.get("/v1/events", headers=bearer).json()["value"] == []
