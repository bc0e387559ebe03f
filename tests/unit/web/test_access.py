"""Who may call what: roles, tokens, sessions, whose name stands on an act, and what is noted of it."""

from __future__ import annotations

import warnings
from collections.abc import Callable, Iterator
from typing import Any

import pytest
from starlette.routing import Mount

from service.access import end_account, end_token
from service.access.allowances import ACT, SIGN_IN_HERE, WRONG_KEY
from service.domain.access import SESSION_IDLES, SESSION_LASTS
from service.domain.model import SECOND
from service.ports import StoreError
from service.web.gate import SIGN_IN, needed
from tests.support.access import PASSWORD, Entrance
from tests.support.floor import Floor, plant
from tests.support.gateways import Gateways

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    from starlette.testclient import TestClient

TAKE = "/api/v1/notices/n-L3-P2-T2/take"
OTHER = "/api/v1/notices/n-L3-P1-F07/take"
SUPPLY = "/api/v1/lines/L3/stations/P2/slots/T2/supply"
OWN = {"origin": "http://testserver", "sec-fetch-site": "same-origin"}
HTML = {"accept": "text/html"}
READS = ["/", "/metrics", "/openapi.json", "/api/v1/lines", "/api/v1/lines/L3/slots", "/api/v1/notices",
         "/api/v1/notices/n-L3-P2-T2", "/api/v1/refused", "/api/v1/events", "/api/v1/stream",
         "/api/v1/record", "/api/v1/learned", "/api/v1/budget", "/record", "/budget", "/outlets",
         "/gateways", "/api/v1/gateways",
         "/line/L3/station/P2/slot/T2", "/plan", "/fetch", "/api/v1/lines/L3/fetch", "/nowhere"]  # fmt: skip
NewClient = Callable[..., TestClient]


@pytest.fixture
def entrance() -> Entrance:
    return Entrance()


@pytest.fixture
def site(entrance: Entrance) -> tuple[Any, Floor]:
    return plant(door=entrance.door, public_url=None, incoming=Gateways())


@pytest.fixture
def floor(site: tuple[Any, Floor]) -> Floor:
    return site[1]


@pytest.fixture
def new_client(site: tuple[Any, Floor]) -> Iterator[NewClient]:
    """``new_client(bearer=…)``: somebody with a browser or a tool of their own."""
    made: list[TestClient] = []

    def make(*, bearer: str | None = None, address: str = "10.0.0.9") -> TestClient:
        headers = {} if bearer is None else {"authorization": f"Bearer {bearer}"}
        client = TestClient(
            site[0], raise_server_exceptions=False, headers=headers, client=(address, 5000),
            follow_redirects=False,
        )  # fmt: skip
        made.append(client)
        return client

    yield make
    for client in made:
        client.close()


def sign_in(client: TestClient, name: str = "Mira", password: str = PASSWORD, **more: str) -> Any:
    return client.post("/sign-in", data={"name": name, "password": password, **more}, headers=OWN)


def signed_in(entrance: Entrance, client: TestClient, role: str = "act", name: str = "Mira") -> TestClient:
    entrance.knows(name, role)
    assert sign_in(client, name).status_code == 303
    return client


@pytest.mark.parametrize("path", READS)
def test_nothing_is_read_without_the_role(new_client: NewClient, path: str) -> None:
    answer = new_client().get(path)
    assert (answer.status_code, answer.json()) == (401, {"detail": SIGN_IN})
    assert answer.headers["www-authenticate"] == "Bearer"
    assert answer.headers["cache-control"] == "no-store"


@pytest.mark.parametrize("path", [path for path in READS if "stream" not in path])
def test_whoever_may_read_reads(entrance: Entrance, new_client: NewClient, path: str) -> None:
    answer = new_client(bearer=entrance.token("screen", "read")).get(path)
    assert answer.status_code == (404 if path == "/nowhere" else 200)


def routes_of(router: Any) -> Iterator[Any]:
    for route in router.routes:
        inner = getattr(route, "original_router", None)
        yield from [route] if inner is None else routes_of(inner)


