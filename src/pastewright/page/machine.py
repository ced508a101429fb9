"""The machine screen's routes: connect, home, jog, places, touch off, barrels; each is a function of the commands."""

import re
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from threading import Lock
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import Response
from starlette.routing import Route

from pastewright.hands.guide import Choice, Confirm, GivenUpError, Number, Steer, Tell
from pastewright.hands.guide import Request as Asked
from pastewright.hands.jog import LONGEST_MM
from pastewright.hands.moves import Spot
from pastewright.link.barrels import barrels
from pastewright.link.journal import Journal
from pastewright.link.port import SIMULATED, known_ports
from pastewright.page.answers import done, given, number_of, text_of
from pastewright.page.board import asked_board
from pastewright.page.board_view import board_asked
from pastewright.page.context import PageContext, must_steer
from pastewright.page.desk import PLACEMENT_FILE
from pastewright.page.room import MachineRoom, room_of
from pastewright.place.fiducials.camera import camera_frame
from pastewright.problems import InputError, one_error
from pastewright.work.machine.boards import heights_into, marks_into
from pastewright.work.machine.paste import Account
from pastewright.work.machine.session import Session
from pastewright.work.machine.work import (
    PURGE_UL,
    gone_to,
    loaded,
    purged,
    rested,
    state,
    touched_off,
    unloaded,
)
from pastewright.work.options import OfBarrel
from pastewright.work.reading import load_job

AXES = ("X", "Y", "Z", "P")
NETWORK_PORT = re.compile(r"(socket|rfc2217)://(\[[0-9a-fA-F:]+\]|[\w.-]+):\d{1,5}")
MOST_CAMERAS = 9
LOOK_FRAMES = 2
"""Frames let go before one is shown: a picture that follows is wanted here, not the best one."""
_CAMERA = Lock()
BOARD_WORK = {
    "marks-tip": "finding fiducials with the tip",
    "marks-camera": "finding fiducials with the camera",
    "probe": "feeling the board's height",
}


class PageSession(Session):
    """Guides played with the windows of the page instead of a terminal."""

    def __init__(self, room: MachineRoom, profile_path: Path) -> None:
        assert room.hand is not None
        super().__init__(room.hand, None, profile_path)  # type: ignore[arg-type]  # no terminal is asked
        self._room = room
        self.hand.stop = room.halt.is_set

    def _answer(self, request: Asked) -> Any:
        if isinstance(request, Steer):
            return self._steered(request)
        return super()._answer(request)

    def _steered(self, request: Steer) -> Spot:
        if self._room.ask("steer", request.question, axes=request.axes, touching=request.touching) != "here":
            raise GivenUpError("left without confirming")
        return self.hand.at

    def tell(self, request: Tell) -> None:
        """Note words."""
        self._room.note(f"Caution: {request.words}" if request.caution else request.words)

    def confirm(self, request: Confirm) -> bool:
        """Ask yes or no."""
        return self._room.ask("confirm", request.question, safety=request.safety) is True

    def number(self, request: Number) -> float:
        """Ask for a number within its bounds."""
        bounds = {"unit": request.unit, "low": request.low, "high": request.high, "default": request.default}
        while True:
            value = self._room.ask("number", request.question, **bounds)
            if isinstance(value, int | float) and request.low <= value <= request.high:
                return float(value)
            self._room.note(f"{value!r} is not between {request.low:g} and {request.high:g} {request.unit}")

    def choice(self, request: Choice) -> str:
        """Ask for one of some words."""
        while (
            value := self._room.ask("choice", request.question, words_of=request.words)
        ) not in request.words:
            continue
        return str(value)


def _work_of(room: MachineRoom, data: Any) -> tuple[str, Callable[[], None]]:
    """Return what is asked for, in words, and as work; raises `InputError` for what is not known."""
    what = text_of(data, "what")
    account = Account(OfBarrel(barrel=text_of(data, "barrel"), journal=room.journal))
    plan = (
        room.context.desk.plan_named(text_of(data, "plan")).path / "plan.json" if data.get("plan") else None
    )

    def session() -> PageSession:
        return PageSession(room, room.profile_file())

    simple: dict[str, tuple[str, Callable[[PageSession], None]]] = {
        "home": ("homing", Session.home),
        "believe": ("looking", _believed),
        "look": ("looking", state),
        "load": ("loading a barrel", loaded(account, plan)),
        "unload": ("unloading the barrel", unloaded(account, plan)),
        "relieve": ("relieving", rested(account)),
        "touch-off-paper": ("touching off", touched_off("paper", None, None)),
        "touch-off-probe": ("touching off", touched_off("probe", None, None)),
    }
    if what in simple:
        words, work = simple[what]
        return words, lambda: room.said(lambda: work(session()))
    if what == "purge":
        volume_ul = number_of(data, "ul") or PURGE_UL
        return "purging", lambda: room.said(lambda: purged(volume_ul, None, plan, account)(session()))
    if what == "to":
        to = gone_to(text_of(data, "place"), plan, number_of(data, "above"))
        return f"going to {text_of(data, 'place')}", lambda: room.said(lambda: to(session()))
    if what in BOARD_WORK:
        return BOARD_WORK[what], lambda: _on_board(room, what, data)
    if what == "connect":
        port = _port_of(data)
        return f"connecting to {port}", lambda: room.connect(port)
    if what == "disconnect":
        return "closing the port", room.disconnect
    raise one_error(f"{what!r} is nothing that a machine can do")


