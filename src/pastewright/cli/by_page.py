"""Programs sent by the page's server that holds the port: asked for by a command, checked in the page's windows."""

import json
import os
import sys
from collections.abc import Callable, Iterator, Mapping
from http.client import HTTPConnection, HTTPException, HTTPResponse
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from pastewright.link.batch import SETTLED
from pastewright.page.front_files import word_in
from pastewright.page.guard import WORD_HEADER
from pastewright.page.listed import thing_id
from pastewright.problems import InputError, Problem, one_error
from pastewright.work.exits import DONE, FINDINGS
from pastewright.work.holder import HeldPort, held_error, held_words
from pastewright.work.printing.console import out as console
from pastewright.work.running.choice import program_meant
from pastewright.work.yes_or_no import yes

RUN, BATCH = "/run/begin", "/run/batch"
ANSWER_S = 30.0
QUIET_S = 20.0
"""The server says something at least every five seconds (`page.live.BEAT_S`)."""


def _server_ended() -> InputError:
    return one_error("the page's server ended", "What was laid is in the journal: pastewright runs")


class PageClient:
    """A command at the door of a page's server: let in by the address in its note, as a browser is."""

    def __init__(self, held: HeldPort) -> None:
        split = urlsplit(held.address)
        self._host, self._held = split.netloc, held
        self._headers = {
            "Host": split.netloc,
            "Origin": f"http://{split.netloc}",
            "X-Window": f"command-{os.getpid()}",
        }
        entered, page = self._ask("GET", f"{split.path}?{split.query}")
        self._headers["Cookie"] = str(entered.headers["set-cookie"]).split(";")[0]
        self._headers[WORD_HEADER] = word_in(page.decode())

    def post(self, path: str, data: Mapping[str, Any]) -> None:
        """Ask for something to be done; raises `InputError` with what the server refuses."""
        self._ask("POST", path, json.dumps(data).encode())

    def events(self) -> Iterator[tuple[str, Any]]:
        """Yield topics with their words, as windows hear them; ends with the server."""
        connection = HTTPConnection(self._host, timeout=QUIET_S)
        try:
            connection.request("GET", f"/events?window={self._headers['X-Window']}", headers=self._headers)
            answer, topic = connection.getresponse(), ""
            while raw := answer.readline():  # an empty line ends each message, nothing at all the stream
                line = raw.decode("utf-8").rstrip("\n")
                if line.startswith("event: "):
                    topic = line.removeprefix("event: ")
                elif line.startswith("data: "):
                    yield topic, json.loads(line.removeprefix("data: "))
        except (OSError, HTTPException, ValueError):
            return
        finally:
            connection.close()

    def heard(self, topic: str, true: Callable[[Any], object]) -> Any:
        """Return what the page tells of a topic, once it is so; raises `InputError` where the server ends before."""
        for name, told in self.events():
            if name == topic and true(told):
                return told
        raise _server_ended()

    def _ask(self, method: str, path: str, body: bytes | None = None) -> tuple[HTTPResponse, bytes]:
        connection = HTTPConnection(self._host, timeout=ANSWER_S)
        try:
            connection.request(method, path, body=body, headers=self._headers)
            answer = connection.getresponse()
            said = answer.read()
        except (OSError, HTTPException) as error:
            raise one_error(f"the page's server does not answer: {error}", "Look at its terminal.") from None
        finally:
            connection.close()
        if answer.status == 422:
            raise InputError(
                [
                    Problem(what=each["what"], mend=each["mend"], file=each["file"], line=each["line"])
                    for each in json.loads(said)["problems"]
                ]
            )
        if answer.status != 200:
            raise one_error(
                f"the page's server answered {answer.status}: {said.decode(errors='replace')[:200]}"
            )
        return answer, said


def cannot_hand_over(
    held: HeldPort, program: Path | None, profile: Path, options: Mapping[str, object]
) -> Problem | None:
    """Say why the page cannot do what a command was asked for, None where it can."""
    given = ", ".join(name for name, value in options.items() if value)
    if given:
        return Problem(
            what=f"the page sends whole programs: {given} cannot be handed over",
            mend="Disconnect it there first.",
        )
    for path in (profile, program):
        if path is not None and held.folder not in path.resolve().parents:
            return Problem(
                what="this lies elsewhere than the page works, so it cannot be handed over",
                mend=f"Copy it into {held.folder}, or disconnect there.",
                file=str(path),
            )
    return None


def done_by_page(
    held: HeldPort,
    what: str,
    program: Path | None,
    profile: Path,
    *,
    options: Mapping[str, object],
    data: Mapping[str, Any],
) -> int | None:
    """Offer to do it by the page that holds the port; returns the exit code, None where the person says no.

    `what` is "begin", a program, or "batch"; `options` are those that cannot be handed over.
    """
    if not _offered(held, cannot_hand_over(held, program, profile, options)):
        return None
    return _sent(held, program, profile, RUN if what == "begin" else BATCH, data)


def _offered(held: HeldPort, problem: Problem | None) -> bool:
    """Ask at a terminal whether the page is to do it; raises `InputError` where it cannot, or nobody can be asked."""
    if problem is not None:
        raise InputError([Problem(what=held_words(held), mend=""), problem])
    if not sys.stdin.isatty():
        raise held_error(held)
    return yes(f"{held_words(held)}. Send it by the page's server?")


def _sent(held: HeldPort, program: Path | None, profile: Path, path: str, data: Mapping[str, Any]) -> int:
    """Hand a program to the page's server and watch it to its end; returns the exit code."""
    client = PageClient(held)
    named = {} if program is None else {"program": thing_id(program_meant(program).resolve())}
    if client.heard("desk", bool)["bench"] != thing_id(profile.resolve()):
        raise one_error(
            "the page works with another bench",
            "Choose this one there, under Start.",
            file=str(profile),
        )
    client.post("/start/look", {})
    before, shown = client.heard("machine", bool)["works"], client.heard("run", bool)
    client.post(path, {**data, **named})
    client.post("/wheel", {"leave": True})
    console.print("Handed over: look at the page's Run screen and tick there what must be looked at.")
    console.print("[dim]Ctrl-C here ends nothing: stop is in every window of the page.[/]")
    return _watched(client, before, shown, is_batch=path == BATCH)


def _watched(client: PageClient, before: int, shown: Any, *, is_batch: bool) -> int:
    """Print what the page tells of the work until it is over; `before` works were begun, and `shown` is what the last run
    left on the screen. What is over already when this begins to listen is told all the same: each word is a whole one.
    """
    run = shown
    for topic, told in client.events():
        if topic == "run" and told != shown:
            if told["phase"] != run["phase"]:
                console.print(f"{told['phase']}{': ' + told['why'] if told['why'] else ''}", markup=False)
            run = told
        if topic == "machine" and told["works"] > before and not told["busy"]:
            for problem in told["problems"]:
                console.print(problem["what"], markup=False)
            last = client.heard("run", bool)
            if is_batch:
                done = all(row["state"] in SETTLED for row in last.get("batch", ()))
            else:
                done = last["phase"] == "finished"
            return DONE if done and not told["problems"] else FINDINGS
    raise _server_ended()
