"""The run itself: find out who is at the port, lay the deposits, tell how it ended."""

import json
import os
import sqlite3
from collections.abc import Callable, Collection, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from pathlib import Path

from rich.markup import escape

from pastewright.counting import counted
from pastewright.link.actions import Action, Doubt, Entered, Send, Started, Swept
from pastewright.link.bench import ul_per_unit
from pastewright.link.conduct import TERMINAL_GONE, RecordLostError, Wishes, conduct, unix_s
from pastewright.link.drawn_back import given_back, is_drawn_back
from pastewright.link.ending import POLITE_ENDS
from pastewright.link.events import Trouble
from pastewright.link.job import ProgramJob
from pastewright.link.journal import Journal
from pastewright.link.journal_rows import DepositState, Setting
from pastewright.link.left_out import chosen, height_of_ways_mm
from pastewright.link.owner import SWITCH_MET, Owner, connect
from pastewright.link.phases import Phase
from pastewright.link.port import NOBODY_ELSES
from pastewright.link.run import Run
from pastewright.link.ways import deposit_units
from pastewright.problems import one_error
from pastewright.profile.model import Profile
from pastewright.records.kinds import ProgramKind
from pastewright.work.exits import DONE, FINDINGS
from pastewright.work.holder import must_be_free
from pastewright.work.options import Sending
from pastewright.work.printing.console import out as console
from pastewright.work.running.asking import PasteState
from pastewright.work.running.beginning import brought_round
from pastewright.work.running.live import LiveView, wishes
from pastewright.work.running.records import write_picture
from pastewright.work.running.resting import let_end

FILE_PORT = "file:"


Watch = Callable[[ProgramJob, Run], AbstractContextManager[tuple[Callable[[list[Action]], None], Wishes]]]
"""A run before a person's eyes: gives what shows its actions, and what asks for their wishes."""


@contextmanager
def at_terminal(job: ProgramJob, run: Run) -> Iterator[tuple[Callable[[list[Action]], None], Wishes]]:
    """Show a run at the terminal, and hear its keys."""
    with LiveView(job, run) as view, wishes() as ask:
        yield view, ask


