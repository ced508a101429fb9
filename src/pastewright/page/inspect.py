"""The inspect screen's routes: photos of a pasted board, what they show, wiping, touch-up; learning is in `learned`."""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pastewright.inspect.document import wipe_list
from pastewright.job.read import job_beside
from pastewright.link.batch import records
from pastewright.link.journal import Journal
from pastewright.page.answers import done, given, picture, ready_view, text_of
from pastewright.page.bench import bench_file
from pastewright.page.context import PageContext
from pastewright.page.desk import PLACEMENT_FILE
from pastewright.page.inspect_work import (
    CROPS,
    FRAMES_ENDING,
    INSPECTION_FILE,
    PhotoWork,
    bare_into,
    inspect_into,
    inspection_view,
    touch_up_into,
)
from pastewright.page.learned import ROW, LearnRoom, learning_routes
from pastewright.page.listed import PLAN_FILE, ListedPlan, stamp_of
from pastewright.page.room import room_of
from pastewright.page.uploads import Drops, free_place, photo_routes, plain_name
from pastewright.page.workers import Kept
from pastewright.problems import one_error
from pastewright.records.inspection import read_inspection
from pastewright.records.kinds import ProgramKind
from pastewright.work.touching_up import Touched

PHOTOS, TOUCH_UP = "photos", "touch-up"
TOPIC = "inspect"
MOST_BOARDS = 300
"""Names that are offered; others can be typed (own choice)."""


