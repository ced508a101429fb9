"""Nobody but our own page, in a browser that was let in, is answered."""

import json
import socket
from contextlib import suppress
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from threading import Thread
from typing import ClassVar

import pytest
from page_in_browser import tab_of

from pastewright.page.guard import MOST_BODY_BYTES, DoorKeys


def test_the_page_listens_on_the_loopback_only(served):
    port = int(served.host.partition(":")[2])
    with socket.socket() as other:
        other.settimeout(2)
        own = next(
            (
                a[4][0]
                for a in socket.getaddrinfo(socket.gethostname(), None, socket.AF_INET)
                if a[4][0] != "127.0.0.1"
            ),
            "127.0.0.2",
        )
        with pytest.raises(OSError):
            other.connect((own, port))


def test_an_own_request_is_answered(served):
    assert served.ask("GET", "/shell")[0] == 200
    assert served.ask("POST", "/stop", headers={"Origin": served.base}, body=b"{}")[0] == 200


@pytest.mark.parametrize("host", ["evil.example", "evil.example:80", "127.0.0.1", "127.0.0.1:1", ""])
def test_a_foreign_name_that_leads_here_is_refused(served, host):
    assert served.ask("GET", "/shell", host=host or "x")[0] == 421


@pytest.mark.parametrize("origin", ["http://evil.example", "null", "https://127.0.0.1", "http://127.0.0.1:1"])
def test_another_site_changes_nothing_and_reads_nothing(served, origin):
    assert served.ask("POST", "/stop", headers={"Origin": origin}, body=b"{}")[0] == 403
    status, headers, _ = served.ask("GET", "/shell", headers={"Origin": origin})
    assert status == 403
    assert not [name for name in headers if name.startswith("access-control")]


def test_a_change_without_an_origin_is_refused(served):
    """Every browser sends one with a POST; what does not is no page."""
    assert served.ask("POST", "/stop", body=b"{}")[0] == 403


@pytest.mark.parametrize("site", ["cross-site", "same-site"])
def test_what_a_browser_calls_another_site_is_refused(served, site):
    assert served.ask("GET", "/shell", headers={"Sec-Fetch-Site": site})[0] == 403


def test_without_the_secret_nothing_is_said(served):
    name = served.cookie().partition("=")[0]
    for cookie in ("", f"{name}=", f"{name}=guess", f"{name}={'a' * 43}", "pastewright=1", ";;=="):
        status, _, body = served.ask("GET", "/shell", entered=False, headers={"Cookie": cookie})
        assert (status, b"screens" in body) == (401, False)
    assert served.ask("GET", "/", entered=False)[0] == 401
    assert served.ask("GET", "/front/shell.js", entered=False)[0] == 401
    assert served.ask("GET", "/enter?key=guess", entered=False)[0] == 403


def test_each_start_has_its_own_secret():
    one, other = DoorKeys(8000), DoorKeys(8000)
    assert not one.opens(other.key)
    assert not one.knows(f"{other.cookie}={other.secret}")
    assert one.knows(f"{one.cookie}={one.secret}")


def test_the_cookie_stays_with_our_own_page(served):
    _, headers, _ = served.ask("GET", served.opened.address.removeprefix(served.base), entered=False)
    assert {"HttpOnly", "SameSite=Strict"} <= {part.strip() for part in headers["set-cookie"].split(";")}


def test_a_socket_is_refused(served):
    answer = served.ask(
        "GET",
        "/events",
        headers={
            "Connection": "Upgrade",
            "Upgrade": "websocket",
            "Sec-WebSocket-Version": "13",
            "Sec-WebSocket-Key": "AAAAAAAAAAAAAAAAAAAAAA==",
            "Origin": "http://evil.example",
        },
    )
    assert answer[0] == 403


def test_every_answer_forbids_frames_and_foreign_scripts(served):
    for path in ("/", "/shell", "/front/shell.js", "/nothing"):
        _, headers, _ = served.ask("GET", path)
        policy = headers["content-security-policy"]
        assert "frame-ancestors 'none'" in policy
        assert "default-src 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-frame-options"] == "DENY"


