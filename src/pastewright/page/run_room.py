"""Runs and batches on the room's connection: the functions of the commands, asked and watched in windows."""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from queue import Empty
from time import monotonic
from typing import Any

from pastewright.hands.guide import GivenUpError
from pastewright.learn.dots import typed_dots
from pastewright.link.actions import Action, Done, Doubt, Entered, Started
from pastewright.link.batch import BatchRow, batch, places
from pastewright.link.conduct import Halt, Wish, Wishes
from pastewright.link.job import ProgramJob
from pastewright.link.journal import Journal
from pastewright.link.owner import Owner
from pastewright.link.phases import Phase
from pastewright.link.run import Run
from pastewright.link.weave import Shift
from pastewright.page.context import PageContext
from pastewright.page.machine import PageSession
from pastewright.page.room import MachineRoom
from pastewright.page.row_work import row_dots
from pastewright.problems import InputError, one_error
from pastewright.records.sheet import SheetRecord
from pastewright.tune.record.measurements import DotReading
from pastewright.work.machine.session import Session
from pastewright.work.options import Sending
from pastewright.work.running.batch_desk import BatchBench
from pastewright.work.running.batch_wish import BatchWish, begun_batch
from pastewright.work.running.batching import BatchWork, FittedProgram
from pastewright.work.running.board_laid import Newest, RowGiven
from pastewright.work.running.checks import RunCheck
from pastewright.work.running.laying import Laying, Watch
from pastewright.work.running.resuming import go_on
from pastewright.work.running.sending import SendChoice, send
from pastewright.work.yes_or_no import YES_OR_NO

SHOW_EVERY_S = 0.15
"""Often enough for an eye; each word goes to every window."""
KEYS = {
    "enter": "Lay it",
    "s": "Skip it",
    "b": "Bad board",
    "r": "Redo the last one",
    "+": "One more",
    "c": "Card was changed",
    "f": "Refilled",
    "x": "Another barrel",
    "w": "Witness row measured",
    "n": "Note",
    "q": "Pause the batch",
}
"""The keys of a batch, as in `batching.HELP`."""
DOUBT_KEYS = {"t": "It is there", "l": "Lay it", "b": "The board is bad", "enter": "Leave it in doubt"}
END_KEYS = {"enter": "End the batch", "+": "One more", "r": "Redo the last one", "q": "Come back another day"}


@dataclass(slots=True)
class RunPicture:
    """What is being laid, in the order in which it is sent: of each deposit half its width and its points [mm, board]."""

    number: int = 0
    size_mm: tuple[float, float] = (0.0, 0.0)
    deposits: tuple[tuple[float, ...], ...] = ()
    names: tuple[str, ...] = ()


