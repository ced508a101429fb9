"""Who is answered: this host under its own name, our own page, whoever holds the secret of this start.

A page of another site that the same browser shows can send requests here, and another user of the same computer can
open a socket. Neither may read or move anything:

| who tries | what stops it |
|---|---|
| a foreign name that resolves to 127.0.0.1 (rebinding) | `Host` must be ours |
| a form or script of another site | `Origin` must be ours, the cookie is SameSite=Strict, no CORS header is ever sent |
| a socket of another site | there are no WebSockets; the handshake is refused |
| a frame around our page | frame-ancestors 'none', X-Frame-Options |
| another user of this computer | the secret of this start, in an HttpOnly cookie; its key is never in a process list |
| another user's server on another port, which browsers tell our cookie | a change needs a word that our scripts alone read |
| words of a file shown as markup | script and style from our own files only |
"""

from collections.abc import Awaitable, Callable, MutableMapping
from hmac import compare_digest
from http.cookies import CookieError, SimpleCookie
from secrets import token_urlsafe
from typing import Any

Scope = MutableMapping[str, Any]
Receive = Callable[[], Awaitable[MutableMapping[str, Any]]]
Send = Callable[[MutableMapping[str, Any]], Awaitable[None]]
App = Callable[[Scope, Receive, Send], Awaitable[None]]

SECRET_BYTES = 32
"""256 bits: nobody guesses it while a server runs (common practice)."""
MOST_BODY_BYTES = 64_000_000
"""A photo of 50 Mpx as JPEG or a board maker's zip takes less than half (own choice); a larger body is not read."""
CONTENT_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob: data:; connect-src 'self';"
    " media-src 'self' blob:; manifest-src 'self'; form-action 'none'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = (
    ("content-security-policy", CONTENT_POLICY),
    ("x-content-type-options", "nosniff"),
    ("x-frame-options", "DENY"),
    ("referrer-policy", "no-referrer"),
    ("cross-origin-opener-policy", "same-origin"),
    ("cross-origin-resource-policy", "same-origin"),
    ("cache-control", "no-store"),
)
SAFE = frozenset({"GET", "HEAD"})
ENTRY, STOP = "/enter", "/stop"
WORD_HEADER = "x-door"
"""Every change but a stop has it: a machine must be stopped by whoever can."""


class DoorKeys:
    """The secrets of one start: `key` opens the door once a browser has it, `secret` is what the cookie holds then.

    The cookie's name has the port in it, since browsers share cookies among all ports of a host (RFC 6265, 8.5). So
    whoever gets a browser to look at another port has the cookie; `word` is what our own window says besides, "" where
    none is asked for.
    """

    def __init__(self, port: int) -> None:
        self.key, self.secret = token_urlsafe(SECRET_BYTES), token_urlsafe(SECRET_BYTES)
        self.word = token_urlsafe(SECRET_BYTES)
        self.cookie = f"pastewright-{port}"

    def opens(self, key: str) -> bool:
        """Tell whether this is the key."""
        return compare_digest(key.encode(), self.key.encode())

    def knows(self, cookies: str) -> bool:
        """Tell whether a Cookie header holds the secret."""
        try:
            held = SimpleCookie(cookies).get(self.cookie)
        except CookieError:
            return False
        return held is not None and compare_digest(held.value.encode(), self.secret.encode())

    def hears(self, word: str) -> bool:
        """Tell whether this is the word, or none is needed."""
        return not self.word or compare_digest(word.encode(), self.word.encode())

    def header(self) -> str:
        """Return the Set-Cookie header that lets a browser in."""
        return f"{self.cookie}={self.secret}; HttpOnly; SameSite=Strict; Path=/"


class TooLargeError(Exception):
    """A body went on beyond its limit."""


class Guard:
    """Stands before the app: refuses who must not be answered, and adds the headers that every answer has."""

    def __init__(self, app: App, *, hosts: frozenset[str], entry: DoorKeys) -> None:
        self._app, self._pass = app, entry
        self._hosts = hosts
        self._origins = frozenset(f"http://{host}" for host in hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one connection."""
        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
        elif scope["type"] == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 1008})
        else:
            await self._http(scope, receive, _with_headers(send))

    async def _http(self, scope: Scope, receive: Receive, send: Send) -> None:
        headers = {
            name.decode("latin-1").lower(): value.decode("latin-1") for name, value in scope["headers"]
        }
        refusal = self._refusal(scope["method"], scope["path"], headers)
        if refusal is not None:
            await _say(send, *refusal)
            return
        try:
            await self._app(scope, _limited(receive), send)
        except TooLargeError:
            await _say(send, 413, f"More than {MOST_BODY_BYTES // 1_000_000} MB is not taken.")

    def _refusal(self, method: str, path: str, headers: dict[str, str]) -> tuple[int, str] | None:
        """Return the status and words with which a request is refused; None lets it in."""
        if headers.get("host", "") not in self._hosts:
            return 421, "This server answers to its own name only."
        origin = headers.get("origin")
        if origin is not None and origin not in self._origins:
            return 403, "This request comes from another site."
        if method not in SAFE and origin is None:
            return 403, "A change must come from the page itself."
        if headers.get("sec-fetch-site", "same-origin") in ("cross-site", "same-site") and path != ENTRY:
            return 403, "This request comes from another site."
        if path != ENTRY and not self._pass.knows(headers.get("cookie", "")):
            return (
                401,
                "Open the page from the terminal that runs it: the address there lets this browser in.",
            )
        if method not in SAFE and path != STOP and not self._pass.hears(headers.get(WORD_HEADER, "")):
            return (
                403,
                "This window was not let in: open the page by the address in the terminal that runs it.",
            )
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > MOST_BODY_BYTES:
            return 413, f"More than {MOST_BODY_BYTES // 1_000_000} MB is not taken."
        return None


def _with_headers(send: Send) -> Send:
    """Return a `send` that adds our headers to the start of each answer, where the answer has none of its own."""

    async def sent(message: MutableMapping[str, Any]) -> None:
        if message["type"] == "http.response.start":
            own = list(message.get("headers", ()))
            has = {name.lower() for name, _ in own}
            own += [(name.encode(), words.encode()) for name, words in HEADERS if name.encode() not in has]
            message = {**message, "headers": own}
        await send(message)

    return sent


def _limited(receive: Receive) -> Receive:
    """Return a `receive` that ends a body which goes on beyond the limit, whatever its length was said to be."""
    total = 0

    async def received() -> MutableMapping[str, Any]:
        nonlocal total
        message = await receive()
        if message["type"] == "http.request":
            total += len(message.get("body", b""))
            if total > MOST_BODY_BYTES:
                raise TooLargeError
        return message

    return received


async def _say(send: Send, status: int, words: str) -> None:
    """Answer with a sentence."""
    body = words.encode()
    head = [(b"content-type", b"text/plain; charset=utf-8"), (b"content-length", str(len(body)).encode())]
    await send({"type": "http.response.start", "status": status, "headers": head})
    await send({"type": "http.response.body", "body": body})
