"""The gate before the pages: who is let in, what is refused, and what every answer carries."""

from __future__ import annotations

import re
from datetime import timedelta
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from tests.support.houses import Lodge, lodge

ABROAD = '[pages]\naddress = "192.0.2.10"\n'
"""An address that other machines reach; the test client does not care that it is not this machine's."""
OTHER = "http://farm.example:8467"


def csrf_of(text: str) -> str:
    """Return a form token of a page."""
    found = re.search(r'name="csrf" value="([0-9a-f]+)"', text)
    assert found is not None
    return found.group(1)


def sign_in(client: TestClient, who: str, password: str) -> int:
    """Sign in as a person does, and return the status."""
    token = csrf_of(client.get("/sign-in").text)
    return int(client.post("/sign-in", data={"csrf": token, "who": who, "password": password}).status_code)


@pytest.fixture
def home(tmp_path: Path) -> Lodge:
    """Return a farm on loopback with radish to uncover."""
    house = lodge(tmp_path)
    house.sow("1", "radish", 6, "cellar/1/1", days_ago=2)
    return house


@pytest.fixture
def abroad(tmp_path: Path) -> Lodge:
    """Return a farm that other machines reach, with a password for Ines."""
    house = lodge(tmp_path, more=ABROAD)
    house.doors.set_password("ines", "salt and light")
    return house


def test_loopback_is_open_and_says_so(home: Lodge) -> None:
    """No password is asked for at this machine, and the page says that."""
    answer = home.client().get("/")

    assert answer.status_code == 200
    assert "Open to everybody at this machine" in answer.text


def test_another_sites_name_for_this_machine_is_refused(home: Lodge) -> None:
    """A name that somebody else has pointed at 127.0.0.1 gets nothing (DNS rebinding)."""
    answer = home.client(base_url="http://rebound.example:8467").get("/")

    assert answer.status_code == 421
    assert "radish" not in answer.text


def test_a_proxy_before_an_open_address_is_refused(home: Lodge) -> None:
    """What came through a proxy is not from this machine, however it looks."""
    answer = home.client().get("/", headers={"X-Forwarded-For": "198.51.100.7"})

    assert answer.status_code == 421
    assert "behind_proxy = true" in answer.text


@pytest.mark.parametrize(
    "headers",
    [
        pytest.param({"Origin": "http://evil.example"}, id="another origin"),
        pytest.param({"Origin": "null"}, id="no origin to speak of"),
        pytest.param({"Sec-Fetch-Site": "cross-site"}, id="the browser says so"),
        pytest.param({"Sec-Fetch-Site": "same-site"}, id="another port of this machine"),
    ],
)
def test_a_form_of_another_site_changes_nothing(home: Lodge, headers: dict[str, str]) -> None:
    """Even with the right form token."""
    client = home.client()
    token = csrf_of(client.get("/").text)
    before = home.ledger.version()

    answer = client.post("/rounds/all", data={"csrf": token, "shelf": "*", "nonce": "n"}, headers=headers)

    assert answer.status_code == 403
    assert home.ledger.version() == before


@pytest.mark.parametrize("token", ["", "00" * 32, "nothex", "ab" * 31])
def test_a_form_without_its_token_changes_nothing(home: Lodge, token: str) -> None:
    """A wrong, missing or garbled token is refused with the way out."""
    client = home.client()
    client.get("/")
    before = home.ledger.version()

    answer = client.post("/rounds/all", data={"csrf": token, "shelf": "*", "nonce": "n"})

    assert answer.status_code == 403
    assert "reload the page" in answer.text
    assert home.ledger.version() == before


def test_a_form_token_of_another_session_is_none(home: Lodge) -> None:
    """The token of one browser does not open another's."""
    token = csrf_of(home.client().get("/").text)
    other = home.client()
    other.get("/")

    assert other.post("/sign-in", data={"csrf": token, "who": "tomek"}).status_code == 403


def test_form_tokens_differ_from_page_to_page(home: Lodge) -> None:
    """They are masked anew, so that a compressed page gives nothing away."""
    client = home.client()

    assert csrf_of(client.get("/").text) != csrf_of(client.get("/").text)


def test_every_answer_carries_the_headers(home: Lodge) -> None:
    """A strict policy without inline script or style; nothing is framed, sniffed or stored."""
    for path in ("/", "/sign-in", "/no-such-page", "/static/traywarden.css"):
        headers = home.client().get(path).headers

        assert headers["content-security-policy"].startswith("default-src 'self';")
        assert "unsafe" not in headers["content-security-policy"]
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["x-frame-options"] == "DENY"
        assert headers["referrer-policy"] == "same-origin"


