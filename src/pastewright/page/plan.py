"""The plan screen's routes: planning, looking, wishes into job.toml, what-if, and the program's course."""

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pastewright.job.edit import (
    DoseWish,
    JobWish,
    Whom,
    changed_lines,
    with_fitted,
    with_form,
    with_turn,
    with_wish,
)
from pastewright.job.model import LaidAs, LayTurn
from pastewright.job.read import job_beside, job_place
from pastewright.page.answers import done, given, number_of, ready_json, text_of
from pastewright.page.board import asked_board
from pastewright.page.context import PageContext
from pastewright.page.desk import PLACEMENT_FILE
from pastewright.page.listed import stamp_of
from pastewright.page.plan_work import AskedPlan, kept_view, plan_into, play_view, what_if_view
from pastewright.page.workers import Kept
from pastewright.problems import one_error
from pastewright.profile.accept import accepted
from pastewright.profile.keys import Value, key_at
from pastewright.writing import write_text

WHAT_IFS = (
    "tip.gauge",
    "tip.bore_mm",
    "tip.length_mm",
    "dose.foil_mm",
    "paste.alloy",
    "paste.powder_type",
    "paste.metal_wt_percent",
    "barrel.size",
    "barrel.fill_ml",
)
"""What the what-if form offers, as far as the table of keys has it."""


FORM_WISHES: dict[str, LaidAs | None] = {**{str(each): each for each in LaidAs}, "usual form": None}
"""What the card of a pad calls a wish how it is laid."""


class PlanRoom:
    """The views that were made last, and of what."""

    def __init__(self, context: PageContext) -> None:
        self._context = context
        self.view = Kept(context.works, "plan-view", "Opening the plan")
        self.play = Kept(context.works, "play", "Reading the program back")
        self.what_if, self.said = b"", ""

    def asked(self) -> AskedPlan:
        """Return what is to be planned by the choices of the folder; raises `InputError` where something is missing."""
        desk = self._context.desk
        board = asked_board(desk)
        bench = desk.bench
        if bench is None:
            raise one_error("there is no bench in this folder yet", "Make one under Bench.")
        placement = desk.folder / PLACEMENT_FILE if desk.placed else None
        return AskedPlan(
            board=replace(board, bench=bench), bench=bench, job=job_beside(board.source), placement=placement
        )

    def folder(self) -> Path:
        """Return where the plan of the chosen side lies, or will."""
        return self._context.desk.plan_folder(self._context.desk.side)

    def plan(self) -> int:
        """Plan anew; returns the task's number."""
        asked = self.asked()

        def keep(said: str) -> None:
            self.said = said
            self.view.forget()
            self._context.show_desk()

        words = f"Planning the {asked.board.side} side"
        return self._context.works.begin("plan", words, plan_into, asked, self.folder(), then=keep)

    def look(self) -> int:
        """Make the view of the plan that lies there; 0 where it is fresh. Raises `InputError` where there is none."""
        folder = self.folder()
        if not (folder / "plan.json").is_file():
            raise one_error("this side is not planned yet", "Plan it.")
        asked = self._asked_or_none()
        stamps = [stamp_of(path) for path in (folder, *(() if asked is None else _files(asked)))]
        return self.view.begin((folder, asked, stamps), kept_view, folder, asked)

    def begin_what_if(self, values: Mapping[str, Value]) -> int:
        """Plan with other values of the bench, and keep the view apart."""

        def keep(view: bytes) -> None:
            self.what_if = view

        asked = replace(self.asked(), values=dict(values))
        return self._context.works.begin("what-if", "What if", what_if_view, asked, then=keep)

    def begin_play(self) -> int:
        """Make the program's course; 0 where it is fresh."""
        folder, bench = self.folder(), self._context.desk.bench
        if bench is None:
            raise one_error("there is no bench in this folder yet", "Make one under Bench.")
        return self.play.begin((folder, stamp_of(folder), stamp_of(bench)), play_view, folder, bench)

    def _asked_or_none(self) -> AskedPlan | None:
        desk = self._context.desk
        return self.asked() if desk.source is not None and desk.bench is not None else None


def _files(asked: AskedPlan) -> tuple[Path, ...]:
    return (asked.bench, asked.board.source, *(() if asked.job is None else (asked.job,)))


def job_text_now(source: Path) -> str:
    """Return the text of a job that may not be there yet."""
    path = job_place(source)
    try:
        return path.read_text(encoding="utf-8") if path.is_file() else ""
    except (OSError, UnicodeDecodeError):
        raise one_error("the job cannot be read", "Look at it in an editor.", file=str(path)) from None


