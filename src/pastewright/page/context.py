"""What every screen's routes work with, as one value."""

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from starlette.requests import Request

from pastewright.page.desk import WorkFolder
from pastewright.page.live import Live
from pastewright.page.steering import Steering
from pastewright.page.workers import Workroom
from pastewright.problems import one_error

WINDOW_HEADER = "x-window"


def _no_phone() -> bytes:
    raise one_error("no phone is asked for", "Start the page with --phone.")


@dataclass(slots=True, kw_only=True)
class PageContext:
    """The folder, what is told to the windows, the workers, and who steers.

    Whatever moves the machine adds to `stops` a function that ends the motion at once: each is called by the stop
    button of any window, in a thread, with the words of who stopped. A screen that takes photos adds to `photos` what
    kind, in words, and what is done with one that a phone took. `at_end` is called when the server ends. The topic
    "moving" says in words what moves ("" when nothing does); the shell shows its stop button by it.
    """

    desk: WorkFolder
    live: Live
    works: Workroom
    steering: Steering
    journal: Path | None = None
    address: str = ""
    """The address that lets a browser in: commands of this user are told it while a port is held."""
    photos: dict[str, tuple[str, Callable[[Path], object]]] = field(default_factory=dict)
    phone_picture: Callable[[], bytes] = field(default=_no_phone)
    room: Any = None
    """The machine's room, once it was asked for (`room.room_of`)."""
    stops: list[Callable[[str], None]] = field(default_factory=list)
    at_end: list[Callable[[], None]] = field(default_factory=list)

    def stop(self, who: str) -> None:
        """End whatever moves."""
        for stop in self.stops:
            stop(who)

    def show_desk(self) -> None:
        """Tell every window what lies in the folder now, and what is chosen."""
        self.live.show("desk", self.desk.shown)


def window_of(request: Request) -> str:
    """Return the word by which a window names itself."""
    return request.headers.get(WINDOW_HEADER, "")[:64]


def must_steer(context: PageContext, request: Request) -> None:
    """Let the asking window steer; raises `InputError` where another one does."""
    if not context.steering.take(window_of(request)):
        raise one_error(
            "another window steers the machine", "Go on there, or take over here: Take the wheel, at the top."
        )
