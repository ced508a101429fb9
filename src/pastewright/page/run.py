"""The run screen's routes: a program, a batch, a pause, what is in doubt."""

from collections.abc import Mapping
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pastewright.link.conduct import Wish, unix_s
from pastewright.link.journal import open_existing
from pastewright.link.journal_rows import DepositState
from pastewright.page.answers import done, given, number_of, text_of
from pastewright.page.context import PageContext, must_steer
from pastewright.page.room import MachineRoom, room_of
from pastewright.page.run_room import RunRoom
from pastewright.page.uploads import Drops, photo_routes
from pastewright.problems import one_error
from pastewright.work.options import Sending
from pastewright.work.running.batch_wish import BatchWish
from pastewright.work.running.sending import SendChoice

WISHES = {"pause": Wish.PAUSE, "hold": Wish.HOLD, "go on": Wish.GO_ON}


def _sending(room: MachineRoom, data: Mapping[str, Any]) -> Sending:
    if not room.port:
        raise one_error("no machine is connected", "Connect it on the Machine screen.")
    return Sending(
        port=room.port, barrel=text_of(data, "barrel"), journal=room.journal, note=text_of(data, "note")
    )


def _begin_run(runs: RunRoom, data: Mapping[str, Any]) -> None:
    program = runs.context.desk.program_named(text_of(data, "program"))
    sending, choice = _sending(runs.room, data), SendChoice(dry=data.get("dry") is True)
    words = f"{'in the air: ' if choice.dry else ''}{program.name}"
    runs.room.begin(words, lambda: runs.run(program.path, sending, choice))


def _begin_batch(runs: RunRoom, data: Mapping[str, Any]) -> None:
    desk = runs.context.desk
    program, second = text_of(data, "program"), text_of(data, "second")
    boards = number_of(data, "boards") or 1
    if not 1 <= boards <= 10_000:
        raise one_error("how many boards?", "1 to 10 000.")
    wanted = BatchWish(
        program=desk.program_named(program).path if program else None,
        second=desk.program_named(second).path if second else None,
        boards=int(boards),
        zones=(),
        go_on=int(number_of(data, "go_on") or 0) or None,
        name=text_of(data, "name"),
        serials=text_of(data, "serials") or "{}",
        witness=data.get("witness") is not False,
        temperature_c=number_of(data, "temperature"),
    )
    sending = _sending(runs.room, data)
    runs.room.begin("a batch", lambda: runs.batch(wanted, sending))


def _doubts(room: MachineRoom, number: int) -> dict[str, Any]:
    """Return the deposits of a run's board with their places and states."""
    journal = open_existing(room.journal)
    try:
        row = journal.run(number)
        job = journal.job(row.program)
        laid = {one.id: one for one in job.deposits}
        return {
            "run": row.id,
            "size_mm": job.size_mm,
            "deposits": [
                {
                    "id": one.deposit,
                    "pad": one.pads[0] if one.pads else "",
                    "at_mm": laid[one.deposit].points_mm[0],
                    "state": str(one.state),
                    "why": one.why,
                }
                for one in journal.deposits(row.board)
                if one.deposit in laid
            ],
        }
    finally:
        journal.close()


def _decide(room: MachineRoom, data: Mapping[str, Any]) -> None:
    journal = open_existing(room.journal)
    try:
        row = journal.run(int(number_of(data, "run") or 0))
        deposit = int(number_of(data, "deposit") or 0)
        states = {one.deposit: one.state for one in journal.deposits(row.board)}
        if states.get(deposit) is not DepositState.TO_BE_CHECKED:
            raise one_error("this deposit is not in doubt any more")
        journal.decide(row.board, [deposit], is_there=data.get("there") is True, run=row.id, now_s=unix_s())
    finally:
        journal.close()


def _doubting(context: PageContext, room: MachineRoom) -> list[Route]:
    async def doubts(request: Request) -> Response:
        return done(await run_in_threadpool(_doubts, room, int(request.path_params["run"])))

    async def decide(request: Request) -> Response:
        must_steer(context, request)
        await run_in_threadpool(_decide, room, await given(request))
        return done()

    return [Route("/doubts/{run:int}", doubts), Route("/decide", decide, methods=["POST"])]


def routes(context: PageContext) -> list[Route]:
    """Return what the screen asks for."""
    room = room_of(context)
    runs = RunRoom(context, room)
    drops = Drops(context.desk.folder)
    context.at_end.append(drops.close)
    context.photos["row"] = ("the witness row", lambda photo: runs.row_photos([photo]))

    async def begin(request: Request) -> Response:
        must_steer(context, request)
        await run_in_threadpool(_begin_run, runs, await given(request))
        return done()

    async def begin_batch(request: Request) -> Response:
        must_steer(context, request)
        await run_in_threadpool(_begin_batch, runs, await given(request))
        return done()

    async def resume(request: Request) -> Response:
        must_steer(context, request)
        data = await given(request)
        number, sending = int(number_of(data, "run") or 0), _sending(room, data)
        room.begin(f"going on with run {number}", lambda: runs.resume(number, sending))
        return done()

    async def wish(request: Request) -> Response:
        word = text_of(await given(request), "wish")
        if word not in WISHES:
            raise one_error(
                f"{word!r} is no wish for a run", "There are pause, hold and go on; stop has its own button."
            )
        if word == "go on":
            must_steer(context, request)
        room.wish(WISHES[word])
        return done()

    async def picture(_request: Request) -> Response:
        one = runs.picture
        return done(
            {"number": one.number, "size_mm": one.size_mm, "deposits": one.deposits, "names": one.names}
        )

    return [
        Route("/begin", begin, methods=["POST"]),
        Route("/batch", begin_batch, methods=["POST"]),
        Route("/resume", resume, methods=["POST"]),
        Route("/wish", wish, methods=["POST"]),
        Route("/picture", picture),
        *_doubting(context, room),
        *photo_routes(
            drops,
            lambda: context.desk.folder / "photos",
            runs.row_photos,
            at="/row",
            allowed=lambda request: must_steer(context, request),
        ),
    ]
