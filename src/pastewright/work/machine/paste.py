"""Paste that hands move, entered in the account of the barrel it comes out of."""

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from pastewright.hands.guide import Confirm, GivenUpError
from pastewright.link.actions import BROKEN_OFF
from pastewright.link.barrels import BarrelRow, barrel_named, swept
from pastewright.link.conduct import unix_s
from pastewright.link.journal import Journal
from pastewright.problems import InputError
from pastewright.work.machine.session import Session
from pastewright.work.options import OfBarrel
from pastewright.work.printing.console import out as console
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
        """Enter what the plunger sweeps while this lasts, also where it is broken off; and the relief that follows on that,
        so that the next run knows that its paste is drawn back.
        """
        before_mm = session.hand.pushed_mm
        self.watch(session)
        try:
            yield
        finally:
            self.enter(what, _swept_ul(session, session.hand.pushed_mm - before_mm))

    def watch(self, session: Session) -> None:
        """Enter reliefs that nobody asks for: those that end a piece of work early."""
        session.hand.when_relieved = lambda by_mm: self._relieved(_swept_ul(session, by_mm))

    def _relieved(self, volume_ul: float) -> None:
        try:
            self.enter(BROKEN_OFF, -volume_ul)
        except (InputError, sqlite3.Error) as error:  # the tip is up; that comes before any account
            console.print(f"the relief of {volume_ul:g} µL is not in the account: {error}", markup=False)

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


def _swept_ul(session: Session, by_mm: float) -> float:
    profile = session.profile
    return by_mm * profile.barrel.area_mm2 * profile.tuning.gain


NO_ACCOUNT = Account(OfBarrel())
