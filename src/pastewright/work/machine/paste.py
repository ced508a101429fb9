"""Paste that hands move, entered in the account of the barrel it comes out of."""

from collections.abc import Iterator
from contextlib import contextmanager

from pastewright.hands.guide import Confirm, GivenUpError
from pastewright.link.barrels import BarrelRow, barrel_named, swept
from pastewright.link.conduct import unix_s
from pastewright.link.journal import Journal
from pastewright.work.machine.session import Session
from pastewright.work.options import OfBarrel
from pastewright.work.running.records import default_journal


class Account:
    """The barrel in the machine by its name, and the journal that has it; no name, no account."""

    def __init__(self, words: OfBarrel) -> None:
        self.barrel, self._file = words.barrel, words.journal

    @contextmanager
    def opened(self) -> Iterator[tuple[Journal, BarrelRow] | None]:
        """Give the journal and the barrel, or None without a name; raises `InputError` for a name that is not there."""
        if not self.barrel:
            yield None
            return
        journal = Journal(self._file or default_journal())
        try:
            yield journal, barrel_named(journal, self.barrel)
        finally:
            journal.close()

    def enter(self, what: str, volume_ul: float) -> None:
        """Enter a sweep [µL], below zero for a relief."""
        with self.opened() as book:
            if book is not None and volume_ul:
                swept(book[0], book[1], what, volume_ul, now_s=unix_s())

    @contextmanager
    def counting(self, session: Session, what: str) -> Iterator[None]:
        """Enter what the plunger sweeps while this lasts, also where it is broken off."""
        before_mm = session.hand.pushed_mm
        try:
            yield
        finally:
            profile = session.profile
            moved_mm = session.hand.pushed_mm - before_mm
            self.enter(what, moved_mm * profile.barrel.area_mm2 * profile.tuning.gain)

    def must_hold(self, session: Session, volume_ul: float) -> None:
        """Ask where the account has less than a volume left [µL]; a no ends the work."""
        with self.opened() as book:
            left_ul = None if book is None else book[1].left_ul
        if left_ul is None or left_ul >= volume_ul:
            return
        there = session.confirm(
            Confirm(
                question=f"By its account barrel {self.barrel} has {left_ul:.0f} µL left of the {volume_ul:g} asked for."
                " Look at the plunger: is there more in it?",
                name="paste",
                safety=True,
            )
        )
        if not there:
            raise GivenUpError(
                f"barrel {self.barrel} has run out; refill it (pastewright barrel refill) or change it"
            )


NO_ACCOUNT = Account(OfBarrel())