class InspectRoom:
    """Which board is looked at, what was found on it, and what of it is wiped."""

    def __init__(self, context: PageContext) -> None:
        self._context = context
        self.journal = room_of(context).journal
        self.view = Kept(context.works, "inspection", "Opening the inspection")
        self.touched = b""
        self._plan, self._board = "", ""
        self._wiped: frozenset[str] = frozenset()
        self._photos: tuple[Path, ...] = ()
        """Those of the board that a phone has sent: one more is looked at together with them."""
        self.tell()

    # -- which board ------------------------------------------------------------------------------------

    def plans(self) -> list[ListedPlan]:
        """Return the plans by which boards are laid."""
        laid = ProgramKind.BOARD  # a touch-up's plan does not tell what else should stand on the board
        return [each for each in self._context.desk.plans() if not each.head.dry and each.head.kind is laid]

    def plan(self) -> ListedPlan:
        """Return the plan that is chosen, else that of the side that is; raises `InputError` where there is none."""
        found = self.plans()
        if not found:
            raise one_error("nothing is planned yet", "Plan a side, under Plan.")
        return self._of(found)

    def _of(self, plans: Sequence[ListedPlan]) -> ListedPlan:
        """Return the one that is chosen among plans that are there."""
        side = str(self._context.desk.side)
        sides = [each for each in plans if each.head.board.side == side]
        return next((each for each in plans if each.id == self._plan), (sides or plans)[0])

    def folder(self) -> Path:
        """Return where the inspection of the chosen board lies, or will."""
        return self._inspection_of(self.plan())

    def _inspection_of(self, plan: ListedPlan) -> Path:
        return plan.path / ("inspection" + (f"-{plain_name(self._board)}" if self._board else ""))

    def choose(self, plan: str, board: str) -> None:
        """Look at this board from now on."""
        if plan:
            self._plan = self._context.desk.plan_named(plan).id
        if board and plain_name(board) != board:
            raise one_error(f"{board!r} is no board's name", "Letters, digits, and . ( ) + - _.")
        self._board = board
        self._forget()

    def boards(self) -> list[str]:
        """Return names of boards as the journal knows them: serials, and numbers of those laid by the chosen plan."""
        if not self.journal.is_file():
            return []
        program = self.plan().head.program_sha256
        journal = Journal(self.journal)
        try:
            serials = [str(row["serial"]) for row in records(journal) if row["runs"]]
            numbers = [str(row.number) for row in journal.runs() if row.program == program and not row.dry]
        finally:
            journal.close()
        return list(dict.fromkeys([*reversed(serials), *numbers]))[:MOST_BOARDS]

    def tell(self) -> None:
        """Tell every window which board is looked at, and what of it is wiped."""
        self._context.live.show(TOPIC, self._shown)

    def _shown(self) -> dict[str, Any]:
        plans = self.plans()
        chosen = self._of(plans) if plans else None
        return {
            "plans": [{"id": each.id, "name": each.name} for each in plans],
            "plan": chosen.id if chosen else "",
            "board": self._board,
            "seen": chosen is not None and (self._inspection_of(chosen) / INSPECTION_FILE).is_file(),
            "wiped": sorted(self._wiped),
        }

    def _forget(self) -> None:
        self._wiped, self._photos = frozenset(), ()
        self.touched = b""
        self.tell()

    # -- looking ----------------------------------------------------------------------------------------

    def look(self) -> int:
        """Make the view of the inspection; raises `InputError` where there is none yet."""
        plan = self.plan()
        folder = self._inspection_of(plan)
        if not (folder / INSPECTION_FILE).is_file():
            raise one_error("this board was not looked at yet", "Take a photo of it.")
        made_of = (folder, stamp_of(folder), stamp_of(plan.path / PLAN_FILE))
        return self.view.begin(made_of, inspection_view, plan.path, folder)

    def fresh(self) -> Path:
        """Return a folder of their own for photos that arrive together: a list of frames calls them by their names."""
        return free_place(self.folder() / PHOTOS, "sent")

    def keep_bare(self, photos: list[Path]) -> int:
        """Keep photos of the bare board for this and the next ones of its plan."""
        return self._context.works.begin(
            "bare",
            "Looking at the bare board",
            bare_into,
            self._work(tuple(photos)),
            then=lambda _count: None,
        )

    def inspect(self, photos: tuple[Path, ...]) -> int:
        """Look at photos of the chosen board, with a list of frames among them where there is one."""
        work = self._work(photos)

        def keep(_view: bytes) -> None:
            self.view.forget()
            if self._is_chosen(
                work.out
            ):  # else another board was chosen meanwhile, which has photos of its own
                self._forget()
                self._photos = photos

        return self._context.works.begin("inspect", "Looking at the board", inspect_into, work, then=keep)

    def _is_chosen(self, folder: Path) -> bool:
        """Tell whether the inspection in a folder is of the board that is looked at now."""
        plans = self.plans()
        return bool(plans) and self._inspection_of(self._of(plans)) == folder

    def _work(self, photos: tuple[Path, ...]) -> PhotoWork:
        source, plan = self._context.desk.source, self.plan()
        return PhotoWork(
            plan=plan.path,
            photos=photos,
            board=self._board,
            job=job_beside(source) if source is not None else None,
            out=self._inspection_of(plan),
            journal=self.journal,
        )

    def take(self, photo: Path) -> None:
        """Look at a photo that a phone took, together with those it sent of this board before."""
        self.inspect((*self._photos, photo))

    # -- mending ----------------------------------------------------------------------------------------

    def wipe(self, part: str, *, wiped: bool) -> None:
        """A part of the list is wiped, or is not after all."""

        def ticked() -> dict[str, Any]:
            self._wiped = self._wiped | {part} if wiped else self._wiped - {part}
            return self._shown()

        self._context.live.show(TOPIC, ticked)

    def touch_up(self, barrel: str, *, moved: bool) -> int:
        """Plan what is missing; what had to be wiped only once all of it is.

        A board that was `moved` since it was laid lies where the folder's placement says.
        """
        plan = self.plan()
        folder = self._inspection_of(plan)
        to_wipe = {part for part, _ in wipe_list(read_inspection(folder / INSPECTION_FILE))}
        asked = Touched(
            inspection=folder / INSPECTION_FILE,
            profile=bench_file(self._context.desk),
            plan=plan.path / PLAN_FILE,
            wiped=bool(to_wipe) and to_wipe <= self._wiped,
            left_ul=None,
            barrel=barrel,
            out=folder / TOUCH_UP,
            even_if_unverified=False,
            journal=self.journal,
            placement=self._context.desk.folder / PLACEMENT_FILE if moved else None,
        )

        def keep(view: bytes) -> None:
            if self._is_chosen(folder):
                self.touched = view
            self._context.show_desk()

        return self._context.works.begin("touch-up", "Planning a touch-up", touch_up_into, asked, then=keep)


