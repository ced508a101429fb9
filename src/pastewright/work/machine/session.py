"""One connection to a machine with a person in front of it: it plays guides, and makes safe whatever way it ends."""

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from errno import EIO, EPIPE
from math import isclose
from pathlib import Path
from typing import Any, TypeVar

from rich.markup import escape

from pastewright.board.model import Point
from pastewright.counting import clock_words
from pastewright.hands.guide import (
    Act,
    Choice,
    Confirm,
    Feel,
    GivenUpError,
    Guide,
    Keep,
    Look,
    Number,
    Request,
    Steer,
    Tell,
)
from pastewright.hands.moves import pushes_s
from pastewright.link.ending import guarded
from pastewright.link.events import Trouble
from pastewright.link.hand import Hand
from pastewright.link.owner import SWITCH_MET, MachineError, Stand, connect
from pastewright.link.port import check_port
from pastewright.problems import InputError, one_error
from pastewright.profile.edit import write_values
from pastewright.profile.keys import key_at
from pastewright.profile.model import Profile
from pastewright.profile.read import read_profile
from pastewright.work.exits import DONE, FINDINGS, INTERRUPTED
from pastewright.work.holder import must_be_free
from pastewright.work.keys import EndedError, Terminal
from pastewright.work.machine.steering import steer
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import print_problems
from pastewright.work.running.resting import let_end_by_default
from pastewright.work.yes_or_no import YES_OR_NO, yes_key

LONG_S = 10.0
"""What the plunger takes longer for is told beforehand, or a person believes that it hangs (own choice)."""

LEAVES = ("q", "quit")

Result = TypeVar("Result")


@dataclass(frozen=True, slots=True, kw_only=True)
class Eyes:
    """Where a look comes from: a camera's name or number, or pictures to be taken in turn."""

    camera: str = ""
    photos: tuple[Path, ...] = ()


