"""A served page, spoken to by a browser or by bare requests."""

import os
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from http.client import HTTPConnection
from pathlib import Path
from threading import Thread
from time import monotonic, sleep
from urllib.parse import urlsplit

from playwright.sync_api import Browser, ConsoleMessage, Request, expect
from playwright.sync_api import Page as Tab

from pastewright.page.desk import desk_of
from pastewright.page.front_files import word_in
from pastewright.page.serve import Opened, open_page

CHROMIUM = os.environ.get("CHROMIUM", "/usr/bin/chromium")
PATIENCE_MS = 300_000
"""For any one step: a machine that has other work may be slow, and nothing here is about time."""
expect.set_options(timeout=PATIENCE_MS)
DESKTOP, PHONE = {"width": 1280, "height": 800}, {"width": 390, "height": 844}


@dataclass(frozen=True, kw_only=True)
class Served:
    """A page that is being served: its folder, and a way to speak to it as any program can."""

    opened: Opened
    folder: Path

    @property
    def host(self) -> str:
        return urlsplit(self.opened.address).netloc

    @property
    def base(self) -> str:
        return f"http://{self.host}"

    def cookie(self) -> str:
        """The cookie that the entry gives."""
        return self._entered()[0]

    def _entered(self) -> tuple[str, str]:
        """The cookie and the word that the entry gives."""
        split = urlsplit(self.opened.address)
        status, headers, page = self.ask("GET", f"{split.path}?{split.query}", entered=False)
        assert status == 200
        return headers["set-cookie"].split(";")[0], word_in(page.decode())

    def ask(self, method, path, *, headers=None, body=None, entered=True, host=""):
        """Status, headers and body of a request with exactly these headers, as no browser has to send them."""
        connection = HTTPConnection(self.host, timeout=20)
        connection.putrequest(method, path, skip_host=True, skip_accept_encoding=True)
        sent = {"Host": host or self.host}
        if entered:
            sent["Cookie"], sent["X-Door"] = self._entered()
        sent |= headers or {}
        if body is not None:
            sent.setdefault("Content-Length", str(len(body)))
        for name, value in sent.items():
            connection.putheader(name, value)
        connection.endheaders()
        if body:
            connection.send(body)
        answer = connection.getresponse()
        found = answer.status, {k.lower(): v for k, v in answer.getheaders()}, answer.read()
        connection.close()
        return found


@contextmanager
def serving(folder: Path, **given) -> Iterator[Served]:
    """A server of a folder in a thread, ended afterwards."""
    opened = open_page(desk_of(folder), **given)
    thread = Thread(target=opened.run)
    thread.start()
    try:
        while not opened.server.started:
            sleep(0.01)
        yield Served(opened=opened, folder=folder)
    finally:
        opened.server.should_exit = True
        thread.join(20)
    assert not thread.is_alive()


@contextmanager
def tab_of(browser: Browser, served: Served, *, size=DESKTOP, scheme="light", **given) -> Iterator[Tab]:
    """A tab that was let in. It fails its test for any request to elsewhere, and for any error in its console."""
    context = browser.new_context(
        viewport=size, color_scheme=scheme, has_touch=size is PHONE, reduced_motion="reduce", **given
    )
    tab = context.new_page()
    tab.set_default_timeout(PATIENCE_MS)
    elsewhere: list[str] = []
    errors: list[str] = []

    def requested(request: Request) -> None:
        own = urlsplit(request.url).netloc == served.host or request.url.startswith(("data:", "blob:"))
        elsewhere.extend([] if own else [request.url])

    def said(message: ConsoleMessage) -> None:
        # The browser itself reports every refusal; the page shows it, and tests look there.
        wrong = message.type == "error" and "status of 422" not in message.text
        errors.extend([message.text] if wrong else [])

    tab.on("request", requested)
    tab.on("pageerror", lambda error: errors.append(str(error)))
    tab.on("console", said)
    tab.goto(served.opened.address)
    tab.wait_for_url(f"{served.base}/**")
    tab.wait_for_selector(".rail a")
    try:
        yield tab
    except BaseException as error:
        error.add_note(f"The tab at {tab.url} said:\n{tab.inner_text('body')}")
        raise
    context.close()
    assert not elsewhere, elsewhere
    assert not errors, errors


def until(true: Callable[[], object], seconds: float = 300.0) -> None:
    """Wait until something is so; what is waited for may come late on a loaded machine."""
    end_s = monotonic() + seconds
    while not true():
        assert monotonic() < end_s, "waited in vain"
        sleep(0.02)


def connected(tab: Tab, base: str, port: str) -> None:
    """Connect by the page's own words: a pretend machine's pace is no choice on the screen."""
    tab.goto(f"{base}/#machine")
    tab.get_by_role("heading", name="Connection").wait_for()
    tab.evaluate(
        """async (port) => {
          const server = await import('/front/server.js');
          await server.post('/wheel', { over: true });
          await server.post('/machine/do', { what: 'connect', port });
        }""",
        port,
    )
    tab.get_by_text("● connected").wait_for()