class RunRoom:
    """The run that is on, as the windows see it, and the work that begins one."""

    def __init__(self, context: PageContext, room: MachineRoom) -> None:
        self.context, self.room = context, room
        self.picture = RunPicture()
        self.shown: dict[str, Any] = {
            "phase": "",
            "why": "",
            "done": 0,
            "doubt": [],
            "now": "",
            "picture": 0,
            "name": "",
        }
        self._shown_s = 0.0
        self.row: tuple[SheetRecord, Newest] | None = None
        """The witness row that a batch asks for, and the way to newer ones on its card."""
        self.tell()

    def tell(self, **change: Any) -> None:
        """Tell the windows how the run stands, with what has changed."""

        def changed() -> dict[str, Any]:
            self.shown = {**self.shown, **change}
            return self.shown

        self.context.live.show("run", changed)

    @contextmanager
    def watch(self, job: ProgramJob, run: Run) -> Iterator[tuple[Callable[[list[Action]], None], Wishes]]:
        """Show a run to the windows, and hear their wishes."""
        laid = [one for one in job.deposits if one.id in run.wanted]
        at = {one.id: number for number, one in enumerate(laid)}
        self.picture = RunPicture(
            number=self.picture.number + 1,
            size_mm=job.size_mm,
            deposits=tuple(
                (one.width_mm / 2, *(value for point in one.points_mm for value in point)) for one in laid
            ),
            names=tuple(one.pads[0] for one in laid),
        )
        room = self.room
        while not room.wishes.empty():
            room.wishes.get_nowait()
        room.running = True
        self.context.live.tell("moving", {"words": f"laying {job.board}"})
        self.tell(
            phase=str(run.phase),
            why="",
            done=0,
            doubt=[],
            now="",
            picture=self.picture.number,
            name=job.board,
        )

        def show(actions: list[Action]) -> None:
            change: dict[str, Any] = {}
            for action in actions:
                if isinstance(action, Entered):
                    change |= {"phase": str(action.phase), "why": action.why}
                elif isinstance(action, Started):
                    change["now"] = ", ".join(laid[at[key]].pads[0] for key in action.deposits if key in at)
                elif isinstance(action, Doubt):
                    change["doubt"] = [
                        *self.shown["doubt"],
                        *(at[key] for key in action.deposits if key in at),
                    ]
                elif isinstance(action, Done):
                    change["done"] = len(run.done)
            if change and (
                "phase" in change or "doubt" in change or monotonic() - self._shown_s > SHOW_EVERY_S
            ):
                self._shown_s = monotonic()
                self.tell(**{"done": len(run.done), **change})

        def wishes() -> Sequence[Wish | Halt]:
            wanted: list[Wish | Halt] = []
            with suppress(Empty):
                while True:
                    wanted.append(room.wishes.get_nowait())
            return wanted

        try:
            yield show, wishes
        finally:
            room.running = False
            room.halt.clear()  # the run was stopped; a batch goes on asking
            self.tell(phase=str(run.phase), why=run.why, done=len(run.done), now="")

    def row_photos(self, photos: Sequence[Path]) -> int:
        """Measure photos of the row that is asked for; what they show answers the question. Returns the task."""
        if self.row is None:
            raise one_error("no witness row is asked for now", "Between two boards of a batch it is.")

        def keep(found: tuple[Sequence[DotReading], list[str]]) -> None:
            readings, lines = found
            self.room.note("\n".join(lines))
            words = ", ".join(photo.name for photo in photos)
            self.room.answer_kind("row", RowGiven(words=words, readings=readings))

        return self.context.works.begin(
            "row-photo", "Measuring the row", row_dots, list(photos), *self.row, then=keep
        )

    # -- what is begun, in the room's thread ------------------------------------------------------------

    def run(self, program: Path, sending: Sending, choice: SendChoice) -> None:
        """Send a program."""
        self.tell(batch=[])
        try:
            self.room.said(
                lambda: send(program, None, self.room.profile_file(), sending, choice, _PageDesk(self))
            )
        finally:
            self._after()

    def resume(self, run: int, sending: Sending) -> None:
        """Go on with a run's board; what is in doubt has been decided by clicks, or is left."""
        self.tell(batch=[])
        file = self.room.profile_file()
        try:
            self.room.said(lambda: go_on(run, file, "leave", sending, desk=_PageDesk(self)))
        finally:
            self._after()

    def batch(self, wanted: BatchWish, sending: Sending) -> None:
        """Begin a batch or go on with one."""
        self.tell(batch=[])
        profile = self.context.desk.profile()
        journal = Journal(self.room.journal)
        try:
            if wanted.program is not None:
                row = self.room.said(lambda: begun_batch(journal, wanted, profile, sending))
            else:
                row = batch(journal, wanted.go_on)
            bench = _PageBatch(journal, row, self, sending)
            work = BatchWork(journal, row, bench, bench.hands())
            self.room.hand = (
                None  # the batch's own connection is the room's, and each board changes where it stands
            )
            try:
                words = work.go()
            finally:
                self.tell(batch=_rows_of(journal, row.id))
            self.room.note(f"Batch {row.id} ({row.name}): {words}.")
        finally:
            journal.close()
            self._after()

    def _after(self) -> None:
        """The conversation of a run is over: ask anew where the machine stands."""
        from pastewright.link.hand import Hand

        owner = self.room.owner
        if owner is not None:
            self.room.hand = Hand(owner)
            self.room.hand.stop = self.room.halt.is_set
            with suppress(Exception):
                self.room.looked()
        self.room.told()


