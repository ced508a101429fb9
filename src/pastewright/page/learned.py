"""What boards teach, on the inspect screen: capability over all that were inspected, witness rows, notes after reflow."""

import re
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pastewright.job.read import job_place
from pastewright.learn.notes import JointDefect
from pastewright.link.journal import Journal
from pastewright.page.answers import done, given, picture, ready_view, text_of
from pastewright.page.bench import bench_file
from pastewright.page.context import PageContext
from pastewright.page.inspect_work import CAPABILITY, INSPECTION_FILE, capability_of, row_checked
from pastewright.page.listed import PLAN_FILE, ListedPlan
from pastewright.page.room import room_of
from pastewright.problems import one_error
from pastewright.work.printing.console import printed_by
from pastewright.work.rows import written_row
from pastewright.work.running.notes import kept, proposed, standing_notes
from pastewright.work.running.witness_check import Given

ROW = "witness-row"


class LearnRoom:
    """What was learned last: `plan` gives the plan that is looked at, `plans` all by which boards are laid."""

    def __init__(
        self, context: PageContext, plan: Callable[[], ListedPlan], plans: Callable[[], list[ListedPlan]]
    ) -> None:
        self._context, self._plan, self._plans = context, plan, plans
        self.journal = room_of(context).journal
        self.process = self.row = b""
        self._given: tuple[str, tuple[Path, ...], bool] = ("", (), False)
        """What was judged last: diameters or photos, and whether paste was filled in before."""

    @property
    def refilled(self) -> bool:
        """Whether paste was filled in before the row, as was said last."""
        return self._given[2]

    @refilled.setter
    def refilled(self, refilled: bool) -> None:
        self._given = (*self._given[:2], refilled)

    @property
    def picture(self) -> Path:
        """Where the picture of the process lies."""
        return self._plan().path / CAPABILITY / f"{CAPABILITY}.svg"

    def capability(self) -> int:
        """Put all inspected boards of the chosen design and side together."""
        head = self._plan().head.board
        files = [
            file
            for plan in self._plans()
            if (plan.head.board.name, plan.head.board.side) == (head.name, head.side)
            for file in plan.path.glob(f"inspection*/{INSPECTION_FILE}")
        ]
        files.sort(key=lambda file: [int(part) if part.isdigit() else part for part in _parts(file)])

        def keep(view: bytes) -> None:
            self.process = view

        return self._context.works.begin(
            "capability",
            "What the boards say together",
            capability_of,
            files,
            self._plan().path / CAPABILITY,
            self.journal,
            then=keep,
        )

    def make_row(self) -> str:
        """Write a witness row; returns what was said."""
        desk = self._context.desk
        _, said = printed_by(lambda: written_row(bench_file(desk), desk.folder / ROW))
        self._context.show_desk()
        return said

    def check_row(self, diameters: str, photos: Sequence[Path], *, refilled: bool) -> int:
        """Judge what was measured of a row."""
        self._given = (diameters, tuple(photos), refilled)
        return self._judge(accept=False)

    def correct(self) -> int:
        """Correct the bench by what was judged last, once: the corrected bench would learn the same row again."""
        if not (self._given[0] or self._given[1]):
            raise one_error("no row was judged since the last correction", "Measure a row first.")
        task = self._judge(accept=True)
        self._given = ("", (), False)
        return task

    def take(self, photo: Path) -> None:
        """Judge a photo of a row that a phone took."""
        self.check_row("", [photo], refilled=self.refilled)

    def _judge(self, *, accept: bool) -> int:
        diameters, photos, refilled = self._given
        row = self._context.desk.folder / ROW
        if not (row / "sheet.json").is_file():
            raise one_error("there is no witness row yet", "Make one, and lay it under Run.")
        asked = Given(
            row=row,
            profile=bench_file(self._context.desk),
            diameters=diameters,
            photos=photos,
            dots=None,
            plan=self._plan().path / PLAN_FILE,
            refilled=refilled,
            out=None,
            accept=accept,
        )

        def keep(view: bytes) -> None:
            self.row = view
            self._context.show_desk()

        return self._context.works.begin("row", "Judging the row", row_checked, asked, then=keep)

    def note(self, data: Any) -> None:
        """Keep what is wrong with a joint."""
        part, defect, board, words = (
            text_of(data, name, most=500) for name in ("part", "defect", "board", "words")
        )
        journal = Journal(self.journal)
        try:
            design = self._plan().head.board.name
            printed_by(lambda: kept(journal, part, defect, board=board, design=design, words=words))
        finally:
            journal.close()

    def notes(self) -> list[dict[str, Any]]:
        """Return the notes of the chosen design."""
        if not self.journal.is_file():
            return []
        design = self._plan().head.board.name
        journal = Journal(self.journal)
        try:
            return standing_notes(journal, design)
        finally:
            journal.close()

    def rules(self, *, write: bool) -> list[str]:
        """Return the dose rules that the notes ask for, as the lines of job.toml that change; written when wished."""
        source = self._context.desk.source
        if source is None:
            raise one_error("there are no fabrication files here", "Drop them on the Board screen.")
        design = self._plan().head.board.name
        journal = Journal(self.journal)
        try:
            _, said = printed_by(lambda: proposed(journal, design, job_place(source), accept=write))
        finally:
            journal.close()
        return [line for line in said.splitlines() if line.strip() and "pastewright note" not in line]


def _parts(file: Path) -> list[str]:
    """Return the words and numbers of a folder's name in turn, so that board 10 comes after board 9."""
    return re.split(r"(\d+)", file.parent.name)


def learning_routes(room: LearnRoom) -> list[Route]:
    """Return what the screen asks for of it."""

    async def capability(_request: Request) -> Response:
        return done({"task": await run_in_threadpool(room.capability)})

    async def drawn(_request: Request) -> Response:
        return await picture(room.picture, "image/svg+xml")

    async def make_row(_request: Request) -> Response:
        return done({"said": await run_in_threadpool(room.make_row)})

    async def check_row(request: Request) -> Response:
        data = await given(request)
        refilled, diameters = data.get("refilled") is True, text_of(data, "diameters")
        task = await run_in_threadpool(lambda: room.check_row(diameters, [], refilled=refilled))
        return done({"task": task})

    async def refilled(request: Request) -> Response:
        room.refilled = (await given(request)).get("refilled") is True
        return done()

    async def correct(_request: Request) -> Response:
        return done({"task": await run_in_threadpool(room.correct)})

    async def note(request: Request) -> Response:
        await run_in_threadpool(room.note, await given(request))
        return done()

    async def notes(_request: Request) -> Response:
        return done({"defects": list(JointDefect), "notes": await run_in_threadpool(room.notes)})

    async def rules(request: Request) -> Response:
        write = (await given(request)).get("write") is True
        return done({"lines": await run_in_threadpool(lambda: room.rules(write=write))})

    return [
        Route("/capability", capability, methods=["POST"]),
        Route("/capability/view", ready_view(lambda: room.process)),
        Route("/capability.svg", drawn),
        Route("/row", make_row, methods=["POST"]),
        Route("/row/check", check_row, methods=["POST"]),
        Route("/row/refilled", refilled, methods=["POST"]),
        Route("/row/correct", correct, methods=["POST"]),
        Route("/row/view", ready_view(lambda: room.row)),
        Route("/note", note, methods=["POST"]),
        Route("/notes", notes),
        Route("/rules", rules, methods=["POST"]),
    ]
