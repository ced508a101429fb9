"""The bench screen's routes: the profile as a form made of the table of keys that checks it, its text, its history."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pastewright.job.edit import changed_lines
from pastewright.page.answers import done, given, problem_rows, text_of
from pastewright.page.context import PageContext
from pastewright.page.desk import BENCH_FILE, WorkFolder
from pastewright.page.uploads import free_place
from pastewright.problems import InputError, Problem, one_error
from pastewright.profile.doubts import profile_warnings
from pastewright.profile.edit import with_values, write_profile
from pastewright.profile.examples import example_names, example_text
from pastewright.profile.keys import SECTIONS, Key, KeyKind, Section, Value, key_at
from pastewright.profile.read import parse_profile, toml_text
from pastewright.tune.record.pictures import drift_svg
from pastewright.tune.record.profile_update import drift_rows
from pastewright.writing import writing

MOST_TEXT = 500_000
BY_HAND = "Look at the folder's rights, or change it in an editor."


def bench_file(desk: WorkFolder) -> Path:
    """Return the file of the bench; raises `InputError` where there is none yet."""
    if desk.bench is None:
        raise one_error("there is no bench in this folder yet", "Begin with an example.")
    return desk.bench


def text_now(path: Path) -> str:
    """Return the text of the bench's file."""
    return toml_text(path, "profile", "Give the bench's .toml file.", "Begin with an example.")


def shown(desk: WorkFolder) -> dict[str, Any]:
    """Return the form: sections, keys, values; what is wrong or odd; the text; the history."""
    examples = list(example_names())
    if desk.bench is None:
        return {"file": "", "examples": examples}
    text, values = text_now(desk.bench), desk.bench_values()
    problems: tuple[Problem, ...] = ()
    history: list[dict[str, str]] = []
    try:
        profile = parse_profile(text, desk.bench.name)
        problems = profile_warnings(profile)
        history = drift_rows(profile.history)
    except InputError as error:
        problems = error.problems
    return {
        "file": desk.bench.name,
        "examples": examples,
        "good": not any(each.severity == "error" for each in problems),
        "problems": problem_rows(problems),
        "text": text,
        "history": history,
        "sections": [_section(section, values) for section in SECTIONS],
    }


def _section(section: Section, values: Mapping[str, Any]) -> dict[str, Any]:
    keys = [] if section.repeated else [_key(key, values.get(key.path)) for key in section.keys]
    return {"name": section.name, "about": section.about, "repeated": section.repeated, "keys": keys}


def _key(key: Key, value: Any) -> dict[str, Any]:
    return {
        "path": key.path,
        "name": key.name,
        "kind": str(key.kind),
        "unit": key.unit,
        "comment": key.comment,
        "accepts": key.accepts,
        "choices": list(key.choices),
        "need": str(key.need),
        "default": key.default,
        "value": value,
    }


def changes(data: Mapping[str, Any]) -> dict[str, Value | None]:
    """Return what a form changes, by path; null takes a key out of the file."""
    values = data.get("values")
    if not isinstance(values, dict) or not values:
        raise one_error("nothing is changed", "Change a value first.")
    for path, value in values.items():
        key = key_at(path)
        if key is None:
            raise one_error(f"a profile has no key {path}")
        if key.kind in (KeyKind.PAIRS, KeyKind.LIST):
            raise one_error(f"{path} is changed in the text", "Open the file as text, below.")
        if isinstance(value, list):
            values[path] = tuple(value)
    return values


def use_example(desk: WorkFolder, name: str) -> None:
    """Put an example bench into the folder, under a name that is free, and use it."""
    content = example_text(name)
    place = free_place(desk.folder, BENCH_FILE)
    with writing("the bench", place, BY_HAND):
        place.write_text(content, encoding="utf-8", newline="\n")
    desk.use_bench(place)


def routes(context: PageContext) -> list[Route]:
    """Return what the screen asks for."""
    desk = context.desk

    async def look(_request: Request) -> Response:
        return done(await run_in_threadpool(shown, desk))

    async def change(request: Request) -> Response:
        """Show which lines would change, or write them; what does not fit is told either way."""
        data = await given(request)

        def made() -> list[dict[str, str]]:
            path = bench_file(desk)
            before = text_now(path)
            after = with_values(before, changes(data), file=path.name)
            if data.get("write") is True:
                write_profile(path, after, BY_HAND)
                context.show_desk()
            return [{"sign": line.sign, "text": line.text} for line in changed_lines(before, after)]

        return done({"lines": await run_in_threadpool(made)})

    async def text(request: Request) -> Response:
        """Check a text, or write it."""
        data = await given(request)
        wanted = text_of(data, "text", most=MOST_TEXT)

        def made() -> list[dict[str, Any]]:
            path = bench_file(desk)
            profile = parse_profile(wanted, path.name)
            if data.get("write") is True:
                write_profile(path, wanted, BY_HAND)
                context.show_desk()
            return problem_rows(profile_warnings(profile))

        return done({"problems": await run_in_threadpool(made)})

    async def begin(request: Request) -> Response:
        """Put an example bench into the folder."""
        name = text_of(await given(request), "example")
        await run_in_threadpool(use_example, desk, name)
        return done()

    async def drift(_request: Request) -> Response:
        def drawn() -> str:
            return drift_svg(desk.profile().history)

        return Response(await run_in_threadpool(drawn), media_type="image/svg+xml")

    return [
        Route("/look", look),
        Route("/change", change, methods=["POST"]),
        Route("/text", text, methods=["POST"]),
        Route("/begin", begin, methods=["POST"]),
        Route("/drift.svg", drift),
    ]
