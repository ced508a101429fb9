"""Every route that the app has, asked by who must not be answered: a new route is among them by itself."""

import json
import re

import pytest
from page_in_browser import serving
from starlette.routing import Mount, Route

FREE = {
    "/stop",
    "/wheel",
    "/task/1/give-up",
    "/run/wish",
}
"""Routes beside the machine's, the runs' and the barrels' that every window may use: to stop, to slow down, to take over."""
STEERED = ("/machine/", "/run/", "/records/")
STRANGE = (
    b"",
    b"null",
    b"[]",
    b"x=1&what=jog",
    b'{"what":null,"id":{},"value":[],"drop":7,"axis":"Q","by":1e309,"run":-1,"n":"x","sign":9}',
    b"[" * 5000,
    b"\xff\xfe\x00",
)


def _paths(routes, before=""):
    """Every (method, path), with 1 in the place of a number and x in that of a name."""
    for route in routes:
        if isinstance(route, Mount):
            yield from _paths(route.routes, before + route.path)
        elif isinstance(route, Route):
            path = re.sub(r"\{\w+:int\}", "1", before + route.path)
            path = re.sub(r"\{\w+(:path)?\}", "x", path)
            for method in sorted((route.methods or set()) - {"HEAD"}):
                yield method, path


@pytest.fixture(scope="module")
def alone(tmp_path_factory):
    """A server of an empty folder, with a journal of its own."""
    folder = tmp_path_factory.mktemp("alone")
    with serving(folder, journal=folder / "runs.db") as one:
        yield one


@pytest.fixture(scope="module")
def asked(alone):
    """Every method and path of the app."""
    found = list(_paths(alone.opened.server.config.app._app.routes))
    assert len(found) > 80
    return found


@pytest.fixture
def posts(asked):
    return [path for method, path in asked if method == "POST"]


def test_no_route_answers_without_the_secret(alone, asked):
    name = alone.cookie().partition("=")[0]
    own = {"Origin": alone.base, "Cookie": f"{name}={'a' * 43}"}
    for method, path in asked:
        if path != "/enter":
            status, _, _ = alone.ask(method, path, headers=own, body=b"{}", entered=False)
            assert (path, status) == (path, 401)


def test_no_route_answers_to_a_foreign_name(alone, asked):
    for method, path in asked:
        status, _, _ = alone.ask(
            method, path, headers={"Origin": alone.base}, body=b"{}", host="evil.example"
        )
        assert (path, status) == (path, 421)


@pytest.mark.parametrize(
    "sent",
    [
        {"Origin": "http://evil.example"},
        {"Origin": "null", "Content-Type": "application/x-www-form-urlencoded"},
        {"Content-Type": "text/plain"},
    ],
)
def test_no_other_site_changes_anything(alone, posts, sent):
    """A form of another site sends its origin or none; a browser that calls it another site is told off, too."""
    for path in posts:
        assert (path, alone.ask("POST", path, headers=sent, body=b"what=stop")[0]) == (path, 403)
        same = {"Origin": alone.base, "Sec-Fetch-Site": "cross-site"}
        assert (path, alone.ask("POST", path, headers=same, body=b"{}")[0]) == (path, 403)


def test_nothing_is_changed_by_looking(alone, asked):
    """What a link or a picture of another site could call: a GET has no body, and there is none for what changes."""
    readable = {path for method, path in asked if method == "GET"}
    assert not readable & {path for method, path in asked if method == "POST"}
    assert {method for method, _ in asked} == {"GET", "POST"}


def test_the_machine_obeys_the_window_that_steers_alone(alone, posts):
    steering = alone.opened.context.steering
    steering.opened("the first window")
    assert steering.take("the first window", over=True)
    try:
        for window in ("another", "", "the first window."):
            own = {"Origin": alone.base, "X-Window": window}
            refused = {
                path
                for path in posts
                if b"another window steers" in alone.ask("POST", path, headers=own, body=b"{}")[2]
            }
            assert refused == {path for path in posts if path.startswith(STEERED)} - FREE
            # Going on is steering, too; pausing is not.
            status, _, words = alone.ask("POST", "/run/wish", headers=own, body=b'{"wish": "go on"}')
            assert (status, b"another window steers" in words) == (422, True)
        assert steering.holder == "the first window"
    finally:
        steering.leave("the first window")
        steering.closed("the first window")


def test_no_strange_words_are_a_mistake_of_ours(alone, posts):
    own = {"Origin": alone.base, "X-Window": "a window"}
    for path in posts:
        for body in STRANGE:
            status, headers, words = alone.ask("POST", path, headers=own, body=body)
            assert status in (200, 422), (path, body, words)
            if status == 422:
                said = json.loads(words)
                assert headers["content-type"].startswith("application/json")
                assert b"Traceback" not in words
                assert said
