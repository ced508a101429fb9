"""The tune screen's routes: a sheet designed, its photos read, a wrong dot left out, the fit looked at and accepted."""

import json
from collections.abc import Awaitable, Callable
from datetime import date
from pathlib import Path

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pastewright.page.answers import done, given, number_of, picture, ready_view, text_of
from pastewright.page.bench import bench_file, text_now
from pastewright.page.context import PageContext
from pastewright.page.listed import stamp_of
from pastewright.page.tune_work import (
    RESIDUALS_FILE,
    SHEET_FILE,
    design_into,
    fit_of,
    leave_out,
    read_into,
    sheet_view,
)
from pastewright.page.uploads import Drops, photo_routes
from pastewright.page.workers import Kept
from pastewright.problems import one_error
from pastewright.profile.edit import write_profile
from pastewright.tune.record.profile_update import with_entry

FOLDER = "tuning-sheet"
PHOTOS = "photos"
MOST_NAME = 60


class TuneRoom:
    """The sheet of the folder, what was measured, and the fit that waits to be accepted."""

    def __init__(self, context: PageContext) -> None:
        self._context = context
        self.folder = context.desk.folder / FOLDER
        self.sheet = Kept(context.works, "sheet", "Opening the sheet")
        self.fit = b""

    def look(self) -> int:
        """Make the view of the sheet; raises `InputError` where there is none yet."""
        if not (self.folder / SHEET_FILE).is_file():
            raise one_error("no sheet was designed yet", "Design one.")
        return self.sheet.begin(stamp_of(self.folder), sheet_view, self.folder)

    def design(self, name: str) -> int:
        """Design a sheet for the bench."""
        if not name or not name.isprintable() or len(name) > MOST_NAME:
            raise one_error(
                f"the sheet's name must be one line of 1 to {MOST_NAME} letters", "Choose another."
            )
        bench = bench_file(self._context.desk)
        return self._context.works.begin(
            "design", "Designing a sheet", design_into, bench, self.folder, name, then=self._told
        )

    def read(self, photos: list[Path]) -> int:
        """Measure photos of the sheet."""
        return self._context.works.begin(
            "photos", "Measuring the dots", read_into, self.folder, photos, then=self._told
        )

    def take(self, photo: Path) -> None:
        """Measure a photo that a phone took."""
        if not (self.folder / SHEET_FILE).is_file():
            raise one_error("there is no sheet to photograph yet", "Design one first, under Tune.")
        self.read([photo])

    def begin_fit(self) -> int:
        """Fit the constants to what was measured."""

        def keep(fit: bytes) -> None:
            self.fit = fit

        bench = bench_file(self._context.desk)
        day = date.today().isoformat()
        return self._context.works.begin(
            "fit", "Fitting the constants", fit_of, bench, self.folder, day, then=keep
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

    def _told(self, _view: bytes) -> None:
        self.fit = b""
        self.sheet.forget()


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
        name = text_of(await given(request), "name")
        return done({"task": await run_in_threadpool(room.design, name)})

    async def without(request: Request) -> Response:
        index = number_of(await given(request), "index")
        await run_in_threadpool(leave_out, room.folder, int(index or 0))
        room.sheet.forget()
        return done()

    return [
        Route("/look", look, methods=["POST"]),
        Route("/view", ready_view(lambda: room.sheet.result, "no sheet was opened yet")),
        Route("/design", design, methods=["POST"]),
        *photo_routes(drops, lambda: room.folder / PHOTOS, room.read),
        Route("/without", without, methods=["POST"]),
        Route("/overlay/{number:int}.png", _pictures(room, "overlay-{number}.png", "image/png")),
    ]


def _fitting(room: TuneRoom) -> list[Route]:
    async def fit(_request: Request) -> Response:
        return done({"task": await run_in_threadpool(room.begin_fit)})

    async def accept(_request: Request) -> Response:
        await run_in_threadpool(room.accept)
        return done()

    return [
        Route("/fit", fit, methods=["POST"]),
        Route("/fit/view", ready_view(lambda: room.fit, "nothing was fitted yet")),
        Route("/accept", accept, methods=["POST"]),
        Route("/residuals.svg", _pictures(room, RESIDUALS_FILE, "image/svg+xml")),
    ]


def _pictures(room: TuneRoom, name: str, kind: str) -> Callable[[Request], Awaitable[Response]]:
    """Return what answers with a picture of the sheet's folder; the number in its name is a number, and no path."""

    async def shown(request: Request) -> Response:
        return await picture(room.folder / name.format(number=request.path_params.get("number", 0)), kind)

    return shown