def test_pages_hold_no_inline_script_or_style(home: Lodge) -> None:
    """What the policy forbids is not there in the first place."""
    for path in ("/", "/sign-in"):
        text = home.client().get(path).text

        assert not re.search(r"<style|style=|\son\w+=|<script(?![^>]*src=)", text)


def test_the_cookie_is_out_of_reach_of_scripts_and_other_sites(home: Lodge) -> None:
    """HttpOnly and SameSite always; Secure where HTTPS is spoken."""
    said = home.client().get("/").headers["set-cookie"]

    assert "HttpOnly" in said
    assert "SameSite=Lax" in said
    assert "Secure" not in said


def test_under_https_the_cookie_is_secure(tmp_path: Path) -> None:
    """Behind a proxy that speaks HTTPS."""
    house = lodge(tmp_path, more='[pages]\nbehind_proxy = true\nurl = "https://farm.example"\n')
    house.doors.set_password("ines", "salt and light")
    said = house.client(base_url="https://farm.example").get("/sign-in").headers

    assert "; Secure" in said["set-cookie"]
    assert "strict-transport-security" in said


def test_a_proxy_may_ask_under_its_own_name(tmp_path: Path) -> None:
    """The browser's origin is the address that farm.toml names, the host that of this machine."""
    house = lodge(tmp_path, more='[pages]\nbehind_proxy = true\nurl = "https://farm.example"\n')
    house.doors.set_password("ines", "salt and light")
    client = house.client(base_url="https://127.0.0.1:8467")  # what the proxy asks for, on behalf of the browser
    proxy = {"Origin": "https://farm.example", "X-Forwarded-For": "198.51.100.7"}
    token = csrf_of(client.get("/sign-in", headers=proxy).text)
    form = {"csrf": token, "who": "ines", "password": "salt and light"}

    evil = client.post("/sign-in", data=form, headers={**proxy, "Origin": "https://evil.example"})
    own = client.post("/sign-in", data=form, headers=proxy)

    assert evil.status_code == 403
    assert own.status_code == 303


def test_a_cookie_that_somebody_altered_is_none(abroad: Lodge) -> None:
    """Sessions are signed."""
    client = abroad.client(base_url=OTHER)
    assert sign_in(client, "ines", "salt and light") == 303
    cookie = client.cookies["traywarden"]
    assert client.get("/").status_code == 200
    client.cookies.set("traywarden", cookie[:-3] + ("AAA" if cookie[-3:] != "AAA" else "BBB"))

    assert client.get("/").status_code == 303


def test_elsewhere_everybody_signs_in_first(abroad: Lodge) -> None:
    """Pages lead to the sign-in and back; programs are told how; neither sees anything."""
    client = abroad.client(base_url=OTHER)

    page, events = client.get("/?x=1"), client.get("/events")

    assert (page.status_code, page.headers["location"]) == (303, "/sign-in")
    assert events.status_code == 401
    assert sign_in(client, "ines", "salt and light") == 303
    assert "You write as <strong>ines</strong>" in client.get("/").text


def test_after_signing_in_one_is_where_one_wanted_to_go(abroad: Lodge) -> None:
    """The page that was asked for first, and only ever one of ours."""
    client = abroad.client(base_url=OTHER)
    client.get("/batch/12")
    token = csrf_of(client.get("/sign-in").text)

    answer = client.post("/sign-in", data={"csrf": token, "who": "ines", "password": "salt and light"})

    assert answer.headers["location"] == "/batch/12"


@pytest.mark.parametrize(("who", "password"), [("ines", "wrong words"), ("tomek", "salt and light"), ("nobody", "x")])
def test_a_wrong_password_lets_nobody_in(abroad: Lodge, who: str, password: str) -> None:
    """Neither does another's, nor a name that is not there; all are told the same."""
    client = abroad.client(base_url=OTHER)

    assert sign_in(client, who, password) == 403
    assert client.get("/").status_code == 303


def test_guessing_is_slowed_down(abroad: Lodge) -> None:
    """After six wrong tries there is a pause, for the right password too; it ends by itself."""
    client = abroad.client(base_url=OTHER)
    for _ in range(6):
        assert sign_in(client, "ines", "guess") == 403

    assert sign_in(client, "ines", "salt and light") == 429
    abroad.clock.set(abroad.clock() + timedelta(minutes=5))
    assert sign_in(client, "ines", "salt and light") == 303


def test_whoever_came_in_while_it_was_open_signs_in_once_there_are_passwords(home: Lodge) -> None:
    """Also under the name of somebody who has none."""
    client = home.client()
    client.post("/sign-in", data={"csrf": csrf_of(client.get("/sign-in").text), "who": "tomek"})
    assert client.get("/").status_code == 200

    home.doors.set_password("ines", "salt and light")

    assert client.get("/").status_code == 303