def test_every_call_there_is_needs_a_role_but_for_those_named_here(site: tuple[Any, Floor]) -> None:
    calls = {
        (method, f"{route.path}/x" if isinstance(route, Mount) else route.path)
        for route in routes_of(site[0])
        for method in getattr(route, "methods", None) or {"GET"}
    }
    assert len(calls) > 25
    assert {call for call in calls if needed(*call) is None} == {
        ("GET", "/healthz"), ("GET", "/readyz"), ("GET", "/static/x"), ("GET", "/sign-in"),
        ("HEAD", "/sign-in"), ("POST", "/sign-in"), ("POST", "/sign-out"), ("GET", "/notice/{notice_id}"),
        ("HEAD", "/notice/{notice_id}"), ("GET", "/static/words/{tag}.js"),
        ("HEAD", "/static/words/{tag}.js"),
        *((method, path) for method in ("GET", "HEAD")
          for path in ("/manifest.webmanifest", "/sw.js", "/offline", "/static/review.css")),
    }  # fmt: skip


def test_the_process_tells_that_it_lives_and_only_readers_why_it_is_not_ready(
    entrance: Entrance, new_client: NewClient, floor: Floor
) -> None:
    floor.ails = ["broker: 10.1.2.3 refused us"]
    assert new_client().get("/healthz").json() == {"alive": True}
    told = new_client().get("/readyz")
    assert (told.status_code, told.json()["ready"]) == (503, False)
    assert "10.1.2.3" not in told.text
    assert "10.1.2.3" in new_client(bearer=entrance.token("probe", "read")).get("/readyz").text


def test_each_role_includes_the_ones_before(entrance: Entrance, new_client: NewClient) -> None:
    allowed = {}
    for role in ("read", "act", "admin"):
        client = new_client(bearer=entrance.token(role, role))
        answers = (
            client.get("/api/v1/lines"),
            client.post(SUPPLY, json={"change": "loaded"}),
            client.get("/api/v1/audit"),
        )
        allowed[role] = [answer.status_code for answer in answers]
    assert allowed == {"read": [200, 403, 403], "act": [200, 200, 403], "admin": [200, 200, 200]}


def test_what_stands_ready_is_said_by_whoever_may_act_in_their_own_name(
    entrance: Entrance, new_client: NewClient, floor: Floor
) -> None:
    tick = {"part": "MCU-48Q", "kind": "tray", "supplies": 2, "by": "somebody else"}
    ready = "/api/v1/lines/L3/ready"
    assert new_client(bearer=entrance.token("screen", "read")).post(ready, json=tick).status_code == 403
    answer = new_client(bearer=entrance.token("cart", "act")).post(ready, json=tick)
    assert answer.json()["ticked"]["by"] == "cart"
    assert [each.by for each in floor.shelf.world.line("L3").ready] == ["cart"]


def test_with_nobody_configured_on_this_machine_everything_is_as_ever_until_somebody_is() -> None:
    entrance = Entrance(open_here=True)
    app, floor = plant(door=entrance.door)
    client = TestClient(app, follow_redirects=False)
    assert client.get("/").status_code == 200
    assert client.post(TAKE, json={"by": "Mira"}).status_code == 200
    assert client.get("/sign-in").headers["location"] == "/"
    assert floor.notes["n-L3-P2-T2"].taken_by == "Mira"
    assert entrance.did() == []
    secret = entrance.token("gate", "read")
    entrance.wait(1)
    assert client.get("/api/v1/lines").status_code == 401
    end_token(entrance.keyring, "gate", now=entrance.now)
    entrance.wait(10)
    assert client.get("/api/v1/lines").status_code == 401
    assert client.get("/api/v1/lines", headers={"authorization": f"Bearer {secret}"}).status_code == 401


def test_a_page_leads_to_sign_in_and_back_to_where_one_was(entrance: Entrance, new_client: NewClient) -> None:
    client = new_client()
    entrance.knows("Mira", "read")
    answer = client.get("/line/L3/station/P2/slot/T2?x=1", headers=HTML)
    assert answer.status_code == 303
    page = client.get(answer.headers["location"])
    assert 'value="/line/L3/station/P2/slot/T2?x=1"' in page.text
    answer = sign_in(client, next="/line/L3/station/P2/slot/T2?x=1")
    assert (answer.status_code, answer.headers["location"]) == (303, "/line/L3/station/P2/slot/T2?x=1")
    assert client.get("/").status_code == 200


