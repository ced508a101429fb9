"""The machine's room: one thread that owns the port, does one piece of work at a time, and asks the windows.

    request of a window ──▶ inbox ──▶ the room's thread: hands, runs, batches ──▶ topics "machine", "run", "moving"
                                        │ asks; the thread waits ◀── the answer of the window that steers

What it does are the functions of the commands. It keeps no state but the connection and the question that is open: where
the machine stands the owner says, what was laid the journal. `stop` may be called from any thread, at any time.
"""

from collections.abc import Callable, Sequence
from contextlib import suppress
from pathlib import Path
from queue import Empty, Queue
from threading import Event, Lock, Thread
from time import monotonic
from typing import Any, TypeVar

from pastewright.hands.guide import GivenUpError
from pastewright.hands.held import Held, carried_out, down, next_move, paces_of, up
from pastewright.hands.jog import JogHalt, JogStep, pressed, speeds_of
from pastewright.link.conduct import Halt, Wish
from pastewright.link.hand import Hand
from pastewright.link.owner import Owner, connect
from pastewright.link.port import check_port
from pastewright.page.answers import problem_rows
from pastewright.page.context import PageContext
from pastewright.page.machine_view import noted, stands
from pastewright.problems import InputError, Problem, Severity, one_error
from pastewright.work.holder import must_be_free, tell_held
from pastewright.work.printing.console import printed_by
from pastewright.work.running.records import default_journal
from pastewright.work.running.resting import let_end_by_default

MOST_NOTES = 12
WAIT_S = 0.05
"""How long the thread waits for the next thing before it looks at a stop again."""
LATE_STOP_S = 20.0
"""What the server's end waits for a run to be made safe: motion ends, lift, relief (two seconds, mostly)."""

Work = Callable[[], None]
Result = TypeVar("Result")