@pytest.mark.parametrize(
    "path",
    [
        "/front/../guard.py",
        "/front/%2e%2e/guard.py",
        "/front/..%2fguard.py",
        "/front//etc/passwd",
        "/front/%00",
        "/front/",
    ],
)
def test_no_file_but_those_of_the_front_end_is_given(served, path):
    status, _, body = served.ask("GET", path)
    assert status == 404
    assert b"import" not in body


def test_a_body_without_end_is_not_read(served):
    said = str(MOST_BODY_BYTES + 1)
    own = {"Origin": served.base}
    assert served.ask("POST", "/stop", headers={**own, "Content-Length": said}, body=b"")[0] == 413
    long = b'{"x":"' + b"a" * 2_000_000 + b'"}'
    assert served.ask("POST", "/wheel", headers=own, body=long)[0] == 422


def test_the_key_is_in_no_process_list(served):
    key = served.opened.address.partition("key=")[2]
    assert len(key) > 40
    listed = []
    for words in Path("/proc").glob("[0-9]*/cmdline"):
        with suppress(OSError):  # it has ended
            listed.append(words.read_bytes())
    assert listed
    assert not any(key.encode() in words for words in listed)


@pytest.mark.parametrize(
    "port", ["file:{}", "spy:///dev/null?file={}", "alt:///dev/null?class=x", "hwgrep://.*"]
)
def test_no_port_that_a_browser_names_writes_a_file(served, tmp_path, port):
    """URLs of the serial library that write logs (https://pyserial.readthedocs.io/en/latest/url_handlers.html)."""
    log = tmp_path / "log"
    body = json.dumps({"what": "connect", "port": port.format(log)}).encode()
    headers = {"Origin": served.base, "X-Window": "test"}
    status, _, answer = served.ask("POST", "/machine/do", headers=headers, body=body)
    served.ask("POST", "/wheel", headers=headers, body=b'{"leave": true}')
    assert (status, b"is no port" in answer, log.exists()) == (422, True, False)


class Thief(BaseHTTPRequestHandler):
    """A server of another user on this computer, which keeps what browsers tell it."""

    told: ClassVar[list[str]] = []

    def do_GET(self):
        Thief.told.append(self.headers.get("Cookie", ""))
        self.send_response(200)
        self.send_header("content-type", "text/html")
        self.end_headers()
        self.wfile.write(b"<title>x</title><p>hello")

    def log_message(self, *_words):
        return


def test_who_has_the_cookie_from_another_port_changes_nothing(browser, served):
    """Browsers tell cookies to every port of a host (RFC 6265, section 8.5); other scripts are kept apart by port."""
    thief = HTTPServer(("127.0.0.1", 0), Thief)
    thread = Thread(target=thief.serve_forever)
    thread.start()
    try:
        with tab_of(browser, served) as tab:
            assert tab.evaluate("() => localStorage.getItem('door')")
            other = tab.context.new_page()
            other.goto(f"http://127.0.0.1:{thief.server_port}/")
            assert other.evaluate("() => localStorage.getItem('door')") is None
            other.close()
            tab.get_by_role("link", name="Machine").click()  # our own window goes on
            tab.get_by_role("heading", name="Connection").wait_for()
    finally:
        thief.shutdown()
        thread.join()
        thief.server_close()
    cookie = next(told for told in Thief.told if "pastewright-" in told)
    assert cookie == served.cookie()
    own = {"Origin": served.base, "X-Window": "thief", "Cookie": cookie}
    for path in (
        "/machine/do",
        "/machine/step",
        "/run/begin",
        "/wheel",
        "/bench/text",
        "/board/drop?drop=00000000&name=x",
    ):
        for word in ({}, {"X-Door": ""}, {"X-Door": "guess"}):
            assert served.ask("POST", path, entered=False, headers={**own, **word}, body=b"{}")[0] == 403, (
                path
            )
    assert served.ask("POST", "/stop", entered=False, headers=own, body=b"{}")[0] == 200