def wished(text: str, data: Mapping[str, Any]) -> str:
    """Return a job's text with the wish that a browser sent."""
    ref, what = text_of(data, "ref"), text_of(data, "what")
    if what in set(LayTurn):
        return with_turn(text, ref, LayTurn(what))
    if what in ("fitted", "not fitted"):
        return with_fitted(text, ref, fitted=what == "fitted")
    who = Whom(ref=ref, pin=text_of(data, "pin"), pad_id=text_of(data, "pad"))
    if what in FORM_WISHES:
        return with_form(text, who, FORM_WISHES[what])
    if what not in set(DoseWish):
        raise one_error(f"{what!r} is no wish")
    wish = JobWish(
        what=DoseWish(what),
        ref=who.ref,
        pin=who.pin,
        pad_id=who.pad_id,
        value=number_of(data, "value"),
        note=text_of(data, "note"),
    )
    if wish.value is None and wish.what in (DoseWish.VOLUME, DoseWish.SCALE, DoseWish.COVERAGE):
        raise one_error("the wish has no number", "Type how much.")
    return with_wish(text, wish)


def what_if_values(data: Mapping[str, Any]) -> dict[str, Value]:
    """Return values by key of those that the form offers; raises `InputError` for others and for wrong ones."""
    values: dict[str, Value] = {}
    for path, value in data.items():
        key = key_at(path)
        if key is None or path not in WHAT_IFS:
            raise one_error(f"{path!r} is not offered here")
        values[path] = accepted(key, value)
    if not values:
        raise one_error("nothing is changed", "Change a value first.")
    return values


def routes(context: PageContext) -> list[Route]:
    """Return what the screen asks for."""
    room = PlanRoom(context)
    return [*_planning(context, room), *_trying(context, room), *_playing(room)]


def _planning(context: PageContext, room: PlanRoom) -> list[Route]:
    async def plan(_request: Request) -> Response:
        return done({"task": await run_in_threadpool(room.plan)})

    async def look(_request: Request) -> Response:
        return done({"task": await run_in_threadpool(room.look), "said": room.said})

    async def view(_request: Request) -> Response:
        return ready_json(_there(room.view.result))

    async def wish(request: Request) -> Response:
        """Show what would change in job.toml, or write it."""
        data = await given(request)

        def made() -> dict[str, Any]:
            source = asked_board(context.desk).source
            before = job_text_now(source)
            after = wished(before, data)
            lines = [{"sign": line.sign, "text": line.text} for line in changed_lines(before, after)]
            if data.get("write") is True and after != before:
                write_text(job_place(source), after, what="the job", mend="Look at the folder's rights.")
            return {"file": job_place(source).name, "new": not before, "lines": lines}

        return done(await run_in_threadpool(made))

    async def placed(request: Request) -> Response:
        context.desk.placed = (await given(request)).get("placed") is True
        await run_in_threadpool(context.show_desk)
        return done()

    return [
        Route("/plan", plan, methods=["POST"]),
        Route("/look", look, methods=["POST"]),
        Route("/view", view),
        Route("/wish", wish, methods=["POST"]),
        Route("/placed", placed, methods=["POST"]),
    ]


def _trying(context: PageContext, room: PlanRoom) -> list[Route]:
    async def offers(_request: Request) -> Response:
        keys = [key for path in WHAT_IFS if (key := key_at(path)) is not None]
        values = await run_in_threadpool(context.desk.bench_values)
        return done(
            [
                {
                    "path": key.path,
                    "comment": key.comment,
                    "unit": key.unit,
                    "kind": str(key.kind),
                    "choices": list(key.choices),
                    "accepts": key.accepts,
                    "value": values.get(key.path),
                }
                for key in keys
            ]
        )

    async def what_if(request: Request) -> Response:
        values = what_if_values(await given(request))
        return done({"task": await run_in_threadpool(room.begin_what_if, values)})

    async def what_if_shown(_request: Request) -> Response:
        return ready_json(_there(room.what_if))

    return [
        Route("/offers", offers),
        Route("/what-if", what_if, methods=["POST"]),
        Route("/what-if/view", what_if_shown),
    ]


def _playing(room: PlanRoom) -> list[Route]:
    async def play(_request: Request) -> Response:
        return done({"task": await run_in_threadpool(room.begin_play)})

    async def play_shown(_request: Request) -> Response:
        return ready_json(_there(room.play.result))

    return [
        Route("/play", play, methods=["POST"]),
        Route("/play/view", play_shown),
    ]


def _there(view: bytes) -> bytes:
    if not view:
        raise one_error("there is nothing to show yet", "Plan the board first.")
    return view