class Session:
    """A hand on the machine, a person at the terminal, and the profile's file."""

    def __init__(self, hand: Hand, terminal: Terminal, profile_path: Path) -> None:
        self.hand, self.terminal, self.profile_path = hand, terminal, profile_path
        self.eyes = Eyes()
        self.ended = ""
        """Why the host is ending, as far as that was heard while something moved."""
        self._looks = 0
        hand.stop = self._stopping

    @property
    def profile(self) -> Profile:
        """The bench, with what was measured so far."""
        return self.hand.profile

    def _stopping(self) -> bool:
        """Tell whether motion should end: any key, or the end of the host (which then ends all the rest)."""
        try:
            return bool(self.terminal.pressed())
        except EndedError as ended:
            self.ended = str(ended)
            return True

    def play(self, guide: Guide[Result]) -> Result:
        """Carry out a guide to its end and return its result; nothing is asked while the place is not known."""
        self.hand.must_know()
        answer: Any = None
        try:
            while True:
                request = guide.send(answer)
                answer = self._answer(request)
        except StopIteration as end:
            result: Result = end.value
            return result

    def _answer(self, request: Request) -> Any:
        match request:
            case Tell():
                self.tell(request)
                return None
            case Confirm():
                return self.confirm(request)
            case Number():
                return self.number(request)
            case Choice():
                return self.choice(request)
            case Steer():
                return steer(request, self.hand, self.terminal)
            case Act():
                if request.words and request.moves:
                    long_s = pushes_s(request.moves)
                    lasts = f"{clock_words(long_s)}; " if long_s > LONG_S else ""
                    console.print(f"[dim]{escape(request.words)} … ({lasts}any key stops)[/]")
                return self.hand.go(request.moves)
            case Feel():
                return self.hand.feel(request.low_mm, request.speed_mm_s)
            case Look():
                return self._look(request)
            case Keep():
                return self._keep(request)

    # -- telling and asking -----------------------------------------------------------------------------

    def tell(self, request: Tell) -> None:
        """Show words."""
        console.print(
            f"[bold yellow]caution[/] {escape(request.words)}" if request.caution else escape(request.words)
        )

    def confirm(self, request: Confirm) -> bool:
        """Return yes or no. A script confirms what is about safety by its name, which no `yes |` can do."""
        if not self.terminal.is_there and request.safety:
            return self.terminal.line(f"{request.question} [{request.name}]") == request.name
        if self.terminal.is_there:
            console.print(f"{escape(request.question)} {YES_OR_NO} ", end="")
            return yes_key(self.terminal)
        while True:
            typed = self.terminal.line(request.question).lower()
            if typed in ("y", "yes", "n", "no"):
                return typed.startswith("y")
            self._again(f"{typed!r} is neither yes nor no")

    def number(self, request: Number) -> float:
        """Return a number within its bounds."""
        default = "" if request.default is None else f" [{request.default:g}]"
        while True:
            typed = self.terminal.line(f"{request.question}{default} {request.unit}{self._way_out(', ')}: ")
            if typed in LEAVES:
                raise GivenUpError("left without an answer")
            if not typed and request.default is not None:
                return request.default
            try:
                value = float(typed.removesuffix(request.unit))
            except ValueError:
                self._again(f"{typed!r} is no number; write {request.unit} with a point, such as 12.5")
                continue
            if request.low <= value <= request.high:
                return value
            self._again(f"{value:g} is not between {request.low:g} and {request.high:g} {request.unit}")

    def choice(self, request: Choice) -> str:
        """Return one of the words; the first letter does, and Enter for the first."""
        while True:
            typed = self.terminal.line(
                f"{request.question} ({', '.join(request.words)}{self._way_out('; ')}) [{request.words[0]}] "
            )
            if not typed:
                return request.words[0]
            if typed in LEAVES:
                raise GivenUpError("left without an answer")
            found = [word for word in request.words if word.startswith(typed.lower())]
            if len(found) == 1:
                return found[0]
            self._again(f"{typed!r} is none of {', '.join(request.words)}")

    def _way_out(self, behind: str) -> str:
        """Say how a person leaves without an answer; a script ends instead."""
        return f"{behind}q leaves" if self.terminal.is_there else ""

    def _again(self, words: str) -> None:
        """Say what is wrong with an answer; a script is not asked twice."""
        if not self.terminal.is_there:
            raise one_error(words, "Mend the lines of standard input.")
        console.print(f"[yellow]{escape(words)}[/]")

    # -- looking and keeping ----------------------------------------------------------------------------

    def _look(self, request: Look) -> Point:
        from pastewright.place.fiducials.camera import camera_frame, read_frame
        from pastewright.place.fiducials.locate import grey_of, marks

        photos, camera = self.eyes.photos, self.eyes.camera
        if camera:
            frame = camera_frame(int(camera) if camera.isdigit() else camera)
        elif self._looks < len(photos):
            frame = read_frame(photos[self._looks])
        else:
            raise one_error(
                "there is nothing to look with",
                "Give --camera 0, or --photo twice: before the move and after it.",
            )
        self._looks += 1
        grey = grey_of(frame)
        middle = ((grey.shape[1] - 1) / 2, (grey.shape[0] - 1) / 2)
        found = marks(grey)
        if not found:
            raise GivenUpError(f"no mark is seen in the {request.words}; look at focus and light")
        best = min(found, key=lambda mark: (mark.x_px - middle[0]) ** 2 + (mark.y_px - middle[1]) ** 2)
        return best.x_px, best.y_px

    def _keep(self, request: Keep) -> Profile:
        profile = write_values(self.profile_path, request.values)
        self.hand.use(profile)
        for path, value in request.values.items():
            console.print(f"  {escape(str(self.profile_path))}: {path} = {value}")
            if (key := key_at(path)) is None or not isinstance(value, float):
                continue
            holds = float(getattr(getattr(profile, key.section), key.field))
            if not isclose(holds, value * key.scale, rel_tol=1e-6, abs_tol=1e-9):
                console.print(
                    f"[yellow]look[/] a later entry of tuning.history holds instead, with {holds / key.scale:g}; take it"
                    " out, or set its use to false"
                )
        return profile

    # -- knowing where it is ----------------------------------------------------------------------------

    def begin(self, *, moves: bool, home: bool) -> Stand:
        """Look how the machine stands; where it will move and its place is not known, home or ask."""
        stand = self.hand.look()
        if not moves:
            return stand
        if home:
            self.home()
        elif not stand.known:
            console.print(f"[bold yellow]The place of the tip is not known[/]: {escape(stand.why)}.")
            if self.hand.owner.fresh:
                console.print(
                    "[dim]`pastewright machine stay` keeps the port open, so that once is enough.[/]"
                )
            self._find_out(stand)
        return stand

    def _find_out(self, stand: Stand) -> None:
        can_home = bool(self.hand.owner.bench.home)
        words = ("home", "here", "stop") if can_home else ("stop", "here")
        answer = self.choice(
            Choice(
                question="Home it now, or is the tip where the controller says"
                f" ({stand.words}), as after homing from its own panel?"
                if can_home
                else f"[run] home is empty. Is the tip where the controller says ({stand.words})?",
                name="place",
                words=words,
            )
        )
        if answer == "home":
            self.home()
        elif answer == "here":
            sure = self.confirm(
                Confirm(
                    question=f"Look at the machine: does the tip stand at {stand.words}?",
                    name="place",
                    safety=True,
                )
            )
            if not sure:
                raise GivenUpError("nothing moves while the place is not known")
            self.hand.owner.believe("a person has looked")
        else:
            raise GivenUpError("nothing moves while the place is not known")

    def home(self) -> None:
        """Home the machine, after the usual caution."""
        self.hand.owner.home_lines()  # or it says how the profile lacks them, before anybody is asked
        self.tell(Tell(words="Homing moves all axes to their switches.", caution=True))
        clear = self.confirm(
            Confirm(
                question="Is the way of the tip clear, and are hands out of the gantry?",
                name="clear",
                safety=True,
            )
        )
        if not clear:
            raise GivenUpError("it was not homed")
        console.print("[dim]homing … (any key stops)[/]")
        console.print(f"homed: {self.hand.home().words}")


