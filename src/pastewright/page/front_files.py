"""The files of the front end, as answers: by names that are known, never by a path."""

import re
from collections.abc import Awaitable, Callable
from importlib.resources import files

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response

FRONT = files("pastewright.page") / "front"
KINDS = {
    ".html": "text/html; charset=utf-8",
    ".js": "text/javascript; charset=utf-8",
    ".css": "text/css; charset=utf-8",
    ".svg": "image/svg+xml",
}
_HEAD = '<!doctype html><html lang="en"><meta charset="utf-8"><title>pastewright</title><link rel="icon" href="data:,">'
LET_IN = f'{_HEAD}<meta http-equiv="refresh" content="0;url=/"><p>Opening …'
"""A page, not a redirect: a redirect that a file began is another site's, and takes no SameSite=Strict cookie along."""


def let_in(word: str) -> str:
    """Return the page that keeps a window's word where scripts of this port alone can read it, and leads on."""
    return f'{_HEAD}<meta name="door" content="{word}"><script type="module" src="/front/enter.js"></script><p>Opening …'


def word_in(page: str) -> str:
    """Return the word of a page that `let_in` made, "" without."""
    found = re.search(r'name="door" content="([\w-]+)"', page)
    return found[1] if found else ""


async def front(request: Request) -> Response:
    """Return a file of the front end: by parts that are names of its folders."""
    return _answer(request.path_params.get("file", "index.html"))


def front_file(name: str) -> Callable[[Request], Awaitable[Response]]:
    """Return what answers with one file."""

    async def answer(_request: Request) -> Response:
        return _answer(name)

    return answer


def _answer(name: str) -> Response:
    place = FRONT
    for part in name.split("/"):
        inside = {child.name: child for child in place.iterdir()} if place.is_dir() else {}
        if part not in inside:
            return PlainTextResponse("there is no such file", status_code=404)
        place = inside[part]
    kind = next((kind for ending, kind in KINDS.items() if place.name.endswith(ending)), "")
    if not place.is_file() or not kind:
        return PlainTextResponse("there is no such file", status_code=404)
    return Response(place.read_bytes(), media_type=kind)
