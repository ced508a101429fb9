"""The dialogue of a batch: one key a board. It knows no terminal and no port: a desk asks, and `lay` lays.

Everything that must survive is in the journal before it happens: a row of the card is used before its strip is sent, a
board is an attempt of its place before its first deposit. What it does next it reads from there, each time anew.
"""

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass
from math import inf
from time import localtime, strftime

from pastewright.counting import clock_words
from pastewright.link.barrels import BarrelRow
from pastewright.link.batch import (
    OPEN,
    BatchRow,
    PlaceRow,
    PlaceState,
    attempt,
    change_card,
    end,
    fresh_row,
    one_more,
    places,
    put,
    settle,
    state_of,
    use_row,
)
from pastewright.link.job import ProgramJob
from pastewright.link.journal import Journal
from pastewright.link.journal_rows import DepositState
from pastewright.link.phases import Phase
from pastewright.link.weave import Shift
from pastewright.problems import InputError
from pastewright.records.plan import PlanRecord
from pastewright.work.running.batch_paste import BatchPaste, Desk

HELP = (
    "Enter lays it · s skip · b bad board · r redo the last one · + one more · c card changed · f refilled · x another"
    " barrel · w witness row measured · n note · q pause"
)

MOST_IN_VAIN = 3
"""Enter pressed so often on a board that cannot be begun, or lays nothing, is no person who reads (own choice)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedProgram:
    """A program fitted to a row of the card and to where the board lies."""

    job: ProgramJob
    text: str
    plan: PlanRecord


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """How a run on a board ended. `host`: why the host itself is ending, "" where it goes on."""

    phase: Phase
    why: str
    host: str = ""


Fit = Callable[[str, int, Shift], FittedProgram]
"""Side, row of the card, where the board lies: the program for it, read back."""
Lay = Callable[[FittedProgram, int, Collection[int]], Outcome]
Find = Callable[[str], Shift]


@dataclass(frozen=True, slots=True, kw_only=True)
class Hands:
    """What the dialogue lets others do: fit a program, find the board again, lay it; and the clock [s since 1970].

    `after` is told of each board that was laid whole, with its id in the journal; `row` takes in the
    last one's witness row. `floor_life_s` is how long paste may be open.
    """

    fit: Fit
    find: Find
    lay: Lay
    now: Callable[[], float]
    after: Callable[[PlaceRow, int], None] = lambda place, board: None
    row: Callable[[], None] = lambda: None
    floor_life_s: float = inf


class BatchWork:
    """A batch at work, from wherever the journal says that it is."""

    def __init__(self, journal: Journal, batch: BatchRow, desk: Desk, hands: Hands) -> None:
        self._journal, self._batch, self._desk, self._hands = journal, batch, desk, hands
        self._sides: Sequence[str] = batch.settings["sides"]
        self._rows_a_card = int(batch.settings["rows_a_card"])
        self._paste = BatchPaste(journal, batch, desk, hands.now, floor_life_s=hands.floor_life_s)
        self._lasted_s: list[float] = []
        self._left_in_doubt: set[tuple[int, str]] = set()
        self._in_vain = 0  # Enter in a row that laid nothing

    # -- the loop ---------------------------------------------------------------------------------------

    def go(self) -> str:
        """Work until all is done, the person pauses or the host ends; returns which, in words."""
        for row in settle(
            self._journal, self._batch.id, why="the host stopped in the middle", now_s=self._now()
        ):
            self._desk.say(f"board {row.place} ({row.serial}) was interrupted")
        while True:
            for row in places(self._journal, self._batch.id):
                if row.state is PlaceState.DOUBT and (row.place, row.side) not in self._left_in_doubt:
                    self._decide(row)
            following = self._next()
            if following is not None:
                words = self._answer(following, self._desk.key(self._words(following)))
            else:
                words = self._at_the_end()
            if words:
                return words

    def _at_the_end(self) -> str:
        doubts = sum(row.state is PlaceState.DOUBT for row in places(self._journal, self._batch.id))
        key = self._desk.key(
            "All boards of the batch are done"
            + (f", {doubts} of them with deposits in doubt" if doubts else "")
            + ". Enter ends it, + adds one more, r redoes the last one, q comes back to it another day"
        )
        if key == "+":
            self._one_more()
        elif key == "r":
            self._redo()
        elif key == "q":
            return "paused"
        elif key == "enter":
            end(self._journal, self._batch.id, now_s=self._now())
            return "ended"
        return ""

    def _answer(self, row: PlaceRow, key: str) -> str:
        """Do what a key wants of the board that is next; returns why the work ends, "" where it goes on."""
        if key == "enter":
            return self._lay(row)
        self._in_vain = 0
        if key == "q":
            return "paused"
        if key == "s":
            put(self._journal, row, PlaceState.SKIPPED)
        elif key == "b":
            put(self._journal, row, PlaceState.BAD, note=self._desk.line("What is wrong with it?"))
        elif key == "r":
            self._redo()
        elif key == "+":
            self._one_more()
        elif key == "c":
            self._new_card()
        elif key == "f":
            self._paste.refill()
        elif key == "x":
            self._paste.another()
        elif key == "w":
            self._hands.row()
        elif key == "n":
            put(self._journal, row, row.state, note=self._desk.line("Note"))
        else:
            self._desk.say(HELP)
        return ""

    def _next(self) -> PlaceRow | None:
        rows = places(self._journal, self._batch.id)
        for side in self._sides:
            for row in rows:
                if row.side == side and row.state in OPEN and row.state is not PlaceState.DOUBT:
                    return row
        return None

    # -- one board --------------------------------------------------------------------------------------

    def _words(self, row: PlaceRow) -> str:
        rows = [one for one in places(self._journal, self._batch.id) if one.side == row.side]
        left = sum(one.state in OPEN for one in rows)
        words = f"Board {row.place} of {len(rows)}, {row.serial}, {row.side} side"
        if row.state is PlaceState.UNFINISHED and row.board is not None:
            words += f": {self._journal.counts(row.board)[DepositState.NOT_STARTED]} deposits are left to lay on it"
        else:
            words += ": put it in"
        if self._lasted_s:
            lasts_s = sum(self._lasted_s) / len(self._lasted_s) * left
            done_at = strftime("%H:%M", localtime(self._now() + lasts_s))
            words += f" ({left} to go, {clock_words(lasts_s)}, done at {done_at}{self._paste.forecast()})"
        return f"{words}. Hands out, way of the tip clear? Enter lays it, ? tells the other keys"

    def _lay(self, row: PlaceRow) -> str:
        journal = self._journal
        try:
            shift = self._hands.find(row.side)
            place = self._row_on_card()
            fitted = self._hands.fit(row.side, place[1], shift)
        except InputError as error:
            return self._without_success(row, f"was not begun: {error}")
        goes_on = row.state is PlaceState.UNFINISHED and row.board is not None
        board = row.board if goes_on else None
        wanted: set[int] = {laid.id for laid in fitted.job.deposits}
        if board is not None:
            wanted = {one.deposit for one in journal.deposits(board) if one.state is DepositState.NOT_STARTED}
        if missing := self._paste.missing(fitted.job, wanted) or self._paste.too_old(fitted.job):
            return self._without_success(row, missing)
        use_row(journal, self._batch.id, *place, what=f"board {row.place}, {row.side}", now_s=self._now())
        if board is None:
            board = journal.begin_board(
                fitted.job,
                name=str(self._batch.settings["name"]),
                text=fitted.text,
                plan=fitted.plan,
                number=row.place,
                now_s=self._now(),
            )
        else:  # its strip lies at another place now
            journal.keep_program(fitted.text, name=str(self._batch.settings["name"]), companion=fitted.plan)
        attempt(journal, row, board, now_s=self._now())
        began_s, before = self._now(), journal.counts(board)[DepositState.NOT_STARTED]
        outcome = self._hands.lay(fitted, board, wanted)
        put(journal, row, state := state_of(journal, board))
        if outcome.phase is Phase.FINISHED and not goes_on:
            self._lasted_s.append(self._now() - began_s)
        if outcome.host:
            return f"the host ended: {outcome.host}"
        if journal.counts(board)[DepositState.NOT_STARTED] < before:
            self._in_vain = 0
        if outcome.phase is not Phase.FINISHED:
            return self._without_success(row, f"{outcome.phase}, {outcome.why}")
        if state is PlaceState.LAID:
            self._desk.say(f"board {row.place} is laid: take it out")
            self._hands.after(row, board)
        return ""

    def _without_success(self, row: PlaceRow, words: str) -> str:
        """Say why a board was not laid; returns why the work ends where that was said often enough, else ""."""
        self._desk.say(f"board {row.place}: {words}")
        self._in_vain += 1
        if self._in_vain < MOST_IN_VAIN:
            return ""
        return f"paused, since board {row.place} was tried {MOST_IN_VAIN} times in vain ({words.splitlines()[0]})"

    def _row_on_card(self) -> tuple[int, int]:
        place = fresh_row(self._journal, self._batch.id, rows_a_card=self._rows_a_card)
        while place is None:
            self._desk.key(
                "The card is full: put a fresh one in, at the same place. Enter when it lies there"
            )
            self._new_card()
            place = fresh_row(self._journal, self._batch.id, rows_a_card=self._rows_a_card)
        return place

    def _new_card(self) -> None:
        card = change_card(self._journal, self._batch.id, now_s=self._now())
        self._desk.say(f"card {card}: {self._rows_a_card} fresh rows")

    def _decide(self, row: PlaceRow) -> None:
        """Let the person say of each deposit in doubt whether it is there."""
        if row.board is None:
            return
        doubted = [
            one for one in self._journal.deposits(row.board) if one.state is DepositState.TO_BE_CHECKED
        ]
        run = next(run.id for run in self._journal.runs() if run.board == row.board)
        for one in doubted:
            key = ""
            while key not in ("t", "l", "b", "enter"):  # a slip of the finger is no answer about paste
                key = self._desk.key(
                    f"board {row.place}: look at {', '.join(one.pads[:4])} ({one.why}). t it is there, l lay it (again),"
                    " b the board is bad, Enter leaves it in doubt"
                )
            if key == "b":
                put(self._journal, row, PlaceState.BAD, note=f"{', '.join(one.pads[:4])} in doubt")
                return
            if key in ("t", "l"):
                self._journal.decide(
                    row.board, [one.deposit], is_there=key == "t", run=run, now_s=self._now()
                )
        counts = self._journal.counts(row.board)
        if counts[DepositState.NOT_STARTED]:
            put(self._journal, row, PlaceState.UNFINISHED)
        elif counts[DepositState.TO_BE_CHECKED]:
            self._left_in_doubt.add((row.place, row.side))  # not asked again today
        else:
            put(self._journal, row, PlaceState.LAID)

    def _redo(self) -> None:
        """Let the last board that was begun be laid again, on another board."""
        begun = [row for row in places(self._journal, self._batch.id) if row.boards]
        if not begun:
            self._desk.say("no board was begun yet")
            return
        last = max(begun, key=lambda row: row.boards[-1])
        put(self._journal, last, PlaceState.WAITING, note=f"redone (was {last.state})")
        self._desk.say(f"board {last.place} will be laid again, on another board")

    def _one_more(self) -> None:
        known = {row.serial for row in places(self._journal, self._batch.id)}
        serial = self._desk.line("Serial or name of the board (Enter: the next number)") or str(
            len(known) + 1
        )
        if serial in known:
            self._desk.say(f"there is a board {serial!r} already")
            return
        one_more(self._journal, self._batch.id, serial)

    def barrel(self) -> BarrelRow:
        """Return the barrel in the machine, with its account as it stands."""
        return self._paste.barrel()

    def _now(self) -> float:
        return self._hands.now()
