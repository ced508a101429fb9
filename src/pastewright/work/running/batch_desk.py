"""A batch at a terminal and a port: where its keys and lines come from, and the hands that find and lay its boards."""

import time
from collections.abc import Collection, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from pathlib import Path

import typer
from rich.markup import escape

from pastewright.link.batch import SETTLED, BatchRow, PlaceRow, batch, places
from pastewright.link.companions import job_of
from pastewright.link.conduct import unix_s
from pastewright.link.ending import guarded
from pastewright.link.hand import Hand
from pastewright.link.job import ProgramJob
from pastewright.link.journal import Journal
from pastewright.link.left_out import height_of_ways_mm
from pastewright.link.owner import Owner
from pastewright.link.phases import Phase
from pastewright.link.port import check_port
from pastewright.link.weave import Shift, woven
from pastewright.problems import InputError, one_error
from pastewright.profile.model import Profile
from pastewright.profile.read import read_profile
from pastewright.records.plan import PlanRecord
from pastewright.records.sheet import SheetRecord
from pastewright.work.exits import DONE, FINDINGS, INTERRUPTED
from pastewright.work.keys import EndedError, Terminal
from pastewright.work.machine.session import Session
from pastewright.work.options import Sending
from pastewright.work.printing.console import out as console
from pastewright.work.printing.console import print_problems
from pastewright.work.running.asking import PasteState, paste_of
from pastewright.work.running.barrels import words_of
from pastewright.work.running.batch_wish import BatchWish, begun_batch
from pastewright.work.running.batching import BatchWork, FittedProgram, Hands, Outcome
from pastewright.work.running.board_found import found_again, highest_mm, of_zones, with_zones
from pastewright.work.running.board_laid import BoardLaid, Newest, RowGiven
from pastewright.work.running.checks import RunCheck, ask, run_checks
from pastewright.work.running.choice import check_verified
from pastewright.work.running.fresh import Sent, Today, ask_after, bench_today, for_today
from pastewright.work.running.laying import Laying, Watch, believed
from pastewright.work.running.records import default_journal
from pastewright.work.running.resting import let_end
from pastewright.work.running.witness import witness_of
from pastewright.work.yes_or_no import YES_OR_NO, yes_key

RECONNECT_S = 0.5
"""A port that vanished comes back no sooner (common practice)."""


def batch_command(wanted: BatchWish, profile_path: Path, sending: Sending) -> int:
    """Begin a batch or go on with one, until it is done, paused or the host ends; returns the exit code."""
    profile = read_profile(profile_path)
    journal = Journal(sending.journal or default_journal())
    try:
        row = (
            begun_batch(journal, wanted, profile, sending)
            if wanted.program is not None
            else batch(journal, wanted.go_on)
        )
        if row.settings["profile_sha256"] != profile.sha256:
            console.print("[yellow]look[/] the profile is not the one that this batch was begun with")
        check_port(sending.port or str(row.settings["port"]))
        with guarded() as ending, Terminal(lambda: ending.wanted) as terminal:
            bench = BatchBench(journal, row, profile, profile_path, sending, terminal)
            work = BatchWork(journal, row, bench, bench.hands())
            console.print(words_of(work.barrel()))
            try:
                bench.begin()
                words = work.go()
            except EndedError as ended:
                words = f"the host ended: {ended}"
            except typer.Abort:
                words = "paused, since a check was answered with no"
            finally:
                bench.close()
        with suppress(OSError):
            _tell(journal, row, words)
        if words.startswith("the host"):
            return INTERRUPTED
        return DONE if all(one.state in SETTLED for one in places(journal, row.id)) else FINDINGS
    finally:
        journal.close()


def _tell(journal: Journal, row: BatchRow, words: str) -> None:
    counts: dict[str, int] = {}
    for one in places(journal, row.id):
        counts[one.state] = counts.get(one.state, 0) + 1
    told = ", ".join(f"{count} {state}" for state, count in counts.items())
    console.print(f"batch {row.id} ({escape(row.name)}) {escape(words)}: {told}")
    if words != "ended":
        console.print(f"  Go on with it: pastewright batch --go-on {row.id} --profile …")