@pytest.mark.parametrize(
    "elsewhere",
    ["//evil.example", "https://evil.example", "/\\evil.example", "javascript:alert(1)", "\\\\evil.example",
     "/a\nb", "", "evil", "/sign-in", "/%0d%0aset-cookie: a=b\r\nx"],
)  # fmt: skip
def test_signing_in_leads_to_no_other_site(entrance: Entrance, new_client: NewClient, elsewhere: str) -> None:
    entrance.knows("Mira", "read")
    assert sign_in(new_client(), next=elsewhere).headers["location"] == "/"


def test_the_session_cookie_is_out_of_reach_of_scripts_and_other_sites(
    entrance: Entrance, new_client: NewClient
) -> None:
    entrance.knows("Mira", "read")
    cookie = sign_in(new_client()).headers["set-cookie"].lower()
    assert cookie.startswith("earlybell=")
    assert {"httponly", "samesite=lax", "path=/"} <= {part.strip() for part in cookie.split(";")}
    assert "secure" not in cookie


def test_where_the_public_address_is_https_the_cookie_never_leaves_by_http(entrance: Entrance) -> None:
    entrance.knows("Mira", "read")
    app, _ = plant(door=entrance.door, public_url="https://bell.ferrow.example/")
    client = TestClient(app, base_url="https://bell.ferrow.example", follow_redirects=False)
    origin = {"origin": "https://bell.ferrow.example"}
    form = {"name": "Mira", "password": PASSWORD}
    cookie = client.post("/sign-in", data=form, headers=origin).headers["set-cookie"]
    assert cookie.startswith("__Host-earlybell=")
    assert "; Secure" in cookie
    assert client.get("/api/v1/lines").status_code == 200


def test_signing_in_changes_the_session_and_ends_the_one_before(
    entrance: Entrance, new_client: NewClient
) -> None:
    client = signed_in(entrance, new_client())
    before = client.cookies["earlybell"]
    assert sign_in(client).status_code == 303
    after = client.cookies["earlybell"]
    assert before != after
    stale = new_client()
    stale.cookies.set("earlybell", before)
    assert stale.get("/api/v1/lines").status_code == 401


def test_a_session_that_somebody_planted_is_not_taken(entrance: Entrance, new_client: NewClient) -> None:
    client = new_client()
    planted = "A" * 43
    client.cookies.set("earlybell", planted, domain="testserver.local", path="/")
    signed_in(entrance, client)
    thief = new_client()
    thief.cookies.set("earlybell", planted)
    assert thief.get("/api/v1/lines").status_code == 401


def test_signing_out_ends_the_session_everywhere(entrance: Entrance, new_client: NewClient) -> None:
    client = signed_in(entrance, new_client())
    kept = client.cookies["earlybell"]
    assert client.get("/api/v1/lines").status_code == 200
    answer = client.post("/sign-out", headers=OWN)
    assert (answer.status_code, answer.headers["location"]) == (303, "/sign-in")
    assert "earlybell" not in client.cookies
    client.cookies.set("earlybell", kept)
    assert client.get("/api/v1/lines").status_code == 401
    assert [did for _, did, _, _ in entrance.did()] == ["sign in", "sign out"]


def test_a_session_ends_without_use_and_in_any_case_after_a_week(
    entrance: Entrance, new_client: NewClient
) -> None:
    client = signed_in(entrance, new_client())
    idle = SESSION_IDLES / SECOND
    for _ in range(round(SESSION_LASTS / SESSION_IDLES)):
        assert client.get("/api/v1/lines").status_code == 200
        entrance.wait(idle - 1)
    entrance.wait(60)
    assert client.get("/api/v1/lines").status_code == 401
    again = signed_in(entrance, new_client())
    entrance.wait(idle)
    assert again.get("/api/v1/lines").status_code == 401


def test_ending_an_account_or_its_role_counts_for_the_sessions_it_has(
    entrance: Entrance, new_client: NewClient
) -> None:
    client = signed_in(entrance, new_client())
    end_account(entrance.keyring, "mira", now=entrance.now)
    entrance.wait(2)
    assert client.get("/api/v1/lines").status_code == 401
    assert sign_in(new_client()).status_code == 401


def test_whoever_signed_in_acts_in_that_name_whatever_the_body_says(
    entrance: Entrance, new_client: NewClient, floor: Floor
) -> None:
    client = signed_in(entrance, new_client())
    assert client.post(TAKE, json={"by": "Tomas"}, headers=OWN).json()["taken_by"] == "Mira"
    assert client.post(OTHER, content=b'{"by":"x","by":"Tomas"}', headers=OWN).json()["taken_by"] == "Mira"
    client.post(SUPPLY, json={"change": "loaded", "by": "Tomas"}, headers=OWN)
    assert '"by":"Mira"' in floor.heard[-1][0]