class MachineRoom:
    """The connection, the work on it, and the question that is open."""

    def __init__(self, context: PageContext) -> None:
        self.context = context
        self.journal = context.journal or default_journal()
        self.owner: Owner | None = None
        self.hand: Hand | None = None
        self.port = ""
        self.halt = Event()
        """Set by a stop; the work that is on sees it and ends."""
        self.wishes: Queue[Wish | Halt] = Queue()
        self.running = False
        """Whether a run is on, which ends by its wishes."""
        self._inbox: Queue[tuple[Any, ...]] = Queue()
        self._busy = ""
        self._works = 0
        self._ask: dict[str, Any] | None = None
        self._asked = 0
        self._notes: list[str] = []
        self._problems: Sequence[Problem] = ()
        self._stepping = False
        self._held_note: Path | None = None
        self._held, self._held_after = Held(), 0
        self._lock = Lock()
        self._thread = Thread(target=self._serve, daemon=True)
        self._thread.start()
        context.stops.append(self.stop)
        context.at_end.append(self.close)
        self.told()

    @property
    def busy(self) -> bool:
        """Whether a piece of work is on."""
        return bool(self._busy)

    # -- what windows want ------------------------------------------------------------------------------

    def begin(self, words: str, work: Work) -> None:
        """Begin a piece of work; raises `InputError` while another is on."""
        with self._lock:
            if self._busy:
                raise one_error(f"the machine is busy: {self._busy}", "Wait for it, or stop it.")
            self._busy = words
            self._works += 1
            self._problems = ()
            self.halt.clear()
        self._inbox.put(("work", words, work))
        self.told()

    def answer(self, number: int, value: Any) -> None:
        """Take an answer to the open question."""
        if self._ask is None or self._ask["id"] != number:
            raise one_error("this was answered already")
        self._inbox.put(("answer", number, value))

    def asks(self, kind: str) -> bool:
        """Tell whether a question of this kind is open."""
        return self._ask is not None and self._ask["kind"] == kind

    def answer_kind(self, kind: str, value: Any) -> None:
        """Answer the open question of a kind with what no browser can send; raises `InputError` where there is none."""
        ask = self._ask
        if ask is None or ask["kind"] != kind:
            raise one_error("this was answered already")
        self._inbox.put(("answer", ask["id"], value))

    def step(self, axis: str, by_mm: float) -> None:
        """Take one press of a jog key; what is pressed while one moves is thrown away."""
        self._steering()
        if self._stepping:
            return
        self._stepping = True
        self._inbox.put(("step", JogStep(axis=axis, by_mm=by_mm)))

    def hold(self, axis: str, sign: int, number: int) -> None:
        """A key is (still) held; a word that was overtaken by the key-up counts for nothing."""
        with self._lock:
            if number <= self._held_after:
                return
            fresh = self._held.step is None
            out = self._held.out
            self._held = down(Held(out=out), axis, sign, monotonic())
        if fresh:
            self._steering()
            self._inbox.put(("held",))

    def let_go(self, number: int) -> None:
        """The key is up; no word of it before this one counts."""
        with self._lock:
            self._held_after = max(self._held_after, number)
            self._held = up(self._held)

    def stop(self, who: str) -> None:
        """End whatever moves, now."""
        with self._lock:
            self._held = up(self._held)
        if self.running:
            self.wishes.put(Halt(f"stopped from {who}"))
        self.halt.set()

    def wish(self, wish: Wish) -> None:
        """Take a wish for the run that is on."""
        if not self.running:
            raise one_error("nothing runs")
        self.wishes.put(wish)

    def close(self) -> None:
        """The server ends: whatever is on is made safe first, then the port is closed."""
        self.stop("the server's end")
        self._inbox.put(("end",))
        self._thread.join(LATE_STOP_S)

    def _steering(self) -> None:
        asks = self._ask is not None and self._ask["kind"] == "steer"
        if self.hand is None or (self._busy and not asks):
            raise one_error("the machine cannot be steered now", self._busy or "Connect it first.")

    # -- what windows are told --------------------------------------------------------------------------

    def told(self) -> None:
        """Tell every window how it stands."""
        self.context.live.show("machine", self._shown)

    def _shown(self) -> dict[str, Any]:
        return {
            **stands(self.owner, self.hand),
            "port": self.port,
            "busy": self._busy,
            "works": self._works,
            "ask": self._ask,
            "notes": self._notes,
            "problems": problem_rows(self._problems),
        }

    def note(self, words: str) -> None:
        """Say something that stays for a while."""
        lines = noted(words)
        with self._lock:  # photos are measured beside the room's own thread, and noted, too
            self._notes = [*self._notes, *lines][-MOST_NOTES:]
        self.told()

    # -- asking, from the room's own thread -------------------------------------------------------------

    def ask(self, kind: str, words: str, **more: Any) -> Any:
        """Ask the windows and wait for the answer; a stop meanwhile ends the work (`GivenUpError`)."""
        self._asked += 1
        number = self._asked
        self._ask = {"id": number, "kind": kind, "words": words, **more}
        touching = bool(more.get("touching"))
        self._moving("")
        self.told()
        try:
            while True:
                item = self._next()
                if item is None:
                    continue
                if item[0] == "answer" and item[1] == number:
                    return item[2]
                self._by_hand(item, touching=touching)
        finally:
            self._ask = None
            self._moving(self._busy)
            self.told()

    def _next(self) -> tuple[Any, ...] | None:
        if self.halt.is_set():
            raise GivenUpError("stopped")
        try:
            item = self._inbox.get(timeout=WAIT_S)
        except Empty:
            return None
        if item[0] == "end":
            self._inbox.put(item)  # for the loop
            raise GivenUpError("the page's server ends")
        return item

    def _moving(self, words: str) -> None:
        self.context.live.tell("moving", {"words": words})

    # -- the thread -------------------------------------------------------------------------------------

    def _serve(self) -> None:
        while True:
            item = self._inbox.get()
            if item[0] == "end":
                break
            if item[0] == "work":
                self._carry_out(item[1], item[2])
            elif self.hand is not None:
                self.halt.clear()
                self._guarded(lambda item=item: self._by_hand(item, touching=False))  # type: ignore[misc]
        self.disconnect()

    def _carry_out(self, words: str, work: Work) -> None:
        self._moving(words)
        try:
            self._guarded(work)
        finally:
            with self._lock:
                self._busy = ""
            self._moving("")
            self.told()

    def _guarded(self, work: Work) -> None:
        """Do something; what goes wrong is told, and the tip lifted where that can be done."""
        try:
            work()
            return
        except GivenUpError as error:
            self._problems = (Problem(what=str(error), mend="", severity=Severity.WARNING),)
        except InputError as error:
            self._problems = error.problems
        except Exception as error:  # of our own: the machine is made safe, the server goes on
            self._problems = (
                Problem(
                    what=f"a mistake of pastewright itself ({type(error).__name__}: {error})",
                    mend="Look at the machine, then connect anew; please report this.",
                ),
            )
        hand = self.hand
        if hand is None or not hand.moved:
            return
        hand.stop = None
        lifted = hand.owner.known and hand.safe("a piece of work ended early")
        hand.stop = self.halt.is_set
        self.note("The tip was lifted." if lifted else "The tip was NOT lifted: raise Z by hand, then home.")
        hand.moved = False
        with suppress(Exception):
            self.looked()

    def _by_hand(self, item: tuple[Any, ...], *, touching: bool) -> None:
        if item[0] == "step":
            self._step(item[1], touching=touching)
        elif item[0] == "held":
            self._while_held(touching=touching)

    def _step(self, step: JogStep, *, touching: bool) -> None:
        try:
            self._stepped(step, touching=touching)
        finally:
            self._stepping = False

    def _stepped(self, step: JogStep, *, touching: bool) -> None:
        hand = self._hand()
        move = pressed(
            step, hand.at, hand.reach(touching=touching), speeds_of(hand.profile), pushed_mm=hand.pushed_mm
        )
        if isinstance(move, JogHalt):
            self.note(move.words)
            return
        self._moving("one step")
        try:
            hand.go([move], touching=touching)
        finally:
            self._moving("")
            self.told()

    def _while_held(self, *, touching: bool) -> None:
        hand = self._hand()
        speeds, paces = speeds_of(hand.profile), paces_of(hand.profile)
        self._moving("a held key")
        try:
            while not self.halt.is_set():
                with self._lock:
                    self._held, move = next_move(
                        self._held,
                        monotonic(),
                        hand.at,
                        hand.reach(touching=touching),
                        speeds,
                        paces,
                        pushed_mm=hand.pushed_mm,
                    )
                if isinstance(move, JogHalt):
                    self.note(move.words)
                    return
                if move is None:
                    return
                hand.go([move], touching=touching)
                with self._lock:
                    self._held = carried_out(self._held)
                self.told()
        finally:
            with self._lock:
                self._held = up(Held())
            self._moving("")
            self.told()

    def _hand(self) -> Hand:
        if self.hand is None:
            raise one_error("no machine is connected", "Connect it on the Machine screen.")
        return self.hand

    # -- the connection ---------------------------------------------------------------------------------

    def connect(self, port: str) -> None:
        """Open a port; moves nothing. Raises `InputError` where nobody there understands."""
        self.disconnect()
        profile = self.context.desk.profile()
        check_port(port)
        must_be_free(port)
        let_end_by_default(port, say=self.note)
        self.owner = connect(port, profile)
        self.port = port
        self._held_note = tell_held(port, self.context.address, self.context.desk.folder)
        self.hand = Hand(self.owner)
        self.hand.stop = self.halt.is_set
        self.looked()

    def looked(self) -> None:
        """Ask where it stands, and say so where that may not be believed."""
        stand = self._hand().look()
        if not stand.known:
            self.note(f"Its place is not known: {stand.why}.")
        self.told()

    def disconnect(self) -> None:
        """Close the port."""
        owner, self.owner, self.hand = self.owner, None, None
        if owner is not None:
            owner.port.close()
        if self._held_note is not None:
            self._held_note.unlink(missing_ok=True)
            self._held_note = None
        self.told()

    def anew(self) -> Owner:
        """Return the owner of the port, connected anew where the conversation had ended."""
        if self.owner is None:
            if not self.port:
                raise one_error("no machine is connected", "Connect it on the Machine screen.")
            self.connect(self.port)
        assert self.owner is not None
        return self.owner

    def profile_file(self) -> Path:
        """Return the bench's file; raises `InputError` where there is none."""
        bench = self.context.desk.bench
        if bench is None:
            raise one_error("there is no bench in this folder yet", "Make one under Bench.")
        return bench

    def said(self, work: Callable[[], Result]) -> Result:
        """Do something that prints, note what it printed, and return what it gave."""
        result, words = printed_by(work)
        self.note(words)
        return result


def room_of(context: PageContext) -> MachineRoom:
    """Return the room of a page; there is one."""
    if context.room is None:
        context.room = MachineRoom(context)
    room: MachineRoom = context.room
    return room
