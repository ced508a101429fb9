"""The app: the shell's own routes, one mount a screen, and the files of the front end."""

from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from importlib import import_module

from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import JSONResponse, PlainTextResponse, Response, StreamingResponse
from starlette.routing import BaseRoute, Mount, Route

from pastewright.page.answers import done, given, mistake, wrong_input
from pastewright.page.context import PageContext, window_of
from pastewright.page.front_files import front, let_in
from pastewright.page.guard import ENTRY, DoorKeys, Guard
from pastewright.page.screens import SCREENS, Screen
from pastewright.problems import InputError
from pastewright.version import __version__


def page_app(
    context: PageContext, entry: DoorKeys, *, hosts: frozenset[str], screens: Sequence[Screen] = SCREENS
) -> Guard:
    """Return the guarded app that answers to `hosts` (names with port)."""

    @asynccontextmanager
    async def lifespan(_app: Starlette) -> AsyncIterator[None]:
        import asyncio

        context.live.attach(asyncio.get_running_loop())
        await run_in_threadpool(context.show_desk)
        await run_in_threadpool(context.works.warm)
        yield
        context.live.close()
        for end in context.at_end:
            await run_in_threadpool(end)
        context.works.close()

    mounts: list[BaseRoute] = [
        Mount(f"/{screen.name}", routes=import_module(screen.routes).routes(context)) for screen in screens
    ]
    app = Starlette(
        routes=[*_shell(context, entry, screens), *mounts],
        lifespan=lifespan,
        exception_handlers={InputError: wrong_input, Exception: mistake},
    )
    return Guard(app, hosts=hosts, entry=entry)


def _shell(context: PageContext, entry: DoorKeys, screens: Sequence[Screen]) -> list[BaseRoute]:
    """Return the routes that belong to no screen."""

    async def enter(request: Request) -> Response:
        if not entry.opens(request.query_params.get("key", "")):
            return PlainTextResponse("This address is not of this start of the page.", status_code=403)
        return Response(let_in(entry.word), media_type="text/html", headers={"set-cookie": entry.header()})

    async def shell(_request: Request) -> Response:
        rows = [
            {"name": each.name, "words": each.words, "about": each.about, "script": each.script}
            for each in screens
        ]
        return JSONResponse({"version": __version__, "screens": rows})

    async def events(request: Request) -> Response:
        window = request.query_params.get("window", "")[:64]

        async def stream() -> AsyncIterator[bytes]:
            context.steering.opened(window)
            try:
                async for part in context.live.stream():
                    yield part
            finally:
                context.steering.closed(window)

        return StreamingResponse(stream(), media_type="text/event-stream")

    async def stop(request: Request) -> Response:
        await run_in_threadpool(context.stop, "the page")
        return done()

    async def wheel(request: Request) -> Response:
        data = await given(request)
        if data.get("leave") is True:
            context.steering.leave(window_of(request))
            return done({"steers": False})
        return done({"steers": context.steering.take(window_of(request), over=data.get("over") is True)})

    async def phone(_request: Request) -> Response:
        return Response(await run_in_threadpool(context.phone_picture), media_type="image/svg+xml")

    async def give_up(request: Request) -> Response:
        ended = await run_in_threadpool(context.works.give_up, int(request.path_params["number"]))
        return done({"ended": ended})

    return [
        Route(ENTRY, enter),
        Route("/", front),
        Route("/front/{file:path}", front),
        Route("/shell", shell),
        Route("/events", events),
        Route("/stop", stop, methods=["POST"]),
        Route("/wheel", wheel, methods=["POST"]),
        Route("/phone.svg", phone),
        Route("/task/{number:int}/give-up", give_up, methods=["POST"]),
    ]
