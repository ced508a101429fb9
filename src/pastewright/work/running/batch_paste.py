"""The paste of a batch: whether the barrel serves the next board, how long it may be open, refills and other barrels."""

from collections.abc import Callable, Collection
from math import inf
from typing import Protocol

from pastewright.counting import counted
from pastewright.link.barrels import BarrelEvent, BarrelRow, barrel_named, enter
from pastewright.link.batch import BatchRow, rename_barrel
from pastewright.link.bookkeeping import PasteBook
from pastewright.link.job import ProgramJob
from pastewright.link.journal import Journal
from pastewright.problems import InputError
from pastewright.work.yes_or_no import YES_OR_NO

MOST_UL = 1e6
"""A litre: no syringe holds it."""


class Desk(Protocol):
    """Where the person is."""

    def key(self, words: str) -> str:
        """Say something and return the key pressed: "enter" or a letter."""

    def line(self, words: str) -> str:
        """Ask for a line."""

    def say(self, words: str) -> None:
        """Say something."""


class BatchPaste:
    """The barrel that a batch lays from, by its account in the journal."""

    def __init__(
        self,
        journal: Journal,
        batch: BatchRow,
        desk: Desk,
        now: Callable[[], float],
        *,
        floor_life_s: float = inf,
    ) -> None:
        self._journal, self._batch, self._desk, self._now = journal, batch, desk, now
        self._name = str(batch.settings["barrel"])
        self._floor_life_s = floor_life_s
        self._old_used: set[int] = set()  # barrels that are used beyond their floor life
        self._job: ProgramJob | None = None  # the last board's

    def barrel(self) -> BarrelRow:
        """Return the barrel in the machine, with its account as it stands."""
        return barrel_named(self._journal, self._name)

    def _book(self, job: ProgramJob) -> PasteBook:
        row = self.barrel()
        return PasteBook(
            fill_ul=row.filled_ul,
            used_ul=row.used_ul,
            board_ul=job.paste_ul,
            strip_ul=job.strip_ul,
            opened_s=None if row.opened_at is None else self._now() - row.opened_at,
            floor_life_s=self._floor_life_s,
            named=True,
        )

    def forecast(self) -> str:
        """Say for how many boards as the last one there is paste; "" before the first."""
        if self._job is None:
            return ""
        return f", paste for {counted(self._book(self._job).boards_left, 'board')}"

    def missing(self, job: ProgramJob, wanted: Collection[int]) -> str:
        """Say why the barrel does not serve this board, "" where it does; a refill due after it is announced."""
        self._job = job
        need_ul = job.strip_ul + sum(laid.volume_ul for laid in job.deposits if laid.id in wanted)
        left_ul = self.barrel().left_ul
        if left_ul < need_ul:
            return (
                f"the barrel holds {left_ul:.1f} µL and this board needs {need_ul:.1f} µL: refill it (f) or put in"
                " another (x) first"
            )
        if left_ul - need_ul < job.strip_ul + job.paste_ul:
            self._desk.say("after this board the barrel must be refilled (f) or changed (x)")
        return ""

    def too_old(self, job: ProgramJob) -> str:
        """Say why the paste is too old for a board, "" where it is not, or is used all the same; its end is announced."""
        book, barrel = self._book(job), self.barrel()
        if words := book.overdue():
            if barrel.id in self._old_used:
                return ""
            if self._desk.key(f"{words[:1].upper()}{words[1:]}. Use it all the same? {YES_OR_NO}") != "y":
                return f"{words}: put in another barrel (x)"
            self._old_used.add(barrel.id)
        for words in book.life(run_s=job.machine_s):
            self._desk.say(words)
        return ""

    def refill(self) -> None:
        """Ask how much was put in."""
        words = self._desk.line("How much was put in, in µL?").replace(",", ".")
        try:
            ul = float(words)
        except ValueError:
            ul = -1.0
        if not 0 < ul < MOST_UL:
            self._desk.say(f"{words!r} is no volume in µL")
            return
        row = enter(self._journal, self.barrel(), BarrelEvent.REFILLED, ul=ul, now_s=self._now())
        self._desk.say(f"barrel {row.name}: {row.left_ul:.0f} µL")

    def another(self) -> None:
        """Ask which barrel is in now."""
        name = self._desk.line("Name of the barrel that is in now")
        try:
            row = barrel_named(self._journal, name)
        except InputError as error:
            self._desk.say(str(error))
            return
        self._name = name
        rename_barrel(self._journal, self._batch.id, name)
        if row.opened_at is None:
            enter(self._journal, row, BarrelEvent.OPENED, now_s=self._now())
        self._desk.say(f"barrel {row.name}: {row.left_ul:.0f} µL")