def test_whoever_signed_in_need_not_say_a_name(entrance: Entrance, new_client: NewClient) -> None:
    client = signed_in(entrance, new_client())
    assert client.post(TAKE, json={}, headers=OWN).json()["taken_by"] == "Mira"


def test_a_token_acts_in_its_own_name_unless_it_may_for_others(
    entrance: Entrance, new_client: NewClient
) -> None:
    gate = new_client(bearer=entrance.token("gate", "act"))
    assert gate.post(TAKE, json={"by": "Tomas"}).json()["taken_by"] == "gate"
    badge = new_client(bearer=entrance.token("badge reader", "act", others=True))
    assert badge.post(OTHER, json={"by": "Tomas"}).json()["taken_by"] == "Tomas"
    deeds = [(who, by) for who, _, by, _ in entrance.did()]
    assert deeds == [("gate", None), ("badge reader", "Tomas")]


@pytest.mark.parametrize("body", [b"", b"[]", b"null", b'"x"', b"{", b'{"by":' + b"[" * 30_000, b"\xff"])
def test_a_body_that_fits_nothing_is_refused_with_words(
    entrance: Entrance, new_client: NewClient, body: bytes
) -> None:
    client = new_client(bearer=entrance.token("gate", "act"))
    for path in (TAKE, SUPPLY):
        answer = client.post(path, content=body)
        assert answer.status_code == 422, path
        assert answer.json()["detail"]


@pytest.mark.parametrize("path", ["overheard", "overheard/stop", "tryout", "tryout/stop", "brokers"])
def test_what_is_said_at_a_broker_is_for_administrators(
    entrance: Entrance, new_client: NewClient, path: str
) -> None:
    client = new_client(bearer=entrance.token("line lead", "act"))
    for ask in (client.get, client.post):
        assert ask(f"/api/v1/{path}").status_code == 403
    assert new_client(bearer=entrance.token("boss", "admin")).get(f"/api/v1/{path}").status_code == 404


def test_an_administrator_reads_who_did_what(entrance: Entrance, new_client: NewClient) -> None:
    client = signed_in(entrance, new_client(), role="read")
    client.post(TAKE, json={"by": "x"}, headers=OWN)
    sign_in(new_client(), password="wrong wrong wrong")
    rows = new_client(bearer=entrance.token("boss", "admin")).get("/api/v1/audit").json()
    assert [(row["who"], row["kind"], row["did"], row["answer"]) for row in rows] == [
        ("command line", "terminal", "make token boss, role admin", None),
        ("Mira", "nobody", "sign in", 401),
        ("Mira", "account", f"POST {TAKE}", 403),
        ("Mira", "account", "sign in", 200),
        ("command line", "terminal", "make account Mira, role read", None),
    ]
    assert rows[2]["address"] == "10.0.0.9"
    assert PASSWORD not in str(rows)


def test_a_secret_in_the_address_opens_nothing(entrance: Entrance, new_client: NewClient) -> None:
    secret = entrance.token("gate", "admin")
    for name in ("token", "access_token", "key", "authorization", "bearer"):
        assert new_client().get("/api/v1/lines", params={name: secret}).status_code == 401
        assert new_client().post(TAKE, params={name: secret}, json={"by": "x"}).status_code == 401


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"origin": "https://evil.example"},
        {"origin": "null"},
        {"origin": "http://testserver:8081", "sec-fetch-site": "same-site"},
        {"sec-fetch-site": "same-site"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "none"},
        {"origin": "http://testserver", "sec-fetch-site": "cross-site"},
    ],
)
def test_a_session_acts_from_our_own_page_only(
    entrance: Entrance, new_client: NewClient, floor: Floor, headers: dict[str, str]
) -> None:
    client = signed_in(entrance, new_client())
    for path in (TAKE, SUPPLY, "/sign-out"):
        assert client.post(path, json={"by": "x", "change": "loaded"}, headers=headers).status_code == 403
    form = {"name": "Mira", "password": PASSWORD}
    assert new_client().post("/sign-in", data=form, headers=headers).status_code == 403
    assert floor.notes["n-L3-P2-T2"].state == "open"
    assert client.get("/api/v1/lines").status_code == 200