def _port_of(data: Any) -> str:
    """Return a port that a browser may name: a pretended machine, one on the network, or a device of this computer.

    Other URLs of the serial library can write to files, and "file:" is one; of paths `check_port` takes devices alone.
    """
    port = text_of(data, "port")
    if not (port.startswith("sim:") or NETWORK_PORT.fullmatch(port) or ":" not in port or port[0] == "/"):
        raise one_error(
            f"{port!r} is no port that the page opens",
            "A device, as /dev/ttyUSB0, or socket://address:number.",
        )
    return port


def _on_board(room: MachineRoom, what: str, data: Any) -> None:
    """Find the marks of the chosen board, or feel its height; plans are made for that place from now on."""
    desk = room.context.desk
    room.note("Reading the board …")
    board = board_asked(replace(asked_board(desk), bench=room.profile_file()))
    job = load_job(asked_board(desk).source, None)
    out, session = desk.folder / PLACEMENT_FILE, PageSession(room, room.profile_file())
    if what == "probe":
        columns, rows = (int(number_of(data, name) or 3) for name in ("columns", "rows"))
        room.said(lambda: heights_into(session, board, job, out, columns=columns, rows=rows))
    else:
        room.said(lambda: marks_into(session, board, job, out, by_camera=what == "marks-camera"))
    desk.placed = True
    room.context.show_desk()
    room.note("Plan the board anew: its plan goes by this place now.")


def _believed(session: Session) -> None:
    stand = session.hand.look()
    sure = session.confirm(
        Confirm(
            question=f"Look at the machine: does the tip stand at {stand.words}?", name="place", safety=True
        )
    )
    if not sure:
        raise GivenUpError("nothing moves while the place is not known")
    session.hand.owner.believe("a person has looked")


def camera_picture(number: int) -> bytes:
    """Return what a camera of this computer sees, JPEG; raises `InputError` where there is no such camera."""
    import cv2

    if not 0 <= number <= MOST_CAMERAS:
        raise one_error(f"there is no camera {number}", f"Their numbers are 0 to {MOST_CAMERAS}.")
    with _CAMERA:  # a camera is opened by one at a time
        frame = camera_frame(number, settle_frames=LOOK_FRAMES)
    good, picture = cv2.imencode(".jpg", frame)
    if not good:
        raise one_error("the camera's picture cannot be shown")
    return picture.tobytes()


def _axis_of(data: Any) -> str:
    axis = text_of(data, "axis")
    if axis not in AXES:
        raise one_error(f"{axis!r} is no axis", "There are X, Y, Z and P, the plunger.")
    return axis


def _choices(room: MachineRoom) -> dict[str, Any]:
    """Return the ports of this computer and the barrels that are not ended."""
    ports = [{"id": one.device, "name": f"{one.device} {one.description}".strip()} for one in known_ports()]
    ports += [{"id": name, "name": f"{name}, pretended"} for name in SIMULATED]
    names: list[str] = []
    try:
        journal = Journal(room.journal)
        names = [row.name for row in barrels(journal) if row.ended_at is None]
        journal.close()
    except InputError:
        names = []
    return {"ports": ports, "barrels": names}


def routes(context: PageContext) -> list[Route]:
    """Return what the screen asks for."""
    room = room_of(context)

    async def choices(_request: Request) -> Response:
        return done(await run_in_threadpool(_choices, room))

    async def do(request: Request) -> Response:
        must_steer(context, request)
        data = await given(request)
        words, work = await run_in_threadpool(_work_of, room, data)
        room.begin(words, work)
        return done()

    async def answer(request: Request) -> Response:
        must_steer(context, request)
        data = await given(request)
        room.answer(int(number_of(data, "id") or 0), data.get("value"))
        return done()

    async def step(request: Request) -> Response:
        must_steer(context, request)
        data = await given(request)
        by_mm = number_of(data, "by") or 0.0
        if not 0 < abs(by_mm) <= LONGEST_MM:
            raise one_error(f"one step is {LONGEST_MM:g} mm at most")
        room.step(_axis_of(data), by_mm)
        return done()

    async def held(request: Request) -> Response:
        must_steer(context, request)
        data = await given(request)
        number = int(number_of(data, "n") or 0)
        sign = int(number_of(data, "sign") or 0)
        if sign:
            room.hold(_axis_of(data), 1 if sign > 0 else -1, number)
        else:
            room.let_go(number)
        return done()

    async def camera(request: Request) -> Response:
        """Return one look of a camera of this computer."""
        number = int(request.path_params["number"])
        return Response(await run_in_threadpool(camera_picture, number), media_type="image/jpeg")

    return [
        Route("/choices", choices),
        Route("/camera/{number:int}.jpg", camera),
        Route("/do", do, methods=["POST"]),
        Route("/answer", answer, methods=["POST"]),
        Route("/step", step, methods=["POST"]),
        Route("/held", held, methods=["POST"]),
    ]