def routes(context: PageContext) -> list[Route]:
    """Return what the screen asks for."""
    room = InspectRoom(context)
    learn = LearnRoom(context, room.plan, room.plans)
    context.photos["board"] = ("the pasted board", room.take)
    context.photos["row"] = _row_by_phone(context, learn)
    drops = Drops(context.desk.folder)
    context.at_end.append(drops.close)
    return [
        *_looking(room, drops),
        *_mending(room),
        *learning_routes(learn),
        *photo_routes(
            drops,
            lambda: context.desk.folder / ROW / PHOTOS,
            lambda photos: learn.check_row("", photos, refilled=learn.refilled),
            at="/row",
        ),
    ]


def _row_by_phone(context: PageContext, learn: LearnRoom) -> tuple[str, Callable[[Path], object]]:
    """Return what becomes of a phone's photo of a witness row: a batch that asks for one has it, else it is judged here."""
    words, answer = context.photos["row"]
    room = room_of(context)

    def take(photo: Path) -> None:
        if room.asks("row"):
            answer(photo)
        else:
            learn.take(photo)

    return words, take


def _looking(room: InspectRoom, drops: Drops) -> list[Route]:

    async def choose(request: Request) -> Response:
        data = await given(request)
        await run_in_threadpool(room.choose, text_of(data, "plan"), text_of(data, "board", most=60))
        return done()

    async def boards(_request: Request) -> Response:
        await run_in_threadpool(room.tell)
        return done(await run_in_threadpool(room.boards))

    async def look(_request: Request) -> Response:
        return done({"task": await run_in_threadpool(room.look)})

    async def crop(request: Request) -> Response:
        number, ending = int(request.path_params["number"]), str(request.path_params["ending"])
        if ending not in CROP_MEDIA:
            raise one_error("there is no such picture")
        return await picture(room.folder() / CROPS / f"{number}.{ending}", CROP_MEDIA[ending])

    return [
        Route("/choose", choose, methods=["POST"]),
        Route("/boards", boards),
        *photo_routes(drops, room.fresh, lambda photos: room.inspect(tuple(photos)), also=(FRAMES_ENDING,)),
        *photo_routes(drops, room.fresh, room.keep_bare, at="/bare"),
        Route("/look", look, methods=["POST"]),
        Route("/view", ready_view(lambda: room.view.result)),
        Route("/crop/{number:int}.{ending}", crop),
    ]


CROP_MEDIA = {"jpg": "image/jpeg", "svg": "image/svg+xml"}


def _mending(room: InspectRoom) -> list[Route]:
    async def wiped(request: Request) -> Response:
        data = await given(request)
        part, wiped = text_of(data, "part"), data.get("wiped") is True
        await run_in_threadpool(lambda: room.wipe(part, wiped=wiped))
        return done()

    async def touch_up(request: Request) -> Response:
        data = await given(request)
        barrel, moved = text_of(data, "barrel"), data.get("moved") is True
        return done({"task": await run_in_threadpool(lambda: room.touch_up(barrel, moved=moved))})

    return [
        Route("/wiped", wiped, methods=["POST"]),
        Route("/touch-up", touch_up, methods=["POST"]),
        Route("/touch-up/view", ready_view(lambda: room.touched)),
    ]