def test_a_tool_with_a_token_need_not_say_where_it_is_from(entrance: Entrance, new_client: NewClient) -> None:
    assert new_client(bearer=entrance.token("gate", "act")).post(TAKE, json={}).status_code == 200


def test_unknown_and_wrong_and_ended_get_the_same_answer(entrance: Entrance, new_client: NewClient) -> None:
    for name in ("Mira", "Tomas"):
        entrance.knows(name, "act")
    end_account(entrance.keyring, "Tomas", now=entrance.now)
    tries = [("Mira", "wrong wrong wrong"), ("Nobody", "wrong wrong wrong"), ("Tomas", PASSWORD), ("", "")]
    answers = [sign_in(new_client(address=f"10.0.0.{n}"), *tried) for n, tried in enumerate(tries)]
    texts = {
        answer.text.replace(f'value="{name}"', "") for answer, (name, _) in zip(answers, tries, strict=True)
    }
    assert len({text.replace('value=""', "") for text in texts}) == 1
    assert [answer.status_code for answer in answers] == [401] * 4
    assert all("set-cookie" not in answer.headers for answer in answers)


def test_wrong_expired_ended_and_foreign_tokens_get_the_same_answer(
    entrance: Entrance, new_client: NewClient
) -> None:
    expired = entrance.token("short", "admin", days=1)
    ended = entrance.token("gone", "admin")
    end_token(entrance.keyring, "gone", now=entrance.now)
    living = entrance.token("gate", "admin")
    entrance.wait(24 * 3600)
    foreign = living[:-1] + ("A" if living[-1] != "A" else "B")
    session_as_token = "A" * 43
    answers = [
        new_client(bearer=secret).get("/api/v1/audit")
        for secret in (expired, ended, foreign, session_as_token, "", "x", living.upper(), f"{living} ")
    ]
    assert [answer.status_code for answer in answers] == [401] * 7 + [200]
    assert len({answer.text for answer in answers[:7]}) == 1


def test_guessing_a_password_ends_soon_and_even_the_right_one_waits(
    entrance: Entrance, new_client: NewClient
) -> None:
    entrance.knows("Mira", "act")
    guesser = new_client()
    codes = [
        sign_in(guesser, password=f"guess number {n}").status_code for n in range(SIGN_IN_HERE.burst + 3)
    ]
    assert codes == [401] * SIGN_IN_HERE.burst + [429] * 3
    late = sign_in(guesser)
    assert late.status_code == 429
    assert 0 < int(late.headers["retry-after"]) <= 20
    assert sign_in(new_client(address="10.0.0.77")).status_code == 303  # the person herself, elsewhere
    entrance.wait(20)
    assert sign_in(guesser).status_code == 303


def test_guessing_tokens_ends_soon_and_keeps_nobody_out_who_was_in(
    entrance: Entrance, new_client: NewClient
) -> None:
    known = new_client(bearer=entrance.token("gate", "read"))
    assert known.get("/api/v1/lines").status_code == 200
    guesser = new_client(bearer="eb_" + "A" * 43)
    codes = {guesser.get("/api/v1/lines").status_code for _ in range(WRONG_KEY.burst)}
    assert codes == {401}
    asked = entrance.keyring.asked
    refused = guesser.get("/api/v1/lines")
    assert (refused.status_code, int(refused.headers["retry-after"])) == (429, 3)
    assert entrance.keyring.asked <= asked + 1
    assert known.get("/api/v1/lines").status_code == 200


def test_acts_have_a_pace(entrance: Entrance, new_client: NewClient) -> None:
    client = new_client(bearer=entrance.token("loop", "act"))
    codes = [client.post(TAKE, json={}).status_code for _ in range(ACT.burst + 1)]
    assert codes == [200] * ACT.burst + [429]
    entrance.wait(1)
    assert client.post(TAKE, json={}).status_code == 200