class Laying:
    """Lays the deposits of one board through one connection, with the journal kept."""

    def __init__(
        self,
        journal: Journal,
        job: ProgramJob,
        profile: Profile,
        options: Sending,
        paste: PasteState,
        *,
        kind: ProgramKind = ProgramKind.BOARD,
        alone: bool = True,
        watch: Watch | None = None,
    ) -> None:
        self._journal, self._job, self._profile, self._options = journal, job, profile, options
        self._paste, self._kind = paste, kind
        self._alone = alone  # a batch says by itself how to go on
        self._watch = watch or at_terminal
        self.host_ended = ""
        """Why the host itself is ending, when it is: a run stopped by Ctrl-C ends only the run."""

    def connected(self) -> Owner | None:
        """Return the owner of the port, None for a file; raises `InputError` where nobody there understands."""
        if self._options.port.startswith(FILE_PORT):
            return None
        must_be_free(self._options.port)
        let_end(self._options.port, self._journal)
        return connect(self._options.port, self._profile, baud=self._options.baud)

    @property
    def rehearsal(self) -> bool:
        """Whether no machine moves: a virtual controller, or a file."""
        return self._options.port.startswith(NOBODY_ELSES)

    def work(self, board: int, deposits: Collection[int], owner: Owner | None) -> int:
        """Lay the deposits of a board; returns the exit code."""
        journal, job = self._journal, self._job
        barrel = self._paste.barrel.id if self._paste.barrel else None
        back = not job.dry and is_drawn_back(journal, barrel=barrel, board=board)
        homed = owner is not None and brought_round(owner, job, journal.program(job.sha256)[2])
        number = journal.begin_run(board, self._setting(), process=os.getpid(), now_s=unix_s())
        if owner is None:
            return self._to_file(number, board, deposits)
        blocks = chosen(job, deposits)
        if back:
            blocks = given_back(blocks, job.letter, owner.bench)
        # Homed once more it would stand where the way round began.
        bench = replace(owner.bench, home=()) if homed else owner.bench
        run = Run(job, blocks, owner.new_sender(), bench, owner.punctual)

        def record(actions: list[Action]) -> None:
            try:
                journal.enter(number, actions, now_s=unix_s())
            except sqlite3.Error as error:
                raise RecordLostError(f"the journal cannot be written: {error}") from None

        def mark(sent: Send) -> None:
            journal.mark(number, sent, now_s=unix_s())

        def rescue(why: str) -> bool:
            return owner.safe(why, above_mm=height_of_ways_mm(job, owner.bench.travel_z_mm))

        try:
            with self._watch(job, run) as (view, ask):
                conduct(run, owner.port, record, wishes=ask, show=view, rescue=rescue, mark=mark)
        except RecordLostError as error:
            again = "pastewright resume" if self._alone else "pastewright batch"
            raise one_error(
                f"{error}; the run ended as {run.phase} ({run.why}), with {counted(len(run.done), 'deposit')} laid",
                f"Make room on the disk, or end what locks the journal; then `{again}`: what the journal could not keep is"
                " in doubt.",
                file=str(journal.path),
            ) from None
        if owner.bench.home and run.phase is Phase.FINISHED:
            owner.homed()
        elif run.place_lost:
            owner.doubt(run.place_lost)
        self.host_ended = run.why if run.why.startswith((TERMINAL_GONE, *POLITE_ENDS)) else ""
        try:
            return self._ended(number, run)
        except OSError:  # the terminal is gone; the journal knows
            return FINDINGS

    def _setting(self) -> Setting:
        profile, options = self._profile, self._options
        tuning = {name: getattr(profile.tuning, name) for name in profile.tuning.__slots__}
        return Setting(
            port=options.port,
            profile=profile.name,
            profile_sha256=profile.sha256,
            tuning=json.dumps(tuning),
            tip=f"{f'{profile.tip.gauge}G, ' if profile.tip.gauge else ''}bore {profile.tip.bore_mm:g} mm",
            paste=profile.paste.name,
            lot=self._paste.lot,
            opened_at=self._paste.opened_at,
            fill_ul=self._paste.fill_ul,
            strip_ul=0.0 if self._job.dry else self._job.strip_ul,
            note=options.note,
            kind=self._kind,
            barrel=self._paste.barrel.id if self._paste.barrel else None,
            sent=self._job.sha256,
            ul_per_unit=0.0 if self._job.dry else ul_per_unit(profile),
        )

    def _to_file(self, number: int, board: int, deposits: Collection[int]) -> int:
        """Write the lines to a file for a card or a share; nobody watches it being carried out."""
        path = Path(self._options.port.removeprefix(FILE_PORT))
        blocks = chosen(self._job, deposits)
        try:
            path.write_text(
                "\n".join(line for block in blocks for line in block.lines) + "\n",
                encoding="ascii",
                newline="\n",
            )
        except OSError as error:
            raise one_error(
                f"it cannot be written: {error.strerror or error}", "Choose another file.", file=str(path)
            ) from None
        ids = tuple(block.deposit for block in blocks if block.deposit is not None)
        units = deposit_units(self._job, blocks)
        why = "carried out from a file, with nobody watching"
        self._journal.enter(
            number,
            [
                Entered(Phase.PREPARING),
                Swept("settling strip", units[None]),
                Started(ids, tuple(units[key] for key in ids)),
                Doubt(ids, why),
                Entered(Phase.STOPPED, why),
            ],
            now_s=unix_s(),
        )
        console.print(f"  program  {escape(str(path))}: {counted(len(ids), 'deposit')}")
        console.print(
            f"  The journal has them in doubt until you say: `pastewright resume {number} --in-doubt there`."
        )
        return DONE

    def _ended(self, number: int, run: Run) -> int:
        row = self._journal.run(number)
        finished = run.phase is Phase.FINISHED
        style = "bold green" if finished else "bold red"
        console.print(
            f"[{style}]{run.phase}[/] run {number}: {len(run.done)} of {counted(run.total, 'deposit')},"
            f" {row.used_ul:.2f} µL{'' if finished else ' swept, less what was drawn back'}"
            + (
                f" with {row.strips} settling strip{'s' if row.strips > 1 else ''}"
                if row.strips and not row.dry
                else ""
            )
            + (f"; {counted(run.repeats, 'line')} repeated" if run.repeats else "")
        )
        doubted = row.counts[DepositState.TO_BE_CHECKED]
        if doubted or not finished:
            picture = write_picture(self._journal, self._job, row, None)
            console.print(f"  {doubted} in doubt, {row.counts[DepositState.NOT_STARTED]} not started")
            console.print(f"  picture  {escape(str(picture))}")
        if run.phase is Phase.LOST:
            console.print(f"  {escape(run.why)}")
            console.print(f"  {escape(_where(run, self._job))}")
            if any(kind == str(Trouble.ALARM) for _, kind, _ in self._journal.events(number)):
                console.print(f"  {escape(SWITCH_MET)}")
        if run.place_lost and run.phase is Phase.STOPPED:
            console.print(f"  {run.place_lost}: home it, or see where the tip stands, before it goes on")
        if not finished and self._alone:
            console.print(f"  Look at the board, then: pastewright resume {number} --profile …")
        return DONE if finished and not doubted else FINDINGS


def _where(run: Run, job: ProgramJob) -> str:
    place = ", ".join(f"{letter} {value:.2f}" for letter, value in run.place.items() if letter in "XYZ")
    known = f"The tip was last reported at {place}." if place else "Nobody knows where the tip is."
    return (
        known
        + " It may be down in the paste: raise Z by hand or from the controller's own panel before anything"
        " moves sideways, then home."
    )


def believed(owner: Owner) -> None:
    """Take the place as true, as the person has just confirmed it; a machine that homes by itself finds out."""
    if not owner.bench.home:
        owner.believe("the person looked and found the tip there")
