"""The board screen's routes: files in, what they were taken for, and one side to look at."""

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pastewright.board.model import LayerRole
from pastewright.page.answers import done, given, ready_view, text_of
from pastewright.page.board_view import AskedBoard, board_view
from pastewright.page.context import PageContext
from pastewright.page.desk import WorkFolder
from pastewright.page.listed import stamp_of
from pastewright.page.uploads import Drops
from pastewright.page.workers import Kept
from pastewright.problems import one_error


def asked_board(desk: WorkFolder) -> AskedBoard:
    """Return which board the choices of the folder mean; raises `InputError` where there are no files yet."""
    source = desk.source
    if source is None:
        raise one_error(
            "there are no fabrication files here yet", "Drop a zip or a folder on the Board screen."
        )
    return AskedBoard(
        source=source,
        side=desk.side,
        roles=dict(desk.roles),
        units=desk.units,
        columns=desk.columns,
        cut_short=desk.cut_short,
    )


def routes(context: PageContext) -> list[Route]:
    """Return what the screen asks for."""
    kept = Kept(context.works, "board", "Reading the board")

    def begin() -> int:
        asked = asked_board(context.desk)
        return kept.begin((asked, stamp_of(asked.source)), board_view, asked)

    drops = Drops(context.desk.folder)
    context.at_end.append(drops.close)

    async def read(_request: Request) -> Response:
        return done({"task": await run_in_threadpool(begin)})

    async def drop(request: Request) -> Response:
        word, name = request.query_params.get("drop", ""), request.query_params.get("name", "")
        return done({"files": await drops.receive(word, name, request.stream())})

    async def take(request: Request) -> Response:
        data = await given(request)
        place = await run_in_threadpool(drops.taken, text_of(data, "drop"), text_of(data, "name"))
        await run_in_threadpool(context.desk.use_source, place)
        return done()

    async def role(request: Request) -> Response:
        data = await given(request)
        wanted = text_of(data, "role")
        if wanted and wanted not in set(LayerRole):
            raise one_error(f"{wanted!r} is no role of a layer", f"Roles are: {', '.join(LayerRole)}.")
        file = text_of(data, "file")
        context.desk.roles.pop(file, None)
        if wanted:
            context.desk.roles[file] = LayerRole(wanted)
        await run_in_threadpool(context.show_desk)
        return done()

    async def say(request: Request) -> Response:
        """What the files do not say themselves: the unit, the columns, that a layer may be cut short."""
        data = await given(request)
        context.desk.units = text_of(data, "units")
        context.desk.columns = text_of(data, "columns")
        context.desk.cut_short = data.get("cut_short") is True
        await run_in_threadpool(context.show_desk)
        return done()

    return [
        Route("/read", read, methods=["POST"]),
        Route("/view", ready_view(lambda: kept.result, "no board was read yet")),
        Route("/drop", drop, methods=["POST"]),
        Route("/take", take, methods=["POST"]),
        Route("/role", role, methods=["POST"]),
        Route("/say", say, methods=["POST"]),
    ]