class _PageDesk:
    """Where a program is sent from the page: checks are ticked in a window, the connection is the room's."""

    def __init__(self, runs: RunRoom) -> None:
        self._runs = runs
        self.watch: Watch | None = runs.watch

    def ask(self, checks: Sequence[RunCheck], sending: Sending) -> None:
        """Ask all at once; every one must be ticked."""
        if checks:
            _ticked(self._runs.room, checks)

    @contextmanager
    def connection(self, laying: Laying) -> Iterator[Owner | None]:
        """Give the room's owner; after a lost run it is closed, and connected anew next time."""
        room = self._runs.room
        owner = room.anew()
        if laying.rehearsal:
            room.note("A pretended machine: there is nothing to look at, so no checks are asked.")
        yield owner
        if self._runs.shown["phase"] == Phase.LOST:
            owner.doubt(self._runs.shown["why"])
            room.disconnect()


def _ticked(room: MachineRoom, checks: Sequence[RunCheck]) -> None:
    rows = [{"name": check.name, "words": check.question} for check in checks]
    ticked = room.ask("checks", "Look at each of these, and tick what is so.", checks=rows)
    if not isinstance(ticked, list) or {check.name for check in checks} - set(ticked):
        raise GivenUpError("not begun, since a check was not ticked")


class _PageBatch(BatchBench):
    """A batch's desk in the windows, on the room's connection."""

    def __init__(self, journal: Journal, row: BatchRow, runs: RunRoom, sending: Sending) -> None:
        room = runs.room
        super().__init__(journal, row, runs.context.desk.profile(), room.profile_file(), sending, None)
        self._room = room
        self.watch = runs.watch
        self._runs = runs

    def key(self, words: str) -> str:
        """Ask for a key of the batch, each with its meaning on a button."""
        if words.endswith(YES_OR_NO):
            return "y" if self._room.ask("confirm", words.removesuffix(YES_OR_NO).strip()) is True else "n"
        rows = _rows_of(self._journal, self._row.id)
        self._runs.tell(batch=rows)
        keys = DOUBT_KEYS if "leaves it in doubt" in words else END_KEYS if "All boards" in words else KEYS
        if "fresh one in" in words:
            keys = {"enter": "It lies there"}
        value = self._room.ask("key", words, keys=[{"key": key, "words": word} for key, word in keys.items()])
        return str(value)

    def line(self, words: str) -> str:
        """Ask for a line."""
        return str(self._room.ask("line", words))[:500]

    def measured(self, place: int, record: SheetRecord, newest: Newest) -> RowGiven | None:
        """Ask for a photo of a board's witness row, or its diameters: what a browser sends never is a file's path."""
        self._runs.row = (record, newest)
        words = (
            f"Witness row of board {place}: take a photo of it, or type its diameters in mm in the order of laying, - where"
            " none lies, ? where it cannot be told (empty: not measured)"
        )
        try:
            while True:
                given = self._room.ask("row", words)
                if isinstance(given, RowGiven):
                    return given
                typed = str(given).strip()[:500]
                if not typed:
                    return None
                try:
                    return RowGiven(words=typed, readings=typed_dots(typed, record))
                except InputError as error:
                    self._room.note(str(error))
        finally:
            self._runs.row = None

    def say(self, words: str) -> None:
        """Note something."""
        self._room.note(words)

    def ask(self, checks: Sequence[RunCheck]) -> None:
        """Ask what must have been looked at."""
        if checks:
            _ticked(self._room, checks)

    def owner_for(self, laying: Laying) -> Owner | None:
        """Return the room's owner."""
        return self._room.anew()

    def session(self, owner: Owner, *, surface_z_mm: float) -> Session:
        """Return who plays guides with the windows, over a board whose highest place is known [mm, machine]."""
        from pastewright.link.hand import Hand

        self._room.hand = Hand(owner, surface_z_mm=surface_z_mm)
        return PageSession(self._room, self._room.profile_file())

    def fit(self, side: str, slot: int, shift: Shift) -> FittedProgram:
        """Return the program for a board, and note what was said of it."""
        return self._room.said(lambda: BatchBench.fit(self, side, slot, shift))

    def close(self) -> None:
        """The connection is lost: the next board has it opened anew."""
        self._owner = None
        self._room.disconnect()


def _rows_of(journal: Journal, key: int) -> list[dict[str, Any]]:
    return [
        {
            "place": row.place,
            "side": row.side,
            "serial": row.serial,
            "state": str(row.state),
            "note": row.note,
        }
        for row in places(journal, key)
    ]
