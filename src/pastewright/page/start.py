"""The first screen's routes: choosing among what lies in the folder."""

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pastewright.board.model import Side
from pastewright.page.answers import done, given, text_of
from pastewright.page.context import PageContext
from pastewright.problems import one_error


def routes(context: PageContext) -> list[Route]:
    """Return what the screen asks for."""

    async def look(_request: Request) -> Response:
        await run_in_threadpool(context.show_desk)
        return done()

    async def choose(request: Request) -> Response:
        data = await given(request)

        def chosen() -> None:
            if bench := text_of(data, "bench"):
                context.desk.choose_bench(bench)
            if source := text_of(data, "source"):
                context.desk.choose_source(source)
            if side := text_of(data, "side"):
                if side not in set(Side):
                    raise one_error(f"{side!r} is no side", f"Sides are: {', '.join(Side)}.")
                context.desk.side = Side(side)
                context.desk.changed()

        await run_in_threadpool(chosen)
        return done()

    return [
        Route("/look", look, methods=["POST"]),
        Route("/choose", choose, methods=["POST"]),
    ]
