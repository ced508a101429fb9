"""A phone may send photos and stop; its way in is used up by the first, and opens nothing else."""

import json
from http.client import HTTPConnection
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from page_in_browser import PHONE, serving, tab_of
from playwright.sync_api import Route


def asked(address, method, path, *, cookie="", origin=True, body=None):
    """Status, headers and body of a request to the phone's server."""
    host = urlsplit(address).netloc
    connection = HTTPConnection(host, timeout=20)
    headers = {"Cookie": cookie} if cookie else {}
    if method == "POST" and origin:
        headers["Origin"] = f"http://{host}"
    connection.request(method, path, body=body, headers=headers)
    answer = connection.getresponse()
    found = answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
    connection.close()
    return found


@pytest.fixture
def door(tmp_path):
    with serving(tmp_path, phone=True, phone_at="127.0.0.1") as served:
        yield served


def let_in(door):
    address = door.opened.phone.address
    split = urlsplit(address)
    status, headers, _ = asked(address, "GET", f"{split.path}?{split.query}")
    assert status == 200
    return address, headers["set-cookie"].split(";")[0]


def test_the_way_in_is_open_once(door):
    address, cookie = let_in(door)
    split = urlsplit(address)
    assert asked(address, "GET", f"{split.path}?{split.query}")[0] == 403
    assert asked(address, "GET", "/", cookie=cookie)[0] == 200
    assert asked(address, "GET", "/")[0] == 401
    assert door.opened.phone.address == ""
    assert door.ask("GET", "/phone.svg")[0] == 422


def test_the_code_leads_to_the_phones_page(door):
    status, headers, body = door.ask("GET", "/phone.svg")
    assert (status, headers["content-type"]) == (200, "image/svg+xml")
    assert b"<path" in body
    assert urlsplit(door.opened.phone.address).netloc != door.host


def test_what_a_phone_holds_opens_nothing_of_the_page(door):
    address, cookie = let_in(door)
    assert door.ask("GET", "/shell", entered=False, headers={"Cookie": cookie})[0] == 401
    for path in (
        "/shell",
        "/events",
        "/board/view",
        "/plan/plan",
        "/front/shell.js",
        "/wheel",
        "/bench/look",
    ):
        assert asked(address, "GET", path, cookie=cookie)[0] == 404
    for path in ("/wheel", "/bench/text", "/plan/plan", "/board/drop?drop=00000000&name=x"):
        assert asked(address, "POST", path, cookie=cookie, body=b"{}")[0] == 404


def test_stop_is_heard(door):
    stopped: list[str] = []
    door.opened.context.stops.append(stopped.append)
    address, cookie = let_in(door)
    assert asked(address, "POST", "/stop", cookie=cookie, origin=False, body=b"{}")[0] == 403
    assert stopped == []
    assert asked(address, "POST", "/stop", cookie=cookie, body=b"{}")[0] == 200
    assert stopped == ["the phone"]


def test_a_photo_goes_into_the_job(door):
    taken: list[Path] = []
    door.opened.context.photos["sheet"] = ("the tuning sheet", taken.append)
    address, cookie = let_in(door)
    kinds = json.loads(asked(address, "GET", "/kinds", cookie=cookie)[2])
    assert kinds == [
        {"id": "sheet", "name": "the tuning sheet"},
        {"id": "row", "name": "the witness row"},
        {"id": "board", "name": "the pasted board"},
    ]
    send = "/photo?kind=sheet&name=..%2f..%2fIMG_1.jpg"
    assert asked(address, "POST", send, cookie=cookie, body=b"\xff\xd8picture")[0] == 200
    assert [path.relative_to(door.folder).as_posix() for path in taken] == ["photos/IMG_1.jpg"]
    assert taken[0].read_bytes() == b"\xff\xd8picture"
    for wrong in ("kind=sheet&name=x.html", "kind=letter&name=x.jpg", "kind=sheet&name="):
        assert asked(address, "POST", f"/photo?{wrong}", cookie=cookie, body=b"x")[0] == 422
    # A board of which nothing is planned cannot be looked at.
    status, _, body = asked(address, "POST", "/photo?kind=board&name=b.jpg", cookie=cookie, body=b"x")
    assert (status, "nothing is planned" in json.dumps(json.loads(body))) == (422, True)


def test_the_phones_page_stops_by_touch(browser, door):
    stopped: list[str] = []
    door.opened.context.stops.append(stopped.append)
    context = browser.new_context(viewport=PHONE, has_touch=True)
    phone = context.new_page()
    phone.goto(door.opened.phone.address)
    phone.get_by_role("button", name="Stop").tap()
    phone.get_by_text("Stop was sent.").wait_for()
    assert stopped == ["the phone"]
    assert phone.evaluate("() => document.scrollingElement.scrollWidth") <= PHONE["width"]
    context.close()


def test_stop_stays_under_the_finger_while_the_page_comes_in(browser, door):
    stopped: list[str] = []
    door.opened.context.stops.append(stopped.append)
    context = browser.new_context(viewport=PHONE, has_touch=True)
    phone = context.new_page()
    late: list[Route] = []

    def hold(route: Route) -> None:
        late.append(route)

    phone.route("**/kinds", hold)
    with phone.expect_request("**/kinds"):
        phone.goto(door.opened.phone.address)
    stop = phone.get_by_role("button", name="Stop")
    before = stop.bounding_box()
    assert before is not None
    while not late:
        phone.wait_for_timeout(20)
    late[0].continue_()
    phone.get_by_text("Photo of the witness row").wait_for()
    assert stop.bounding_box() == before
    phone.touchscreen.tap(before["x"] + before["width"] / 2, before["y"] + before["height"] / 2)
    phone.get_by_text("Stop was sent.").wait_for()
    assert stopped == ["the phone"]
    context.close()


def test_the_start_screen_shows_the_code_until_a_phone_has_used_it(browser, door):
    with tab_of(browser, door) as tab:
        code = tab.get_by_role("img", name="QR code")
        code.wait_for()
        assert code.evaluate("(image) => image.decode().then(() => image.naturalWidth)") > 100
        let_in(door)
        tab.get_by_text("A phone is let in").wait_for()
        tab.reload()
        tab.get_by_text("A phone is let in").wait_for()