def test_tokens_cannot_be_guessed_either(abroad: Lodge) -> None:
    """There is a pause after some wrong ones, for the right one too."""
    token = abroad.doors.new_token("wall", "device", "tomek", now=abroad.clock())
    client = abroad.client(base_url=OTHER)

    def try_token(said: str) -> int:
        form = {"csrf": csrf_of(client.get("/sign-in").text), "token": said}
        return int(client.post("/sign-in", data=form).status_code)

    assert [try_token(f"tw_{number}") for number in range(6)] == [403] * 6
    assert try_token(token) == 429


def test_a_new_password_ends_old_sessions(abroad: Lodge) -> None:
    """Whoever signed in with the old one has to sign in again."""
    client = abroad.client(base_url=OTHER)
    sign_in(client, "ines", "salt and light")
    assert client.get("/").status_code == 200

    abroad.doors.set_password("ines", "another few words")

    assert client.get("/").status_code == 303


def test_signing_out_ends_the_session(abroad: Lodge) -> None:
    """By a form of its own."""
    client = abroad.client(base_url=OTHER)
    sign_in(client, "ines", "salt and light")

    client.post("/sign-out", data={"csrf": csrf_of(client.get("/sign-in").text)})

    assert client.get("/").status_code == 303


def test_a_read_only_token_looks_and_writes_nothing(abroad: Lodge) -> None:
    """By header, as programs do, and in a browser."""
    abroad.sow("1", "radish", 6, "cellar/1/1", days_ago=2)
    token = abroad.doors.new_token("reports", "read-only", None, now=abroad.clock())
    client = abroad.client(base_url=OTHER)
    header = {"Authorization": f"Bearer {token}"}
    before = abroad.ledger.version()

    page = client.get("/", headers=header)
    answer = client.post("/rounds/all", data={"shelf": "*", "nonce": "n", "shown": "1"}, headers=header)

    assert page.status_code == 200
    assert ">Done<" not in page.text
    assert answer.status_code == 403
    assert abroad.ledger.version() == before


def test_a_device_token_writes_in_its_persons_name_until_it_is_ended(abroad: Lodge) -> None:
    """A tablet on the wall: put in once, and out of use at once when ended."""
    token = abroad.doors.new_token("wall", "device", "tomek", now=abroad.clock())
    client = abroad.client(base_url=OTHER)
    form = {"csrf": csrf_of(client.get("/sign-in").text), "token": token}
    assert client.post("/sign-in", data=form).status_code == 303
    assert "You write as <strong>tomek</strong>" in client.get("/").text

    abroad.doors.end_token("wall")

    assert client.get("/").status_code == 303
    assert client.get("/", headers={"Authorization": f"Bearer {token}"}).status_code == 401


def test_what_people_typed_is_escaped(home: Lodge) -> None:
    """A farm, a lot or a reason may hold any letters; none of them becomes markup."""
    from monitor.ledger import EntryKind, NewEntry

    home.enter(
        NewEntry(kind=EntryKind.HELD, at=home.clock(), by="ines", batch="1", data={"why": "<script>alert(1)</script>"})
    )

    text = home.client().get("/").text

    assert "<script>alert" not in text
    assert "&lt;script&gt;alert(1)" in text


def test_a_body_beyond_all_is_refused(home: Lodge) -> None:
    """It is not read to its end."""
    client = home.client()
    client.get("/")

    answer = client.post("/sign-in", content=b"x" * (13 * 1024 * 1024))

    assert answer.status_code == 413


def test_where_the_doors_cannot_be_read_nobody_is_let_in(abroad: Lodge) -> None:
    """A broken file is no open door, and is said."""
    client = abroad.client(base_url=OTHER)
    sign_in(client, "ines", "salt and light")
    (abroad.farm.storage.folder / "doors.json").write_text("{", encoding="utf-8")

    answer = client.get("/")

    assert answer.status_code == 503
    assert "restore it" in answer.text


def test_on_an_open_machine_people_say_who_they_are(home: Lodge) -> None:
    """The name is kept, and entries bear it."""
    client = home.client()
    token = csrf_of(client.get("/sign-in").text)

    client.post("/sign-in", data={"csrf": token, "who": "tomek"})

    assert "You write as <strong>tomek</strong>" in client.get("/").text
    assert client.post("/sign-in", data={"csrf": token, "who": "mallory"}).status_code == 422


def test_a_browser_that_asks_for_an_icon_gets_it(abroad: Lodge) -> None:
    """Pages to print have no frame to name it, and a missing one is an error in the console; nobody signs in for it."""
    answer = abroad.client(base_url=OTHER).get("/favicon.ico")

    assert answer.status_code == 200
    assert answer.headers["content-type"] == "image/svg+xml"
