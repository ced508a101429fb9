"""The tune screen's routes: a sheet designed, its photos read, a wrong dot left out, the fit looked at and accepted."""

import json
from collections.abc import Awaitable, Callable, Mapping
from datetime import date
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pastewright.page.answers import done, given, number_of, picture, ready_view, text_of
from pastewright.page.bench import bench_file, text_now
from pastewright.page.context import PageContext
from pastewright.page.desk import SHEET_FILE, SHEETS
from pastewright.page.listed import PLAN_FILE, named_of, stamp_of, thing_id
from pastewright.page.tune_work import (
    RESIDUALS_FILE,
    design_into,
    fit_of,
    leave_out,
    read_into,
    sheet_view,
)
from pastewright.page.uploads import Drops, free_place, photo_routes
from pastewright.page.workers import Kept
from pastewright.problems import one_error
from pastewright.profile.edit import write_profile
from pastewright.tune.record.profile_update import with_entry
from pastewright.work.tuning import FitAsked

PHOTOS = "photos"
MOST_NAME = 60
MEASURES = {"block_mg": (1.0, 1e6), "stiffness_n_mm": (1.0, 1e6), "temperature_c": (-20.0, 80.0)}
"""What may be said of a sheet beside its photos, and its least and most, as the command's options have them."""


class TuneRoom:
    """The sheet that is worked on, what was measured, and the fit that waits to be accepted."""

    def __init__(self, context: PageContext) -> None:
        self._context = context
        self.sheet = Kept(context.works, "sheet", "Opening the sheet")
        self.fit = b""
        self._meant = 0
        """Counts what makes a fit that is under way one of something else: it is not kept."""

    @property
    def folder(self) -> Path:
        """Where the sheet lies."""
        return self._context.desk.sheet

    def look(self) -> int:
        """Make the view of the sheet; raises `InputError` where there is none yet."""
        folder = self.folder
        if not (folder / SHEET_FILE).is_file():
            raise one_error("no sheet was designed yet", "Design one.")
        return self.sheet.begin((folder.name, stamp_of(folder)), sheet_view, folder)

    def choose(self, name: str) -> None:
        """Work on another sheet of the folder."""
        self._context.desk.choose_sheet(name)
        self._changed()

    def design(self, name: str, plan: str) -> int:
        """Design a sheet for the bench, in a folder of its own: one that was laid may still be photographed.

        `plan` is the id of the plan whose board it is for; empty for none.
        """
        desk = self._context.desk
        for_plan = desk.plan_named(plan).path / PLAN_FILE if plan else None
        folder = free_place(desk.folder, SHEETS)
        seed = 1 + len(desk.sheets())  # the same dots in the same order would tell less

        def keep(_view: bytes) -> None:
            desk.use_sheet(folder)
            self._changed()

        return self._context.works.begin(
            "design",
            "Designing a sheet",
            design_into,
            bench_file(desk),
            folder,
            name,
            seed,
            for_plan,
            then=keep,
        )

    def read(self, photos: list[Path]) -> int:
        """Measure photos of the sheet."""

        def keep(_view: bytes) -> None:
            self._changed()
            self._context.show_desk()

        return self._context.works.begin(
            "photos", "Measuring the dots", read_into, self.folder, photos, then=keep
        )

    def take(self, photo: Path) -> None:
        """Measure a photo that a phone took."""
        if not (self.folder / SHEET_FILE).is_file():
            raise one_error("there is no sheet to photograph yet", "Design one first, under Tune.")
        self.read([photo])

    def without(self, name: str, index: int) -> None:
        """Leave a dot out; raises `InputError` where the window that asks shows another sheet."""
        if name != thing_id(self.folder):
            raise one_error("another sheet is worked on by now", "Look at it, and choose again.")
        leave_out(self.folder, index)
        self._changed()

    def begin_fit(self, data: Mapping[str, Any]) -> int:
        """Fit the constants to what was measured on this sheet, and on others that are named with it."""
        others = data.get("others", [])
        if not isinstance(others, list):
            raise one_error("others are no list of sheets")
        known = self._context.desk.sheets()
        folders = [self.folder, *(named_of(known, str(each)).path for each in others)]
        asked = FitAsked(
            dated=date.today().isoformat(),
            lot=text_of(data, "lot", most=MOST_NAME),
            block_mg=_measure(data, "block_mg"),
            stiffness_n_mm=_measure(data, "stiffness_n_mm"),
            temperature_c=_measure(data, "temperature_c"),
        )
        meant = self._meant

        def keep(fit: bytes) -> None:
            if meant == self._meant:
                self.fit = fit

        bench = bench_file(self._context.desk)
        return self._context.works.begin(
            "fit", "Fitting the constants", fit_of, bench, folders, asked, then=keep
        )

    def accept(self) -> None:
        """Write the fit that was looked at into the bench's file."""
        if not self.fit:
            raise one_error("nothing was fitted yet", "Fit what was measured first.")
        path = bench_file(self._context.desk)
        write_profile(
            path, with_entry(text_now(path), json.loads(self.fit)["entry"]), "Look at the folder's rights."
        )
        self.fit = b""
        self._context.show_desk()

    def _changed(self) -> None:
        self.fit = b""
        self._meant += 1
        self.sheet.forget()


