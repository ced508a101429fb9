"""A phone that takes photos for the page and may stop, and nothing else: an app of its own on the local network.

It is served only when asked for, on another socket than the page, and ends with it. The way in is a secret that is
used up by the first phone that shows it; what the phone holds then opens this app, and not the page. Between phone and
computer nothing is encrypted: whoever listens on the network could send a photo or press stop, too.
"""

import io
import socket
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from threading import Thread

import segno
import uvicorn
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from pastewright.page.answers import done, mistake, wrong_input
from pastewright.page.context import PageContext
from pastewright.page.front_files import LET_IN, front_file
from pastewright.page.guard import ENTRY, DoorKeys, Guard
from pastewright.page.uploads import free_place, photo_name
from pastewright.problems import InputError, one_error

FILES = {
    "/": "phone.html",
    "/front/phone.js": "phone.js",
    "/front/look.css": "look.css",
    "/front/mark.svg": "mark.svg",
}
QR_SCALE = 6
TOPIC = "phone"
NOWHERE = "192.0.2.1"
"""An address for documentation (RFC 5737): asking for the way to it tells our own address, and sends nothing."""


class OneTimeKeys(DoorKeys):
    """Keys whose way in is open once."""

    def __init__(self, port: int) -> None:
        super().__init__(port)
        self.used = False
        self.word = ""  # what a phone may do moves nothing

    def opens(self, key: str) -> bool:
        """Tell whether this is the key and nobody has used it; it is used then."""
        good = not self.used and super().opens(key)
        self.used = self.used or good
        return good


@dataclass(slots=True, kw_only=True)
class PhoneDoor:
    """The phone's server: its socket, its keys, and the address that lets one phone in."""

    context: PageContext
    listening: socket.socket
    host: str
    keys: OneTimeKeys
    server: uvicorn.Server
    thread: Thread | None = field(default=None)

    @property
    def address(self) -> str:
        """The address for a phone; "" once one has used it."""
        return "" if self.keys.used else f"http://{self.host}{ENTRY}?key={self.keys.key}"

    def picture(self) -> bytes:
        """Return the address as a QR code, SVG; raises `InputError` once it is used."""
        if not self.address:
            raise one_error(
                "a phone has used this address", "End the page, and start it anew for another phone."
            )
        out = io.BytesIO()
        segno.make(self.address, error="m", micro=False).save(
            out, kind="svg", scale=QR_SCALE, border=4, xmldecl=False
        )
        return out.getvalue()

    def begin(self) -> None:
        """Serve, in a thread of its own."""
        self.context.live.tell(TOPIC, {"open": True, "taken": False})
        self.thread = Thread(target=self.server.run, kwargs={"sockets": [self.listening]}, daemon=True)
        self.thread.start()

    def end(self) -> None:
        """End with the page."""
        self.server.should_exit = True
        if self.thread is not None:
            self.thread.join(5)


def own_address() -> str:
    """Return this computer's address in the local network; raises `InputError` without a network."""
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as asking:
        try:
            asking.connect((NOWHERE, 9))
            return str(asking.getsockname()[0])
        except OSError:
            raise one_error("there is no network that a phone could reach", "Connect to it first.") from None


def phone_door(context: PageContext, *, address: str | None = None) -> PhoneDoor:
    """Return the door for a phone, listening on the local network (`address`: this computer's own)."""
    ip = address or own_address()
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.bind((ip, 0))
    listening.listen(20)
    port = listening.getsockname()[1]
    keys = OneTimeKeys(port)
    host = f"{ip}:{port}"
    app = phone_app(context, keys, host=host)
    config = uvicorn.Config(
        app, log_level="warning", access_log=False, ws="none", server_header=False, lifespan="off"
    )
    return PhoneDoor(
        context=context, listening=listening, host=host, keys=keys, server=uvicorn.Server(config)
    )


def phone_app(context: PageContext, keys: OneTimeKeys, *, host: str) -> Guard:
    """Return the guarded app: the phone's page, photos, and stop."""

    async def enter(request: Request) -> Response:
        if not keys.opens(request.query_params.get("key", "")):
            return PlainTextResponse(
                "This address was used, or is not of this start of the page.", status_code=403
            )
        context.live.tell(TOPIC, {"open": True, "taken": True})
        return Response(LET_IN, media_type="text/html", headers={"set-cookie": keys.header()})

    async def kinds(_request: Request) -> Response:
        return done([{"id": name, "name": words} for name, (words, _) in context.photos.items()])

    async def photo(request: Request) -> Response:
        kind = request.query_params.get("kind", "")
        if kind not in context.photos:
            raise one_error("no photo of this kind is waited for")
        name = photo_name(request.query_params.get("name", ""))
        body = await request.body()
        await run_in_threadpool(_kept, context.desk.folder, name, body, context.photos[kind][1])
        return done()

    async def stop(_request: Request) -> Response:
        await run_in_threadpool(context.stop, "the phone")
        return done()

    routes = [
        Route(ENTRY, enter),
        *(Route(path, front_file(name)) for path, name in FILES.items()),
        Route("/kinds", kinds),
        Route("/photo", photo, methods=["POST"]),
        Route("/stop", stop, methods=["POST"]),
    ]
    app = Starlette(routes=routes, exception_handlers={InputError: wrong_input, Exception: mistake})
    return Guard(app, hosts=frozenset({host}), entry=keys)


def _kept(folder: Path, name: str, body: bytes, take: Callable[[Path], object]) -> None:
    place = folder / "photos"
    try:
        place.mkdir(exist_ok=True)
        file = free_place(place, name)
        file.write_bytes(body)
    except OSError as error:
        raise one_error(f"the photo cannot be kept: {error.strerror}") from None
    take(file)
