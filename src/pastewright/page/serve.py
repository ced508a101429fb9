"""The server of one start: a socket on this computer only, the browser that is let in, and an orderly end."""

import asyncio
import socket
import webbrowser
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from html import escape
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import Thread

import uvicorn

from pastewright.link.ending import Ending, guarded
from pastewright.page.app import page_app
from pastewright.page.context import PageContext
from pastewright.page.desk import WorkFolder
from pastewright.page.guard import ENTRY, DoorKeys
from pastewright.page.live import Live
from pastewright.page.phone import PhoneDoor, phone_door
from pastewright.page.steering import Steering
from pastewright.page.workers import Workroom
from pastewright.problems import one_error

HOST = "127.0.0.1"
END_S = 2
"""What open requests get at the end; streams end by themselves at once."""


class PageServer(uvicorn.Server):
    """A server that holds a machine.

    It ends once what it does at its end is done, whatever signals come meanwhile: the tip is lifted then. Its streams of
    events end when it does; otherwise it would wait for windows that stay open.
    """

    def __init__(self, config: uvicorn.Config, live: Live) -> None:
        super().__init__(config)
        self._live = live
        self._ending = Ending()

    @contextmanager
    def capture_signals(self) -> Iterator[None]:
        """Hear every signal that can be heard, a closed terminal too, and let none of them cut the end short."""
        with guarded() as self._ending:
            yield

    async def on_tick(self, counter: int) -> bool:
        """Tell whether to end."""
        return await super().on_tick(counter) or bool(self._ending.wanted)

    async def shutdown(self, sockets: list[socket.socket] | None = None) -> None:
        """End the streams, then the server."""
        self._live.close()
        await super().shutdown(sockets)


@dataclass(frozen=True, slots=True, kw_only=True)
class Opened:
    """A page that is about to be served: its context, its socket, and the address that lets a browser in."""

    context: PageContext
    server: uvicorn.Server
    listening: socket.socket
    address: str
    phone: PhoneDoor | None = None

    def run(self) -> None:
        """Serve until the server is told to end: `server.should_exit`, Ctrl-C, SIGTERM, a terminal that is closed."""
        if self.phone is not None:
            self.phone.begin()
        try:
            asyncio.run(self.server.serve(sockets=[self.listening]))
        finally:
            if self.phone is not None:
                self.phone.end()


def open_page(
    desk: WorkFolder,
    *,
    port: int = 0,
    journal: Path | None = None,
    phone: bool = False,
    phone_at: str | None = None,
) -> Opened:
    """Return the page of a desk, listening on this computer's loopback; port 0 takes any free one.

    `phone` opens a door for a phone on the local network, at the address `phone_at` if it is given.

    Raises `InputError` where the port is taken.
    """
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((HOST, port))
    except OSError as error:
        raise one_error(
            f"port {port} cannot be had: {error.strerror}", "Choose another with --at, or none."
        ) from None
    listening.listen(100)
    number = listening.getsockname()[1]
    live = Live()
    context = PageContext(
        desk=desk,
        live=live,
        works=Workroom(live),
        steering=Steering(lambda window: live.tell("wheel", {"window": window})),
        journal=journal,
    )
    live.tell("moving", {"words": ""})
    live.tell("wheel", {"window": ""})
    desk.changed = context.show_desk
    live.tell("phone", {"open": False, "taken": False})
    door = phone_door(context, address=phone_at) if phone else None
    if door is not None:
        context.phone_picture = door.picture
    entry = DoorKeys(number)
    app = page_app(context, entry, hosts=frozenset({f"{HOST}:{number}", f"localhost:{number}"}))
    config = uvicorn.Config(
        app,
        log_level="warning",
        access_log=False,
        timeout_graceful_shutdown=END_S,
        ws="none",
        server_header=False,
    )
    context.address = f"http://{HOST}:{number}{ENTRY}?key={entry.key}"
    return Opened(
        context=context,
        server=PageServer(config, live),
        listening=listening,
        address=context.address,
        phone=door,
    )


def show_in_browser(address: str, ready: Callable[[], bool]) -> None:
    """Open the user's browser at an address once `ready`, without the address standing in any process list.

    Arguments of a process can be read by every user of a computer. So the browser is given the name of a file that
    only this user can read, and which leads on.
    """

    def show() -> None:
        from time import sleep

        for _ in range(200):
            if ready():
                break
            sleep(0.05)
        with TemporaryDirectory(prefix="pastewright-") as folder:
            door = Path(folder) / "open.html"
            door.touch(mode=0o600)
            door.write_text(
                f'<!doctype html><meta charset="utf-8"><title>pastewright</title>'
                f'<meta http-equiv="refresh" content="0;url={escape(address, quote=True)}">',
                encoding="utf-8",
            )
            webbrowser.open(door.as_uri())
            sleep(30)  # a browser that has to start first reads the file late

    Thread(target=show, daemon=True).start()