def _measure(data: Mapping[str, Any], name: str) -> float | None:
    value = number_of(data, name)
    low, high = MEASURES[name]
    if value is not None and not low <= value <= high:
        raise one_error(f"{name} is {value:g}; it must be {low:g} to {high:g}", "Look at its unit.")
    return value


def routes(context: PageContext) -> list[Route]:
    """Return what the screen asks for."""
    room = TuneRoom(context)
    context.photos["sheet"] = ("the tuning sheet", room.take)
    return [*_sheets(context, room), *_fitting(room)]


def _sheets(context: PageContext, room: TuneRoom) -> list[Route]:
    drops = Drops(context.desk.folder)
    context.at_end.append(drops.close)

    async def look(_request: Request) -> Response:
        return done({"task": await run_in_threadpool(room.look)})

    async def design(request: Request) -> Response:
        data = await given(request)
        name, plan = text_of(data, "name"), text_of(data, "plan")
        return done({"task": await run_in_threadpool(room.design, name, plan)})

    async def choose(request: Request) -> Response:
        name = text_of(await given(request), "sheet")
        await run_in_threadpool(room.choose, name)
        return done()

    async def without(request: Request) -> Response:
        data = await given(request)
        index, name = number_of(data, "index"), text_of(data, "sheet")
        await run_in_threadpool(room.without, name, int(index or 0))
        return done()

    return [
        Route("/look", look, methods=["POST"]),
        Route("/view", ready_view(lambda: room.sheet.result, "no sheet was opened yet")),
        Route("/design", design, methods=["POST"]),
        Route("/choose", choose, methods=["POST"]),
        *photo_routes(drops, lambda: room.folder / PHOTOS, room.read),
        Route("/without", without, methods=["POST"]),
        Route("/overlay/{number:int}.png", _pictures(room, "overlay-{number}.png", "image/png")),
    ]


def _fitting(room: TuneRoom) -> list[Route]:
    async def fit(request: Request) -> Response:
        data = await given(request)
        return done({"task": await run_in_threadpool(room.begin_fit, data)})

    async def accept(_request: Request) -> Response:
        await run_in_threadpool(room.accept)
        return done()

    return [
        Route("/fit", fit, methods=["POST"]),
        Route("/fit/view", ready_view(lambda: room.fit or b"null")),
        Route("/accept", accept, methods=["POST"]),
        Route("/residuals.svg", _pictures(room, RESIDUALS_FILE, "image/svg+xml")),
    ]


def _pictures(room: TuneRoom, name: str, kind: str) -> Callable[[Request], Awaitable[Response]]:
    """Return what answers with a picture of the sheet's folder; the number in its name is a number, and no path."""

    async def shown(request: Request) -> Response:
        return await picture(room.folder / name.format(number=request.path_params.get("number", 0)), kind)

    return shown
