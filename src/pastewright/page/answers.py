"""Requests to values and values to answers; what is wrong goes back as problems, with what, where and how to mend."""

import json
from collections.abc import Awaitable, Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, Response

from pastewright.problems import InputError, Problem, one_error

MOST_JSON_BYTES = 1_000_000
"""What a form sends is far smaller (own choice)."""


def problem_rows(problems: Iterable[Problem]) -> list[dict[str, Any]]:
    """Return problems ready for JSON, each once."""
    return [
        {
            "what": each.what,
            "mend": each.mend,
            "severity": each.severity,
            "file": each.file,
            "line": each.line,
        }
        for each in dict.fromkeys(problems)
    ]


def done(data: Any = None) -> Response:
    """Return the answer to what was done."""
    return JSONResponse({} if data is None else data)


def ready_json(text: bytes) -> Response:
    """Return JSON that is text already: large views are encoded where they are made."""
    return Response(text, media_type="application/json")


def ready_view(
    view: Callable[[], bytes], nothing: str = "there is nothing to show yet"
) -> Callable[[Request], Awaitable[Response]]:
    """Return what answers with a view once it was made, and before that with `nothing`."""

    async def shown(_request: Request) -> Response:
        if not (text := view()):
            raise one_error(nothing)
        return ready_json(text)

    return shown


async def picture(path: Path, media_type: str) -> Response:
    """Return a picture that a command's function has written; raises `InputError` where there is none."""
    if not path.is_file():
        raise one_error("there is no such picture")
    return Response(await run_in_threadpool(path.read_bytes), media_type=media_type)


async def wrong_input(_request: Request, error: Exception) -> Response:
    """Return the answer to an `InputError`: 422 with its problems."""
    assert isinstance(error, InputError)
    return JSONResponse({"problems": problem_rows(error.problems)}, status_code=422)


async def mistake(_request: Request, _error: Exception) -> Response:
    """Return the answer to a mistake of our own; the server tells its traceback in the terminal."""
    words = "this is a mistake of pastewright itself, not yours; its details stand in the terminal. Please report it."
    return Response(words, status_code=500, media_type="text/plain")


async def given(request: Request) -> Mapping[str, Any]:
    """Return the object that a request holds; raises `InputError` for anything else."""
    body = bytearray()
    async for part in request.stream():
        body += part
        if len(body) > MOST_JSON_BYTES:
            raise one_error("this is too long for a form")
    try:
        data = json.loads(body or b"{}")
    except (ValueError, RecursionError):
        raise one_error("this is not JSON") from None
    if not isinstance(data, dict):
        raise one_error("this is no JSON object")
    return data


def text_of(data: Mapping[str, Any], name: str, *, most: int = 1000) -> str:
    """Return a text of what was given, "" without; raises `InputError` for what is none."""
    value = data.get(name, "")
    if not isinstance(value, str) or len(value) > most:
        raise one_error(f"{name} is no text of at most {most} letters")
    return value


def number_of(data: Mapping[str, Any], name: str) -> float | None:
    """Return a number of what was given, None without; raises `InputError` for what is none."""
    value = data.get(name)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, int | float) or not abs(value) < 1e12:
        raise one_error(f"{name} is no number")
    return float(value)