class BatchBench:
    """The desk of a batch, and its hands: the terminal, the port, the programs."""

    def __init__(
        self,
        journal: Journal,
        row: BatchRow,
        profile: Profile,
        profile_path: Path,
        sending: Sending,
        terminal: Terminal | None,
    ) -> None:
        self._journal, self._row, self._profile, self._profile_path = journal, row, profile, profile_path
        self._sending = replace(sending, port=sending.port or str(row.settings["port"]))
        self._given_terminal = terminal
        self._owner: Owner | None = None
        self._asked = False
        self._sides_asked: set[str] = set()
        self._last: BoardLaid | None = None
        self.watch: Watch | None = None
        programs: Mapping[str, str] = row.settings["programs"]
        self._plans: dict[str, tuple[Sent, Profile]] = {}  # with the bench that each is planned for
        for side, sha256 in programs.items():
            _, text, companion = journal.program(sha256)
            assert isinstance(companion, PlanRecord)
            self._plans[side] = ((text, companion, job_of(text, companion)), profile)
        self._fitted: dict[tuple[str, str, int, Shift], FittedProgram] = {}

    # -- the desk ---------------------------------------------------------------------------------------

    @property
    def _terminal(self) -> Terminal:
        """The terminal; a desk without one asks elsewhere."""
        assert self._given_terminal is not None
        return self._given_terminal

    def key(self, words: str) -> str:
        """Return a key; where lines are read, the first letter of one."""
        console.print(f"[bold]{escape(words)}[/]")
        if self._terminal.is_there:
            return self._terminal.key()
        return self._terminal.line("")[:1] or "enter"

    def confirm(self, question: str) -> bool:
        """Return whether the key pressed says yes. Enter says neither: no answer to this, nor to what is asked next."""
        if self._given_terminal is None or not self._terminal.is_there:
            return self.key(f"{question} {YES_OR_NO}").lower() == "y"
        console.print(f"[bold]{escape(question)}[/] {YES_OR_NO} ", end="")
        return yes_key(self._terminal)

    def line(self, words: str) -> str:
        """Return a line."""
        return self._terminal.line(words + (" " if words.endswith("?") else ": "))

    def measured(self, place: int, record: SheetRecord, newest: Newest) -> RowGiven | None:
        """Ask what was measured of a board's witness row."""
        from pastewright.work.running.row_readings import given_readings

        words = self.line(
            f"Witness row of board {place}: its diameters in mm in the order of laying, a photo's file, or a dots.csv"
            " (Enter: not measured)"
        ).strip()
        if not words:
            return None
        return RowGiven(words=words, readings=given_readings(words, record, newest=newest, say=self.say))

    def say(self, words: str) -> None:
        """Print a line."""
        console.print(escape(words))

    # -- the hands --------------------------------------------------------------------------------------

    def hands(self) -> Hands:
        """Return what the dialogue lets this bench do."""
        return Hands(
            fit=self.fit,
            find=self.find,
            lay=self.lay,
            now=unix_s,
            after=self.after,
            row=self.row,
            floor_life_s=self._profile.run.floor_life_s,
        )

    def begin(self) -> None:
        """Connect, look, ask once."""
        self._connected(next(iter(self._plans)))

    def close(self) -> None:
        """Close the port."""
        if self._owner is not None:
            self._owner.port.close()
            self._owner = None

    def _connected(self, side: str) -> Owner:
        if self._owner is not None and (
            self._owner.known or self._owner.bench.home
        ):  # each run homes by itself
            return self._owner
        self.close()
        _, _, job = self._plans[side][0]
        let_end(self._sending.port, self._journal, say=self.say, pause=self._pause)
        laying = Laying(self._journal, job, self._profile, self._sending, self._paste())
        owner = self.owner_for(laying)
        if owner is None:
            raise one_error(
                "a batch needs a machine at the port", "Name its port; a file is laid board by board."
            )
        self._owner = owner
        if not laying.rehearsal:
            checks = run_checks(self._profile, job, self._journal, owner.look())
            if self._asked:  # of the board each key says it
                checks = [check for check in checks if check.name in ("place", "clear")]
            self.ask(checks)
            believed(owner)
        self._asked = True
        self._sides_asked.add(side)
        return owner

    def _pause(self, seconds: float) -> None:
        """Let a little time pass; an end of the host is heard in it."""
        if self._given_terminal is not None:
            self._given_terminal.pressed(seconds)
        if self._given_terminal is None or not self._given_terminal.is_there:
            time.sleep(seconds)

    def _other_side(self, side: str, owner: Owner) -> None:
        """Ask once whether the other side is up, when the work comes to it."""
        if side in self._sides_asked:
            return
        self._sides_asked.add(side)
        job = self._plans[side][0][2]
        checks = run_checks(self._profile, job, self._journal, owner.look())
        if not self._sending.port.startswith("sim:"):
            self.ask([check for check in checks if check.name in ("side", "air")])

    def owner_for(self, laying: Laying) -> Owner | None:
        """Return the owner of the port."""
        return laying.connected()

    def ask(self, checks: Sequence[RunCheck]) -> None:
        """Ask what must have been looked at; a no ends the work for now."""
        ask(checks, self._sending, confirm=self.confirm)

    def session(self, owner: Owner, *, surface_z_mm: float) -> Session:
        """Return who plays guides with the person, over a board whose highest place is known [mm, machine]."""
        return Session(Hand(owner, surface_z_mm=surface_z_mm), self._terminal, self._profile_path)

    def _paste(self) -> PasteState:
        name = str(batch(self._journal, self._row.id).settings["barrel"])
        return paste_of(self._journal, self._profile, replace(self._sending, barrel=name))

    def fit(self, side: str, slot: int, shift: Shift) -> FittedProgram:
        """Return the program for a row of the card and a board, read back; raises `InputError` if it is not verified."""
        (text, plan, job), bench = self._for_today(side)
        key = (side, job.sha256, slot, shift)
        if key in self._fitted:
            return self._fitted[key]
        settings, bed = self._row.settings, bench.bed
        strip = Shift(y_mm=slot * float(settings["pitch_mm"]))
        if plan.placement.strips:  # the planner may have chosen another place than the profile's
            bed = replace(
                bed,
                strip_x_mm=plan.placement.strips[0].from_mm[0],
                strip_y_mm=plan.placement.strips[0].from_mm[1],
            )
        here = replace(bench, bed=bed)
        high_mm = height_of_ways_mm(job, here.travel_z_mm)
        witness = witness_of(here, strip, travel_z_mm=high_mm) if settings["witness"] else None
        text, plan = woven(
            text,
            plan,
            job,
            strip=strip,
            board=shift,
            witness=witness,
            board_at_mm=(bed.board_x_mm, bed.board_y_mm),
            speed_xy_mm_s=here.machine.speed_xy_mm_s,
        )
        plan = with_zones(plan, settings["zones"].get(side, ()))
        job = job_of(text, plan)
        aside = replace(here, bed=replace(bed, strip_y_mm=bed.strip_y_mm + strip.y_mm))
        try:
            check_verified(text, job, plan, aside, Path(str(settings["name"])))
        except InputError as error:
            raise InputError((*error.problems, *of_zones(settings["zones"].get(side, ())))) from None
        fitted = FittedProgram(job=job, text=text, plan=plan)
        self._fitted[key] = fitted
        return fitted

    def _for_today(self, side: str) -> tuple[tuple[str, PlanRecord, ProgramJob], Profile]:
        """Return the side's program, planned anew where the bench has changed, and the bench that it is for."""
        sent, planned_for = self._plans[side]
        today = Today(journal=self._journal, paste=self._paste(), batch=self._row.id)
        try:
            self._plans[side] = for_today(sent, planned_for, bench_today(self._profile, today))
        except (
            InputError
        ) as error:  # too little paste for a whole board, mostly: whether it serves is asked next
            self.say(f"not planned anew: {error}")
        (text, plan, job), bench = self._plans[side]
        assert isinstance(plan, PlanRecord)
        return (text, plan, job), bench

    def after(self, place: PlaceRow, board: int) -> None:
        """Ask what is to be asked after a board."""
        bench = self._plans[place.side][1]
        self._last = BoardLaid(journal=self._journal, place=place, board=board, profile=bench)
        ask_after(self, self._last)

    def row(self) -> None:
        """Take in what was measured of the last board's witness row."""
        from pastewright.work.running.learning import learn_row

        if self._last is None:
            self.say("no board was laid since this was started: its row is asked for after the next one")
            return
        try:
            learn_row(self, self._last)
        except InputError as error:
            self.say(str(error))

    def find(self, side: str) -> Shift:
        """Return where the board lies: at the stop, or as two points of it are found by the person."""
        owner = self._connected(side)
        self._other_side(side, owner)
        if self._row.settings["find"] == "stop":
            return Shift()
        _, plan, _ = self._plans[side][0]
        assert isinstance(plan, PlanRecord)
        plan = with_zones(plan, self._row.settings["zones"].get(side, ()))
        session = self.session(owner, surface_z_mm=highest_mm(plan))
        if not owner.known and owner.bench.home:
            self.say("homing, then near two points of the board: hands out")
            owner.home()
        session.hand.look()
        try:
            return found_again(session, plan)
        finally:
            # Whatever came of it: the board may be taken out next.
            owner.lift(above_mm=plan.placement.travel_z_mm)

    def lay(self, fitted: FittedProgram, board: int, deposits: Collection[int]) -> Outcome:
        """Lay the deposits of a board."""
        side = str(fitted.job.side)
        try:
            owner = self._connected(side)
        except InputError as error:
            with suppress(OSError):
                print_problems(error.problems)
            return Outcome(phase=Phase.LOST, why=str(error))
        laying = Laying(
            self._journal,
            fitted.job,
            self._profile,
            self._sending,
            self._paste(),
            alone=False,
            watch=self.watch,
        )
        laying.work(board, deposits, owner)
        last = next(run for run in self._journal.runs() if run.board == board)
        if last.phase == Phase.LOST:
            owner.doubt(last.why)
            self.close()
            time.sleep(RECONNECT_S)
        host = last.why if laying.host_ended else ""
        return Outcome(phase=Phase(last.phase), why=last.why, host=host)