@contextmanager
def opened(
    profile_path: Path, port: str, *, baud: int | None, surface_z_mm: float | None = None
) -> Iterator[Session]:
    """Give a session on a port; whatever ends it early lifts the tip and relieves the paste."""
    profile = read_profile(profile_path)
    check_port(port)
    must_be_free(port)
    let_end_by_default(port)
    with guarded() as ending, Terminal(lambda: ending.wanted) as terminal:
        owner = connect(port, profile, baud=baud)
        with owner:
            hand = Hand(owner, surface_z_mm=surface_z_mm)
            session = Session(hand, terminal, profile_path)
            try:
                yield session
            except BaseException as error:
                _made_safe(hand, error)
                if isinstance(error, OSError) and error.errno in (EIO, EPIPE):
                    session.ended = "the terminal was closed"
                if session.ended and not isinstance(error, EndedError):
                    raise EndedError(session.ended) from error
                raise


def _made_safe(hand: Hand, error: BaseException) -> None:
    """Lift and relieve, if anything was moved, and say how that went; a terminal that is gone hears nothing."""
    hand.stop = None
    if not hand.moved:
        return
    done = hand.owner.known and hand.safe(str(error))
    try:
        if done:
            console.print(f"the tip was lifted: {hand.at.words}")
        else:
            console.print(
                "[bold red]The tip was not lifted[/]: raise Z by hand before anything moves sideways, then home."
            )
    except (OSError, MachineError, InputError):
        return


def worked(
    profile: Path,
    port: str,
    work: Callable[[Session], None],
    *,
    baud: int | None = None,
    home: bool = False,
    moves: bool = True,
    surface_z_mm: float | None = None,
) -> int:
    """Open a session, find out where the machine is, do the work; returns the exit code."""
    try:
        with opened(profile, port, baud=baud, surface_z_mm=surface_z_mm) as session:
            session.begin(moves=moves, home=home)
            work(session)
            _where_left(session)
            return DONE
    except EndedError as ended:
        return _said(f"ended: {ended}", INTERRUPTED)
    except GivenUpError as given_up:
        return _said(str(given_up), FINDINGS)
    except MachineError as error:
        at = ", ".join(f"{axis} {value:.2f}" for axis, value in error.position.items() if axis in "XYZ")
        code = _said(f"the machine: {error.what}" + (f"; last reported at {at}" if at else ""), FINDINGS)
        if error.trouble is Trouble.ALARM:
            console.print(f"Home it before anything else moves. {escape(SWITCH_MET)}")
        return code


def tried(session: Session, work: Callable[[Session], None]) -> None:
    """Do one piece of work of a session that goes on afterwards; what goes wrong is told, and the tip is lifted if it was
    moved.
    """
    hand = session.hand
    before, hand.moved = hand.moved, False
    try:
        work(session)
        return
    except MachineError as error:
        if error.trouble is Trouble.SILENT:  # nobody is there any more: nothing that follows could be done
            raise
        print_problems(error.problems)
    except InputError as error:
        print_problems(error.problems)
    except GivenUpError as error:
        console.print(f"[bold red]{escape(str(error))}[/]")
    finally:
        moved, hand.moved = hand.moved, hand.moved or before
    if moved and hand.owner.known and not hand.safe("a piece of work ended early"):
        raise GivenUpError("the tip could not be lifted")


def _where_left(session: Session) -> None:
    at = session.hand.place
    if session.hand.moved and at is not None and at.z_mm < session.profile.travel_z_mm:
        console.print(f"[dim]the tip stays at {at.words}, below travel height[/]")


def _said(words: str, code: int) -> int:
    try:
        console.print(f"[bold red]{escape(words)}[/]")
    except OSError:
        return code
    return code