def test_while_the_store_is_away_whoever_was_in_goes_on_and_nobody_new_comes_in(
    entrance: Entrance, new_client: NewClient
) -> None:
    known, new = (new_client(bearer=entrance.token(name, "read")) for name in ("old", "new"))
    assert known.get("/api/v1/lines").status_code == 200
    entrance.keyring.broken = StoreError("down")
    entrance.wait(60)
    asked = entrance.keyring.asked
    assert [known.get("/api/v1/lines").status_code for _ in range(3)] == [200] * 3
    assert entrance.keyring.asked == asked + 1, "each question may hang"
    answer = new.get("/api/v1/lines")
    assert (answer.status_code, answer.headers["retry-after"]) == (503, "2")
    assert new.get("/healthz").status_code == new.get("/readyz").status_code == 200
    assert sign_in(new_client()).status_code == 503
    entrance.wait(300)
    assert known.get("/api/v1/lines").status_code == 503


def test_the_page_says_who_one_is_and_what_one_may(entrance: Entrance, new_client: NewClient) -> None:
    page = signed_in(entrance, new_client(), role="read").get("/", headers=HTML).text
    assert 'data-by="Mira" data-role="read"' in page
    assert "Signed in as Mira, who may look but not act" in page
    assert 'action="/sign-out"' in page
    assert "You may look." in page


def test_markup_in_a_name_is_text(entrance: Entrance, new_client: NewClient) -> None:
    entrance.knows('<b>"x', "act")
    page = sign_in(new_client(), '<b>"x', "wrong wrong wrong").text
    assert "<b>" not in page.replace("<body", "")
    client = signed_in(entrance, new_client(address="10.0.0.8"), name='<b>"x')
    assert "<b>" not in client.get("/", headers=HTML).text


def test_pages_with_a_form_name_themselves_to_us_and_nobody_else(
    entrance: Entrance, new_client: NewClient
) -> None:
    """With `no-referrer` browsers would send `Origin: null` along with a form."""
    client = new_client()
    assert client.get("/sign-in").headers["referrer-policy"] == "same-origin"
    assert signed_in(entrance, client).get("/").headers["referrer-policy"] == "same-origin"
    assert client.get("/api/v1/lines").headers["referrer-policy"] == "no-referrer"


@pytest.mark.parametrize(
    ("host", "allowed"),
    [
        ("127.0.0.1:8080", True), ("localhost:8080", True), ("[::1]:8080", True), ("plantpc:8080", True),
        ("bell.ferrow.example", True), ("evil.example", False), ("evil.example.:8080", False),
    ],
)  # fmt: skip
def test_where_all_is_open_a_site_whose_name_leads_here_does_nothing(host: str, allowed: bool) -> None:
    app, floor = plant(door=Entrance(open_here=True).door, public_url="https://bell.ferrow.example/")
    client = TestClient(app)
    headers = {"host": host, "origin": f"http://{host}", "sec-fetch-site": "same-origin"}
    answer = client.post(TAKE, json={"by": "x"}, headers=headers)
    assert answer.status_code == (200 if allowed else 403)
    assert (floor.notes["n-L3-P2-T2"].state == "taken") == allowed
    for path in ("/api/v1/lines", "/api/v1/events", "/metrics"):
        assert client.get(path, headers={"host": host}).status_code == (200 if allowed else 403)


@pytest.mark.parametrize("body", ['{"by": "Boss", "x": NaN}', '{"by": "Boss", "x": -Infinity}', "", "[]"])
def test_nobody_is_another_by_a_body_that_only_some_read(
    entrance: Entrance, floor: Floor, new_client: NewClient, body: str
) -> None:
    client = new_client(bearer=entrance.token("mira", "act"))
    assert client.post(TAKE, content=body).status_code == 422
    assert floor.notes["n-L3-P2-T2"].taken_by is None


@pytest.mark.parametrize("role", ["read", "act"])
def test_who_is_refused_often_enough_doesnt_roll_the_audit_over(
    entrance: Entrance, new_client: NewClient, role: str
) -> None:
    client = new_client(bearer=entrance.token("mira", role))
    asked = [client.post("/api/v1/notices/x/take", json={}).status_code for _ in range(2 * ACT.burst)]
    refused = asked.count(429)
    assert refused >= ACT.burst // 2
    assert sum(did.startswith("POST") for _, did, _, _ in entrance.did()) == len(asked) - refused


def test_signing_out_with_an_invented_session_writes_nothing(
    entrance: Entrance, new_client: NewClient
) -> None:
    ended: list[bytes] = []
    entrance.keyring.end_session = ended.append  # type: ignore[method-assign, assignment]
    headers = {"origin": "http://testserver", "cookie": "earlybell=" + "x" * 43}
    assert new_client().post("/sign-out", headers=headers).status_code == 303
    assert ended == []
