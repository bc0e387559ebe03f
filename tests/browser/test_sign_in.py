"""Where people must say who they are: signing in and out, whose name stands on an act, links in messages."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from threading import Thread

import pytest
from playwright.sync_api import BrowserContext, Page, expect

from tests.support.access import PASSWORD, Entrance
from tests.support.floor import Floor
from tests.support.wait import eventually

ID = "n-L3-P2-T2"
SLOT = "/line/L3/station/P2/slot/T2"
Site = tuple[str, Floor, Entrance]
NewContext = Callable[..., BrowserContext]
NewPage = Callable[..., Page]


@pytest.fixture
def address(closed_site: Site) -> str:
    return closed_site[0]


@pytest.fixture
def floor(closed_site: Site) -> Floor:
    return closed_site[1]


@pytest.fixture
def entrance(closed_site: Site) -> Entrance:
    return closed_site[2]


def sign_in(page: Page, name: str = "Mira") -> None:
    page.get_by_label("Name").fill(name)
    page.get_by_label("Password").fill(PASSWORD)
    page.get_by_role("button", name="Sign in").click()


def live(page: Page) -> None:
    page.wait_for_selector("#freshness[data-state='live']")


def take(page: Page) -> None:
    page.locator(f"#notice-{ID}").get_by_role("button", name="I'm on it").click()


def untouched(floor: Floor) -> bool:
    return all(notice.version == 1 and notice.state == "open" for notice in floor.notes.values())


def test_one_signs_in_where_one_wanted_to_go_and_acts_in_ones_own_name(
    address: str, floor: Floor, new_page: NewPage
) -> None:
    page = new_page(address)
    page.add_init_script("localStorage.setItem('earlybell.name', 'Somebody else')")
    page.goto(address + SLOT)
    assert page.url == f"{address}/sign-in?next={SLOT}"
    sign_in(page)
    page.wait_for_url(address + SLOT)
    live(page)
    take(page)
    expect(page.locator(f"#notice-{ID} .status")).to_have_text("Mira is on it")
    assert floor.notes[ID].taken_by == "Mira"
    expect(page.locator("footer")).to_contain_text("Signed in as Mira.")


def test_a_password_manager_knows_the_fields_and_no_script_is_needed(
    address: str, new_context: NewContext
) -> None:
    page = new_context(java_script_enabled=False).new_page()
    page.goto(address + "/")
    assert page.get_by_label("Name").get_attribute("autocomplete") == "username"
    assert page.get_by_label("Password").get_attribute("autocomplete") == "current-password"
    sign_in(page)
    assert page.url == f"{address}/"
    cookies = page.context.cookies()
    assert [(one["httpOnly"], one["sameSite"]) for one in cookies] == [(True, "Lax")]


def test_whoever_may_look_is_shown_no_buttons_and_told_why(address: str, new_page: NewPage) -> None:
    page = new_page(address)
    page.goto(address + "/sign-in")
    sign_in(page, "Tomas")
    live(page)
    expect(page.locator(f"#notice-{ID}")).to_be_visible()
    expect(page.get_by_role("button", name="I'm on it")).to_have_count(0)
    expect(page.locator("main")).to_contain_text("You may look. Whoever may act has the buttons.")
    page.goto(address + SLOT)
    page.wait_for_selector("#sheet:not([hidden])")
    expect(page.locator("#acts").get_by_role("button")).to_have_count(0)


def test_signing_out_ends_every_page_of_the_session(
    address: str, floor: Floor, new_context: NewContext
) -> None:
    context = new_context()
    one, other = context.new_page(), context.new_page()
    for page in (one, other):
        page.goto(address + "/")
        if "/sign-in" in page.url:
            sign_in(page)
        live(page)
    eventually(lambda: floor.hub.listening == 2, timeout=10, message="no streams")
    one.get_by_role("button", name="Sign out").click()
    one.wait_for_url("**/sign-in")
    other.wait_for_url("**/sign-in?next=**")
    eventually(lambda: floor.hub.listening == 0, timeout=10, message="a stream outlived its session")
    one.go_back()
    one.wait_for_url("**/sign-in**")


def test_when_the_session_ends_elsewhere_the_page_leads_to_sign_in_and_back(
    address: str, entrance: Entrance, new_page: NewPage
) -> None:
    page = new_page(address)
    page.goto(address + SLOT)
    sign_in(page)
    live(page)
    entrance.knows("Mira", "act")  # a new password ends what was open
    entrance.wait(10)
    page.wait_for_url("**/sign-in?next=**")
    sign_in(page)
    page.wait_for_url(address + SLOT)


def test_a_link_opens_its_notice_and_a_press_with_a_name_acts(
    address: str, floor: Floor, entrance: Entrance, new_page: NewPage
) -> None:
    page = new_page(address)
    asked: list[str] = []
    page.on("request", lambda request: asked.append(f"{request.url} {request.headers.get('referer', '')}"))
    key = entrance.door.link_key(ID, "line-2")
    page.goto(f"{address}/notice/{ID}#key={key}")
    expect(page.locator(f"#notice-{ID}")).to_contain_text("RF-SHIELD-22")
    assert page.url == f"{address}/notice/{ID}"
    expect(page.get_by_role("button", name="Loaded a new one")).to_have_count(0)
    take(page)
    assert untouched(floor)
    page.get_by_label("Name or badge").fill("Ada")
    page.get_by_role("button", name="That's me").click()
    expect(page.locator(f"#notice-{ID} .status")).to_have_text("Ada (link to line-2) is on it")
    page.reload()
    expect(page.locator(f"#notice-{ID} .status")).to_have_text("Ada (link to line-2) is on it")
    assert key
    assert [url for url in asked if key in url.split("#")[0] or url.endswith(key)] == []


def test_a_scanner_that_runs_scripts_changes_nothing(
    address: str, floor: Floor, entrance: Entrance, new_page: NewPage
) -> None:
    """It loads, waits, scrolls, hovers, goes away and comes back; it presses nothing."""
    before = entrance.did()
    sent: list[str] = []
    page = new_page(address)
    page.on("request", lambda request: sent.append(request.method))
    for _ in range(3):
        page.goto(f"{address}/notice/{ID}#key={entrance.door.link_key(ID, 'line-2')}")
        expect(page.locator(f"#notice-{ID}")).to_contain_text("RF-SHIELD-22")
        page.wait_for_load_state("networkidle")
        page.mouse.move(200, 300)
        page.mouse.wheel(0, 2000)
        page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
        page.goto("about:blank")
    page.goto(f"{address}/notice/{ID}")
    page.wait_for_load_state("networkidle")
    assert set(sent) == {"GET"}
    assert untouched(floor)
    assert entrance.did() == before


def test_without_a_key_a_link_leads_to_sign_in_and_back_to_the_notice(
    address: str, new_page: NewPage
) -> None:
    page = new_page(address)
    page.goto(f"{address}/notice/{ID}")
    page.wait_for_url("**/sign-in?next=**")
    sign_in(page)
    page.wait_for_url(f"{address}/notice/{ID}")
    live(page)
    expect(page.locator(f"#notice-{ID}")).to_contain_text("RF-SHIELD-22")


@contextmanager
def another_site(html: str) -> Iterator[str]:
    class Forged(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("content-type", "text/html")
            self.end_headers()
            self.wfile.write(html.encode())

        def log_message(self, *_: object) -> None:
            return

    server = ThreadingHTTPServer(("127.0.0.1", 0), Forged)
    Thread(target=server.serve_forever, daemon=True).start()
    try:
        yield f"http://localhost:{server.server_port}/"
    finally:
        server.shutdown()
        server.server_close()


@pytest.mark.parametrize("kind", ["form", "fetch", "frame"])
def test_another_site_in_the_same_browser_presses_nothing(
    address: str, floor: Floor, new_context: NewContext, kind: str
) -> None:
    take_it = f"{address}/api/v1/notices/{ID}/take"
    forge = {
        "form": f'<form id=f method=post enctype="text/plain" action="{take_it}">'
        """<input name='{"by":"x","a' value='":1}'></form><script>f.submit()</script>""",
        "fetch": f'<script>fetch("{take_it}", {{method: "POST", credentials: "include", mode: "no-cors",'
        ' body: JSON.stringify({by: "x"})})</script>',
        "frame": f'<iframe src="{address}/"></iframe>',
    }[kind]
    context = new_context()
    page = context.new_page()
    page.goto(address + "/sign-in")
    sign_in(page)
    live(page)
    answers: list[int] = []
    other = context.new_page()
    other.on("response", lambda answer: answers.append(answer.status) if "/take" in answer.url else None)
    with another_site(forge) as evil:
        other.goto(evil)
        other.wait_for_load_state("networkidle")
    assert all(status in {401, 403} for status in answers)
    assert answers or kind != "form"
    assert untouched(floor)
