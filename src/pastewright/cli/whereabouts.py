"""The controller asked where it stands: the found places of fiducials, without typing.

The person moves the tip from the controller's own panel; here nothing moves. A position counts only when everything
sent before it was carried out, as the senders of `link` see to.
"""

from collections.abc import Callable, Sequence
from contextlib import suppress
from time import monotonic

from pastewright.board.model import Point
from pastewright.link.cnc import CncSender
from pastewright.link.detect import Found, Protocol, detect
from pastewright.link.events import Event, Failed, Passed, Ready, Sender
from pastewright.link.port import Port, PortLostError, open_port
from pastewright.link.reprap import RepRapSender
from pastewright.place.fiducials.points import FoundPoint
from pastewright.problems import one_error

LONGEST_S = 20.0  # for one answer; the axes stand while it is asked


class Whereabouts:
    """An open connection to a controller that is asked for its position; use it in a `with`."""

    def __init__(self, name: str, *, baud: int) -> None:
        self.name = name
        self._port: Port = open_port(name, baud=baud)
        self._tokens = 0
        try:
            found = detect(self._port.read, self._port.write, monotonic)
            if not isinstance(found, Found):
                raise one_error(
                    f"nobody answers there as a controller does ({found.why})",
                    "Look with `pastewright ports`; check the cable and baud in [run].",
                    file=name,
                )
            cnc = found.protocol is Protocol.CNC
            self._sender: Sender = CncSender(locked_is_fine=True) if cnc else RepRapSender()
            self._sender.start(monotonic())
            self._until(lambda event: isinstance(event, Ready))
        except PortLostError as error:
            self._port.close()
            raise one_error(str(error), "Check the cable.", file=name) from None
        except BaseException:
            self._port.close()
            raise

    def __enter__(self) -> "Whereabouts":
        return self

    def __exit__(self, *_: object) -> None:
        with suppress(PortLostError):
            self._port.close()

    def send(self, lines: Sequence[str]) -> None:
        """Send lines ahead of the next question."""
        self._sender.push(lines)

    def place_mm(self) -> Point:
        """Return X and Y as the controller reports them, when it stands [mm]; InputError when it does not say."""
        self._tokens += 1
        token = self._tokens
        self._sender.barrier(token)
        try:
            event = self._until(lambda event: isinstance(event, Passed) and event.token == token)
        except PortLostError as error:
            raise one_error(str(error), "Check the cable.", file=self.name) from None
        position = event.position if isinstance(event, Passed) else {}
        if "X" not in position or "Y" not in position:
            raise one_error(
                "the controller does not say where it stands",
                "Type the place instead: --at F1=X,Y",
                file=self.name,
            )
        return position["X"], position["Y"]

    def _until(self, wanted: Callable[[Event], bool]) -> Event:
        begun = monotonic()
        while monotonic() - begun < LONGEST_S:
            if out := self._sender.to_send(monotonic()):
                self._port.write(out)
            data = self._port.read()
            events = self._sender.received(data, monotonic()) if data else []
            events += self._sender.tick(monotonic())
            for event in events:
                if isinstance(event, Failed):
                    raise one_error(
                        f"the controller gave up: {event.what}", "Look at its panel.", file=self.name
                    )
                if wanted(event):
                    return event
        raise one_error(
            "the controller does not answer", "Look at its panel and at the cable.", file=self.name
        )


def found_by_asking(
    names: Sequence[str], where: Whereabouts, ask: Callable[[str], str], tell: Callable[[str], None]
) -> list[FoundPoint]:
    """Return where each named point was found: the person moves there, presses Enter, and the controller is asked.

    InputError when the answers end before the points do.
    """
    points = []
    for name in names:
        try:
            ask(f"Move onto {name} from the controller's panel, then press Enter: ")
        except EOFError:
            raise one_error(
                f"nobody said that the tip is over {name}",
                "Run this at a terminal, or type places with --at.",
            ) from None
        x, y = where.place_mm()
        tell(f"  {name} found at {x:.3f}, {y:.3f}")
        points.append(FoundPoint(name=name, found_mm=(x, y), file=where.name))
    return points
